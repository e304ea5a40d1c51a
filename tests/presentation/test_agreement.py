"""Dome or hollow is the same in run, gauge, page, fringes, table and card, or the shape has a name."""

from __future__ import annotations

import re
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pytest

from lapwright.presentation import words
from lapwright.presentation.account import came_out
from lapwright.presentation.card import card_html
from lapwright.presentation.gauge_text import in_words
from lapwright.presentation.pictures.fringes import fringes_of
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tables import forms_data
from lapwright.results.gauge import GaugeAnswer, faces_of
from lapwright.specification.plate import Measured, Plate
from lapwright.study.read import parse
from lapwright.units import METRIC

UM = 1e-6
RUN = """
plates.A = {{ {above}, thickness = "30 mm", cells = {cells}, form = {{ {first} }}{grooves} }}
plates.B = {{ {below}, thickness = "30 mm", cells = {cells}, form = {{ {second} }} }}
[grits.g]
size = "{grit} um"
layer = {{ depth = "{layer} um" }}
[[steps]]
top = "{top}"
bottom = "{bottom}"
grit = "g"
stroke = {{ kind = "{kind}", travel = "{travel} %" }}
turn = "{turn}"
{swap}
fresh_grit_every = "5 min"
time = "{time} min"
"""
SHAPES = {
    "disc": ('disc = "160 mm"', 'disc = "160 mm"'),
    "disc on a larger one": ('disc = "120 mm"', 'disc = "160 mm"'),
    "square": ('rectangle = ["120 mm", "120 mm"]', 'rectangle = ["120 mm", "120 mm"]'),
    "ring": ('ring = ["100 mm", "50 mm"]', 'disc = "160 mm"'),
    "rings": ('ring = ["100 mm", "50 mm"]', 'ring = ["100 mm", "50 mm"]'),
    "rail": ('rectangle = ["240 mm", "60 mm"]', 'rectangle = ["240 mm", "60 mm"]'),
    "rail on a plate": ('rectangle = ["160 mm", "50 mm"]', 'rectangle = ["200 mm", "200 mm"]'),
}
GROOVES = ', grooves = { pattern = "square", pitch = "24 mm", width = "4 mm" }'


def lapped(number: int):
    """A pair that is not done with bedding in: outlines, grooves, layers, swaps, short spells, fine grits."""
    dice = np.random.default_rng((15, number))
    shape = list(SHAPES)[number % len(SHAPES)]
    above, below = SHAPES[shape]
    rail, alike = shape.startswith("rail"), above == below
    grit = float(dice.choice([1, 3, 5, 9]))
    flip = alike and dice.random() < 0.5
    most = ("bow", "crown") if rail else ("dome", "twist")
    forms = [
        f'{most[0]} = "{dice.uniform(-4, 4):.2f} um", {most[1]} = "{dice.uniform(0, 0.5):.2f} um"',
        f'dome = "{dice.uniform(-4, 4):.2f} um"',
    ]
    forms[1] = forms[1].replace("dome", "bow") if shape == "rail" else forms[1]
    turn = "180 deg every 10 strokes" if rail else str(dice.choice(["none", "8 deg per stroke"]))
    text = RUN.format(
        above=above,
        below=below,
        cells=40,
        first=forms[0],
        second=forms[1],
        grooves=GROOVES if dice.random() < 0.25 and not rail else "",
        top="B" if flip else "A",
        bottom="A" if flip else "B",
        grit=f"{grit:g}",
        layer=f"{grit * dice.uniform(0.02, 0.15):.3f}",
        kind=dice.choice(["line"] if rail else ["circle", "figure-eight", "line"]),
        travel=round(dice.uniform(5.0, 30.0)),
        turn=turn,
        swap='swap_every = "3 min"' if alike and dice.random() < 0.4 else "",
        time=round(dice.uniform(2.0, 30.0)),
    )
    study = parse(text, "study")
    plates = {name: waved(plate, dice) for name, plate in study.plates.items()}
    study = replace(study, plates=plates)
    return study, study.run()


