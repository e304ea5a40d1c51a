"""Edges that lie on each other at many numbers of cells, and the orders at which forms converge.

    python docs/design/convergence.py              prints the tables
    python docs/design/convergence.py --write      and rewrites them in docs/numerics.md
    python docs/design/convergence.py --quick      few and coarse cells; writes nothing

Takes about three minutes of one processor.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from math import hypot, log2, pi
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sim")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import lapwright.contact.average as averages
from lapwright.contact.average import Pair
from lapwright.contact.pressure import settle
from lapwright.integration.state import (
    Settings,
    State,
)
from lapwright.kinematics.overlap import overlap
from lapwright.metrology.form import forms
from lapwright.specification.curves import Circle, FigureEight, Line, Still
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Outline, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn
from lapwright.verification.scenes import (
    NO_MARGIN,
    RADIUS,
    at_stroke,
    body,
    disc,
    form_of,
    last,
    plain_grit,
    start_step,
)

PAGE = ROOT / "docs" / "numerics.md"
BEGIN, END = (
    "<!-- begin: docs/design/convergence.py -->",
    "<!-- end: docs/design/convergence.py -->",
)

SCAN = (60, 61, 64, 75, 91, 96, 101, 113, 128, 131, 150, 199, 256)
QUICK_SCAN = (60, 67)
ORDERS = (64, 96, 128, 192, 256)
QUICK_ORDERS = (16, 24, 32, 48, 64)
FIXED = Settings(poses=256, fewest_poses=256, most_poses=256, tolerance=0.0005)
QUARTER = Turn(0.5 * pi, 12)
SMALL = 0.017  # m, of the small stroke: a ninth of the disc
GROOVES = Grooves("square", 0.012, 0.002)
RINGS = Grooves("rings", 0.012, 0.002)

Zero = Callable[[Plate, State], float]


def table(head: Sequence[object], rows: Sequence[Sequence[object]]) -> str:
    """A table of the page."""
    lines = [
        "| " + " | ".join(map(str, head)) + " |",
        "| " + " | ".join("---" for _ in head) + " |",
    ]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in rows]
    return "\n".join(lines)


def pair(
    outline: Outline, cells: int, other: int = 0, grooves: Grooves | None = None
) -> tuple[Plate, Plate]:
    """Two like bodies under 3 kPa, A of other cells than B if so asked."""
    load = 3000.0 * outline.area
    return (
        body("A", outline, load, other or cells, grooves=grooves),
        body("B", outline, load, cells, grooves=grooves),
    )


# Edges that lie on each other all the time: what must be nothing.


def across(plate: Plate, end: State) -> float:
    """What stands across a stroke along x: the crown of a bar, twist and the fall along y of a square [m]."""
    form = forms(plate, end.heights[plate.name], NO_MARGIN)
    if form.crown is not None and form.wind is not None:
        return max(abs(form.crown), abs(form.wind))
    assert form.sphere is not None
    assert form.saddle is not None
    assert form.twist is not None
    return max(abs(form.sphere + 0.5 * form.saddle), abs(form.twist))


def twist(plate: Plate, end: State) -> float:
    """Its size [m]: a set-up that is its own mirror image has none."""
    return abs(form_of(plate, end).twist or 0.0)


def unround(plate: Plate, end: State) -> float:
    """Saddle or twist, and what the last two cells within a rim stand over a curve in the radius [m]."""
    form = form_of(plate, end)
    z = end.heights[plate.name]
    x, y = plate.grid.mesh()
    r = np.hypot(x, y)
    distance = -plate.outline.signed_distance(x, y) / plate.grid.cell
    inner = (plate.land == 1.0) & (distance > 2.0)
    curve = np.polynomial.Polynomial.fit(r[inner], z[inner], 8)
    rim = (plate.land > 0.0) & (distance > -0.2) & (distance < 2.0)
    off = float(np.average((z - curve(r))[rim], weights=plate.land[rim]))
    return max(abs(form.saddle or 0.0), abs(form.twist or 0.0), abs(off))


def coincident_scenes() -> Iterator[tuple[str, Outline, Step, Grooves | None, float, Zero]]:
    """What, the outline of both, the step, grooves, cells of A over those of B, and what must be nothing."""
    bar, square, ring = Rectangle(0.3, 0.04), Rectangle(0.15, 0.15), Ring(0.16, 0.08)
    grit = plain_grit(2.4e-12, 0.75e-6)

    def step(hours: float = 1.0, **more: object) -> Step:
        return start_step(hours, grit=grit, **more)

    along = step(curve=Line(0.1))
    for share in (1.0, 0.75, 0.6):
        name = "" if share == 1.0 else f", A of {share:.2f} times as many cells"
        yield f"bars, stroke along{name}: crown, wind", bar, along, None, share, across
        yield f"bars with 2 mm grooves{name}: crown, wind", bar, along, GROOVES, share, across
    line = step(curve=Line(0.05))
    yield "squares, stroke along a side: across it, twist", square, line, None, 1.0, across
    yield "squares with 2 mm grooves: the same", square, line, GROOVES, 1.0, across
    yield "squares of unlike cells: the same", square, line, None, 0.75, across
    set_over = step(0.5, curve=FigureEight(0.06, 0.04), turn=QUARTER)
    yield "squares, eight, set over 90 degrees: twist", square, set_over, None, 1.0, twist
    turning = step(curve=Still(), turn=Turn(1.7))
    yield "rings turning in place: saddle, twist, rims", ring, turning, None, 1.0, unround
    yield "rings of unlike cells, turning in place: the same", ring, turning, None, 0.75, unround
    yield "discs turning in place: the same", Disc(0.16), turning, None, 1.0, unround


def coincident(cells: Sequence[int]) -> str:
    """What is left of what must be nothing."""
    rows = []
    for name, outline, step, grooves, share, zero in coincident_scenes():
        found, removed = [], 0.0
        for n in cells:
            plates = pair(outline, n, round(share * n), grooves)
            end = last(plates, step)
            removed = float(np.mean(list(end.removed.values())))
            found.append(max(zero(plate, end) for plate in plates))
        worst = int(np.argmax(found))
        rows.append((name, f"{1e6 * removed:.2f}", f"{1e9 * found[worst]:.3f}", cells[worst]))
    return (
        f"Cells of B: {', '.join(map(str, cells))}. Largest of them, margin 0:\n\n"
        + table(("like on like", "off, um", "left, nm", "at cells"), rows)
    )  # fmt: skip


# Observed orders.


@contextmanager
def never_rounded() -> Iterator[None]:
    """Poses where they really are: none laid cell on cell."""
    old = averages.Pair._on_cells
    averages.Pair._on_cells = lambda self, rows: None  # type: ignore[method-assign]
    try:
        yield
    finally:
        averages.Pair._on_cells = old  # type: ignore[method-assign]


def order(values: Sequence[float]) -> str:
    """Observed order from three values, each at half the cell of the last."""
    steps = values[1] - values[0], values[2] - values[1]
    if not steps[0] * steps[1] > 0.0:
        return f"none (within {1e9 * (max(values) - min(values)):.2f} nm)"
    found = log2(steps[0] / steps[1])
    if found <= 0.0:
        return f"none (within {1e9 * (max(values) - min(values)):.2f} nm)"
    return f"{found:.2f} (limit {1e9 * (values[2] + steps[1] / (2.0**found - 1.0)):.2f})"


def squares(cells: int, part: float) -> tuple[Plate, Plate]:
    """Lands of 150 mm square, their edges `part` of a cell within the outermost cells."""
    side = 0.15 / (1.0 - 2.0 * part / cells)
    rim = Grooves("square", 10.0, 1e-3, rim=part * side / cells) if part else None
    outline = Rectangle(side, side)
    return (
        body("A", outline, 3000.0 * 0.15**2, cells, grooves=rim),
        body("B", outline, 3000.0 * 0.15**2, cells, grooves=rim),
    )


def order_scenes() -> Iterator[tuple[str, Callable[[int], tuple[Plate, Plate]], Step, bool]]:
    """What, both plates at a number of cells, the step, and whether places are rounded to whole cells."""

    def discs(cells: int) -> tuple[Plate, Plate]:
        return disc("A", cells), disc("B", cells)

    def within(cells: int) -> tuple[Plate, Plate]:
        return squares(cells, 0.3)

    def on_edge(cells: int) -> tuple[Plate, Plate]:
        return squares(cells, 0.0)

    straight = start_step(10.0, curve=Line(SMALL))
    yield "squares, edges between cells", on_edge, straight, False
    yield "squares, edges within cells", within, straight, False
    yield "discs, circle", discs, start_step(10.0, curve=Circle(0.5 * SMALL)), False
    yield "discs, straight", discs, straight, False
    yield "discs, straight, quarter turns", discs, replace(straight, turn=QUARTER), False
    yield "the same on whole cells, as it is run", discs, replace(straight, turn=QUARTER), True


def in_land(plate: Plate, end: State) -> dict[str, float]:
    """Sphere and saddle [m] over the size of the land."""
    form = form_of(plate, end)
    size = hypot(0.15, 0.15) / 2.0 if isinstance(plate.outline, Rectangle) else plate.outline.radius
    scale = (size / plate.outline.radius) ** 2
    return {"sphere": scale * (form.sphere or 0.0), "saddle": scale * (form.saddle or 0.0)}


def orders(cells: Sequence[int]) -> str:
    """Forms after ten hours of a small stroke at several numbers of cells, and the observed order."""
    rows = []
    for name, plates_at, step, rounded in order_scenes():
        got: dict[tuple[str, str], list[float]] = {}
        with nullcontext() if rounded else never_rounded():
            for n in cells:
                plates = plates_at(n)
                end = last(plates, step, settings=FIXED)
                for plate in plates:
                    for form, size in in_land(plate, end).items():
                        got.setdefault((plate.name, form), []).append(size)
        for (plate_name, form), sizes in got.items():
            if max(map(abs, sizes)) < 1e-9:
                continue
            row = [f"{1e9 * size:.2f}" for size in sizes]
            rows.append((name, f"{plate_name} {form}", *row, order([sizes[0], sizes[2], sizes[4]])))
    head = ("case", "form, nm", *cells, f"order from {cells[0]}, {cells[2]}, {cells[4]}")
    return table(head, rows)


def sums(cells: Sequence[int]) -> str:
    """Area and second moments that a pose sums over its cells, against the closed form."""
    rows = []
    outline = Disc(2.0 * RADIUS)
    for radius in (0.004, 0.0085, 0.026):
        errors = []
        for n in cells:
            step = start_step(curve=Circle(radius))
            both = Pair(disc("B", n), disc("A", n), step.grit.layer.stiffness, disc("A", n).weight)
            x, y = both.bottom.grid.mesh()
            off = []
            for strokes in (np.arange(12) + 0.31) / 12.0:
                place = at_stroke(step, both, float(strokes))
                c = float(place.poses.cx[0]), float(place.poses.cy[0])
                share = settle(both, both.bottom.heights(), both.top.heights(), place).share
                exact = overlap(outline, outline, c)
                gx, gy = exact.centroid
                second = exact.second[0] + exact.second[2] + exact.area * (gx * gx + gy * gy)
                cell = both.bottom.grid.cell**2
                off.append(
                    (
                        share.sum() * cell / exact.area - 1.0,
                        (share * (x * x + y * y)).sum() * cell / second - 1.0,
                    )
                )
            errors.append(np.sqrt(np.mean(np.square(off), axis=0)))
        for k, what in enumerate(("area", "second moment")):
            sizes = [float(e[k]) for e in errors]
            row = [f"{1e6 * size:.1f}" for size in sizes]
            rows.append(
                (f"{1e3 * radius:.1f} mm", what, *row, f"{log2(sizes[0] / sizes[-1]) / 2.0:.2f}")
            )
    return table(("apart", "error, millionths", *cells, "order"), rows)


def sectors(coarse: int, medium: int, fine: int) -> str:
    """Where the error of the sphere sits under a straight stroke: rim cells by their place on the clock."""
    step = start_step(10.0, curve=Line(SMALL))
    maps = {}
    with never_rounded():
        for n in (coarse, medium, fine):
            plates = disc("A", n), disc("B", n)
            end = last(plates, step, settings=FIXED)
            maps[n] = plates[1], end.heights["B"]
    truth, z_truth = maps[fine]
    parts = {n: _by_sector(*maps[n], truth, z_truth) for n in (coarse, medium)}
    rows = []
    for k in range(9):
        one, two = parts[coarse][k], parts[medium][k]
        share = f"{log2(one / two):.2f}" if one * two > 0.0 else "none"
        rows.append((f"{10 * k} to {10 * k + 10}", f"{1e9 * one:.2f}", f"{1e9 * two:.2f}", share))
    return (
        f"Rim cells (the outermost one and a half), bottom, stroke from 3 to 9, against {fine} cells:\n\n"
        + table(("degrees from 12 o'clock", f"{coarse} cells, nm", f"{medium} cells, nm", "order"), rows)
    )  # fmt: skip


def _by_sector(plate: Plate, z: np.ndarray, truth: Plate, z_truth: np.ndarray) -> list[float]:
    """What rim cells add to the error of the sphere [m], in nine sectors."""
    n = plate.cells
    block = (n, truth.cells // n, n, truth.cells // n)
    land = truth.land.reshape(block).sum(axis=(1, 3))
    mean = (truth.land * z_truth).reshape(block).sum(axis=(1, 3)) / np.maximum(land, 1e-300)
    weight = plate.land / plate.land.sum()
    off = np.where((land > 0.0) & (weight > 0.0), z - mean, 0.0)
    off -= (weight * off).sum()
    x, y = plate.grid.mesh()
    r = np.hypot(x, y)
    u = (r / plate.outline.radius) ** 2
    pull = weight * (u - (weight * u).sum())
    part = -pull * off / (pull * u).sum()
    angle = np.degrees(np.arctan2(np.abs(x), np.abs(y)))
    rim = (plate.outline.radius - r) < 1.5 * plate.grid.cell
    return [float(part[rim & (angle >= 10 * k) & (angle < 10 * k + 10)].sum()) for k in range(9)]


def write(text: str) -> None:
    """Into the page, between the markers."""
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    PAGE.write_text(
        head + BEGIN + "\n\n" + text + "\n\n" + END + rest.split(END)[1], encoding="utf-8"
    )


def main() -> None:
    """Measure, print, and write if asked."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a coarser look; writes nothing")
    parser.add_argument(
        "--write", action="store_true", help="rewrite the tables in docs/numerics.md"
    )
    given = parser.parse_args()
    begun = time.process_time()
    scan, cells = (QUICK_SCAN, QUICK_ORDERS) if given.quick else (SCAN, ORDERS)
    parts = [
        "### Edges on each other",
        coincident(scan),
        "### Orders",
        orders(cells),
        "### Sums over the cells of a pose",
        sums((cells[0], cells[2], cells[4])),
        "### Where the sphere errs",
        sectors(cells[0], cells[2], 2 * cells[4]),
    ]
    took = time.process_time() - begun
    print("\n\n".join(parts))
    print(f"{took:.0f} s", file=sys.stderr)
    if given.write and not given.quick:
        begun_by = f"Written by `python docs/design/convergence.py --write` in {took:.0f} s."
        write("\n\n".join([begun_by, *parts]))


if __name__ == "__main__":
    main()
