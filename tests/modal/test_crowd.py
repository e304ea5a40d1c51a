"""A crowd against the outside: the linear flow where nothing lifts, the engine where something does."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from lapwright.integration.loop import lap
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin, measure
from lapwright.modal.basis import basis_of
from lapwright.modal.operator import assemble
from lapwright.optimisation.crowd import crowd_of
from lapwright.specification.curves import Circle, FigureEight
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear

KAPPA, DEPTH, DEGREE = 2e-12, 1e-6, 6
GRIT = Grit("g", 20e-6, Wear(iron=KAPPA), Layer(DEPTH))
A = Plate(Disc(0.16), thickness=0.03, cells=48, name="A")
B = replace(A, name="B")


def step(**more):
    return Step(
        "A", "B", GRIT, pace=40 / 60, **({"curve": FigureEight(0.053, 0.027), "time": 480.0} | more)
    )


def crowd(one, bottom=B, top=A):
    return crowd_of(basis_of(bottom, DEGREE), basis_of(top, DEGREE), Motion(one))


def shops(m=5, size=56, seed=3):
    faces = 2e-9 * np.random.default_rng(seed).standard_normal((m, size))
    return faces, np.full(m, 3000.0 / DEPTH), np.full((m, 2), KAPPA)


@pytest.mark.parametrize(
    "more",
    [{}, {"turn": Turn(radians(8.0))}, {"curve": Circle(0.02), "turn": Turn(radians(90.0), 10)}],
)
def test_while_nothing_lifts_a_crowd_is_the_flow_of_the_same_instants(more):
    """Both average the same linear pressure: equal to rounding.  (The operator may be summed over angles.)"""
    from lapwright.modal.points import instants_of
    from lapwright.optimisation.crowd import FINENESS, STROKE_POSES

    one = step(**more)
    faces, stiffness, kappas = shops()
    found, lifted = crowd(one).pace(faces, stiffness, kappas)
    assert not lifted.any()
    below, above = basis_of(B, DEGREE), basis_of(A, DEGREE)
    instants = instants_of(Motion(one), 0, one.total_strokes, STROKE_POSES)
    flow = assemble(below, above, instants, FINENESS).flow(stiffness[0], (KAPPA, KAPPA), A.weight)
    wanted = faces @ flow.matrix.T + flow.drive
    assert np.abs(found - wanted).max() < 1e-6 * np.abs(wanted).max()


CASES = {
    "a dome that lifts": (
        StartForm(sphere=3e-6),
        StartForm(sphere=-1e-6),
        {"turn": Turn(radians(8.0))},
    ),
    "twist": (
        StartForm(sphere=1e-6, twist=1.5e-6),
        StartForm(saddle=1e-6),
        {"turn": Turn(radians(8.0))},
    ),
    "no turning": (StartForm(sphere=1e-6, twist=1.5e-6), StartForm(), {}),
    "over the edge": (StartForm(sphere=1e-6), StartForm(), {"curve": Circle(0.045)}),
}


@pytest.mark.always("no turning", "over the edge")
@pytest.mark.parametrize("case", CASES)
def test_where_something_lifts_forms_change_as_in_the_engine(case):
    """The engine on cells, 48 across: within 4 % of the largest change and 5 nm (degree 6 tells no more)."""
    one, two, more = CASES[case]
    plates = {"A": replace(A, form=one), "B": replace(B, form=two)}
    work = step(**more)
    margin = EdgeMargin()
    *_, moment = lap(plates, [work], margin=margin)
    pair = crowd(work)
    start = np.concatenate([pair.bottom.start(plates["B"]), pair.top.start(plates["A"])])[None]
    stiffness, kappas = np.full(1, GRIT.layer.stiffness), np.full((1, 2), KAPPA)
    assert pair.pace(start, stiffness, kappas)[1][0] > 0.0
    end = pair.lap(start, stiffness, kappas, 480.0)
    half = pair.bottom.size
    for name, basis, own in (
        ("B", pair.bottom, slice(0, half)),
        ("A", pair.top, slice(half, None)),
    ):
        wanted = measure(plates[name], moment.heights[name], margin).as_dict()
        begun, found = basis.forms(start[0, own], margin), basis.forms(end[0, own], margin)
        change = max(abs(wanted[key] - begun[key]) for key in found)
        for key, value in found.items():
            assert abs(value - wanted[key]) < 0.04 * change + 5e-9, (name, key)
        removed = float(start[0, own][0] - end[0, own][0])
        assert removed == pytest.approx(moment.removed[name], rel=2e-3)


@pytest.mark.campaign
def test_a_pair_laps_the_same_in_any_company_and_on_any_threads():
    one = step(turn=Turn(radians(8.0)))
    faces, stiffness, kappas = shops(150)
    faces *= 300.0
    kappas *= np.linspace(0.3, 3.0, 150)[:, None]
    pair = crowd(one)
    together = pair.lap(faces, stiffness, kappas, 300.0)
    assert np.array_equal(together, pair.lap(faces, stiffness, kappas, 300.0, threads=3))
    for k in (0, 77, 149):
        alone = pair.lap(faces[k : k + 1], stiffness[k : k + 1], kappas[k : k + 1], 300.0)
        assert np.array_equal(alone[0], together[k])


def test_what_the_top_loses_the_bottom_bears():
    """Newton's third law: volumes worn off go as the wear constants (unequal plates, something lifts)."""
    top = Plate(
        Rectangle(0.12, 0.10), thickness=0.03, form=StartForm(sphere=2e-6), cells=32, name="A"
    )
    one = step(curve=Circle(0.03))
    pair = crowd(one, top=top)
    start = np.concatenate([pair.bottom.start(B), pair.top.start(top)])[None]
    kappas = np.array([[KAPPA, 3.0 * KAPPA]])
    pace, lifted = pair.pace(start, np.full(1, GRIT.layer.stiffness), kappas)
    assert lifted[0] > 0.03
    low = pace[0, 0] * pair.bottom.plate.land_area / KAPPA
    high = pace[0, pair.bottom.size] * pair.top.plate.land_area / (3.0 * KAPPA)
    assert low == pytest.approx(high, rel=2e-3)  # land areas are those of the cells
