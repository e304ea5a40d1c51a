"""Why a goal is not reached: what the layer leaves, what nothing free moves, what only takes longer.

Told by the operator, put right by what was lapped in full: the nearest schedule is let go on for a long time,
and where that does not help, with what a person would try next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.errors import LapwrightError
from sim.lapping.step import Step, Swap, Turn
from sim.planning.knobs import Settled
from sim.planning.seek import Seeker
from sim.planning.track import NEVER, course_of
from sim.planning.tuning import Asked, Candidate, Refused
from sim.study.say import say_small, say_time

__all__ = ["why_not"]

Array = NDArray[np.float64]

LONGER = 20.0  # times as long
TURN = Turn(np.radians(8.0))
READ = 150.0  # s
LOOKS = 0.25  # of a search

Change = Callable[[Step], Step]


@dataclass(frozen=True)
class _Remedy:
    """What one would try: `change` of every step for which it is `missing`; the key, and how to write it."""

    key: str
    missing: Callable[[Step], bool]
    change: Change
    how: str


REMEDIES = (
    _Remedy(
        "turn",
        lambda step: step.turn.angle == 0.0 and step.walk.angle == 0.0,
        lambda step: replace(step, turn=TURN),
        'turn = "8 deg per stroke"',
    ),
    _Remedy(
        "swap_every",
        lambda step: step.swap is None,
        lambda step: replace(step, swap=Swap(read=READ)),
        'swap_every = { A = "15 min", B = "5 min" } by the names of your plates',
    ),
)


def why_not(seeker: Seeker, nearest: Candidate | None, looks: int) -> tuple[Refused, ...]:
    """Say of each quantity that is not reached why, and what could be."""
    if nearest is None:
        why = seeker.troubles[0] if seeker.troubles else "no schedule comes to an end"
        return (Refused("bounds", f"nothing within the bounds can be lapped: {why}", key="tune.free"),)
    course = nearest.simulated or nearest.operator
    assert course is not None
    missed = [one for one in seeker.asked if course.worst.get(one.key, NEVER) > one.limit]
    return tuple(_why(seeker, nearest, one, looks) for one in missed)


def _why(seeker: Seeker, nearest: Candidate, one: Asked, looks: int) -> Refused:
    """Why one quantity is not reached."""
    units = seeker.space.study.units
    place, least = _alone(seeker, one, looks)
    course = nearest.simulated or nearest.operator
    assert course is not None
    reachable = min(least, course.worst[one.key])
    named, limit = _named(one), say_small(one.limit, units, echo=True)
    told = say_small(reachable, units)
    if reachable <= one.limit:
        return Refused(
            "together",
            f"{named} of {limit} can be reached by itself, but not together with the rest of the goal",
            one.key,
            reachable,
        )
    settled = _settled(seeker, place, nearest)
    share, at = _later(seeker, settled, one)
    if share <= 1.0:
        return Refused(
            "time",
            f"{named} of {limit} is not reached in the time allowed (the least is {told}): it takes about "
            f"{say_time(at)}, so let the last step be longer",
            one.key,
            reachable,
            f"steps.{settled.order[-1]}.time",
        )
    long = min(reachable, share * one.limit)
    for remedy, number, helped in _tried(seeker, settled, one):
        if helped <= 1.0 or helped < 0.5 * share:
            return Refused(
                "stays",
                f"nothing that may move takes {named} below {say_small(long, units)}: write "
                f"{remedy.how}, or let steps.{number}.{remedy.key} move",
                one.key,
                long,
                f"steps.{number}.{remedy.key}",
            )
    return Refused(
        "residue",
        f"{named} of {limit} is less than the grit layer leaves, however long you lap: the least is "
        f"{say_small(long, units)}; a shorter stroke, a finer grit or a lighter load leave less",
        one.key,
        long,
        f"steps.{settled.order[-1]}.stroke",
    )


def _named(one: Asked) -> str:
    place = "" if one.plate is None else f" of {one.plate}"
    return f"the change of {one.form}{place}" if one.kept else f"{one.form}{place}"


def _alone(seeker: Seeker, one: Asked, looks: int) -> tuple[Array, float]:
    """The place at which one quantity by itself is least, and its size there [m]."""
    kept, seeker.only = seeker.seen, [one]
    seeker.seen = []
    try:
        seeker.search(max(1, int(LOOKS * looks)))
        place = seeker.best(1)[0]
        return place, seeker.course(place).worst[one.key]
    finally:
        seeker.seen, seeker.only = kept, seeker.asked


def _settled(seeker: Seeker, place: Array, nearest: Candidate) -> Settled:
    try:
        return seeker.space.settled(seeker.space.changes(place), seeker.space.order(place))
    except LapwrightError:
        return seeker.space.settled(nearest.changes, nearest.order)


def _later(seeker: Seeker, settled: Settled, one: Asked) -> tuple[float, float]:
    """Share of the limit after a very long last step, and when it is reached [s]."""
    steps = list(settled.steps)
    last = steps[settled.order[-1] - 1]
    many = round(LONGER * max(last.total_strokes, seeker.whole * last.pace))
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=many, until=None)
    try:
        track = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return NEVER, 0.0
    course = course_of(track, [one], None, "operator")
    return course.share, course.reached_at or 0.0


def _tried(seeker: Seeker, settled: Settled, one: Asked) -> Iterator[tuple[_Remedy, int, float]]:
    """Each remedy, the first step that lacks it, and the share of the limit that it leaves in the end."""
    for remedy in REMEDIES:
        lacking = [number for number in settled.order if remedy.missing(settled.steps[number - 1])]
        if not lacking:
            continue
        steps = tuple(remedy.change(s) if remedy.missing(s) else s for s in settled.steps)
        changed = replace(settled, steps=steps, moved=(*settled.moved, ("remedy", remedy.key)))
        yield remedy, lacking[-1], _later(seeker, changed, one)[0]
