"""Edges that lie on each other all the time: what they share is exact wherever they fall among cells.

Like bodies on each other, moved along their edges: at each point across them the same pressure for the same
time, so that nothing across may change (derived).
"""

from math import pi

import numpy as np
import pytest
from kernel_doors import gather

from lapwright.contact.average import Pair
from lapwright.contact.lay import face_of, scratch
from lapwright.contact.placement import PlacedPlate
from lapwright.contact.pressure import settle
from lapwright.metrology.form import forms
from lapwright.specification.curves import Circle, Line, Still
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.step import Turn
from lapwright.verification.contact_rows import crowns, edges_rows
from lapwright.verification.scenes import (
    NO_MARGIN,
    RADIUS,
    at_stroke,
    body,
    disc,
    even_stroke,
    last,
    plain_grit,
    start_step,
)


@pytest.mark.campaign
def test_rows():
    assert not [row for row in edges_rows() if not row.ok]


@pytest.mark.parametrize("cells", [60, 91, 101, 120, 131, 199, 256])
def test_a_bar_on_its_like_keeps_its_crown(cells):
    assert np.abs(crowns(cells)).max() < 2e-9


def long_form(*cells):
    return [
        pytest.param(n, marks=pytest.mark.campaign if n < 150 else pytest.mark.long) for n in cells
    ]


@pytest.mark.parametrize(
    ("of_top", "cells"),
    [
        (96, 128),
        (131, 101),
        *(pytest.param(*n, marks=pytest.mark.campaign) for n in [(120, 128), (64, 200)]),
    ],
)
def test_bars_of_unlike_cells_keep_their_crowns(of_top, cells):
    assert np.abs(crowns(cells, of_top)).max() < 2e-9


