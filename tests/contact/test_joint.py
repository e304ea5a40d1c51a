"""Tops under one rigid weight, against statics: the rule of the lever, and a plane on springs."""

import numpy as np
import pytest

from lapwright.contact.average import Pair, Sample
from lapwright.contact.joint import Joint
from lapwright.errors import TippedError
from lapwright.kinematics.motion import Motion
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import GRAVITY

RADIUS, FAR, STIFF, EACH = (
    0.01,
    0.06,
    4e9,
    20.0,
)  # of a part, where it lies [m]; [Pa/m]; on each [N]
AREA = np.pi * RADIUS**2
INERTIA = AREA * RADIUS**2 / 4.0  # second moment of a disc about its own middle (textbook)
SQUARE = ((FAR, 0.0), (0.0, FAR), (-FAR, 0.0), (0.0, -FAR))
ROUND = tuple((FAR * np.cos(a), FAR * np.sin(a)) for a in np.radians([0.0, 120.0, 240.0]))


def joint(places, weight=1e-9):
    """Discs on a plate that bear EACH newtons in all for each, `weight` [N] of it their own."""
    plate = Plate(Disc(0.2), thickness=0.03, cells=200, name="plate")
    part = Plate(Disc(2.0 * RADIUS), mass=weight / GRAVITY, cells=20, name="part")
    return Joint(tuple(Pair(plate, part, STIFF, EACH) for _ in places), tuple(places))


def samples(places, theta=0.0, at=(0.0, 0.0), poses=1, each=EACH):
    """One pose of all, `each` newtons for each at `at` [m] from the middle of the weight, on the bench."""
    step = Step("part", "plate", Grit("fine", 9e-6, Wear(1e-12), Layer(1e-6, 3e3)), strokes=1)
    out = []
    for x, y in places:
        moved = Motion(
            Step(
                "part", "plate", step.grit, curve=Circle(1e-3), offset=(x, y), strokes=4,
                turn=Turn(0.3),
            ),
            (0,), (0.0, theta),
        )  # fmt: skip
        pose = moved.poses(np.arange(poses) / poses)
        moments = np.tile(each * len(places) * np.array(at), (poses, 1))
        out.append(Sample(pose, np.full(poses, 1.0 / poses), moments, np.zeros(poses)))
    return out


def faces(one, thicker):
    plate, part = one.bodies[0], one.bodies[1]
    return [np.zeros(plate.grid.shape), *(np.full(part.grid.shape, t) for t in thicker)]


def tilted(places, load, thicker):
    """What each bears by a rigid plane on springs, all of it bearing (least squares; textbook statics)."""
    x = np.column_stack([np.ones(len(places)), places])
    own = np.diag([0.0, INERTIA, INERTIA]) * len(places)
    matrix = STIFF * (AREA * x.T @ x + own)
    asked = np.array([EACH * len(places), *load])
    plane = np.linalg.solve(matrix, asked - STIFF * AREA * x.T @ thicker)
    return STIFF * AREA * (x @ plane + thicker)


@pytest.mark.parametrize("theta", [0.0, 0.7])
def test_three_parts_share_a_load_off_the_middle_by_the_rule_of_the_lever(theta):
    """Archimedes: about the line through two parts the third bears its share of the lever.

    Discs of a sixth of the circle's radius take up (R/r)^2/2 = 1.4 % of the moment by themselves.
    """
    one, at = joint(ROUND), np.array([0.02, 0.01])
    turned = np.array([[np.cos(theta), -np.sin(theta)], [np.sin(theta), np.cos(theta)]])
    got = one.shares(faces(one, [0.0] * 3), samples(ROUND, theta, turned @ at))[:, 0]
    lever = np.linalg.solve(
        np.vstack([np.ones(3), np.transpose(ROUND)]), 3.0 * EACH * np.array([1.0, *at])
    )
    assert got.sum() == pytest.approx(3.0 * EACH, rel=1e-9, abs=0.0)
    assert got == pytest.approx(lever, abs=0.014 * 3.0 * EACH * np.hypot(*at) / FAR, rel=0.0)
    assert got == pytest.approx(tilted(ROUND, 3.0 * EACH * at, np.zeros(3)), rel=2e-3, abs=0.0)


