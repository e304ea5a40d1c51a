"""A search for a schedule: in words, as one JSON object, as a page, and its schedules as studies.

JSON is SI throughout, candidates best first; a schedule as a study has at its head what was asked and what
comes of it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright import __version__
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.optimisation.track import Candidate, Constraint, Evaluation, Tuning
from lapwright.presentation import words
from lapwright.presentation.comparison_text import MARKED
from lapwright.presentation.tuning_notes import (
    asked_for,
    by_key,
    label,
    notes,
    settings,
    sloppy,
    spoken,
    study_text,
    worst,
)
from lapwright.presentation.words import MARK
from lapwright.study.doubts import doubt_at_end
from lapwright.units import Units

if TYPE_CHECKING:
    from matplotlib.figure import Figure


WIDTH = 100
SHOWN = 6  # other ways on a screen
SOON = 0.95  # of a schedule: what is reached before has a rest to speak of
LEAST = {"time": "time", "removed": "metal", "turns": "turns", "swaps": "swaps", "work": "work"}


def criterion(got: Tuning) -> str:
    """What was asked for, and how it was looked for; in a sentence or two."""
    units = got.study.units
    held = "" if got.goal.hold is None else f", held to {Units.spell(got.goal.hold)}"
    told = (
        f"Asked: {asked_for(got.asked, units)}{held}; of what reaches "
        f"it, the least {LEAST[got.least]}."
    )
    if got.study.batch is not None:
        told += f" {got.tried} ways were lapped on coarse plates, {got.simulated} in full."
    elif got.tried:
        told += (
            f" {got.tried} schedules were worked out by forecast, {got.simulated} lapped in full."
        )
    return told


# --- what was found ----------------------------------------------------------------------------


def headline(got: Tuning) -> str:
    """What was found, or how near it came."""
    best, units = got.answer, got.study.units
    cannot = "That cannot be reached with what may move"
    if best is None or best.simulated is None:
        if got.outcome == "interrupted":
            return "The search was stopped before anything was lapped in full."
        return f"{cannot}." if got.refused else "Nothing that was tried comes to its end."
    course = best.simulated
    if got.idle:
        return f"Found: {asked_for(got.asked, units)}: the faces are so as they come. Lap nothing."
    if best.ok:
        held = (
            "" if got.goal.hold is None else f", and so to the end of {Units.spell(got.goal.hold)}"
        )
        told = f"Found: {asked_for(got.asked, units)}{held}. {_costs(got, course)}"
        return told if got.new is not None else f"{told} The study does it as it is typed."
    what = cannot if got.outcome == "refused" else "Nothing that was tried reaches it"
    if course.trouble is not None:
        return f"{what}, and the nearest does not come to its end."
    one = worst(got.asked, course)
    figure = f"{label(one)} {_sized(got, best, one, course)}"
    who = "The study as it is typed is the nearest; it" if _as_typed(best) else "The nearest"
    return f"{what}. {who} leaves {figure}, {Units.times(course.share)} times what is asked."


def _as_typed(way: Candidate) -> bool:
    """Whether a schedule is the study as it stands."""
    return not way.changes and list(way.order) == sorted(way.order)


def _costs(got: Tuning, course: Evaluation) -> str:
    """What it takes: metal first."""
    units, known = got.study.units, spread_of(got.study.steps)
    off = units.size(course.cost.removed)
    took = [f"It takes {off} of metal off, {Units.rubbing(course.cost.time, known)}"]
    if got.least in ("turns", "swaps"):
        took.append(f"with {_count(course, got.least)}")
    if got.least == "work":
        took.append(f"{Units.time(course.cost.work)} of work with handling and metal")
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
    fine = got.study.units.finer(value, doubt_at_end(way.study, one.plate))
    return got.study.units.beside(value, one.limit) + (f" ({words.REMARK})" if fine else "")


# --- its numbers -------------------------------------------------------------------------------


def table(got: Tuning) -> list[tuple[str, ...]]:
    """The numbers of the answer beside those of the study as it stands: rows of a table, its head first."""
    best, units, known = got.answer, got.study.units, spread_of(got.study.steps)
    if best is None:
        return []
    head = "as they come" if got.idle else "lapped in full" if best.ok else "the nearest, in full"
    by = "forecast" if got.study.batch is None else "on coarse plates"
    courses = {
        "as typed": got.begun.simulated if got.begun is not None else None,
        **({} if got.idle else {by: best.operator}),
        head: best.simulated,
    }
    rows = [("", "at most", *courses)]
    for one in got.asked:
        fine = doubt_at_end(best.study, one.plate)
        cells = [_cell(course, one, fine, units) for course in courses.values()]
        rows.append((label(one), units.limit(one.limit), *cells))
    if got.idle:
        return rows
    said: dict[str, Callable[[Evaluation], str]] = {
        "reached after": lambda course: _when(got, course),
        "metal off by then": lambda course: units.size(course.then.removed) if course.then else "",
    }
    if any(_runs_on(course) for course in courses.values()):
        said["whole schedule"] = lambda c: Units.band(c.whole.time, known) if c.whole else ""
        said["metal off in all"] = lambda c: units.size(c.whole.removed) if c.whole else ""
    for what, say in said.items():
        cells = ["" if course is None else say(course) for course in courses.values()]
        rows += [(what, "", *cells)] if any(cells) else []
    return rows


def _cell(course: Evaluation | None, one: Constraint, fine: float, units: Units) -> str:
    if course is None or course.trouble is not None or one.key not in course.worst:
        return "" if course is None else "no end"
    value = course.worst[one.key]
    return units.beside(value, one.limit) + (MARK if units.finer(value, fine) else "")


def _when(got: Tuning, course: Evaluation) -> str:
    if course.reached_at is None:
        return "never"
    if course.reached_at == 0.0:
        return "at once"
    return Units.band(course.reached_at, spread_of(got.study.steps))


def _runs_on(course: Evaluation | None) -> bool:
    """Whether it is worth a line of its own how long the whole schedule takes."""
    if course is None or course.whole is None:
        return False
    return course.then is None or course.then.time < SOON * course.whole.time


def marked(got: Tuning) -> bool:
    """Whether any number of the answer or of another way is below what a gauge tells."""
    told = [cell for row in table(got) for cell in row]
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
        trouble = (course and course.trouble) or "not lapped in full"
        return Way(way.name, sets, "", " ".join(trouble.split()), "", "", "")
    one = worst(got.asked, course)
    fine = doubt_at_end(way.study, one.plate)
    named = "" if len(got.asked) == 1 else f"{label(one)} "
    share = course.lift_share
    return Way(
        way.name,
        sets,
        named + _cell(way.operator, one, fine, units),
        named + _cell(course, one, fine, units),
        _when(got, course),
        units.size(course.then.removed) if course.then is not None else "",
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
        rows = [
            (one.name, f'"{one.now}"', f'was "{one.was}"' if one.was else "", one.remark)
            for one in settings(got, got.new)
        ]
        out += ["", "Set in the study:", *_columns(rows)]
    out += ["", *_wrapped(criterion(got)), "", *_columns(table(got))]
    out += _wrapped(MARKED) if marked(got) else []
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
            "effort": dict(vars(got.goal.effort)),
            "least": got.least,
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
            "key": first.key if first is not None else "goal",
            "message": first.message if first is not None else headline(got),
        }
    return answer


def _candidate(way: Candidate) -> dict[str, Any]:
    return {
        "name": way.name,
        "set": dict(way.changes),
        "order": list(way.order),
        "lifts": way.lifts,
        "steady": way.steady,
        "sure": way.sure,
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


MARKS = 8  # schedules that are marked in the trade-off
COSTS = {
    "time": ("rubbing, min", 60.0),
    "removed": ("metal off", None),
    "turns": ("whole turns", 1.0),
    "swaps": ("swaps", 1.0),
    "work": ("work, min", 60.0),
}


def tuning_page(got: Tuning, written: Path) -> str:
    """The page as text.

    Parameters
    ----------
    got : Tuning
        What was found.
    written : path
        Where the new study lies.

    Returns
    -------
    str
        HTML.

    """
    from lapwright.presentation import pictures
    from lapwright.presentation.filling import filled

    heads, *rows = table(got)
    with pictures.sheet():
        return filled(
            "tune.html",
            got=got,
            study=got.study,
            program=__version__,
            headline=headline(got),
            criterion=criterion(got),
            settings=settings(got, got.candidates[0]),
            heads=heads,
            table=rows,
            guessed=spread_of(got.study.steps) == BAND,
            marked=marked(got),
            MARKED=MARKED,
            refused=[f"{one.message}." for one in got.refused],
            by_flatness=_by_flatness(got),
            trade=_trade(got),
            way=_along(got),
            slips=_slips(got),
            sloppy=sloppy(got),
            ways=ways(got) if got.outcome != "refused" else [],
            notes=notes(got),
            new=study_text(got, got.new, written) if got.new is not None else "",
        )


# --- the trade-off -----------------------------------------------------------------------------


def _by_flatness(got: Tuning) -> bool:
    return all(one.form == "flatness" and not one.kept for one in got.asked)


def _trade(got: Tuning) -> Figure | None:
    """Cost against flatness where that is what is asked, else against times what is asked."""
    from lapwright.presentation.pictures import analysis

    by_flatness = _by_flatness(got)
    unit, micro = got.study.units.small.size, got.study.units.small.symbol
    name, scale = COSTS[got.least]
    if scale is None:
        name, scale = f"{name}, {micro}", unit

    def point(cost: float, share: float, flatness: float) -> tuple[float, float]:
        return cost / scale, flatness / unit if by_flatness else share

    line = _best(point(p.cost, p.share, p.flatness) for p in got.trade_off if p.by == "operator")
    marks = [
        analysis.Mark(*point(*_end(way, way.simulated, got.least)), str(number), number == 1)
        for number, way in enumerate(got.candidates[:MARKS], 1)
        if way.simulated is not None and way.simulated.trouble is None
    ]
    if len(line) + len(marks) < 2 or not any(x > 0.0 for x, _ in line):
        return None  # nothing to draw, or nothing that it costs
    goal = min(one.limit for one in got.asked) / unit if by_flatness else 1.0
    side = f"flatness\nof the worst\nplate, {micro}" if by_flatness else "times what\nis asked"
    return analysis.trade_off(line, marks, goal, (name, side))


def _best(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Those (cost, size) that nothing cheaper betters."""
    found: list[tuple[float, float]] = []
    for x, y in sorted(points):
        if not found or y < found[-1][1]:
            found.append((x, y))
    return found


