"""The page of a search for a schedule, and the schedule as a study.

A schedule as a study that `run` takes, with what was asked and what comes of it at its head.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path

from lapwright import __version__
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.optimisation.track import Candidate, Evaluation, Tuning
from lapwright.presentation import pictures
from lapwright.presentation import tuning_notes as notes
from lapwright.presentation import tuning_text as told
from lapwright.presentation.comparison_text import MARKED
from lapwright.presentation.pictures.swept import Mark, Slip, Way, slips, trade_off, ways
from lapwright.presentation.tables import CAUTIONS, bullets, part, sheet
from lapwright.presentation.tuning_notes import asked_for, label, settings, spoken
from lapwright.presentation.words import MARK, escaped, verbatim
from lapwright.study.write import written
from lapwright.units import Units

__all__ = ["study_text", "tuning_page"]


WIDTH = 106


def study_text(got: Tuning, way: Candidate, place: Path) -> str:
    """The whole text, with what the person wrote beside; `place` is where it is to lie."""
    return written(
        way.document, "\n".join(_head(got, way, place)), got.study.text, way.order or None
    )


def _head(got: Tuning, way: Candidate, place: Path) -> list[str]:
    units, course = got.study.units, way.simulated
    told = [
        f"Written by lapwright tune from {got.study.stem}.toml. Asked: {asked_for(got.asked, units)}."
    ]
    for one in settings(got, way):
        was = f' (was "{one.was}")' if one.was else ""
        told.append(f'Set: {one.name} "{one.now}"{was}.')
    if course is not None and course.trouble is None:
        left = [
            f"{label(one)} {units.size(course.worst[one.key])}"
            for one in got.asked
            if one.key in course.worst
        ]
        rubbed = Units.rubbing(course.cost.time, spread_of(got.study.steps))
        took = f"; {units.size(course.cost.removed)} of metal off, {rubbed}"
        told.append(
            f"Lapped in full: {', '.join(left)}{took if course.ok else '; the goal is not reached'}."
        )
    told.append(f"Lap it: lapwright run {place.name}")
    return [line for text in told for line in textwrap.wrap(text, WIDTH, subsequent_indent="  ")]


MARKS = 8  # schedules that are marked in the trade-off
COSTS = {
    "time": ("rubbing, min", 60.0),
    "removed": ("metal off", None),
    "turns": ("whole turns", 1.0),
    "swaps": ("swaps", 1.0),
}


def tuning_page(got: Tuning, written: Path) -> str:
    """The page as text; `written` is where the new study lies."""
    best = got.candidates[0]
    why = bullets([f"{one.message}." for one in got.refused]) if got.refused else ""
    parts = []
    with pictures.sheet():
        for name, title, inside in (
            ("refused", "What cannot be reached", why),
            ("trade", _trade_title(got), _trade(got)),
            ("way", "On the way", _way(got)),
            ("sloppy", "A sloppy hand", _sloppy(got)),
            ("others", "Ways lapped in full", _others(got) if got.outcome != "refused" else ""),
            ("notes", "Look out", bullets(more) if (more := notes.notes(got)) else ""),
            ("cautions", "Cautions", bullets(CAUTIONS)),
            ("new", "The new study", _new(got, written)),
            ("study", "The study", verbatim(got.study.text)),
        ):
            parts.append(part(name, title, inside))
    return sheet(
        "tune",
        title=f"{got.study.title}: lapwright tune",
        study=got.study.title,
        facts=_facts(got),
        about="What was found",
        headline=told.headline(got),
        first=_first(got, best),
        parts=parts,
        foot=f"lapwright {__version__}; study {got.study.stem}, seed {got.study.seed}",
    )


def _facts(got: Tuning) -> str:
    coarse = f"; coarser plates, {got.cells} cells across" if got.cells is not None else ""
    return f"{got.tried} schedules worked out, {got.simulated} lapped in full{coarse}"


def _first(got: Tuning, best: Candidate) -> str:
    asked = escaped(told.criterion(got))
    tables = [table for table in (_settings(got, best), _numbers(got)) if table]
    both = "".join(f'<div class="ranked">{table}</div>' for table in tables)
    return f'<p class="criterion">{asked}</p>\n<div class="two">{both}</div>'


def _settings(got: Tuning, best: Candidate) -> str:
    if got.new is None:
        return ""
    rows = []
    for one in settings(got, best):
        where = f'<span class="fine">{escaped(one.where)}</span> ' if one.where else ""
        rows.append(
            f'<tr><th scope="row">{where}{escaped(one.what)}</th><td><b>{escaped(one.now)}</b></td>'
            f"<td>{escaped(one.was)}{_remark(one.remark)}</td></tr>"
        )
    head = '<th scope="col">set</th><th scope="col">to</th><th scope="col">was</th>'
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _remark(text: str) -> str:
    return f'<span class="fine">{escaped(text)}</span>' if text else ""


def _new(got: Tuning, written: Path) -> str:
    return verbatim(study_text(got, got.new, written)) if got.new is not None else ""


def _numbers(got: Tuning) -> str:
    heads, *table = told.table(got)
    head = "".join(f'<th scope="col">{text}</th>' for text in heads)
    rows = []
    for what, asked, *cells, last in table:
        shown = "".join(f"<td>{_banded(cell)}</td>" for cell in cells)
        rows.append(
            f'<tr><th scope="row">{escaped(what)}</th><td>{escaped(asked)}</td>{shown}'
            f"<td><b>{_banded(last)}</b></td></tr>"
        )
    known = "as wear scatters" if spread_of(got.study.steps) != BAND else "until you weigh a plate"
    minutes = [] if got.idle else [f"Minutes with their band, {known}."]
    caption = " ".join([*minutes, *([MARKED] if told.marked(got) else [])])
    return (
        f"<table><caption>{escaped(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _banded(text: str) -> str:
    """A cell; the band of minutes on a line of its own."""
    head, _, band = text.partition(", ")
    return escaped(head) + _remark(band)


# --- the trade-off -----------------------------------------------------------------------------


def _trade_title(got: Tuning) -> str:
    cost = {"time": "Time", "removed": "Metal", "turns": "Turns", "swaps": "Swaps"}[got.goal.least]
    return f"{cost} against {'flatness' if _by_flatness(got) else 'what is asked'}"


def _by_flatness(got: Tuning) -> bool:
    return all(one.form == "flatness" and not one.kept for one in got.asked)


def _trade(got: Tuning) -> str:
    """Cost against flatness where that is what is asked, else against times what is asked."""
    by_flatness = _by_flatness(got)
    unit, micro = got.study.units.small.size, got.study.units.small.symbol
    name, scale = COSTS[got.goal.least]
    if scale is None:
        name, scale = f"{name}, {micro}", unit

    def point(cost: float, share: float, flatness: float) -> tuple[float, float]:
        return cost / scale, flatness / unit if by_flatness else share

    line = _best(point(p.cost, p.share, p.flatness) for p in got.trade_off if p.by == "operator")
    marks = [
        Mark(*point(*_end(way, way.simulated, got.goal.least)), str(number), number == 1)
        for number, way in enumerate(got.candidates[:MARKS], 1)
        if way.simulated is not None and way.simulated.trouble is None
    ]
    if len(line) + len(marks) < 2 or not any(x > 0.0 for x, _ in line):
        return ""  # nothing to draw, or nothing that it costs
    goal = min(one.limit for one in got.asked) / unit if by_flatness else 1.0
    side = f"flatness\nof the worst\nplate, {micro}" if by_flatness else "times what\nis asked"
    figure = trade_off(line, marks, goal, (name, side))
    note = (
        "The line is the best that the forecast finds for what the whole schedule costs; rings are lapped in "
        "full, the answer filled."
    )
    if got.goal.least == "time" and spread_of(got.study.steps) == BAND:
        note += (
            " Minutes are those of the wear taken: a third of it to three "
            "times it, until you weigh a plate."
        )
    return (
        _figure(figure, "trade", "What is reached against what it costs")
        + f'<p class="note">{escaped(note)}</p>'
    )


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


def _figure(figure: pictures.Figure, name: str, label: str) -> str:
    return f'<figure class="many">{pictures.svg(figure, name, label)}</figure>'


def _way(got: Tuning) -> str:
    best, begun = got.candidates[0], got.begun
    courses: list[tuple[str, Evaluation | None]] = [
        ("answer", best.simulated),
        ("foretold", best.operator),
    ]
    if begun is not None:
        courses.append(("as typed", begun.simulated))
    shown = [
        Way(name, [(t / 60.0, share) for t, share in course.trail], k)
        for k, (name, course) in enumerate(courses)
        if course is not None and len(course.trail) > 1
    ]
    if not shown:
        return ""
    note = "How far the worst of what is asked is over its limit; below the broken line all is reached."
    return (
        _figure(ways(shown), "way", "How near the goal along the way")
        + f'<p class="note">{escaped(note)}</p>'
    )


# --- a sloppy hand, other ways -------------------------------------------------------------------


def _sloppy(got: Tuning) -> str:
    best = got.answer
    if not got.sensitivity or best is None or best.simulated is None:
        return ""
    found = [
        Slip(
            spoken(got.study, key),
            [
                (n.off or 0.0, n.share if n.trouble is None else float("nan"), n.value)
                for n in nudges
            ],
        )
        for key, nudges in notes.by_key(got).items()
    ]
    note = "Open rings: a tenth less; filled: a tenth more; squares: another choice. Each was lapped in full."
    note += f" {MARKED}" if any(MARK in line for line in notes.sloppy(got)) else ""
    return (
        _figure(
            slips(best.simulated.share, found),
            "sloppy",
            "What a tenth off in each key does to the answer",
        )
        + f'<p class="note">{escaped(note)}</p>'
        + bullets(notes.sloppy(got))
    )


def _others(got: Tuning) -> str:
    table = told.ways(got)
    if len(table) < 2:
        return ""
    heads = (
        "",
        "what is set",
        "foretold",
        "lapped in full",
        "reached after",
        "metal off by then",
        "lifts",
    )
    head = "".join(f'<th scope="col">{text}</th>' for text in heads)
    body = "".join(_row(number, way) for number, way in enumerate(table, 1))
    caption = "Their studies are in the folder members." + (
        f" {MARKED}" if told.marked(got) else ""
    )
    return (
        f'<div class="ranked"><table class="ranks"><caption>{escaped(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _row(number: int, way: told.Way) -> str:
    cells: Sequence[str] = (way.foretold, way.lapped, way.reached, way.off, way.lifts)
    lead = ' class="lead"' if number == 1 else ""
    return (
        f'<tr{lead}><td>{number}</td><th scope="row">{escaped(way.sets)}</th>'
        + "".join(f"<td>{_banded(cell)}</td>" for cell in cells)
        + "</tr>"
    )
