"""A study said back on one screen; what has no room here `preview --all` says.

Of a study of two steps and two plates 24 lines of 80 columns hold it, the lines on what to type next among
them: what cannot be first, a line for each matter of a step, the gravest findings.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lapwright.kinematics.motion import rev, spins
from lapwright.kinematics.sliding import invariants_of
from lapwright.presentation import beforehand
from lapwright.presentation.batch_before import before_words
from lapwright.presentation.beforehand import EDGE
from lapwright.presentation.finding_words import Line, lines_of
from lapwright.presentation.staying import RIDGES, leaves
from lapwright.presentation.tables import limit, stroke_words
from lapwright.presentation.words import say
from lapwright.results.answer import wrapped
from lapwright.results.findings import KINDS
from lapwright.units import NOTHING

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.results.answer import Preview
    from lapwright.specification.step import Step
    from lapwright.study.model import Study
    from lapwright.units import Units


COLUMNS, ROWS = 80, 24
NEXT = 3  # rows that what to type next takes
MOST = 3  # findings
IMPOSSIBLE = ("tips", "seesaws")
CUT = " ..."  # behind what is not all
SAID = 0.5  # of the room that what is left of a text fills, where it is cut at the end of a clause
INDENT = 10  # columns before what is said of a step


def screen(preview: Preview, rows: int = ROWS - NEXT) -> Iterator[str]:
    """A preview in so many `rows` where two plates and two steps are told of; more take as much more."""
    study, told = preview.study, lines_of(preview.findings, preview.study)
    cannot = [one for one in told if one.code in IMPOSSIBLE]
    found = [one for one in told if one.code not in IMPOSSIBLE]
    width = max(map(len, study.plates)) + 2
    alike = study.batch.names[1:] if study.batch is not None else ()
    head = [Row([study.title or study.stem])]
    head += [Row([line]) for one in cannot for line in _wrapped(one.text)]
    for name, plate in study.plates.items():
        if name not in alike:
            text = beforehand.plate(plate, study.units, brief=True)
            head.append(Row([text], width, f"{name:<{width}}"))
    if study.start is not None:
        head += [Row([line]) for line in _wrapped(beforehand.came_from(study.start), "")]
    told_of = [head, *(list(_step(preview, number)) for number in range(1, len(study.steps) + 1))]
    if study.batch is not None:
        told_of[-1] += [Row([line]) for line in before_words(study)]
    elif study.rounds > 1:
        told_of[-1].append(Row([say("screen.rounds", rounds=study.rounds)]))
    last = list(_findings(found, rows - sum(map(len, told_of))))
    if not told:
        last.append(say("screen.calm"))
    parts = [*_in_full(told_of, rows - sum(map(len, told_of)) - len(last)), last]
    airy = sum(map(len, parts)) + len(parts) - 1 <= rows
    for k, part in enumerate(parts):
        yield from ([""] if airy and k and part else [])
        yield from part


@dataclass(frozen=True)
class Row:
    """What is said behind a `head` of so many columns of `indent`: of its `parts`, one line full or all."""

    parts: Sequence[str]
    indent: int = 0
    head: str = ""
    comma: str = ", "

    @property
    def short(self) -> str:
        """In one line."""
        return fitted(self.parts, self.indent, self.head, self.comma)

    @property
    def full(self) -> list[str]:
        """In as many lines as it takes."""
        text = self.comma.join(filter(None, self.parts))
        return textwrap.wrap(
            text,
            COLUMNS,
            initial_indent=self.head,
            subsequent_indent=" " * max(self.indent, 2),
            break_on_hyphens=False,
        )


def _in_full(parts: Sequence[Sequence[Row]], spare: int) -> Iterator[list[str]]:
    """The lines of each part: those that one line cuts short in full, while `spare` lines last."""
    for part in parts:
        lines = []
        for row in part:
            full = row.full
            more = len(full) - 1
            enough = 0 < more <= spare
            spare -= more if enough else 0
            lines += full if enough else [row.short]
        yield lines


def _step(preview: Preview, number: int) -> Iterator[Row]:
    """A step in five rows: what is laid on what, hand, cuts, makes, leaves."""
    study, units, at = preview.study, preview.study.units, number - 1
    step, look, glance = study.steps[at], preview.looks[at], preview.glances[at]
    pair = f"Step {number}: {step.top} on {step.bottom}"
    how = beforehand.schedule(step, look, units)
    yield Row([pair, f"grit {step.grit.name}", *how])
    cuts = [beforehand.cuts(study, number, look, brief) for brief in (False, True)]
    parts = {
        "hand": _hand(step, look, units, study.turns_bottom(number)),
        "cuts": [min(cuts, key=lambda text: (len(text) > COLUMNS - INDENT, -len(text)))],
        "makes": preview.made(number, brief=True),
        "leaves": [
            *(_fitting(study) if number == 1 else []),
            *leaves(step, study.plates, look, units, glance, brief=True, carrier=study.carried),
        ],
    }
    for what, told in parts.items():
        yield Row(told, INDENT, f"  {what:<{INDENT - 2}}", "; " if what != "hand" else ", ")


def _fitting(study: Study) -> list[str]:
    """The twist or wind that both plates of the first step come with, where its stroke never takes it out."""
    step = study.steps[0]
    if invariants_of(step).kind not in ("curved", *RIDGES):
        return []
    one, other = (study.plates[name].form for name in (step.top, step.bottom))
    sizes = {"twist": (one.twist, other.twist), "wind": (one.wind, other.wind)}
    return [
        say("leaves.there", study.units, what=say(f"title.own {what}"), size=min(map(abs, both)))
        for what, both in sizes.items()
        if both[0] * both[1] > 0.0 and min(map(abs, both)) >= NOTHING
    ]


def _hand(step: Step, look: Outlook, units: Units, under: bool) -> list[str]:
    """The stroke, how far it goes over the edge, how the top is turned, what presses.

    `under`: the study says that the bottom is turned.
    """
    over, lift = look.nearest_overhang, limit(look.edge.limits.lift, step, units)
    under = under or spins(step)
    turn, walk = (
        say("screen.fast", speed=speed)
        if (speed := rev(one, step))
        else say(
            "screen.turned",
            angle=abs(one.angle),
            back=(one.angle < 0.0) != (under and one is step.walk),
            every=one.every if one.indexed else 0,
        )
        for one in (step.turn, step.walk)
    )
    walks = say("screen.walks", walk=walk)
    if under:
        walks = say("screen.plate", bottom=step.bottom, turn=walk)
    return [
        stroke_words(step, units),
        say(f"screen.edge.{'over' if over > EDGE else 'inside'}", units, over=abs(over), lift=lift),
        say("screen.turns", turn=turn if step.turn.angle else ""),
        *([walks] if step.walk.angle else []),
        say("screen.presses", units, load=look.load),
    ]


def _findings(told: Sequence[Line], room: int) -> Iterator[str]:
    """The gravest, at most three, one of a kind, in full where that fits; and how many more there are.

    What hurts a person is said in full or, where it does not fit behind another, counted alone.
    """
    kinds = {one.code: one for one in reversed(told)}
    chosen = sorted(kinds.values(), key=told.index)[:MOST]
    left, shown = room - (len(told) > len(chosen)), 0
    for k, one in enumerate(chosen):
        kept = 2 * (len(chosen) - k - 1)  # lines for each that follows
        most = max(left - kept, 1)
        lines = _wrapped(one.text)
        if len(lines) > most and KINDS[one.code].harm != "person":
            lines = shortened(one.text.partition(". ")[0], most)
        if k and len(lines) > left:
            break
        left -= len(lines)
        shown += 1
        yield from lines
    if len(told) > shown:
        yield say("screen.more", more=len(told) - shown)


def shortened(
    text: str, most: int, wrapping: Callable[[str], list[str]] | None = None
) -> list[str]:
    """As much of a text as so many lines hold: whole sentences or clauses, where they are not too few."""
    wrapping = wrapping or _wrapped
    lines, room = wrapping(text), len(text) + len(CUT)
    while len(lines) > most:
        room -= 1
        lines = wrapping(_clause(text, room))
    return lines


def wide(text: str) -> list[str]:
    """A text in lines as wide as all but previews have them."""
    return wrapped(text, "", "  ")


def _wrapped(text: str, sign: str = "! ") -> list[str]:
    return textwrap.wrap(
        text,
        COLUMNS,
        initial_indent=sign,
        subsequent_indent="  ",
        break_on_hyphens=False,
    )


def fitted(parts: Sequence[str], indent: int, head: str = "", comma: str = ", ") -> str:
    """As many of the parts as one line holds; the first is cut where a clause ends, and shows that it is."""
    room, text = COLUMNS - indent, parts[0]
    for part in parts[1:]:
        if part and len(text) + len(comma) + len(part) <= room:
            text += comma + part
    return head + _clause(text, room)


def _clause(text: str, room: int) -> str:
    """The clauses of a text that fit."""
    if len(text) <= room:
        return text
    room -= len(CUT)
    for marks in (("; ", ". "), ("; ", ": ", " (", ". ", ", ")):
        if (end := _end(text, room, marks)) >= SAID * room:
            return text[:end] + CUT
    end = _end(text, room, (" ",))
    return text[: end if end > 0 else room] + CUT


def _end(text: str, room: int, marks: Sequence[str]) -> int:
    """Where the last of the clauses that fit ends; -1: nowhere."""
    return max(text.rfind(mark, 0, room + 1) for mark in marks)
