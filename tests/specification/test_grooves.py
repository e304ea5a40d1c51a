"""Land fractions against areas known in closed form, wherever the grid falls."""

from math import pi, sqrt

import numpy as np
import pytest

from lapwright.specification.grooves import Grid, Grooves, land_fraction
from lapwright.specification.outline import Disc, Rectangle, Ring

OUTLINES = {
    "disc": Disc(0.16),
    "ring": Ring(0.08, 0.05),
    "rail": Rectangle(0.3, 0.05),
    "upright": Rectangle(0.05, 0.07),
}


def area(outline, grooves=None, cells=64, inset=0.0):
    grid = Grid.over(*outline.size, cells)
    land = land_fraction(grid, outline, grooves, inset)
    assert land.min() >= 0.0
    assert land.max() <= 1.0
    return land.sum() * grid.cell**2


def counted(outline, grooves, side=1e-4):
    """Area of the land by counting points `side` apart, shifted off every symmetry."""
    left = outline.shrunk(grooves.rim)
    width, height = outline.size
    x, y = np.meshgrid(
        np.arange(-width / 2, width / 2, side) + 0.37 * side,
        np.arange(-height / 2, height / 2, side) + 0.61 * side,
    )
    return (
        np.count_nonzero((left.signed_distance(x, y) < 0.0) & (grooves.distance(x, y) > 0.0))
        * side**2
    )


@pytest.mark.parametrize("cells", [32, 47, 64, 101, 128])
@pytest.mark.parametrize("name", OUTLINES)
def test_area_of_an_outline(name, cells):
    outline = OUTLINES[name]
    assert area(outline, cells=cells) == pytest.approx(outline.area, rel=1e-3)


@pytest.mark.parametrize("inset", [0.0007, 0.0013, 0.0032, 0.005])
@pytest.mark.parametrize("name", OUTLINES)
def test_area_inside_a_margin(name, inset):
    # the margin moves inwards from a bore too
    outline = OUTLINES[name]
    assert area(outline, inset=inset) == pytest.approx(outline.shrunk(inset).area, rel=1e-3)


@pytest.mark.always(*range(0, 12, 5))
@pytest.mark.parametrize("angle", [0.0, 0.2, pi / 4])
@pytest.mark.parametrize("cells", [64, 65, 90, 128])
def test_square_and_triangular_land(cells, angle):
    # 2 mm grooves, cells from 2.5 mm down; the round rim cuts the pattern anyhow, so points are counted
    for pattern in ("square", "triangle"):
        grooves = Grooves(pattern, 0.012, 0.002, angle, rim=0.003)
        assert area(Disc(0.16), grooves, cells) == pytest.approx(
            counted(Disc(0.16), grooves), rel=3e-3
        )


def test_share_of_land_of_each_pattern():
    # closed forms: squares of side p - w; triangles of inradius p/3 - w/2 out of p/3.  Big plate: edge small
    plate, pitch, width = Disc(0.6), 0.012, 0.002
    squares = (1.0 - width / pitch) ** 2
    triangles = (1.0 - 1.5 * width / pitch) ** 2
    assert area(plate, Grooves("square", pitch, width), 400) == pytest.approx(
        squares * plate.area, rel=2e-3
    )
    assert area(plate, Grooves("triangle", pitch, width), 400) == pytest.approx(
        triangles * plate.area, rel=4e-3
    )


def test_ring_grooves_in_closed_form():
    # six grooves of radii 12 ... 72 mm: 2 pi r w each
    taken = sum(2.0 * pi * 0.012 * k * 0.002 for k in range(1, 7))
    want = Disc(0.16).area - taken
    for cells in (64, 77, 128):
        assert area(Disc(0.16), Grooves("rings", 0.012, 0.002), cells) == pytest.approx(
            want, rel=3e-3
        )


