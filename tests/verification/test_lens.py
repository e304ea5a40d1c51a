"""First wear of two flat discs, against the checks page and against sums over a fine grid."""

import numpy as np
import pytest
from known_answers import first_wear

from lapwright.verification.closed_forms import Lens


def grid(n=1200):
    side = (np.arange(n) + 0.5) / n * 2 - 1
    x, y = np.meshgrid(side, side)
    return x, y, (2 / n) ** 2


def test_lens_integrals_against_a_grid():
    x, y, area = grid()
    inside = ((x + 0.15) ** 2 + y**2 < 1) & ((x - 0.15) ** 2 + y**2 < 1)
    assert Lens(0.3).area == pytest.approx(inside.sum() * area, rel=1e-4)
    assert Lens(0.3).second_moment == pytest.approx((x**2)[inside].sum() * area, rel=1e-4)


@pytest.mark.parametrize(
    ("top", "rho", "expected"),
    [  # derived and confirmed independently: circle 0.3 R
        (False, 0.0, 1.078449),
        (False, 1.0, 0.815939),
        (True, 0.0, 1.391502),
        (True, 1.0, 0.300658),
    ],
)
def test_first_wear(top, rho, expected):
    assert first_wear(rho, 0.3, top=top)[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("top", [False, True])
def test_first_wear_integrates_to_one(top):
    # derived: both faces see the whole load at the same speed; the kink where cover begins to fail is at 0.7
    total = 0.0
    for low, high in ((0.0, 0.7), (0.7, 1.0)):
        node, weight = np.polynomial.legendre.leggauss(60)
        rho = 0.5 * (low + high) + 0.5 * (high - low) * node
        total += (first_wear(rho, 0.3, top=top) * 2 * rho * weight).sum() * 0.5 * (high - low)
    assert total == pytest.approx(1.0, abs=2e-5)


def test_first_wear_equals_a_sum_over_places_of_the_stroke():
    angle = 2 * np.pi * (np.arange(20_000) + 0.5) / 20_000
    c = 0.3 * np.exp(1j * angle)
    lens = Lens(0.3)
    for rho in (0.2, 0.75, 0.95):
        along = np.real(
            (rho - c / 2) * np.exp(-1j * angle)
        )  # of a point of the bottom, from the lens' middle
        slow = np.where(np.abs(rho - c) < 1, lens.pressure(along), 0).mean() * np.pi
        assert first_wear(rho, 0.3, top=False)[0] == pytest.approx(slow, rel=1e-3)
        along = np.real((rho + c / 2) * np.exp(-1j * angle))  # of a point of the top
        slow = np.where(np.abs(rho + c) < 1, lens.pressure(along), 0).mean() * np.pi
        assert first_wear(rho, 0.3, top=True)[0] == pytest.approx(slow, rel=1e-3)
