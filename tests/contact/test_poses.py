"""Which instants stand for a block of strokes."""

from dataclasses import replace
from functools import cache
from math import gcd, pi, radians

import numpy as np
import pytest
from lapping_scene import LOAD, RADIUS, step

from lapwright.contact.sampling import block_sample, generators
from lapwright.kinematics.motion import Motion
from lapwright.specification.curves import Circle, Ellipse, FigureEight, Line, Rosette, Zigzag
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear

TURNS = (8.0, 15.0, 25.0, -47.3, 90.0, 112.0)


@pytest.mark.parametrize("number", [32, 64, 128])
def test_good_lattices_integrate_low_waves_exactly(number):
    """A rank-1 lattice (0, 0), (1, g), ... / n integrates exp(2 pi i (m x + k y)) exactly unless m + k g = 0
    modulo n (I. H. Sloan and S. Joe, Lattice Methods for Multiple Integration, 1994, from memory)."""
    for generator in generators(number):
        x, y = np.arange(number) / number, np.arange(number) * generator % number / number
        assert gcd(generator, number) == 1
        for m in range(-number // 8, number // 8 + 1):
            for k in (0, 1, 2):
                if (m, k) != (0, 0):
                    assert abs(np.exp(2j * pi * (m * x + k * y)).mean()) < 1e-12, (generator, m, k)


@cache
def true_means(turn, first, strokes):
    """Mean of each wave over whole strokes, by very many instants: {(of the stroke, of the angle): mean}."""
    motion = Motion(step(turn=Turn(radians(turn)), time=1e6))
    at = first + strokes * (np.arange(400_000) + 0.5) / 400_000
    once, turned = (
        np.exp(2j * pi * at),
        {0: np.ones(len(at)), 2: np.exp(2j * motion.poses(at).theta)},
    )
    waves = np.ones_like(once)
    found = {}
    for h in range(7):
        for m, angle in turned.items():
            found[h, m], found[-h, m] = (waves * angle).mean(), (waves.conj() * angle).mean()
        waves *= once
    return found


@pytest.mark.always(*range(0, 18, 5))
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("strokes", [7, 24, 150])
def test_no_low_wave_of_a_turning_top_is_taken_for_a_constant(turn, strokes):
    """The saddle of a stroke runs round with the top and must average to what it really leaves: waves of up
    to six periods a stroke, of second order in the angle, for every turn and length of the block."""
    motion = Motion(step(turn=Turn(radians(turn)), time=1e6))
    for block in range(3):
        sample = block_sample(motion, LOAD, 5, strokes, 96, (0.3, 0.8), block)
        for (h, m), mean in true_means(turn, 5, strokes).items():
            wave = np.exp(1j * (2 * pi * h * sample.poses.strokes + m * sample.poses.theta))
            assert abs(sample.share @ wave - mean) < 0.04, (h, m)


def test_the_check_is_no_constant_and_sees_what_a_sample_misses():
    """Nothing for what is the same at all poses, about what is missed where no wave describes it."""
    motion = Motion(step(turn=Turn(radians(15.0)), time=1e6))
    sample = block_sample(motion, LOAD, 0, 60, 64, (0.3, 0.8))
    assert sample.check.sum() == pytest.approx(0.0, abs=1e-12)
    rough = np.random.default_rng(1).normal(size=(64, 400))
    error, told = sample.share @ rough, sample.check @ rough
    assert 0.5 < np.sqrt((told**2).mean() / (error**2).mean()) < 2.0


@pytest.mark.parametrize("strokes", [1, 5, 40, 1000])
@pytest.mark.parametrize("first", [0, 17])
def test_a_block_is_covered_and_not_left(first, strokes):
    motion = Motion(step(turn=Turn(radians(8.0)), time=1e6))
    sample = block_sample(motion, LOAD, first, strokes, 64, (0.3, 0.8))
    places = sample.poses.strokes
    assert sample.share.sum() == pytest.approx(1.0, rel=1e-14)
    assert places.min() >= first
    assert places.max() < first + strokes
    visits = np.bincount((places - first).astype(int), minlength=strokes)
    assert np.ptp(visits) <= 3  # no stroke much more often than any other
    gaps = np.diff(np.sort(places % 1.0))
    assert gaps.max() < 2.5 / 64  # phases without a hole


def test_the_shift_moves_the_poses():
    motion = Motion(step(time=1e6))
    one, two = (
        block_sample(motion, LOAD, 0, 40, 64, shift).poses.cx for shift in ((0.1, 0.2), (0.6, 0.2))
    )
    assert np.abs(one - two).max() > 1e-4


@pytest.mark.parametrize(("first", "strokes"), [(0, 12), (1, 7), (5, 3), (2, 23)])
def test_indexed_angles_get_the_shares_truly_visited(first, strokes):
    """90 degrees every 3 strokes: each angle's share is that of the strokes spent at it."""
    motion = Motion(step(turn=Turn(radians(90.0), 3), time=1e6))
    sample = block_sample(motion, LOAD, first, strokes, 64, (0.3, 0.8))
    spent = np.bincount([n // 3 % 4 for n in range(first, first + strokes)], minlength=4) / strokes
    quarter = np.rint(sample.poses.theta / (pi / 2)).astype(int) % 4
    assert np.bincount(quarter, sample.share, minlength=4) == pytest.approx(spent, abs=1e-14)
    within = np.floor(sample.poses.strokes)
    assert within.min() >= first
    assert within.max() < first + strokes


@pytest.mark.parametrize("turn", [Turn(radians(10.0), 1), Turn(radians(8.0))])
def test_no_angle_is_favoured_where_there_are_many(turn):
    """Whole turns of the top: the mean of cos and sin of 2 theta, which would print saddle and twist that are
    not there, is next to nothing; that of theta, which outlines alike after half a turn
    hardly answer to, stays under the 1/8 of 64 independent poses."""
    motion = Motion(step(turn=turn, time=1e6))
    sample = block_sample(motion, LOAD, 0, 180, 64, (0.3, 0.8))
    for k, least in ((1, 0.1), (2, 0.005)):
        assert abs(sample.share @ np.exp(1j * k * sample.poses.theta)) < least, k


CURVES = {  # arc-length means of cx^2 + cy^2 and cx^2 - cy^2 over amplitude^2 (closed forms, checks 6)
    "circle": (Circle(1.0), 1.0, 0.0, 1e-9),
    "eight": (FigureEight(2.0, 1.0), 0.549, 0.331, 5e-4),
    "ellipse": (Ellipse(2.0, 1.0), 0.565, 0.275, 5e-4),
    "line": (Line(2.0), 1 / 3, 1 / 3, 1e-3),
}


@pytest.mark.parametrize("name", CURVES)
def test_the_sample_keeps_what_the_moment_law_lives_on(name):
    curve, total, difference, within = CURVES[name]
    motion = Motion(replace(step(time=1e6), curve=curve))
    poses = block_sample(motion, LOAD, 3, 50, 64, (0.37, 0.11)).poses
    speed = np.hypot(poses.vx, poses.vy)
    mean = speed / speed.sum()
    assert mean @ (poses.cx**2 + poses.cy**2) == pytest.approx(total, abs=within)
    assert mean @ (poses.cx**2 - poses.cy**2) == pytest.approx(difference, abs=within)
    assert abs(mean @ (poses.cx * poses.cy)) < within


def test_moments_follow_the_load():
    """A hand on the top, 5 mm ahead of its centre on the side away from the operator who walks."""
    from lapwright.specification.step import Load

    load = Load(force=20.0, at=(0.005, 0.0), fixed_to="hand")
    motion = Motion(step(walk=Turn(radians(30.0)), load=load, time=1e6))
    sample = block_sample(motion, LOAD, 0, 12, 64, (0.5, 0.5))
    expected = (
        20.0 * 0.005 * np.stack([np.cos(sample.poses.alpha), np.sin(sample.poses.alpha)], axis=1)
    )
    assert sample.moments == pytest.approx(expected, abs=1e-12)
    assert np.ptp(sample.poses.alpha) > 5.0
    assert np.hypot(sample.poses.cx, sample.poses.cy) == pytest.approx(0.33 * RADIUS)


PATHS = [
    Circle(0.02),
    Ellipse(0.04, 0.01),
    Line(0.05),
    FigureEight(0.05, 0.03),
    Zigzag(0.05, 0.03, 8.0),
    Rosette(0.02, 0.007, 5),
]


@pytest.mark.always(*range(0, 24, 5))
@pytest.mark.parametrize("curve", PATHS, ids=lambda c: type(c).__name__)
@pytest.mark.parametrize("walk", [0.0, 0.3])
@pytest.mark.parametrize("carry", [False, True])
def test_a_sample_goes_as_far_as_the_top_does(curve, walk, carry):
    """Path length by stepping along the real motion; 16 poses alone would miss it by up to a per cent."""
    grit = Grit("g", 1e-5, Wear(iron=1e-12), Layer(1e-6))
    step = Step(
        "A",
        "B",
        grit,
        curve=curve,
        centre=(0.01, 0.0),
        carry_centre=carry,
        pace=0.7,
        walk=Turn(walk),
        strokes=48,
    )
    motion = Motion(step)
    poses = motion.poses(np.linspace(0.0, 16.0, 400_001))
    speed = np.hypot(np.diff(poses.cx), np.diff(poses.cy)).sum() / (16.0 / 0.7)
    sample = block_sample(motion, 10.0, 0, 16, 16, (0.3, 0.6))
    seen = sample.share @ np.hypot(sample.poses.vx, sample.poses.vy)
    assert seen == pytest.approx(speed, rel=2e-6)
