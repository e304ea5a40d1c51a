"""Where something lifts: flat discs, and the moments that hand and push bring to bear on them."""

import numpy as np
import pytest
from modes_scene import LINE, STIFFNESS, operator, stroke

from sim.lapping.step import Load
from sim.lapping.strokes import Circle, Line
from sim.modes.lifting import lifting
from sim.verify.scenes import RADIUS, START

FLAT = np.zeros((30, 1))


def test_flat_discs_lift_where_the_closed_form_says():
    """Flat equal discs begin to lift at an overhang of 0.3929023 R (check 16; derived)."""
    for radius, lifts in ((0.390, 0.0), (0.400, 1.0)):
        found = operator(stroke(Circle(radius * RADIUS)), 4)
        (flat,) = lifting(found, STIFFNESS, START, FLAT)
        assert flat.share == pytest.approx(lifts)
        # where lifting begins the peak is twice the mean on the overlap, exactly; these lie beside it
        assert flat.most.max() == pytest.approx(2.0, abs=0.03)


def test_a_line_lifts_at_its_ends_alone():
    found = operator(stroke(LINE, direction=0.3), 4)
    (flat,) = lifting(found, STIFFNESS, START, FLAT)
    assert flat.share == 0.0

    long = operator(stroke(Line(0.9 * RADIUS)), 4)
    (flat,) = lifting(long, STIFFNESS, START, FLAT)
    # overhang 0.45 R sin(phase) above 0.3929 R: within 29 degrees of both ends
    reach = np.arccos(0.3929 / 0.45)
    assert flat.share == pytest.approx(4 * reach / (2 * np.pi), abs=2 / 64)
    ends = np.minimum(np.abs(flat.phases - np.pi / 2), np.abs(flat.phases - 3 * np.pi / 2))
    assert ends.max() < reach + 0.06


@pytest.mark.parametrize(
    ("load", "arm"),
    [
        (Load(0.2 * START, (0.6 * RADIUS, 0.0)), 0.12 * RADIUS),
        (Load(0.2 * START, (-0.6 * RADIUS, 0.9 * RADIUS)), 0.2 * np.hypot(0.6, 0.9) * RADIUS),
        (Load(push_height=0.4 * RADIUS, friction=0.5), 0.2 * RADIUS),
        (Load(push_height=0.8 * RADIUS, friction=0.4), 0.32 * RADIUS),
    ],
    ids=["hand off the centre", "hand as near the rim", "push", "push from high above"],
)
def test_a_load_off_the_centre_tilts_the_pressure_on_a_flat_disc(load, arm):
    """The beam formula on a disc: 1 + 4 e x / R^2 of the mean; nothing at the rim from R/4 on (check 14)."""
    found = operator(stroke(Circle(1e-6 * RADIUS), load=load), 4)
    (flat,) = lifting(found, STIFFNESS, START, FLAT)
    np.testing.assert_allclose(flat.least, 1.0 - 4.0 * arm / RADIUS, atol=0.008)
    np.testing.assert_allclose(flat.most, 1.0 + 4.0 * arm / RADIUS, atol=0.008)
    assert flat.share == pytest.approx(1.0 if arm > 0.25 * RADIUS else 0.0)