@pytest.mark.parametrize(("of_top", "cells"), [(96, 128), (128, 96), (101, 131)])
def test_rows_of_cells_along_bars_of_unlike_cells_rub_alike(of_top, cells):
    top, bottom = (body(k, Rectangle(0.3, 0.04), 36.0, n) for k, n in (("A", of_top), ("B", cells)))
    for rate in rates(top, bottom, Line(0.1)):
        assert (
            np.abs(rate / rate[rate.shape[0] // 2] - 1.0).max() < 2e-4
        )  # corners read between cells: 0.05


def rates(top, bottom, curve, **more):
    """Pressure x speed on both faces, flat, over its mean on whole cells."""
    step = start_step(curve=curve, **more)
    pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
    average = pair.average(bottom.heights(), top.heights(), even_stroke(step, top.weight))
    return average.bottom, average.top


@pytest.mark.parametrize("cells", [60, 67, 101, 128])
@pytest.mark.parametrize("stroke", [0.1, 0.009])
def test_rows_of_cells_along_a_bar_rub_alike(cells, stroke):
    # 0.009 m is less than six cells, so that faces are read between cells
    top, bottom = (body(n, Rectangle(0.3, 0.04), 36.0, cells) for n in "AB")
    for rate in rates(top, bottom, Line(stroke)):
        assert np.abs(rate / rate[rate.shape[0] // 2] - 1.0).max() < 2e-3 * (stroke < 0.05) + 1e-12


@pytest.mark.always("60", "61")
@pytest.mark.parametrize("cells", [60, 61, 128, *long_form(75, 91, 101, 113, 150, 199, 256)])
def test_grooves_on_grooves(cells):
    """A bar with 2 mm grooves each way on its like; in some of these grids a groove lies in one cell."""
    grooves = Grooves("square", 0.012, 0.002)
    top, bottom = (body(n, Rectangle(0.3, 0.04), 36.0, cells, grooves=grooves) for n in "AB")
    end = last((top, bottom), start_step(grit=plain_grit(2.4e-12, 0.75e-6), curve=Line(0.1)))
    for plate in (top, bottom):
        assert abs(forms(plate, end.heights[plate.name], NO_MARGIN).as_dict()["crown"]) < 2e-9


@pytest.mark.always("None-61")
@pytest.mark.parametrize("cells", [61, *long_form(60, 75, 101, 131, 256)])
@pytest.mark.parametrize("grooves", [None, Grooves("square", 0.012, 0.002)])
def test_squares_keep_nothing_across_a_stroke_along_a_side(cells, grooves):
    top, bottom = (body(n, Rectangle(0.15, 0.15), 67.5, cells, grooves=grooves) for n in "AB")
    end = last((top, bottom), start_step(grit=plain_grit(2.4e-12, 0.75e-6), curve=Line(0.05)))
    for plate in (top, bottom):
        form = forms(plate, end.heights[plate.name], NO_MARGIN)
        assert abs(form.sphere) > 1e-7
        assert abs(form.sphere + 0.5 * form.saddle) < 2e-9  # what is left of y^2
        assert abs(form.twist) < 2e-9


NARROW = {
    "square": Grooves("square", 0.012, 0.002),
    "rings": Grooves("rings", 0.012, 0.001),
    "radial": Grooves("radial", 0.0, 0.002, count=12),
}


@pytest.mark.parametrize("name", NARROW)
@pytest.mark.parametrize("theta", [0.0, 0.3])
@pytest.mark.parametrize("cells", [64, *long_form(100, 128, 160)])
def test_narrow_grooves_are_read_with_the_land_they_leave(name, theta, cells):
    """A small disc on a grooved plate: the land in common is the same from either side.

    Read from cell to cell, the side that reads the grooves had 0.6 to 3.5 % too much.
    """
    bottom = body("B", Disc(0.16), 60.0, cells, grooves=NARROW[name])
    top = body("A", Disc(0.12), 60.0, round(0.75 * cells))
    below, above = PlacedPlate(bottom, over=False), PlacedPlate(top, over=True)
    faces = [face_of(laid.face(plate.heights())) for laid, plate in ((below, bottom), (above, top))]
    rows, _ = scratch(*faces)
    cos, sin = np.cos(theta), np.sin(theta)

    def land(own, other, x, y, turned):
        used = gather(own, other, x, y, cos, turned, 0.0, 0.0, RADIUS, rows)
        return sum(
            rows.share[rows.first[r] : rows.first[r] + rows.length[r]].sum() for r in range(used)
        )

    ratios = []
    for k in range(24):
        far, angle = 0.015 * np.sqrt(k / 24), 2.4 * k
        x, y = far * np.cos(angle), far * np.sin(angle)
        from_below = land(faces[0], faces[1], x, y, sin)
        from_above = land(faces[1], faces[0], -cos * x - sin * y, sin * x - cos * y, -sin)
        ratios.append(from_above / from_below)
    assert np.mean(ratios) == pytest.approx(1.0, abs=5e-3)


@pytest.mark.parametrize("cells", [64, 77, 90])
def test_a_ring_turning_on_its_like(cells):
    """Both rims lie on each other at every angle: pressure is even, so wear goes with the radius alone."""
    ring = Ring(0.16, 0.08)
    top, bottom = (body(n, ring, 60.0, cells) for n in "AB")
    x, y = bottom.grid.mesh()
    for rate in rates(top, bottom, Still(), turn=Turn(1.7)):
        on = bottom.land > 0.3
        share = rate[on] / np.hypot(x, y)[on]
        assert np.abs(share / np.median(share) - 1.0).max() < 0.02


@pytest.mark.campaign
def test_overlap_of_two_discs_is_of_second_order():
    """Area in common of two equal discs 0.2 R apart against the lens in closed form."""
    off = []

    def lens(c):  # two equal circles c apart
        return 2.0 * RADIUS**2 * np.arccos(c / (2.0 * RADIUS)) - 0.5 * c * np.sqrt(
            4.0 * RADIUS**2 - c * c
        )

    for cells in (32, 64, 128):
        top, bottom = disc("A", cells), disc("B", cells)
        errors = []
        for radius in np.linspace(0.19, 0.21, 9):
            step = start_step(curve=Circle(radius * RADIUS))
            pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
            contact = settle(pair, bottom.heights(), top.heights(), at_stroke(step, pair, 0.11))
            errors.append(contact.overlap / lens(radius * RADIUS) - 1.0)
        off.append(np.abs(errors).mean())
    assert off[2] < 2e-4
    assert off[0] / off[2] > 8.0


@pytest.mark.campaign
def test_shares_of_the_removal_do_not_depend_on_the_grid():
    """Mean removal of a grooved pair is load times path over land, wherever the grid falls (Preston)."""
    grooves = Grooves("square", 0.012, 0.002, angle=0.2)
    for cells in (64, 70, 81, 101):
        top, bottom = (
            body(n, Disc(0.16), 3000.0 * pi * RADIUS**2, cells, grooves=grooves) for n in "AB"
        )
        fine = body("C", Disc(0.16), 1.0, 400, grooves=grooves)
        for plate, rate in zip((bottom, top), rates(top, bottom, Circle(0.02)), strict=True):
            mean = (plate.land * rate).sum() / plate.land.sum()
            due = top.weight * 2.0 * pi * 0.02 / fine.land_area
            assert mean == pytest.approx(due, rel=5e-3)
