"""Minimum zone (ISO 1101, ISO 12781-1) against known faces (check 18) and a general linear programme."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linprog

from lapwright.metrology import flatness
from lapwright.metrology.flatness import minimum_zone
from lapwright.verification.closed_forms import KNOWN_FACES, stations


def slow_zone(x, y, z):
    """The whole linear programme at once: least width w with |z - plane| <= w/2 at every point."""
    reach = np.ptp(z)
    size = max(np.ptp(x), np.ptp(y))
    plane = np.stack([np.ones_like(x), (x - x.mean()) / size, (y - y.mean()) / size], 1)
    half = np.full((x.size, 1), 0.5)
    rows = np.vstack([np.hstack([plane, -half]), np.hstack([-plane, -half])])
    heights = (z - z.mean()) / reach
    tight = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    found = linprog(
        [0, 0, 0, 1],
        A_ub=rows,
        b_ub=np.concatenate([heights, -heights]),
        bounds=[(None, None)] * 3 + [(0, None)],
        method="highs-ds",
        options=tight,
    )
    assert found.success
    return found.fun * reach


def square(n):
    side = np.linspace(-1.0, 1.0, n)
    x, y = np.meshgrid(side, side)
    return x.ravel(), y.ravel()


def disc(n):
    x, y = square(n)
    on = np.hypot(x, y) <= 1.0
    return x[on], y[on]


FACES = {
    "dome": lambda x, y: -(x * x + y * y),
    "saddle": lambda x, y: x * x - y * y,
    "twist": lambda x, y: 2.0 * x * y,
    "cubic": lambda x, y: x**3 - 3.0 * x * y * y,
    "coma": lambda x, y: x * (x * x + y * y),
    "cylinder": lambda x, y: x * x,
    "ridge": lambda x, y: np.abs(x),
    "steps": lambda x, y: np.round(3.0 * (x * x + 0.3 * y * y)),
    "noise": lambda x, y: np.random.default_rng(1).normal(size=x.size),
    "noisy dome": lambda x, y: (
        0.01 * np.random.default_rng(2).normal(size=x.size) - (x * x + y * y)
    ),
    "two levels": lambda x, y: np.random.default_rng(3).integers(0, 2, x.size).astype(float),
}


@pytest.mark.parametrize("face", KNOWN_FACES, ids=lambda f: f.name)
def test_known_faces(face):
    # metrology textbooks (from memory) and symmetry, see sim/lapwright/verification/closed_forms.py
    assert minimum_zone(face.x, face.y, face.z) == pytest.approx(face.zone, rel=1e-9)


@pytest.mark.parametrize("where", [square(21), disc(33)], ids=["square", "disc"])
@pytest.mark.parametrize("name", FACES)
def test_the_exchange_finds_what_the_whole_programme_finds(name, where):
    x, y = where
    z = FACES[name](x, y)
    assert minimum_zone(x, y, z) == pytest.approx(slow_zone(x, y, z), abs=1e-9 * np.ptp(z))


@pytest.mark.parametrize("name", FACES)
def test_the_exchange_ends_by_itself(name, monkeypatch):
    # the general solver is for points on a line; a plate of 128 cells must not need it, nor many exchanges
    def refuse(points, heights):
        raise AssertionError("the exchange gave up")

    monkeypatch.setattr(flatness, "_programme", refuse)
    monkeypatch.setattr(flatness, "MOST_EXCHANGES", 60)
    x, y = disc(128)
    z = FACES[name](x, y)
    width = minimum_zone(x, y, z)
    plane = np.stack([np.ones_like(x), x, y], 1)
    assert (
        0.0 < width <= np.ptp(z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]) * (1.0 + 1e-9)
    )


@settings(max_examples=60, deadline=None)
@given(arrays(np.int64, (4, 5), elements=st.integers(-3, 3)))
def test_ties_without_number(rows):
    # heights of a few levels on a small grid: as degenerate as can be
    y, x = np.mgrid[0.0:4.0, 0.0:5.0]
    x, y, z = x.ravel(), y.ravel(), rows.ravel().astype(float)
    want = slow_zone(x, y, z) if np.ptp(z) > 0.0 else 0.0
    assert minimum_zone(x, y, z) == pytest.approx(want, abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 40))
def test_scattered_points(seed, n):
    x, y, z = np.random.default_rng(seed).normal(size=(3, n))
    assert minimum_zone(x, y, z) == pytest.approx(slow_zone(x, y, z), abs=1e-9 * np.ptp(z))


def test_the_zone_does_not_see_tilt_place_or_scale():
    x, y = disc(33)
    z = FACES["noisy dome"](x, y)
    plain = minimum_zone(x, y, z)
    moved = minimum_zone(0.08 * x + 5.0, 0.08 * y - 3.0, 1e-6 * z + 3e-6 * x - 2e-6 * y + 1e-3)
    # heights about a millimetre up, held in double precision: 2e-19 m
    assert moved == pytest.approx(1e-6 * plain, rel=1e-10)
    assert minimum_zone(x, y, -z) == pytest.approx(plain, rel=1e-12)


def test_a_real_plate():
    # J. C. Moody 1955, misprints corrected by B. Allen 2019 (check 19), in microinches
    x, y, z = stations()
    assert x.size == 126
    assert np.ptp(z) / 25.4e-9 == pytest.approx(178.411, abs=5e-4)
    assert np.ptp(z) * 1e6 == pytest.approx(4.53165, abs=5e-6)
    assert minimum_zone(x, y, z) / 25.4e-9 == pytest.approx(163.6731, abs=5e-5)
    plane = np.stack([np.ones_like(x), x, y], 1)
    left = z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]
    assert np.ptp(left) / 25.4e-9 == pytest.approx(175.3715, abs=5e-5)
    assert slow_zone(x, y, z) == pytest.approx(minimum_zone(x, y, z), rel=1e-9)


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["dome", "saddle", "noise"])
def test_a_fine_map_is_quick_and_right(name, monkeypatch):
    # 65536 points; the whole linear programme, which ours must not fall back on, and few looks over them all
    x, y = square(256)
    z = FACES[name](x, y)
    looks, largest = [], np.argmax

    def counted(values):
        looks.extend([1] if values.size == x.size else [])
        return largest(values)

    with monkeypatch.context() as patch:
        patch.setattr(flatness, "_programme", None)
        patch.setattr(np, "argmax", counted)
        width = minimum_zone(x, y, z)
    assert 0 < len(looks) <= 40
    assert width == pytest.approx(slow_zone(x, y, z), rel=1e-9)


def test_few_points_and_points_on_a_line():
    one, two, three = np.zeros(1), np.array([0.0, 1.0]), np.array([0.0, 1.0, 2.0])
    assert minimum_zone(one, one, one + 5.0) == 0.0
    assert minimum_zone(two, 0.0 * two, 7.0 * two) == pytest.approx(0.0, abs=1e-12)
    # a hump of 1 over a line: half of it to either side of the line through the middle (by hand)
    assert minimum_zone(three, 2.0 * three, np.array([0.0, 1.0, 0.0])) == pytest.approx(
        1.0, rel=1e-9
    )
    # three points off a line always have a plane, four at the corners of a square half their twist
    assert minimum_zone(three, three**2, np.array([0.0, 1.0, 0.0])) == pytest.approx(0.0, abs=1e-12)
    corners = np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0])
    assert minimum_zone(*corners, np.array([0.0, 0.0, 0.0, 1.0])) == pytest.approx(0.5, rel=1e-12)


def test_no_points_or_no_heights_are_refused():
    with pytest.raises(ValueError, match="finite heights"):
        minimum_zone(np.zeros(0), np.zeros(0), np.zeros(0))
    with pytest.raises(ValueError, match="finite heights"):
        minimum_zone(np.zeros(5), np.arange(5.0), np.array([0.0, np.nan, 0.0, 1.0, 2.0]))
