"""What a gauge would show on a face, how surely, and what it can never see.

The budget is that of JCGM 100:2008 (GUM): one line a cause, each with its size, its distribution and its
standard uncertainty.

What a gauge cannot see, whatever is done with it: the null space of its readings over the forms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.conditions import bow_of_cooling, bow_of_warmth, sag_of_support
from lapwright.metrology.contacts import Face, Footing, Placement, footing, shown
from lapwright.metrology.form import form_names
from lapwright.metrology.instruments import Gauge, Micrometer, OpticalFlat, Zero
from lapwright.metrology.least_squares import Spread
from lapwright.metrology.reading import Reading, model_of
from lapwright.metrology.thickness import beneath
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]

NOTHING = 1e-9
PRACTICES = ("once", "turned on the spot", "walked along", "walked and turned")
QUARTERS = (0.0, 0.25 * pi, 0.5 * pi, 0.75 * pi)


@dataclass(frozen=True)
class Sight:
    """What readings tell of each form: "yes", "no", or "mixed" (only together with others).

    `hidden` (k, 3): sizes of the three forms that leave every reading as it was; `order` = 3 - k.
    """

    sees: Mapping[str, str]
    hidden: Array

    @property
    def order(self) -> int:
        """How many independent forms the readings fix."""
        return len(self.sees) - len(self.hidden)


def sight(gauge: Gauge, plate: Plate, at: Sequence[Placement]) -> Sight:
    """What readings of one gauge at these places, in one session, tell of the forms of one plate.

    A gauge zeroed on another plate is looked at as if that plate were flat.
    """
    readings = [Reading("g", plate.name, at=p.at, angle=p.angle, along=p.along) for p in at]
    own = replace(gauge, zero=Zero()) if gauge.zero.on == "plate" else gauge
    model = model_of(readings, {"g": own}, {plate.name: plate})
    # What is unknown takes its share of the readings first; only the rest tells of the forms.
    u, s, _ = np.linalg.svd(model.unknown, full_matrices=False)
    basis = u[:, s > NOTHING * s.max(initial=0.0)]
    left = model.forms - basis @ (basis.T @ model.forms)
    most = np.abs(model.forms).max()
    left = left / most if most > 0.0 else left
    _, s, vt = np.linalg.svd(left)
    rank = int((s > NOTHING * len(readings)).sum())
    hidden, seen = vt[rank:], vt[:rank]
    projection = seen.T @ seen
    names = form_names(plate.outline)
    sees = {}
    for k, name in enumerate(names):
        alone = abs(projection[k, k] - 1.0) < 1e-6
        sees[name] = "yes" if alone else "no" if projection[k, k] < 1e-6 else "mixed"
    return Sight(sees, hidden)


@lru_cache(maxsize=64)
def never_seen(gauge: Gauge, plate: Plate) -> tuple[str, ...]:
    """Forms of which a gauge tells nothing, wherever it is set down and however it is turned."""
    seen_forms = sight(gauge, plate, places(gauge, plate.outline, "walked and turned"))
    return tuple(name for name, seen in seen_forms.sees.items() if seen == "no")


def places(gauge: Gauge, outline: Outline, practice: str) -> tuple[Placement, ...]:
    """Where a gauge is set down in one of PRACTICES, along the longer side first.

    Raises
    ------
    KeyError
        When there is no such practice.

    """
    step = 0.1 * outline.smaller
    first = 0.0 if outline.size[0] >= outline.size[1] else 0.5 * pi
    angles = tuple(first + quarter for quarter in QUARTERS)
    return {
        "once": (Placement(angle=first),),
        "turned on the spot": tuple(Placement(angle=angle) for angle in angles),
        "walked along": _walk(first, step),
        "walked and turned": tuple(place for angle in angles for place in _walk(angle, step)),
    }[practice]


def _walk(angle: float, step: float) -> tuple[Placement, ...]:
    """Five places on the line through the middle along which the gauge is turned."""
    return tuple(
        Placement(at=(k * step * cos(angle), k * step * sin(angle)), angle=angle)
        for k in (-2, -1, 0, 1, 2)
    )


SHIFTS = (2e-3, 4e-3, 6e-3, 8e-3, 10e-3)  # [m]: how far a gauge is moved off a groove
WARM = "one side warmer"
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
    # Both faces of a body bend alike: it is as thick as before.
    bent = [] if isinstance(gauge, Micrometer) else _bent(gauge, plate, place, temperature)
    if gauge.zero.on == "plate":
        if other is None:
            raise ValueError(
                f"the gauge was zeroed on {gauge.zero.plate}: its budget needs that plate too"
            )
        bent += _bent(gauge, other, _on_other(place), None)
        bent = [
            replace(part, cause=f"{part.cause}, {part.plate.name}") for part in bent if part.plate
        ]
    parts = sorted(
        (part for part in parts + bent if part.size > 0.0), key=lambda part: -part.standard
    )
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
        return tuple(
            name for name, r in self.ratio.items() if abs(r) <= NOTHING * most or name in self.never
        )

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
    reading = shown(face, gauge.contacts(place, outline), gauge.foot)
    value = reading.value
    other = faces[gauge.zero.plate] if gauge.zero.on == "plate" else None
    if value is not None and other is not None:
        there = gauge.contacts(_on_other(place), other.plate.outline)
        base = shown(other, there, gauge.foot).value
        value = None if base is None else value - base
    if value is not None:
        value -= gauge.zero.size if gauge.zero.on == "master" else 0.0
        value += gauge.own_share(place, outline) if isinstance(gauge, OpticalFlat) else 0.0
        value += beneath(face.plate, *place.at) if isinstance(gauge, Micrometer) else 0.0
    return Prediction(
        gauge.name,
        plate,
        place,
        value,
        budget(gauge, face.plate, place, other=None if other is None else other.plate),
        ratios(gauge, face.plate, place),
        reading.footing,
        never_seen(gauge, face.plate),
    )


def firm_place(
    gauge: Gauge, plate: Plate, place: Placement, most: float = 0.25 * pi
) -> Placement | None:
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
