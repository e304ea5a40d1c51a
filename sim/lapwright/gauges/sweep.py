"""Gauges walked over a whole face, along a grid: what repeats of their reading differ by, how flat it is."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from lapwright.gauges.contacts import Placement
from lapwright.gauges.face import Face, shown_all
from lapwright.gauges.instruments import Bridge, RepeatReading
from lapwright.plate.flatness import minimum_zone
from lapwright.plate.outline import Outline

__all__ = ["Swept", "grid_places", "repeat_reading", "swept_flatness"]

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
