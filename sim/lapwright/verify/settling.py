"""How the top comes to rest: eccentric loads and overhang against closed forms (checks 14-16)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

import numpy as np

from lapwright.exact import settling as exact
from lapwright.lapping.average import Pair
from lapwright.lapping.reach import lift_off_overhang
from lapwright.lapping.settle import Contact, settle
from lapwright.lapping.step import Load, Step
from lapwright.lapping.strokes import Still
from lapwright.plate.outline import Disc, Outline, Rectangle, Ring
from lapwright.verify.row import Row, absolute, derived, relative
from lapwright.verify.scenes import at_stroke, body, plain_grit

__all__ = ["discs", "overhangs", "rectangles", "rest", "rows"]

CELLS = 128
FORCE = 60.0


def rows() -> Iterator[Row]:
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
    for e, expected in ((0.25, 2.0), (0.30, 2.210560), (0.50, 3.559872), (half, 1.5 * pi), (0.70, 7.428322)):
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


def rectangles(cells: int = CELLS) -> Iterator[Row]:
    """A rectangle under a load off its middle along one side, and a square on its diagonal."""
    outline = Rectangle(0.16, 0.10)
    for e in (0.1, 1.0 / 6.0, 0.25, 0.35):
        yield relative(
            f"Rectangle, load {e:.3g} b off the middle: peak over mean",
            "textbook, from memory: 1 + 6e/b, then 4 / (3 (1 - 2e/b))",
            exact.rectangle_peak(e),
            _peak(rest(outline, (0.16 * e, 0.0), cells=cells), outline),
            2e-3,
        )
    square = Rectangle(0.16, 0.16)
    contact = rest(square, (0.04, 0.04), cells=cells)
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


def overhangs(cells: int = CELLS) -> Iterator[Row]:
    """Flat equal faces, one moved over the edge of the other, the load at the top's own centre."""
    source = derived("the plane of pressure over the overlap")
    yield relative(
        "Equal squares: overhang at lift-off, in sides",
        source,
        0.25,
        lift_off_overhang(Rectangle(1.0, 1.0), Rectangle(1.0, 1.0)),
        1e-6,
    )
    yield relative(
        "Equal discs: overhang at lift-off, in radii",
        source,
        0.3929023,
        lift_off_overhang(Disc(2.0), Disc(2.0)),
        1e-6,
    )
    for name, outline, size, (offset, peak) in (
        ("squares", Rectangle(0.16, 0.16), 0.16, exact.square_lift_off()),
        ("discs", Disc(0.16), 0.08, exact.disc_lift_off()),
    ):
        contact = rest(outline, centre=(offset * size, 0.0), below=outline, cells=cells)
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
