"""Quantities per stroke, per minute or per way; temperatures; and grains by number or by size.

Quantities that are said per stroke, per minute or per way: pace, turn, wear; and temperatures.

Grains by number, such as "F400", or by size.

FEPA F sizes: ISO 8486-2, median grain sizes (from memory, to be checked against the standard).  FEPA P and
CAMI sizes, which only explain why "400 grit" is no size: ISO 6344-3 and ANSI B74.18 (from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from fractions import Fraction
from typing import Any

from lapwright.specification.quantities import (
    ANGLE,
    FLAT,
    LENGTH,
    PRESSURE,
    SMALL,
    TIME,
    clean,
    find,
    quantity,
    read,
    read_share,
    read_text,
    reads_back,
    take_apart,
)
from lapwright.specification.said import RefusedError, listed, refused, shown
from lapwright.units import METRIC, Units


class Reader:
    """A reader with its way back."""

    def __init__(self, read: Callable[[Any], Any], typed: Callable[[Any], Any]) -> None:
        self.read, self.typed = read, typed

    def __call__(self, value: Any) -> Any:
        """What the text means."""
        return self.read(value)


_PER = re.compile(
    r"(?:strokes?|times?)? ?(?:/|per|a|each|every) ?(?P<time>[a-z]+)|(?P<spm>spm)|(?P<hz>hz)"
)


def read_pace(value: Any) -> float:
    """Strokes per second from "40 /min", "40 strokes per minute", "40 spm", "0.7 /s"."""
    how = 'write strokes per time, such as "40 /min"'
    text = read_text(value, "a pace", f'{how} (here "{shown(value)} /min")')
    apart = take_apart(text)
    got = _PER.fullmatch(apart[1].lower()) if apart is not None else None
    if apart is None or got is None:
        if apart is not None and not apart[1]:
            raise refused(value, f'has no unit: {how} (here "{text} /min")', "bare_number")
        raise refused(value, f"is not a pace: {how}", "unit")
    size = 60.0 if got["spm"] else 1.0 if got["hz"] else find(got["time"], TIME.units)
    if size is None:
        raise refused(value, f"is not a pace: {how}", "unit")
    pace = apart[0] / size
    if not 1e-3 <= pace <= 50.0:
        raise refused(value, "cannot be: a pace lies between 0.1 /min and 3000 /min", "range")
    return pace


def typed_turn(angle: float, every: int) -> str:
    """The text of a turn that reads back as the same one."""
    if angle == 0.0:
        return "none"
    return f"{quantity(ANGLE).typed(angle)} {f'every {every} strokes' if every else 'per stroke'}"


PACE = Reader(read_pace, lambda pace: reads_back(pace, 1.0 / 60.0, "/min", read_pace, "/s"))

_TURN = re.compile(
    r"(?P<angle>.*?) ?(?:(?:/|per|a|each) ?(?:1 )?strokes?|every (?:(?P<every>[+-]?\d{1,9}) )?strokes?)"
)


def read_turn(value: Any) -> tuple[float, int]:
    """Angle [rad] and strokes between two settings (0: all the time) of "8 deg per stroke" or the like.

    "none" is (0, 0); "90 deg every 10 strokes" is (pi / 2, 10).
    """
    how = 'write "8 deg per stroke", "90 deg every 10 strokes" or "none"'
    text = read_text(value, "a turn", how)
    if text.lower() in ("none", "no"):
        return 0.0, 0
    got = _TURN.fullmatch(text)
    if got is None:
        raise refused(value, f"is not a turn: {how}", "unit")
    try:
        angle = read(got["angle"], ANGLE)
    except RefusedError as trouble:
        raise refused(value, f"is not a turn: {how}", trouble.code) from None
    if not abs(angle) <= 200.0 * math.pi:
        raise refused(value, "cannot be: a turn is 100 turns at most", "range")
    if "every" not in text:
        return angle, 0
    every = int(got["every"] or 1)
    if not every >= 1:
        raise refused(value, f"cannot be: write 1 stroke or more; {how}", "range")
    return (angle, every) if angle != 0.0 else (0.0, 0)


# Lengths that stand only in a wear constant.
_LONG = dict(LENGTH.units) | {"km": 1e3, "mi": 1609.344, "mile": 1609.344, "miles": 1609.344}
_DEPTH_EACH = re.compile(r"(?P<depth>[a-z\"]+)/\(?(?P<way>[a-z]+)[/* ]?(?P<pressure>[A-Za-z]+)\)?")
_SPECIFIC = dict.fromkeys(("mm3/(Nm)", "mm3/Nm", "mm3/N/m"), 1e-9)
_SPECIFIC |= dict.fromkeys(("m3/(Nm)", "m3/N/m", "m2/N"), 1.0)
_PER_PRESSURE = re.compile(r"(?:1?/(?P<over>[A-Za-z]+)|(?P<power>[A-Za-z]+)\^?-1)")


def read_wear(value: Any) -> float:
    """A wear constant [1/Pa] from "1e-12 1/Pa", "1 um/km/kPa" or "1e-3 mm3/(N m)"."""
    how = 'write metal lost per way and pressure, such as "1 um/km/kPa" or "1e-12 1/Pa" (the same)'
    text = read_text(value, "a wear constant", how)
    apart = take_apart(text)
    if apart is None or not apart[1]:
        raise refused(value, f"is not a wear constant: {how}", "unit")
    size = _wear_unit(apart[1])
    if size is None:
        raise refused(value, f"is not a wear constant: {how}", "unit")
    wear = apart[0] if size == 1.0 else clean(apart[0] * size)
    if not wear > 0.0:
        raise refused(value, "cannot be: it must be more than 0", "range")
    if not 1e-18 <= wear <= 1e-6:
        raise refused(value, "cannot be: grit cuts between 1e-18 and 1e-6 1/Pa", "range")
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


def typed_share(share: float) -> str:
    """A share as a fraction or in per cent, so that it reads back as the same number."""
    near = Fraction(share).limit_denominator(12)
    ways = (
        f"{100.0 * share:.12g} %",
        f"{near.numerator}/{near.denominator}",
        f"{100.0 * share!r} %",
    )
    return next((text for text in ways if read_share(text) == share), ways[-1])


SHARE = Reader(read_share, typed_share)


def share_within(low: float, high: float, what: str) -> Reader:
    """A reader of shares within limits."""

    def read_within(value: Any) -> float:
        share = read_share(value)
        if not low <= share <= high:
            limits = f"{100.0 * low:g} % and {100.0 * high:g} %"
            raise refused(value, f"cannot be: {what} lies between {limits}", "range")
        return share

    return Reader(read_within, typed_share)


# A form that is asked for, by a goal or a gauge that stops.
ASKED_SIZE = quantity(FLAT, above="0 um", most="1 mm")
WEAR = Reader(read_wear, lambda wear: reads_back(wear, 1e-12, "um/km/kPa", read_wear, "1/Pa"))


SCALES = {
    "C": ("degc", "c", "celsius"),
    "F": ("degf", "f", "fahrenheit"),
    "K": ("k", "kelvin"),
}


def read_temperature(value: Any) -> float:
    """A temperature [K] from "20 degC", "68 degF" or "293 K"."""
    how = 'write a number, a space and degC, degF or K, such as "20 degC"'
    apart = take_apart(read_text(value, "a temperature", how))
    unit = apart[1].replace("°", "deg").replace(" ", "").lower() if apart is not None else ""
    scale = next((scale for scale, names in SCALES.items() if unit in names), None)
    if apart is None or scale is None:
        raise refused(value, f"is not a temperature: {how}", "unit")
    number = apart[0]
    if scale == "F":
        number = (number - 32.0) / 1.8 + 273.15
    elif scale == "C":
        number += 273.15
    if not 200.0 <= number <= 600.0:
        raise refused(value, "cannot be: no shop is that cold or hot", "range")
    return number


# fmt: off
FEPA_F = {
    220: 58e-6, 240: 44.5e-6, 280: 36.5e-6, 320: 29.2e-6, 360: 22.8e-6, 400: 17.3e-6,
    500: 12.8e-6, 600: 9.3e-6, 800: 6.5e-6, 1000: 4.5e-6, 1200: 3.0e-6,
}
_FEPA_P = {
    240: 58.5, 280: 52.2, 320: 46.2, 360: 40.5, 400: 35.0, 500: 30.2, 600: 25.8, 800: 21.8, 1000: 18.3,
}
# fmt: on
_CAMI = {240: 53.5, 320: 36.0, 360: 28.8, 400: 23.0, 500: 19.7, 600: 16.0, 800: 12.2, 1000: 9.2}

_size = quantity(SMALL, least="0.01 um", most="1 mm")


def _grain(value: Any) -> float:
    """A grain size, from a length or a FEPA F number."""
    if isinstance(value, (str, int)) and not isinstance(value, bool):
        by_number = _by_number(str(value) if isinstance(value, str) or abs(value) < 10**9 else "")
        if by_number is not None:
            return by_number
    return _size(value)


def _by_number(typed: str) -> float | None:
    """Size of an F number; None when the text is no grit number at all.

    Raises
    ------
    RefusedError
        A number whose system is not said, or of another system.

    """
    got = re.fullmatch(r"\s*(#|[fFpP]|) ?(\d{2,5}) ?(#|-?grit|-?mesh|)\s*", typed, re.IGNORECASE)
    if got is None:
        return None
    mesh, letter = int(got[2]), got[1].upper()
    if letter == "F":
        if mesh in FEPA_F:
            return FEPA_F[mesh]
        closest = min(FEPA_F, key=lambda known: abs(known - mesh))
        known = listed((f"F{n}" for n in FEPA_F), "and")
        raise refused(typed, f"is not known: did you mean F{closest}? Known are {known}", "grit")
    if letter == "P":
        size = f", about {Units.number(_FEPA_P[mesh])} um" if mesh in _FEPA_P else ""
        raise refused(
            typed,
            f'is a grade of abrasive paper (FEPA P{size}): write the size, such as "15 um"',
            "grit",
        )
    if not letter and not got[3] and mesh not in FEPA_F:
        return None  # a size without its unit
    raise refused(
        typed,
        f"is {_systems(mesh)}: write the size, such as grit = {_example(mesh)}",
        "grit",
    )


def _systems(mesh: int) -> str:
    micron = {number: size * 1e6 for number, size in FEPA_F.items()}
    known = (("FEPA F", micron), ("ANSI CAMI ", _CAMI), ("FEPA P", _FEPA_P))
    sizes = [f"{Units.number(of[mesh])} um ({name}{mesh})" for name, of in known if mesh in of]
    if not sizes:
        return "no size: grit numbers mean different sizes by system"
    return f"{listed(sizes)}, by system"


def _example(mesh: int) -> str:
    return f'"{Units.number(FEPA_F[mesh] * 1e6)} um" or "F{mesh}"' if mesh in FEPA_F else '"15 um"'


def grain_name(typed: str, size: float) -> str:
    """One name for one grit, however it was typed: "F400" or "15 um"."""
    got = re.fullmatch(r"\s*[fF]\s*(\d+)\s*", typed)
    return f"F{got[1]}" if got else METRIC.size(size, echo=True)


GRAIN = Reader(_grain, _size.typed)
