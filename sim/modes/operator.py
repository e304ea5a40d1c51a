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

import numpy as np
from numpy.typing import NDArray

from sim.errors import NoOverlapError
from sim.lapping.motion import Motion
from sim.lapping.support import place_in_words
from sim.modes.basis import PLANES, Basis
from sim.modes.contact import POINTS, Chunk, Touching, touching
from sim.modes.instants import POSES, Instants, instants_of

__all__ = ["Flow", "Operator", "operator_of"]

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
    `hand` [N m/s] for the step's force off the centre (it goes with that force), `push` [m2/s] for each
    newton of load and metre of friction x height.  `speed` [m/s] mean over contact and time, `overlap` [m2].
    `symmetric`: nothing turns while it rubs.  `touching`, `instants`: to find where in the stroke something
    lifts.
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
    touching: Touching
    instants: Instants

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


def operator_of(
    bottom: Basis,
    top: Basis,
    motion: Motion,
    *,
    first: int = 0,
    strokes: int | None = None,
    poses: int = POSES,
    points: int = POINTS,
) -> Operator:
    """Average `strokes` strokes from `first` on (all of the step when None) of `top` on `bottom`.

    Raises
    ------
    NoOverlapError
        Where the faces do not lie on each other.

    """
    count = motion.step.total_strokes if strokes is None else strokes
    instants = instants_of(motion, first, count, poses)
    return assemble(touching(bottom, top, points), instants)


def assemble(contact: Touching, instants: Instants) -> Operator:
    """Add up the instants."""
    sums = _Sums(contact, instants)
    for chunk in contact.chunks(instants):
        sums.add(chunk)
    return sums.operator()


class _Sums:
    """Sums over poses; the smaller face's shapes come first until the end."""

    def __init__(self, contact: Touching, instants: Instants) -> None:
        self.contact, self.instants = contact, instants
        own, other = contact.own.size, contact.other.size
        self.uniform = not instants.poses.spin.any()
        self.at_points = np.zeros(contact.u.size)  # share x area x speed at the smaller face's points
        self.mixed = np.zeros((own, other))
        self.others = np.zeros((other, other))
        self.planes = np.zeros((own + other, own + other))  # what the settling takes off
        self.loads = np.zeros((own + other, 3))
        self.overlap = 0.0
        self.lines = self._load_lines()

    def _load_lines(self) -> Array:
        """Work of the unit load, the hand and the push on the three planes: (3 planes, 3 loads, k)."""
        p, at = self.instants.poses, self.instants
        centre = self.contact.planes_at(p.cx, p.cy, at)
        hand = self.contact.planes_at(p.cx + at.hand[:, 0], p.cy + at.hand[:, 1], at)
        push = self.contact.planes_at(p.cx + at.push[:, 0], p.cy + at.push[:, 1], at)
        return np.stack([centre, hand - centre, push - centre], axis=1)

    def add(self, chunk: Chunk) -> None:
        """Add some poses."""
        share = self.instants.share[chunk.which, None]
        rubbed = share * chunk.area * chunk.speed
        root = np.sqrt(rubbed)
        self.at_points += rubbed.sum(axis=0)
        self.overlap += float((share * chunk.area).sum())
        rooted = chunk.other * root
        flat = rooted.reshape(rooted.shape[0], -1)
        self.others += flat @ flat.T
        own_shapes = self.contact.own_shapes
        for i in range(root.shape[0]):
            self.mixed += own_shapes @ (rooted[:, i] * root[i]).T
            self._settle(chunk, i, rubbed[i])

    def _settle(self, chunk: Chunk, i: int, rubbed: Array) -> None:
        """Take off the least-squares plane of one pose, and give its load to it."""
        k = chunk.which.start + i
        area, other, own_shapes = chunk.area[i], chunk.other[:, i], self.contact.own_shapes
        if not area.any():
            raise self._apart(k)
        planes = own_shapes[:PLANES]
        carried = planes * area
        sees = np.concatenate([carried @ own_shapes.T, carried @ other.T], axis=1)
        if self.uniform:
            wears = sees * float(self.instants.share[k] * chunk.speed[i, 0])
        else:
            worn = planes * rubbed
            wears = np.concatenate([worn @ own_shapes.T, worn @ other.T], axis=1)
        wanted = np.concatenate([sees, self.lines[:, :, k]], axis=1)
        solved = np.linalg.solve(carried @ planes.T, wanted)
        self.planes += wears.T @ solved[:, :-3]
        self.loads += wears.T @ solved[:, -3:]

    def _apart(self, k: int) -> NoOverlapError:
        p = self.instants.poses
        where = place_in_words(float(p.phase[k]), float(p.theta[k]), (float(p.cx[k]), float(p.cy[k])))
        return NoOverlapError(f"the top does not lie on the bottom {where}")

    def operator(self) -> Operator:
        """The factors, the bottom's shapes first."""
        contact, shapes = self.contact, self.contact.own_shapes
        owns = (shapes * self.at_points) @ shapes.T
        response = np.block([[owns, self.mixed], [self.mixed.T, self.others]]) - self.planes
        loads, bottom_first = self.loads, contact.bottom.size
        if contact.on_top:
            response = np.roll(response, bottom_first, axis=(0, 1))
            loads = np.roll(loads, bottom_first, axis=0)
        if self.uniform:
            response = 0.5 * (response + response.T)
        # Planes of either face feel nothing.
        for start in (0, bottom_first):
            response[:, start : start + PLANES] = 0.0
            if self.uniform:
                response[start : start + PLANES] = 0.0
        rubbed = float(self.at_points.sum())
        return Operator(
            bottom=contact.bottom,
            top=contact.top,
            response=response,
            weight=loads[:, 0].copy(),
            hand=loads[:, 1].copy(),
            push=loads[:, 2].copy(),
            speed=rubbed / self.overlap,
            overlap=self.overlap,
            symmetric=self.uniform,
            touching=contact,
            instants=self.instants,
        )
