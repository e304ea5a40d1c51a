"""The work card: the schedule of a run on one sheet of paper, for a wet bench and an arm's length away.

Plates, steps in order, what to read and to expect, what to mind; then how large the type may be and what goes
on a further sheet.  Black on white, in type as large as the sheet allows.  A sheet is 186 by 250 mm, which
prints on A4 and on US Letter alike; what does not fit in readable type goes on to a second sheet, and each
says so.  Widths of letters are estimated (those of a plain sans serif, taken wide), since the card is set by
whatever browser prints it; a browser test holds the estimate to the truth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.files import put_in_place
from lapwright.kinematics.schedule import spread_of
from lapwright.presentation.batch_text import card_words, goal_words
from lapwright.presentation.beforehand import stop_by_gauge
from lapwright.presentation.card_rows import Row, ends, rows_of
from lapwright.presentation.filling import driven, filled
from lapwright.presentation.finding_words import in_words
from lapwright.presentation.orders import Order, grit_words, orders, rubbed
from lapwright.presentation.run_view import RunView, run_view
from lapwright.presentation.standing import asked_of, goal_of, passed
from lapwright.presentation.tuning_notes import asked_for, label
from lapwright.presentation.way_round import scale_step, scale_words
from lapwright.presentation.words import Fields, say
from lapwright.results.findings import KINDS, noticed
from lapwright.results.record import Run
from lapwright.units import Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.step import Step


CARD_FILE = "card.html"
MOST_CARE = 3  # of what to take care of, the gravest, in full
MOST_TICKS = 30
WRONG = ("interrupted", "limit")  # how a run ended that did not go to where it was meant to


@dataclass(frozen=True)
class Block:
    """Steps that are done alike: `heads` who lies on whom in each, and when to stop; `orders` for all.

    `nameless`: the same, which do not name the top.
    """

    numbers: tuple[int, ...]
    heads: tuple[str, ...]
    grit: str
    stops: tuple[str, ...]
    orders: list[Order]
    nameless: list[Order]
    wash: str

    @property
    def lines(self) -> list[Order]:
        """The orders and, last, when to stop: once where all steps of the block stop alike."""
        told = self.orders if len(self.numbers) == 1 else self.nameless
        if len(set(self.stops)) == 1:
            each = "each " if len(self.stops) > 1 else ""
            return [*told, Order("Stop", each + self.stops[0])]
        stops = zip(self.numbers, self.stops, strict=True)
        return [*told, *(Order(f"Stop {number}", stop) for number, stop in stops)]


@dataclass(frozen=True)
class Note:
    """A line of the head or the foot: `lead` stands before the text, bold; an alarm has a frame about it."""

    text: str
    lead: str = ""
    alarm: bool = False

    @property
    def whole(self) -> str:
        """All that it says."""
        return f"{self.lead} {self.text}".lstrip()


@dataclass(frozen=True)
class Card:
    """Everything that stands on the card."""

    view: RunView
    head: tuple[Note, ...]
    blocks: tuple[Block, ...]
    rows: tuple[Row, ...]
    foot: tuple[Note, ...]


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
    view = run_view(run)
    # One sheet is worth a caution or two that the page tells as well, but none that keeps a person whole.
    least = int(any(KINDS[one.code].harm == "person" for one in noticed(run, view.study)))
    whole = card_of(view)
    cards = [replace(whole, foot=_foot(view, most)) for most in range(MOST_CARE, least - 1, -1)]
    laid = [laid_out(*_measured(card)) for card in cards]
    card, sheets = min(zip(cards, laid, strict=True), key=lambda one: len(one[1]))
    inch = view.units is Units.INCH
    return {"card": card, "sheets": sheets, "inch": inch, "most_ticks": MOST_TICKS}


def card_of(view: RunView) -> Card:
    """The work card of a run."""
    foot = _foot(view, MOST_CARE)
    return Card(view, tuple(_head(view)), tuple(_blocks(view)), tuple(rows_of(view)), foot)


# --- above the steps ---------------------------------------------------------------------------


def _goal(view: RunView) -> list[Note]:
    """What is asked of the faces, and that this schedule misses it."""
    asked = asked_of(view)
    if not asked:
        return []
    told = f"{sentence(asked_for(asked, view.units))}."
    if view.run.batch is not None:
        return [
            Note(
                " ".join([told, *map(sentence, goal_words(view, view.run.batch, ahead=True))]),
                "Goal:",
            )
        ]
    missed, reached = goal_of(view)
    return [Note(told if reached or passed(view) else f"{told} {missed}", "Goal:")]


def _head(view: RunView) -> list[Note]:
    """A line for each kind of plate, and one for a run that went wrong."""
    alike: dict[str, list[str]] = {}
    for name in _named(view):
        alike.setdefault(_plate(view, name), []).append(name)
    lines = [Note(what, joined(names)) for what, names in alike.items()]
    outcome = view.run.outcome
    wrong = say(f"came.ended.{outcome}") if outcome in WRONG else ""
    if outcome == "tipped":
        wrong = "Do not work to this card: the top tips off, see below."
    elif outcome == "interrupted":
        wrong += " What it did not reach is worked out beforehand."
    lines += _goal(view)
    lines += [Note(text, f"{lead}:") for lead, text in card_words(view)]
    return [*lines, *([Note(wrong, alarm=True)] if wrong else [])]


def _named(view: RunView) -> list[str]:
    """The plates by name; of the parts of a batch, which are alike, the first."""
    alike = () if view.study.batch is None else view.study.batch.names[1:]
    return [name for name in view.study.plates if name not in alike]


def _plate(view: RunView, name: str) -> str:
    plate, units = view.study.plates[name], view.units
    along, across = (units.length(side, echo=True) for side in plate.outline.size)
    shape = f"{along} x {across}"
    if plate.outline.bore > 0.0:
        shape = f"ring {along}, bore {units.length(plate.outline.bore, echo=True)}"
    elif type(plate.outline).__name__ == "Disc":
        shape = f"disc {along}"
    if plate.thickness is not None:
        shape += f", {units.length(plate.thickness, echo=True)} thick"
    return f"{shape}, {plate.material.name}, {_mass(plate.total_mass, units)}"


def _mass(mass: float, units: Units) -> str:
    """A mass [kg] in kg and lb, the person's own unit first."""
    return f"{units.mass(mass)} ({units.other.mass(mass)})"


