"""Contact points: one set for both faces, so that what mates at every place feels nothing, to rounding.

Faces without grooves: Gauss points of the overlap of their outlines (`rows`).  With grooves: the cells of a
grid that goes with the face with less land; which share of a cell lies in the overlap is told from the larger
of both distances to an edge, so that edges that lie on each other are counted once, and the shares of land
between grooves multiply.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.laid import on_bench, on_face
from lapwright.lapping.motion import Poses
from lapwright.lapping.overhang import land_outline
from lapwright.modes.basis import PLANES, Basis
from lapwright.modes.cells import GROOVED_POINTS, between, cells_of, open_land
from lapwright.modes.instants import Instants
from lapwright.modes.rows import Rule, overlap_rule
from lapwright.plate.plate import Plate

__all__ = ["Touch", "contact_rule", "touches"]

Array = NDArray[np.float64]

AT_ONCE = 16  # poses


@dataclass(frozen=True)
class Touch:
    """Some poses and their n contact points.

    `poses` (k,) numbers of the instants, `start` (k + 1,) where the points of each begin; at the points
    (n,): `share` of the time, `area` [m2], `speed` [m/s], the place on the `bottom` (x, y) and on the `top`
    (u, v) [m].
    """

    poses: NDArray[np.intp]
    start: NDArray[np.intp]
    share: Array
    area: Array
    speed: Array
    bottom: Basis
    top: Basis
    x: Array
    y: Array
    u: Array
    v: Array

    @property
    def shapes(self) -> Array:
        """Shapes (size, n) of the bottom, then of the top."""
        return np.concatenate([self.bottom.evaluate(self.x, self.y), self.top.evaluate(self.u, self.v)])

    @property
    def planes(self) -> Array:
        """The bottom's plane shapes (3, n)."""
        return planes_at(self.bottom, self.x, self.y)

    def squeezes(self, states: Array) -> Array:
        """How far both faces stand towards each other (k, n) [m], of columns of states (size, k)."""
        below, above = np.split(states, [self.bottom.size])
        squeezes: Array = self.bottom.heights(below.T, self.x, self.y)
        squeezes += self.top.heights(above.T, self.u, self.v)
        return squeezes


def touches(
    bottom: Basis, top: Basis, instants: Instants, fineness: float = 1.0, ends: bool = False
) -> Iterator[Touch]:
    """Yield the contact points of all instants, a few poses at a time, in order.

    `fineness`: so many times as many points, to see what they matter.  `ends`: points of no area at the edge
    of plain faces as well.
    """
    number = instants.share.size
    for first in range(0, number, AT_ONCE):
        which = np.arange(first, min(first + AT_ONCE, number))
        p = _some(instants.poses, which)
        rule = contact_rule(bottom, top, p, fineness, ends)
        own = rule.pose
        u, v = on_face(rule.x, rule.y, p.cx[own], p.cy[own], p.theta[own])
        speed = np.hypot(
            p.vx[own] - p.spin[own] * (rule.y - p.cy[own]), p.vy[own] + p.spin[own] * (rule.x - p.cx[own])
        )
        share = instants.share[which][own]
        yield Touch(which, rule.start, share, rule.area, speed, bottom, top, rule.x, rule.y, u, v)


def _some(poses: Poses, which: NDArray[np.intp]) -> Poses:
    return Poses(**{name: values[which] for name, values in vars(poses).items()})


def contact_rule(bottom: Basis, top: Basis, poses: Poses, fineness: float = 1.0, ends: bool = False) -> Rule:
    """Lay the contact points of some poses on the bench, with their areas."""
    if bottom.plate.grooves is None and top.plate.grooves is None:
        degree = round(fineness * (bottom.degree + top.degree))
        outlines = bottom.plate.outline, top.plate.outline
        return overlap_rule(*outlines, poses.cx, poses.cy, poses.theta, degree, ends)
    return _cell_rule(bottom.plate, top.plate, poses, round(fineness * GROOVED_POINTS))


def planes_at(bottom: Basis, x: Array, y: Array) -> Array:
    """The bottom's plane shapes at bench points, (3, ...); linear, so as good far outside the face."""
    return replace(bottom, degree=1, mix=bottom.mix[:PLANES, :PLANES]).evaluate(x, y)


def _cell_rule(bottom: Plate, top: Plate, poses: Poses, points: int) -> Rule:
    on_top = top.land_area <= bottom.land_area
    cells = cells_of(top if on_top else bottom, points)
    other = bottom if on_top else top
    cx, cy, theta = poses.cx[:, None], poses.cy[:, None], poses.theta[:, None]
    if on_top:
        x, y = on_bench(cells.x, cells.y, cx, cy, theta)
        there = x, y
    else:
        x, y = np.broadcast_to(cells.x, (theta.size, cells.x.size)), cells.y
        there = on_face(x, y, cx, cy, theta)
    edge = np.maximum(land_outline(other).signed_distance(*there), cells.edge)
    area = np.clip(0.5 - edge / cells.side, 0.0, 1.0) * cells.area
    if other.grooves is not None:
        area = area * between(open_land(other, other.grid), other.grid, *there)
    pose, point = np.nonzero(area > 0.0)
    start = np.searchsorted(pose, np.arange(theta.size + 1)).astype(np.intp)
    y = np.broadcast_to(y, area.shape)
    return Rule(x[pose, point], y[pose, point], area[pose, point], pose, start)
