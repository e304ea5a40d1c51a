"""A glance agrees with the picture it is a glance of, with the moment law, and with degree 8."""

from __future__ import annotations

from collections import deque
from math import pi

import numpy as np
import pytest

from lapwright.integration.estimate import outlooks
from lapwright.integration.loop import lap
from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.form import forms as measured
from lapwright.modal import reduced_model
from lapwright.modal.cycle import cycle_of, round_of
from lapwright.modal.operator import kernel_of, operator_of
from lapwright.modal.propagator import made as what_is_made
from lapwright.modal.reduced_model import COARSE, GLANCE_DEGREE, MOST, Glances, ReducedModel
from lapwright.modal.spectrum import named_errors
from lapwright.modal.step_analysis import reason_of
from lapwright.study.read import parse

NO_MARGIN = EdgeMargin(share=0.0)
PAIR = 'plates.A = {{ disc = "160 mm", thickness = "30 mm" }}\nplates.B = {{ {} }}\n'
STEP = """[[steps]]
top = "{}"
bottom = "{}"
grit = "15 um"
load = "20 N"
time = "{}"
fresh_grit_every = "5 min"
{}
"""
EQUAL = PAIR.format('like = "A"')
PART = PAIR.format('disc = "80 mm", thickness = "20 mm"')
RING = PAIR.format('ring = ["80 mm", "40 mm"], thickness = "20 mm", material = "steel"')
BRONZE = PAIR.format('like = "A", material = "bronze"')
GROOVED = PAIR.format(
    'like = "A", grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }'
)
RAIL = (
    'plates.A = { rectangle = ["400 mm", "200 mm"], thickness = "40 mm" }\n'
    'plates.B = { rectangle = ["240 mm", "40 mm"], thickness = "40 mm" }\n'
)
TURN = 'turn = "8 deg per stroke"'
CARRIED = (
    'stroke = { kind = "circle", radius = "8 mm", centre = ["46 mm", "0 mm"], carry_centre = true }\n'
    'walk = "4 deg per stroke"\nturn = "3 deg per stroke"'
)
STUDIES = {
    "equal discs": EQUAL + STEP.format("A", "B", "60 min", TURN),
    "equal discs, turned a lot": EQUAL
    + STEP.format("A", "B", "60 min", 'turn = "40 deg per stroke"'),
    "swapped unevenly": EQUAL
    + STEP.format("A", "B", "60 min", TURN + '\nswap_every = { A = "15 min", B = "5 min" }'),
    "unlike materials": BRONZE + STEP.format("A", "B", "60 min", TURN),
    "a part on a plate": PART + STEP.format("B", "A", "60 min", TURN),
    "a ring carried round": RING + STEP.format("B", "A", "75 min", CARRIED),
    "a rail on a plate": RAIL
    + STEP.format(
        "B", "A", "30 min", 'stroke = { kind = "zigzag", length = "150 mm", width = "170 mm" }'
    ),
    "grooved": GROOVED + STEP.format("A", "B", "60 min", TURN),
    "a straight stroke": EQUAL
    + STEP.format("A", "B", "60 min", 'stroke = { kind = "line", travel = "1/3" }'),
}


def glanced(text):
    study = parse(text)
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    return study, step, look, Glances(study.plates, study.seed, study.margin).of(step, 1, look)


def by_reason(study, step, look, degree):
    """The same by the reasons of both ways round, each for its share of the time."""
    picture = ReducedModel(study.plates, study.steps, degree, study.seed)
    whole = sum(look.on_top.values())
    made: dict = {}
    mark: dict = {}
    for top, time in look.on_top.items():
        if time <= 0.0:
            continue
        bottom = step.bottom if top == step.top else step.top
        flow, solved = picture.flow(1, top, bottom), picture.evolution(1, top, bottom)
        gained = what_is_made(picture.operator(1, top, bottom), solved, whole) * whole
        left = solved.after(np.zeros(flow.drive.size), whole) - gained
        half = flow.bottom.size
        for name, face, part in (
            (bottom, flow.bottom, slice(None, half)),
            (top, flow.top, slice(half, None)),
        ):
            for found, z, margin in ((made, gained, NO_MARGIN), (mark, left, study.margin)):
                for key, value in face.forms(z[part], margin).items():
                    forms = found.setdefault(name, {})
                    forms[key] = forms.get(key, 0.0) + time / whole * value
    return made, mark


