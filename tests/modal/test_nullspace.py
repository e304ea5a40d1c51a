"""What a matrix leaves alone, and the group inverse, on matrices whose answers are known."""

import numpy as np
import pytest

from lapwright.errors import DefectiveError
from lapwright.modal.operator import LinearSystem, kernel_of, undone
from lapwright.modal.propagator import propagator_of


def with_zeros(n, zeros, seed=0, pairs=False):
    """A matrix that is not symmetric, with `zeros` semisimple zero eigenvalues."""
    rng = np.random.default_rng(seed)
    core = -np.diag(np.concatenate([np.zeros(zeros), rng.uniform(0.1, 1.0, n - zeros)]))
    if pairs:
        core[-2:, -2:] = [[-0.5, 0.3], [-0.3, -0.5]]
    mix = rng.normal(size=(n, n))
    return mix @ core @ np.linalg.inv(mix), mix


@pytest.mark.parametrize("zeros", [1, 4])
@pytest.mark.parametrize("pairs", [False, True])
def test_group_inverse(zeros, pairs):
    """A D A = A, D A D = D, A D = D A (the three that define it), and P0 = 1 - A D."""
    a, _ = with_zeros(9, zeros, pairs=pairs)
    k = kernel_of(a)
    d, p = undone(a, k, np.eye(9)), k.projection
    assert k.right.shape == k.left.shape == (9, zeros)
    assert k.gap > 1e6
    for got, want in (
        (a @ d @ a, a),
        (d @ a @ d, d),
        (a @ d, d @ a),
        (np.eye(9) - a @ d, p),
        (p @ p, p),
    ):
        np.testing.assert_allclose(got, want, atol=1e-9 * max(1.0, np.abs(want).max()))
    np.testing.assert_allclose(a @ p, 0.0, atol=1e-10)


def test_defective_is_refused():
    """A zero eigenvalue that feeds another: z grows without end, and P0 would divide by zero."""
    a = np.diag([0.0, 0.0, -1.0, -2.0])
    a[0, 1] = 0.7
    with pytest.raises(DefectiveError, match="grows with time") as caught:
        kernel_of(a)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 1
    assert caught.value.code == "defective"
    mix = np.random.default_rng(1).normal(size=(4, 4))
    with pytest.raises(DefectiveError):
        kernel_of(mix @ a @ np.linalg.inv(mix))


def test_a_flow_that_is_defective_is_refused():
    from modes_scene import flow, stroke

    good = flow(stroke(), 4)
    n = good.drive.size
    matrix = good.matrix.copy()
    # The mating saddle is made to feed the mating sphere: neither dies, and the sphere grows with time.
    kernel = kernel_of(matrix)
    level = kernel.right.copy()
    level[[0, 1, 2, 15, 16, 17]] = 0.0
    u, sizes, _ = np.linalg.svd(level, full_matrices=False)
    one, two = u[:, 0], u[:, 1]
    assert sizes[2] == pytest.approx(1.0)
    matrix += 0.1 * np.abs(matrix).max() * np.outer(one, two)
    with pytest.raises(DefectiveError):
        propagator_of(LinearSystem(good.bottom, good.top, matrix, good.drive, None))
    assert propagator_of(good).drift.shape == (n,)


def test_two_that_die_alike_but_run_into_each_other():
    """A Jordan block that is not of zero: told apart badly, and said so."""
    from modes_scene import flow, stroke

    good = flow(stroke(), 2)
    matrix = np.diag([0.0] * 6 + [-1.0, -1.0, -2.0, -2.5, -3.0, -3.5])
    matrix[6, 7] = 1.0
    with pytest.raises(DefectiveError, match="cannot be told apart"):
        propagator_of(LinearSystem(good.bottom, good.top, matrix, np.zeros(12), None))


def test_nothing_at_all_stays_as_it_is():
    k = kernel_of(np.zeros((3, 3)))
    np.testing.assert_array_equal(k.projection, np.eye(3))
    assert k.gap == np.inf
    full = kernel_of(-np.eye(3))
    assert full.right.shape == (3, 0)
    np.testing.assert_allclose(undone(-np.eye(3), full, np.eye(3)), -np.eye(3), atol=1e-15)
    assert not undone(np.zeros((3, 3)), k, np.eye(3)).any()
