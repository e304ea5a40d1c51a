"""A comparison as one JSON object, SI throughout."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from lapwright.optimisation.comparison import Comparison, verdict
from lapwright.presentation.comparison_text import ranked_by


def as_json(got: Comparison) -> dict[str, Any]:
    """The answer of `compare --json`, SI throughout, members best first."""
    answer: dict[str, Any] = {
        "study": got.study.stem,
        "ranking_by": ranked_by(got),
        "at": _at(got),
        "members": [_member(got, i, rank) for rank, i in enumerate(got.order, 1)],
    }
    if got.cells is not None:
        answer["cells"] = got.cells
    if len(got.ranked) > 1:
        best, next_best = got.ranked[:2]
        known = got.known(best, next_best)
        fields = {key: getattr(known, key) for key in ("apart", "of", "error", "squeeze")}
        answer["best"] = {"name": got.members[best].name, **fields}
        if got.samples:
            answer["best"]["wins"] = got.wins(best, next_best)[0]
    if got.samples:
        answer["samples"] = got.samples
    answer["odds"] = _odds(got)
    return answer


def _odds(got: Comparison) -> dict[str, Any]:
    """How often the first is better than the next, and by which draws."""
    by = "laps" if got.samples else "quick" if got.trials else None
    why = {"all" if i < 0 else got.members[i].name: why for i, why in got.unquick.items()}
    wins, of = got.wins(*got.ranked[:2]) if len(got.ranked) > 1 else (0.0, 0)
    told = verdict(wins, of) if of else None
    return {"by": by, "draws": got.trials, "of": of, "wins": wins, "verdict": told, "why": why}


def _at(got: Comparison) -> dict[str, Any]:
    """Where the members are judged."""
    found = got.judged
    of = None if found.of is None else got.members[found.of].name
    return {"metal": found.metal, "why": found.why, "of": of}


def _then_in_json(got: Comparison, i: int) -> dict[str, Any] | None:
    """A member with as much off as all are judged at."""
    then = got.placed[i]
    if got.judged.metal is None or then is None or not then.done:
        return None
    plates = {
        name: {key: value for key, value in ended.forms.items() if value is not None}
        for name, ended in then.plates.items()
    }
    return {"time": then.time, "removed": then.removed, "plates": plates}


def _member(got: Comparison, i: int, rank: int) -> dict[str, Any]:
    member, summary = got.members[i], got.nominal[i]
    out: dict[str, Any] = {
        "name": member.name,
        "step": member.step,
        "set": dict(member.changes),
        "rank": rank if summary.done else None,
        "outcome": summary.outcome,
        "plates": {
            name: {
                **ended.forms,
                "by_layer": dict(ended.by_layer),
                "removed": ended.removed,
                "error": dict(ended.error),
                "edge_margin": ended.margin,
                "margin0": dict(ended.forms_margin0),
            }
            for name, ended in summary.plates.items()
        },
        "time": summary.time,
        "removed": summary.removed,
        "lift_share": summary.lift_share,
        "at": _then_in_json(got, i),
    }
    course = got.criterion.course(summary)
    if course is not None:
        out["reached_at"] = course.reached_at
    if summary.parts is not None:
        out["batch"] = asdict(summary.parts)
        if got.samples:
            out["batch"]["all_within_in"] = got.all_within(i)
    if summary.trouble is not None:
        out["error"] = {"code": summary.code, "key": None, "message": summary.trouble}
    if got.samples:
        out["bands"] = {
            "time": got.band(i, ("time",)),
            "removed": got.band(i, ("removed",)),
            "plates": {
                name: {key: got.band(i, (name, key)) for key in (*ended.forms, "removed")}
                for name, ended in summary.plates.items()
            },
        }
        out["did_not_end"] = got.ended_badly(i)
    if got.drawn(i):
        out["best_in"] = got.best_in(i)
    return out
