"""The exact moment laws."""

import numpy as np
import pytest
from known_answers import path_means

from lapwright.verification.closed_forms import circle_means, growth, line_means


def path(kind):
    if kind == "circle":
        return (
            lambda f: np.stack([np.cos(f), np.sin(f)], 1),
            lambda f: np.stack([-np.sin(f), np.cos(f)], 1),
        )
    if kind == "line":
        return lambda f: np.stack([np.sin(f), 0 * f], 1), lambda f: np.stack([np.cos(f), 0 * f], 1)
    if kind == "line at 45 degrees":
        half = np.sqrt(0.5)
        return (
            lambda f: half * np.stack([np.sin(f), np.sin(f)], 1),
            lambda f: half * np.stack([np.cos(f), np.cos(f)], 1),
        )
    if kind == "figure-eight":
        return (
            lambda f: np.stack([np.sin(f), 0.5 * np.sin(2 * f)], 1),
            lambda f: np.stack([np.cos(f), np.cos(2 * f)], 1),
        )
    return (
        lambda f: np.stack([np.cos(f), 0.5 * np.sin(f)], 1),
        lambda f: np.stack([-np.sin(f), 0.5 * np.cos(f)], 1),
    )


@pytest.mark.parametrize(
    ("kind", "square", "saddle", "twist"),
    [  # derived and confirmed independently
        ("circle", 1.0, 0.0, 0.0),
        ("line", 1 / 3, 1 / 3, 0.0),
        ("line at 45 degrees", 1 / 3, 0.0, 1 / 3),
        ("figure-eight", 0.549, 0.331, 0.0),
        ("ellipse", 0.565, 0.275, 0.0),
    ],
)
def test_path_means(kind, square, saddle, twist):
    means = path_means(*path(kind))
    assert means.square == pytest.approx(square, abs=6e-4)
    assert means.saddle == pytest.approx(saddle, abs=6e-4)
    assert means.twist == pytest.approx(twist, abs=6e-4)


def test_starting_case():
    # the model page, computed independently: half difference 1170 nm = 6 * 0.33^2 * 1791.5 nm
    assert growth(path_means(*path("circle")), 1791.5 * 0.33**2, 1.0).sphere == pytest.approx(
        1170.0, abs=1.0
    )


def test_law_holds_for_any_clipped_pressures():
    """A rough pair, an overhanging pose, a tilted lifting layer: the balance alone gives the law."""
    rng = np.random.default_rng(3)
    side = (np.arange(60) - 29.5) / 30
    x, y = np.meshgrid(side, side)
    c = np.array([0.25, 0.15])
    over = (np.hypot(x, y) < 1) & (np.hypot(x - c[0], y - c[1]) < 1)
    x, y = x[over], y[over]
    gap = 0.3 * rng.normal(size=x.size)
    basis = np.stack([np.ones_like(x), x - c[0], y - c[1]], 1)
    bears = np.ones(x.size, dtype=bool)
    for _ in range(60):
        b = basis[bears]
        q = np.linalg.solve(b.T @ b, b.T @ gap[bears] - np.array([100.0, 0.0, 0.0]))
        bears = gap > basis @ q
    p = np.maximum(0, gap - basis @ q)
    assert 0 < np.count_nonzero(p) < x.size
    u, v = x - c[0], y - c[1]
    assert (p * (x * x + y * y - u * u - v * v)).sum() == pytest.approx(100 * c @ c, rel=1e-10)
    assert (p * (x * x - y * y - u * u + v * v)).sum() == pytest.approx(
        100 * (c[0] ** 2 - c[1] ** 2), rel=1e-10
    )
    assert (p * 2 * (x * y - u * v)).sum() == pytest.approx(100 * 2 * c[0] * c[1], rel=1e-10)


def test_closed_means_are_those_of_the_paths():
    for closed, kind in (
        (circle_means(1.0), "circle"),
        (line_means(2.0), "line"),
        (line_means(2.0, np.pi / 4), "line at 45 degrees"),
    ):
        slow = path_means(*path(kind))
        assert (closed.square, closed.saddle, closed.twist) == pytest.approx(
            (slow.square, slow.saddle, slow.twist), abs=1e-6
        )
