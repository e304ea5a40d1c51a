"""Profiles from a level or an autocollimator that is stepped along a line, base by base."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.gauges.contacts import Placement
from lapwright.gauges.face import Face
from lapwright.gauges.instruments import Level

__all__ = ["Profile", "stations", "stepped"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights (n + 1,) [m] at places `along` (n + 1,) [m] of a line, from the line through its ends."""

    along: Array
    heights: Array

    @property
    def straightness(self) -> float:
        """Highest over lowest [m], from the line through the ends."""
        return float(np.ptp(self.heights))


def stations(level: Level, angle: float, steps: int, at: tuple[float, float] = (0.0, 0.0)) -> list[Placement]:
    """Where the gauge stands, foot to foot, along a line through `at` [m] at `angle` [rad]."""
    first = -0.5 * (steps - 1) * level.base
    out = []
    for k in range(steps):
        s = first + k * level.base
        out.append(Placement((at[0] + s * cos(angle), at[1] + s * sin(angle)), angle))
    return out


def slopes(level: Level, face: Face, at: list[Placement]) -> Array:
    """What is read at each station [rad], without scatter and with the plate lying level."""
    outline = face.plate.outline
    return np.array([level.contacts(place, outline).of(face.at) for place in at])


def stepped(readings: Array, base: float) -> Profile:
    """Profile of a line from the slopes (n,) [rad] read foot to foot: they are summed up.

    A zero error, and how the plate lies, tilt the line as a whole and fall out.
    """
    slope = np.asarray(readings, dtype=float)
    heights = np.concatenate([[0.0], np.cumsum(slope) * base])
    along = np.asarray(base * (np.arange(len(heights)) - 0.5 * len(slope)))
    return Profile(along, heights - np.linspace(0.0, heights[-1], len(heights)))
