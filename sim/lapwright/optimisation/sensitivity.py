"""How sure an answer is, what going on does to it, and why a goal is not reached.

What comes of going on after a goal is reached: some errors only pass through what is asked.

Why a goal is not reached: what the layer leaves, what nothing free moves, what only takes longer.

Told by the operator, put right by what was lapped in full: the nearest schedule is let go on for a long time,
and where that does not help, with what a person would try next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError, StudyError
from lapwright.kinematics.schedule import spread_of
from lapwright.optimisation.comparison import BAND_ENDS
from lapwright.optimisation.design import Design, DesignSpace
from lapwright.optimisation.jobs import RunCache
from lapwright.optimisation.seek import Seeker
from lapwright.optimisation.track import (
    NEVER,
    Band,
    Candidate,
    Constraint,
    Evaluation,
    Lost,
    Nudge,
    Refused,
    Tuning,
    evaluation_of,
    lapped_course,
)
from lapwright.specification.step import Step, Swap, Turn
from lapwright.study.model import Study
from lapwright.units import Units

__all__ = ["OFTEN", "drawn_in", "lost_again", "nudges_of", "why_not"]


MOST_CHOICES = 6
OFTEN = 0.9  # of the draws: in so many the goal is to be reached

Telling = Callable[[int, int], None]
Wanted = tuple[str, str, float | None, dict[str, str], tuple[int, ...]]


def _wanted(space: DesignSpace, answer: Candidate) -> Iterator[Wanted]:
    """(key, value, off, changes, order) of every nudge."""
    changes = space.typed_out(answer.changes)
    for knob in space.knobs:
        typed = changes[knob.key]
        others = [one for one in knob.choices if one != typed][:MOST_CHOICES]
        moved: list[tuple[str, float | None]] = [
            *knob.slips(typed),
            *((one, None) for one in others),
        ]
        for value, off in moved:
            yield knob.key, value, off, {**changes, knob.key: value}, answer.order
    if space.ordered:
        for k in range(min(len(answer.order) - 1, MOST_CHOICES)):
            order = list(answer.order)
            order[k], order[k + 1] = order[k + 1], order[k]
            yield "order", ", ".join(map(str, order)), None, changes, tuple(order)


def nudges_of(
    space: DesignSpace,
    answer: Candidate,
    bench: RunCache,
    asked: Sequence[Constraint],
    tell: Telling,
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


def _nudge(
    wanted: Wanted, course: Evaluation | None, answer: Evaluation, trouble: str | None
) -> Nudge:
    key, value, off, *_ = wanted
    if course is None or course.trouble is not None:
        why = trouble if course is None else course.trouble
        return Nudge(
            key, value, off, 0.0 if course is None else course.share, None, {}, trouble=why
        )
    change = {one: course.worst[one] - size for one, size in answer.worst.items()}
    return Nudge(key, value, off, course.share, course.reached_at, change)


def drawn_in(
    got: Tuning, answer: Candidate, samples: int, bench: RunCache, tell: Telling
) -> tuple[Tuning, float]:
    """The search with where nine in ten draws of the answer lie, and how many of them reach the goal.

    Beside it the share of what is asked that nine in ten draws keep to.
    """
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
    high = float(np.quantile([course.share for course in courses], OFTEN))
    return replace(
        got,
        bands=tuple(found),
        samples=samples,
        reached_in=len(reached),
        failed=len(failed),
        failed_why=failed[0] if failed else None,
    ), high


AGAIN = 1.0  # of the schedule: how much longer one goes on
LAST = 0.25  # of that: in which it must be out all the time, or it comes back


def lost_again(seeker: Seeker, place: NDArray[np.float64], settled: Design) -> Lost | None:
    """When the goal is lost again if the last step goes on as long as the whole schedule took.

    None where it stays reached or only comes and goes with the swaps, where it was to hold to a given time,
    and where a gauge ends the last step or rounds are repeated.
    """
    last = settled.steps[settled.order[-1] - 1]
    if (
        seeker.space.goal.hold is not None
        or last.until is not None
        or seeker.space.study.rounds > 1
    ):
        return None
    end = sum(step.total_strokes / step.pace for step in settled.steps)
    steps = list(settled.steps)
    more = round(last.total_strokes + AGAIN * end * last.pace)
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=more)
    try:
        told = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return None
    track = seeker.offsets.put_right(place, told)
    shares = track.shares(seeker.asked)
    out = shares.max(axis=0) > 1.0
    over = np.flatnonzero((track.time > end * (1.0 + 1e-9)) & out)
    if not over.size or not out[track.time > (1.0 + (1.0 - LAST) * AGAIN) * end].all():
        return None
    k = int(over[0])
    worst = int(np.argmax(shares[:, k]))
    # From the instant before, at which it is still there (or the end of the schedule, if that is later).
    before, after = float(shares[worst, k - 1]), float(shares[worst, k])
    along = float(np.clip((1.0 - before) / (after - before), 0.0, 1.0)) if after > before else 1.0
    at = float(track.time[k - 1] + along * (track.time[k] - track.time[k - 1]))
    at = max(at, end)
    removed = track.cost(at).removed - track.cost(end).removed
    return Lost(seeker.asked[worst].key, at - end, removed)


Array = NDArray[np.float64]

LONGER = 20.0  # times as long
TURN = Turn(np.radians(8.0))
READ = 150.0  # s
LOOKS = 0.25  # of a search
HELPS = 0.5  # what is left of a form, where one says that something helps

Change = Callable[[Step], Step]


@dataclass(frozen=True)
class _Remedy:
    """What one would try where none of `keys` is free and a step is `missing` it; and `how` to write it."""

    keys: tuple[str, ...]
    missing: Callable[[Step], bool]
    change: Change
    how: str


TURNS = _Remedy(
    ("turn", "walk", "turn_bottom"),
    lambda step: step.turn.angle == 0.0 and step.walk.angle == 0.0,
    lambda step: replace(step, turn=TURN),
    'turn = "8 deg per stroke"',
)
SWAPS = _Remedy(
    ("swap_every",),
    lambda step: True,
    lambda step: replace(step, swap=Swap(read=READ)),
    'swap_every = {{ {top} = "15 min", {bottom} = "5 min" }}',
)


def why_not(seeker: Seeker, nearest: Candidate | None, looks: int) -> tuple[Refused, ...]:
    """Say of each form that is not reached why, and what could be."""
    if nearest is None:
        why = seeker.troubles[0] if seeker.troubles else "no schedule comes to an end"
        return (
            Refused("bounds", f"nothing within the bounds can be lapped: {why}", key="tune.free"),
        )
    missed: dict[tuple[str, bool], list[Constraint]] = {}
    for one in seeker.asked:
        if _course(nearest).worst.get(one.key, NEVER) > one.limit:
            missed.setdefault((one.form, one.kept), []).append(one)
    return tuple(_why(seeker, nearest, some, looks) for some in missed.values())


def _course(nearest: Candidate) -> Evaluation:
    course = nearest.simulated or nearest.operator
    assert course is not None
    return course


def _why(seeker: Seeker, nearest: Candidate, missed: list[Constraint], looks: int) -> Refused:
    """Why one form is not reached."""
    first, units = missed[0], seeker.space.study.units
    some = [one for one in seeker.asked if (one.form, one.kept) == (first.form, first.kept)]
    place, least = _alone(seeker, some, looks)
    reachable = min(least, max(_course(nearest).worst[one.key] for one in some))
    named, limit = _named(missed), units.limit(first.limit)
    if reachable <= first.limit:
        return Refused(
            "together",
            f"{named}: {limit} can be reached by itself, but not together with the rest of the goal",
            first.key,
            reachable,
        )
    settled = _settled(seeker, place, nearest)
    share, at = _later(seeker, settled, some)
    least = min(reachable, share * first.limit)
    if share > 1.0:
        for remedy, number, helped in _tried(seeker, settled, some):
            if helped <= 1.0 or helped < HELPS * share:
                return _stays(settled, remedy, number, missed, least, units)
        # However long, and whichever plate lies on top.
        share, at = _later(seeker, _changed(settled, SWAPS, settled.order), some)
        least = min(least, share * first.limit)
    told, last = units.beside(least, first.limit), settled.order[-1]
    if share <= 1.0:
        least_here = units.beside(reachable, first.limit)
        takes = Units.rubbing(at, spread_of(seeker.space.study.steps))
        why = (
            f"{named}: {limit} is not reached in the time allowed, the least is {least_here}; "
            f"it takes {takes}: let the last step be longer"
        )
        return Refused("time", why, first.key, reachable, f"steps.{last}.time")
    leaves = f"the least is {told}"
    if len(some) > 1:
        leaves = f"for all at once and for good the least is {told} (one alone may have less for a while)"
    why = (
        f"{named}: {limit} is less than the grit layer leaves, however long you lap: {leaves}; "
        "a shorter stroke, a finer grit or a lighter load leave less"
    )
    return Refused("residue", why, first.key, least, f"steps.{last}.stroke")


def _stays(
    settled: Design,
    remedy: _Remedy,
    number: int,
    missed: list[Constraint],
    least: float,
    units: Units,
) -> Refused:
    """What nothing free moves, and the key that would."""
    step, key = settled.steps[number - 1], f"steps.{number}.{remedy.keys[0]}"
    how = remedy.how.format(top=step.top, bottom=step.bottom)
    why = (
        f"{_named(missed)}: nothing that may move brings it below {units.beside(least, missed[0].limit)}: "
        f"write {how}, or let {key} move"
    )
    return Refused("stays", why, missed[0].key, least, key)


def _named(missed: list[Constraint]) -> str:
    one = missed[0]
    of = [each.plate for each in missed if each.plate is not None]
    both = " and ".join(of[-2:]) if of else ""
    place = f" of {', '.join([*of[:-2], both])}" if of else ""
    return f"the change of {one.form}{place}" if one.kept else f"{one.form}{place}"


def _alone(seeker: Seeker, some: list[Constraint], looks: int) -> tuple[Array, float]:
    """The place at which one form by itself is least, and the size there of the worst of them [m]."""
    kept, seeker.only = seeker.seen, some
    seeker.seen = []
    try:
        seeker.search(max(1, int(LOOKS * looks)))
        place = seeker.best(1)[0]
        worst = seeker.course(place).worst
        return place, max(worst[one.key] for one in some)
    finally:
        seeker.seen, seeker.only = kept, seeker.asked


def _settled(seeker: Seeker, place: Array, nearest: Candidate) -> Design:
    try:
        return seeker.space.settled(seeker.space.changes(place), seeker.space.order(place))
    except LapwrightError:
        if not nearest.changes:  # the study as it stands
            return Design({}, nearest.order, (("as it stands", ""),), nearest.study.steps)
        return seeker.space.settled(nearest.changes, nearest.order)


def _later(seeker: Seeker, settled: Design, some: list[Constraint]) -> tuple[float, float]:
    """Share of the limit after a very long last step, and when it is reached [s]."""
    steps = list(settled.steps)
    last = steps[settled.order[-1] - 1]
    many = round(LONGER * max(last.total_strokes, seeker.whole * last.pace))
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=many, until=None)
    try:
        track = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return NEVER, 0.0
    course = evaluation_of(track, some, None, "operator")
    return course.share, course.reached_at or 0.0


def _tried(
    seeker: Seeker, settled: Design, some: list[Constraint]
) -> Iterator[tuple[_Remedy, int, float]]:
    """Each remedy, the first step that lacks it, and the share of the limit that it leaves in the end."""
    free = {(knob.step, knob.name.partition(".")[0]) for knob in seeker.space.knobs}
    for remedy in (TURNS, SWAPS):
        lacking = [
            number
            for number in settled.order
            if remedy.missing(settled.steps[number - 1])
            and not any((number, key) in free for key in remedy.keys)
        ]
        if lacking:
            yield remedy, lacking[-1], _later(seeker, _changed(settled, remedy, lacking), some)[0]


def _changed(settled: Design, remedy: _Remedy, numbers: Sequence[int]) -> Design:
    """The steps with a remedy in those of some numbers."""
    steps = enumerate(settled.steps, 1)
    changed = tuple(remedy.change(step) if number in numbers else step for number, step in steps)
    return replace(
        settled, steps=changed, moved=(*settled.moved, ("remedy", f"{remedy.keys[0]} {numbers}"))
    )
