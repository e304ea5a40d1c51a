"""What is said of one step: the moment law held against its operator, and errors that have a name."""

import numpy as np
import pytest
from modes_scene import LINE, stroke

from sim.lapping.strokes import Ellipse
from sim.modes.picture import Picture
from sim.modes.reason import reason_of
from sim.verify.scenes import RADIUS, disc


def reason(*given, **more):
    return reason_of(Picture({"A": disc("A", 64), "B": disc("B", 64)}, [stroke(*given, **more)]), 1)


@pytest.mark.parametrize("direction", [0.0, 0.25 * np.pi, 1.9])
def test_the_moment_law_holds_along_a_line_at_any_angle(direction):
    """v <|c|^2, cx^2 - cy^2, 2 cx cy> whatever the pressures (check 6; derived)."""
    found = reason(LINE, direction=direction)
    along = np.array([1.0, np.cos(2.0 * direction), np.sin(2.0 * direction)])
    speed = 2.0 * 0.66 * RADIUS * found.step.pace
    want = speed * (0.33 * RADIUS) ** 2 / 3.0 * along
    np.testing.assert_allclose(found.law.exact, want, atol=2e-3 * want[0])
    assert found.law.error < 2e-3


@pytest.mark.parametrize("curve", [None, LINE, Ellipse(0.66 * RADIUS, 0.33 * RADIUS)])
def test_without_turning_the_pairs_that_mate_stay(curve):
    """Quadratics that mate slide on each other: a dome in a dish, opposite saddles, like twists (derived)."""
    named = {each.name: each for each in reason(curve).named}
    for name in ("dome in dish", "saddle in saddle", "twists"):
        assert named[name].stays == pytest.approx(1.0, abs=1e-6)
        assert named[name].half_life is None
    for name in ("domes", "saddles", "opposite twists"):
        assert named[name].stays < 0.9
        assert named[name].half_life > 0.0
