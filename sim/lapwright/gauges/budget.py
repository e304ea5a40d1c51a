"""What a gauge would show on a face, how surely, and what of the whole plate that is.

The budget is that of JCGM 100:2008 (GUM): one line a cause, each with its size, its distribution and its
standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import cos, pi, sin

import numpy as np

from lapwright.gauges.blind import never_seen
from lapwright.gauges.conditions import bow_of_cooling, bow_of_warmth, sag_of_support
from lapwright.gauges.contacts import Placement
from lapwright.gauges.face import Face, shown
from lapwright.gauges.feet import Footing, footing
from lapwright.gauges.instruments import Gauge, OpticalFlat
from lapwright.gauges.spread import Spread
from lapwright.plate.forms import form_names
from lapwright.plate.plate import Plate

__all__ = ["WARM", "Budget", "Part", "Prediction", "budget", "firm_place", "predict", "ratios"]

SHIFTS = (2e-3, 4e-3, 6e-3, 8e-3, 10e-3)  # [m]: how far a gauge is moved off a groove
WARM = "one side warmer"
NOTHING = 1e-9  # of what a gauge sees best
ROUND_OFF = 1e-12  # of the weights of its contacts


@dataclass(frozen=True)
class Part:
    """One cause: its `size` [m, rad], how that is meant, and the standard uncertainty it makes.

    `plate`: the one that bends, where that is the cause.
    """

    cause: str
    size: float
    how: str  # "normal", "uniform", "two points"
    standard: float
    plate: Plate | None = None


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
        """Combined standard uncertainty [m, rad] of all causes but those that begin with these words."""
        rest = [part.standard for part in self.parts if not part.cause.startswith(cause)]
        return float(np.hypot.reduce(rest or [0.0]))

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


def budget(
    gauge: Gauge,
    plate: Plate,
    place: Placement,
    temperature: float | None = None,
    other: Plate | None = None,
) -> Budget:
    """The uncertainty of one reading on a plate, which is at `temperature` [K] (None: as the room).

    `other`: the plate that the gauge was zeroed on, in its middle, as warm as the room.

    Raises
    ------
    ValueError
        When a gauge that was zeroed on a plate comes without that plate.

    """
    by = "your eye" if isinstance(gauge, OpticalFlat) else "the pointer's scatter"
    normal = [(by, gauge.repeatability), ("the zero", gauge.zero_error)]
    step, lag = 0.5 * gauge.resolution, 0.5 * gauge.hysteresis
    parts = [Part(cause, size, "normal", size) for cause, size in normal]
    parts += [_even("the dial's step", step), Part("lag, up against down", lag, "two points", lag)]
    bent = _bent(gauge, plate, place, temperature)
    if gauge.zero.on == "plate":
        if other is None:
            raise ValueError(f"the gauge was zeroed on {gauge.zero.plate}: its budget needs that plate too")
        bent += _bent(gauge, other, _on_other(place), None)
        bent = [replace(part, cause=f"{part.cause}, {part.plate.name}") for part in bent if part.plate]
    parts = sorted((part for part in parts + bent if part.size > 0.0), key=lambda part: -part.standard)
    spread = Spread(
        normal=float(np.hypot(gauge.repeatability, gauge.zero_error)),
        uniform=tuple(part.size for part in parts if part.how == "uniform"),
        two_point=(lag,) if lag > 0.0 else (),
    )
    return Budget(tuple(parts), spread)


def _even(cause: str, size: float, plate: Plate | None = None) -> Part:
    """Anywhere within `size` either way, evenly."""
    return Part(cause, size, "uniform", size / 3.0**0.5, plate)


def _bent(gauge: Gauge, plate: Plate, place: Placement, temperature: float | None) -> list[Part]:
    """What one plate's bending adds, from warmth and support."""
    dome = abs(next(iter(ratios(gauge, plate, place).values())))
    of = gauge.conditions
    return [
        _even(WARM, dome * bow_of_warmth(plate, of), plate),
        _even("not as warm as the room", dome * bow_of_cooling(plate, of, temperature), plate),
        _even("sag on its supports", dome * sag_of_support(plate, of), plate),
    ]


def _on_other(place: Placement) -> Placement:
    """Where a comparator stands on the plate that it is zeroed on: its middle, turned alike."""
    return Placement((0.0, 0.0), place.angle, place.along)


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
    other = faces[gauge.zero.plate] if gauge.zero.on == "plate" else None
    if value is not None and other is not None:
        there = gauge.contacts(_on_other(place), other.plate.outline)
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
        budget(gauge, face.plate, place, other=None if other is None else other.plate),
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
