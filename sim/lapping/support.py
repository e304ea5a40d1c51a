"""Whether the load's line is held: how far it runs inside what the bottom supports."""

from __future__ import annotations

from math import cos, sin

import numpy as np

from sim.plate.plate import Plate

__all__ = ["standing_message", "support_margin"]


def support_margin(
    top: Plate, bottom: Plate, c: tuple[float, float], theta: float, point: tuple[float, float]
) -> float:
    """Distance [m] of the load's line inside the overlap of both outer outlines; negative outside.

    `c` and `point` in the bench frame [m].  Inside the overlap of two convex outlines the nearest edge is the
    nearer of the two.
    """
    dx, dy = point[0] - c[0], point[1] - c[1]
    u, v = cos(theta) * dx + sin(theta) * dy, -sin(theta) * dx + cos(theta) * dy
    return min(_inside(bottom, point[0], point[1]), _inside(top, -u, v))


def _inside(plate: Plate, x: float, y: float) -> float:
    """Distance inside the outer edge of the land (a bore does not count)."""
    outline = plate.outline
    rim = plate.grooves.rim if plate.grooves else 0.0
    if outline.bore:
        return outline.radius - rim - float(np.hypot(x, y))
    return -float(outline.signed_distance(np.array(x), np.array(y))) - rim


def standing_message(top: Plate, bottom: Plate, c: tuple[float, float]) -> str:
    """The largest overhang that still stands, in words."""
    from sim.lapping.overhang import tipping_overhang

    direction = float(np.arctan2(c[1], c[0]))
    least = tipping_overhang(top.outline, bottom.outline, direction)
    return f"at most {1e3 * least:.1f} mm of overhang stands this way: shorten the stroke or move it inwards"
