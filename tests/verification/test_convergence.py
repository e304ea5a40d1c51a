"""The grid convergence index."""

import pytest
from known_answers import grid_convergence


def test_published_example():
    # NASA/NPARC tutorial on grid convergence, published
    got = grid_convergence(0.97050, 0.96854, 0.96178)
    assert got.order == pytest.approx(1.786170, abs=5e-7)
    assert 100 * got.fine_index == pytest.approx(0.103083, abs=5e-7)
    assert 100 * got.coarse_index == pytest.approx(0.356249, abs=5e-6)
    assert got.limit == pytest.approx(0.97130, abs=5e-6)


def test_known_order_is_found():
    values = [1.0 + 0.3 * h**2 for h in (0.1, 0.2, 0.4)]
    assert grid_convergence(*values).order == pytest.approx(2.0, abs=1e-9)
    assert grid_convergence(*values).limit == pytest.approx(1.0, abs=1e-12)


def test_values_that_wander_have_no_order():
    with pytest.raises(ValueError, match="monotonically"):
        grid_convergence(1.0, 1.1, 1.05)
