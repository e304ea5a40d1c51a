"""Ways of lapping judged at the same metal off, by what each was on its way there, not at its end.

How much a grit cuts in a minute is a guess, what shape comes after how much metal is firm; and a way that
took off more by its end had more of a chance.  So all are judged when as much is off as the one took off that
took off least, or as was asked for.  Where an end is what decides (`Why`) each is judged at its own: ways
that differ in nothing but how long they last are all one until the shortest of them is over.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.optimisation.cases import Case
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.summary import Summary
from lapwright.study.model import Study

LEAST = 1e-9  # [m] off: less is nothing
ROUND = 1e-9  # of the metal: what rounding leaves

Why = Literal[
    "least",
    "typed",
    "asked",
    "batch",
    "size",
    "until",
    "hold",
    "goal",
    "nothing",
    "never",
    "kept",
    "length",
]
LENGTH = ("time", "strokes")  # what says how long a step lasts; of all of them, `rounds`


@dataclass(frozen=True)
class Judged:
    """Where ways are judged: with `metal` [m] off all of them (mean of the plates), or None: at their ends.

    `why`: "least" (as much as the member `of` took off, from 0, which took off least) or "typed"; of ends
    "asked", or what forbids the other: "batch", the goal a "size", "until" (a gauge ends a step), "hold",
    "goal" (one reaches it, and when is what counts), "nothing" (`of` takes off none), "never" (none takes off
    what was typed, `typed` [m]), "kept" (how they got there was not kept), "length" (they differ only
    in how long they last).
    """

    metal: float | None
    why: Why
    of: int | None = None
    typed: float | None = None


def judged_where(
    study: Study,
    members: Sequence[Case],
    nominal: Sequence[Summary],
    criterion: Criterion,
    at: float | str,
) -> Judged:
    """Where the members of a comparison are judged; `at` as in a study.

    Parameters
    ----------
    study : Study
        With its goal.
    members : sequence of Case
        Its ways.
    nominal : sequence of Summary
        What came of each as it stands.
    criterion : Criterion
        Of the study.
    at : float or str
        "metal", "end", or metal off [m].

    Returns
    -------
    Judged

    """
    forbids = "asked" if at == "end" else _forbids(study, members)
    done = [i for i, got in enumerate(nominal) if got.done]
    if forbids is None and not all(nominal[i].track for i in done):
        forbids = "kept"
    if forbids is None and at == "metal" and criterion.goal is not None:
        courses = (criterion.course(nominal[i]) for i in done)
        forbids = "goal" if any(course is not None and course.ok for course in courses) else None
    if forbids is not None:
        return Judged(None, forbids)
    off = {i: _taken_off(nominal[i]) for i in done}
    if not isinstance(at, str):
        there = any(metal >= at * (1.0 - ROUND) for metal in off.values())
        return Judged(at, "typed", typed=at) if there else Judged(None, "never", typed=at)
    least = min(off, key=lambda i: off[i], default=None)
    if least is None or off[least] < LEAST:
        return Judged(None, "nothing", least)
    if _differ_in_length(members, done):
        return Judged(None, "length")
    return Judged(off[least], "least", least)


def _forbids(study: Study, members: Sequence[Case]) -> Why | None:
    """What of a study has its ways judged at their ends."""
    goal = study.goal
    if study.batch is not None:
        return "batch"
    if goal is not None and (goal.thickness or goal.wedge):
        return "size"
    steps = [step for one in members if one.study is not None for step in one.study.steps]
    if any(step.until is not None for step in steps):
        return "until"
    return "hold" if goal is not None and goal.hold is not None else None


def _differ_in_length(members: Sequence[Case], done: Sequence[int]) -> bool:
    """Whether ways are one but for how long they last; what a study is called makes no way."""
    found = [tomllib.loads(members[i].text) for i in done]
    steps = [step for one in found for step in one.get("steps", ())]
    lasting = [
        (one.pop("rounds", None), [[step.get(key) for key in LENGTH] for step in one["steps"]])
        for one in found
        if one.get("steps")
    ]
    for step in steps:
        _drop(step, LENGTH)
    for one in found:
        _drop(one, ("title",))
    alike = all(one == found[0] for one in found)
    return alike and any(one != lasting[0] for one in lasting)


def _drop(table: dict[str, Any], keys: Sequence[str]) -> None:
    for key in keys:
        table.pop(key, None)


def _taken_off(got: Summary) -> float:
    return got.track["removed"][-1]


def with_metal_off(got: Summary, metal: float) -> Summary | None:
    """A simulation as it was with so much metal off [m], by what it was before and after.

    Between two moments forms go in proportion to the metal.  None where it never came there, or what it was
    on the way is not known.

    Parameters
    ----------
    got : Summary
        With its track.
    metal : float
        [m], mean of the plates.

    Returns
    -------
    Summary or None
        Its `plates` with the forms of then, its `track` up to then.

    """
    if not got.done or not got.track:
        return None
    removed = np.asarray(got.track["removed"])
    if removed[-1] < metal * (1.0 - ROUND):
        return None
    metal = min(metal, float(removed[-1]))
    # The first moment at which so much is off: a top that only turns takes off none.
    after = int(np.searchsorted(removed, metal))
    track = {key: _until(column, removed, after, metal) for key, column in got.track.items()}
    share = metal / float(removed[-1]) if removed[-1] > 0.0 else 1.0
    plates = {
        name: replace(
            ended,
            forms=_forms(ended.forms, name, track, got.track),
            removed=ended.removed * share,
            by_layer={},
        )
        for name, ended in got.plates.items()
    }
    mating = track.get("mating", (np.nan,))[-1]
    return replace(
        got,
        plates=plates,
        time=track["time"][-1],
        mating=float(mating) if np.isfinite(mating) else None,
        track=track,
    )


def _until(
    column: Sequence[float], removed: NDArray[np.float64], after: int, metal: float
) -> tuple[float, ...]:
    """A column up to the moment at which so much is off."""
    if after == 0:
        return tuple(column[:1])
    before, then = removed[after - 1], removed[after]
    share = (metal - before) / (then - before)
    last = column[after - 1] + share * (column[after] - column[after - 1])
    return (*column[:after], float(last))


def _forms(
    ended: Mapping[str, float | None],
    plate: str,
    track: Mapping[str, Sequence[float]],
    whole: Mapping[str, Sequence[float]],
) -> dict[str, float | None]:
    """Forms of a plate at the end of a track, part of a `whole` one; what these do not follow is not known.

    A track follows faces as they are read, on the feet of plates that stand on some; ends lie flat.  What is
    between the two at the end is taken to have been there all along.
    """
    found: dict[str, float | None] = {}
    for key, last in ended.items():
        column, all_along = track.get(f"{plate}.{key}"), whole.get(f"{plate}.{key}")
        found[key] = None
        if last is not None and column is not None and all_along is not None:
            value = column[-1] + last - all_along[-1]
            if np.isfinite(value):
                found[key] = float(max(value, 0.0) if key == "flatness" else value)
    return found


def in_draws(
    judged: Judged, nominal: Sequence[Summary], drawn: Mapping[int, Summary]
) -> dict[int, Summary]:
    """The members of one draw as they are judged; those that never come there are left out.

    Where all are judged at the same metal as they stand, they are here as well: at the same share of what the
    grit of this draw takes off, as far as all of them go.

    Parameters
    ----------
    judged : Judged
        Where.
    nominal : sequence of Summary
        The members as they stand.
    drawn : mapping
        Those of the draw, by member.

    Returns
    -------
    dict
        By member.

    """
    metal = judged.metal
    if metal is None:
        return dict(drawn)
    shares = [
        got.track["removed"][-1] / _taken_off(nominal[i])
        for i, got in drawn.items()
        if got.done
        and got.track
        and nominal[i].done
        and _taken_off(nominal[i]) >= metal * (1.0 - ROUND)
    ]
    if not shares:
        return {}
    then = {i: with_metal_off(got, metal * min(shares)) for i, got in drawn.items()}
    return {i: got for i, got in then.items() if got is not None}
