"""Decay of waves on large plates."""

import known_answers as waves
import numpy as np
import pytest


@pytest.mark.parametrize(
    ("factor", "mating", "rest"),
    [  # derived; brute force to 4 digits
        (waves.circle(1.0, 1.0), 0.2348023, 1.7651977),
        (waves.along_line(1.0, 1.0), 0.1585290, 1.8414710),
        (waves.across_line(), 0.0, 2.0),
    ],
)
def test_rates(factor, mating, rest):
    assert waves.decay_rates(factor) == pytest.approx((mating, rest), abs=6e-8)


def test_factors_are_means_over_the_path():
    def circle(phi):
        return 0.7 * np.stack([np.cos(phi), np.sin(phi)], 1)

    def line(phi):
        return np.stack([0.7 * np.sin(phi), np.zeros_like(phi)], 1)

    assert waves.circle(2.0, 0.7) == pytest.approx(waves.path_factor(2.0, circle), rel=1e-9)
    assert waves.along_line(2.0, 0.7) == pytest.approx(waves.path_factor(2.0, line), rel=1e-5)


def test_rates_by_brute_force():
    """Two long plates with a wave, a circular stroke, small steps of wear: the slow twin of the formula."""
    n, q, c, dt = 64, 1.0, 1.0, 0.02
    x = 2 * np.pi * np.arange(n) / n
    shifts = c * np.cos(2 * np.pi * np.arange(32) / 32)
    for sign, index in ((-1.0, 0), (1.0, 1)):
        bottom, top = np.cos(q * x), sign * np.cos(q * x)
        for _ in range(50):
            worn_bottom, worn_top = np.zeros(n), np.zeros(n)
            for s in shifts:
                worn_bottom += bottom + np.interp(x - s, x, top, period=2 * np.pi)
                worn_top += top + np.interp(x + s, x, bottom, period=2 * np.pi)
            bottom, top = bottom - dt * worn_bottom / 32, top - dt * worn_top / 32
        rate = -np.log(np.abs(np.fft.rfft(bottom)[1]) / (n / 2))
        assert rate == pytest.approx(waves.decay_rates(waves.circle(q, c))[index], rel=0.03)
