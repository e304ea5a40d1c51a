"""A changed copy of a study's document: what compare, sweep and tune put in place of what was typed.

A key is dotted as in "stroke.length".  What it replaces may be said in several ways (a stroke by length or
by overhang, a step by time or by strokes): the other way goes out when a new one comes in.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from lapwright.lapping.stroke import KINDS
from lapwright.study.faults import RefusedError, shown

__all__ = ["override"]

SIZES = ("radius", "length", "travel", "overhang")
OF_KIND = {kind: (*filter(None, [size]), *more) for kind, (size, more) in KINDS.items()}
_EITHER = (("time", "strokes"), ("walk", "turn_bottom"))


def override(document: Mapping[str, Any], step: int | None, changes: Mapping[str, Any]) -> dict[str, Any]:
    """The document with keys of `step` (from 1; None: of every step) changed; the first is left as it was.

    Raises
    ------
    RefusedError
        When the step is not there, or a key goes into something that is no table.

    """
    out = dict(document)
    steps = document.get("steps")
    if not isinstance(steps, list) or not all(isinstance(entry, dict) for entry in steps):
        raise RefusedError("there are no [[steps]] to change", "missing")
    if step is not None and not 1 <= step <= len(steps):
        raise RefusedError(f"there is no step {step}: steps are 1 to {len(steps)}", "range")
    out["steps"] = [
        _changed(entry, changes) if step is None or number == step else entry
        for number, entry in enumerate(steps, 1)
    ]
    return out


def _changed(entry: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    step: dict[str, Any] = copy.deepcopy(dict(entry))
    for key, value in changes.items():
        head, _, tail = key.partition(".")
        for one, other in (*_EITHER, *(pair[::-1] for pair in _EITHER)):
            if key == one and other not in changes and not (other in ("time", "strokes") and "until" in step):
                step.pop(other, None)
        if not tail:
            step[head] = copy.deepcopy(value)
            continue
        inner = step.get(head)
        if head == "swap_every" and isinstance(inner, str) and tail not in ("read", "on_top"):
            # One time for both becomes a time for each.
            inner = {step[side]: inner for side in ("top", "bottom") if isinstance(step.get(side), str)}
        elif (head in ("hand", "swap_every") and isinstance(inner, str)) or inner is None:
            inner = {}
        if not isinstance(inner, dict):
            raise RefusedError(f"{head} is {shown(inner)}, which has no {shown(tail)}", "type")
        if head == "stroke":
            _make_room(inner, tail, changes)
            tail, value = _centre(inner, tail, value)
        _put(inner, tail, value)
        step[head] = inner
    return step


def _make_room(stroke: dict[str, Any], key: str, changes: Mapping[str, Any]) -> None:
    """Take out of a stroke what the new key says in another way."""
    if key == "kind":
        fits = OF_KIND.get(str(changes["stroke.kind"]), ())
        gone = [name for names in OF_KIND.values() for name in names if name not in fits]
    elif key in SIZES:
        gone = [name for name in SIZES if name != key]
        if key in ("travel", "overhang"):
            # Sized as a whole: a width typed beside a length would not follow it.
            gone += ["width", "small"] if "length" in stroke or "radius" in stroke else []
    else:
        return
    for name in gone:
        if f"stroke.{name}" not in changes:
            stroke.pop(name, None)


def _centre(stroke: Mapping[str, Any], key: str, value: Any) -> tuple[str, Any]:
    """What is put into a stroke: a centre is a pair of lengths, of which one alone may move.

    "centre.x" and "centre.y" are the two; a single length at "centre" is how far off the middle, towards 3.
    """
    name, _, side = key.partition(".")
    if name != "centre" or (not side and not isinstance(value, str)) or side not in ("", "x", "y"):
        return key, value
    here = stroke.get("centre")
    x, y = here if isinstance(here, list) and len(here) == 2 else ("0 mm", "0 mm")
    return "centre", [x, value] if side == "y" else [value, y]


def _put(table: dict[str, Any], key: str, value: Any) -> None:
    head, _, tail = key.partition(".")
    if not tail:
        table[head] = copy.deepcopy(value)
        return
    inner = table.setdefault(head, {})
    if not isinstance(inner, dict):
        raise RefusedError(f"{head} is {shown(inner)}, which has no {shown(tail)}", "type")
    _put(inner, tail, value)
