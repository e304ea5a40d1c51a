"""Edges that lie on each other all the time, wherever they fall among the cells."""

from __future__ import annotations

from collections.abc import Iterator

from lapwright.lapping.strokes import Line
from lapwright.plate.measure import forms
from lapwright.plate.outline import Rectangle
from lapwright.verify.row import Row, absolute, derived
from lapwright.verify.scenes import NO_MARGIN, body, last, plain_grit, start_step

__all__ = ["crowns", "rows"]

LENGTH, BREADTH = 0.300, 0.040  # m


def rows() -> Iterator[Row]:
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
    below, above = (forms(p, end.heights[p.name], NO_MARGIN).as_dict()["crown"] for p in (bottom, top))
    assert below is not None
    assert above is not None
    return below, above
