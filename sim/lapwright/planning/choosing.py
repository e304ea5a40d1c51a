"""Which of the schedules that were lapped in full come first, and which are worth telling of."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from lapwright.planning.summary import Summary
from lapwright.planning.track import course_of, track_of
from lapwright.planning.tuning import Asked, Candidate, Course

__all__ = ["as_they_come", "distinct", "ranked"]

ALIKE = 0.005  # of the least cost: what costs so little more costs the same
AS_NEAR = 0.02  # of what the nearest comes to: two figures hardly show it
SAME = 0.02  # of a share, of time and of metal: what differs by less is told once


def ranked(
    found: Sequence[Candidate], begun: Candidate | None, least: str, score: Callable[[Course | None], float]
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


def _course(one: Candidate) -> Course:
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
    return a.ok == b.ok and all(abs(x - y) <= SAME * max(abs(x), abs(y)) for x, y in figures)


def _whole(course: Course) -> tuple[float, float, float]:
    cost = course.cost
    return cost.time, cost.removed, cost.turns


def as_they_come(begun: Candidate, asked: Sequence[Asked]) -> Candidate | None:
    """To lap nothing, where the faces have all that is asked before any lapping; else None."""
    summary = begun.summary
    if summary is None or not summary.track:
        return None
    first = {name: column[:1] for name, column in summary.track.items()}
    course = course_of(track_of(first), asked, None, "simulation")
    if not course.ok:
        return None
    course = replace(course, forms=_before(summary))
    return replace(begun, name="lap nothing", operator=course, simulated=course, lifts=False, summary=None)


def _before(summary: Summary) -> dict[str, dict[str, float | None]]:
    return {name: dict(ended.before) for name, ended in summary.plates.items()}
