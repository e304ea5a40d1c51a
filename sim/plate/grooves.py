"""Grooves cut into a face, and the share of each cell that is left as land."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sim.plate.grid import Grid
from sim.plate.outline import Outline

__all__ = ["Grooves", "Pattern", "land_fraction"]

Array = NDArray[np.float64]
Pattern = Literal["square", "triangle", "rings", "radial"]

SUBCELLS = 8  # a side; each with a linear ramp of coverage, so that straight edges get their exact area


@dataclass(frozen=True)
class Grooves:
    """Grooves of `width` [m], `angle` [rad], and `rim` [m] of land taken off inside the outline.

    "square": two families of parallel grooves `pitch` apart (middle to middle), lands centred on the origin;
    "triangle": three such families at 60 degrees that cross in threes, so that every land is a triangle, the
    middle one centred on the origin (there is no land left from `width` = 2/3 `pitch` on);
    "rings": grooves centred on radii pitch, 2 pitch, ... and none at the centre;
    "radial": `count` grooves from the centre out, the first at `angle`.
    The first family of parallel grooves runs across `angle`.
    """

    pattern: Pattern
    pitch: float
    width: float
    angle: float = 0.0
    rim: float = 0.0
    count: int = 0

    def distance(self, x: Array, y: Array) -> Array:
        """Distance of points from the nearest groove's edge [m], + on land."""
        half = 0.5 * self.width
        if self.pattern == "rings":
            r = np.hypot(x, y)
            nearest = np.maximum(np.rint(r / self.pitch), 1.0) * self.pitch
            return np.abs(r - nearest) - half
        if self.pattern == "radial":
            share = 2.0 * pi / self.count
            off = np.arctan2(y, x) - self.angle
            off -= np.rint(off / share) * share
            # Beside the line of the nearest groove; behind the centre its end is the nearest.
            r = np.hypot(x, y)
            across = np.where(np.abs(off) < 0.5 * pi, r * np.abs(np.sin(off)), r)
            return across - half
        step = 0.5 * pi if self.pattern == "square" else pi / 3.0
        # Where the grooves lie, in pitches from the origin: its middle land is as far from all of them.
        # Three families cross in threes when the third offset is the second less the first.
        offsets = (0.5, 0.5) if self.pattern == "square" else (1.0 / 3.0, 2.0 / 3.0, 1.0 / 3.0)
        nearest = np.full(np.shape(x), np.inf)
        for k, offset in enumerate(offsets):
            normal = self.angle + k * step
            off = (x * cos(normal) + y * sin(normal)) / self.pitch - offset
            nearest = np.minimum(nearest, np.abs(off - np.rint(off)) * self.pitch)
        return nearest - half


def land_fraction(grid: Grid, outline: Outline, grooves: Grooves | None, inset: float = 0.0) -> Array:
    """Share of each cell that is land, (ny, nx), 0..1, anti-aliased.

    `inset` [m] is taken off inside the edge of the land (the edge margin) beside the rim.  Cells that an edge
    may cross are cut into sub-cells, each covered by a linear ramp of its distance to the edge.
    """
    left = outline.shrunk((grooves.rim if grooves else 0.0) + inset)
    if left is None:
        return np.zeros(grid.shape)
    x, y = grid.mesh()

    def inside(px: Array, py: Array) -> Array:
        edge = -left.signed_distance(px, py)
        return np.minimum(edge, grooves.distance(px, py)) if grooves else edge

    def covered(px: Array, py: Array, side: float) -> Array:
        edge = np.clip(0.5 - left.signed_distance(px, py) / side, 0.0, 1.0)
        return edge * np.clip(0.5 + grooves.distance(px, py) / side, 0.0, 1.0) if grooves else edge

    distance = inside(x, y)
    land = (distance > 0.0).astype(float)
    mixed = np.abs(distance) < 0.75 * grid.cell
    sub = ((np.arange(SUBCELLS) + 0.5) / SUBCELLS - 0.5) * grid.cell
    dx, dy = np.meshgrid(sub, sub)
    px = x[mixed][:, None] + dx.ravel()
    py = y[mixed][:, None] + dy.ravel()
    land[mixed] = covered(px, py, grid.cell / SUBCELLS).mean(axis=1)
    return land
