"""A comparison as a table of comma-separated values, in SI, one row for each member, best first."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

from lapwright.planning.comparison import Comparison
from lapwright.study.runfile import FORM_KEYS, SHAPES
from lapwright.study.write import inline

__all__ = ["csv_text"]

QUANTITY = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?[\w %/.]*", re.IGNORECASE)


def csv_text(got: Comparison) -> str:
    """The table; lengths in m, times in s; a figure that is not there is left empty."""
    keys = list(dict.fromkeys(key for member in got.members for key in member.changes))
    plates = list(got.study.plates)
    ends = ("from", "to") if got.samples else ()
    head = ["rank", "name", *(f"set {key}" for key in keys), "outcome", "time_s", "removed_m"]
    head += [f"removed_m {end}" for end in ends]
    for name in plates:
        for form in (*FORM_KEYS, "removed"):
            head += [f"{name} {form}_m", *(f"{name} {form}_m {end}" for end in ends)]
        head += [f"{name} {form}_m error" for form in SHAPES]
    head += ["lift_share", *(("best_in", "draws") if got.samples else ()), "trouble"]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(map(_harmless, head))
    for rank, i in enumerate(got.order, 1):
        table.writerow(map(_harmless, _row(got, i, rank, keys, plates)))
    return out.getvalue()


def _row(got: Comparison, i: int, rank: int, keys: list[str], plates: list[str]) -> list[Any]:
    member, ended = got.members[i], got.nominal[i]
    row: list[Any] = [rank if ended.done else "", member.name]
    row += [_typed(member.changes[key]) if key in member.changes else "" for key in keys]
    row += [ended.outcome, repr(ended.time), repr(ended.removed), *_ends(got, i, ("removed",))]
    for name in plates:
        there = ended.plates.get(name)
        for form in (*FORM_KEYS, "removed"):
            value = None if there is None else there.removed if form == "removed" else there.forms[form]
            row += [_figure(value), *_ends(got, i, (name, form))]
        row += [_figure(None if there is None else there.error[form]) for form in SHAPES]
    row += [repr(ended.lift_share)]
    if got.samples:
        row += [got.best_in(i), got.samples]
    return [*row, (ended.trouble or "").replace("\n", "; ")]


def _harmless(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that could be one has an apostrophe before it."""
    formula = isinstance(cell, str) and cell[:1] in tuple("=+-@\t\r") and not QUANTITY.fullmatch(cell)
    return f"'{cell}" if formula else cell


def _figure(value: float | None) -> str:
    return "" if value is None else repr(value)


def _typed(value: Any) -> str:
    return value if isinstance(value, str) else inline(value)


def _ends(got: Comparison, i: int, what: tuple[str, ...]) -> list[str]:
    if not got.samples:
        return []
    band = got.band(i, what)
    return ["", ""] if band is None else [repr(band[0]), repr(band[1])]
