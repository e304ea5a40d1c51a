"""First wear of two flat equal discs (checks 5), whole profiles, at any layer."""

import known_answers as lens
import numpy as np
import pytest

from lapwright.contact.average import Pair
from lapwright.verification.scenes import RADIUS, disc, even_stroke, start_step


@pytest.mark.parametrize("circle", [0.1, 0.3, 0.37])
@pytest.mark.parametrize("depth", [0.1e-6, 10e-6])
def test_profiles(circle, depth):
    """Derived and confirmed independently; flat faces below lift-off, the layer does not matter."""
    top, bottom = disc("A", 96), disc("B", 96)
    step = start_step(circle=circle, depth=depth)
    pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
    average = pair.average(bottom.heights(), top.heights(), even_stroke(step, top.weight, 192))
    unit = 2 * np.pi * circle * RADIUS * step.pace * top.weight / (np.pi * RADIUS**2)
    x, y = top.grid.mesh()
    rho = np.hypot(x, y) / RADIUS
    for rate, is_top in ((average.bottom, False), (average.top, True)):
        expected = lens.first_wear(rho.ravel(), circle, top=is_top, points=60).reshape(rho.shape)
        off = (rate / unit - expected) * top.land
        for inner in np.arange(0.0, 1.0, 0.05):
            if abs(inner + 0.025 - (1.0 - circle)) < 0.06:
                continue  # where cover begins to fail the profile has a kink, smeared by a cell
            ring = (rho >= inner) & (rho < inner + 0.05)
            assert off[ring].sum() / top.land[ring].sum() == pytest.approx(0.0, abs=2e-3)
    assert average.lift_share == 0.0
    for rate in (average.bottom, average.top):
        mean = (rate * top.land).sum() * top.grid.cell**2 / (np.pi * RADIUS**2)
        assert mean / unit == pytest.approx(1.0, rel=1e-9)  # both integrate to 1
