"""The curves: their lengths, their means by arc length, and that velocity is the change of position."""

from math import pi

import numpy as np
import pytest
from known_answers import path_means

from lapwright.specification.curves import (
    Circle,
    Ellipse,
    FigureEight,
    Line,
    Rosette,
    Still,
    Zigzag,
    arc_moments,
    path_length,
)

CURVES = [
    Still(),
    Circle(0.03),
    Ellipse(0.05, 0.02),
    Line(0.06),
    FigureEight(0.053, 0.027),
    Zigzag(0.05, 0.02),
    Zigzag(0.05, 0.02, passes=7),
    Rosette(0.03, 0.01, 5),
    Rosette(0.03, 0.01, -4),
]


@pytest.mark.parametrize("curve", CURVES, ids=repr)
def test_velocity_is_the_change_of_position(curve):
    # Away from the corners of the zigzag's traverse; central differences are of second order.
    phi = np.linspace(0.1, 2.0 * pi * curve.period - 0.1, 37)
    h = 1e-5
    rate = (curve.position(phi + h) - curve.position(phi - h)) / (2.0 * h)
    assert np.abs(rate - curve.velocity(phi)).max() < 1e-9


@pytest.mark.parametrize("curve", CURVES, ids=repr)
def test_a_curve_closes_after_its_period(curve):
    phi = np.linspace(0.0, 6.0, 11)
    later = curve.position(phi + 2.0 * pi * curve.period)
    assert later == pytest.approx(curve.position(phi), abs=1e-14)


@pytest.mark.parametrize(
    ("curve", "length"),
    [
        # Figure-eight x = sin t, y = b sin 2t, and an ellipse of half axes 1 and 0.5: quadrature to 12
        # digits, derived and confirmed independently (the ellipse is 4 E(3/4), tables of elliptic integrals).
        (FigureEight(2.0, 2.0), 9.42943129694),
        (FigureEight(2.0, 1.0), 6.0972234701),
        (Ellipse(2.0, 1.0), 4.84422411027),
        (Circle(1.0), 2.0 * pi),
        (Line(1.0), 2.0),
        # The speed is |1 + exp(2 i phi)| = 2 |cos phi|: a nephroid, which comes to two points (derived).
        (Rosette(1.0, 1.0 / 3.0, 3), 8.0),
        (Still(), 0.0),
    ],
    ids=repr,
)
def test_path_lengths(curve, length):
    assert path_length(curve) == pytest.approx(length, rel=1e-10, abs=1e-15)


def test_a_zigzag_without_width_is_as_long_as_its_lines():
    assert path_length(Zigzag(0.05, 0.0, passes=10)) == pytest.approx(10 * 2 * 0.05, rel=1e-12)


def test_a_zigzag_agrees_with_a_polyline():
    curve = Zigzag(0.05, 0.03, passes=3)
    points = curve.position(np.linspace(0.0, 6.0 * pi, 300_001))
    walked = np.hypot(*np.diff(points, axis=0).T).sum()
    assert path_length(curve) == pytest.approx(walked, rel=1e-8)


def test_a_sinusoidal_line_has_mean_speed_2_s_f_and_rms_over_mean_pi_over_root_8():
    # Mean speed of a line of length S at f strokes a second is 2 S f; rms / mean is pi / sqrt 8 (derived).
    phi = 2.0 * pi * (np.arange(4096) + 0.5) / 4096
    speed = np.abs(Line(0.06).velocity(phi)[:, 0]) * 2.0 * pi * 0.7
    assert speed.mean() == pytest.approx(2.0 * 0.06 * 0.7, rel=1e-6)
    assert np.sqrt((speed**2).mean()) / speed.mean() == pytest.approx(1.1107207345, rel=1e-6)


@pytest.mark.parametrize(
    ("curve", "square", "saddle"),
    [
        # Averages by arc length of |c|^2 and cx^2 - cy^2 (moment law; derived, confirmed independently).
        (Circle(1.0), 1.0, 0.0),
        (Line(2.0), 1.0 / 3.0, 1.0 / 3.0),
        (FigureEight(2.0, 1.0), 0.549, 0.331),
        (Ellipse(2.0, 1.0), 0.565, 0.275),
    ],
    ids=repr,
)
def test_means_by_arc_length(curve, square, saddle):
    mean = arc_moments(curve)
    assert mean[0, 0] + mean[1, 1] == pytest.approx(square, abs=5e-4)
    assert mean[0, 0] - mean[1, 1] == pytest.approx(saddle, abs=5e-4)
    assert mean[0, 1] == pytest.approx(0.0, abs=1e-12)
    # Against the trapezoid rule of the closed-form room, to more digits than are printed.
    twin = path_means(curve.position, curve.velocity, 200_000)
    assert mean[0, 0] + mean[1, 1] == pytest.approx(twin.square, rel=1e-8)


def test_a_still_top_has_no_path():
    assert not arc_moments(Still()).any()


def test_a_zigzag_of_broken_passes_closes_when_both_are_back():
    assert Zigzag(0.05, 0.02, passes=2.5).period == 5.0
    assert Zigzag(0.05, 0.02, passes=10).period == 10.0