def test_parts_press_by_their_own_weight_where_they_lie():
    """The rule of the lever about all that presses: a hand in the middle, and each part where it lies."""
    places, own = tuple((x + 0.02, y - 0.01) for x, y in ROUND), 8.0
    one = joint(places, own)
    got = one.shares(faces(one, [0.0] * 3), samples(places, each=EACH - own))[:, 0]
    assert got.sum() == pytest.approx(3.0 * EACH, rel=1e-6, abs=0.0)
    moment = own * np.sum(places, axis=0)
    assert got == pytest.approx(tilted(places, moment, np.zeros(3)), rel=2e-3, abs=0.0)
    assert np.ptp(got) > 1.0  # not what they would bear if each weight lay in the middle
    assert got != pytest.approx(tilted(places, (0.0, 0.0), np.zeros(3)), rel=0.05, abs=0.0)


def test_unlike_heights_tilt_the_weight_on_three_and_load_one_of_four():
    """Of four in a square a quarter of the height cannot be tilted away: pattern (1, -1, 1, -1) / 4."""
    thicker = np.array([2e-6, 0.0, 0.0, 0.0])
    for places in (ROUND, SQUARE):
        own = thicker[: len(places)]
        one = joint(places)
        got = one.shares(faces(one, own), samples(places))[:, 0]
        assert got == pytest.approx(tilted(places, (0.0, 0.0), own), rel=2e-3, abs=0.0)
    alone = STIFF * AREA * thicker[0]
    assert got - EACH == pytest.approx(alone / 4.0 * np.array([1, -1, 1, -1]), abs=0.02 * alone)


def test_a_part_that_is_too_thin_bears_nothing_and_three_bear_by_the_lever():
    """Load a fifth of the way to the part across from the thin one: it bears a fifth, the others 2/5 each."""
    one = joint(SQUARE)
    got = one.shares(faces(one, [-0.1e-3, 0.0, 0.0, 0.0]), samples(SQUARE, at=(-0.2 * FAR, 0.0)))
    share = got[:, 0] / got.sum()
    assert share == pytest.approx([0.0, 0.4, 0.2, 0.4], abs=0.01)


def test_a_weight_that_presses_outside_its_parts_tips():
    one = joint(ROUND)
    with pytest.raises(TippedError, match="tips"):
        one.shares(faces(one, [0.0] * 3), samples(ROUND, at=(-0.9 * FAR, 0.0)))


@pytest.mark.campaign
def test_one_top_under_one_weight_is_a_top_by_itself():
    """The same cells, poses and load by the other way of settling, with part of it lifting."""
    one = joint([(0.0, 0.0)])
    z = faces(one, [0.0])
    z[1] = z[1] - 90e-6 * np.hypot(*one.bodies[1].grid.mesh()) ** 2 / RADIUS**2
    some = samples([(0.0, 0.0)], at=(2e-3, 0.0), poses=40)
    own = one.average(z, some, range(8))
    pair = one.pairs[0].average(z[0], z[1], some[0])
    for got, wanted in zip(own.maps, (pair.bottom, pair.top), strict=True):
        assert got == pytest.approx(wanted, rel=1e-7, abs=1e-9 * wanted.max())
    assert own.lift_share == pair.lift_share == 1.0
    assert own.doubt == pytest.approx(pair.doubt, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda asked, arms: (asked, 0.0 * arms),
        lambda asked, arms: (asked * [1.0, -1.0, 1.0], arms),
        lambda asked, arms: (asked, arms[..., ::-1]),
        lambda asked, arms: (asked * [1.5, 1.0, 1.0], arms),
    ],
)
def test_a_wrong_lever_is_caught(monkeypatch, wrong):
    """Mutations: parts all in one place, a moment the wrong way round, x for y, weights counted twice."""
    right = Joint._asked
    monkeypatch.setattr(Joint, "_asked", lambda *given: wrong(*right(*given)))
    with pytest.raises((AssertionError, TippedError)):
        test_three_parts_share_a_load_off_the_middle_by_the_rule_of_the_lever(0.7)
