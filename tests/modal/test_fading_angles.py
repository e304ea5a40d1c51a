"""Strokes of a fading dab count by what it cuts in them, in what a stroke takes out and makes as in a run.

Each sum is held to its slow twin: the operators of all strokes singly, each by its share of
exp(-age / fade), the law of `docs/theory.md`.
"""

from math import exp, radians

import numpy as np
import pytest
from modes_scene import EIGHT, LINE, index, stroke

from lapwright.kinematics.motion import Motion
from lapwright.modal.basis import basis_of
from lapwright.modal.cycle import round_of, window_of
from lapwright.modal.operator import assemble, operator_of
from lapwright.modal.points import instants_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Zigzag
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Swap, Turn, Wear
from lapwright.verification.scenes import disc

FADE, FRESH = 10.0, 25.0  # s, at a stroke a second
GRIT = Grit("g", 15e-6, Wear(iron=1e-12), Layer(1e-6), fade=FADE)
DEGREE = 4
SQUARES = {name: Plate(Rectangle(0.15, 0.15), thickness=0.03, cells=48, name=name) for name in "AB"}
DISCS = {name: disc(name, 48) for name in "AB"}


def fading(curve, turn, **more):
    return stroke(
        curve, turn, grit=GRIT, **({"time": None, "strokes": 60, "fresh_every": FRESH} | more)
    )


def one_by_one(plates, step, first=0, strokes=None):
    """Response and load terms, summed over strokes; what each cuts, by its age as it begins."""
    bottom, top = basis_of(plates[step.bottom], DEGREE), basis_of(plates[step.top], DEGREE)
    motion, every = Motion(step), int(step.fresh_every or 10**9)
    last = first + (strokes or step.total_strokes)
    cut = {n: exp(-(n % every) / FADE) for n in range(first, last)}
    singly = {n: assemble(bottom, top, instants_of(motion, n, 1, 64)) for n in cut}
    shares = {n: worth / sum(cut.values()) for n, worth in cut.items()}
    response = sum(share * singly[n].response for n, share in shares.items())
    return response, sum(share * singly[n].weight for n, share in shares.items())


def apart(got, twin):
    """Largest difference over the largest entry, of the response and of what a load makes."""
    return [
        np.abs(a - b).max() / np.abs(b).max()
        for a, b in zip((got.response, got.weight), twin, strict=True)
    ]


CASES = {
    "squares set over": (SQUARES, fading(LINE, index(90, 7)), 1e-3),
    "discs set over": (DISCS, fading(LINE, index(90, 7)), 1e-3),
    "many angles": (SQUARES, fading(LINE, index(17, 1)), 0.02),
    "discs, one dab": (DISCS, fading(EIGHT, Turn(radians(7.0)), fresh_every=None), 1e-3),
    "discs turned": (DISCS, fading(EIGHT, Turn(radians(7.0))), 1e-3),
    "discs walked round": (DISCS, fading(LINE, Turn(), walk=Turn(radians(-11.0))), 1e-3),
    "squares turned": (SQUARES, fading(LINE, Turn(radians(11.0))), 0.02),
    "traverse, not turned": (DISCS, fading(Zigzag(0.06, 0.05, 10.0), Turn()), 0.01),
}


@pytest.mark.often("discs set over", "squares turned")
@pytest.mark.always("squares set over")
@pytest.mark.parametrize("case", CASES)
def test_the_average_is_that_of_all_strokes_by_what_they_cut(case):
    plates, step, tolerance = CASES[case]
    bottom, top = basis_of(plates["B"], DEGREE), basis_of(plates["A"], DEGREE)
    twin = one_by_one(plates, step)
    assert max(apart(operator_of(bottom, top, Motion(step)), twin)) < tolerance
    alike = operator_of(bottom, top, Motion(stroke_without_fade(step)))
    assert max(apart(alike, twin)) > 2.0 * tolerance, "nothing is at stake here"


def stroke_without_fade(step):
    return stroke(step.curve, step.turn, walk=step.walk, time=None, strokes=step.strokes)


@pytest.mark.campaign
def test_spells_of_unlike_age_have_averages_of_their_own():
    step = fading(LINE, index(90, 7), strokes=280, swap=Swap({"A": 70.0, "B": 35.0}))
    picture = ReducedModel(SQUARES, [step], DEGREE)
    spells = round_of(picture)
    assert len(spells) > 4
    for spell in spells[:4]:
        got = picture.operator(1, spell.top, spell.bottom, window_of(picture, spell))
        swapped = stroke(LINE, step.turn, grit=GRIT, time=None, strokes=280, fresh_every=FRESH,
                         top=spell.top, bottom=spell.bottom)  # fmt: skip
        twin = one_by_one(SQUARES, swapped, spell.first, spell.strokes)
        assert max(apart(got, twin)) < 1e-3