@pytest.mark.always(0, 2, 5)
@pytest.mark.parametrize(
    "name",
    [
        pytest.param(
            n, marks=pytest.mark.campaign if n in ("grooved", "a ring carried round") else []
        )
        for n in STUDIES
    ],
)
def test_a_glance_is_the_picture_at_its_degree(name):
    study, step, look, got = glanced(STUDIES[name])
    grooved = name == "grooved"
    made, mark = by_reason(study, step, look, GLANCE_DEGREE)
    near = 0.03 if grooved else 1e-9  # fewer contact points on grooves: COARSE of them
    assert COARSE < 1.0
    for found, want in ((got.made, made), (got.mark, mark)):
        scale = max(abs(v) for forms in want.values() for v in forms.values())
        for plate, forms in want.items():
            assert dict(found[plate]) == pytest.approx(forms, abs=near * scale), plate


TELLING = ("equal discs", "a part on a plate", "a rail on a plate", "a straight stroke")
ALSO = sorted(set(STUDIES) - {*TELLING, "swapped unevenly"})  # swaps have two reasons


@pytest.mark.often("a rail on a plate", "unlike materials")
@pytest.mark.always("equal discs", "a straight stroke")
@pytest.mark.parametrize("name", [*TELLING, *ALSO])
def test_a_glance_is_near_the_reason(name):
    study, step, look, got = glanced(STUDIES[name])
    reason = reason_of(ReducedModel(study.plates, study.steps, 8, study.seed), 1)
    drift = reason.forms(reason.made, NO_MARGIN)
    time = sum(look.on_top.values())
    scale = max(abs(v) * time for forms in drift.values() for v in forms.values())
    for plate, forms in drift.items():
        want = {key: value * time for key, value in forms.items()}
        assert dict(got.made[plate]) == pytest.approx(want, abs=0.02 * scale), plate
    # The mark at degree 8, by the end of the step; beside the squeeze, which is its size.
    _, mark = by_reason(study, step, look, 8)
    for plate, forms in mark.items():
        assert dict(got.mark[plate]) == pytest.approx(forms, abs=0.12 * look.squeeze), plate


@pytest.mark.campaign
@pytest.mark.parametrize(
    "name",
    [
        "a part on a plate",
        "a ring carried round",
        "a rail on a plate",
    ],
)
def test_what_is_made_and_left_is_what_the_engine_makes_of_flat_faces(name):
    study, step, look, got = glanced(STUDIES[name].replace("thickness", "cells = 48, thickness"))
    end = deque(lap(study.plates, study.steps, margin=study.margin), maxlen=1)[0]
    lapped = {
        n: measured(plate, end.heights[n], NO_MARGIN).as_dict() for n, plate in study.plates.items()
    }
    whole = Glances(study.plates, study.seed, NO_MARGIN).of(step, 1, look)
    scale = max(abs(v) for made in got.made.values() for v in made.values())
    for plate, made in whole.made.items():
        for key, value in made.items():
            told = value + whole.mark[plate][key]
            assert told == pytest.approx(
                lapped[plate][key], abs=0.05 * scale + 0.1 * look.squeeze
            ), (
                plate,
                key,
            )


@pytest.mark.parametrize("name", ["equal discs", "swapped unevenly", "a straight stroke"])
def test_half_the_difference_is_the_moment_law(name):
    """Equal discs of equal wear (checks page, 6, derived): the closed form of the outlook."""
    _, step, look, got = glanced(STUDIES[name])
    assert got.half_difference(step) == pytest.approx(look.half_difference, rel=0.005)


def test_a_part_that_only_travels_is_the_moment_law():
    """The same law for a pair that mates, -a r^2 on +a r^2: each loses h + a'(r^2 - <r^2>), so that

    a' (A_b V_b + A_t V_t) = Q (<c^2> - <r^2>_b + <r^2>_t), V = R^4/12 the variance of r^2 over a disc and Q
    the volume that either loses in a second (derived).  The part comes to the plate's very rim: a pair mates
    that rubs everywhere.
    """
    _, step, look, got = glanced(
        PART + STEP.format("B", "A", "60 min", 'stroke = { kind = "circle", radius = "40 mm" }')
    )
    low, high = 0.080, 0.040
    volume = look.removed_from["A"] * pi * low**2
    travel = 0.040**2
    grown = volume * (travel - 0.5 * low**2 + 0.5 * high**2) / (pi * (low**6 + high**6) / 12.0)
    assert got.made["A"]["sphere"] == pytest.approx(grown * low**2, rel=0.01)
    assert got.made["B"]["sphere"] == pytest.approx(-grown * high**2, rel=0.01)
    assert got.half_difference(step) < 0.0


