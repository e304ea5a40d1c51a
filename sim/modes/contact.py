"""Contact points: one set for both faces, so that what mates at every place feels nothing, to rounding.

The points lie on the face with less land, in its own frame, and are carried to the other by the map of
`laid`.  Which share of a point's cell lies in the overlap is told from the larger of both distances to an
edge, so that edges that lie on each other are counted once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from sim.lapping.laid import on_bench, on_face
from sim.lapping.overhang import land_outline
from sim.modes.basis import Basis
from sim.modes.instants import Instants
from sim.plate.grid import Grid
from sim.plate.grooves import land_fraction
from sim.plate.outline import Rectangle
from sim.plate.plate import Plate

__all__ = ["Chunk", "Touching", "touching"]

Array = NDArray[np.float64]

POINTS = 1500  # on the land of the smaller face
AT_ONCE = 8  # poses


@dataclass(frozen=True)
class Chunk:
    """Some poses: `which` of the instants; arrays (k, n) for the n points of the smaller face.

    `area` [m2] of overlap at each point, `speed` [m/s] of sliding, `other` (size, k, n): shapes of the
    other face there.
    """

    which: slice
    area: Array
    speed: Array
    other: Array


@dataclass(frozen=True)
class Touching:
    """Two faces and points (n,) `u`, `v` [m] on the smaller, which is the top when `on_top`.

    `edge` (n,) [m]: distance from its edge, + outside; `share` (n,): of its land between the grooves.
    """

    bottom: Basis
    top: Basis
    on_top: bool
    u: Array
    v: Array
    cell: float
    edge: Array
    share: Array

    @property
    def own(self) -> Basis:
        """Shapes of the face on which the points lie."""
        return self.top if self.on_top else self.bottom

    @property
    def other(self) -> Basis:
        """Shapes of the face that the points are carried to."""
        return self.bottom if self.on_top else self.top

    @cached_property
    def own_shapes(self) -> Array:
        """Shapes of the smaller face at its points (size, n)."""
        return self.own.evaluate(self.u, self.v)

    def chunks(self, instants: Instants) -> Iterator[Chunk]:
        """Yield the poses a few at a time, in order."""
        for start in range(0, instants.share.size, AT_ONCE):
            yield self._chunk(instants, slice(start, min(start + AT_ONCE, instants.share.size)))

    def _chunk(self, instants: Instants, which: slice) -> Chunk:
        p = instants.poses
        cx, cy, theta = p.cx[which, None], p.cy[which, None], p.theta[which, None]
        vx, vy, spin = p.vx[which, None], p.vy[which, None], p.spin[which, None]
        if self.on_top:
            x, y = on_bench(self.u, self.v, cx, cy, theta)
            there = x, y
        else:
            x, y = self.u, self.v
            there = on_face(x, y, cx, cy, theta)
        if spin.any():
            speed = np.hypot(vx - spin * (y - cy), vy + spin * (x - cx))
        else:
            speed = np.broadcast_to(np.hypot(vx, vy), there[0].shape)
        plate = self.other.plate
        edge = np.maximum(land_outline(plate).signed_distance(*there), self.edge)
        area = np.clip(0.5 - edge / self.cell, 0.0, 1.0) * (self.share * self.cell**2)
        if plate.grooves is not None:
            area = area * _between(_groove_map(plate), plate.grid, *there)
        return Chunk(which, area, speed, self.other.evaluate(*there))

    def planes_at(self, x: Array, y: Array, instants: Instants) -> Array:
        """The three plane shapes of the smaller face (3, k) at one bench point for each pose."""
        p = instants.poses
        u, v = on_face(x, y, p.cx, p.cy, p.theta) if self.on_top else (x, y)
        planes: Array = replace_degree(self.own, 1).evaluate(u, v)
        return planes


def replace_degree(basis: Basis, degree: int) -> Basis:
    """Leave off the shapes above `degree`."""
    size = (degree + 1) * (degree + 2) // 2
    return replace(basis, degree=degree, mix=basis.mix[:size, :size])


def touching(bottom: Basis, top: Basis, points: int = POINTS) -> Touching:
    """Lay `points` contact points on the face with less land."""
    on_top = top.plate.land_area <= bottom.plate.land_area
    plate = (top if on_top else bottom).plate
    outline = land_outline(plate)
    width, height = plate.outline.size
    grid = Grid.over(width, height, max(2, round(max(width, height) / sqrt(outline.area / points))))
    x, y = grid.mesh()
    edge = outline.signed_distance(x, y)
    near = edge < 0.5 * grid.cell
    share = np.ones(x.shape)
    if plate.grooves is not None:
        share = _open_land(plate, grid)
    near &= share > 0.0
    return Touching(bottom, top, on_top, x[near], y[near], grid.cell, edge[near], share[near])


def _open_land(plate: Plate, grid: Grid) -> Array:
    """Share of each cell that is not groove, whatever the outline (ny, nx)."""
    assert plate.grooves is not None
    beyond = Rectangle(4.0 * grid.nx * grid.cell, 4.0 * grid.ny * grid.cell)
    return land_fraction(grid, beyond, replace(plate.grooves, rim=0.0))


@lru_cache(maxsize=16)
def _groove_map(plate: Plate) -> Array:
    return _open_land(plate, plate.grid)


def _between(values: Array, grid: Grid, x: Array, y: Array) -> Array:
    """Values of a map at points, linear between cells, the outermost carried on."""
    fx = np.clip(x / grid.cell + 0.5 * (grid.nx - 1), 0.0, grid.nx - 1.000001)
    fy = np.clip(y / grid.cell + 0.5 * (grid.ny - 1), 0.0, grid.ny - 1.000001)
    i, j = fx.astype(np.intp), fy.astype(np.intp)
    s, t = fx - i, fy - j
    flat = values.ravel()
    at = j * grid.nx + i
    low = (1.0 - s) * flat[at] + s * flat[at + 1]
    high = (1.0 - s) * flat[at + grid.nx] + s * flat[at + grid.nx + 1]
    result: Array = (1.0 - t) * low + t * high
    return result
