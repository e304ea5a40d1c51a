"""Settling closed forms against the checks page and against a direct balance on a fine grid."""

import known_answers
import numpy as np
import pytest

from lapwright.verification import closed_forms as settling


@pytest.mark.parametrize(
    ("eccentricity", "peak", "share"),
    [
        (0.25, 2.0, 1.0),  # derived and confirmed independently; all of it
        (0.30, 2.210560, None),
        (0.50, 3.559872, 0.647743),
        (3 * np.pi / 16, 1.5 * np.pi, 0.5),
        (0.70, 7.428322, None),
    ],
)
def test_disc_under_eccentric_load(eccentricity, peak, share):
    k, bears = settling.disc_peak(eccentricity)
    assert k == pytest.approx(peak, abs=6e-7)
    if share is not None:
        assert bears == pytest.approx(share, abs=6e-7)


def test_roarks_table_is_the_same_but_rounded():
    # Roark's Formulas for Stress and Strain, from memory: 2.20 and 3.55
    assert abs(settling.disc_peak(0.30)[0] - 2.20) < 0.02
    assert abs(settling.disc_peak(0.50)[0] - 3.55) < 0.02


def test_disc_peak_balances_force_and_moment():
    n = 1500
    side = (np.arange(n) + 0.5) / n * 2 - 1
    x, y = np.meshgrid(side, side)
    k, share = settling.disc_peak(0.6)
    # The loaded edge follows from the peak and the share alone if the pressure is a clipped plane.
    inside = x**2 + y**2 < 1
    edge = np.sort(x[inside])[int((1 - share) * inside.sum())]
    p = np.where(inside, np.maximum(0, x - edge), 0) * k / (1 - edge)
    assert p.sum() * (2 / n) ** 2 == pytest.approx(np.pi, rel=2e-3)  # k is in means over the disc
    assert (p * x).sum() / p.sum() == pytest.approx(0.6, rel=1e-3)


def test_eccentricity_outside_the_disc_is_refused():
    with pytest.raises(ValueError, match=r"0 \.\. 1"):
        settling.disc_peak(1.0)
    with pytest.raises(ValueError, match="1/2"):
        settling.rectangle_peak(float("nan"))


def test_kerns():
    assert settling.disc_kern(80.0) == 20.0
    assert settling.ring_kern(80.0, 40.0) == pytest.approx(25.0)  # textbook, from memory
    assert settling.ring_kern(80.0, 0.0) == settling.disc_kern(80.0)
    assert known_answers.rectangle_kern(60.0) == pytest.approx(10.0)
    # A ring whose edge just bears: p = 1 + x / Ro about the axis.
    n, bore = 1500, 0.5
    side = (np.arange(n) + 0.5) / n * 2 - 1
    x, y = np.meshgrid(side, side)
    p = np.where((np.hypot(x, y) < 1) & (np.hypot(x, y) > bore), 1 + x, 0)
    assert (p * x).sum() / p.sum() == pytest.approx(settling.ring_kern(1.0, bore), rel=1e-3)


def test_rectangle():
    # textbook result, from memory: 1 + 6 e / b to b/6, then 4 / (3 (1 - 2 e / b))
    assert settling.rectangle_peak(0.1) == pytest.approx(1.6)
    assert settling.rectangle_peak(1 / 6) == pytest.approx(2.0)
    assert settling.rectangle_peak(0.25) == pytest.approx(8 / 3)
    assert settling.rectangle_peak(1 / 6 - 1e-9) == pytest.approx(
        settling.rectangle_peak(1 / 6 + 1e-9)
    )


def test_square_on_its_diagonal():
    # textbook result: 6, half in contact; balanced here on a triangle of points
    n = 1000
    side = (np.arange(n) + 0.5) / n - 0.5
    x, y = np.meshgrid(side, side)
    k, share = settling.square_diagonal_peak()
    p = np.maximum(0, x + y) * k  # reaches k at the corner (1/2, 1/2)
    assert p.mean() == pytest.approx(1.0, rel=2e-3)
    assert (p * x).mean() == pytest.approx(0.25, rel=2e-3)
    assert (p > 0).mean() == pytest.approx(share, abs=2e-3)


def test_lift_off_of_flat_faces():
    # derived and confirmed independently
    assert settling.square_lift_off() == (0.25, pytest.approx(2.6667, abs=5e-5))
    offset, peak = settling.disc_lift_off()
    assert offset == pytest.approx(0.3929023, abs=5e-8)
    assert peak == pytest.approx(2.66138, abs=5e-6)
