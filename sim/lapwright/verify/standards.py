"""A real surface plate, flatness grades and open surface files against what is published (19, 22, 27)."""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np

from lapwright.exact import surface_plate
from lapwright.plate.flatness import minimum_zone
from lapwright.plate.form import StartForm
from lapwright.plate.grades import ASME, DIN, ISO, grades
from lapwright.plate.measure import measure
from lapwright.plate.outline import Disc, Outline, Rectangle
from lapwright.plate.plate import Plate
from lapwright.study.surfaces.lay import lay
from lapwright.study.surfaces.sdf import from_sdf, to_sdf
from lapwright.study.surfaces.surface import Surface
from lapwright.study.surfaces.x3p import from_x3p, to_x3p
from lapwright.units import INCH, MICROINCH
from lapwright.verify.row import Row, absolute, derived, relative
from lapwright.verify.scenes import NO_MARGIN

__all__ = ["rows"]


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from _plate_of_1955()
    yield from _grades()
    yield from _files()


def _plate_of_1955() -> Iterator[Row]:
    x, y, z = surface_plate.stations()
    plane = np.stack([np.ones_like(x), x, y], 1)
    left = z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]
    source = surface_plate.SOURCE
    for name, want, got in (
        ("range of heights", surface_plate.RANGE, float(np.ptp(z))),
        ("minimum zone of all 126 stations", surface_plate.MINIMUM_ZONE, minimum_zone(x, y, z)),
        ("about the least-squares plane", surface_plate.LEAST_SQUARES, float(np.ptp(left))),
    ):
        yield relative(f"A real 48 x 72 in surface plate, {name} [m]", source, want, got, 3e-6)


def _limit(outline: Outline, standard: str, grade: str) -> float:
    return next(g.limit for g in grades(outline, 0.0) if (g.standard, g.grade) == (standard, grade))


def _grades() -> Iterator[Row]:
    for short, long, want in ((48, 72, 350.0), (18, 18, 50.0), (24, 36, 100.0)):
        got = _limit(Rectangle(long * INCH, short * INCH), ASME, "AA")
        name = f"Flatness of grade AA, {short} x {long} in [m]"
        yield relative(name, f"{ASME}, printed table", want * MICROINCH, got, 1e-12)
    formula = f"{ASME}, 40 + D^2/25 microinch; A twice, B four times"
    for grade, times in (("AA", 1.0), ("A", 2.0), ("B", 4.0)):
        got = _limit(Disc(10.0 * INCH), ASME, grade)
        yield relative(
            f"Flatness of grade {grade}, 10 in round [m]", formula, times * 44.0 * MICROINCH, got, 1e-12
        )
    got = _limit(Rectangle(1.0, 0.63), ISO, "0")
    yield relative(
        "Flatness of grade 0, 1000 x 630 mm [m]", f"{ISO}, diagonal rounded up to 1200", 6.1e-6, got, 1e-12
    )
    for grade, want in (("0", 8e-6), ("1", 20e-6), ("2", 40e-6)):
        got = _limit(Rectangle(1.0, 0.63), DIN, grade)
        yield relative(
            f"Flatness of grade {grade}, 1000 mm long [m]", f"{DIN}, published tables", want, got, 1e-12
        )


def _files() -> Iterator[Row]:
    plate = Plate(Disc(0.16), thickness=0.03, form=StartForm(sphere=3e-6, twist=1e-6), cells=64, name="A")
    x, y = plate.grid.mesh()
    heights = plate.form.at(x, y, plate.outline)
    heights[np.hypot(x, y) > 0.08] = np.nan
    surface = Surface(heights, plate.grid.cell, plate.grid.cell)
    binary = to_sdf(surface)
    source = "ISO 25178-71; tests read it with an independent package"
    yield absolute("SDF: bytes of the binary header", source, 81, len(binary) - heights.size * 8, 0.5)
    # Packed by the standard's own list of fields, 16-bit heights of 1 nm a step, the second not measured.
    steps = np.arange(1, 21, dtype="<i2")
    steps[1] = -32768
    fields = (b"bISO-1.0", b"shop", b"", b"", 5, 4, 1e-3, 2e-3, 1e-9, -1.0, 0, 5, 0)
    packed = from_sdf(struct.pack("<8s10s12s12sHHddddBBB", *fields) + steps.tobytes())
    yield absolute(
        "SDF: last height of one packed field by field [m]", source, 20e-9, packed.heights[3, 4], 1e-22
    )
    yield absolute("SDF: ... points not measured in it", source, 1, np.isnan(packed.heights).sum(), 0.5)
    yield absolute("SDF: ... and its spacing along y [m]", source, 2e-3, packed.dy, 1e-15)
    for name, of, got in (
        ("SDF, binary", "ISO 25178-71", from_sdf(binary)),
        ("SDF, ASCII", "ISO 25178-71", from_sdf(to_sdf(surface, form="ascii"))),
        ("X3P", "ISO 25178-72", from_x3p(to_x3p(surface))),
    ):
        off = float(np.nanmax(np.abs(got.heights - heights)))
        off = off if np.array_equal(np.isnan(got.heights), np.isnan(heights)) else np.nan
        yield absolute(f"{name}: a face written and read again [m]", of, 0.0, off, 1e-21)
    coarse = Plate(Disc(0.16), thickness=0.03, cells=47, name="A")
    laid = measure(coarse, lay(surface, coarse, 0.0032).measured.heights, NO_MARGIN)
    source = derived("a quadratic comes through whole")
    yield relative("A map on other cells: dome [m]", source, 3e-6, laid.sphere or 0.0, 1e-9)
    yield relative("A map on other cells: twist [m]", source, 1e-6, laid.twist or 0.0, 1e-9)
