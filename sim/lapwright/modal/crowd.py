"""Many pairs lapped at once under one motion, with true contact: what may lift, lifts.

The shapes of `basis` are carried through the time instead of cells.  In every pose the layer pushes where the
faces are squeezed and nowhere pulls, the top settles, and the wear is projected back on the shapes; where
nothing lifts this is the flow of `operator`.  All pairs share poses and contact points, which is why a crowd
of some hundreds costs no more than a few runs of the engine.  `docs/book.md` shows how near it comes.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.crowd import wear_crowd
from lapwright.contact.lay import read_only
from lapwright.errors import SettleError
from lapwright.kinematics.motion import Motion
from lapwright.modal.basis import Basis
from lapwright.modal.operator import load_lines
from lapwright.modal.points import Instants, instants_of, touches

Array = NDArray[np.float64]

POSES = 16  # of a stroke; so many times more where it turns (see `instants`)
FINENESS = 1.5  # contact points: what bears ends within the overlap, where no Gauss point stands
GROOVED_FINENESS = 0.12  # of the cells of a grooved face
LONGEST = 1.2  # of a time step, in units of the time in which a mismatch dies
# Up to so much of it one and two steps do: 1 % of the mismatch, as many long ones are off.
FEW = (0.6, 1.5)
STEPS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256)  # that pairs go together in
AT_ONCE = 64  # pairs that a thread takes
MOST_ASTRAY = 0.02  # of all poses of all pairs, that an unsteady hand may lay where nothing settles


@dataclass(frozen=True)
class Crowd:
    """One placement of `top` on `bottom` under one motion, for any number of pairs of such faces.

    The rest as `wear_crowd` reads it; `speed` [m/s] mean over contact and time.
    """

    bottom: Basis
    top: Basis
    shapes: Array
    start: NDArray[np.int64]
    area: Array
    rub: Array
    x: Array
    y: Array
    target: Array
    speed: float

    def lap(
        self, faces: Array, stiffness: Array, kappas: Array, cut: float, threads: int = 1
    ) -> Array:
        """Stacked coefficients (m, size) [m] of bottom and top after `cut` [s] at a fresh dab's cut.

        `faces` (m, size) [m] before; of each pair `stiffness` (m,) [Pa/m] of the layer and `kappas` (m, 2)
        [1/Pa] of bottom and top.

        Raises
        ------
        SettleError
            When tops do not settle in more than a few poses.

        """
        steps = self.steps(stiffness, kappas, cut)
        after = faces.copy()
        jobs = [
            (int(count), some[first : first + AT_ONCE])
            for count in np.unique(steps)
            for some in [np.flatnonzero(steps == count)]
            for first in range(0, some.size, AT_ONCE)
        ]

        def work(job: tuple[int, NDArray[np.intp]]) -> Array:
            count, some = job
            return self._lapped(faces[some], stiffness[some], kappas[some], cut, count)

        if threads > 1:
            with ThreadPoolExecutor(threads) as pool:
                done = list(pool.map(work, jobs))
        else:
            done = [work(job) for job in jobs]
        for (_, some), ended in zip(jobs, done, strict=True):
            after[some] = ended
        return after

    def steps(self, stiffness: Array, kappas: Array, cut: float) -> NDArray[np.int64]:
        """In how many steps each pair (m,) is lapped for `cut` [s]; the rest as for `lap`."""
        decay = cut * stiffness * self.speed * kappas.sum(axis=1)
        wanted = np.maximum(np.ceil(decay / LONGEST), 1 + np.searchsorted(FEW, decay))
        steps: NDArray[np.int64] = np.asarray(STEPS)[
            np.minimum(np.searchsorted(STEPS, wanted), len(STEPS) - 1)
        ]
        return steps

    def _lapped(
        self, faces: Array, stiffness: Array, kappas: Array, cut: float, steps: int
    ) -> Array:
        """The same in so many steps of a third-order Runge-Kutta method (weights 1/6, 1/6, 2/3)."""
        z, h = faces, cut / steps
        plane = np.zeros((len(z), self.start.size - 1, 3))
        for _ in range(steps):
            one = self.pace(z, stiffness, kappas, plane)[0]
            two = self.pace(z + h * one, stiffness, kappas, plane)[0]
            three = self.pace(z + 0.25 * h * (one + two), stiffness, kappas, plane)[0]
            z = z + h / 6.0 * (one + two + 4.0 * three)
        return z

    def pace(
        self, faces: Array, stiffness: Array, kappas: Array, plane: Array | None = None
    ) -> tuple[Array, Array]:
        """How coefficients (m, size) [m/s] move at these faces, and the share (m,) of land that lifts.

        `plane` (m, poses, 3) [m]: rest planes to begin from, left as found.

        Raises
        ------
        SettleError
            As `lap`.

        """
        worn, lifted = np.empty_like(faces), np.empty(len(faces))
        if plane is None:
            plane = np.zeros((len(faces), self.start.size - 1, 3))
        failed = wear_crowd(
            read_only(faces),
            self.shapes,
            self.start,
            self.area,
            self.rub,
            self.x,
            self.y,
            self.target,
            read_only(stiffness),
            plane,
            np.empty(np.diff(self.start).max()),
            np.empty((4, 9)),
            np.empty(3),
            lifted,
            worn,
        )
        if failed > MOST_ASTRAY * len(faces) * (self.start.size - 1):
            raise SettleError(
                f"{self.top.plate.name} did not settle on {self.bottom.plate.name}: its load may lie at the "
                "very edge of what bears; shorten the stroke"
            )
        half = self.bottom.size
        worn[:, :half] *= -(stiffness * kappas[:, 0] / self.bottom.plate.land_area)[:, None]
        worn[:, half:] *= -(stiffness * kappas[:, 1] / self.top.plate.land_area)[:, None]
        return worn, lifted


def crowd_of(bottom: Basis, top: Basis, motion: Motion, poses: int = POSES) -> Crowd:
    """Lay `top` on `bottom` at instants that stand for all strokes of a motion.

    Raises
    ------
    NoOverlapError
        Where the faces do not lie on each other.

    """
    instants = instants_of(motion, 0, motion.step.total_strokes, poses)
    load = top.plate.weight + motion.step.load.force
    grooved = bottom.plate.grooves is not None or top.plate.grooves is not None
    parts: list[tuple[Array, ...]] = []
    counts = [0]
    for touch in touches(bottom, top, instants, GROOVED_FINENESS if grooved else FINENESS):
        values, planes = touch.shapes, touch.planes
        for i, pose in enumerate(touch.poses):
            own = slice(touch.start[i], touch.start[i + 1])
            rub = instants.share[pose] * touch.area[own] * touch.speed[own]
            parts.append(
                (values[:, own].ravel(), touch.area[own], rub, planes[1, own], planes[2, own])
            )
            counts.append(touch.area[own].size)
    shapes, area, rub, x, y = (
        read_only(np.concatenate(column)) for column in zip(*parts, strict=True)
    )
    target = np.einsum("plk,l->kp", load_lines(bottom, instants), [load, 1.0, load])
    return Crowd(
        bottom,
        top,
        shapes,
        read_only(np.cumsum(counts).astype(np.int64)),
        area,
        rub,
        x,
        y,
        read_only(target),
        _speed(area, rub, instants, np.asarray(counts[1:])),
    )


def _speed(area: Array, rub: Array, instants: Instants, counts: NDArray[np.int64]) -> float:
    """Mean over contact and time [m/s]."""
    share = np.repeat(instants.share, counts)
    return float(rub.sum() / (share @ area))
