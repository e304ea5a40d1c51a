"""How sure an answer is: each key a little off, as by a sloppy hand; what is not known drawn at random."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from lapwright.errors import StudyError
from lapwright.planning.comparison import BAND_ENDS
from lapwright.planning.confirm import Bench
from lapwright.planning.courses import lapped_course
from lapwright.planning.knobs import Space
from lapwright.planning.tuning import Asked, Band, Candidate, Course, Nudge, Tuning
from lapwright.study.model import Study

__all__ = ["OFF", "drawn_in", "nudges_of"]

OFF = 0.1
MOST_CHOICES = 6

Telling = Callable[[int, int], None]
Wanted = tuple[str, str, float | None, dict[str, str], tuple[int, ...]]


def _wanted(space: Space, answer: Candidate) -> Iterator[Wanted]:
    """(key, value, off, changes, order) of every nudge."""
    for knob in space.knobs:
        typed = answer.changes[knob.key]
        if knob.choices:
            others = [one for one in knob.choices if one != typed][:MOST_CHOICES]
            moved: list[tuple[str, float | None]] = [(one, None) for one in others]
        else:
            number = knob.number(typed)
            by = OFF * (abs(number) or knob.high - knob.low)
            moved = [(knob.typed(number + sign * by), sign * OFF) for sign in (-1.0, 1.0)]
        for value, off in moved:
            yield knob.key, value, off, {**answer.changes, knob.key: value}, answer.order
    if space.ordered:
        for k in range(min(len(answer.order) - 1, MOST_CHOICES)):
            order = list(answer.order)
            order[k], order[k + 1] = order[k + 1], order[k]
            yield "order", ", ".join(map(str, order)), None, dict(answer.changes), tuple(order)


def nudges_of(
    space: Space, answer: Candidate, bench: Bench, asked: Sequence[Asked], tell: Telling
) -> tuple[Nudge, ...]:
    """Lap the answer with each free key a tenth less and more, and with each other choice."""
    assert answer.simulated is not None
    studies: list[Study] = []
    found: list[tuple[Wanted, int | None, str | None]] = []
    for wanted in _wanted(space, answer):
        try:
            studies.append(space.parsed(wanted[3], wanted[4])[1])
            found.append((wanted, len(studies) - 1, None))
        except StudyError as trouble:
            found.append((wanted, None, str(trouble)))
    lapped = bench.lap([(study, 0) for study in studies], tell)
    hold = space.goal.hold
    courses = [lapped_course(got, asked, hold) for got in lapped]
    return tuple(
        _nudge(wanted, None if at is None else courses[at], answer.simulated, trouble)
        for wanted, at, trouble in found
    )


def _nudge(wanted: Wanted, course: Course | None, answer: Course, trouble: str | None) -> Nudge:
    key, value, off, *_ = wanted
    if course is None or course.trouble is not None:
        why = trouble if course is None else course.trouble
        return Nudge(key, value, off, 0.0 if course is None else course.share, None, {}, trouble=why)
    change = {one: course.worst[one] - size for one, size in answer.worst.items()}
    return Nudge(key, value, off, course.share, course.reached_at, change)


def drawn_in(got: Tuning, answer: Candidate, samples: int, bench: Bench, tell: Telling) -> Tuning:
    """The search with where nine in ten draws of the answer lie, and how many of them reach the goal."""
    asked, hold = got.asked, got.goal.hold
    jobs = [(answer.study, draw) for draw in range(1, samples + 1)]
    courses = [lapped_course(one, asked, hold) for one in bench.lap(jobs, tell)]
    failed = [course.trouble for course in courses if course.trouble is not None]
    ended = [course for course in courses if course.trouble is None]
    reached = [course for course in ended if course.reached_at is not None]
    columns: dict[str, list[float]] = {one.key: [c.worst[one.key] for c in ended] for one in asked}
    columns["time"] = [course.cost.time for course in reached]
    columns["removed"] = [course.cost.removed for course in reached]
    found = []
    for what, values in columns.items():
        if len(values) > 1:
            low, high = np.percentile(values, BAND_ENDS)
            found.append(Band(what, float(low), float(high)))
    return replace(
        got,
        bands=tuple(found),
        samples=samples,
        reached_in=len(reached),
        failed=len(failed),
        failed_why=failed[0] if failed else None,
    )
