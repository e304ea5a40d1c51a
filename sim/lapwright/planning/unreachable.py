"""Why a goal is not reached: what the layer leaves, what nothing free moves, what only takes longer.

Told by the operator, put right by what was lapped in full: the nearest schedule is let go on for a long time,
and where that does not help, with what a person would try next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.lapping.schedule import spread_of
from lapwright.lapping.step import Step, Swap, Turn
from lapwright.planning.knobs import Settled
from lapwright.planning.seek import Seeker
from lapwright.planning.track import NEVER, course_of
from lapwright.planning.tuning import Asked, Candidate, Course, Refused
from lapwright.units import Units

__all__ = ["why_not"]

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
        return (Refused("bounds", f"nothing within the bounds can be lapped: {why}", key="tune.free"),)
    missed: dict[tuple[str, bool], list[Asked]] = {}
    for one in seeker.asked:
        if _course(nearest).worst.get(one.key, NEVER) > one.limit:
            missed.setdefault((one.form, one.kept), []).append(one)
    return tuple(_why(seeker, nearest, some, looks) for some in missed.values())


def _course(nearest: Candidate) -> Course:
    course = nearest.simulated or nearest.operator
    assert course is not None
    return course


def _why(seeker: Seeker, nearest: Candidate, missed: list[Asked], looks: int) -> Refused:
    """Why one form is not reached."""
    first, units = missed[0], seeker.space.study.units
    some = [one for one in seeker.asked if (one.form, one.kept) == (first.form, first.kept)]
    place, least = _alone(seeker, some, looks)
    reachable = min(least, max(_course(nearest).worst[one.key] for one in some))
    named, limit = _named(missed), units.size(first.limit, echo=True)
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
    told, last = units.size(least), settled.order[-1]
    if share <= 1.0:
        why = (
            f"{named}: {limit} is not reached in the time allowed, the least is "
            f"{units.size(reachable)}; it takes {Units.rubbing(at, spread_of(seeker.space.study.steps))}: "
            "let the last step be longer"
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
    settled: Settled, remedy: _Remedy, number: int, missed: list[Asked], least: float, units: Units
) -> Refused:
    """What nothing free moves, and the key that would."""
    step, key = settled.steps[number - 1], f"steps.{number}.{remedy.keys[0]}"
    how = remedy.how.format(top=step.top, bottom=step.bottom)
    why = (
        f"{_named(missed)}: nothing that may move brings it below {units.size(least)}: "
        f"write {how}, or let {key} move"
    )
    return Refused("stays", why, missed[0].key, least, key)


def _named(missed: list[Asked]) -> str:
    one = missed[0]
    of = [each.plate for each in missed if each.plate is not None]
    both = " and ".join(of[-2:]) if of else ""
    place = f" of {', '.join([*of[:-2], both])}" if of else ""
    return f"the change of {one.form}{place}" if one.kept else f"{one.form}{place}"


def _alone(seeker: Seeker, some: list[Asked], looks: int) -> tuple[Array, float]:
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


def _settled(seeker: Seeker, place: Array, nearest: Candidate) -> Settled:
    try:
        return seeker.space.settled(seeker.space.changes(place), seeker.space.order(place))
    except LapwrightError:
        if not nearest.changes:  # the study as it stands
            return Settled({}, nearest.order, (("as it stands", ""),), nearest.study.steps)
        return seeker.space.settled(nearest.changes, nearest.order)


def _later(seeker: Seeker, settled: Settled, some: list[Asked]) -> tuple[float, float]:
    """Share of the limit after a very long last step, and when it is reached [s]."""
    steps = list(settled.steps)
    last = steps[settled.order[-1] - 1]
    many = round(LONGER * max(last.total_strokes, seeker.whole * last.pace))
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=many, until=None)
    try:
        track = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return NEVER, 0.0
    course = course_of(track, some, None, "operator")
    return course.share, course.reached_at or 0.0


def _tried(seeker: Seeker, settled: Settled, some: list[Asked]) -> Iterator[tuple[_Remedy, int, float]]:
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


def _changed(settled: Settled, remedy: _Remedy, numbers: Sequence[int]) -> Settled:
    """The steps with a remedy in those of some numbers."""
    steps = enumerate(settled.steps, 1)
    changed = tuple(remedy.change(step) if number in numbers else step for number, step in steps)
    return replace(settled, steps=changed, moved=(*settled.moved, ("remedy", f"{remedy.keys[0]} {numbers}")))
