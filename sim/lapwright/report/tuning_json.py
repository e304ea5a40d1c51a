"""A search for a schedule as one JSON object: SI throughout, candidates best first."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from lapwright.planning.tuning import Candidate, Course, Tuning
from lapwright.report.tuning_words import headline

__all__ = ["as_json"]


def as_json(got: Tuning, written: Path | None) -> dict[str, Any]:
    """The answer of `tune --json`; `written`: the new study, None where there is none."""
    answer: dict[str, Any] = {
        "outcome": got.outcome,
        "study": None if written is None else str(written),
        "of": got.study.stem,
        "goal": {
            "reach": dict(got.goal.reach),
            "plates": list(got.goal.plates),
            "hold": got.goal.hold,
            "keep": {name: dict(forms) for name, forms in got.goal.keep.items()},
            "least": got.goal.least,
        },
        "candidates": [_candidate(way) for way in got.candidates],
        "as_typed": None if got.begun is None else _candidate(got.begun),
        "sensitivity": [asdict(nudge) for nudge in got.sensitivity],
        "trade_off": [asdict(point) for point in got.trade_off],
        "refused": [asdict(one) for one in got.refused],
        "lost": None if got.lost is None else asdict(got.lost),
        "tried": got.tried,
        "simulated": got.simulated,
    }
    if got.cells is not None:
        answer["cells"] = got.cells
    if got.samples:
        answer["samples"], answer["reached_in"] = got.samples, got.reached_in
        answer["did_not_end"] = got.failed
        answer["bands"] = {band.what: [band.low, band.high] for band in got.bands}
    if got.outcome != "found":
        first = got.refused[0] if got.refused else None
        answer["error"] = {
            "code": first.code if first is not None else "not_reached",
            "key": first.key if first is not None else "tune.reach",
            "message": first.message if first is not None else headline(got),
        }
    return answer


def _candidate(way: Candidate) -> dict[str, Any]:
    return {
        "name": way.name,
        "set": dict(way.changes),
        "order": list(way.order),
        "lifts": way.lifts,
        "operator": _course(way.operator),
        "simulated": _course(way.simulated),
        "reached_at": None if way.simulated is None else way.simulated.reached_at,
    }


def _course(course: Course | None) -> dict[str, Any] | None:
    """What a schedule comes to: foretold, or found by lapping it in full."""
    if course is None:
        return None
    return {
        "reached_at": course.reached_at,
        "share": course.share,
        "worst": dict(course.worst),
        "plates": {name: dict(forms) for name, forms in course.forms.items()},
        **asdict(course.cost),
        "removed_by_then": None if course.then is None else course.then.removed,
        "lift_share": course.lift_share,
        **({} if course.trouble is None else {"trouble": course.trouble}),
    }
