"""By what members and schedules are put in order, and which are worth telling of.

Courses of what was lapped in full.

Which of the schedules that were lapped in full come first, and which are worth telling of.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from lapwright.optimisation.summary import Ended, Summary
from lapwright.optimisation.track import (
    NEVER,
    Candidate,
    Constraint,
    Cost,
    Evaluation,
    constraints_of,
    evaluation_of,
    time_series_of,
)
from lapwright.study.model import Study, Tune

__all__ = ["Criterion", "as_they_come", "criterion_of", "distinct", "lapped_course", "ranked"]


def lapped_course(got: Summary, asked: Sequence[Constraint], hold: float | None) -> Evaluation:
    """How a full simulation went; one that did not come to its end has `trouble` and reached nothing."""
    forms = {name: dict(ended.forms) for name, ended in got.plates.items()}
    if not got.done or not got.track:
        cost = Cost(got.time, got.removed, 0.0, 0.0)
        never = dict.fromkeys((one.key for one in asked), NEVER)
        return Evaluation(
            "simulation", None, NEVER, never, forms, cost, got.lift_share, (), got.trouble
        )
    course = evaluation_of(time_series_of(got.track), asked, hold, "simulation")
    return replace(course, forms=forms, lift_share=got.lift_share)


SAME_FLATNESS = 1e-9  # m; flatness is the same within a nanometre
# rms of a form of size 1 over its face, at most: a bow's, sqrt(1/5 - 1/9); a dome's is sqrt(1/12)
RMS_OF_FORM = 0.3
WORST = (math.inf,)


@dataclass(frozen=True)
class Criterion:
    """What is better: `goal` of the study, or without one the flatness of the worst plate at the end.

    `asked`: each quantity of the goal; where a simulation was followed, `hold` and every kind of cost count.
    """

    goal: Tune | None = None
    asked: tuple[Constraint, ...] = ()

    def figure(self, got: Summary) -> float:
        """The figure by which members are compared, less is better.

        Flatness of the worst plate [m]; with a goal the share of what is allowed that the worst form takes
        up (1 and less: reached).
        """
        if self.goal is None:
            return max(
                (_size(ended.forms.get("flatness")) for ended in got.plates.values()),
                default=math.inf,
            )
        course = self._course(got)
        if course is not None:
            return course.share
        return max((_sized(got, one) / one.limit for one in self.asked), default=math.inf)

    def error(self, got: Summary) -> float | None:
        """How far the figure may be off by the program's own doing, one standard deviation, in its unit.

        None where that is not known.
        """
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
        if self.goal is None or not self.asked:
            return None
        course = self._course(got)
        sizes = (
            {one.key: _sized(got, one) for one in self.asked} if course is None else course.worst
        )
        return max(self.asked, key=lambda one: sizes[one.key] / one.limit)

    def _course(self, got: Summary) -> Evaluation | None:
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
            return (
                0.0,
                round(figure / SAME_FLATNESS) if math.isfinite(figure) else math.inf,
                got.removed,
            )
        course = self._course(got)
        if course is not None:
            cost, reached = course.cost.of(self.goal.least), course.ok
        else:
            cost, reached = got.removed if self.goal.least == "removed" else got.time, figure <= 1.0
        return (0.0, 0.0, cost, figure) if reached else (0.0, 1.0, figure, cost)

    def worst_plate(self, got: Summary) -> str:
        """The plate whose flatness is the worst."""
        return max(
            got.plates, key=lambda name: _size(got.plates[name].forms.get("flatness")), default=""
        )

    def order(self, nominal: Sequence[Summary | None]) -> tuple[int, ...]:
        """Members best first; those that did not come to an end last, in their own order."""
        return tuple(
            sorted(
                range(len(nominal)),
                key=lambda i: (WORST if (s := nominal[i]) is None else self.key(s), i),
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


def _sized(got: Summary, one: Constraint) -> float:
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
    ended = got.plates[one.plate]
    if one.form == "flatness":
        return _flatness_error(ended)
    return ended.error.get("sphere" if one.form == "dome" else one.form)


def criterion_of(study: Study) -> Criterion:
    """The criterion of a study."""
    return Criterion(
        study.goal, constraints_of(study.goal, study.plates) if study.goal is not None else ()
    )


ALIKE = 0.005  # of the least cost: what costs so little more costs the same
AS_NEAR = 0.02  # of what the nearest comes to: two figures hardly show it
SAME_COST = 0.02  # of a share, of time and of metal: what differs by less is told once


def ranked(
    found: Sequence[Candidate],
    begun: Candidate | None,
    least: str,
    score: Callable[[Evaluation | None], float],
) -> tuple[Candidate, ...]:
    """Best first.

    Of those that reach the goal at the same cost, the one with the fewest swaps (of those without turns or
    with as few swaps, the quickest).  Where none does, the study as it stands (`begun`) is one of them, and
    of those that come equally near the cheapest is first.
    """
    every = list(found)
    if every and begun is not None and _ends(begun) and not any(one.ok for one in every):
        every.append(begun)
    every.sort(key=lambda one: score(one.simulated))
    if not every or not _ends(every[0]):
        return tuple(every)

    def cost(one: Candidate) -> float:
        return _course(one).cost.of(least)

    if every[0].ok:
        most = (1.0 + ALIKE) * min(cost(one) for one in every if one.ok)
        alike = [one for one in every if one.ok and cost(one) <= most]
        alike.sort(key=_time if least in ("turns", "swaps") else _swaps)
    else:
        most = (1.0 + AS_NEAR) * _course(every[0]).share
        alike = [one for one in every if _ends(one) and _course(one).share <= most]
        alike.sort(key=lambda one: (cost(one), _time(one)))
    return (*alike, *(one for one in every if one not in alike))


def _course(one: Candidate) -> Evaluation:
    assert one.simulated is not None
    return one.simulated


def _ends(one: Candidate) -> bool:
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
    if not (_ends(one) and _ends(other)):
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
