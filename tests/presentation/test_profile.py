"""A trough with a pip is told as one: run, page, gauge, bands and table do not contradict each other."""

from __future__ import annotations

import re
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pytest

from lapwright.metrology.form import measure
from lapwright.metrology.profile import profile_of
from lapwright.presentation import words
from lapwright.presentation.card import card_html
from lapwright.presentation.gauge_text import in_words
from lapwright.presentation.pictures.fringes import fringes_of
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tables import forms_data
from lapwright.presentation.words import MARK
from lapwright.results.gauge import GaugeAnswer, faces_of
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Measured, Plate
from lapwright.study.read import parse
from lapwright.units import METRIC, Units

UM = 1e-6
DISC = Plate(Disc(0.16), 0.03, cells=96, name="A")
RING = Plate(Ring(0.08, 0.05), 0.012, cells=64, name="A")
PAIR = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "1 min"
"""


def forms(plate: Plate, of) -> dict:
    """Forms and profile of a round face whose heights [um] follow from the radius [mm]."""
    x, y = plate.grid.mesh()
    z = UM * of(1e3 * np.hypot(x, y))
    return measure(plate, z, parse(PAIR).margin).as_dict() | profile_of(plate, z).as_dict()


def pip(r):
    return 1.9 * (r / 80.0) ** 2 + 1.2 * np.exp(-((r / 20.0) ** 2))


def test_readings_of_a_trough_with_a_pip_by_hand():
    got = forms(DISC, pip)
    # The middle over 40 mm, over the rim, and where the slope is nothing: 1.9/6400 = 1.2/400 exp(-r2/400).
    assert got["middle"] == pytest.approx(UM * (pip(0.0) - pip(40.0)), rel=0.01)
    assert got["inner"] == pytest.approx(UM * (pip(0.0) - pip(80.0)), rel=0.01)
    assert got["feet"] == 0.08
    lowest = np.sqrt(400.0 * np.log(1.2 * 6400 / 1.9 / 400))
    assert -1e3 * got["turn"] == pytest.approx(lowest, abs=2.0)
    told = words.odd(got, 0.3 * UM)
    assert told.startswith("a trough with a pip in the middle, lowest 3")
    assert "hollow 1.4 um overall" in told
    assert "spherometer on 80 mm feet: middle high by 0.70 um" in told
    assert told in words.face(got, 0.3 * UM)
    assert told in " ".join(words.shapes({"A": got}, {"A": 0.3 * UM}))
    assert "28 uin" in words.odd(got, 0.3 * UM, Units.INCH)


@pytest.mark.parametrize(
    ("of", "what"),
    [
        (lambda r: -pip(r), "a crest with a dip in the middle"),
        (lambda r: (r / 80.0) ** 2, ""),
        (lambda r: -2.0 * (r / 80.0) ** 2, ""),
        (lambda r: 0.0 * r, ""),
        # A pip that does not turn the sign of any reading.
        (lambda r: 3.0 * (r / 80.0) ** 2 + 0.1 * np.exp(-((r / 5.0) ** 2)), ""),
    ],
)
def test_what_is_odd_and_what_is_not(of, what):
    told = words.odd(forms(DISC, of), 0.3 * UM)
    assert told.startswith(what) if what else told == ""


def test_what_is_finer_than_the_finish_is_no_shape():
    got = forms(DISC, pip)
    assert words.odd(got, 2.0 * UM) == ""
    assert words.odd(got, 1.0 * UM) != ""


def test_a_ring_is_told_from_bore_to_rim_in_bands():
    got = forms(RING, lambda r: 0.8 * ((r - 34.0) / 7.5) ** 2 * (r > 25.0))
    assert got["middle"] is None
    assert -1e3 * got["turn"] == pytest.approx(34.0, abs=1.0)
    # Half a wave of the yellow helium line, 587.6 nm: 293.8 nm or 11.567 millionths.
    told = words.in_bands(2.0 * 293.8e-9)
    assert told == "flat within 0.59 um (23 uin), 2.0 helium bands"
    line = words.shapes({"r": got}, {"r": None}, bores={"r": 1.0 - (50.0 / 80.0) ** 2})
    number = float(re.search(r"([\d.]+) helium bands", " ".join(line))[1])
    assert number == pytest.approx(got["flatness"] / (587.6e-9 / 2.0), rel=0.05)


def test_a_long_face_has_no_profile():
    rail = Plate(Rectangle(0.3, 0.05), 0.02, name="A")
    assert profile_of(rail, np.zeros(rail.grid.shape)) is None


RUN = """
plates.A = {{ disc = "160 mm", thickness = "30 mm", cells = 48, form = {{ dome = "{dome} um", twist = "{twist} um" }} }}
plates.B = {{ {below}, thickness = "30 mm", cells = 48, form = {{ dome = "{other} um" }} }}
[[steps]]
top = "{top}"
bottom = "{bottom}"
grit = "{grit} um"
stroke = {{ kind = "{kind}", travel = "{travel} %" }}
turn = "8 deg per stroke"
fresh_grit_every = "5 min"
time = "{time} min"
"""  # noqa: E501


def lapped(number: int):
    """A pair that is not done with bedding in: domes on dishes, rings, short spells, fine grits."""
    dice = np.random.default_rng((15, number))
    ring = number % 3 == 2
    top, bottom = ("B", "A") if ring or number % 2 else ("A", "B")
    text = RUN.format(
        dome=round(dice.uniform(-4.0, 4.0), 2),
        twist=round(dice.uniform(0.0, 0.5), 2),
        other=round(dice.uniform(-4.0, 4.0), 2),
        below='ring = ["100 mm", "50 mm"]' if ring else 'disc = "160 mm"',
        top=top,
        bottom=bottom,
        grit=dice.choice([1, 3, 5]),
        kind=dice.choice(["circle", "figure-eight"]),
        travel=round(dice.uniform(5.0, 35.0)),
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


def sides(text: str) -> set[bool]:
    """Which ways words say the face goes: + for a dome."""
    up = re.search(r"\b(domed|dome \d|middle high|bore over)", text) is not None
    down = re.search(r"\b(hollow|dish \d|middle low|bore under)", text) is not None
    return {side for side, seen in ((True, up), (False, down)) if seen}


def of_gauges(lines: list[str], plate: str) -> set[bool]:
    """Which ways a spherometer and a flat go, that stand above the finish, alike in every direction."""
    out: set[bool] = set()
    for k, line in enumerate(lines):
        if line in (f"spherometer, three feet on {plate}", f"optical flat on {plate}"):
            shown = [one for one in lines[k + 1 : k + 5] if re.match(r"  at .* deg", one)]
            ways = [sides(one) for one in shown if not one.endswith(MARK)]
            if len(ways) == len(shown) and all(way == ways[0] for way in ways):
                out |= ways[0]
    return out


@pytest.mark.parametrize(
    "number", [pytest.param(k, marks=[] if k < 6 else pytest.mark.campaign) for k in range(60)]
)
def test_all_that_is_said_of_a_face_agrees_or_its_shape_is_named(number: int) -> None:
    study, run = lapped(number)
    view = run_view(run)
    gauged = in_words(GaugeAnswer(study, faces_of(study, run)))
    drawn = fringes_of(view)
    written = re.sub(r"\s+", " ", " ".join(text.get_text() for text in drawn.texts))
    plt.close(drawn)
    figures, card = forms_data(view), re.sub(r"\s+", " ", card_html(run))
    for face in view.faces:
        named = words.odd(face.after, face.finish)
        rows = next(rows for name, rows, _ in figures["faces"] if name == face.name)
        cell = dict(rows)["dome or dish"][1]
        sphere = face.after["sphere"]
        told = {
            "run": set() if METRIC.finer(sphere, face.finish) else {sphere > 0.0},
            "table": set() if cell["fine"] else sides(f"{cell['side']} 1"),
            "gauge": of_gauges(gauged, face.name),
        }
        assert len(set().union(*told.values())) < 2 or named, (face.name, told)
        if named:
            what = named.split(",")[0].split(":")[0]
            assert any(note.startswith(f"{face.name} is {named}") for note in figures["notes"])
            assert named in words.face(face.after, face.finish)
            assert named in re.sub(r"\s+", " ", " ".join(gauged))
            assert f"It is {what}" in written
            assert what in card
