"""The search: told by the operator, put right by what was lapped in full.

The search: places in the space of what may move, told by the operator, put right by what was lapped.

Where nothing lifts the operator and a full simulation agree; where something does, the operator is only near.
Each full simulation tells by how much at every instant; added to what the operator says of other schedules,
it makes the search exact where it was lapped, and the better the nearer (output space mapping: J. W. Bandler
and others, IEEE Trans. Microwave Theory Tech. 52 (2004) 337, from memory).  So search and full simulation
take turns until they agree.

Full simulations for a search: done by a crew, each kept under what it was, so that none is done twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.kinematics.schedule import rubbing_time
from lapwright.optimisation.design import DesignSpace
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.surrogate import Surrogate
from lapwright.optimisation.track import (
    NEVER,
    Candidate,
    Constraint,
    Evaluation,
    Point,
    TimeSeries,
    evaluation_of,
    time_series_of,
)
from lapwright.units import told

Array = NDArray[np.float64]

AIM = 0.98  # share of each limit at which the search aims: what is found must bear being lapped
# What counts beside the cost, to choose among what costs the same: how soon it is reached, and how well.
SOONER, BETTER = 2e-3, 2e-5
GRID = 49  # points of the trade-off's curve
OFFSET_GRID = 257  # instants at which offsets are known
APART = 0.04  # of a key's bounds: nearer candidates are the same
NEAR = 40  # looks for each key near the best, at most a third of all
TRACKS = 4000  # kept
MISSED = 2.0  # a score from here on misses the goal; from 1 on it is reached, but does not stand
EVERY = 128  # choices and orders together: so many are all looked at
KINDS = 8  # of choices together, near the best of each of which is looked
LIFTS = 1e-3  # share of the time from which on lifting counts


class SpaceMapping:
    """By how much full simulation differs from the operator, at the places that were lapped in full.

    Between them their offsets count by the inverse square of the distance, so that each is exact where it was
    found (D. Shepard, Proc. 23rd ACM Conf. (1968) 517, from memory).  They are known as far as anything was
    lapped.
    """

    def __init__(self, space: DesignSpace) -> None:
        self.space = space
        self.grid = np.zeros(1)
        self.places: list[Array] = []
        self.seen: dict[str, list[tuple[Array, Array]]] = {}
        self.values: dict[str, Array] = {}

    def add(self, place: Array, lapped: TimeSeries, told: TimeSeries) -> None:
        """Note what a full simulation says of the operator at a place."""
        self.places.append(place)
        for key, value in lapped.values.items():
            if key in told.values:
                off = value - np.interp(lapped.time, told.time, told.values[key])
                known = np.where(np.isfinite(off), off, 0.0)
                self.seen.setdefault(key, []).append((lapped.time, known))
        self.grid = np.linspace(0.0, max(float(self.grid[-1]), float(lapped.time[-1])), OFFSET_GRID)
        self.values = {
            key: np.array([np.interp(self.grid, time, off) for time, off in seen])
            for key, seen in self.seen.items()
        }

    def put_right(self, place: Array, track: TimeSeries) -> TimeSeries:
        """The track as full simulation would have it."""
        if not self.places:
            return track
        away = np.array([self.space.distance(place, other) for other in self.places])
        weight = 1.0 / (away**2 + 1e-12)
        weight /= weight.sum()
        values = dict(track.values)
        for key, offs in self.values.items():
            right = values[key] + np.interp(track.time, self.grid, weight @ offs)
            values[key] = np.maximum(right, 0.0) if key.endswith(("flatness", "mating")) else right
        return replace(track, values=values)


def score(course: Evaluation, least: str, scale: float, whole: float) -> float:
    """One number, less is better: below 1 where the goal is reached, by cost; else MISSED and how far off."""
    if not course.ok:
        return MISSED + float(np.log1p(course.share))
    cost = course.cost.of(least) / scale
    wait = late(course) / whole
    ties = SOONER * wait / (1.0 + wait) + BETTER * min(course.share, 1.0)
    return cost / (1.0 + cost) * (1.0 - SOONER - BETTER) + ties


def late(course: Evaluation) -> float:
    """When it is reached and when the work is over, in the middle [s]: it decides where the cost does not."""
    return 0.5 * ((course.reached_at or 0.0) + course.cost.time)


@dataclass
class Envelope:
    """Least share, and least flatness [m], that any schedule has at each of `cost` (k,): the trade-off."""

    cost: Array
    share: Array = field(init=False)
    flatness: Array = field(init=False)

    def __post_init__(self) -> None:
        self.share = np.full(self.cost.shape, np.inf)
        self.flatness = np.full(self.cost.shape, np.inf)

    def take(self, cost: Array, share: Array, flatness: Array) -> None:
        """Look at a schedule's columns (n,)."""
        within = (self.cost >= cost[0]) & (self.cost <= cost[-1] * (1.0 + 1e-9))
        at = np.interp(self.cost, cost, share)
        better = within & (at < self.share)
        self.share[better] = at[better]
        self.flatness[better] = np.interp(self.cost, cost, flatness)[better]

    def points(self, by: Literal["operator", "simulation"]) -> tuple[Point, ...]:
        """Where a schedule was seen."""
        columns = zip(self.cost.tolist(), self.share.tolist(), self.flatness.tolist(), strict=True)
        return tuple(Point(c, s, f, by) for c, s, f in columns if np.isfinite(s) and np.isfinite(f))