def _end(way: Candidate, course: Evaluation, least: str) -> tuple[float, float, float]:
    """Cost of a whole schedule, the share of what is asked and the flatness [m] of the worst plate there."""
    cost = course.cost.of(least)
    if least == "time" and course.trail:
        cost = course.trail[-1][0]
    elif least == "removed" and way.summary is not None:
        cost = way.summary.removed
    flatness = max((forms.get("flatness") or 0.0 for forms in course.forms.values()), default=0.0)
    return cost, course.share, flatness


def _along(got: Tuning) -> Figure | None:
    """How near the goal the answer is along its way, beside what was foretold and what was typed."""
    from lapwright.presentation.pictures import analysis

    best, begun = got.candidates[0], got.begun
    courses: list[tuple[str, Evaluation | None]] = [
        ("answer", best.simulated),
        ("forecast", best.operator),
    ]
    if begun is not None:
        courses.append(("as typed", begun.simulated))
    shown = [
        analysis.Way(name, [(t / 60.0, share) for t, share in course.trail], k)
        for k, (name, course) in enumerate(courses)
        if course is not None and len(course.trail) > 1
    ]
    return analysis.ways(shown) if shown else None


def _slips(got: Tuning) -> Figure | None:
    """What a tenth off in each key does to the answer."""
    from lapwright.presentation.pictures import analysis

    best = got.answer
    if not got.sensitivity or best is None or best.simulated is None:
        return None
    found = [
        analysis.Slip(
            spoken(got.study, key),
            [
                (n.off or 0.0, n.share if n.trouble is None else float("nan"), n.value)
                for n in nudges
            ],
        )
        for key, nudges in by_key(got).items()
    ]
    return analysis.slips(best.simulated.share, found)
