"""Lays a work card out on sheets of paper: how large the type may be, and what goes on a further sheet.

Widths of letters are estimated (those of a plain sans serif, taken wide), since the card is set by whatever
browser prints it; a browser test holds the estimate to the truth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["HEIGHT", "SIZES", "WIDTH", "Line", "Sheet", "columns_height", "laid_out"]

POINT = 25.4 / 72.0  # mm
WIDTH, HEIGHT = 186.0, 250.0  # mm: A4 less 12 mm at either side, US Letter less 14 mm above and below
SIZES = (15.0, 14.0, 13.0, 12.0, 11.0, 10.5, 10.0)  # points; below that nobody reads at arm's length
LETTER = 0.5  # mean width of a letter, of the type's size
LEADING = 1.24
TABLE = 0.84  # type of the readings, of the card's
ROW = 7.6  # mm: the least height to write in
EXPECT = 53.0  # mm: width of the column that says what to expect


@dataclass(frozen=True)
class Line:
    """A paragraph: its text, its type and its indent as shares of the card's type, and space around [mm]."""

    text: str
    type: float = 1.0
    indent: float = 0.0
    around: float = 0.0

    def height(self, size: float) -> float:
        """How tall it is [mm] when the card's type is so large [pt]."""
        width = WIDTH - self.indent * size * POINT
        return _rows_of(self.text, width, self.type * size) * self.type * size * LEADING * POINT + self.around


@dataclass(frozen=True)
class Sheet:
    """One sheet: its type [pt], which blocks and which rows stand on it (from, to), and head and foot."""

    type: float
    blocks: tuple[int, int]
    rows: tuple[int, int]
    head: bool
    foot: bool


def columns_height(expect: str, size: float) -> float:
    """How tall a row of the readings is [mm]."""
    return max(ROW, _rows_of(expect, EXPECT, TABLE * size) * TABLE * size * 1.2 * POINT + 1.6)


def laid_out(
    head: Sequence[Line], blocks: Sequence[Sequence[Line]], rows: Sequence[str], foot: Sequence[Line]
) -> list[Sheet]:
    """One sheet in the largest type that fits it, or else as few as can be.

    Parameters
    ----------
    head, foot
        What stands above and below everything.
    blocks
        The steps; a block is never parted.
    rows
        What to expect at each reading.

    """
    for size in SIZES:
        tall = (
            _tall(head, size) + sum(_tall(b, size) for b in blocks) + _table(rows, size) + _tall(foot, size)
        )
        if tall <= HEIGHT:
            return [Sheet(size, (0, len(blocks)), (0, len(rows)), True, True)]
    few = len(_over_sheets(head, blocks, rows, foot, SIZES[-1]))
    several = (_over_sheets(head, blocks, rows, foot, size) for size in SIZES)
    return next(sheets for sheets in several if len(sheets) == few)


def _over_sheets(
    head: Sequence[Line],
    blocks: Sequence[Sequence[Line]],
    rows: Sequence[str],
    foot: Sequence[Line],
    size: float,
) -> list[Sheet]:
    sheets: list[Sheet] = []
    title = _tall(head[:1], size)
    room, begun, top = HEIGHT - _tall(head, size), 0, True
    for k, block in enumerate(blocks):
        tall = _tall(block, size)
        if tall > room and k > begun:
            sheets.append(Sheet(size, (begun, k), (0, 0), top, False))
            room, begun, top = HEIGHT - title, k, False
        room -= tall
    first = 0
    # Readings stay together if they can; a long table goes on from sheet to sheet.
    below = _tall(foot, size)
    if _table(rows, size) + below > room:
        sheets.append(Sheet(size, (begun, len(blocks)), (0, 0), top, False))
        room, begun, top = HEIGHT - title, len(blocks), False
        while first < len(rows) and _table(rows[first:], size) + below > room:
            last = first + 1
            while _table(rows[first : last + 1], size) <= room and last + 1 < len(rows):
                last += 1
            sheets.append(Sheet(size, (begun, begun), (first, last), False, False))
            first = last
    sheets.append(Sheet(size, (begun, len(blocks)), (first, len(rows)), top, True))
    return sheets


def _tall(lines: Sequence[Line], size: float) -> float:
    return sum(line.height(size) for line in lines)


def _table(rows: Sequence[str], size: float) -> float:
    """The readings with the note and the heads above them [mm]."""
    if not rows:
        return 0.0
    return (
        (2.0 * TABLE * LEADING + 2.2) * size * POINT
        + 2.6
        + sum(columns_height(expect, size) for expect in rows)
    )


def _rows_of(text: str, width: float, size: float) -> int:
    return max(1, math.ceil(len(text) * LETTER * size * POINT / width))
