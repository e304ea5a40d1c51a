"""What a face is like from its middle to its rim: where dome and dish do not tell the whole of it.

The sphere of a face is of all of it, a spherometer reads its middle over a circle of feet, and bands tell the
middle (of a ring: the bore) over the rim.  On a dome or a dish the three have one sign.  A trough with a pip
in it is hollow over all, and its middle is high: both are true, and are told together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from math import hypot, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.budget import firm_place
from lapwright.metrology.contacts import Mapped, Placement
from lapwright.metrology.finish import SURE
from lapwright.metrology.fringes import Bands
from lapwright.metrology.instruments import Gauge, OpticalFlat, Spherometer, Straightedge
from lapwright.metrology.reading import usual_of, usual_place
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]
QUARTER = 0.25 * pi
RINGS = 24  # from the middle (or the bore) to the rim


@dataclass(frozen=True)
class Profile:
    """How a round face reads beside its sphere, + for a dome [m].

    `middle`: its middle over the feet of a spherometer on a circle of diameter `feet` [m]; None on a ring.
    `inner`: middle (or bore) over the rim, as bands tell it, mean of four diameters.
    `sure`: the least reading of that spherometer that tells a side [m].
    `turn`: radius [m] at which the mean of a ring about the middle is highest, or (negative) lowest, between
    middle or bore and rim; 0 where it only rises or falls.
    """

    inner: float
    turn: float
    middle: float | None = None
    feet: float | None = None
    sure: float | None = None

    def as_dict(self) -> dict[str, float | None]:
        """By name, beside the forms of the face."""
        return asdict(self)


@dataclass(frozen=True)
class LongProfile:
    """How a long face reads beside its bow: along its `line` through the middle, + for a middle high [m].

    `sure`: the least reading of the straightedge that tells a side [m].
    """

    line: float
    sure: float

    def as_dict(self) -> dict[str, float | None]:
        """By name, beside the forms of the face."""
        return asdict(self)


def profile_of(
    plate: Plate, z: Array, gauges: Iterable[Gauge] = ()
) -> Profile | LongProfile | None:
    """The profile of a face by its map (ny, nx) [m]; None of a long one on which no straightedge stands.

    `gauges`: the first spherometer (along a long face: straightedge) and the first flat among them are
    taken, usual ones without.
    """
    if plate.outline.long:
        return _along(plate, z, gauges)
    face, usual = Mapped(plate, z), usual_of(plate).values()
    flat = next(one for one in (*gauges, *usual) if isinstance(one, OpticalFlat))
    bands = [Bands(face, flat).along(k * QUARTER) for k in range(4)]
    inner = float(np.mean(bands)) * flat.band
    turn = _turn(plate, z)
    for ball in (one for one in (*gauges, *usual) if isinstance(one, Spherometer)):
        wanted = usual_place(ball, plate.outline, 0.0)
        place: Placement | None = None
        if not plate.outline.bore:
            place = firm_place(ball, plate, wanted, QUARTER)
        if place is not None:
            middle = ball.contacts(place, plate.outline).of(face.at)
            return Profile(inner, turn, middle, ball.foot_circle, _sure(ball))
    return Profile(inner, turn)


def _along(plate: Plate, z: Array, gauges: Iterable[Gauge]) -> LongProfile | None:
    """What a straightedge laid along a long face reads of its middle over its ends."""
    face, usual = Mapped(plate, z), usual_of(plate).values()
    for rule in (one for one in (*gauges, *usual) if isinstance(one, Straightedge)):
        place = firm_place(rule, plate, usual_place(rule, plate.outline, 0.0), 0.0)
        if place is not None:
            return LongProfile(rule.contacts(place, plate.outline).of(face.at), _sure(rule))
    return None


def _sure(gauge: Gauge) -> float:
    """The least reading that tells a side [m]: twice its scatter, step and lag."""
    return SURE * hypot(gauge.repeatability, gauge.resolution / sqrt(12.0), 0.5 * gauge.hysteresis)


def _turn(plate: Plate, z: Array) -> float:
    """Where the mean of a ring about the middle stands out most between the ends; see `Profile`."""
    x, y = plate.grid.mesh()
    outline = plate.outline
    least, most = 0.5 * outline.bore, 0.5 * outline.smaller
    at = np.floor((np.hypot(x, y) - least) / (most - least) * RINGS).astype(int)
    on = (plate.land > 0.0) & (at >= 0) & (at < RINGS)
    land = np.bincount(at[on], plate.land[on], RINGS)
    rings = np.flatnonzero(land > 0.0)
    if rings.size < 3:
        return 0.0
    heights = np.bincount(at[on], (plate.land * z)[on], RINGS)[rings] / land[rings]
    ends = heights[0], heights[-1]
    high, low = int(np.argmax(heights)), int(np.argmin(heights))
    crest, trough = heights[high] - max(ends), min(ends) - heights[low]
    radius = least + (rings + 0.5) * (most - least) / RINGS
    if max(crest, trough) <= 0.0:
        return 0.0
    return float(radius[high] if crest > trough else -radius[low])
