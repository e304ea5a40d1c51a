"""The answer of a search for stroke, turn and swaps: candidates, what each costs, how sure it is.

Times are rubbed seconds from the start of the first step, sizes metres without sign.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from lapwright.planning.draws import Tolerance
from lapwright.planning.summary import Summary
from lapwright.study.model import Study, Tune

__all__ = ["Asked", "Band", "Candidate", "Cost", "Course", "Lost", "Nudge", "Point", "Refused", "Tuning"]


@dataclass(frozen=True)
class Asked:
    """One quantity that the goal speaks of, and the most that it may be [m].

    `form` as in [tune]; `plate` None for what belongs to the pair ("difference", "mating").  `kept`: what
    counts is how far it moved from where it began.
    """

    form: str
    plate: str | None
    limit: float
    kept: bool = False

    @property
    def key(self) -> str:
        """Its name in mappings and JSON: "A.flatness", "difference", "keep.B.dome"."""
        place = self.form if self.plate is None else f"{self.plate}.{self.form}"
        return f"keep.{place}" if self.kept else place


@dataclass(frozen=True)
class Cost:
    """What it takes: all of the schedule, or, with `hold`, until the goal is reached and stays so.

    `time` rubbed [s]; `removed` mean depth off the plates [m]; `turns`: whole turns of the top in the hands
    and of the person round the bench together; `swaps`: how often another plate came on top.
    """

    time: float
    removed: float
    turns: float
    swaps: float

    def of(self, least: str) -> float:
        """The one that is to be least: "time", "removed", "turns" or "swaps"."""
        value: float = getattr(self, least)
        return value


@dataclass(frozen=True)
class Course:
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
    """

    name: str
    changes: Mapping[str, str]
    order: tuple[int, ...]
    document: Mapping[str, Any]
    study: Study
    operator: Course | None
    lifts: bool
    simulated: Course | None = None
    summary: Summary | None = None

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
class Tuning:
    """What came of a search.

    `outcome`: "found"; "near" (nothing reaches the goal: the nearest first); "refused" (it cannot be, and
    `refused` says why; the nearest first); "interrupted".  `candidates` confirmed by full simulation, best
    first; the first is the answer.
    `begun`: the study as it stands.  `lost`: when the goal is lost again if one goes on (None: not soon).
     `tried`: schedules told by the operator, `simulated` in full.
    `reached_in` of `samples` draws; in `failed` of them the answer does not come to its end (`failed_why`).
    """

    study: Study
    goal: Tune
    asked: tuple[Asked, ...]
    outcome: Literal["found", "near", "refused", "interrupted"]
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

    def to_dict(self, written: Path | None = None) -> dict[str, Any]:
        """The JSON of `lapwright tune --json`; `written`: where the new study lies."""
        from lapwright.report.tuning_json import as_json
        from lapwright.results.answer import plain

        found: dict[str, Any] = plain(as_json(self, written))
        return found

    def text(self) -> str:
        """What `lapwright tune` says of it."""
        from lapwright.report.tuning_words import in_words

        return "\n".join(in_words(self))

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
