"""Speeds, lengths and cover (checks 2-4), at other values than those of `verify`."""

from math import pi

import known_answers
import numpy as np
import pytest

from lapwright.kinematics.motion import Motion
from lapwright.specification.curves import Circle, FigureEight, Line, Still, path_length
from lapwright.specification.step import Step, Turn
from lapwright.verification import closed_forms as exact
from lapwright.verification import motion_rows as motion
from lapwright.verification.scenes import plain_grit


def step_of(curve, **more):
    return Step("A", "B", plain_grit(), curve, **({"pace": 0.5, "strokes": 10} | more))


def test_rows():
    failed = [row for row in motion.motion_rows() if not row.ok]
    assert not failed, failed


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 3.0, -1.0, -2.5])
@pytest.mark.parametrize("radius", [0.01, 0.06, 0.2])
def test_mean_speed_of_two_spinning_bodies(ratio, radius):
    """Derived and confirmed independently: (2/pi)(A + B) E(m).

    The faced body (the top) spins at omega, the other (the bottom, whose point it is) at ratio * omega; the
    bottom sees the top's centre go round at -ratio * omega and the top turn at (1 - ratio) * omega.
    """
    pace, offset, omega = 0.5, 0.1, 2 * pi * 0.5
    # Going round at -ratio omega is carried by walking; the top's own turn makes up the rest.
    step = step_of(
        Still(),
        pace=pace,
        centre=(offset, 0.0),
        carry_centre=True,
        walk=Turn(-ratio * omega / pace),
        turn=Turn(omega / pace),
    )
    got = motion.speed(step, radius, number=720)
    assert got == pytest.approx(known_answers.mean_speed(omega, offset, ratio, radius), rel=2e-3)
    if abs(radius * (1 - ratio) - offset) > 0.02:
        assert got == pytest.approx(
            known_answers.mean_speed(omega, offset, ratio, radius), rel=1e-6
        )


def test_sliding_speed_is_the_rate_at_which_a_point_moves_over_the_other_face():
    """Slow twin: follow one point of the top over the bench by finite differences, walk and turn included."""
    step = step_of(
        FigureEight(0.08, 0.04), direction=0.3, centre=(0.01, 0.02), walk=Turn(0.2), turn=Turn(0.5)
    )
    t = np.linspace(0.0, 3.0, 60_001)  # strokes
    poses = Motion(step).poses(t)
    u, v = 0.03, -0.02  # of the top's face; turned over, it lies at (-u, v)
    x = poses.cx + np.cos(poses.theta) * -u - np.sin(poses.theta) * v
    y = poses.cy + np.sin(poses.theta) * -u + np.cos(poses.theta) * v
    dt = (t[1] - t[0]) / step.pace
    slow = np.hypot(np.gradient(x, dt), np.gradient(y, dt))[1:-1]
    fast = np.hypot(poses.vx - poses.spin * (y - poses.cy), poses.vy + poses.spin * (x - poses.cx))[
        1:-1
    ]
    np.testing.assert_allclose(fast, slow, atol=1e-6)


@pytest.mark.parametrize(("length", "width"), [(0.08, 0.04), (0.05, 0.05), (0.1, 0.01)])
def test_length_of_an_eight(length, width):
    assert path_length(FigureEight(length, width)) == pytest.approx(
        known_answers.eight_length(length / 2, width / 2), rel=1e-9
    )


def test_line_goes_twice_its_length():
    # textbook: mean speed 2 S f
    assert path_length(Line(0.07)) * 0.5 == pytest.approx(
        exact.line_mean_speed(0.07, 0.5), rel=1e-12
    )


@pytest.mark.parametrize(
    ("rho", "circle"), [(0.7, 0.5), (0.95, 0.2), (1.0, 0.39), (1.1, 0.3), (0.3, 0.2)]
)
def test_cover(rho, circle):
    # derived and confirmed independently
    assert motion.cover(rho, circle) == pytest.approx(
        exact.covered_share(rho, circle, 1.0), abs=5e-5
    )


def test_equal_spins_give_even_speed():
    # textbook: omega e everywhere, 60 a minute and 0.1 m: 0.6283185307 m/s
    step = step_of(Circle(0.1), pace=1.0)
    for radius in (0.0, 0.05, 0.3):
        assert motion.speed(step, radius) == pytest.approx(0.6283185307, rel=1e-9)
