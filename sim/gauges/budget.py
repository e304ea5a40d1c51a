"""What a gauge would show on a face, how surely, and what of the whole plate that is.

The budget is that of JCGM 100:2008 (GUM): one line a cause, each with its size, its distribution and its
standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np

from sim.gauges.blind import never_seen
from sim.gauges.conditions import bow_of_cooling, bow_of_warmth, sag_of_support
from sim.gauges.contacts import Placement, form_names
from sim.gauges.face import Face, shown
from sim.gauges.feet import Footing, footing
from sim.gauges.instruments import Gauge, OpticalFlat
from sim.gauges.spread import Spread
from sim.plate.plate import Plate

__all__ = ["WARM", "Budget", "Part", "Prediction", "budget", "firm_place", "predict", "ratios"]

SHIFTS = (2e-3, 4e-3, 6e-3, 8e-3, 10e-3)  # [m]: how far a gauge is moved off a groove
WARM = "one side warmer"
NOTHING = 1e-9  # of what a gauge sees best
ROUND_OFF = 1e-12  # of the weights of its contacts


@dataclass(frozen=True)
class Part:
    """One cause: its `size` [m, rad], how that is meant, and the standard uncertainty it makes."""

    cause: str
    size: float
    how: str  # "normal", "uniform", "two points"
    standard: float


@dataclass(frozen=True)
class Budget:
    """The causes of one reading's uncertainty."""

    parts: tuple[Part, ...]
    spread: Spread

    @property
    def standard(self) -> float:
        """Combined standard uncertainty [m, rad]."""
        return self.spread.standard

    @property
    def half(self) -> float:
        """Half width of the 95 % interval [m, rad]."""
        return self.spread.half

    def without(self, cause: str) -> float:
        """Combined standard uncertainty [m, rad] of all causes but one."""
        return float(np.hypot.reduce([part.standard for part in self.parts if part.cause != cause] or [0.0]))

    @property
    def largest(self) -> Part | None:
        """The cause to mend first."""
        return max(self.parts, key=lambda part: part.standard, default=None)


def ratios(gauge: Gauge, plate: Plate, place: Placement) -> dict[str, float]:
    """What is read for 1 m of each form of the plate."""
    contacts = gauge.contacts(place, plate.outline)
    row = contacts.row(plate.outline)
    row[np.abs(row) <= ROUND_OFF * np.abs(contacts.weight).sum()] = 0.0
    return dict(zip(form_names(plate.outline), map(float, row), strict=True))


def budget(gauge: Gauge, plate: Plate, place: Placement, temperature: float | None = None) -> Budget:
    """The uncertainty of one reading on a plate, which is at `temperature` [K] (None: as the room)."""
    dome = abs(next(iter(ratios(gauge, plate, place).values())))
    normal = [("the pointer's scatter", gauge.repeatability), ("the zero", gauge.zero_error)]
    uniform = [
        ("the dial's step", 0.5 * gauge.resolution),
        (WARM, dome * bow_of_warmth(plate, gauge.conditions)),
        ("not as warm as the room", dome * bow_of_cooling(plate, gauge.conditions, temperature)),
        ("sag on its supports", dome * sag_of_support(plate, gauge.conditions)),
    ]
    if gauge.zero.on == "plate":
        uniform[1:] = [(f"{cause}, both plates", size * 2.0**0.5) for cause, size in uniform[1:]]
    lag = 0.5 * gauge.hysteresis
    parts = [Part(cause, size, "normal", size) for cause, size in normal if size > 0.0]
    parts += [Part(cause, size, "uniform", size / 3.0**0.5) for cause, size in uniform if size > 0.0]
    parts += [Part("lag, up against down", lag, "two points", lag)] if lag > 0.0 else []
    spread = Spread(
        normal=float(np.hypot(gauge.repeatability, gauge.zero_error)),
        uniform=tuple(size for _, size in uniform if size > 0.0),
        two_point=(lag,) if lag > 0.0 else (),
    )
    return Budget(tuple(sorted(parts, key=lambda part: -part.standard)), spread)


@dataclass(frozen=True)
class Prediction:
    """What a gauge would show at a place: `value` [m, rad] without scatter (None: a foot fell in).

    `ratio`: what is read for 1 m of each form.  `best`: the form that it reads best there.  `never`: forms of
    which it tells nothing anywhere.  `blind`: those, and what it does not see there.
    """

    gauge: str
    plate: str
    place: Placement
    value: float | None
    budget: Budget
    ratio: Mapping[str, float]
    footing: Footing
    never: tuple[str, ...] = ()

    @property
    def blind(self) -> tuple[str, ...]:
        """Forms of which nothing is read."""
        most = max(map(abs, self.ratio.values()))
        return tuple(name for name, r in self.ratio.items() if abs(r) <= NOTHING * most or name in self.never)

    @property
    def best(self) -> str | None:
        """The form of which most is read."""
        seen = {name: abs(r) for name, r in self.ratio.items() if name not in self.blind}
        return max(seen, key=lambda name: seen[name]) if seen else None


def predict(gauge: Gauge, faces: Mapping[str, Face], plate: str, place: Placement) -> Prediction:
    """What a gauge would show on one of these faces.

    The zero's size (a master), the other plate it was zeroed on (read in its middle, at the same angle) and
    an optical flat's own bulge are counted; the height and tilt of a bridge or of the plate are not.

    Raises
    ------
    KeyError
        When a plate is not there.

    """
    face = faces[plate]
    outline = face.plate.outline
    got = shown(face, gauge.contacts(place, outline), gauge.foot)
    value = got.value
    if value is not None and gauge.zero.on == "plate":
        other = faces[gauge.zero.plate]
        there = gauge.contacts(Placement((0.0, 0.0), place.angle, place.along), other.plate.outline)
        base = shown(other, there, gauge.foot).value
        value = None if base is None else value - base
    if value is not None:
        value -= gauge.zero.size if gauge.zero.on == "master" else 0.0
        value += gauge.own_share(place, outline) if isinstance(gauge, OpticalFlat) else 0.0
    return Prediction(
        gauge.name,
        plate,
        place,
        value,
        budget(gauge, face.plate, place),
        ratios(gauge, face.plate, place),
        got.footing,
        never_seen(gauge, face.plate),  # type: ignore[arg-type]  # every kind is frozen
    )


def firm_place(gauge: Gauge, plate: Plate, place: Placement, most: float = 0.25 * pi) -> Placement | None:
    """The nearest place to the wanted one at which all feet stand on land: turned, else moved a little.

    None when there is none within `most` [rad] and 10 mm.
    """
    outline = plate.outline
    for shift in (0.0, *SHIFTS):
        for way in range(8) if shift else (0,):
            x = place.at[0] + shift * cos(0.25 * pi * way)
            y = place.at[1] + shift * sin(0.25 * pi * way)
            for step in range(round(most / (pi / 180.0)) + 1):
                for side in (1.0, -1.0) if step else (1.0,):
                    tried = Placement((x, y), place.angle + side * step * pi / 180.0, place.along)
                    if footing(plate, gauge.contacts(tried, outline), gauge.foot).firm:
                        return tried
    return None
