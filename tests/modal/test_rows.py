"""Points of the overlap against closed forms: areas and moments by Green's theorem along its edge."""

from itertools import pairwise, product

import numpy as np
import pytest

from lapwright.kinematics.overlap import overlap
from lapwright.modal.cells import overlap_rule
from lapwright.specification.outline import Disc, Rectangle, Ring

OUTLINES = [
    Disc(0.16),
    Disc(0.1),
    Ring(0.16, 0.06),
    Ring(0.12, 0.07),
    Rectangle(0.3, 0.05),
    Rectangle(0.15, 0.13),
]
SPECIAL = [
    (0.0, 0.0, 0.0),
    (0.01, 0.0, 0.0),
    (0.0, 0.02, np.pi / 2),
    (0.03, 0.0, 0.7),
    (0.0, 0.0, 0.3),
]


def poses(bottom, top, seed):
    rng = np.random.default_rng(seed)
    reach = 0.4 * min(bottom.smaller, top.smaller)
    some = np.concatenate(
        [SPECIAL, np.column_stack([rng.uniform(-reach, reach, (8, 2)), rng.uniform(0, 7, 8)])]
    )
    return some.T


@pytest.mark.parametrize(("bottom", "top"), list(product(OUTLINES, OUTLINES)), ids=str)
def test_area_and_moments(bottom, top):
    cx, cy, theta = poses(bottom, top, 1)
    rule = overlap_rule(bottom, top, cx, cy, theta, 16)
    for k in range(cx.size):
        at = slice(rule.start[k], rule.start[k + 1])
        x, y, area = rule.x[at], rule.y[at], rule.area[at]
        exact = overlap(top, bottom, (cx[k], cy[k]), theta[k])
        gx, gy = exact.centroid
        assert area.min() > 0.0
        assert area.sum() == pytest.approx(exact.area, rel=1e-5)
        assert (area @ x, area @ y) == pytest.approx(
            (exact.area * gx, exact.area * gy), abs=1e-5 * exact.area * 0.1
        )
        got = (area @ (x - gx) ** 2, area @ ((x - gx) * (y - gy)), area @ (y - gy) ** 2)
        assert got == pytest.approx(exact.second, abs=2e-5 * sum(exact.second[::2]))
        assert bottom.signed_distance(x, y).max() < 1e-12


def test_high_powers_over_a_disc():
    """Integral of x^2a y^2b over the unit disc: 2 G(a+1/2) G(b+1/2) / ((2a+2b+2) G(a+b+1)) (closed form)."""
    from math import gamma

    zero = np.zeros(1)
    rule = overlap_rule(Disc(2.0), Disc(2.0), zero, zero, zero, 16)
    for a, b in ((0, 0), (1, 0), (4, 4), (8, 0), (0, 8), (5, 3)):
        exact = 2 * gamma(a + 0.5) * gamma(b + 0.5) / ((2 * a + 2 * b + 2) * gamma(a + b + 1))
        assert rule.area @ (rule.x ** (2 * a) * rule.y ** (2 * b)) == pytest.approx(exact, rel=2e-5)


def test_higher_degree_is_closer():
    cx, cy, theta = poses(Disc(0.16), Disc(0.16), 2)
    wrong = []
    for degree in (4, 8, 16, 32):
        rule = overlap_rule(Disc(0.16), Disc(0.16), cx, cy, theta, degree)
        areas = np.bincount(rule.pose, rule.area)
        exact = [overlap(Disc(0.16), Disc(0.16), c, 0.0).area for c in zip(cx, cy, strict=True)]
        wrong.append(np.abs(areas / exact - 1.0).max())
    assert all(after < 0.5 * before for before, after in pairwise(wrong))


def test_no_overlap_has_no_points():
    cx, zero = np.array([0.0, 0.5, 0.01]), np.zeros(3)
    rule = overlap_rule(Disc(0.16), Ring(0.16, 0.05), cx, zero, zero, 8)
    assert np.bincount(rule.pose, minlength=3)[1] == 0
    assert list(np.diff(rule.start)) == list(np.bincount(rule.pose, minlength=3))


def test_ends_lie_on_an_edge_and_have_no_area():
    cx, cy, theta = poses(Disc(0.16), Rectangle(0.15, 0.13), 3)
    rule = overlap_rule(Disc(0.16), Rectangle(0.15, 0.13), cx, cy, theta, 8, ends=True)
    plain = overlap_rule(Disc(0.16), Rectangle(0.15, 0.13), cx, cy, theta, 8)
    assert rule.area.sum() == pytest.approx(plain.area.sum(), rel=1e-14)
    ends = rule.area == 0.0
    own = rule.pose[ends]
    xi, eta = rule.x[ends] - cx[own], rule.y[ends] - cy[own]
    c, s = np.cos(theta[own]), np.sin(theta[own])
    edge = np.maximum(
        Disc(0.16).signed_distance(rule.x[ends], rule.y[ends]),
        Rectangle(0.15, 0.13).signed_distance(c * xi + s * eta, c * eta - s * xi),
    )
    np.testing.assert_allclose(edge, 0.0, atol=1e-12)