# --- the steps ---------------------------------------------------------------------------------


def _blocks(view: RunView) -> list[Block]:
    """The steps in order; neighbours that are done alike share one block."""
    study, blocks = view.study, list[Block]()
    for k, look in enumerate(study.ahead):
        step = study.steps[k]
        under = study.turns_bottom(k + 1)
        told = orders(step, study.plates, look, view.units, under, study.batch)
        nameless = [_nameless(step, order) for order in told]
        head, stop, wash = f"{step.top} on {step.bottom}", _stop(view, k + 1, look), _wash(view, k)
        last = blocks[-1] if blocks else None
        if last is not None and not last.wash and last.nameless == nameless:
            numbers, heads, stops = (*last.numbers, k + 1), (*last.heads, head), (*last.stops, stop)
            blocks[-1] = replace(last, numbers=numbers, heads=heads, stops=stops, wash=wash)
        else:
            own = (k + 1,), (head,), grit_words(step), (stop,)
            blocks.append(Block(*own, told, nameless, wash))
    return blocks


def _nameless(step: Step, order: Order) -> Order:
    """An order without the name of who is on top, where it begins with it alone."""
    rest = order.text.removeprefix(step.top).removeprefix(" first")
    if order.word == "On top" and rest.startswith((",", ";")):
        return replace(order, text=f"the one named first{rest}")
    return order


def _wash(view: RunView, at: int) -> str:
    """What to do after a step, before another grit comes."""
    steps = view.steps
    if at + 1 < len(steps):
        after, when = steps[at + 1].grit, f"before step {at + 2}"
    elif view.study.rounds > 1:
        after, when = steps[0].grit, "before the next round"
    else:
        return ""
    here = steps[at].grit
    if here.name == after.name and here.size == after.size:
        return ""
    if after.size < here.size:
        return f"WASH {when}: plates, hands, bench; fresh cloth. One coarse grain scratches."
    return f"WASH off the finer grit {when}."