class Seeker:
    """Searches a space for the best place; `offsets` put the operator right.

    `only` what counts of what is asked, `aim` the share of each limit that is wanted.  `dry`: nothing may
    lift; `room`: the share that is allowed with any key a tenth off, None for any.  `seen`: (score, place) of
    all since `forget`; `troubles`: why places came to nothing.
    """

    def __init__(
        self, space: DesignSpace, foreteller: Surrogate, asked: Sequence[Constraint], seed: int
    ) -> None:
        self.space = space
        self.foreteller = foreteller
        self.asked = asked
        self.seed = seed
        self.tried = 0
        self.troubles: list[str] = []
        self.seen: list[tuple[float, Array]] = []
        self.only: Sequence[Constraint] = asked
        self.aim, self.dry = AIM, False
        self.room: float | None = None
        self.sound = np.inf  # the least score of a place that stands all of that
        steps = space.study.steps
        self.whole = rubbing_time(steps, space.study.rounds)
        self.whole = max(self.whole, space.goal.hold or 0.0)
        self.scale = self.whole
        self.offsets = SpaceMapping(space)
        self._told: dict[object, TimeSeries] = {}  # places that are typed alike are one
        self.envelope: Envelope | None = None

    def weigh(self, least: str, track: TimeSeries | None) -> None:
        """Take the costs of the study as it stands for the measure of all; None: it cannot be told."""
        usual = {"time": self.whole, "removed": 1e-6, "work": self.whole}.get(least, 1.0)
        own = track.cost(float(track.time[-1])).of(least) if track is not None else 0.0
        self.scale = own or usual
        self.envelope = Envelope(np.linspace(0.0, 1.5 * self.scale, GRID))

    def told(self, place: Array) -> TimeSeries:
        """What the operator says of a place, put right.

        Raises
        ------
        LapwrightError
            When it means nothing, or tips.

        """
        changes, order = self.space.changes(place), self.space.order(place)
        key = (*changes.values(), order)
        if key not in self._told:
            if len(self._told) > TRACKS:
                self._told.clear()
            self._told[key] = self.foreteller.tell(self.space.settled(changes, order)).track
        return self.offsets.put_right(place, self._told[key])

    def course(self, place: Array, aim: float = 1.0) -> Evaluation:
        """How a place goes, put right; raises as `told` does."""
        return evaluation_of(self.told(place), self.only, self.space.goal.hold, "operator", aim=aim)

    def __call__(self, place: Array) -> float:
        """The score of a place."""
        self.tried += 1
        try:
            track = self.told(place)
        except LapwrightError as trouble:
            self.troubles.append(told(trouble.text, self.space.study.units))
            return MISSED + float(np.log1p(NEVER)) + 1.0
        course = evaluation_of(
            track, self.only, self.space.goal.hold, "operator", aim=self.aim, trail=False
        )
        if self.envelope is not None and self.only is self.asked:
            shares = track.shares(self.asked).max(axis=0)
            self.envelope.take(track.along(self.space.least), shares, track.flatness())
        found = score(course, self.space.least, self.scale, self.whole)
        if course.ok and found < self.sound and self.only is self.asked:
            off = self._unsound(place)
            if off:
                found = 1.0 + off
            else:
                self.sound = found
        self.seen.append((found, np.array(place)))
        return found

    def _unsound(self, place: Array) -> float:
        """How much a place that reaches the goal lifts or loses it with a sloppy hand, 0 to 0.9; 0: not."""
        changes, order = self.space.changes(place), self.space.order(place)
        if self.dry:
            settled = self.space.settled(changes, order)
            lifted = self.foreteller.lift_share(settled, self.foreteller.tell(settled))
            if lifted > LIFTS:
                return 0.5 + 0.4 * min(lifted, 1.0)
        worst = 0.0 if self.room is None else self.slipped(changes, order, self.room)
        return 0.0 if self.room is None or worst <= self.room else 0.5 * (1.0 - self.room / worst)

    def slipped(self, changes: Mapping[str, str], order: tuple[int, ...], most: float) -> float:
        """The worst share of what is asked with any key a tenth off, or the first that is above `most`."""
        worst = 0.0
        for knob in self.space.knobs:
            for value, _ in knob.slips(changes[knob.key]):
                worst = max(worst, self._share({**changes, knob.key: value}, order))
                if worst > most:
                    return worst
        return worst

    def _share(self, changes: dict[str, str], order: tuple[int, ...]) -> float:
        """The worst share of what is asked of some changes; above 1 where it is not reached."""
        place = self.space.place(changes, order)
        try:
            track = self.foreteller.tell(self.space.settled(changes, order)).track
        except LapwrightError:
            return NEVER
        track = self.offsets.put_right(place, track)
        hold = self.space.goal.hold
        course = evaluation_of(track, self.asked, hold, "operator", trail=False)
        return course.share if course.ok else max(course.share, 1.0 + LIFTS)

    def search(
        self, looks: int, begin: Sequence[Array] = (), stop: Callable[[], bool] = bool
    ) -> None:
        """Look at every choice where only choices move; else all over the space, then near the best.

        About `looks` places; the same seed looks at the same places.
        """
        from scipy.optimize import differential_evolution

        size, kinds = self.space.size, self.space.kinds(EVERY)
        moving = [k for k, knob in enumerate(self.space.knobs) if not knob.choices]
        if kinds and not moving:
            for place in kinds:
                if not stop():
                    self(place)
            return
        people = int(np.clip(8 * size, 16, 64))
        rng = np.random.default_rng([self.seed, size, self.tried])
        first = rng.random((people, size))
        for k, place in enumerate(kinds[: people // 2]):  # each of a few at least once
            fixed = [n for n in range(size) if n not in moving]
            first[-1 - k, fixed] = place[fixed]
        for k, place in enumerate(list(begin)[: people // 2]):
            first[k] = place
        differential_evolution(
            self,
            [(0.0, 1.0)] * size,
            rng=rng,
            init=first,
            maxiter=max(1, looks // people - 1),
            polish=False,
            tol=0.0,
            callback=lambda intermediate_result: stop(),
        )
        best: dict[object, Array] = {}
        for _, place in sorted(self.seen, key=lambda one: one[0]) if moving else ():
            best.setdefault(self.space.kind(place), place)
        for place in (
            list(best.values())[:KINDS] if 1 < len(kinds) <= KINDS else list(best.values())[:1]
        ):
            if not stop():
                self._near(place, moving, looks)

    def _near(self, best: Array, moving: Sequence[int], looks: int) -> None:
        """Look near a place, along what moves."""
        from scipy.optimize import minimize

        def near(values: Array) -> float:
            place = best.copy()
            place[moving] = values
            return self(place)

        minimize(
            near,
            best[moving],
            method="Nelder-Mead",
            bounds=[(0.0, 1.0)] * len(moving),
            options={
                "maxfev": max(12, min(NEAR * len(moving), looks // 3)),
                "xatol": 5e-4,
                "fatol": 1e-10,
                "initial_simplex": _simplex(best[moving]),
            },
        )

    def best(self, number: int, apart: float = APART, below: float = np.inf) -> list[Array]:
        """The best places seen, none of them near another, with scores below a limit."""
        found: list[Array] = []
        for value, place in sorted(self.seen, key=lambda one: one[0]):
            if len(found) == number or value >= below:
                break
            if any(self.space.distance(place, other) <= apart for other in found):
                continue
            # While searching only what would lead was asked whether it stands.
            unasked = self.sound < value < 1.0 and self.only is self.asked
            if not (unasked and self._unsound(place)):
                found.append(place)
        return found

    def forget(self) -> None:
        """Scores of before are of no use once the operator has been put right anew."""
        self.seen.clear()
        self.sound = np.inf


def _simplex(middle: Array) -> Array:
    """Places about a place, a twentieth away along each key, inside the bounds."""
    corners = [middle]
    for k in range(middle.size):
        corner = middle.copy()
        corner[k] += 0.05 if corner[k] < 0.5 else -0.05
        corners.append(corner)
    return np.array(corners)


ALIKE = 0.005  # of the least cost: what costs so little more costs the same
AS_NEAR = 0.02  # of what the nearest comes to: two figures hardly show it
SAME_COST = 0.02  # of a share, of time and of metal: what differs by less is told once


def ranked(
    found: Sequence[Candidate],
    begun: Candidate | None,
    least: str,
    score: Callable[[Evaluation | None], float],
) -> tuple[Candidate, ...]:
    """Best first: what reaches the goal, of that what does not lift, what stands a sloppy hand, most draws.

    Of those at the same cost, the one with the fewest swaps (of those without turns or with as few swaps, the
    quickest).  Where none reaches it, the study as it stands (`begun`) is one of them, and of those that come
    equally near the cheapest is first.
    """
    every = list(found)
    if every and begun is not None and ends_well(begun) and not any(one.ok for one in every):
        every += [begun] if all(one is not begun for one in every) else []

    def standing(one: Candidate) -> tuple[bool, ...]:
        """What sorts before the cost: False stands."""
        return (False, one.lifts, one.steady is False, one.sure is False) if one.ok else (True,)

    every.sort(key=lambda one: (standing(one), score(one.simulated)))
    if not every or not ends_well(every[0]):
        return tuple(every)

    def cost(one: Candidate) -> float:
        return _course(one).cost.of(least)

    first = every[0]
    if first.ok:
        like = [one for one in every if standing(one) == standing(first)]
        most = (1.0 + ALIKE) * min(cost(one) for one in like)
        alike = [one for one in like if cost(one) <= most]
        alike.sort(key=_time if least in ("turns", "swaps") else _swaps)
    else:
        most = (1.0 + AS_NEAR) * _course(first).share
        if begun is not None and ends_well(
            begun
        ):  # what is nearest is never further than what is typed
            most = min(most, _course(begun).share)
        alike = [one for one in every if ends_well(one) and _course(one).share <= most]
        alike.sort(key=lambda one: (cost(one), _time(one)))
    return (*alike, *(one for one in every if one not in alike))


def _course(one: Candidate) -> Evaluation:
    assert one.simulated is not None
    return one.simulated


def ends_well(one: Candidate) -> bool:
    """Whether it was lapped in full to its end."""
    return one.simulated is not None and one.simulated.trouble is None


def _time(one: Candidate) -> float:
    return _course(one).cost.time


def _swaps(one: Candidate) -> float:
    return one.summary.track["swaps"][-1] if one.summary is not None else 0.0


def distinct(
    ways: Sequence[Candidate], kind: Callable[[Candidate], object] = lambda way: None
) -> tuple[Candidate, ...]:
    """Of ways (best first) of one `kind` that come to the same, the best alone."""
    kept: list[tuple[object, Candidate]] = []
    for way in ways:
        own = kind(way)
        if not any(own == other and _the_same(way, better) for other, better in kept):
            kept.append((own, way))
    return tuple(way for _, way in kept)


def _the_same(one: Candidate, other: Candidate) -> bool:
    if not (ends_well(one) and ends_well(other)):
        return False
    a, b = _course(one), _course(other)
    figures = zip((a.share, *_whole(a)), (b.share, *_whole(b)), strict=True)
    return a.ok == b.ok and all(abs(x - y) <= SAME_COST * max(abs(x), abs(y)) for x, y in figures)


def _whole(course: Evaluation) -> tuple[float, float, float]:
    cost = course.cost
    return cost.time, cost.removed, cost.turns


def as_they_come(begun: Candidate, asked: Sequence[Constraint]) -> Candidate | None:
    """To lap nothing, where the faces have all that is asked before any lapping; else None."""
    summary = begun.summary
    if summary is None or not summary.track:
        return None
    first = {name: column[:1] for name, column in summary.track.items()}
    course = evaluation_of(time_series_of(first), asked, None, "simulation")
    if not course.ok:
        return None
    course = replace(course, forms=_before(summary))
    return replace(
        begun, name="lap nothing", operator=course, simulated=course, lifts=False, summary=None
    )


def _before(summary: Summary) -> dict[str, dict[str, float | None]]:
    return {name: dict(ended.before) for name, ended in summary.plates.items()}
