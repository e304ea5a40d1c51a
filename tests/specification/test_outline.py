"""Outlines: exact distances, sizes, and what is left when the edge moves inwards."""

from math import cos, hypot, pi, sin

import numpy as np
import pytest

from lapwright.specification.outline import Disc, Rectangle, Ring

ALL = [Disc(0.16), Ring(0.08, 0.05), Rectangle(0.3, 0.05), Rectangle(0.04, 0.05)]


def edge_points(outline, number=4000):
    """Points on every edge, (k, 2), drawn without the outline's own formulas."""
    angle = 2.0 * pi * np.arange(number) / number
    circle = np.stack([np.cos(angle), np.sin(angle)], 1)
    if isinstance(outline, Rectangle):
        side = np.linspace(-0.5, 0.5, number // 4)
        along, across = outline.size
        return np.concatenate(
            [np.stack([side * along, np.full(side.size, s * across / 2)], 1) for s in (-1, 1)]
            + [np.stack([np.full(side.size, s * along / 2), side * across], 1) for s in (-1, 1)]
        )
    rims = [0.5 * outline.size[0] * circle]
    return np.concatenate([*rims, 0.5 * outline.bore * circle]) if outline.bore else rims[0]


@pytest.mark.parametrize("outline", ALL, ids=str)
def test_signed_distance_is_the_distance_to_the_nearest_edge(outline):
    rng = np.random.default_rng(5)
    points = rng.uniform(-0.7, 0.7, (300, 2)) * np.array(outline.size)
    edge = edge_points(outline)
    nearest = np.min(np.hypot(*(points[:, None, :] - edge).transpose(2, 0, 1)), axis=1)
    got = outline.signed_distance(points[:, 0], points[:, 1])
    # edge points up to 0.1 mm apart: a distance d is read long by up to (0.05 mm)^2 / 2d, at most 0.1 mm
    np.testing.assert_allclose(np.abs(got), nearest, atol=1e-4)
    assert np.all(np.abs(got) <= nearest + 1e-12)


@pytest.mark.parametrize("outline", ALL, ids=str)
def test_area_is_where_the_distance_is_negative(outline):
    side = max(outline.size) / 1000
    x, y = np.meshgrid(*(np.arange(-0.5 * s, 0.5 * s, side) + 0.4 * side for s in outline.size))
    inside = np.count_nonzero(outline.signed_distance(x, y) < 0.0) * side**2
    assert inside == pytest.approx(outline.area, rel=5e-3)


def test_the_bore_is_outside_the_metal():
    ring = Ring(0.08, 0.05)
    got = ring.signed_distance(np.array([0.0, 0.02, 0.025, 0.03, 0.0325, 0.04, 0.05]), np.zeros(7))
    np.testing.assert_allclose(got, [0.025, 0.005, 0.0, -0.005, -0.0075, 0.0, 0.01], atol=1e-15)


def test_sizes():
    assert [o.smaller for o in ALL] == [0.16, 0.08, 0.05, 0.04]
    assert [o.land_width for o in ALL] == [0.16, 0.015, 0.05, 0.04]
    assert [o.bore for o in ALL] == [0.0, 0.05, 0.0, 0.0]
    assert [o.size for o in ALL] == [(0.16, 0.16), (0.08, 0.08), (0.3, 0.05), (0.04, 0.05)]
    np.testing.assert_allclose(
        [o.radius for o in ALL], [0.08, 0.04, hypot(0.15, 0.025), hypot(0.02, 0.025)]
    )


def test_long_means_longer_than_1_3_to_1():
    assert not Disc(0.16).long
    assert not Ring(0.08, 0.05).long
    assert not Rectangle(0.13, 0.1).long
    assert not Rectangle(0.1, 0.13).long
    assert Rectangle(0.1301, 0.1).long
    assert Rectangle(0.1, 0.1301).long


@pytest.mark.parametrize("outline", ALL, ids=str)
@pytest.mark.parametrize("distance", [0.001, 0.004])
def test_shrunk_moves_every_edge_inwards(outline, distance):
    x, y = np.random.default_rng(1).uniform(-0.16, 0.16, (2, 500))
    was, now = outline.signed_distance(x, y), outline.shrunk(distance).signed_distance(x, y)
    inside = was < -distance
    assert inside.any()
    np.testing.assert_array_equal(now < 0.0, inside)
    np.testing.assert_allclose(now[inside], was[inside] + distance, atol=1e-15)


def test_shrunk_to_nothing():
    assert Disc(0.16).shrunk(0.08) is None
    assert Ring(0.08, 0.05).shrunk(0.0075) is None
    assert Rectangle(0.3, 0.05).shrunk(0.025) is None
    assert Disc(0.16).shrunk(0.0) == Disc(0.16)


@pytest.mark.parametrize("outline", ALL, ids=str)
def test_polygon_and_width(outline):
    corners = outline.polygon(720)
    x, y = corners.T
    area = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)  # anticlockwise: positive
    assert area == pytest.approx(outline.area + 0.25 * pi * outline.bore**2, rel=1e-9)
    for direction in (0.0, 0.3, pi / 2, 2.5, -1.0):
        shadow = np.ptp(corners @ [cos(direction), sin(direction)])
        assert outline.width_along(direction) == pytest.approx(shadow, rel=2e-5)
