"""What is said of one step: the moment law held against its operator, and errors that have a name."""

import numpy as np
import pytest
from modes_scene import LINE, stroke

from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import OWN_NAMES
from lapwright.modal.step_analysis import reason_of
from lapwright.specification.curves import Circle, Ellipse
from lapwright.specification.outline import Disc
from lapwright.specification.step import Load, Turn
from lapwright.verification.scenes import RADIUS, body, disc


def reason(*given, **more):
    return reason_of(
        ReducedModel({"A": disc("A", 64), "B": disc("B", 64)}, [stroke(*given, **more)]), 1
    )


@pytest.mark.parametrize("direction", [0.0, 0.25 * np.pi, 1.9])
def test_the_moment_law_holds_along_a_line_at_any_angle(direction):
    """v <|c|^2, cx^2 - cy^2, 2 cx cy> whatever the pressures (check 6; derived)."""
    found = reason(LINE, direction=direction)
    along = np.array([1.0, np.cos(2.0 * direction), np.sin(2.0 * direction)])
    speed = 2.0 * 0.66 * RADIUS * found.step.pace
    want = speed * (0.33 * RADIUS) ** 2 / 3.0 * along
    np.testing.assert_allclose(found.law.exact, want, atol=2e-3 * want[0])
    assert found.law.error < 2e-3
    np.testing.assert_allclose(found.path_means * speed, want, atol=2e-3 * want[0])


def test_the_moment_law_holds_with_a_hand_off_the_centre():
    """v <|c|^2 + 2 c e ...> with e where the load acts, of a stroke whose middle lies off the plate's."""
    force, at, centre, r = 40.0, np.array([0.015, 0.006]), np.array([0.008, -0.003]), 0.33 * RADIUS
    found = reason(centre=tuple(centre), load=Load(force, tuple(at), "bench"))
    e = at * force / found.load
    (cx, cy), speed = centre, 2.0 * np.pi * r * found.step.pace
    squares = r * r + cx * cx + cy * cy, cx * cx - cy * cy, 2.0 * cx * cy
    arms = 2.0 * np.array([cx * e[0] + cy * e[1], cx * e[0] - cy * e[1], cx * e[1] + cy * e[0]])
    want = speed * (np.array(squares) + arms)
    assert np.abs(speed * arms).max() > 0.05 * want[0]
    np.testing.assert_allclose(found.law.exact, want, atol=1e-3 * want[0])
    np.testing.assert_allclose(found.law.found, want, atol=3e-3 * want[0])


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


def small_on_large(**more):
    """A small disc that stays well inside a large one."""
    plates = {"A": body("A", Disc(0.6 * RADIUS), 20.0, 48), "B": disc("B", 64)}
    return reason_of(
        ReducedModel(plates, [stroke(Circle(0.1 * RADIUS), turn=Turn(np.radians(9.0)), **more)]), 1
    )


def test_a_small_top_loses_its_own_errors_as_fast_as_its_layer_presses():
    """ln 2 / (K kappa v): interference K delta presses, kappa v wears it off (model page 5), the plate
    that wears slowly under it put aside: it answers by its share of the metal, the ratio of the areas."""
    found = small_on_large()
    stiffness = found.step.grit.layer.stiffness
    want = np.log(2.0) / (stiffness * found.kappas[1] * found.operator.speed)
    own = {each.name: each for each in found.named if each.face == 1}
    for name in ("own dome", "own saddle", "own twist", "zone", "three lobes"):
        assert own[name].half_life == pytest.approx(want, rel=0.3**2)
        assert own[name].stays < 0.2
    pairs = {each.name: each for each in found.named if each.face is None}
    assert pairs["twists"].half_life > 5.0 * want


def test_alike_plates_have_no_errors_that_one_loses_by_itself():
    found = reason(None)
    assert not [each for each in found.named if each.name in OWN_NAMES]
    assert {each.face for each in found.named} == {None, 0}
