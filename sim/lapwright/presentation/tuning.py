"""The page of a search for a schedule, and the schedule as a study.

A schedule as a study that `run` takes, with what was asked and what comes of it at its head.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from pathlib import Path

from lapwright import __version__
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.optimisation.track import Candidate, Evaluation, Tuning
from lapwright.presentation import pictures
from lapwright.presentation import tuning_notes as notes
from lapwright.presentation import tuning_text as told
from lapwright.presentation.comparison_text import MARKED
from lapwright.presentation.pictures.search import Mark, Slip, Way, slips, trade_off, ways
from lapwright.presentation.render import filled
from lapwright.presentation.tuning_notes import asked_for, label, settings, spoken
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
    """The page as text; `written` is where the new study lies.

    Parameters
    ----------
    got : Tuning
        What was found.
    written : path
        As above.

    Returns
    -------
    str
        HTML.

    """
    heads, *table = told.table(got)
    with pictures.sheet():
        return filled(
            "tune.html",
            got=got,
            study=got.study,
            program=__version__,
            headline=told.headline(got),
            criterion=told.criterion(got),
            settings=settings(got, got.candidates[0]),
            heads=heads,
            table=table,
            guessed=spread_of(got.study.steps) == BAND,
            marked=told.marked(got),
            MARKED=MARKED,
            refused=[f"{one.message}." for one in got.refused],
            by_flatness=_by_flatness(got),
            trade=_trade(got),
            way=_way(got),
            slips=_slips(got),
            sloppy=notes.sloppy(got),
            ways=told.ways(got) if got.outcome != "refused" else [],
            notes=notes.notes(got),
            new=study_text(got, got.new, written) if got.new is not None else "",
        )


# --- the trade-off -----------------------------------------------------------------------------


def _by_flatness(got: Tuning) -> bool:
    return all(one.form == "flatness" and not one.kept for one in got.asked)


def _trade(got: Tuning) -> pictures.Figure | None:
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
        return None  # nothing to draw, or nothing that it costs
    goal = min(one.limit for one in got.asked) / unit if by_flatness else 1.0
    side = f"flatness\nof the worst\nplate, {micro}" if by_flatness else "times what\nis asked"
    return trade_off(line, marks, goal, (name, side))


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


def _way(got: Tuning) -> pictures.Figure | None:
    """How near the goal the answer is along its way, beside what was foretold and what was typed."""
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
    return ways(shown) if shown else None


def _slips(got: Tuning) -> pictures.Figure | None:
    """What a tenth off in each key does to the answer."""
    best = got.answer
    if not got.sensitivity or best is None or best.simulated is None:
        return None
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
    return slips(best.simulated.share, found)
