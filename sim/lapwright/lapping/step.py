"""What is done: one step of a study, in SI units, ready to be lapped.

Everything here is frozen data.  Lengths in m, times in s, angles in rad, forces in N,
pressures in Pa, wear constants in 1/Pa (metres lost per metre of rubbing and pascal).
Strokes (curves) live in `strokes`, how they move the top in `motion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from lapwright.lapping.strokes import Curve, Still

__all__ = [
    "Grit",
    "Hand",
    "Layer",
    "Load",
    "Observation",
    "Step",
    "Swap",
    "Turn",
    "Until",
    "Wear",
    "strokes_in",
]

EMBEDDED_SHARE = 0.1  # a plate that holds the grit wears a tenth (model, common practice, no source)


def strokes_in(time: float, pace: float) -> int:
    """Whole strokes nearest to a `time` [s] at a `pace` [strokes/s], at least one."""
    return max(1, round(time * pace))


@dataclass(frozen=True)
class Layer:
    """The grit layer: it gives by `depth` [m] under `pressure` [Pa]."""

    depth: float
    pressure: float = 3000.0

    @property
    def stiffness(self) -> float:
        """Pressure per interference [Pa/m]."""
        return self.pressure / self.depth


@dataclass(frozen=True)
class Observation:
    """Metal seen to go: `removed` [m] or `lost` [kg] in `time` [s]; of `plate`, or the mean of both."""

    time: float
    removed: float | None = None
    lost: float | None = None
    plate: str | None = None


@dataclass(frozen=True)
class Wear:
    """The wear constant of a grit, in one of three forms.

    `iron` [1/Pa] is for grey iron and each plate's material factor applies to it;
    `plates` [1/Pa] are final for the plates named, the others follow by material from the first;
    `observed` is turned into a constant by the engine.
    """

    iron: float | None = None
    plates: Mapping[str, float] = field(default_factory=dict)
    observed: Observation | None = None


@dataclass(frozen=True)
class Grit:
    """A grit: `size` [m], wear, layer, `fade` [s] (None: does not fade), `held_in` a plate or None."""

    name: str
    size: float
    wear: Wear
    layer: Layer
    fade: float | None = None
    held_in: str | None = None


@dataclass(frozen=True)
class Turn:
    """A turn by `angle` [rad] per stroke (`every` = 0), or at once after each `every` strokes."""

    angle: float = 0.0
    every: int = 0

    @property
    def indexed(self) -> bool:
        """True when the top is lifted and set down turned."""
        return self.every > 0


@dataclass(frozen=True)
class Load:
    """The hand: `force` [N] beside the top's weight, acting at `at` [m] from the top's centre.

    `fixed_to` says what the point turns with: "hand" (alpha), "top" (theta) or "bench" (nothing).
    `push_height` [m] above the faces and `friction` give the moment that digs in the leading edge.
    """

    force: float = 0.0
    at: tuple[float, float] = (0.0, 0.0)
    fixed_to: Literal["hand", "top", "bench"] = "hand"
    push_height: float = 0.0
    friction: float = 0.15


@dataclass(frozen=True)
class Swap:
    """When plates change places: `on_top` seconds for each plate, or a reading every `read` seconds."""

    on_top: Mapping[str, float] = field(default_factory=dict)
    read: float | None = None


@dataclass(frozen=True)
class Until:
    """Stop by gauge [m]; None means not asked. `removed` at or above, the others at or below."""

    difference: float | None = None
    flatness: float | None = None
    twist: float | None = None
    mating: float | None = None
    removed: float | None = None


@dataclass(frozen=True)
class Hand:
    """Seeded scatter, as standard deviations.

    `amplitude` and `pace` as shares, `centre` [m], `direction` [rad]; `memory` in strokes (0: each stroke is
    independent).
    """

    amplitude: float = 0.0
    centre: float = 0.0
    direction: float = 0.0
    pace: float = 0.0
    memory: float = 0.0

    @property
    def steady(self) -> bool:
        """True when nothing scatters."""
        return self.amplitude == self.centre == self.direction == self.pace == 0.0


@dataclass(frozen=True)
class Step:
    """One step of the schedule.

    `pace` [strokes/s]; exactly one of `time` [s] and `strokes`, which with an `until` is the most allowed.
    """

    top: str
    bottom: str
    grit: Grit
    curve: Curve = field(default_factory=Still)
    direction: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    carry_centre: bool = False
    pace: float = 40.0 / 60.0
    turn: Turn = Turn()
    walk: Turn = Turn()
    load: Load = Load()
    swap: Swap | None = None
    fresh_every: float | None = None
    hand: Hand = Hand()
    time: float | None = None
    strokes: int | None = None
    until: Until | None = None
    note: str = ""

    @property
    def total_strokes(self) -> int:
        """Whole strokes of this step (the most, if there is an `until`)."""
        if self.strokes is not None:
            return self.strokes
        if self.time is None:
            raise ValueError("a step needs time or strokes")
        return strokes_in(self.time, self.pace)