@pytest.mark.parametrize("count", [1, 3, 8, 12])
def test_radial_grooves_in_closed_form(count):
    # over a ring whose bore is clear of the crossing in the middle: strips between two circles, by calculus
    ring, width = Ring(0.16, 0.04), 0.002
    strip = 0.0  # area of a strip of this width between the two circles
    for r, sign in ((0.08, 1.0), (0.02, -1.0)):
        h = width / 2
        strip += sign * (h * sqrt(r * r - h * h) + r * r * np.arcsin(h / r))
    want = ring.area - count * strip
    for angle in (0.0, 0.3):
        grooves = Grooves("radial", 0.0, width, angle, count=count)
        assert area(ring, grooves, 64) == pytest.approx(want, rel=3e-3)


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.5, 0.8])
def test_the_grid_may_fall_anywhere(shift):
    # the same 64 square lands under grids shifted by parts of a cell
    grooves = Grooves("square", 0.012, 0.002)
    outline = Rectangle(0.096, 0.096)
    cell = 0.0025
    grid = Grid(42, 42, cell)

    class Moved:
        def shrunk(self, distance):
            return self

        def signed_distance(self, x, y):
            return outline.signed_distance(x - shift * cell, y + 0.4 * shift * cell)

    class MovedGrooves:
        rim = 0.0

        def distance(self, x, y):
            return grooves.distance(x - shift * cell, y + 0.4 * shift * cell)

    land = land_fraction(grid, Moved(), MovedGrooves())
    assert land.sum() * cell**2 == pytest.approx(64 * 0.010**2, rel=3e-3)


def test_rim_and_margin_add():
    grooves = Grooves("rings", 0.2, 0.002, rim=0.003)
    assert area(Disc(0.16), grooves, 128, inset=0.002) == pytest.approx(Disc(0.15).area, rel=1e-3)
    assert area(Ring(0.08, 0.05), grooves, 128) == pytest.approx(Ring(0.074, 0.056).area, rel=1e-3)


def test_nothing_left():
    assert area(Disc(0.16), None, inset=0.09) == 0.0
    assert area(Ring(0.08, 0.05), None, inset=0.0075) == 0.0


def test_where_grooves_run():
    # read off the definition, looking at the face
    def on_land(grooves, x, y):
        return bool(grooves.distance(np.array(x), np.array(y)) > 0.0)

    square = Grooves("square", 0.012, 0.002)
    assert on_land(square, 0.0, 0.0)
    assert not on_land(square, 0.006, 0.0)
    assert not on_land(square, 0.0, -0.006)
    turned = Grooves("square", 0.012, 0.002, angle=pi / 4)
    assert not on_land(turned, 0.006 * sqrt(0.5), 0.006 * sqrt(0.5))
    assert on_land(turned, 0.006, 0.0)
    rings = Grooves("rings", 0.012, 0.002)
    assert on_land(rings, 0.0, 0.0)
    assert not on_land(rings, 0.0, 0.012)
    radial = Grooves("radial", 0.0, 0.002, angle=0.5 * pi, count=3)
    assert not on_land(radial, 0.0, 0.05)
    assert on_land(radial, 0.0, -0.05)
    triangle = Grooves("triangle", 0.012, 0.002)
    assert triangle.distance(np.array(0.0), np.array(0.0)) == pytest.approx(0.012 / 3 - 0.001)


def test_triangular_grooves_cross_in_threes():
    # a corner of the middle triangle lies 2/3 pitch from its centre, on all three families
    triangle = Grooves("triangle", 0.012, 0.002)
    x, y = 0.008 * np.cos([pi / 3, pi, -pi / 3]), 0.008 * np.sin([pi / 3, pi, -pi / 3])
    np.testing.assert_allclose(triangle.distance(x, y), -0.001, atol=1e-15)
    around = np.linspace(0.0, 2.0 * pi, 721)
    # six grooves leave the corner: the sign changes twelve times round it (land lies between two grooves)
    ring = triangle.distance(x[0] + 0.0045 * np.cos(around), y[0] + 0.0045 * np.sin(around))
    assert np.count_nonzero(np.diff(np.sign(ring))) == 12


@pytest.mark.parametrize("pattern", [None, "square", "rings"])
@pytest.mark.parametrize("cells", [63, 64])
def test_turned_and_mirrored_land_is_the_same(pattern, cells):
    grooves = Grooves(pattern, 0.012, 0.002, rim=0.003) if pattern else None
    land = land_fraction(Grid.over(0.16, 0.16, cells), Disc(0.16), grooves)
    np.testing.assert_allclose(np.rot90(land), land, atol=1e-13)
    np.testing.assert_allclose(land[:, ::-1], land, atol=1e-13)


def test_the_angle_turns_anticlockwise():
    grid = Grid.over(0.16, 0.16, 64)
    first = land_fraction(grid, Disc(0.16), Grooves("radial", 0.0, 0.004, 0.0, count=1))
    turned = land_fraction(grid, Disc(0.16), Grooves("radial", 0.0, 0.004, 0.5 * pi, count=1))
    # row 0 is the lowest y, so anticlockwise is a clockwise turn of the array as printed
    np.testing.assert_allclose(np.rot90(first, -1), turned, atol=1e-12)
    assert turned[50, 31] < 0.5 < turned[13, 31]
