"""Closed forms of motion against the digits of the checks page, and against slow sums."""

import known_answers
import numpy as np
import pytest

from lapwright.verification import closed_forms as motion


def test_equal_spins_give_omega_e_everywhere():
    # textbook result, recomputed: 60 turns a minute, axes 0.1 m apart
    for radius in (0.0, 0.02, 0.3):
        assert known_answers.mean_speed(2 * np.pi, 0.1, 1.0, radius) == pytest.approx(
            0.6283185307, abs=5e-11
        )


@pytest.mark.parametrize(
    ("ratio", "radius", "expected"),
    [
        (0.0, 0.5, 1.06354441),  # derived and confirmed independently
        (-1.0, 0.75, 1.671926222),  # derived and confirmed independently
    ],
)
def test_mean_speed(ratio, radius, expected):
    assert known_answers.mean_speed(1.0, 1.0, ratio, radius) == pytest.approx(expected, rel=5e-9)
    angle = 2 * np.pi * np.arange(4000) / 4000
    slow = np.abs(1.0 + abs(1.0 - ratio) * radius * np.exp(1j * angle)).mean()
    assert known_answers.mean_speed(1.0, 1.0, ratio, radius) == pytest.approx(slow, rel=1e-9)


@pytest.mark.parametrize(
    ("got", "expected"),
    [
        (known_answers.eight_length(1.0, 1.0), 9.42943129694),  # recomputed to the digits shown
        (known_answers.eight_length(1.0, 0.5), 6.0972234701),
        (known_answers.ellipse_length(1.0, 0.5), 4.84422411027),
        (known_answers.ellipse_length(0.5, 1.0), 4.84422411027),
        (known_answers.line_rms_over_mean(), 1.1107207345),
    ],
)
def test_path_lengths(got, expected):
    assert got == pytest.approx(expected, rel=1e-11, abs=5e-11)


def test_path_length_agrees_with_a_polygon():
    t = np.linspace(0, 2 * np.pi, 200_001)
    polygon = np.hypot(np.diff(np.sin(t)), np.diff(np.sin(2 * t))).sum()
    assert known_answers.eight_length(1.0, 1.0) == pytest.approx(polygon, rel=1e-8)


def test_line_speed_is_two_lengths_a_stroke():
    t = (np.arange(10_000) + 0.5) / 10_000
    speed = np.abs(0.5 * 0.06 * 2 * np.pi * 3.0 * np.cos(2 * np.pi * t))
    assert motion.line_mean_speed(0.06, 3.0) == pytest.approx(speed.mean(), rel=1e-7)
    assert np.sqrt((speed**2).mean()) / speed.mean() == pytest.approx(
        known_answers.line_rms_over_mean(), rel=1e-7
    )


def test_covered_share():
    # derived and confirmed independently: R = 1, c = 1/3, rho = 1
    assert motion.covered_share(1.0, 1 / 3, 1.0) == pytest.approx(0.44669962, abs=5e-9)
    angle = 2 * np.pi * (np.arange(200_000) + 0.5) / 200_000
    for rho in (0.3, 0.8, 1.0, 1.2):
        slow = (np.abs(rho - np.exp(1j * angle) / 3) < 1).mean()
        assert motion.covered_share(rho, 1 / 3, 1.0) == pytest.approx(slow, abs=2e-5)
    assert motion.covered_share(0.0, 1 / 3, 1.0) == 1.0
    assert motion.covered_share(1.5, 1 / 3, 1.0) == 0.0
