"""Many pairs of faces under one motion: laid once, and lapped all together with true contact.

The layer pushes where faces are squeezed and nowhere pulls, the top settles in every pose, and the wear is
projected back on the shapes.  Once all land of a pair bears it goes on by the flow.  Settled: `Crowd.lap`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.crowd import wear_crowd
from lapwright.contact.lay import read_only
from lapwright.errors import SettleError
from lapwright.kinematics.motion import Motion
from lapwright.modal.basis import Basis
from lapwright.modal.operator import load_lines
from lapwright.modal.points import Instants, instants_of, planes_at, touches
from lapwright.optimisation.flow import Flows

Array = NDArray[np.float64]

FINENESS = 1.5  # contact points (see `Spell`)
STROKE_POSES = 16  # of a stroke; so many times more where it turns (see `instants`)
GROOVED_FINENESS = 0.12  # of the cells of a grooved face
LONGEST = 1.2  # of a time step, in units of the time in which a mismatch dies
# Up to so much of it one and two steps do: 1 % of the mismatch, as many long ones are off.
FEW = (0.6, 1.5)
STEPS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256)  # that pairs go together in
AT_ONCE = 64  # pairs that a thread takes
# Of all poses of all pairs, that an unsteady hand may lay where nothing settles: one of 24.
MOST_ASTRAY = 0.05


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

    @cached_property
    def _most(self) -> int:
        """Contact points of a pose at most."""
        ends = self.start[:: (self.start.size - 1) // len(self.target)]
        return int(np.diff(ends).max())

    def lap(
        self, faces: Array, stiffness: Array, kappas: Array, cut: float, threads: int = 1,
        flows: Callable[[], Flows] | None = None,
    ) -> Array:  # fmt: skip
        """Stacked coefficients (m, size) [m] of bottom and top after `cut` [s] at a fresh dab's cut.

        `faces` (m, size) [m] before; of each pair `stiffness` (m,) [Pa/m] of the layer and `kappas` (m, 2)
        [1/Pa] of bottom and top.  `flows`: by which a pair is taken on to the end once all its land bears.

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
            return self._lapped(faces[some], stiffness[some], kappas[some], cut, count, flows)

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
        self, faces: Array, stiffness: Array, kappas: Array, cut: float, steps: int,
        flows: Callable[[], Flows] | None,
    ) -> Array:  # fmt: skip
        """The same in so many steps of a third-order Runge-Kutta method (weights 1/6, 1/6, 2/3)."""
        z, h = faces.copy(), cut / steps
        plane = np.zeros((len(z), len(self.target), 3))
        on = np.arange(len(z))
        for step in range(steps):
            now, soft, own = z[on], stiffness[on], kappas[on]
            one, lifted = self.pace(now, soft, own, plane)
            bears = lifted == 0.0
            if flows is not None and bears.any() and flows().bears:
                rest = cut - step * h
                z[on[bears]] = flows().worn(now[bears], soft[bears], own[bears], rest)
                on, now, soft, own = (of[~bears] for of in (on, now, soft, own))
                one, plane = one[~bears], plane[~bears]
                if not on.size:
                    break
            two = self.pace(now + h * one, soft, own, plane)[0]
            three = self.pace(now + 0.25 * h * (one + two), soft, own, plane)[0]
            z[on] = now + h / 6.0 * (one + two + 4.0 * three)
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
            plane = np.zeros((len(faces), len(self.target), 3))
        failed = wear_crowd(
            read_only(faces),
            self.bottom.size,
            self.shapes,
            self.start,
            self.area,
            self.rub,
            self.x,
            self.y,
            self.target,
            read_only(stiffness),
            plane,
            np.empty(self._most),
            np.empty((4, 9)),
            np.empty(3),
            lifted,
            worn,
        )
        if failed > MOST_ASTRAY * len(faces) * len(self.target):
            raise SettleError(
                "the top did not settle: its load may lie at the very edge of what bears; shorten the stroke"
            )
        half = self.bottom.size
        worn[:, :half] *= -(stiffness * kappas[:, 0] / self.bottom.plate.land_area)[:, None]
        worn[:, half:] *= -(stiffness * kappas[:, 1] / self.top.plate.land_area)[:, None]
        return worn, lifted


def crowd_of(
    bottom: Basis, top: Basis, motion: Motion, poses: int = STROKE_POSES,
    under: Sequence[Motion] = (), fineness: float = FINENESS,
) -> Crowd:  # fmt: skip
    """Lay `top` on `bottom` at instants that stand for all strokes of a motion.

    `under`: how tops like it move under a weight that moves so, all one body with it.

    Raises
    ------
    NoOverlapError
        Where the faces do not lie on each other.

    """
    strokes = motion.step.total_strokes
    instants = instants_of(motion, 0, strokes, poses)
    each = [instants_of(one, 0, strokes, poses, motion) for one in under] or [instants]
    grooved = bottom.plate.grooves is not None or top.plate.grooves is not None
    parts: list[tuple[Array, ...]] = []
    counts = [0]
    fineness = GROOVED_FINENESS if grooved else fineness
    for touched in zip(*(touches(bottom, top, one, fineness) for one in each), strict=True):
        seen = [(touch.shapes, touch.planes) for touch in touched]
        for i, pose in enumerate(touched[0].poses):
            some = [slice(touch.start[i], touch.start[i + 1]) for touch in touched]
            values = [shapes[:, own].ravel() for own, (shapes, _) in zip(some, seen, strict=True)]
            area, speed, x, y = (
                np.concatenate([of[own] for own, of in zip(some, those, strict=True)])
                for those in (
                    [touch.area for touch in touched],
                    [touch.speed for touch in touched],
                    [planes[1] for _, planes in seen],
                    [planes[2] for _, planes in seen],
                )
            )
            rub = instants.share[pose] * area * speed
            parts.append((np.concatenate(values), area, rub, x, y))
            counts += [own.stop - own.start for own in some]
    shapes, area, rub, x, y = (
        read_only(np.concatenate(column)) for column in zip(*parts, strict=True)
    )
    force, weight = motion.step.load.force, top.plate.weight
    load = force + weight * len(each)
    on_it = [force if under else load, 1.0, load]
    target = np.einsum("plk,l->kp", load_lines(bottom, instants), on_it)
    for one in each if under else ():  # tops weigh where they lie
        target += weight * planes_at(bottom, one.poses.cx, one.poses.cy).T
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
    share = np.repeat(np.repeat(instants.share, len(counts) // instants.share.size), counts)
    return float(rub.sum() / (share @ area))
