"""How the top rests and both faces wear, against closed forms (checks 1, 5, 7, 8, 14-16).

The law of wear in the engine: volume balance, first wear, death of a mismatch (checks 1, 5, 8).

A ring that turns on a layer and wears into the plate clutch (check 7).

Edges that lie on each other all the time, wherever they fall among the cells.

Liquid between flooded faces.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, log, pi, radians

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import Pair
from lapwright.contact.liquid import drift_left, relaxation_time, resisting_radius
from lapwright.contact.pressure import Contact, settle
from lapwright.contact.stability import WayOut
from lapwright.integration.state import Settings
from lapwright.metrology.form import forms
from lapwright.specification.curves import Circle, FigureEight, Line, Still, path_length
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Outline, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Load, Step, Turn
from lapwright.verification import closed_forms as exact
from lapwright.verification.scenes import (
    FROM_MEMORY,
    NO_MARGIN,
    RADIUS,
    Row,
    absolute,
    at_stroke,
    body,
    derived,
    disc,
    even_stroke,
    form_of,
    last,
    plain_grit,
    relative,
    start_step,
)

CELLS = 128
FORCE = 60.0


def settling_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from discs()
    yield from rectangles()
    yield from overhangs()


def rest(
    outline: Outline,
    load_at: tuple[float, float] = (0.0, 0.0),
    centre: tuple[float, float] = (0.0, 0.0),
    below: Outline | None = None,
    cells: int = CELLS,
) -> Contact:
    """Settle a weightless flat body, on a larger one (or on `below`), under a hand's force of 60 N."""
    grit = plain_grit()
    top = body("A", outline, 1e-9 * FORCE, cells)
    # A quarter larger, with cells of the same size.
    under = below or Rectangle(1.25 * outline.size[0], 1.25 * outline.size[0])
    bottom = body("B", under, FORCE, cells if below else cells * 5 // 4)
    step = Step("A", "B", grit, Still(), centre=centre, load=Load(FORCE, load_at), time=1.0)
    pair = Pair(bottom, top, grit.layer.stiffness, top.weight + FORCE)
    return settle(pair, bottom.heights(), top.heights(), at_stroke(step, pair, 0.0))


def _peak(contact: Contact, outline: Outline) -> float:
    return contact.peak * outline.area / contact.load


def discs(cells: int = CELLS) -> Iterator[Row]:
    """A disc under an eccentric load, and kerns of disc and ring."""
    radius = 0.08
    outline = Disc(2.0 * radius)
    source = derived("clipped plane over a segment; Roark's table rounds it (from memory)")
    half = 3.0 * pi / 16.0
    for e, expected in (
        (0.25, 2.0),
        (0.30, 2.210560),
        (0.50, 3.559872),
        (half, 1.5 * pi),
        (0.70, 7.428322),
    ):
        # Off the axes too, where the cells do not help.
        at = (e * radius * np.cos(0.4), e * radius * np.sin(0.4))
        contact = rest(outline, at, cells=cells)
        yield relative(
            f"Disc, load {e:.4g} R off centre: peak over mean",
            source,
            expected,
            _peak(contact, outline),
            2e-3,
        )
        if e in (0.50, half):
            yield absolute(
                f"Disc, load {e:.4g} R off centre: share in contact",
                source,
                exact.disc_peak(e)[1],
                contact.contact_share,
                1e-3,
            )
    for name, ring, kern in (
        ("Disc", outline, exact.disc_kern(radius)),
        ("Ring", Ring(2.0 * radius, 1.2 * radius), exact.ring_kern(radius, 0.6 * radius)),
    ):
        yield absolute(
            f"{name}, load at the kern: share of the mean left at the far edge",
            "textbook: R/4; (Ro^2 + Ri^2)/(4 Ro), from memory",
            0.0,
            _least(rest(ring, (kern, 0.0), cells=cells), radius),
            2e-3,
        )


def _least(contact: Contact, radius: float) -> float:
    """Pressure at the edge away from the load over the mean: the plane of pressure carried to -radius."""
    on = contact.share > 0.99
    nx = contact.pressure.shape[1]
    x = np.broadcast_to((np.arange(nx) - 0.5 * (nx - 1)) * contact.cell, on.shape)
    slope, middle = np.polyfit(x[on], contact.pressure[on], 1)
    return float((middle - slope * radius) * contact.overlap / contact.load)


def rectangles() -> Iterator[Row]:
    """A rectangle under a load off its middle along one side, and a square on its diagonal."""
    outline = Rectangle(0.16, 0.10)
    for e in (0.1, 1.0 / 6.0, 0.25, 0.35):
        yield relative(
            f"Rectangle, load {e:.3g} b off the middle: peak over mean",
            "textbook, from memory: 1 + 6e/b, then 4 / (3 (1 - 2e/b))",
            exact.rectangle_peak(e),
            _peak(rest(outline, (0.16 * e, 0.0)), outline),
            2e-3,
        )
    square = Rectangle(0.16, 0.16)
    contact = rest(square, (0.04, 0.04))
    peak, share = exact.square_diagonal_peak()
    source = derived("half of it bears")
    yield relative(
        "Square, load a quarter side off both ways: peak over mean",
        source,
        peak,
        _peak(contact, square),
        2e-3,
    )
    yield absolute(
        "Square, load a quarter side off both ways: share in contact",
        source,
        share,
        contact.contact_share,
        4e-3,
    )


def overhangs() -> Iterator[Row]:
    """Flat equal faces, one moved over the edge of the other, the load at the top's own centre."""
    source = derived("the plane of pressure over the overlap")
    squares, discs = WayOut(Rectangle(1.0, 1.0), Rectangle(1.0, 1.0)), WayOut(Disc(2.0), Disc(2.0))
    yield relative(
        "Equal squares: overhang at lift-off, in sides",
        source,
        0.25,
        squares.overhang(squares.lift_off),
        1e-6,
    )
    yield relative(
        "Equal discs: overhang at lift-off, in radii",
        source,
        0.3929023,
        discs.overhang(discs.lift_off),
        1e-6,
    )
    for name, outline, size, (offset, peak) in (
        ("squares", Rectangle(0.16, 0.16), 0.16, exact.square_lift_off()),
        ("discs", Disc(0.16), 0.08, exact.disc_lift_off()),
    ):
        contact = rest(outline, centre=(offset * size, 0.0), below=outline)
        yield relative(
            f"Equal {name} at lift-off: peak x area of the top / W",
            source,
            peak,
            _peak(contact, outline),
            5e-3,
        )
        yield relative(
            f"Equal {name} at lift-off: peak over the mean on the overlap",
            source,
            2.0,
            contact.peak * contact.overlap / contact.load,
            5e-3,
        )


Array = NDArray[np.float64]
PRESTON = "F. W. Preston 1927, from memory; balance derived"


def wear_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    step = rough_step()
    yield relative(
        "Volume lost by both, tilted, overhanging, unequal wear: (kappa_t + kappa_b) * F * path [m3]",
        PRESTON,
        exact.lost_volume(1.3e-12, LOAD, step.total_strokes * path_length(step.curve)),
        sum(volumes_lost(step)),
        1e-8,
    )
    profiles = first_wear()
    source = derived("plane of pressure over the lens, averaged over the circle")
    for name, expected, got in zip(
        ("bottom, centre", "bottom, rim", "top, centre", "top, rim"),
        (1.078449, 0.815939, 1.391502, 0.300658),
        profiles,
        strict=True,
    ):
        yield absolute(
            f"First wear, circle 0.3 R, over kappa v P/(pi R^2): {name}",
            source,
            expected,
            got,
            5e-3,
        )
    yield relative(
        "Mismatch under an even layer, K 5e9, kappa sum 1e-12, v 0.2: dies with [s]",
        derived("1 / ((kappa_t + kappa_b) K v); the class of L. A. Galin 1976, from memory"),
        exact.mismatch_time(1e-12, 5e9, 0.2),
        mismatch_time(),
        2e-3,
    )

    for degrees in TURNED:
        worst, removed = turned_symmetry(degrees)
        yield absolute(
            f"Round faces, the top turned {degrees:g} degrees a stroke: its saddle and twist in the end [m]",
            derived("over whole turns a round face has no direction"),
            0.0,
            worst,
            0.005 * removed,
        )


LOAD = 40.0
TURNED = (8.0, 15.0, 47.0, 112.0)


def rough_step(strokes: int = 40) -> Step:
    """Make an off-centre eight with an eccentric pushing hand: part of the overlap lifts."""
    return Step(
        "A",
        "B",
        plain_grit({"A": 1e-12, "B": 0.3e-12}, depth=1e-6),
        FigureEight(0.07, 0.03),
        direction=0.3,
        centre=(0.012, -0.006),
        pace=1.0,
        load=Load(30.0, (0.02, 0.01), push_height=0.01),
        strokes=strokes,
    )


def volumes_lost(step: Step, cells: int = 64) -> tuple[float, float]:
    """Volumes [m3] that two rough discs of unequal size lose, top and bottom, from their maps."""
    top = body(
        "A", Disc(0.14), LOAD - step.load.force, cells, form=StartForm(sphere=2e-6, saddle=1e-6)
    )
    bottom = body("B", Disc(0.16), 1.0, cells, form=StartForm(sphere=1e-6, twist=-1e-6))
    end = last((top, bottom), step)
    above, below = (
        float((plate.land * (plate.heights() - end.heights[plate.name])).sum()) * plate.grid.cell**2
        for plate in (top, bottom)
    )
    return above, below


def first_wear(cells: int = 128) -> tuple[float, float, float, float]:
    """Wear rate of flat discs over kappa v P/(pi R^2): bottom centre and rim, top centre and rim."""
    top, bottom = disc("A", cells), disc("B", cells)
    step = start_step(circle=0.3)
    pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
    average = pair.average(bottom.heights(), top.heights(), even_stroke(step, top.weight, 256))
    unit = 2.0 * pi * 0.3 * RADIUS * step.pace * top.weight / (pi * RADIUS**2)
    x, y = top.grid.mesh()
    rho = np.hypot(x, y) / RADIUS
    out = []
    for plate, rate in ((bottom, average.bottom), (top, average.top)):
        out.append(_at(rho, rate / unit, plate.land, 0.0, 0.15))
        out.append(_at(rho, rate / unit, plate.land, 1.0, 0.15))
    return out[0], out[1], out[2], out[3]


def _at(rho: Array, rate: Array, land: Array, where: float, band: float) -> float:
    """Value at a radius from a least-squares parabola (even, at the centre) over whole cells near it."""
    near = (np.abs(rho - where) < band) & (land == 1.0)
    powers = (0, 2, 4) if where == 0.0 else (0, 1, 2)
    basis = np.stack([(rho[near] - where) ** k for k in powers], axis=1)
    return float(np.linalg.lstsq(basis, rate[near], rcond=None)[0][0])


def turned_symmetry(degrees: float) -> tuple[float, float]:
    """Larger of saddle and twist of a flat disc that was turned on a domed one, and its removal [m].

    Eights of half the width, 360 strokes: whole turns, each time.
    """
    bottom, top = disc("B", 40, StartForm(sphere=1e-6)), disc("A", 40)
    eight = FigureEight(RADIUS, 0.5 * RADIUS)
    end = last((bottom, top), start_step(0.1, curve=eight, turn=Turn(radians(degrees))))
    form = form_of(top, end)
    return max(abs(form.saddle or 0.0), abs(form.twist or 0.0)), end.removed["A"]


def mismatch_time(cells: int = 64) -> float:
    """Time constant [s] of a saddle against a saddle, the top going round a very small circle."""
    circle, load = 4e-4, 3000.0 * pi * RADIUS**2
    form = StartForm(saddle=0.5e-6)
    top, bottom = disc("A", cells, form), disc("B", cells, form)
    step = start_step(
        grit=plain_grit({"A": 0.4e-12, "B": 0.6e-12}, depth=0.6e-6),
        curve=Circle(circle),
        pace=0.2 / (2.0 * pi * circle),
        time=1000.0,
    )
    pair = Pair(bottom, top, step.grit.layer.stiffness, load)
    # The closed form is exact to the edge of the discs, so the blocks are kept shorter than they need be.
    end = last((top, bottom), step, settings=Settings(tolerance=2e-4))
    time = end.clock.time

    def unevenness(z_bottom: Array, z_top: Array) -> float:
        contact = settle(pair, z_bottom, z_top, at_stroke(step, pair, 0.0))
        x, y = bottom.grid.mesh()
        inner = np.hypot(x, y) < 0.7 * RADIUS
        return float((contact.pressure * (x * x - y * y))[inner].sum())

    before = unevenness(bottom.heights(), top.heights())
    after = unevenness(end.heights["B"], end.heights["A"])
    assert 0.0 < after < before * exp(-0.5)
    return -time / log(after / before)


OUTER = 0.08
PRESSURE = 3000.0


def clutch_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    source = derived("order 8 at 1e-12")
    for time, at_bore, at_rim, torque in (
        (1.0, 1.21188147, 0.85378392, 0.763602576),
        (5.0, 1.46619442, 0.75390481, 0.750910283),
    ):
        got = turned_ring(time)
        when = f"Ring 0.5 .. 1 turning on a layer, t = {time:g}"
        yield relative(f"{when}: pressure at the bore", source, at_bore, got.at_bore, 3e-3)
        yield relative(f"{when}: pressure at the rim", source, at_rim, got.at_rim, 3e-3)
        yield relative(f"{when}: torque / (mu F)", source, torque, got.torque, 1e-3)
    yield from textbook()


def textbook() -> Iterator[Row]:
    """The ring of a textbook's clutch, worn in until nothing changes any more."""
    outer, inner, force, friction = 0.125, 0.0875, 4000.0, 0.3
    worn = turned_ring(60.0, inner / outer)
    mean = force / (pi * (outer**2 - inner**2))
    source = "Shigley, Mechanical Engineering Design, from memory"
    yield relative(
        "Plate clutch OD 250, ID 175 mm, 4 kN, worn in: pressure at the bore [Pa]",
        source,
        194.017e3,
        worn.at_bore * mean,
        3e-3,
    )
    yield relative(
        "Plate clutch, worn in: torque at friction 0.3 [N m]",
        source,
        127.5,
        friction * force * worn.torque * outer,
        1e-3,
    )


def turned_ring(
    time: float, bore: float = 0.5, cells: int = 96, strokes: int = 400
) -> exact.Facing:
    """Pressures over the mean and torque of a ring turned on a disc that does not wear.

    `time` in units of 1 / (K kappa omega Ro), `bore` as a share of the outer radius Ro.
    """
    kappa = 1e-12
    ring = Ring(2.0 * OUTER, 2.0 * OUTER * bore)
    load = PRESSURE * ring.area
    top, bottom = (
        body("ring", ring, load, cells),
        body("flat", Disc(2.2 * OUTER), load, cells * 11 // 10),
    )
    grit = plain_grit({"ring": kappa, "flat": 0.0})
    omega = time / (grit.layer.stiffness * kappa * OUTER * strokes)
    step = Step("ring", "flat", grit, Still(), pace=1.0, turn=Turn(omega), strokes=strokes)
    end = last((top, bottom), step)
    pair = Pair(bottom, top, grit.layer.stiffness, top.weight)
    contact = settle(pair, end.heights["flat"], end.heights["ring"], at_stroke(step, pair, 0.0))
    x, y = bottom.grid.mesh()
    r = np.hypot(x, y) / OUTER
    whole = contact.share > 0.99
    fitted = np.polynomial.Polynomial.fit(r[whole], contact.pressure[whole], 4, domain=[bore, 1.0])
    carried = contact.pressure * contact.share
    mean = float(carried.sum() / contact.share.sum())
    return exact.Facing(
        float(fitted(bore)) / mean,
        float(fitted(1.0)) / mean,
        float((carried * r).sum() / carried.sum()),
    )


LENGTH, BREADTH = 0.300, 0.040  # m


def edges_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    source = derived("two like bars, each point across them rubs as long under the same pressure")
    for cells, of_top in ((67, 67), (128, 128), (128, 96)):
        on = f"{cells} cells" if of_top == cells else f"{of_top} cells on {cells}"
        for name, crown in zip(("bottom", "top"), crowns(cells, of_top), strict=True):
            yield absolute(
                f"Coincident edges, bar on bar, stroke along, 1 h, {on}: crown of the {name} [m]",
                source,
                0.0,
                crown,
                2e-9,
            )


def crowns(cells: int, of_top: int = 0) -> tuple[float, float]:
    """Crown [m] of both of two 300 x 40 mm bars, 5.2 um lapped off each by a stroke of a third along them.

    `of_top`: cells of the top, if not as many.
    """
    load = 3000.0 * LENGTH * BREADTH
    outline = Rectangle(LENGTH, BREADTH)
    top, bottom = body("A", outline, load, of_top or cells), body("B", outline, load, cells)
    step = start_step(grit=plain_grit(2.4e-12, 0.75e-6), curve=Line(LENGTH / 3.0))
    end = last((top, bottom), step)
    below, above = (
        forms(p, end.heights[p.name], NO_MARGIN).as_dict()["crown"] for p in (bottom, top)
    )
    assert below is not None
    assert above is not None
    return below, above


def liquid_rows() -> Iterator[Row]:
    """Yield the rows on liquid between flooded faces: two kinds of narrow land, and the lag of the top."""
    viscosity, stiffness, gap, width = 1.3e-3, 4e9, 15e-6, 0.4e-3
    # The rim is the edge of a groove, so that all lands are as wide.
    wide = Disc(2.0 * (RADIUS // (1.5 * width) * 1.5 * width - 0.25 * width))
    rings = Grooves("rings", 1.5 * width, 0.5 * width)
    squares = Grooves("square", 1.5 * width, 0.5 * width)
    for name, source, grooves, expected in (
        ("rings", "long strip, O. Reynolds 1886", rings, exact.strip_time),
        ("squares", "torsion of a square, S. Timoshenko", squares, exact.square_land_time),
    ):
        radius = resisting_radius(Plate(wide, 0.03, grooves=grooves))
        yield relative(
            f"liquid: time of narrow lands between {name} to come to rest [s]",
            f"{source}, {FROM_MEMORY}",
            expected(viscosity, width, stiffness, gap),
            relaxation_time(viscosity, radius, stiffness, gap),
            1e-3,
        )
    pace = 40.0 / 60.0
    yield relative(
        "liquid: dome against dish left where the top lags by an eighth of a turn",
        derived("first-order lag, 1/(1 + 1)"),
        0.5,
        drift_left(Circle(RADIUS / 3.0), pace, 1.0 / (2.0 * pi * pace)),
        1e-9,
    )