def waved(plate: Plate, dice: np.random.Generator) -> Plate:
    """The plate with a hill or a hollow in its middle and a wave round it, as earlier work leaves them."""
    x, y = plate.grid.mesh()
    r = np.hypot(x, y) / plate.outline.radius
    pip, wave = UM * dice.uniform(-3.0, 3.0, 2)
    z = pip * np.exp(-((r / 0.3) ** 2)) + 0.3 * wave * np.cos(2.0 * np.pi * r)
    form = replace(plate.form, measured=Measured(plate.grid, z))
    return replace(plate, form=form)


UP = r"\b(domed|dome \d|middle high|middle over the ends|bore over|high in the middle)"
DOWN = r"\b(hollow|dish \d|middle low|middle under the ends|bore under|hollow along)"


def sides(text: str) -> set[bool]:
    """Which ways words say the face goes: + for a dome, or for a rail that is high in its middle."""
    return {side for side, words_ in ((True, UP), (False, DOWN)) if re.search(words_, text)}


KINDS = {
    False: ("spherometer, three feet", "optical flat"),
    True: ("straightedge", "optical flat"),  # feet in a circle read the crown of a long face too
}


def of_gauges(lines: list[str], plate: str, long: bool) -> set[bool]:
    """Which ways gauges go that are sure of it, alike in every direction; on a long face lengthwise."""
    out: set[bool] = set()
    for k, line in enumerate(lines):
        if line not in [f"{kind} on {plate}" for kind in KINDS[long]]:
            continue
        shown = []
        for one in lines[k + 1 :]:
            if not re.match(r"  at .* deg", one):
                break
            shown.append(one)
        if long:
            shown = [one for one in shown if one.startswith("  at 0 deg")]
        ways = [sides(one) for one in shown if "too little" not in one and "along" not in one]
        if ways and len(ways) == len(shown) and all(way == ways[0] for way in ways):
            out |= ways[0]
    return out


PLAIN = 12


@pytest.mark.often(*range(4))
@pytest.mark.always("1", "7")
@pytest.mark.parametrize(
    "number",
    [pytest.param(k, marks=[] if k < PLAIN else pytest.mark.campaign) for k in range(200)],
)
def test_all_that_is_said_of_a_face_agrees_or_its_shape_is_named(number: int) -> None:
    study, run = lapped(number)
    view = run_view(run)
    gauged = in_words(GaugeAnswer(study, faces_of(study, run)))
    drawn = fringes_of(view)
    assert drawn is not None
    written = re.sub(r"\s+", " ", " ".join(text.get_text() for text in drawn.texts))
    plt.close(drawn)
    figures, card = forms_data(view), re.sub(r"\s+", " ", card_html(run))
    said = came_out(view)
    for face in view.faces:
        named = words.odd(face.after, face.doubt)
        rows = next(rows for name, rows, _ in figures["faces"] if name == face.name)
        lead = "bow" if face.long else "sphere"
        cell = dict(rows)["bow, along" if face.long else "dome or dish"][1]
        size = face.after[lead]
        title = words.face(face.after, face.doubt)
        own = " ".join(re.findall(r"bow [^;]*", title)) if face.long else title
        told = {
            "run": set() if METRIC.finer(size, face.doubt) else {size > 0.0},
            "title": set() if words.REMARK in title or named else sides(own),
            "table": set() if cell["fine"] else sides(f"{cell['side']} 1"),
            "gauge": of_gauges(gauged, face.name, face.long),
        }
        assert len(set().union(*told.values())) < 2 or named, (face.name, told, title)
        if named:
            what = named.split(",")[0].split(":")[0]
            assert any(note.startswith(f"{face.name} is {named}") for note in figures["notes"])
            assert named in title
            assert named in said
            assert named in re.sub(r"\s+", " ", " ".join(gauged))
            assert f"It is {what}" in written
            assert what in card
