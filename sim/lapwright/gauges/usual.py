"""Gauges that are taken where a study names none: one of each kind, of a size that fits the piece.

How finely they read, how well they repeat and how much they lag is common practice, without a source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import atan2, pi

from lapwright.gauges.contacts import Placement
from lapwright.gauges.instruments import (
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
from lapwright.plate.outline import Outline
from lapwright.plate.plate import Plate

__all__ = [
    "EYE",
    "FINE",
    "FINE_SLOPE",
    "FIRST_TO_HAND",
    "LINED",
    "by_name",
    "name_on",
    "usual_angles",
    "usual_gauges",
    "usual_of",
    "usual_place",
]

FINE = 0.1e-6  # [m]: step, scatter and lag of a good indicator (common practice, no source)
FINE_SLOPE = 1e-6  # [rad]: step and scatter of a good level or autocollimator (common practice, no source)
LINED = ("bridge", "level", "autocollimator")
FIRST_TO_HAND = ("spherometer, three feet", "twist gauge", "straightedge", "optical flat")

PAD = 0.2  # of the distance between flat feet: their width (common practice, no source)
INSET = 0.1  # of a ring's land: how far feet stay from its edges
Usual = (
    Spherometer | TwistGauge | RepeatReading | Straightedge | Bridge | Level | Autocollimator | OpticalFlat
)


def usual_gauges(outline: Outline) -> Iterator[Gauge]:
    """One gauge of each kind that can stand on a face, of a size that fits it.

    Nothing stands in the bore of a ring, so no gauge that reads under its middle is usual there.
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
