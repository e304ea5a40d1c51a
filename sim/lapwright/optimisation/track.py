"""What was asked, followed along the time: when it is reached, what it cost, and which way is the better.

Times are rubbed seconds from the start of the first step, sizes metres without sign.  `constraints_of` says
what a goal asks for, `evaluation_of` how a schedule goes, and `Tuning` is the answer of a search.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.optimisation.cases import Tolerance
from lapwright.optimisation.summary import Summary
from lapwright.results.answer import Answer
from lapwright.specification.plate import Plate
from lapwright.study.goal import NOT_OF, Goal
from lapwright.study.model import Study


@dataclass(frozen=True)
class Constraint:
    """One quantity that the goal speaks of, and the most that it may be [m].

    `form` as in [goal]; `plate` None for what belongs to the pair ("difference", "mating").  `kept`: what
    counts is how far it moved from where it began.
    """

    form: str
    plate: str | None
    limit: float
    kept: bool = False

    @property
    def measure(self) -> str:
        """The form by the name that measures have: the sphere of a dome."""
        return "sphere" if self.form == "dome" else self.form

    @property
    def key(self) -> str:
        """Its name in mappings and JSON: "A.flatness", "difference", "keep.B.dome"."""
        place = self.form if self.plate is None else f"{self.plate}.{self.form}"
        return f"keep.{place}" if self.kept else place


@dataclass(frozen=True)
class Cost:
    """What it takes: all of the schedule, or, with `hold`, until the goal is reached and stays so.

    `time` rubbed [s]; `removed` mean depth off the plates [m]; `turns`: whole turns of the top in the hands
    and of the person round the bench together; `swaps`: how often another plate came on top; `work` [s]:
    rubbing, handling, and what the metal is worth, by the `effort` of the goal.
    """

    time: float
    removed: float
    turns: float
    swaps: float
    work: float

    def of(self, least: str) -> float:
        """The one that is to be least: "time", "removed", "turns", "swaps" or "work"."""
        value: float = getattr(self, least)
        return value


@dataclass(frozen=True)
class Evaluation:
    """How one schedule goes, told by the operator or found by full simulation.

    `reached_at` [s]: from then on all that is asked is reached, to the end (or to `hold`); None: it is not.
    `then`: what it took until then; `whole`: all of the schedule, whatever is asked of its end.
    `worst`: largest size [m] of each asked quantity (by `Asked.key`) at the end, or, with `hold`, over its
    second half (from `reached_at`, where that is later).
    `share`: the largest of them over its limit; 1 and less is reached.  `forms`: by plate, then form, at the
    end [m], signed.  `trail`: (time [s], share) along the way, to draw.  `lift_share`: share of the time in
    which something lifts.  `trouble`: why it came to nothing.
    """

    by: Literal["operator", "simulation"]
    reached_at: float | None
    share: float
    worst: Mapping[str, float]
    forms: Mapping[str, Mapping[str, float | None]]
    cost: Cost
    lift_share: float = 0.0
    trail: tuple[tuple[float, float], ...] = ()
    trouble: str | None = None
    then: Cost | None = None
    whole: Cost | None = None

    @property
    def ok(self) -> bool:
        """True when the goal is reached and, if asked, holds."""
        return self.reached_at is not None


@dataclass(frozen=True)
class Candidate:
    """One schedule: `changes` to the study by key as in [tune.free], as a person would type them.

    `order` of the steps, by their numbers in the study ((): as they stand).  `document`: a whole study
    that `run` takes; `study` what it means.  `operator`: foretold; `lifts`: something lifts, so the
    operator is only near.  `simulated`: found by full simulation (None: not confirmed), `summary` of its end.
    `slips`: it with each free key a little off; `steady`: reached with every one a tenth off; `sure`: reached
    in nine of ten draws; None where that was not tried.
    """

    name: str
    changes: Mapping[str, str]
    order: tuple[int, ...]
    document: Mapping[str, Any]
    study: Study
    operator: Evaluation | None
    lifts: bool
    simulated: Evaluation | None = None
    summary: Summary | None = None
    slips: tuple[Nudge, ...] = ()
    steady: bool | None = None
    sure: bool | None = None

    @property
    def ok(self) -> bool:
        """True when full simulation finds the goal reached."""
        return self.simulated is not None and self.simulated.ok


@dataclass(frozen=True)
class Point:
    """A point of the trade-off: the least `share` that any schedule has come to at a `cost`.

    `cost` of what is to be least (`Cost.of`); `flatness` [m] of the worst plate there.
    """

    cost: float
    share: float
    flatness: float
    by: Literal["operator", "simulation"]


@dataclass(frozen=True)
class Nudge:
    """The answer with one free key a little off, by full simulation.

    `key`; `value` typed instead; `off`: -0.1 or 0.1, None for another choice or another order; `share` and
    `reached_at` as in Course; `change` of the worst quantity against the answer [m], by `Asked.key`.
    """

    key: str
    value: str
    off: float | None
    share: float
    reached_at: float | None
    change: Mapping[str, float]
    by: Literal["operator", "simulation"] = "simulation"
    trouble: str | None = None


@dataclass(frozen=True)
class Lost:
    """The goal is lost again if one goes on: `asked` by key, after so much more `time` [s] and metal [m].

    Told by the operator, put right by what was lapped in full.
    """

    asked: str
    time: float
    removed: float


@dataclass(frozen=True)
class Refused:
    """What cannot be reached, and why: `code` for scripts, `message` a sentence for people.

    `code`: "residue" (below what the layer leaves), "stays" (nothing free moves it), "time", "bounds" ...;
    `asked`: key of the quantity; `reachable` [m]: the least that can be; `key`: the key of a step that would
    have to be free or said.
    """

    code: str
    message: str
    asked: str | None = None
    reachable: float | None = None
    key: str | None = None


@dataclass(frozen=True)
class Band:
    """Where nine in ten draws of the answer lie.

    `what`: an `Asked.key` [m], "time" (reached at) [s] or "removed" until then [m].
    """

    what: str
    low: float
    high: float


@dataclass(frozen=True, repr=False)
class Tuning(Answer):
    """What came of a search.

    `outcome`: "found"; "near" (nothing reaches the goal: the nearest first); "refused" (it cannot be, and
    `refused` says why; the nearest first); "interrupted".  `candidates` confirmed by full simulation, best
    first; the first is the answer.
    `begun`: the study as it stands.  `lost`: when the goal is lost again if one goes on (None: not soon).
     `tried`: schedules told by the operator, `simulated` in full.
    `reached_in` of `samples` draws; in `failed` of them the answer does not come to its end (`failed_why`).
    """

    study: Study
    goal: Goal
    asked: tuple[Constraint, ...]
    outcome: Literal["found", "near", "refused", "interrupted"]
    least: str = "time"
    candidates: tuple[Candidate, ...] = ()
    begun: Candidate | None = None
    trade_off: tuple[Point, ...] = ()
    sensitivity: tuple[Nudge, ...] = ()
    refused: tuple[Refused, ...] = ()
    bands: tuple[Band, ...] = ()
    samples: int = 0
    reached_in: int = 0
    failed: int = 0
    failed_why: str | None = None
    tolerance: Tolerance = field(default_factory=Tolerance)
    cells: int | None = None
    tried: int = 0
    simulated: int = 0
    lost: Lost | None = None

    @property
    def new(self) -> Candidate | None:
        """The candidate that is worth a study of its own: the best, unless it is the study as it stands."""
        best = self.answer
        if self.outcome == "refused" or best is None:
            return None
        moved = best.changes or best.order != tuple(sorted(best.order))
        return best if moved else None

    def told(self, written: Path | None = None) -> Mapping[str, Any]:
        """As `lapwright tune --json` has it, SI throughout; `written`: where the new study lies."""
        from lapwright.presentation.tuning import as_json

        return as_json(self, written)

    def lines(self) -> Iterable[str]:
        """What `lapwright tune` says of it."""
        from lapwright.presentation.tuning import in_words

        return in_words(self)

    def __repr__(self) -> str:
        return f"<Tuning of {self.study.stem}: {self.outcome}, {self.simulated} lapped in full>"

    @property
    def idle(self) -> bool:
        """True where the faces have all that is asked as they come, and nothing need be lapped."""
        course = self.answer.simulated if self.answer is not None else None
        return course is not None and course.whole is not None and course.whole.time == 0.0

    @property
    def answer(self) -> Candidate | None:
        """The best candidate."""
        return self.candidates[0] if self.candidates else None


Array = NDArray[np.float64]

OF_PAIR = ("difference", "mating")
NEVER = 1e6  # share of what comes to nothing


def constraints_of(goal: Goal, plates: Mapping[str, Plate]) -> tuple[Constraint, ...]:
    """Each quantity that a goal speaks of; plates that do not speak of a form are not asked for it."""
    found = []
    for form, limit in goal.reach.items():
        named = (None,) if form in OF_PAIR else goal.plates
        found += [Constraint(form, name, limit) for name in named if _speaks(plates, name, form)]
    for name, kept in goal.keep.items():
        for form, limit in kept.items():
            plate = None if form in OF_PAIR else name
            if _speaks(plates, plate, form):
                found.append(Constraint(form, plate, limit, kept=True))
    return tuple(found)


def _speaks(plates: Mapping[str, Plate], name: str | None, form: str) -> bool:
    return name is None or form not in NOT_OF[plates[name].outline.long]


@dataclass(frozen=True)
class TimeSeries:
    """Columns (k,) along one schedule, from its start to its end.

    `time` rubbed [s], `removed` mean depth off the plates [m], `turned` [turns] of top and walk together,
    `swaps`, `work` [s] with handling; `values` [m]: "NAME.sphere" and the like, "NAME.flatness", "mating",
    "difference".
    """

    time: Array
    removed: Array
    turned: Array
    swaps: Array
    work: Array
    values: Mapping[str, Array]

    def same(self, other: TimeSeries) -> bool:
        """Whether another is this one to the last bit."""
        mine, its = ({**vars(one), **one.values} for one in (self, other))
        keys = [key for key in mine if key != "values"]
        return all(np.array_equal(mine[key], its[key], equal_nan=True) for key in keys)

    def flatness(self) -> Array:
        """Flatness of the worst plate (k,) [m]."""
        found = [value for key, value in self.values.items() if key.endswith(".flatness")]
        return np.max(found, axis=0) if found else np.full(self.time.shape, np.nan)

    def shares(self, asked: Sequence[Constraint]) -> Array:
        """Each asked quantity over its limit (len(asked), k)."""
        return np.stack([self.sizes(one) / one.limit for one in asked])

    def sizes(self, one: Constraint) -> Array:
        """Size of an asked quantity (k,) [m], or how far it moved."""
        value = self.values[one.measure if one.plate is None else f"{one.plate}.{one.measure}"]
        moved = value - value[0] if one.kept else value
        sizes: Array = np.where(np.isfinite(moved), np.abs(moved), np.inf)
        return sizes

    def along(self, least: str) -> Array:
        """The column of what is to be least (k,)."""
        column: Array = self.turned if least == "turns" else getattr(self, least)
        return column

    def cost(self, time: float) -> Cost:
        """What it took until `time` [s]."""
        removed, turned = (
            float(np.interp(time, self.time, one)) for one in (self.removed, self.turned)
        )
        work = float(np.interp(time, self.time, self.work))
        at = max(0, int(np.searchsorted(self.time, time * (1.0 + 1e-12), side="right")) - 1)
        return Cost(time, removed, turned, float(self.swaps[at]), work)


def time_series_of(columns: Mapping[str, Sequence[float]]) -> TimeSeries:
    """A track from the columns that a full simulation kept."""
    held = {name: np.asarray(column, dtype=np.float64) for name, column in columns.items()}
    time, removed, turned, swaps, work = (
        held.pop(name) for name in ("time", "removed", "turned", "swaps", "work")
    )
    return TimeSeries(time, removed, turned, swaps, work, held)


def evaluation_of(
    track: TimeSeries,
    asked: Sequence[Constraint],
    hold: float | None,
    by: Literal["operator", "simulation"],
    *,
    aim: float = 1.0,
    trail: bool = True,
) -> Evaluation:
    """How a schedule went; `aim`: the share of each limit that is wanted; `trail`: note the way, too."""
    time, shares = track.time, track.shares(asked)
    if hold is not None and hold < time[-1]:
        keep = int(np.searchsorted(time, hold))
        last = [np.interp(hold, time, one) for one in shares]
        time, shares = np.append(time[:keep], hold), np.column_stack([shares[:, :keep], last])
    worst = shares.max(axis=0)
    reached = _reached(time, worst, aim)
    first = time.size - 1
    if hold is not None:
        first = int(np.searchsorted(time, max(reached or 0.0, 0.5 * time[-1]) * (1.0 - 1e-12)))
    at_worst = shares[:, first:].max(axis=1)
    share = float(at_worst.max())
    ended = reached if hold is not None and reached is not None else float(time[-1])
    way = zip(time.tolist(), np.minimum(worst, NEVER).tolist(), strict=True) if trail else ()
    return Evaluation(
        by=by,
        reached_at=reached,
        share=share if math.isfinite(share) else NEVER,
        worst={one.key: float(most * one.limit) for one, most in zip(asked, at_worst, strict=True)},
        forms={},
        cost=track.cost(ended),
        trail=tuple(way),
        then=None if reached is None else track.cost(reached),
        whole=track.cost(float(track.time[-1])),
    )


def _reached(time: Array, share: Array, aim: float) -> float | None:
    """From when on the share stays at or below `aim` [s]."""
    over = np.flatnonzero(~(share <= aim))
    if not over.size:
        return float(time[0])
    last = int(over[-1])
    if last == time.size - 1:
        return None
    high, low = share[last], share[last + 1]
    if not math.isfinite(high):
        return float(time[last + 1])
    along = (high - aim) / (high - low)
    return float(time[last] + along * (time[last + 1] - time[last]))
