"""Flatness grades of surface plates: which a face would reach, by which standard and by which rule of it.

The limits are for the whole face; what a repeat-reading gauge may show is a limit of its own in these
standards, which is not given here: no copy that could be read holds its table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, hypot
from typing import Literal

from lapwright.plate.outline import Outline, Rectangle
from lapwright.units import INCH, MICROINCH

__all__ = ["ASME", "DIN", "ISO", "LISTED", "Grade", "grades"]

ASME = "GGG-P-463c / ASME B89.3.7"
ISO = "ISO 8512-2"
DIN = "DIN 876"

# Printed limits of grade AA [microinch] by size [in], which depart from the formula.  18 x 18, 24 x 36 and
# 48 x 72 read in a published copy of GGG-P-463c; the others in the excerpt that a calibration laboratory
# publishes, which agrees with those.  The standard lists more sizes: those are taken by the formula here.
LISTED = {
    (12, 12): 50.0,
    (12, 18): 50.0,
    (18, 18): 50.0,
    (18, 24): 75.0,
    (24, 36): 100.0,
    (36, 48): 200.0,
    (48, 72): 350.0,
    (48, 96): 500.0,
}
NEAR = INCH / 16.0  # a side is a listed one within this: 48 in are also typed as 1219 mm


@dataclass(frozen=True)
class Grade:
    """One grade of one standard: `limit` [m] by the `rule`, and whether the flatness is within it.

    `size` [m] is what the rule goes by: the diagonal ("diagonal"), the longer side ("longer side"), or of a
    round face its outside diameter ("diameter").
    """

    standard: str
    grade: str
    rule: Literal["table", "formula"]
    size: float
    size_of: Literal["diagonal", "longer side", "diameter"]
    limit: float
    passes: bool


def grades(outline: Outline, flatness: float) -> tuple[Grade, ...]:
    """Every grade known here, the finest of each standard first, for a face of `flatness` [m].

    `flatness` is the width of the minimum zone inside the edge margin.  Granite plates are the subject of
    the standards; of a round face the outside diameter stands for the diagonal and for the longer side
    (ASME's own rule; our reading of ISO 8512-2 and DIN 876, which speak of rectangles).

    Raises
    ------
    ValueError
        When the flatness is negative or no number.

    """
    if not flatness >= 0.0:
        raise ValueError(f"a flatness of {flatness} m cannot be graded: it is 0 or more")
    return tuple(
        Grade(standard, grade, rule, size, size_of, limit, flatness <= limit)
        for standard, grade, rule, size, size_of, limit in _limits(outline)
    )


_Line = tuple[
    str, str, Literal["table", "formula"], float, Literal["diagonal", "longer side", "diameter"], float
]


def _limits(outline: Outline) -> Iterator[_Line]:
    """Standard, grade, rule, the size it goes by [m], which size that is, and the limit [m]."""
    long, short = max(outline.size), min(outline.size)
    square = isinstance(outline, Rectangle)
    across = hypot(long, short) if square else long
    size_of: Literal["diagonal", "diameter"] = "diagonal" if square else "diameter"
    listed = _listed(short, long) if square else None
    # GGG-P-463c (1973), ASME B89.3.7 (2013): 40 + D^2/25 microinch, D in inches; A twice, B four times.
    finest = (40.0 + (across / INCH) ** 2 / 25.0 if listed is None else listed) * MICROINCH
    for grade, times in (("AA", 1.0), ("A", 2.0), ("B", 4.0)):
        yield ASME, grade, "formula" if listed is None else "table", across, size_of, times * finest
    # ISO 8512-2:1990: 0.003 l + 2.5 um, l the diagonal in mm rounded up to 100.  Grade 0 alone: no copy
    # that could be read holds the factors of grades 1 to 3.
    rounded = 100.0 * ceil(across * 10.0 - 1e-9)
    yield ISO, "0", "formula", across, size_of, (0.003 * rounded + 2.5) * 1e-6
    # DIN 876: um, L the longer side in mm.
    for grade, least, share in (("0", 4.0, 250.0), ("1", 10.0, 100.0), ("2", 20.0, 50.0)):
        limit = (least + long * 1e3 / share) * 1e-6
        yield DIN, grade, "formula", long, "longer side" if square else "diameter", limit


def _listed(short: float, long: float) -> float | None:
    """The printed limit of grade AA [microinch] of a size that the table lists."""
    for (a, b), limit in LISTED.items():
        if abs(short - a * INCH) <= NEAR and abs(long - b * INCH) <= NEAR:
            return limit
    return None