def _stop(view: RunView, number: int, look: Outlook) -> str:
    """When a step is over: metal first, minutes with their band after it."""
    if look.tipping_margin < 0.0:
        return "do not begin: the top tips off"
    step, times = view.steps[number - 1], len(ends(view, number))
    time, off = look.time, {name: look.removed_from[name] for name in (step.top, step.bottom)}
    if times:
        time = view.rubbed(number) / times
        off = {name: _off(view, number, name) / times for name in off}
    reckoned = "" if times else " (worked out beforehand: the run did not get this far)"
    over = passed(view) if number == len(view.steps) else None
    if over is not None:
        time, off = _until(view, number, over.at)
    told = f"{_metal(view, off)}; {rubbed(time, step.pace, spread_of([step]))}"
    if step.until is not None:
        most = Units.spell(step.total_strokes / step.pace)
        return f"when {stop_by_gauge(step.until, view.units)}: in this run {told}; {most} at most"
    if over is not None:
        whole = Units.spell(step.total_strokes / step.pace)
        fields: Fields = {"what": label(over.one), "then": over.then, "end": over.end}
        return say("orders.best", view.units, sign=told, whole=whole, **fields)
    return f"when {told}{reckoned}"


def _until(view: RunView, number: int, at: int) -> tuple[float, dict[str, float]]:
    """Time rubbed [s] and depth off both faces [m] from the start of a step up to a place in the history."""
    begun = int(np.flatnonzero(view.run.step[1:] == number)[0])
    step, records = view.steps[number - 1], view.run.plates
    off = {n: float(np.ptp(records[n].removed[[begun, at]])) for n in (step.top, step.bottom)}
    return float(view.run.time[at] - view.run.time[begun]), off


def _metal(view: RunView, off: dict[str, float]) -> str:
    """Depth off each face, and its weight where a balance tells it."""
    parts = [
        (
            view.units.size(depth),
            f"{Units.number(view.grams(n, depth))} g" * view.weighable(n, depth),
        )
        for n, depth in off.items()
    ]
    depth, weight = parts[0]
    if len(set(parts)) == 1:
        return f"{depth} is off each face" + (f", {weight} by weight" if weight else "")
    each = zip(off, parts, strict=True)
    return joined([f"{n} has lost {depth}" + (f" ({w})" if w else "") for n, (depth, w) in each])


def _off(view: RunView, number: int, name: str) -> float:
    """Mean depth that a step took off a plate, over all rounds [m]."""
    face = view.face(name)
    return (
        0.0
        if face is None
        else float(np.diff(face.record.removed)[view.run.step[1:] == number].sum())
    )


# --- below -------------------------------------------------------------------------------------


def _foot(view: RunView, most: int) -> tuple[Note, ...]:
    """How to weigh and how to lift; what to take care of, the gravest first, no more than `most` in full."""
    study = view.study
    lines = [_weighing(view)]
    several = len(study.steps) * study.rounds > 1 and study.batch is None
    if any(step.swap is not None for step in study.steps) or several:
        lines.append(
            "Laying down: both with 12 at 12 to begin; after a change the new bottom has its 12 at 12."
        )
    lines.append(say("orders.clock"))
    tops = {step.top for step in view.steps} | {s.bottom for s in view.steps if s.swap is not None}
    if study.batch is not None and study.batch.carrier is not None:
        tops.add(study.batch.carrier)
    top = max((p for name, p in study.plates.items() if name in tops), key=lambda p: p.total_mass)
    lines.append(
        f"Lifting: {top.name} weighs {_mass(top.total_mass, view.units)}. "
        f"{'Stop the plate first, gloves off. ' if driven(study) else ''}Slide plates apart, never pry. "
        "Fingers out of the gap. Local rules come first."
    )
    found = noticed(view.run, study)
    if passed(view) is not None:  # the order to stop says it
        found = [one for one in found if one.code != "best_passed"]
    minded = [f"{sentence(line)}." for line in in_words(found, study, bench=True)]
    left = len(minded) - most
    more = [f"{left} more to take care of: on the page (report.html)."] if left > 0 else []
    return (*map(_led, lines), *(_led(line, alarm=True) for line in minded[:most] + more))


def _led(line: str, alarm: bool = False) -> Note:
    """A line of the foot: what stands before its first colon is its lead, where that is short."""
    lead, colon, text = line.partition(": ")
    return Note(text, f"{lead}:", alarm) if colon and len(lead) < 28 else Note(line, alarm=alarm)