@pytest.mark.campaign
def test_where_the_rim_is_never_rubbed_what_is_made_is_the_pace_of_a_run():
    """A pit never mates with what digs it, so the law of pairs that do is off: the engine is asked.

    On a plate of which a rim of 28 mm stays, from 54 to 66 minutes; a run knows nothing of shapes.
    """
    text = PART + STEP.format("B", "A", "60 min", 'stroke = { kind = "circle", radius = "12 mm" }')
    got = glanced(text)[-1]
    ends = []
    for minutes in ("54 min", "66 min"):
        study = parse(text.replace("60 min", minutes).replace("thickness", "cells = 64, thickness"))
        end = deque(lap(study.plates, study.steps), maxlen=1)[0]
        ends.append(
            {n: measured(p, end.heights[n], NO_MARGIN).sphere for n, p in study.plates.items()}
        )
    scale = abs(got.made["A"]["sphere"])
    for name, made in got.made.items():
        assert made["sphere"] == pytest.approx(
            5.0 * (ends[1][name] - ends[0][name]), abs=0.02 * scale
        ), name


@pytest.mark.campaign
@pytest.mark.often("30 mm")
@pytest.mark.parametrize("radius", ["12 mm", "30 mm"])
def test_what_is_made_does_not_hang_on_the_degree(radius):
    """At degrees 10, 12 and 16, each with slow shapes of its own on the plate's rim."""
    stroke = f'stroke = {{ kind = "circle", radius = "{radius}" }}\nturn = "8 deg per stroke"'
    study = parse(PART + STEP.format("B", "A", "60 min", stroke))
    found = []
    for degree in (10, 12, 16):
        reason = reason_of(ReducedModel(study.plates, study.steps, degree, wider=False), 1)
        made = reason.forms(reason.made, NO_MARGIN)
        found.append([made[name]["sphere"] * 3600.0 for name in ("A", "B")])
    near = 0.01 * max(abs(v) for v in found[-1])
    for one in found[:2]:
        assert one == pytest.approx(found[-1], abs=near)


def test_nothing_is_told_where_nothing_rubs_or_readings_decide():
    *_, got = glanced(EQUAL + STEP.format("A", "B", "5 min", 'stroke = { kind = "still" }'))
    assert got is None
    *_, got = glanced(
        EQUAL
        + STEP.format("A", "B", "60 min", 'swap_every = { read = "5 min", on_top = "more domed" }')
    )
    assert got is None


@pytest.mark.campaign
def test_one_motion_is_worked_out_once_and_many_are_not_waited_for():
    three = EQUAL + 'plates.C = { like = "A" }\n'
    study = parse(three + "".join(STEP.format(t, b, "20 min", TURN) for t, b in ("AB", "BC", "CA")))
    looks = outlooks(study.plates, study.steps)
    glances = Glances(study.plates)
    found = [
        glances.of(s, n, look)
        for n, (s, look) in enumerate(zip(study.steps, looks, strict=True), 1)
    ]
    assert len(glances._operators) == 1
    assert found[0].made["A"] == found[1].made["B"] == found[2].made["C"]
    steps = "".join(
        STEP.format("A", "B", "20 min", f'turn = "{k + 3} deg per stroke"') for k in range(MOST + 2)
    )
    many = parse(EQUAL + steps)
    looks = outlooks(many.plates, many.steps)
    glances = Glances(many.plates)
    told = [
        glances.of(s, n, look) for n, (s, look) in enumerate(zip(many.steps, looks, strict=True), 1)
    ]
    assert [g is None for g in told] == [k >= MOST for k in range(MOST + 2)]


CIRCLE = 'stroke = {{ kind = "circle", travel = "1/3" }}\nturn = "{}"'


