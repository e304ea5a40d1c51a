"""Closed forms of gauges against published and derived numbers (checks 20, 21 and 23)."""

import numpy as np
import pytest

from lapwright.metrology.contacts import (
    bands,
    newton_radius,
    wave_reading,
)
from lapwright.metrology.instruments import Spherometer


@pytest.mark.parametrize(
    ("radius", "ball", "want"),
    [
        # derived by plane geometry, foot circle of radius 40 mm
        (1.0, 0.0, 0.800320256256e-3),
        (1.0, 3e-3, 0.797924568104e-3),
        (-1.0, 3e-3, -0.802730379168e-3),
    ],
)
def test_spherometer(radius, ball, want):
    assert Spherometer(foot_circle=0.08, ball=ball).sag(radius) == pytest.approx(want, abs=1e-15)
    # R = calc - ball for a dome, calc + ball for a dish (both are found printed the other way round)
    assert Spherometer(foot_circle=0.08, ball=ball).radius(want) == pytest.approx(radius, rel=1e-9)


def test_balls_of_a_spherometer_touch_the_sphere():
    # slow twin: the ball's middle lies radius + ball from the sphere's middle, over the foot circle
    for radius, ball in ((0.5, 5e-3), (-0.3, 2e-3)):
        far = abs(radius) + (ball if radius > 0 else -ball)
        middle = np.sqrt(far**2 - 0.04**2)
        # feet's lowest points: middle - ball on a dome; in a dish the sphere's middle lies above
        drop = abs(radius) - (middle - ball) if radius > 0 else (middle + ball) - abs(radius)
        assert Spherometer(foot_circle=0.08, ball=ball).sag(radius) == pytest.approx(
            drop, abs=1e-15
        )


@pytest.mark.parametrize(
    ("wave", "nm", "uin"),
    # half a wave, exact arithmetic; 1 uin = 25.4 nm (international inch, 1959)
    [
        (587.6e-9, 293.80, 11.567),
        (589.3e-9, 294.65, 11.600),
        (632.8e-9, 316.40, 12.457),
        (405e-9, 202.5, 7.972),
    ],
)
def test_bands(wave, nm, uin):
    one = 1.0 / bands(1.0, wave)
    assert one == pytest.approx(nm * 1e-9, rel=1e-9)
    assert one / 25.4e-9 == pytest.approx(uin, abs=5e-4)


def test_newtons_rings():
    # textbook example (published): tenth dark ring 5 mm across at 500 nm: R = 1.25 m
    assert newton_radius(10, 5e-3, 500e-9) == pytest.approx(1.25, rel=1e-12)


def test_three_pads_in_line():
    length, wave = 0.1, 0.04
    z = lambda x: np.cos(2 * np.pi * x / wave)  # noqa: E731
    want = z(0.0) - 0.5 * (z(-length / 2) + z(length / 2))
    assert wave_reading(1.0, wave, length) == pytest.approx(want, rel=1e-12)