def _weighing(view: RunView) -> str:
    """What a micrometre weighs off the lightest plate, the best to weigh, or that it is too little."""
    masses = {face.name: view.study.plates[face.name].total_mass for face in view.faces}
    named = [face for face in view.faces if face.name in _named(view)]
    light = [face for face in named if masses[face.name] < 1.001 * min(masses.values())]
    face, names = light[0], " or ".join(f.name for f in light)
    if not view.weighable(face.name, face.lost):
        lost, grams = view.units.size(face.lost), Units.number(view.grams(face.name, face.lost))
        return (
            f"Weighing: all that goes off {face.name} here, {lost}, is {grams} g, too little to weigh on "
            f"{_mass(masses[face.name], view.units)}: measure how much is off. "
            "Minutes are guesses until then."
        )
    one = "; weigh that one, the lightest" if len(light) < len(named) else ""
    depth = view.units.depth
    grams = Units.number(view.grams(face.name, depth.size), 3)
    weighs = f"Weighing, clean and dry: {depth.name} off {names} weighs {grams} g{one}."
    plate, gone = view.study.plates[face.name], view.grams(face.name, depth.size)
    if scale_words(plate, gone, view.units):  # in short, to stay on one line
        step = Units.number(scale_step(gone), echo=True)
        weighs += f" Scale: to {view.units.mass(masses[face.name])} by {step} g."
    return f"{weighs} Minutes are guesses until then."


# --- on paper ----------------------------------------------------------------------------------

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
        rows = _rows_of(self.text, WIDTH - self.indent * size * POINT, self.type * size)
        return rows * self.type * size * LEADING * POINT + self.around


@dataclass(frozen=True)
class Sheet:
    """One sheet: its type [pt], which blocks and which rows stand on it (from, to), and head and foot."""

    type: float
    blocks: tuple[int, int]
    rows: tuple[int, int]
    head: bool
    foot: bool


def _rows_of(text: str, width: float, size: float) -> int:
    return max(1, math.ceil(len(text) * LETTER * size * POINT / width))


def row_height(expect: str, size: float) -> float:
    """How tall a row of the readings is [mm]."""
    return max(ROW, _rows_of(expect, EXPECT, TABLE * size) * TABLE * size * 1.2 * POINT + 1.6)


def _tall(lines: Sequence[Line], size: float) -> float:
    return sum(line.height(size) for line in lines)


def _table(rows: Sequence[str], size: float) -> float:
    """The readings with the note and the heads above them [mm]."""
    above = (2.0 * TABLE * LEADING + 2.2) * size * POINT + 2.6
    return above + sum(row_height(expect, size) for expect in rows) if rows else 0.0


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
    first, below = 0, _tall(foot, size)
    # Readings stay together if they can; a long table goes on from sheet to sheet.
    if _table(rows, size) + below > room:
        sheets.append(Sheet(size, (begun, len(blocks)), (0, 0), top, False))
        room, begun, top = HEIGHT - title, len(blocks), False
        while first < len(rows) and _table(rows[first:], size) + below > room:
            last = first + 1
            while _table(rows[first : last + 1], size) <= room and last + 1 < len(rows):
                last += 1
            sheets.append(Sheet(size, (begun, begun), (first, last), False, False))
            first = last
    return [*sheets, Sheet(size, (begun, len(blocks)), (first, len(rows)), top, True)]


def _measured(card: Card) -> tuple[list[Line], list[list[Line]], list[str], list[Line]]:
    """The card as the layout sees it: lengths of text, type, indents."""
    head = [Line(card.view.title, 1.55, 7.0, 4.0)]
    head += [Line(note.whole, 0.92, 0.0, 0.2) for note in card.head]
    if (rounds := card.view.study.rounds) > 1 and card.view.study.batch is None:
        ticks = 4 * " " * min(rounds, MOST_TICKS)
        head.append(Line(f"rounds of steps 1 to 9, tick each {ticks}", 1.1, 1.0, 4.0))
    blocks = []
    for block in card.blocks:
        heads = "".join(f"{name}  1  " for name in block.heads)
        lines = [Line(heads, 1.45, 0.8 * len(block.grit), 0.0)]
        for order in block.lines:
            ticks = order.ticks * "mm" * (order.ticks <= MOST_TICKS)
            lines.append(Line(order.text + ticks, 1.0, 6.4, 0.45))
        lines.append(Line("", 0.01, 0.0, 4.6))
        blocks.append([*lines, *([Line(block.wash, 1.0, 3.0, 3.6)] if block.wash else [])])
    # An alarm is bold (taken a tenth wider) and has a frame about it.
    wider = [1 + len(note.whole) // 10 if note.alarm else 0 for note in card.foot]
    foot = [
        Line(note.whole + more * "x", 0.84, 1.0, 3.2 if note.alarm else 0.3)
        for note, more in zip(card.foot, wider, strict=True)
    ]
    return head, blocks, [row.expect for row in card.rows], [*foot, Line("", 0.01, 0.0, 3.0)]
