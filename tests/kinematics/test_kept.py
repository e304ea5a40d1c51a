"""What a stroke never takes out, against the numbers of the model and against polynomials.

The numbers are exact for two equal discs at degree 8 (derived; lower pairs of F. Reuleaux, 1876).  The
polynomials know nothing of the rules: two faces of degree d, laid on each other at the poses of the motion
itself, must add up to a plane; the number of pairs that do is counted by singular values.
"""

from math import pi, radians

import numpy as np
import pytest

from lapwright.kinematics.motion import Motion
from lapwright.kinematics.sliding import invariants_of
from lapwright.modal.cycle import cycle_of, round_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import (
    Circle,
    Ellipse,
    FigureEight,
    Line,
    Rosette,
    Still,
    Zigzag,
)
from lapwright.specification.step import Grit, Hand, Layer, Step, Swap, Turn, Wear
from lapwright.verification.scenes import disc

GRIT = Grit("g", 15e-6, Wear(iron=1e-12), Layer(1e-6))
R = 0.08
EIGHT = FigureEight(0.053, 0.027)
CIRCLE = Circle(0.33 * R)
LINE = Line(0.66 * R)
EIGHT_DEGREES = Turn(radians(8.0))
EVEN = Swap({"A": 300.0, "B": 300.0})


def index(degrees, every=10):
    return Turn(radians(degrees), every)


def step(curve, **said):
    return Step("A", "B", GRIT, curve=curve, **({"strokes": 3600} | said))


def counted(one, degree):
    """Pairs that fit at every pose of the motion, rigid motions apart."""
    total = one.total_strokes
    count = max(120, 6 * degree)
    # Places in the stroke and stroke numbers independent of each other, every index visited.
    strokes = (
        np.floor(((np.sqrt(5) - 1) / 2 * np.arange(count)) % 1.0 * total)
        + (np.arange(count) + 0.5) / count
    )
    poses = Motion(one).poses(strokes)
    rng = np.random.default_rng(5)
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    seen = 3 * len(powers)
    r, angle = np.sqrt(rng.uniform(0.0, 1.0, seen)), rng.uniform(0.0, 2.0 * pi, seen)
    u, v = r * np.cos(angle), r * np.sin(angle)  # of the top's face, in radii
    legendre = np.polynomial.legendre.legval

    def face(x, y):
        unit = np.eye(degree + 1)
        return np.stack([legendre(x, unit[i]) * legendre(y, unit[j]) for i, j in powers], axis=1)

    top = face(u, v)
    rows = []
    for cx, cy, theta in zip(poses.cx, poses.cy, poses.theta, strict=True):
        x = cx / R + np.cos(theta) * -u - np.sin(theta) * v  # the top is turned over like a page
        y = cy / R + np.sin(theta) * -u + np.cos(theta) * v
        both = np.concatenate([face(x, y), top], axis=1)
        plane, _ = np.linalg.qr(np.stack([np.ones_like(u), u, v], axis=1))
        misfit = both - plane @ (plane.T @ both)
        rows.append(np.linalg.qr(misfit, mode="r"))
    values = np.linalg.svd(np.concatenate(rows), compute_uv=False)
    null = int((values < 1e-8 * values[0]).sum())
    assert values[-null - 1] > 1e-6 * values[0], "no clear gap"
    return null - 6


TABLE = {  # the model's section 6
    "circle, turned": (step(CIRCLE, turn=EIGHT_DEGREES), 1),
    "line, turned": (step(LINE, turn=EIGHT_DEGREES), 1),
    "circle": (step(CIRCLE), 3),
    "eight": (step(EIGHT), 3),
    "ellipse": (step(Ellipse(0.05, 0.02)), 3),
    "still, turned": (step(Still(), turn=EIGHT_DEGREES), 4),
    "one turn a stroke on a circle": (step(CIRCLE, turn=Turn(2 * pi)), 4),
    "circle, 180 index": (step(CIRCLE, turn=index(180)), 3),
    "circle, 90 index": (step(CIRCLE, turn=index(90)), 1),
    "circle, 120 index": (step(CIRCLE, turn=index(120)), 1),
    "line": (step(LINE), 9),
    "line, 180 index": (step(LINE, turn=index(180)), 6),
    "line, 90 index": (step(LINE, turn=index(90)), 1),
}
MORE = {  # beyond it, by the polynomials alone
    "walked": step(EIGHT, walk=Turn(radians(3.0))),
    "walked along a line": step(LINE, walk=Turn(radians(3.0))),
    "walked, turned back": step(LINE, walk=Turn(radians(3.0)), turn=Turn(radians(-3.0))),
    "the bottom turned": step(
        EIGHT, walk=Turn(radians(-3.0)), carry_centre=True, centre=(0.01, 0.0)
    ),
    "still, off centre": step(Still(), turn=EIGHT_DEGREES, centre=(0.02, 0.0)),
    "still, carried round": step(
        Still(), walk=EIGHT_DEGREES, centre=(0.02, 0.0), carry_centre=True
    ),
    "still, carried and turned": step(
        Still(), walk=Turn(radians(7.0)), turn=EIGHT_DEGREES, centre=(0.02, 0.0), carry_centre=True
    ),
    "still, carried and turned back": step(
        Still(),
        walk=Turn(radians(7.0)),
        turn=Turn(radians(-7.0)),
        centre=(0.02, 0.0),
        carry_centre=True,
    ),
    "a turn a stroke, the other way": step(CIRCLE, turn=Turn(-2 * pi)),
    "a turn a stroke, off centre": step(CIRCLE, turn=Turn(2 * pi), centre=(0.01, 0.005)),
    "a turn a stroke and walked": step(CIRCLE, turn=Turn(2 * pi), walk=Turn(radians(5.0))),
    "two turns a stroke": step(CIRCLE, turn=Turn(4 * pi)),
    "half a turn a stroke": step(CIRCLE, turn=Turn(pi)),
    "a turn a stroke on an eight": step(EIGHT, turn=Turn(2 * pi)),
    "a turn a stroke on a line": step(LINE, turn=Turn(2 * pi)),
    "a turn a stroke on a round ellipse": step(Ellipse(0.04, 0.04), turn=Turn(2 * pi)),
    "45 index": step(EIGHT, turn=index(45)),
    "360 index": step(LINE, turn=index(360)),
    "line, 120 index": step(LINE, turn=index(120)),
    "line, index by walking": step(LINE, walk=index(90)),
    "line, half round by walking": step(LINE, walk=index(180)),
    "line, walked by quarters and turned back": step(LINE, walk=index(90), turn=index(-90)),
    "an index that never comes": step(LINE, turn=index(90, 4000)),
    "slanting line": step(LINE, direction=0.7),
    "zigzag": step(Zigzag(0.05, 0.02, 10)),
    "rosette": step(Rosette(0.018, 0.006, 5)),
    "rosette, turned with its small circle": step(Rosette(0.018, 0.006, 5), turn=Turn(10 * pi)),
    "rough hand on a line": step(LINE, hand=Hand(0.1, 0.003, 0.1, 0.1, 5.0)),
    "uneven but straight": step(LINE, hand=Hand(amplitude=0.1)),
}


