"""A comparison as one JSON object: SI throughout, members best first."""

from __future__ import annotations

from typing import Any

from lapwright.planning.comparison import Comparison
from lapwright.report.comparison_words import ranked_by

__all__ = ["as_json"]


def as_json(got: Comparison) -> dict[str, Any]:
    """The answer of `compare --json`, SI throughout, members best first."""
    answer: dict[str, Any] = {
        "study": got.study.stem,
        "ranking_by": ranked_by(got),
        "members": [_member(got, i, rank) for rank, i in enumerate(got.order, 1)],
    }
    if got.cells is not None:
        answer["cells"] = got.cells
    if len(got.done) > 1:
        known = got.known(*got.done[:2])
        answer["best"] = {
            "name": got.members[got.done[0]].name,
            "apart": known.apart,
            "of": known.of,
            "error": known.error,
            "squeeze": known.squeeze,
        }
    if got.samples:
        answer["samples"] = got.samples
        if len(got.done) > 1:
            answer["best"]["wins"] = got.wins(*got.done[:2])[0]
    return answer


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
    }
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
        out["best_in"], out["did_not_end"] = got.best_in(i), got.ended_badly(i)
    return out
