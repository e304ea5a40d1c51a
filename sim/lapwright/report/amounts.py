"""Amounts in words: sizes, lengths, pressures and times, with two figures and without signs; clock hours."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lapwright.limits import BAND, SCATTER

__all__ = [
    "MARK",
    "NOTHING",
    "TWICE",
    "both_units",
    "finer",
    "hour",
    "joined",
    "last_digit",
    "length",
    "minutes",
    "pressure",
    "sentence",
    "shortened",
    "size",
    "two",
]

MARK = "†"  # beside what is finer than the finish, where the remark has no room
NOTHING = 5e-10  # [m] below half a nanometre there is nothing to speak of
TWICE = 2.0  # of an error: a form is off by more than that in one of twenty cases
ROUNDING = 1e-9  # of a size in another unit

_UNIT = {"metric": ("um", 1e-6), "inch": ("uin", 25.4e-9)}


def two(value: float) -> str:
    """Size of a number to two significant figures: 0.80, 12, 1200."""
    size_ = abs(float(value))
    if not math.isfinite(size_):
        return "unknown"
    if size_ == 0.0:
        return "0"
    rounded = float(f"{size_:.1e}")
    decimals = max(0, 1 - math.floor(math.log10(rounded)))
    return f"{rounded:.{decimals}f}"


def size(value: float, units: str = "metric") -> str:
    """Size of a height difference [m], without sign: "0.80 um" or "31 uin"."""
    unit, scale = _UNIT[units]
    if abs(value) < NOTHING:
        return f"less than 0.001 {unit}" if units == "metric" else f"less than 0.02 {unit}"
    return f"{two(value / scale)} {unit}"


def last_digit(value: float, units: str = "metric") -> float:
    """What one more in the last digit of a printed size stands for [m]; of a size that is nothing, 0."""
    unit = _UNIT[units][1]
    if abs(value) < NOTHING:
        return 0.0
    return float(10.0 ** (math.floor(math.log10(float(two(value / unit)))) - 1)) * unit


def finer(value: float, finish: float | None, units: str = "metric") -> bool:
    """Whether a form [m] is finer than the finish [m]: by what is printed of it, not by what is rounded off.

    The one rule for the remark on the finish and for the mark beside a figure.
    """
    if finish is None or not math.isfinite(value):
        return False
    _, scale = _UNIT[units]
    return float(two(value / scale)) * scale < finish * (1.0 - ROUNDING)


def both_units(value: float, units: str = "metric") -> str:
    """The size [m] in the person's unit with the other in brackets: "0.80 um (31 uin)"."""
    other = "inch" if units == "metric" else "metric"
    return f"{size(value, units)} ({size(value, other)})"


def length(value: float, units: str = "metric") -> str:
    """A length at the bench [m]: "53 mm" or "2.1 in"."""
    if units == "inch":
        return f"{two(value / 25.4e-3)} in"
    return f"{two(value / 1e-3)} mm"


def hour(x: float, y: float) -> str:
    """A direction as the hour on a clock, to the nearest quarter of an hour: "3 o'clock", "1:30"."""
    quarters = round((3.0 - math.degrees(math.atan2(y, x)) / 30.0) * 4.0) % 48
    whole, part = divmod(quarters, 4)
    return f"{whole or 12}:{15 * part:02d}" if part else f"{whole or 12} o'clock"


def pressure(value: float, units: str = "metric") -> str:
    """A pressure [Pa]: "2.1 kPa" or "0.30 psi"."""
    if units == "inch":
        return f"{two(value / 6894.757)} psi"
    return f"{two(value / 1e3)} kPa"


def sentence(text: str) -> str:
    """With a capital at its start, where a plate's name stands."""
    return text[:1].upper() + text[1:]


def shortened(name: str, most: int) -> str:
    """A plate's name where there is little room."""
    return name if len(name) <= most else name[: most - 1].rstrip() + "…"


def joined(parts: Sequence[str]) -> str:
    """List in words: "A", "A and B", "A, B and C"."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def minutes(seconds: float, weighed: bool = False) -> str:
    """Rubbing time [s] with its band: "about 40 min, 13 to 130 until you weigh a plate"."""
    value, unit = seconds / 60.0, "min"
    if value >= 119.5:  # that would be said as 120
        value, unit = value / 60.0, "h"
    if value < NOTHING:
        return "no time at all"
    spread = SCATTER if weighed else BAND
    reason = "as wear scatters" if weighed else "until you weigh a plate"
    return f"about {two(value)} {unit}, {two(value / spread)} to {two(value * spread)} {reason}"