@pytest.mark.campaign
def test_what_lingers_is_what_the_reason_calls_slow():
    """At degree 8, by the named errors of the reason; and nothing where the top turns as it should."""
    crawls = CIRCLE.format("2 deg every 600 strokes")
    study, _, _, got = glanced(EQUAL + STEP.format("A", "B", "30 min", crawls))
    reason = reason_of(ReducedModel(study.plates, study.steps, 8, study.seed), 1)
    slow = {
        e.name: e.half_life * reason.removal
        for e in reason.named
        if e.name in ("twists", "saddle in saddle")
    }
    assert dict(got.lingering) == pytest.approx(slow, rel=0.02)
    for turn in ("none", "8 deg per stroke", "90 deg every 10 strokes"):
        *_, got = glanced(EQUAL + STEP.format("A", "B", "30 min", CIRCLE.format(turn)))
        assert not got.lingering


@pytest.mark.parametrize("slant", ["2 deg", "10 deg", "30 deg"])
def test_ridges_linger_through_swaps_as_the_cycle_says(slant):
    """A straight stroke a hair off the clock: what the map of a cycle at degree 6 leaves of ridges."""
    line = (
        f'stroke = {{ kind = "line", travel = "1/3", direction = "{slant}" }}\nswap_every = "1 min"'
    )
    study, step, _, got = glanced(EQUAL + STEP.format("A", "B", "30 min", line))
    picture = ReducedModel(study.plates, study.steps, GLANCE_DEGREE, study.seed)
    cycle = cycle_of(picture, round_of(picture))
    removed = sum(cycle.spectrum().removal.values()) / 2.0
    ridges = next(
        e
        for e in named_errors(picture.flow(1), picture.evolution(1), step.direction)
        if e.name == "ridges along"
    )
    bottom, top = np.split(ridges.start, 2)
    rest = np.concatenate([top, bottom])  # by name A, then B, which lies below
    rest = rest - kernel_of(cycle.matrix - np.eye(rest.size)).projection @ rest
    goal, depth = 0.5 * np.linalg.norm(rest), 0.0
    while np.linalg.norm(rest) > goal and depth < 1e-3:
        rest, depth = cycle.matrix @ rest, depth + removed * cycle.time
    if slant == "2 deg":
        assert got.lingering["ridges along"] == pytest.approx(depth, rel=0.05)
    else:
        assert "ridges along" not in got.lingering
        assert depth < 100e-6


@pytest.mark.campaign
def test_what_bedding_in_leaves_is_what_the_engine_leaves():
    """A domed ring on a flat plate: the engine with the dome, less the engine without it."""
    text = STUDIES["a ring carried round"].replace("thickness", "cells = 48, thickness")
    domed = text.replace('material = "steel"', 'material = "steel", form = { dome = "1.5 um" }')
    study, _, _, got = glanced(domed)
    ends = []
    for one in (study, parse(text)):
        end = deque(lap(one.plates, one.steps, margin=one.margin), maxlen=1)[0]
        ends.append(measured(one.plates["B"], end.heights["B"], NO_MARGIN).sphere)
    assert got.left["B"]["sphere"] == pytest.approx(ends[0] - ends[1], abs=0.02 * 1.5e-6)
    assert abs(got.left["B"]["sphere"]) < 0.5 * 1.5e-6
    assert not glanced(STUDIES["swapped unevenly"])[-1].left


@pytest.mark.campaign
@pytest.mark.often("set over")
@pytest.mark.parametrize(
    "text",
    [
        STUDIES["grooved"],
        'plates.A = { rectangle = ["160 mm", "100 mm"], thickness = "30 mm" }\n'
        'plates.B = { like = "A", grooves = { pattern = "square", pitch = "10 mm", width = "2 mm" } }\n'
        + STEP.format("A", "B", "40 min", 'turn = "180 deg every 10 strokes"'),
    ],
    ids=["turned as it goes", "set over"],
)
def test_what_a_page_tells_of_grooves_is_within_one_in_a_hundred_of_a_closer_look(
    monkeypatch, text
):
    """Twice the contact points and all places in the stroke: forms within 1 % of the largest."""
    study = parse(text)
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]

    def sizes():
        got = Glances(study.plates, study.seed, study.margin, degree=8).of(step, 1, look)
        parts = [of[name] for of in (got.made, got.mark) for name in sorted(of)]
        return np.array([forms[key] for forms in parts for key in sorted(forms)])

    told = sizes()
    monkeypatch.setattr(
        reduced_model,
        "operator_of",
        lambda b, t, motion, **_: operator_of(b, t, motion, fineness=2.0),
    )
    closer = sizes()
    assert not np.array_equal(told, closer)
    assert told == pytest.approx(closer, abs=0.01 * np.abs(closer).max())
