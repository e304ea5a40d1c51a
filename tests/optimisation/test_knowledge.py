"""Knowledge against closed forms: Kalman's formulas, the density of normals, means and covariances kept."""

import numpy as np
import pytest

from lapwright.optimisation.shop import Knowledge, Sight, one_normal

SIZE, READ = 6, 2


def whole(seed=1):
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((SIZE, SIZE)) * np.array([1e-6, 1e-6, 1e-7, 1.0, 0.5, 1e-6])[:, None]
    return rng.standard_normal(SIZE) * np.sqrt(np.diag(root @ root.T)), root @ root.T


def sight(seed=2, noise=0.05e-6):
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((READ, SIZE)) * np.array([1.0, 1.0, 1.0, 0.0, 0.0, 1.0])
    return Sight(rows, 1e-6 * rng.standard_normal(READ), noise**2 * np.eye(READ))


def test_one_normal_is_told_by_the_textbook():
    """Conditioning of a joint normal distribution (R. E. Kalman 1960), written out."""
    mean, covariance = whole()
    seen = sight()
    told = one_normal(mean, covariance).updated(seen, np.random.default_rng(0))
    spread = seen.rows @ covariance @ seen.rows.T + seen.noise
    gain = covariance @ seen.rows.T @ np.linalg.inv(spread)
    size = np.sqrt(np.diag(covariance))
    assert told.centre / size == pytest.approx(
        (mean + gain @ (seen.value - seen.rows @ mean)) / size
    )
    left = (covariance - gain @ seen.rows @ covariance) / np.outer(size, size)
    assert told.covariance / np.outer(size, size) == pytest.approx(left, abs=1e-9)


def test_the_density_of_one_normal_is_that_of_scipy():
    from scipy.stats import multivariate_normal

    mean, covariance = whole()
    seen = sight()
    spread = seen.rows @ covariance @ seen.rows.T + seen.noise
    wanted = multivariate_normal(seen.rows @ mean, spread).logpdf(seen.value)
    assert one_normal(mean, covariance).density(seen)[0] == pytest.approx(wanted, rel=1e-9)


def test_members_keep_mean_and_covariance():
    mean, covariance = whole()
    rng = np.random.default_rng(4)
    known = one_normal(mean, covariance).members(rng, 200).members(rng, 150)
    size = np.sqrt(np.diag(covariance))
    assert known.effective == pytest.approx(150.0)
    assert known.centre / size == pytest.approx(mean / size, abs=1e-6)
    assert known.covariance / np.outer(size, size) == pytest.approx(
        covariance / np.outer(size, size), abs=1e-6
    )


def test_many_members_are_told_as_the_one_normal_that_they_stand_for():
    """Readings ten times sharper than what is known: taken in little by little, as exactly as at once."""
    mean, covariance = whole()
    seen = sight(noise=0.1e-6)
    exact = one_normal(mean, covariance).updated(seen, np.random.default_rng(0))
    size = np.sqrt(np.diag(exact.covariance))
    off, ratio = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        told = one_normal(mean, covariance).members(rng, 300).updated(seen, rng)
        assert told.effective >= 50.0
        off.append((told.centre - exact.centre) / size)
        ratio.append(np.sqrt(np.diag(told.covariance)) / size)
    assert np.abs(np.mean(off, axis=0)).max() < 0.1
    assert np.abs(np.mean(ratio, axis=0) - 1.0).max() < 0.05


def test_two_hills_are_weighed_by_what_each_held_likely():
    """Bayes' rule by hand, for two members without any cloud in what is read."""
    mean = np.array([[0.0, 5.0], [2.0, 7.0]])
    cloud = np.tile(np.diag([0.0, 1.0]), (2, 1, 1))
    known = Knowledge(np.array([0.25, 0.75]), mean, cloud, np.zeros(2, dtype=np.intp))
    seen = Sight(np.array([[1.0, 0.0]]), np.array([0.5]), np.array([[1.0]]))
    told = known._updated(seen)
    odds = 0.25 * np.exp(-0.5 * 0.25) / (0.75 * np.exp(-0.5 * 2.25))
    assert told.weight[0] / told.weight[1] == pytest.approx(odds)
    assert told.mean[:, 1] == pytest.approx([5.0, 7.0])
