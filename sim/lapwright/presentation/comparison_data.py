"""A comparison for other programs: one JSON object, and a table of comma-separated values; SI throughout."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import asdict
from typing import Any

from lapwright.optimisation.comparison import Comparison, verdict
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.summary import Summary
from lapwright.presentation.comparison_text import ranked_by
from lapwright.results.record import FORM_KEYS, SHAPES
from lapwright.study.write import inline

PARTS_HEAD = [
    "parts",
    "out_of_goal",
    "worst_part",
    "worst_part flatness_m",
    "plate_removed_m",
    "dressings",
]
AT_HEAD = ["judged removed_m", "judged time_s", "judged worst_flatness_m"]
QUANTITY = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?[\w %/.]*", re.IGNORECASE)


def csv_text(got: Comparison) -> str:
    """The table; lengths in m, times in s; a figure that is not there is left empty."""
    keys = list(dict.fromkeys(key for member in got.members for key in member.changes))
    plates = list(got.study.plates)
    ends = ("from", "to") if got.samples else ()
    head = ["rank", "name", *(f"set {key}" for key in keys), "outcome", "time_s", "removed_m"]
    head += PARTS_HEAD if got.study.batch is not None else []
    head += AT_HEAD if got.judged.metal is not None else []
    head += ["reached_at_s"] if got.criterion.goal is not None else []
    head += [f"removed_m {end}" for end in ends]
    for name in plates:
        for form in (*FORM_KEYS, "removed"):
            head += [f"{name} {form}_m", *(f"{name} {form}_m {end}" for end in ends)]
        head += [f"{name} {form}_m error" for form in SHAPES]
    head += ["lift_share", *(("best_in", "draws") if got.trials else ()), "trouble"]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(map(_harmless, head))
    for rank, i in enumerate(got.order, 1):
        table.writerow(map(_harmless, _cells(got, i, rank, keys, plates)))
    return out.getvalue()


def _cells(got: Comparison, i: int, rank: int, keys: list[str], plates: list[str]) -> list[Any]:
    member, ended = got.members[i], got.nominal[i]
    row: list[Any] = [rank if ended.done else "", member.name]
    row += [_typed(member.changes[key]) if key in member.changes else "" for key in keys]
    row += [ended.outcome, _figure(ended.time), _figure(ended.removed)]
    row += _parts_cells(got, ended)
    row += _then_cells(got, i)
    course = got.criterion.course(ended)
    row += [] if course is None else [_figure(course.reached_at)]
    row += _band(got, i, ("removed",))
    for name in plates:
        there = ended.plates.get(name)
        for form in (*FORM_KEYS, "removed"):
            value = (
                None if there is None else there.removed if form == "removed" else there.forms[form]
            )
            row += [_figure(value), *_band(got, i, (name, form))]
        row += [_figure(None if there is None else there.error[form]) for form in SHAPES]
    row += [_figure(ended.lift_share)]
    if got.trials:
        row += [got.best_in(i), got.trials] if got.drawn(i) else ["", ""]
    return [*row, (ended.trouble or "").replace("\n", "; ")]


def _then_cells(got: Comparison, i: int) -> list[Any]:
    """What stands under AT_HEAD."""
    if got.judged.metal is None:
        return []
    then = got.placed[i]
    if then is None or not then.done:
        return [""] * len(AT_HEAD)
    return [_figure(then.removed), _figure(then.time), _figure(Criterion().figure(then))]


def _parts_cells(got: Comparison, ended: Summary) -> list[Any]:
    """Of a batch, what stands under PARTS_HEAD."""
    if got.study.batch is None:
        return []
    if (parts := ended.parts) is None:
        return [""] * len(PARTS_HEAD)
    out = "" if parts.out is None else parts.out
    worst, number = parts.worst["flatness"], parts.number["flatness"]
    return [parts.lapped, out, number, _figure(worst), _figure(parts.removed), parts.dressings]


def _harmless(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that could be one has an apostrophe before it."""
    formula = (
        isinstance(cell, str) and cell[:1] in tuple("=+-@\t\r") and not QUANTITY.fullmatch(cell)
    )
    return f"'{cell}" if formula else cell


def _figure(value: float | None) -> str:
    return "" if value is None else repr(float(value))  # NumPy prints its own kind as a call


def _typed(value: Any) -> str:
    return value if isinstance(value, str) else inline(value)


def _band(got: Comparison, i: int, what: tuple[str, ...]) -> list[str]:
    if not got.samples:
        return []
    band = got.band(i, what)
    return ["", ""] if band is None else [_figure(band[0]), _figure(band[1])]


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
