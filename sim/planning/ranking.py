"""By what members are put in order: the goal that a study names, or flatness."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sim.planning.courses import lapped_course
from sim.planning.summary import Summary
from sim.planning.track import asked_of
from sim.planning.tuning import Asked, Course
from sim.study.model import Study, Tune

__all__ = ["Criterion", "criterion_of"]

SAME = 1e-9  # m; flatness is the same within a nanometre
WORST = (math.inf,)


@dataclass(frozen=True)
class Criterion:
    """What is better: `goal` of the study, or without one the flatness of the worst plate at the end.

    `asked`: each quantity of the goal; where a simulation was followed, `hold` and every kind of cost count.
    """

    goal: Tune | None = None
    asked: tuple[Asked, ...] = ()

    def figure(self, got: Summary) -> float:
        """The figure by which members are compared, less is better.

        Flatness of the worst plate [m]; with a goal the share of what is allowed that the worst form takes
        up (1 and less: reached).
        """
        if self.goal is None:
            return max(
                (_size(ended.forms.get("flatness")) for ended in got.plates.values()), default=math.inf
            )
        course = self._course(got)
        if course is not None:
            return course.share
        return max((_sized(got, one) / one.limit for one in self.asked), default=math.inf)

    def _course(self, got: Summary) -> Course | None:
        """How what was asked went along the time, where that was kept."""
        if self.goal is None or not self.asked or not got.track:
            return None
        return lapped_course(got, self.asked, self.goal.hold)

    def key(self, got: Summary) -> tuple[float, ...]:
        """What to sort by, best first."""
        if not got.done:
            return WORST
        figure = self.figure(got)
        if self.goal is None:
            # Flatness alike to the nanometre is no difference: then the one that takes off less metal.
            return (0.0, round(figure / SAME) if math.isfinite(figure) else math.inf, got.removed)
        course = self._course(got)
        if course is not None:
            cost, reached = course.cost.of(self.goal.least), course.ok
        else:
            cost, reached = got.removed if self.goal.least == "removed" else got.time, figure <= 1.0
        return (0.0, 0.0, cost, figure) if reached else (0.0, 1.0, figure, cost)

    def worst_plate(self, got: Summary) -> str:
        """The plate whose flatness is the worst."""
        return max(got.plates, key=lambda name: _size(got.plates[name].forms.get("flatness")), default="")

    def order(self, nominal: Sequence[Summary | None]) -> tuple[int, ...]:
        """Members best first; those that did not come to an end last, in their own order."""
        return tuple(
            sorted(
                range(len(nominal)), key=lambda i: (WORST if (s := nominal[i]) is None else self.key(s), i)
            )
        )

    def better(self, one: Summary, other: Summary) -> float:
        """1 where the first is better, 0 where the second is, a half where neither."""
        a, b = self.key(one), self.key(other)
        return 1.0 if a < b else 0.0 if b < a else 0.5


def _size(value: float | None) -> float:
    return math.inf if value is None else abs(value)


def _dome(forms: Mapping[str, float | None]) -> float:
    value = forms.get("sphere") if forms.get("sphere") is not None else forms.get("bow")
    return value or 0.0


def _sized(got: Summary, one: Asked) -> float:
    """Size of an asked quantity at the end [m], or how far it moved; infinite where that was not measured."""
    if one.form == "mating":
        return _size(got.mating)
    if one.plate is None:
        top, bottom = got.plates[got.top], got.plates[got.bottom]
        began = _dome(top.before) - _dome(bottom.before) if one.kept else 0.0
        return abs(_dome(top.forms) - _dome(bottom.forms) - began)
    key = "sphere" if one.form == "dome" else one.form
    ended = got.plates[one.plate]
    after, before = ended.forms.get(key), ended.before.get(key) if one.kept else 0.0
    return math.inf if after is None or before is None else abs(after - before)


def criterion_of(study: Study) -> Criterion:
    """The criterion of a study."""
    return Criterion(study.tune, asked_of(study.tune, study.plates) if study.tune is not None else ())