@pytest.mark.campaign
@pytest.mark.often(
    "circle, turned", "eight", "still, turned", "circle, 90 index", "line", "line, 180 index"
)
@pytest.mark.parametrize("name", TABLE)
def test_the_table_of_the_model(name):
    one, number = TABLE[name]
    assert invariants_of(one).count(8) == number
    assert counted(one, 8) == number


# One of each manner of moving; all as a campaign.
TELLING = {
    "walked",
    "the bottom turned",
    "still, off centre",
    "still, carried round",
    "a turn a stroke, off centre",
    "two turns a stroke",
    "a turn a stroke on a line",
    "45 index",
    "line, index by walking",
    "slanting line",
    "zigzag",
    "rosette, turned with its small circle",
    "rough hand on a line",
}


@pytest.mark.always(0, 23, 27)
@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[] if n in TELLING else pytest.mark.campaign) for n in MORE]
)
def test_other_motions_against_polynomials(name):
    one = MORE[name]
    assert invariants_of(one).count(6) == counted(one, 6)


@pytest.mark.campaign
def test_at_other_degrees_as_the_model_has_it():
    # d + 1 and 2 + floor(d / 2)
    for degree in (3, 4, 5):
        assert invariants_of(step(LINE)).count(degree) == degree + 1 == counted(step(LINE), degree)
        half = step(LINE, turn=index(180))
        assert invariants_of(half).count(degree) == 2 + degree // 2 == counted(half, degree)


def test_where_nothing_rubs_all_stays():
    assert invariants_of(step(Still())).count() is None
    assert invariants_of(step(Still(), turn=index(90))).kind == "all"
    assert (
        invariants_of(step(Still(), walk=index(90), centre=(0.02, 0.0), carry_centre=True)).kind
        == "all"
    )


def test_a_swap_keeps_round_profiles_about_the_middle_only():
    about = {"turn": EIGHT_DEGREES, "swap": EVEN}
    assert invariants_of(step(Still(), **about)).kind == "round"
    assert invariants_of(step(Still(), centre=(0.02, 0.0), **about)).kind == "sphere"
    assert invariants_of(step(LINE, swap=EVEN)).kind == "ridges"


def _by_the_cycle(one):
    """What stays through swaps by the operators at degree 8, which know nothing of the rules."""
    plates = {name: disc(name, 48) for name in "AB"}
    picture = ReducedModel(plates, [one])
    return cycle_of(picture, round_of(picture)).spectrum().survivors


@pytest.mark.parametrize(
    ("slant", "turn", "number"),
    [
        (0, Turn(), 9),
        (30, Turn(), 3),
        (45, Turn(), 3),
        (90, Turn(), 9),
        (90, index(180), 6),
        (30, index(180), 3),
    ],
)
def test_swaps_leave_only_ridges_that_lie_alike_either_way_round(slant, turn, number):
    """Ridges at 30 degrees slant the other way once the plate is turned over: the pairs of planes stay."""
    one = step(LINE, direction=radians(slant), turn=turn, swap=EVEN, strokes=1200)
    assert invariants_of(one).count(8) == number == _by_the_cycle(one)
    assert invariants_of(one, as_laid=True).count(8) == (6 if turn.angle else 9)


def test_ridges_stay_where_no_swap_is_sure():
    slanting = {"direction": radians(30.0), "strokes": 300}
    assert invariants_of(step(LINE, swap=EVEN, **slanting)).kind == "curved"
    assert (
        invariants_of(step(LINE, swap=Swap({"A": 600.0, "B": 300.0}), **slanting)).kind == "ridges"
    )
    assert invariants_of(step(LINE, swap=Swap(read=60.0), **slanting)).kind == "ridges"


def test_ridges_lie_along_the_stroke():
    assert invariants_of(step(LINE, direction=radians(30.0))).direction == pytest.approx(
        radians(30.0)
    )
    assert invariants_of(step(LINE, direction=radians(210.0))).direction == pytest.approx(
        radians(30.0)
    )
