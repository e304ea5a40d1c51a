"""Gauges that are taken where a study names none; gauges walked over a face or a line.

How finely they read, how well they repeat and how much they lag is common practice, without a source.

Gauges walked over a whole face, along a grid: what repeats of their reading differ by, how flat it is.

Profiles from a level or an autocollimator that is stepped along a line, base by base.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import atan2, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.contacts import Face, Placement, shown_all
from lapwright.metrology.flatness import minimum_zone
from lapwright.metrology.instruments import (
    EYE,
    Autocollimator,
    Bridge,
    Gauge,
    Level,
    OpticalFlat,
    RepeatReading,
    Spherometer,
    Straightedge,
    TwistGauge,
)
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate

FINE = 0.1e-6  # [m]: step, scatter and lag of a good indicator (common practice, no source)
FINE_SLOPE = (
    1e-6  # [rad]: step and scatter of a good level or autocollimator (common practice, no source)
)
FIRST_TO_HAND = ("spherometer, three feet", "twist gauge", "straightedge", "optical flat")

PAD = 0.2  # of the distance between flat feet: their width (common practice, no source)
INSET = 0.1  # of a ring's land: how far feet stay from its edges
Usual = (
    Spherometer
    | TwistGauge
    | RepeatReading
    | Straightedge
    | Bridge
    | Level
    | Autocollimator
    | OpticalFlat
)


def usual_gauges(outline: Outline) -> Iterator[Gauge]:
    """One gauge of each kind that can stand on a face, of a size that fits it.

    Nothing stands in the bore of a ring, so no gauge that reads under its middle is usual there.

    Parameters
    ----------
    outline : Outline
        Of the working face.

    Returns
    -------
    iterator of Gauge
        Each with its sizes, and with doubts that are usual.

    """
    for gauge in _exact(outline):
        if isinstance(gauge, OpticalFlat):
            yield replace(gauge, repeatability=EYE * gauge.band)
        elif gauge.angular:
            yield replace(gauge, resolution=FINE_SLOPE, repeatability=FINE_SLOPE)
        else:
            yield replace(gauge, resolution=FINE, repeatability=FINE, hysteresis=FINE)


def usual_of(plate: Plate) -> dict[str, Gauge]:
    """One gauge of each kind that can stand on the land of a plate, by name."""
    outline, grooves = plate.outline, plate.grooves
    land = outline.shrunk(grooves.rim) if grooves is not None else outline
    return {gauge.name: gauge for gauge in usual_gauges(land or outline)}


def by_name(usual: Mapping[str, Mapping[str, Gauge]]) -> dict[str, Gauge]:
    """Usual gauges of each plate by the name that a reading gives them."""
    known: dict[str, Gauge] = {}
    for plate, gauges in usual.items():
        for gauge in gauges.values():
            if known.setdefault(gauge.name, gauge) != gauge:
                known[name_on(gauge.name, plate)] = gauge
    return known


def name_on(gauge: str, plate: str) -> str:
    """Name of a usual gauge whose size is another on this plate."""
    return f"{gauge} for {plate}"


def _exact(outline: Outline) -> Iterator[Usual]:
    """The same as if they read exactly."""
    smaller, longer = outline.smaller, max(outline.size)
    if not outline.bore:
        circle = 0.9 * smaller if outline.long else 0.5 * smaller
        yield Spherometer(name="spherometer, three feet", foot_circle=circle)
        yield Spherometer(name="spherometer, ring", foot_circle=circle, feet="ring")
    yield _twist_gauge(outline)
    if not outline.bore:
        base = 0.3 * longer if outline.long else 0.5 * smaller
        yield RepeatReading(name="repeat reading", base=base, pad=0.5 * PAD * base)
    yield Straightedge(name="straightedge", base=_straightedge(outline))
    yield Bridge(name="bridge")
    step = 0.1 * longer if outline.long else 0.3 * smaller
    yield Level(name="level", base=step, pad=PAD * step)
    yield Autocollimator(name="autocollimator", base=step, pad=PAD * step)
    yield OpticalFlat(name="optical flat", diameter=2.0 * outline.radius)


def _twist_gauge(outline: Outline) -> TwistGauge:
    """Four feet: at the corners of a rail, half-way between bore and rim, or on half the plate."""
    if outline.long:
        # Along 3-9 by across: `size` is in that order, so a rail that stands upright needs no turning.
        along, across = outline.size
        return TwistGauge(name="twist gauge", base=0.9 * along, width=0.9 * across)
    circle = 0.5 * (outline.smaller + outline.bore) if outline.bore else 0.5 * outline.smaller
    return TwistGauge(name="twist gauge", foot_circle=circle)


def _straightedge(outline: Outline) -> float:
    """Length between its supports: of a rail nearly all, of a ring from land to land, else over half."""
    if outline.long:
        return 0.9 * max(outline.size)
    if outline.bore:
        return outline.smaller - INSET * (outline.smaller - outline.bore)
    return 0.55 * outline.smaller


def usual_angles(gauge: Gauge, outline: Outline) -> tuple[float, ...]:
    """How gauges are turned [rad] in their usual use, along the longer side first.

    On a rail corner to corner stands for the eighths of a turn, and what would reach beside it is left out.
    """
    along, across = outline.size
    first = 0.0 if along >= across else 0.5 * pi
    if gauge.kind == "spherometer":
        return (first,)
    if not outline.long:
        return tuple(first + 0.25 * pi * k for k in range(4))
    if gauge.kind == "twist gauge":
        return (0.0,)
    corner = atan2(min(along, across), max(along, across))
    if isinstance(gauge, OpticalFlat):
        return (first, first + corner, first + 0.5 * pi, first - corner + pi)
    if isinstance(gauge, Straightedge):
        return (first, first + corner, first - corner + pi)
    return (first,)


def usual_place(gauge: Gauge, outline: Outline, angle: float) -> Placement:
    """Where a gauge stands in its usual use: in the middle, its indicator on the land beside a bore."""
    along = 0.0
    if outline.bore and isinstance(gauge, Straightedge):
        along = 0.5 * outline.bore + 0.5 * INSET * (outline.smaller - outline.bore)
    return Placement(angle=angle, along=along)


ACROSS = 15  # places along the longer side
FEWEST = 4  # three always lie in a plane
EIGHTHS = (0.0, 0.25 * pi, 0.5 * pi, 0.75 * pi)


@dataclass(frozen=True)
class Swept:
    """A gauge walked over a face: at how many `places` it stood firmly, and what `size` [m] it tells."""

    places: int
    size: float


def grid_places(outline: Outline, margin: float, across: int = ACROSS) -> list[tuple[float, float]]:
    """Places (x, y) [m] of a square grid on a face, its `margin` [m] round the edge left out."""
    step = max(outline.size) / across
    counts = (max(1, round(side / step)) for side in outline.size)
    x, y = np.meshgrid(*(step * (np.arange(n) - 0.5 * (n - 1)) for n in counts))
    inside = outline.signed_distance(x, y) <= -margin
    return [(float(u), float(v)) for u, v in zip(x[inside], y[inside], strict=True)]


def repeat_reading(gauge: RepeatReading, face: Face, margin: float = 0.0) -> Swept | None:
    """Largest less smallest reading of a repeat-reading gauge, walked over a face at four angles.

    None when it does not find two places to stand at.
    """
    outline = face.plate.outline
    spots = grid_places(outline, margin)
    places = [Placement(at, angle) for at in spots for angle in EIGHTHS]
    read = shown_all(face, [gauge.contacts(place, outline) for place in places], gauge.foot)
    read = read[np.isfinite(read)]
    return Swept(read.size, float(np.ptp(read))) if read.size > 1 else None


def swept_flatness(bridge: Bridge, face: Face, margin: float = 0.0) -> Swept | None:
    """Flatness (ISO 12781-1, minimum zone) from an indicator on a bridge that is swept over a grid.

    How the bridge stands over the plate falls out.  None when fewer than four places are on land.
    """
    outline = face.plate.outline
    spots = grid_places(outline, margin)
    read = shown_all(face, [bridge.contacts(Placement(at), outline) for at in spots], bridge.foot)
    on = np.isfinite(read)
    if on.sum() < FEWEST:
        return None
    x, y = np.array(spots).T
    return Swept(int(on.sum()), minimum_zone(x[on], y[on], read[on]))


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


def stations(
    level: Level, angle: float, steps: int, at: tuple[float, float] = (0.0, 0.0)
) -> list[Placement]:
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
