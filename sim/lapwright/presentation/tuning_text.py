"""A search for a schedule in words, and as one JSON object.

A search for a schedule as one JSON object: SI throughout, candidates best first.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from lapwright.kinematics.schedule import spread_of
from lapwright.optimisation.track import Candidate, Constraint, Evaluation, Tuning
from lapwright.presentation import words
from lapwright.presentation.comparison_text import MARKED
from lapwright.presentation.tuning_notes import (
    asked_for,
    finish,
    label,
    notes,
    settings,
    sloppy,
    worst,
)
from lapwright.presentation.words import MARK
from lapwright.units import Units

__all__ = [
    "Line",
    "Way",
    "as_json",
    "criterion",
    "headline",
    "in_words",
    "lines",
    "marked",
    "table",
    "ways",
]


WIDTH = 100
SHOWN = 6  # other ways on a screen
SOON = 0.95  # of a schedule: what is reached before has a rest to speak of
LEAST = {"time": "time", "removed": "metal", "turns": "turns", "swaps": "swaps"}


def criterion(got: Tuning) -> str:
    """What was asked for, and how it was looked for; in a sentence or two."""
    units = got.study.units
    held = "" if got.goal.hold is None else f", held to {Units.spell(got.goal.hold)}"
    told = (
        f"Asked: {asked_for(got.asked, units)}{held}; of what reaches "
        f"it, the least {LEAST[got.goal.least]}."
    )
    if got.tried:
        told += (
            f" {got.tried} schedules were worked out by forecast, {got.simulated} lapped in full."
        )
    return told


# --- what was found ----------------------------------------------------------------------------


def headline(got: Tuning) -> str:
    """What was found, or how near it came."""
    best, units = got.answer, got.study.units
    if best is None or best.simulated is None:
        return _nothing(got)
    course = best.simulated
    if got.idle:
        return f"Found: {asked_for(got.asked, units)}: the faces are so as they come. Lap nothing."
    if best.ok:
        held = (
            "" if got.goal.hold is None else f", and so to the end of {Units.spell(got.goal.hold)}"
        )
        told = f"Found: {asked_for(got.asked, units)}{held}. {_costs(got, course)}"
        return told if got.new is not None else f"{told} The study does it as it is typed."
    what = (
        "That cannot be reached with what may move"
        if got.refused
        else "Nothing that was tried reaches it"
    )
    if course.trouble is not None:
        return f"{what}, and the nearest does not come to its end."
    one = worst(got.asked, course)
    figure = f"{label(one)} {_sized(got, best, one, course)}"
    who = "The study as it is typed is the nearest; it" if _as_typed(best) else "The nearest"
    return f"{what}. {who} leaves {figure}, {Units.number(course.share)} times what is asked."


def _as_typed(way: Candidate) -> bool:
    """Whether a schedule is the study as it stands."""
    return not way.changes and list(way.order) == sorted(way.order)


def _nothing(got: Tuning) -> str:
    if got.outcome == "interrupted":
        return "The search was stopped before anything was lapped in full."
    return (
        "That cannot be reached with what may move."
        if got.refused
        else "Nothing that was tried comes to its end."
    )


def _costs(got: Tuning, course: Evaluation) -> str:
    """What it takes: metal first."""
    units, known = got.study.units, spread_of(got.study.steps)
    off = units.size(course.cost.removed)
    took = [f"It takes {off} of metal off, {Units.rubbing(course.cost.time, known)}"]
    if got.goal.least in ("turns", "swaps"):
        took.append(f"with {_count(course, got.goal.least)}")
    if (
        got.goal.hold is None
        and course.then is not None
        and course.then.time > 0.0
        and _runs_on(course)
    ):
        then = f"{units.size(course.then.removed)}, {Units.band(course.then.time, known)}"
        took.append(f"and is there after {then}")
    return f"{', '.join(took)}."


def _count(course: Evaluation, what: str) -> str:
    number = course.cost.of(what)
    if round(number, 1) == 0.0:
        return f"no {what}"
    name = what if round(number, 1) != 1.0 else what[:-1]
    return f"{number:.0f} {name}" if what == "swaps" or number >= 10.0 else f"{number:.1f} {name}"


def _sized(got: Tuning, way: Candidate, one: Constraint, course: Evaluation) -> str:
    value = course.worst.get(one.key)
    if value is None:
        return "not known"
    fine = got.study.units.finer(value, finish(way.study, one.plate))
    return got.study.units.size(value) + (f" ({words.REMARK})" if fine else "")


# --- its numbers -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """One quantity: the most that it may be, as the study stands, foretold and lapped in full; in words."""

    what: str
    asked: str
    begun: str
    foretold: str
    lapped: str


def lines(got: Tuning) -> list[Line]:
    """The numbers of the answer, beside those of the study as it stands."""
    best = got.answer
    if best is None:
        return []
    begun = got.begun.simulated if got.begun is not None else None
    courses = (begun, best.operator, best.simulated)
    found = []
    for one in got.asked:
        fine = finish(best.study, one.plate)
        cells = [_cell(course, one, fine, got.study.units) for course in courses]
        found.append(Line(label(one), got.study.units.size(one.limit), *cells))
    rows = [("reached after", _when), ("metal off by then", _off)]
    if any(_runs_on(course) for course in courses):
        rows += [("whole schedule", _all_time), ("metal off in all", _all_off)]
    for what, told in rows:
        cells = [told(got, course) for course in courses]
        found += [Line(what, "", *cells)] if any(cells) else []
    return found


def table(got: Tuning) -> list[tuple[str, ...]]:
    """The same as rows of a table, its head first."""
    if got.idle:
        told = [(one.what, one.asked, one.begun, one.lapped) for one in lines(got)]
        return [("", "at most", "as typed", "as they come"), *told[: len(got.asked)]]
    told_twice = [(one.what, one.asked, one.begun, one.foretold, one.lapped) for one in lines(got)]
    return [("", "at most", "as typed", "foretold", _lapped_head(got)), *told_twice]


def _lapped_head(got: Tuning) -> str:
    """What stands over the second number of the answer."""
    return (
        "the nearest, in full" if got.answer is not None and not got.answer.ok else "lapped in full"
    )


def _cell(course: Evaluation | None, one: Constraint, fine: float, units: Units) -> str:
    if course is None or course.trouble is not None or one.key not in course.worst:
        return "" if course is None else "no end"
    value = course.worst[one.key]
    return units.size(value) + (MARK if units.finer(value, fine) else "")


def _when(got: Tuning, course: Evaluation | None) -> str:
    if course is None:
        return ""
    if not course.ok:
        return "never"
    if course.reached_at == 0.0:
        return "at once"
    return Units.band(course.reached_at or 0.0, spread_of(got.study.steps))


def _off(got: Tuning, course: Evaluation | None) -> str:
    return (
        "" if course is None or course.then is None else got.study.units.size(course.then.removed)
    )


def _runs_on(course: Evaluation | None) -> bool:
    """Whether it is worth a line of its own how long the whole schedule takes."""
    if course is None or course.whole is None:
        return False
    return course.then is None or course.then.time < SOON * course.whole.time


def _all_time(got: Tuning, course: Evaluation | None) -> str:
    if course is None or course.whole is None:
        return ""
    return Units.band(course.whole.time, spread_of(got.study.steps))


def _all_off(got: Tuning, course: Evaluation | None) -> str:
    return (
        "" if course is None or course.whole is None else got.study.units.size(course.whole.removed)
    )


def marked(got: Tuning) -> bool:
    """Whether any number of the answer or of another way is finer than the finish."""
    told = [cell for line in lines(got) for cell in (line.begun, line.foretold, line.lapped)]
    told += [cell for way in ways(got) for cell in (way.foretold, way.lapped)]
    return any(MARK in cell for cell in [*told, *sloppy(got), *notes(got)])


@dataclass(frozen=True)
class Way:
    """One schedule that was lapped in full, in words: what it sets, its worst number twice, what it takes."""

    name: str
    sets: str
    foretold: str
    lapped: str
    reached: str
    off: str
    lifts: str


def ways(got: Tuning) -> list[Way]:
    """Every candidate, best first."""
    return [_way(got, way) for way in got.candidates]


def _way(got: Tuning, way: Candidate) -> Way:
    units, course = got.study.units, way.simulated
    sets = "; ".join(f"{one.name} {one.now}" for one in settings(got, way))
    if course is None or course.trouble is not None:
        trouble = (
            "not lapped in full" if course is None or course.trouble is None else course.trouble
        )
        return Way(way.name, sets, "", " ".join(trouble.split()), "", "", "")
    one = worst(got.asked, course)
    fine = finish(way.study, one.plate)
    named = "" if len(got.asked) == 1 else f"{label(one)} "
    share = course.lift_share
    return Way(
        way.name,
        sets,
        named + _cell(way.operator, one, fine, units),
        named + _cell(course, one, fine, units),
        _when(got, course),
        _off(got, course),
        "yes" if share > 0.0 or way.lifts else "no",
    )


# --- on the screen -----------------------------------------------------------------------------


def in_words(got: Tuning) -> list[str]:
    """What a person reads on the screen."""
    out = [got.study.title, "", *_wrapped(headline(got))]
    for one in got.refused:
        out += _wrapped(f"{one.message[:1].upper()}{one.message[1:]}.")
    if got.answer is None:
        return out
    if got.new is not None:
        out += ["", *_settings(got, got.new)]
    out += ["", *_wrapped(criterion(got)), *_numbers(got)]
    if got.outcome != "refused":
        out += _listed("A sloppy hand:", sloppy(got)) + _others(got)
    return out + _listed("Look out:", notes(got))


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, break_long_words=False, break_on_hyphens=False)


def _listed(head: str, told: Sequence[str]) -> list[str]:
    if not told:
        return []
    out = ["", head]
    for one in told:
        out += textwrap.wrap(one, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return out


def _settings(got: Tuning, best: Candidate) -> list[str]:
    rows = [
        (one.name, f'"{one.now}"', f'was "{one.was}"' if one.was else "", one.remark)
        for one in settings(got, best)
    ]
    return ["Set in the study:", *_columns(rows)]


def _numbers(got: Tuning) -> list[str]:
    return ["", *_columns(table(got)), *(_wrapped(MARKED) if marked(got) else [])]


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    wide = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  " + "  ".join(f"{cell:<{w}}" for cell, w in zip(row, wide, strict=True)).rstrip()
        for row in rows
    ]


def _others(got: Tuning) -> list[str]:
    others = ways(got)[1:]
    if not others:
        return []
    told = []
    for rank, way in enumerate(others[:SHOWN], 2):
        took = f", {way.off} off, {way.reached}" if way.reached not in ("", "never") else ""
        told.append(f"{rank}  {way.sets}: {way.lapped}{took}")
    return _listed("Other ways, lapped in full:", told)


def as_json(got: Tuning, written: Path | None) -> dict[str, Any]:
    """The answer of `tune --json`; `written`: the new study, None where there is none."""
    answer: dict[str, Any] = {
        "outcome": got.outcome,
        "study": None if written is None else str(written),
        "of": got.study.stem,
        "goal": {
            "reach": dict(got.goal.reach),
            "plates": list(got.goal.plates),
            "hold": got.goal.hold,
            "keep": {name: dict(forms) for name, forms in got.goal.keep.items()},
            "least": got.goal.least,
        },
        "candidates": [_candidate(way) for way in got.candidates],
        "as_typed": None if got.begun is None else _candidate(got.begun),
        "sensitivity": [asdict(nudge) for nudge in got.sensitivity],
        "trade_off": [asdict(point) for point in got.trade_off],
        "refused": [asdict(one) for one in got.refused],
        "lost": None if got.lost is None else asdict(got.lost),
        "tried": got.tried,
        "simulated": got.simulated,
    }
    if got.cells is not None:
        answer["cells"] = got.cells
    if got.samples:
        answer["samples"], answer["reached_in"] = got.samples, got.reached_in
        answer["did_not_end"] = got.failed
        answer["bands"] = {band.what: [band.low, band.high] for band in got.bands}
    if got.outcome != "found":
        first = got.refused[0] if got.refused else None
        answer["error"] = {
            "code": first.code if first is not None else "not_reached",
            "key": first.key if first is not None else "tune.reach",
            "message": first.message if first is not None else headline(got),
        }
    return answer


def _candidate(way: Candidate) -> dict[str, Any]:
    return {
        "name": way.name,
        "set": dict(way.changes),
        "order": list(way.order),
        "lifts": way.lifts,
        "operator": _course(way.operator),
        "simulated": _course(way.simulated),
        "reached_at": None if way.simulated is None else way.simulated.reached_at,
    }


def _course(course: Evaluation | None) -> dict[str, Any] | None:
    """What a schedule comes to: foretold, or found by lapping it in full."""
    if course is None:
        return None
    return {
        "reached_at": course.reached_at,
        "share": course.share,
        "worst": dict(course.worst),
        "plates": {name: dict(forms) for name, forms in course.forms.items()},
        **asdict(course.cost),
        "removed_by_then": None if course.then is None else course.then.removed,
        "lift_share": course.lift_share,
        **({} if course.trouble is None else {"trouble": course.trouble}),
    }
