"""Instants that stand for a long spell: of the real motion, in true shares."""

import numpy as np
import pytest
from modes_scene import EIGHT, FREE, LINE, index, stroke

from lapwright.kinematics.motion import Motion
from lapwright.modal.points import base_instants, distinct_angles, instants_of
from lapwright.specification.curves import Zigzag, arc_moments
from lapwright.specification.step import Hand, Load, Turn

CASES = {
    "plain": stroke(EIGHT),
    "turning": stroke(EIGHT, FREE),
    "turning and walking": stroke(EIGHT, Turn(0.11), walk=Turn(0.07)),
    "zigzag": stroke(Zigzag(0.05, 0.03)),
    "zigzag, turning": stroke(Zigzag(0.05, 0.03), FREE),
    "indexed": stroke(EIGHT, index(90)),
    "many indexes": stroke(EIGHT, index(8)),
    "indexed and walking": stroke(EIGHT, index(90), walk=Turn(0.05)),
    "scattered": stroke(EIGHT, hand=Hand(0.1, 0.002, 0.09, 0.1, 5.0)),
}


@pytest.mark.parametrize("case", CASES)
def test_instants_are_of_the_real_motion(case):
    motion = Motion(CASES[case], (7, 1, 1))
    found = instants_of(motion, 20, 2000, 64)
    assert found.share.sum() == pytest.approx(1.0)
    assert found.poses.strokes.min() >= 20.0
    assert found.poses.strokes.max() < 2020.0
    real = motion.poses(found.poses.strokes)
    for name in ("cx", "cy", "theta", "alpha", "spin"):
        np.testing.assert_array_equal(getattr(found.poses, name), getattr(real, name))
    speed = found.share @ np.hypot(found.poses.vx, found.poses.vy)
    assert speed == pytest.approx(motion.mean_speed(20, 2000), rel=1e-12)


@pytest.mark.parametrize("case", ["plain", "turning", "zigzag", "indexed", "many indexes"])
def test_means_that_the_moment_law_lives_on(case):
    """Mean of c c^T by path against Gauss quadrature of the curve; of theta a full turn has no mean."""
    step = CASES[case]
    p = instants_of(Motion(step), 0, 3600, 64)
    speed = p.share * np.hypot(p.poses.vx, p.poses.vy)
    c = np.stack([p.poses.cx, p.poses.cy])
    mean = (c * speed) @ c.T / speed.sum()
    exact = arc_moments(step.curve)
    np.testing.assert_allclose(mean, exact, atol=0.004 * np.trace(exact))
    if step.turn.angle:
        for wave in (1, 2, 3, 4) if step.turn.angle == FREE.angle else (1, 2):
            assert abs(p.share @ np.exp(1j * wave * p.poses.theta)) < 0.03


def test_a_step_that_stops_early_visits_only_what_it_visits():
    step = stroke(EIGHT, index(2, 600), time=None, strokes=1200)
    theta, alpha, share = distinct_angles(Motion(step), 0, 1200)
    assert sorted(theta) == pytest.approx([0.0, np.radians(2)])
    assert list(share) == [0.5, 0.5]
    assert not alpha.any()
    _, _, share = distinct_angles(Motion(step), 0, 900)
    assert sorted(share) == pytest.approx([1 / 3, 2 / 3])
    p = instants_of(Motion(step), 0, 900, 64)
    assert p.share[p.poses.theta > 0].sum() == pytest.approx(1 / 3)


def test_a_turn_of_the_stroke_itself_keeps_its_phase():
    p = instants_of(Motion(stroke(turn=Turn(2 * np.pi))), 0, 3600, 64)
    np.testing.assert_allclose(np.exp(1j * p.poses.theta), np.exp(1j * p.poses.phase), atol=1e-9)


def test_seen_by_the_operator_nothing_is_turned():
    load = Load(10.0, (0.01, 0.0), "hand")
    step = stroke(LINE, FREE, walk=Turn(0.2), centre=(0.01, 0.0), carry_centre=True, load=load)
    p = base_instants(Motion(step), 0, 3600, 64)
    assert not p.poses.theta.any()
    np.testing.assert_allclose(p.poses.cy, 0.0, atol=1e-12)
    np.testing.assert_allclose(p.hand, np.tile([0.1, 0.0], (64, 1)), atol=1e-12)


def test_the_seed_sets_the_scatter():
    one, two, other = (
        instants_of(Motion(CASES["scattered"], key), 0, 3600, 64).poses.cx
        for key in ((7, 1, 1), (7, 1, 1), (8, 1, 1))
    )
    np.testing.assert_array_equal(one, two)
    assert np.abs(one - other).max() > 1e-4


@pytest.mark.parametrize("case", [index(90, 12), index(120), index(45), index(15)])
def test_every_angle_that_is_set_over_is_given_the_same_places(case):
    """No angle sees other phases of the stroke than another: what they take out together is exact."""
    p = instants_of(Motion(stroke(EIGHT, case)), 0, 3600 // case.every * case.every, 64)
    angle = np.round(p.poses.theta / (2 * np.pi) % 1.0, 6) % 1.0
    seen = []
    for one in np.unique(angle):
        at = np.argsort(p.poses.phase[angle == one])
        seen.append(np.stack([p.poses.phase[angle == one][at], p.share[angle == one][at]]))
    for other in seen[1:]:
        np.testing.assert_allclose(other[0], seen[0][0], atol=1e-9)
        assert other[1].sum() == pytest.approx(seen[0][1].sum(), rel=0.02)


@pytest.mark.parametrize("degrees", [10, 7.5, 5])
def test_of_very_many_angles_quarter_turns_are_given_the_same_places(degrees):
    p = instants_of(Motion(stroke(EIGHT, index(degrees))), 0, 7200, 64)
    quarter = np.round(p.poses.theta / (0.5 * np.pi) % 1.0, 6) % 1.0
    for one in np.unique(quarter):
        own = quarter == one
        places, counts = np.unique(np.round(p.poses.phase[own], 7), return_counts=True)
        assert (counts == 4).all()
        assert places.size >= 8
    assert np.unique(np.round(p.poses.phase, 9)).size > 60


def test_a_traverse_that_is_set_over_is_seen_whole_at_each_angle():
    """Seven passes and twelve strokes an angle: each angle sees all seven."""
    curve = Zigzag(0.06, 0.044, 7)
    p = instants_of(Motion(stroke(curve, index(90, 12), time=None, strokes=3360)), 0, 3360, 64)
    angle = np.round(p.poses.theta / (0.5 * np.pi)).astype(int) % 4
    for one in range(4):
        share = p.share * (angle == one)
        shares = [share[np.floor(p.poses.strokes) % 7 == k].sum() for k in range(7)]
        np.testing.assert_allclose(shares, 1 / 28, rtol=1e-9)


def test_kinks_lie_between_the_phases_of_a_plain_stroke():
    """Mean of |sin| over a turn, 2/pi: a rule of equal steps is off by 2e-4 at 64 places."""
    p = instants_of(Motion(stroke(LINE)), 0, 3600, 64)
    assert p.share @ np.abs(np.sin(p.poses.phase)) == pytest.approx(2 / np.pi, rel=1e-12)
