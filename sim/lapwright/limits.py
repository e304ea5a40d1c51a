"""Limits that advice goes by, each with its source: one table for preview, page, card and comparisons."""

from __future__ import annotations

import math
from typing import NamedTuple

PRACTICE = "common practice, no source"

# The wear of a grit that nobody weighed is known to a band of ten in all: times or divided by this.
BAND = math.sqrt(10.0)
TOLERANCE = "10 %"  # how well start forms are known that nobody read with care: a share of each
# That of one that was weighed scatters by this: 40 to 60 % (Podra & Andersson, Tribol. Int. 32 (1999) 71).
SCATTER = 1.5

# The layer gives by 0.02 to 0.15 of the grit at 3 kPa, 0.05 being usual: common practice, no source.
LAYER_BAND = (0.4, 3.0)  # times the usual


def why_band(spread: float) -> str:
    """Why what wear takes is known to times or divided by `spread` only."""
    return "until you weigh a plate" if spread == BAND else "as wear scatters"


class Limit(NamedTuple):
    """A limit in SI units, and where it is from."""

    value: float
    unit: str
    source: str


LIMITS = {
    "too heavy": Limit(
        23.0, "kg", "most for one person at the best posture: NIOSH lifting equation"
    ),
    "heavy": Limit(12.0, "kg", PRACTICE),
    "high pressure": Limit(15e3, "Pa", PRACTICE),
    "low pressure": Limit(0.5e3, "Pa", PRACTICE),
    "longest dab": Limit(600.0, "s", PRACTICE),
    "pit": Limit(0.5, "of the grain", PRACTICE),
    "finish": Limit(0.1, "of the grain", PRACTICE),
    "next grit": Limit(3.0, "times finer at once", PRACTICE),
    "bending": Limit(0.1, "of the squeeze", PRACTICE),
    "bend": Limit(0.02, "of the goal, or of the finest reading", PRACTICE),
    "liquid": Limit(0.1, "of what the stroke makes of dome against dish", PRACTICE),
    "bow that reads": Limit(
        0.5, "of the squeeze: the least form that the grit layer leaves", PRACTICE
    ),
    "past its best": Limit(1.3, "times the least flatness there was", PRACTICE),
    "off the middle": Limit(0.1, "of half the width below", PRACTICE),
    "plates compared": Limit(0.5, "K apart", PRACTICE),
    "day of work": Limit(8.0 * 3600.0, "s", PRACTICE),
    "without a rest": Limit(600.0, "s of stroking by hand", PRACTICE),
    "holds grit": Limit(500.0, "Knoop hardness: harder faces take up no grit", PRACTICE),
    "size": Limit(0.1e-6, "m, the step of the finest micrometers", PRACTICE),
    "wedge": Limit(0.25, "of the metal off", PRACTICE),
    "fine scale": Limit(2e-4, "of what lies on it that a usual scale of the shop shows", PRACTICE),
    "balance": Limit(1e-5, "of what lies on it", PRACTICE),
}


def limit_of(name: str) -> float:
    """The value of a limit, by its name in the table."""
    return LIMITS[name].value
