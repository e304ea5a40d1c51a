"""The work card, and how it is laid out on sheets of paper.

The work card: the schedule of a run on one sheet of paper, for a wet bench and an arm's length away.

Black on white, in type as large as the sheet allows.  A sheet is 186 by 250 mm, which prints on A4 and on US
Letter alike; what does not fit in readable type goes on to a second sheet, and each says so.

Lays a work card out on sheets of paper: how large the type may be, and what goes on a further sheet.

Widths of letters are estimated (those of a plain sans serif, taken wide), since the card is set by whatever
browser prints it; a browser test holds the estimate to the truth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapwright.files import put_in_place
from lapwright.presentation.card_schedule import MOST_CARE, Card, Note, card_of
from lapwright.presentation.render import filled
from lapwright.presentation.run_view import run_view
from lapwright.results.findings import KINDS, noticed
from lapwright.results.record import Run
from lapwright.units import Units

__all__ = [
    "CARD_FILE",
    "HEIGHT",
    "POINT",
    "SIZES",
    "WIDTH",
    "Line",
    "Sheet",
    "card_data",
    "card_html",
    "card_page",
    "columns_height",
    "laid_out",
    "write_card",
]


POINT = 25.4 / 72.0  # mm
WIDTH, HEIGHT = (
    186.0,
    250.0,
)  # mm: A4 less 12 mm at either side, US Letter less 14 mm above and below
SIZES = (
    15.0,
    14.0,
    13.0,
    12.0,
    11.0,
    10.5,
    10.0,
)  # points; below that nobody reads at arm's length
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
        return (
            _rows_of(self.text, width, self.type * size) * self.type * size * LEADING * POINT
            + self.around
        )


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
    head: Sequence[Line],
    blocks: Sequence[Sequence[Line]],
    rows: Sequence[str],
    foot: Sequence[Line],
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
            _tall(head, size)
            + sum(_tall(b, size) for b in blocks)
            + _table(rows, size)
            + _tall(foot, size)
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


CARD_FILE = "card.html"
MOST_TICKS = 30


def write_card(run: Run, folder: Path) -> Path:
    """Write card.html into `folder`, whole or not at all.

    Parameters
    ----------
    run : Run
    folder : path
        Which is there.

    Returns
    -------
    path
        Of the card.

    Raises
    ------
    CannotDoError
        The folder cannot be written.

    """
    page = folder / CARD_FILE
    put_in_place(page, memoryview(card_page(run).encode("utf-8")))
    return page


def card_page(run: Run) -> str:
    """The card as a page of its own, ready to print."""
    return filled("card.html", **card_data(run))


def card_html(run: Run) -> str:
    """The card to be put into a page: its own style, every class of it begins with "wc-", no addresses."""
    return filled("work_card.html", **card_data(run))


def card_data(run: Run) -> dict[str, Any]:
    """What the template of the card asks for."""
    said = run_view(run)
    # One sheet is worth a caution or two that the page tells as well, but none that keeps a person whole.
    least = int(any(KINDS[one.code].hurts for one in noticed(said.run, said.study)))
    cards = [card_of(said, most) for most in range(MOST_CARE, least - 1, -1)]
    laid = [laid_out(*_measured(card)) for card in cards]
    card, sheets = min(zip(cards, laid, strict=True), key=lambda one: len(one[1]))
    inch = said.units is Units.INCH
    return {"card": card, "sheets": sheets, "inch": inch, "most_ticks": MOST_TICKS}


# --- on paper ----------------------------------------------------------------------------------


def _measured(card: Card) -> tuple[list[Line], list[list[Line]], list[str], list[Line]]:
    """The card as the layout sees it: lengths of text, type, indents."""
    head = [
        Line(card.said.title, 1.55, 7.0, 4.0),
        *(Line(note.whole, 0.92, 0.0, 0.2) for note in card.head),
    ]
    if card.rounds > 1:
        head.append(
            Line(
                "rounds of steps 1 to 9, tick each " + 4 * " " * min(card.rounds, MOST_TICKS),
                1.1,
                1.0,
                4.0,
            )
        )
    blocks = []
    for block in card.blocks:
        heads = "".join(f"{name}  1  " for name in block.heads)
        lines = [Line(heads, 1.45, 0.8 * len(block.grit), 0.0)]
        lines += [
            Line(o.text + o.ticks * "mm" * (o.ticks <= MOST_TICKS), 1.0, 6.4, 0.45)
            for o in block.lines
        ]
        lines.append(Line("", 0.01, 0.0, 4.6))
        if block.wash:
            lines.append(Line(block.wash, 1.0, 3.0, 3.6))
        blocks.append(lines)
    foot = [_below(note) for note in card.foot]
    return head, blocks, [row.expect for row in card.rows], [*foot, Line("", 0.01, 0.0, 3.0)]


def _below(note: Note) -> Line:
    """A line of the foot; an alarm is bold (taken a tenth wider) and has a frame about it."""
    more = 1 + len(note.whole) // 10 if note.alarm else 0
    return Line(note.whole + more * "x", 0.84, 1.0, 3.2 if note.alarm else 0.3)
