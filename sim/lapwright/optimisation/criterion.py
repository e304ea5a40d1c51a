"""What puts members and schedules in order: how a full simulation went against what was asked."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lapwright.optimisation.summary import Ended, Parts, Summary
from lapwright.optimisation.track import (
    NEVER,
    Constraint,
    Cost,
    Evaluation,
    constraints_of,
    evaluation_of,
    time_series_of,
)
from lapwright.study.goal import Goal
from lapwright.study.model import Study, Tune

SAME_SHARE = 1e-3  # of a goal, below which two ways reach it alike
SAME_FLATNESS = 1e-9  # m; flatness is the same within a nanometre
SAME_METAL = 12  # digits after the metre: metal is the same within a picometre
# rms of a form of size 1 over its face, at most: a bow's, sqrt(1/5 - 1/9); a dome's is sqrt(1/12)
RMS_OF_FORM = 0.3
WORST = (math.inf,)


def lapped_course(got: Summary, asked: Sequence[Constraint], hold: float | None) -> Evaluation:
    """How a full simulation went, by its end alone where the way was not kept, as of a batch.

    One that did not come to its end has `trouble` and reached nothing.
    """
    forms = {name: dict(ended.forms) for name, ended in got.plates.items()}
    off = got.removed if got.parts is None else got.parts.removed
    cost = Cost(got.time, off, 0.0, 0.0, got.time)
    if not got.done:
        never = dict.fromkeys((one.key for one in asked), NEVER)
        return Evaluation(
            "simulation", None, NEVER, never, forms, cost, got.lift_share, (), got.trouble
        )
    if got.track and got.parts is None:
        course = evaluation_of(time_series_of(got.track), asked, hold, "simulation")
        return replace(course, forms=forms, lift_share=got.lift_share)
    worst = {one.key: _sized(got, one) for one in asked}
    share = max((worst[one.key] / one.limit for one in asked), default=math.inf)
    reached, then = (got.time, cost) if share <= 1.0 else (None, None)
    return Evaluation(
        "simulation", reached, share, worst, forms, cost, got.lift_share, then=then, whole=cost
    )


@dataclass(frozen=True)
class Criterion:
    """What is better: `goal` of the study, or without one the flatness of the worst plate at the end.

    `asked`: each quantity of the goal; where a simulation was followed, `hold` and every kind of cost count.
    """

    goal: Goal | None = None
    asked: tuple[Constraint, ...] = ()
    least: str = Tune.least

    def course(self, got: Summary) -> Evaluation | None:
        """How what was asked went; by its end alone where the way was not kept; None without a goal."""
        return None if self.goal is None else lapped_course(got, self.asked, self.goal.hold)

    def figure(self, got: Summary) -> float:
        """The figure by which members are compared, less is better.

        Flatness of the worst plate [m]; with a goal the share of what is allowed that the worst form takes
        up (1 and less: reached).
        """
        course = self.course(got)
        if course is not None:
            return course.share
        if got.parts is not None:
            return _size(got.parts.worst.get("flatness"))
        sizes = (_size(ended.forms.get("flatness")) for ended in got.plates.values())
        return max(sizes, default=math.inf)

    def error(self, got: Summary) -> float | None:
        """How far the figure may be off by the program's own doing, one standard deviation, in its unit.

        None where that is not known.
        """
        if self.goal is None and got.parts is not None:
            return got.parts.error.get("flatness")
        if self.goal is None:
            worst = got.plates.get(self.worst_plate(got))
            return None if worst is None else _flatness_error(worst)
        one = self.deciding(got)
        error = None if one is None else _error(got, one)
        return None if one is None or error is None else error / one.limit

    def limit(self, got: Summary) -> float:
        """What a figure of 1 stands for [m]: a metre, or with a goal the most that what decides may be."""
        one = self.deciding(got)
        return 1.0 if one is None else one.limit

    def deciding(self, got: Summary) -> Constraint | None:
        """What of the goal takes up the largest share of what is allowed."""
        course = self.course(got)
        if course is None:
            return None
        return max(self.asked, key=lambda one: course.worst[one.key] / one.limit, default=None)

    def key(self, got: Summary) -> tuple[float, ...]:
        """What to sort by, best first."""
        if not got.done:
            return WORST
        course = self.course(got)
        if got.parts is not None:
            return 0.0, float(got.parts.out or 0), self._alike(got), self._plate(got.parts, got)
        if course is not None:
            cost = course.cost.of(self.least)
            return (0.0, 0.0, cost, course.share) if course.ok else (0.0, 1.0, course.share, cost)
        # Where flatness is alike, the one that takes off less metal.
        return 0.0, self._alike(got), round(got.removed, SAME_METAL)

    def _alike(self, got: Summary) -> float:
        """The worst figure in steps of a nanometre, or of a thousandth of the goal: less is no difference."""
        if self.goal is not None:
            share = self.figure(got) / SAME_SHARE
            return round(share) if math.isfinite(share) else math.inf
        size = self.figure(got) * self.limit(got)
        return round(size / SAME_FLATNESS) if math.isfinite(size) else math.inf

    @staticmethod
    def _plate(parts: Parts, got: Summary) -> float:
        """The form of the plate on which parts were lapped, as it is left: its flatness [m]."""
        return _size(got.plates[parts.on].forms.get("flatness"))

    def worst_plate(self, got: Summary) -> str:
        """The plate whose flatness is the worst, of those that a goal is for; of a batch, the part."""
        if got.parts is not None:
            return got.parts.name
        asked = got.plates if self.goal is None else self.goal.plates
        names = [name for name in got.plates if name in asked]
        return max(
            names, key=lambda name: _size(got.plates[name].forms.get("flatness")), default=""
        )

    def order(self, nominal: Sequence[Summary | None]) -> tuple[int, ...]:
        """Members best first; those that did not come to an end last, in their own order."""
        keys = self.standing(nominal)
        return tuple(sorted(range(len(keys)), key=lambda i: (keys[i], i)))

    def standing(self, several: Sequence[Summary | None]) -> list[tuple[float, ...]]:
        """What to sort each of several by, best first; of None, and of what did not end, the worst.

        Batches whose worst parts are no further from the best of all than the error of both are told by the
        plate that they leave.  With the best only: one alike another, and that alike a third, need not be
        alike it, and no order would hold.
        """
        keys = [WORST if got is None else self.key(got) for got in several]
        best = min(range(len(keys)), key=lambda i: (keys[i], i), default=None)
        first = None if best is None else several[best]
        if first is None:
            return keys
        return [
            (*keys[best or 0][:-1], key[-1])
            if got is not None and self.as_good(first, got)
            else key
            for got, key in zip(several, keys, strict=True)
        ]

    def as_good(self, one: Summary, other: Summary) -> bool:
        """Whether two batches have as many parts out, and worst ones within twice the error."""
        if one.parts is None or other.parts is None or not (one.done and other.done):
            return False
        apart = abs(self.figure(one) - self.figure(other))
        error = _joined([self.error(one), self.error(other)])
        alike = self._alike(one) == self._alike(other)
        return one.parts.out == other.parts.out and (
            alike or (error is not None and apart <= 2.0 * error)
        )

    def better(self, one: Summary, other: Summary) -> float:
        """1 where the first is better, 0 where the second is, a half where neither."""
        a, b = self.standing([one, other])
        return 1.0 if a < b else 0.0 if b < a else 0.5


def _size(value: float | None) -> float:
    return math.inf if value is None else abs(value)


def _dome(forms: Mapping[str, float | None]) -> float:
    return forms.get("sphere") or forms.get("bow") or 0.0


def _sized(got: Summary, one: Constraint) -> float:
    """Size of an asked quantity at the end [m], or how far it moved; infinite where that was not measured."""
    if one.form == "mating":
        return _size(got.mating)
    if one.plate is None:
        top, bottom = got.plates[got.top], got.plates[got.bottom]
        began = _dome(top.before) - _dome(bottom.before) if one.kept else 0.0
        return abs(_dome(top.forms) - _dome(bottom.forms) - began)
    if got.parts is not None and one.plate == got.parts.name:
        return _size((got.parts.moved if one.kept else got.parts.worst).get(one.measure))
    ended = got.plates[one.plate]
    after = ended.forms.get(one.measure)
    before = ended.before.get(one.measure) if one.kept else 0.0
    return math.inf if after is None or before is None else abs(after - before)


def _joined(errors: Sequence[float | None]) -> float | None:
    """Errors that know nothing of each other, together; None where one of them is not known."""
    known = [error for error in errors if error is not None]
    return math.hypot(*known) if known and len(known) == len(errors) else None


def _flatness_error(ended: Ended) -> float | None:
    """Each form moves the flatness by its own size at most."""
    return _joined(
        [error for form, error in ended.error.items() if ended.forms.get(form) is not None]
    )


def _error(got: Summary, one: Constraint) -> float | None:
    """How far an asked quantity may be off at the end [m], one standard deviation."""
    pair = got.plates[got.top], got.plates[got.bottom]
    if one.form == "mating":
        # The rms of what is added is the most that the rms of a sum can grow by.
        both = _joined([_flatness_error(ended) for ended in pair])
        return None if both is None else RMS_OF_FORM * both
    if one.plate is None:
        return _joined(
            [e.error.get("sphere" if e.forms.get("sphere") is not None else "bow") for e in pair]
        )
    if got.parts is not None and one.plate == got.parts.name:
        return got.parts.error.get(one.measure)
    ended = got.plates[one.plate]
    if one.form == "flatness":
        return _flatness_error(ended)
    return ended.error.get(one.measure)


def criterion_of(study: Study) -> Criterion:
    """The criterion of a study."""
    if study.goal is None or not study.goal.reach:  # how thick a part is, no choice follows
        return Criterion()
    least = (study.tuned or Tune()).least
    return Criterion(study.goal, constraints_of(study.goal, study.plates), least)
