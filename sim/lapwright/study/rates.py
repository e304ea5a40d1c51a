"""Quantities that are said per stroke, per minute or per way: pace, turn, wear."""

from __future__ import annotations

import math
import re
from typing import Any

from lapwright.study.faults import RefusedError, shown
from lapwright.study.units import ANGLE, LENGTH, PRESSURE, TIME, clean, find, read, read_text, take_apart

__all__ = ["read_pace", "read_turn", "read_wear"]

_PER = re.compile(r"(?:strokes?|times?)? ?(?:/|per|a|each|every) ?(?P<time>[a-z]+)|(?P<spm>spm)|(?P<hz>hz)")


def read_pace(value: Any) -> float:
    """Strokes per second from "40 /min", "40 strokes per minute", "40 spm", "0.7 /s"."""
    how = 'write strokes per time, such as "40 /min"'
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise RefusedError(f'{shown(value)} has no unit: {how} (here "{shown(value)} /min")', "bare_number")
    text = read_text(value, "a pace")
    apart = take_apart(text)
    got = _PER.fullmatch(apart[1].lower()) if apart is not None else None
    if apart is None or got is None:
        if apart is not None and not apart[1]:
            raise RefusedError(f'{shown(value)} has no unit: {how} (here "{text} /min")', "bare_number")
        raise RefusedError(f"{shown(value)} is not a pace: {how}", "unit")
    size = 60.0 if got["spm"] else 1.0 if got["hz"] else find(got["time"], TIME.units)
    if size is None:
        raise RefusedError(f"{shown(value)} is not a pace: {how}", "unit")
    pace = apart[0] / size
    if not 1e-3 <= pace <= 50.0:
        raise RefusedError(f"{shown(value)} cannot be: a pace lies between 0.1 /min and 3000 /min", "range")
    return pace


_TURN = re.compile(
    r"(?P<angle>.*?) ?(?:(?:/|per|a|each) ?(?:1 )?strokes?|every (?:(?P<every>[+-]?\d{1,9}) )?strokes?)"
)


def read_turn(value: Any) -> tuple[float, int]:
    """Angle [rad] and strokes between two settings (0: all the time) of "8 deg per stroke" or the like.

    "none" is (0, 0); "90 deg every 10 strokes" is (pi / 2, 10).
    """
    how = 'write "8 deg per stroke", "90 deg every 10 strokes" or "none"'
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    text = read_text(value, "a turn")
    if text.lower() in ("none", "no"):
        return 0.0, 0
    got = _TURN.fullmatch(text)
    if got is None:
        raise RefusedError(f"{shown(value)} is not a turn: {how}", "unit")
    try:
        angle = read(got["angle"], ANGLE)
    except RefusedError as trouble:
        raise RefusedError(f"{shown(value)} is not a turn: {how}", trouble.code) from None
    if not abs(angle) <= 200.0 * math.pi:
        raise RefusedError(f"{shown(value)} cannot be: a turn is 100 turns at most", "range")
    if "every" not in text:
        return angle, 0
    every = int(got["every"] or 1)
    if not every >= 1:
        raise RefusedError(f"{shown(value)} cannot be: write 1 stroke or more; {how}", "range")
    return (angle, every) if angle != 0.0 else (0.0, 0)


# Lengths that stand only in a wear constant.
_LONG = dict(LENGTH.units) | {"km": 1e3, "mi": 1609.344, "mile": 1609.344, "miles": 1609.344}
_DEPTH_EACH = re.compile(r"(?P<depth>[a-z\"]+)/\(?(?P<way>[a-z]+)[/* ]?(?P<pressure>[A-Za-z]+)\)?")
_SPECIFIC = {"mm3/(Nm)": 1e-9, "mm3/Nm": 1e-9, "mm3/N/m": 1e-9, "m3/(Nm)": 1.0, "m3/N/m": 1.0, "m2/N": 1.0}
_PER_PRESSURE = re.compile(r"(?:1?/(?P<over>[A-Za-z]+)|(?P<power>[A-Za-z]+)\^?-1)")


def read_wear(value: Any) -> float:
    """A wear constant [1/Pa] from "1e-12 1/Pa", "1 um/km/kPa" or "1e-3 mm3/(N m)"."""
    how = 'write metal lost per way and pressure, such as "1 um/km/kPa" or "1e-12 1/Pa" (the same)'
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    text = read_text(value, "a wear constant")
    apart = take_apart(text)
    if apart is None or not apart[1]:
        raise RefusedError(f"{shown(value)} is not a wear constant: {how}", "unit")
    size = _wear_unit(apart[1])
    if size is None:
        raise RefusedError(f"{shown(value)} is not a wear constant: {how}", "unit")
    wear = clean(apart[0] * size)
    if not wear > 0.0:
        raise RefusedError(f"{shown(value)} cannot be: it must be more than 0", "range")
    if not 1e-18 <= wear <= 1e-6:
        raise RefusedError(f"{shown(value)} cannot be: grit cuts between 1e-18 and 1e-6 1/Pa", "range")
    return wear


def _wear_unit(unit: str) -> float | None:
    bare = re.sub(r" per | a ", "/", unit).replace("·", "*")
    specific = _SPECIFIC.get(bare.replace(" ", "").replace("*", ""))
    if specific is not None:
        return specific
    got = _DEPTH_EACH.fullmatch(re.sub(r" ?/ ?", "/", bare))
    if got is not None:
        depth, way = find(got["depth"], LENGTH.units), find(got["way"], _LONG)
        pressure = find(got["pressure"], PRESSURE.units)
        return None if depth is None or way is None or pressure is None else depth / way / pressure
    got = _PER_PRESSURE.fullmatch(bare.replace(" ", ""))
    if got is None:
        return None
    pressure = find(got["over"] or got["power"], PRESSURE.units)
    return None if pressure is None else 1.0 / pressure
