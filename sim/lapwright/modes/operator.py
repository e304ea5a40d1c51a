"""What an average stroke does to both faces, while the whole overlap bears: a matrix and a vector.

In a pose the layer answers to the faces' interference with K times what its least-squares plane leaves of it,
plus the linear pressure that carries the load.  Each face loses kappa p s.  Averaged over the instants and
projected on the shapes of both lands (Galerkin), with z the stacked coefficients (bottom, then top):

    dz/dt = A z + b,   A = -K diag(kappa / land area) S,   b = -diag(kappa / land area) (load terms).

S and the load terms stand on plates and motion alone, so layer, wear, load and fade are changed without
doing the sums over poses again.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import NoOverlapError
from lapwright.lapping.support import place_in_words
from lapwright.modes.basis import PLANES, Basis
from lapwright.modes.contact import Touch, planes_at, touches
from lapwright.modes.instants import Instants
from lapwright.modes.unreached import leaves_land

__all__ = ["Flow", "Operator", "assemble", "load_lines"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Flow:
    """dz/dt = matrix z + drive for the stacked coefficients z (bottom, then top) [m].

    `matrix` (n, n) [1/s], `drive` (n,) [m/s].  `scale` (n,): matrix * scale / scale[:, None] is symmetric;
    None where it is not (something turns while it rubs).
    """

    bottom: Basis
    top: Basis
    matrix: Array
    drive: Array
    scale: Array | None

    def part(self, z: Array, top: bool) -> Array:
        """Coefficients of one face, of a stacked vector or of stacked columns."""
        half = self.bottom.size
        return z[half:] if top else z[:half]


@dataclass(frozen=True)
class Operator:
    """The factors of a flow, for one motion of `top` on `bottom`.

    `response` (n, n) [m3/s]: S.  Load terms (n,): `weight` [m/s] for each newton through the top's centre,
    `hand` [N m/s] for the step's force off the centre (it goes with that force), `push` [m/s] for each
    newton of load, of the step's push above the faces.  `speed` [m/s] mean over contact and time, `overlap`
    [m2].  `symmetric`: nothing turns while it rubs.  `instants`: what was averaged.
    """

    bottom: Basis
    top: Basis
    response: Array
    weight: Array
    hand: Array
    push: Array
    speed: float
    overlap: float
    symmetric: bool
    instants: Instants

    @cached_property
    def leaves_land(self) -> bool:
        """Whether land stays that is hardly rubbed."""
        return leaves_land(self.bottom.plate, self.top.plate, self.instants)

    def rates(self, kappas: tuple[float, float]) -> Array:
        """Kappa over land area for each coefficient (n,) [1/(Pa m2)]; kappas of bottom and top."""
        return np.repeat(
            [kappas[0] / self.bottom.plate.land_area, kappas[1] / self.top.plate.land_area],
            [self.bottom.size, self.top.size],
        )

    def flow(self, stiffness: float, kappas: tuple[float, float], load: float, force: float = 1.0) -> Flow:
        """The flow with a layer of `stiffness` [Pa/m], wear `kappas` [1/Pa] of bottom and top.

        `load` [N]: top and hand together; `force`: the hand's as a share of the step's own.
        """
        rates = self.rates(kappas)
        matrix = (-stiffness * rates)[:, None] * self.response
        drive = -rates * (load * (self.weight + self.push) + force * self.hand)
        scale = np.sqrt(rates) if self.symmetric and rates.min() > 0.0 else None
        return Flow(self.bottom, self.top, matrix, drive, scale)


def assemble(bottom: Basis, top: Basis, instants: Instants, fineness: float = 1.0) -> Operator:
    """Add up the instants."""
    n = bottom.size + top.size
    symmetric = not instants.poses.spin.any()
    response, loads = np.zeros((n, n)), np.zeros((n, 3))
    lines = load_lines(bottom, instants)
    overlap = rubbed = 0.0
    for touch in touches(bottom, top, instants, fineness):
        worn = touch.share * touch.area * touch.speed
        shapes = touch.shapes
        rooted = shapes * np.sqrt(worn)
        response += rooted @ rooted.T
        overlap += float(touch.share @ touch.area)
        rubbed += float(worn.sum())
        for i, k in enumerate(touch.poses):
            plane, load = _settled(touch, shapes, i, worn, lines[:, :, k], instants)
            response -= plane
            loads += load
    if symmetric:
        response = 0.5 * (response + response.T)
    # Planes of either face feel nothing, and where nothing turns they get nothing.
    for start in (0, bottom.size):
        response[:, start : start + PLANES] = 0.0
        if symmetric:
            response[start : start + PLANES] = 0.0
    weight, hand, push = (column.copy() for column in loads.T)
    return Operator(bottom, top, response, weight, hand, push, rubbed / overlap, overlap, symmetric, instants)


def load_lines(bottom: Basis, instants: Instants) -> Array:
    """Work of the unit load, the hand and the push on the three planes: (3 planes, 3 loads, k)."""
    p, hand, push = instants.poses, instants.hand, instants.push
    centre = planes_at(bottom, p.cx, p.cy)
    by_hand = planes_at(bottom, p.cx + hand[:, 0], p.cy + hand[:, 1]) - centre
    by_push = planes_at(bottom, p.cx + push[:, 0], p.cy + push[:, 1]) - centre
    return np.stack([centre, by_hand, by_push], axis=1)


def _settled(
    touch: Touch, all_shapes: Array, i: int, worn: Array, lines: Array, instants: Instants
) -> tuple[Array, Array]:
    """What the least-squares plane of one pose takes off, and the wear by its loads: (n, n), (n, 3)."""
    points = slice(touch.start[i], touch.start[i + 1])
    shapes = all_shapes[:, points]
    planes = shapes[:PLANES]
    carried = planes * touch.area[points]
    normal = carried @ planes.T
    if not normal[0, 0] > 0.0:
        raise _apart(instants, int(touch.poses[i]))
    solved = np.linalg.solve(normal, np.concatenate([carried @ shapes.T, lines], axis=1))
    wears = shapes @ (planes * worn[points]).T
    return wears @ solved[:, :-3], wears @ solved[:, -3:]


def _apart(instants: Instants, k: int) -> NoOverlapError:
    p = instants.poses
    where = place_in_words(float(p.phase[k]), float(p.theta[k]), (float(p.cx[k]), float(p.cy[k])))
    return NoOverlapError("the top does not lie on the bottom {where}", where=where)
