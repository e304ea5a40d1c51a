"""How sure an answer is, what going on does to it, and why a goal is not reached.

What comes of going on after a goal is reached: some errors only pass through what is asked.

Why a goal is not reached: what the layer leaves, what nothing free moves, what only takes longer.

What would help is lapped before it is said: the nearest schedule with its last step half as long again, with
one plate kept on top, and with what a person would try next of what is not free.  Only that nothing helps
however long one laps is told by the operator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError, StudyError
from lapwright.optimisation.comparison import BAND_ENDS
from lapwright.optimisation.criterion import lapped_course
from lapwright.optimisation.design import Design, DesignSpace
from lapwright.optimisation.jobs import RunCache
from lapwright.optimisation.seek import AS_NEAR, Seeker
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
)
from lapwright.specification.step import Step, Swap
from lapwright.study.model import Study
from lapwright.study.read import parse_document
from lapwright.study.variants import override
from lapwright.units import Units

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

LONGER = 20.0  # times as long: that is for ever
HALF_AGAIN, LONGEST = (
    1.5,
    6.0,
)  # times as long, lapped: a longer last step, at least; and one to no end
SURE = 0.9  # of a limit, foretold: worth lapping
TURN = "8 deg per stroke"
READ = 150.0  # s
BY_READING = {"read": "2.5 min", "on_top": "more domed"}
LOOKS = 0.25  # of a search
HELPS = 0.5  # what is left of a form, where one says that something helps
MOST_WAYS = 2  # that help, told
LESS = 0.9  # what is left of it, where it is worth a word


@dataclass(frozen=True)
class _Trial:
    """What one would try: `document` of a whole study, in words what is done, and how it is written.

    `code` and `key` as in `Refused`; `least`: times as long as its last step is, at least.  `minutes`, if the
    last step was made longer, and `course`: what came of lapping it.
    """

    code: str
    key: str
    done: str
    document: Mapping[str, Any]
    write: str = ""
    least: float = 1.0
    minutes: float | None = None
    course: Evaluation | None = None


def by_itself(
    seeker: Seeker, asked: Sequence[Constraint], looks: int
) -> NDArray[np.float64] | None:
    """The place at which one of the forms of a goal is least, by the forecast; None: nothing can be told."""
    kept, seeker.only = seeker.seen, asked
    seeker.seen = []
    try:
        seeker.search(max(1, int(LOOKS * looks)))
        return next(iter(seeker.best(1)), None)
    finally:
        seeker.seen, seeker.only = kept, seeker.asked


def missed_of(seeker: Seeker, nearest: Candidate) -> list[list[Constraint]]:
    """All that is asked of each form that a schedule misses, form by form."""
    forms = {
        (one.form, one.kept): None
        for one in seeker.asked
        if _size(nearest.simulated, [one]) > one.limit
    }
    return [[one for one in seeker.asked if (one.form, one.kept) == form] for form in forms]


def why_not(
    seeker: Seeker,
    lapped: Sequence[Candidate],
    bench: RunCache,
    tell: Telling,
) -> tuple[Refused, ...]:
    """Say of each form that is not reached how near it came, and what was lapped and found to help.

    `lapped`: all that came to their end, the nearest first; the figures are theirs alone.
    """
    if not lapped:
        why = seeker.troubles[0] if seeker.troubles else "no schedule comes to an end"
        return (
            Refused("bounds", f"nothing within the bounds can be lapped: {why}", key="tune.free"),
        )
    trials = list(_trials(seeker.space, lapped[0]))
    return tuple(
        _why(seeker, some, lapped, _lapped(seeker, trials, some, bench, tell))
        for some in missed_of(seeker, lapped[0])
    )


def _trials(space: DesignSpace, nearest: Candidate) -> Iterator[_Trial]:
    """The nearest schedule with what a person would try next, of what is not free."""
    document, steps = nearest.document, nearest.study.steps
    order = nearest.order or tuple(range(1, len(steps) + 1))
    free = {(knob.step, knob.name.partition(".")[0]) for knob in space.knobs}
    single = len(steps) == 1

    def moves(number: int, *keys: str) -> bool:
        return any((order[number - 1], key) in free for key in keys)

    def lacking(missing: Callable[[Step], bool], *keys: str) -> list[int]:
        return [n for n, step in enumerate(steps, 1) if missing(step) and not moves(n, *keys)]

    key = "time" if steps[-1].time is not None else "strokes"
    step = f"the {'' if single else 'last '}step made longer"
    yield _Trial("time", f"steps.{order[-1]}.{key}", step, document, least=HALF_AGAIN)

    swapped = [n for n, step in enumerate(steps, 1) if step.swap is not None]
    at = swapped[-1] if swapped else len(steps)
    where = "" if single else f" step {at}"
    key = f"steps.{order[at - 1]}.{'swap_every' if swapped else 'top'}"
    code = "swaps" if moves(at, "swap_every") else "stays"
    own = {name: value for name, value in document["steps"][at - 1].items() if name != "swap_every"}
    for top, bottom in ((own["top"], own["bottom"]), (own["bottom"], own["top"])):
        if swapped or top != own["top"]:
            changed = [*document["steps"]]
            changed[at - 1] = {**own, "top": top, "bottom": bottom}
            done = f"{top} on top throughout{where}"
            yield _Trial(code, key, done, {**document, "steps": changed})

    for key, value, write, still in (
        ("turn", TURN, f'turn = "{TURN}"', lacking(_unturned, "turn", "walk", "turn_bottom")),
        (
            "swap_every",
            BY_READING,
            'swap_every = {{ read = "{read}", on_top = "{on_top}" }}'.format(**BY_READING),
            lacking(lambda step: step.swap is None, "swap_every"),
        ),
    ):
        made = document
        for number in still:
            made = override(made, number, {key: value})
        if still:
            yield _Trial("stays", f"steps.{order[still[-1] - 1]}.{key}", "so", made, write)


def _unturned(step: Step) -> bool:
    return step.turn.angle == 0.0 and step.walk.angle == 0.0


def _lapped(
    seeker: Seeker,
    trials: Sequence[_Trial],
    some: Sequence[Constraint],
    bench: RunCache,
    tell: Telling,
) -> list[_Trial]:
    """Those of some trials that mean something and come to their end, lapped for as long as they help."""
    space, made, studies = seeker.space, [], []
    for trial in trials:
        with suppress(LapwrightError):
            longer, study = _lengthened(seeker, trial, some)
            studies.append(study)
            made.append(longer)
    ends = bench.lap([(study, 0) for study in studies], tell)
    courses = [lapped_course(end, seeker.asked, space.goal.hold) for end in ends]
    return [
        replace(trial, course=course)
        for trial, course in zip(made, courses, strict=True)
        if course.trouble is None
    ]


def _lengthened(seeker: Seeker, trial: _Trial, some: Sequence[Constraint]) -> tuple[_Trial, Study]:
    """A trial whose last step is as long as a form takes by the forecast; LONGEST where that is never."""
    space = seeker.space
    study = parse_document(trial.document, space.study.stem, space.folder)
    last, order = study.steps[-1], tuple(range(1, len(study.steps) + 1))
    by, whole = trial.least, last.total_strokes / last.pace
    most = LONGER * max(1.0, seeker.whole / whole)
    if last.until is None and space.goal.hold is None and study.rounds == 1:
        many = replace(last, time=None, strokes=round(most * last.total_strokes))
        moved = (("trial", f"{trial.code} {trial.done} {trial.write}"),)
        with suppress(LapwrightError):
            track = seeker.foreteller.tell(
                Design({}, order, moved, (*study.steps[:-1], many))
            ).track
            times = (track.time - track.time[-1]) / whole + most
            worst = np.where(times < by, np.inf, track.shares(some).max(axis=0))
            there = np.flatnonzero(worst <= SURE)
            worst[times > LONGEST] = np.inf
            by = float(times[there[0] if there.size else int(np.argmin(worst))])
    if by <= 1.0:
        return trial, study
    seconds = by * whole
    length = (
        {"time": f"{seconds / 60.0:.3g} min"}
        if last.time is not None
        else {"strokes": round(by * last.total_strokes)}
    )
    document = override(trial.document, len(study.steps), length)
    study = parse_document(document, space.study.stem, space.folder)
    return replace(trial, document=document, minutes=seconds), study


def _size(course: Evaluation | None, some: Sequence[Constraint]) -> float:
    """The worst of what is asked of a form [m]."""
    return max(NEVER if course is None else course.worst.get(one.key, NEVER) for one in some)


def _why(
    seeker: Seeker,
    some: Sequence[Constraint],
    lapped: Sequence[Candidate],
    trials: Sequence[_Trial],
) -> Refused:
    """Why one form is not reached."""
    first, units, asked = some[0], seeker.space.study.units, some[0].limit
    missed = [one for one in some if _size(lapped[0].simulated, [one]) > one.limit]
    named, limit = _named(missed), units.limit(asked)
    own = min(lapped, key=lambda one: _size(one.simulated, some))
    near = _size(lapped[0].simulated, some)
    least = (
        near if _size(own.simulated, some) > (1.0 - AS_NEAR) * near else _size(own.simulated, some)
    )
    told = units.beside(least, asked)
    if least <= asked:
        return Refused(
            "together",
            f"{named}: {limit} can be reached by itself, but not together with the rest of the goal",
            first.key,
            least,
        )
    tried = sorted(trials, key=lambda one: _size(one.course, some))
    best = _size(tried[0].course, some) if tried else least
    helping = [one for one in tried if _size(one.course, some) <= max(asked, LESS * near)]
    if best <= asked:  # the least change first
        helping = [one for one in trials if _size(one.course, some) <= asked]
    if helping:
        ways = "; or ".join(_helps(one, some, units) for one in helping[:MOST_WAYS])
        why = f"{named}: {limit} is not reached with what may move, the least is {told}; {ways}"
        code = helping[0].code if best <= max(asked, HELPS * near) else "near"
        return Refused(code, why, first.key, least, helping[0].key)
    # However long, and whichever plate lies on top.
    settled = design_of(seeker.space, own)
    read = tuple(replace(step, swap=Swap(read=READ)) for step in settled.steps)
    swapped = replace(settled, steps=read, moved=(*settled.moved, ("swaps", "by reading")))
    ever = min(_ever(seeker, way, some) for way in (settled, swapped)) * asked
    if ever <= asked:
        why = f"{named}: {limit} is not reached with what may move, the least is {told}"
        return Refused("near", why, first.key, least)
    leaves = f"the least is {units.beside(min(least, ever), asked)}"
    if len(some) > 1:
        leaves = f"for all at once and for good {leaves} (one alone may have less for a while)"
    why = (
        f"{named}: {limit} is less than the grit layer leaves, however long you lap: by the forecast "
        f"{leaves}; a shorter stroke, a finer grit or a lighter load leave less"
    )
    return Refused("residue", why, first.key, min(least, ever), f"steps.{settled.order[-1]}.stroke")


def _helps(trial: _Trial, some: Sequence[Constraint], units: Units) -> str:
    """What helps, by what came of lapping it."""
    size = units.beside(_size(trial.course, some), some[0].limit)
    long = "" if trial.minutes is None else Units.spell(trial.minutes)
    if trial.write:
        so = f"so for {long}" if long else "so"
        return f"write {trial.write}, or let {trial.key} move: lapped {so} it comes to {size}"
    return f"lapped with {trial.done}{f', {long},' if long else ''} it comes to {size}"


def _named(missed: Sequence[Constraint]) -> str:
    one = missed[0]
    of = [each.plate for each in missed if each.plate is not None]
    both = " and ".join(of[-2:]) if of else ""
    place = f" of {', '.join([*of[:-2], both])}" if of else ""
    return f"the change of {one.form}{place}" if one.kept else f"{one.form}{place}"


def design_of(space: DesignSpace, way: Candidate) -> Design:
    """The steps of a candidate, the study as it stands among them."""
    if way.changes:
        return space.settled(way.changes, way.order)
    order = way.order or tuple(range(1, len(way.study.steps) + 1))
    return Design({}, order, (("as it stands", ""),), way.study.steps)


def _ever(seeker: Seeker, settled: Design, some: Sequence[Constraint]) -> float:
    """Share of the limit after a very long last step, by the forecast."""
    steps = list(settled.steps)
    last = steps[settled.order[-1] - 1]
    many = round(LONGER * max(last.total_strokes, seeker.whole * last.pace))
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=many, until=None)
    try:
        track = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return NEVER
    return evaluation_of(track, some, None, "operator").share
