"""dz/dt = A z + b solved once for all times; what a stroke makes, and where it lifts.

With A = V diag(rates) U and y = U z, each y moves by itself: exp(rate t) y + t phi(rate t) (U b), where
phi(x) = (exp(x) - 1)/x is 1 for what stays.  Complex pairs are kept once and counted twice.

What a stroke makes of both faces: one number for `preview`, `why` and the page of a run.

Where the whole of both faces is rubbed, all but a few pairs die, and what is poured into those is made for
ever: the drift, P0 b.  Where land stays that is hardly rubbed, a pit deepens in it; P0 b then hangs on how
fine the shapes are (docs/numerics.md), and a run never comes to it.  There the pace is told at which both
faces move on as the step ends, exp(A t) b, which is as sure as the forms themselves.

Where in the stroke something lifts: there the layer would have to pull, and the picture is only near.

The pressure is the linear one, on the shapes of the basis; less than nothing somewhere means that the real
top lifts there.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import DefectiveError
from lapwright.modal.basis import PLANES
from lapwright.modal.operator import (
    STAYS,
    Kernel,
    LinearSystem,
    Operator,
    even_kernel,
    kernel_of,
    load_lines,
)
from lapwright.modal.points import touches

Array = NDArray[np.float64]

Numbers = NDArray[np.float64] | NDArray[np.complex128]

SLOW = (
    1e-3  # of the fastest rate; strokes in use have nothing between this and 1e-2 but near misses
)
FAINT = (
    1e-5  # of the fastest: a rate of growth below this is no more than what few instants leave open
)
MIXED = 1e11  # condition of the eigenvectors beyond which digits run out


@dataclass(frozen=True)
class Propagator:
    """The closed solution of a flow.

    `rates` (m,) [1/s], real or complex, zero exactly for what stays; `right` (n, m) and `left` (m, n): of a
    complex pair one, twice in `right`; `drive` (m,): left @ b [m/s].  `kernel`: what stays.
    """

    rates: Numbers
    right: Numbers
    left: Numbers
    drive: Numbers
    kernel: Kernel

    def after(self, start: Array, time: float) -> Array:
        """Coefficients (n,), or columns (n, k), after `time` [s] at a fresh dab's cut, from `start`.

        Parameters
        ----------
        start : Array
            (n,) or (n, k) [m].
        time : float
            [s].

        Returns
        -------
        Array
            As `start`.

        """
        grown, share = self._factors(time)
        poured = share * self.drive
        if start.ndim == 2:
            grown, poured = grown[:, None], poured[:, None]
        ended: Array = (self.right @ (grown * (self.left @ start) + poured)).real
        return ended

    def course(self, start: Array, times: Array) -> Array:
        """Coefficients (n, k) after each of `times` (k,) [s] at a fresh dab's cut, from `start` (n,).

        Parameters
        ----------
        start : Array
            (n,) [m].
        times : Array
            (k,) [s].

        Returns
        -------
        Array
            (n, k) [m].

        """
        begun = self.left @ start
        towards, poured = self._aims
        ahead = np.expm1(np.multiply.outer(self.rates, times))
        moved = (
            begun[:, None] + ahead * (begun + towards)[:, None] + np.multiply.outer(poured, times)
        )
        course: Array = (self.right @ moved).real
        return course

    def map_over(self, time: float) -> tuple[Array, Array]:
        """The affine map of a spell of `time` [s]: end = matrix (n, n) @ start + offset (n,).

        Parameters
        ----------
        time : float
            [s].

        Returns
        -------
        matrix, offset : Array
            (n, n) and (n,) [m].

        """
        grown, poured = self._factors(time)
        return (self.right @ (grown[:, None] * self.left)).real, (
            self.right @ (poured * self.drive)
        ).real

    def changed(self, faster: float = 1.0, drive: Array | None = None) -> Propagator:
        """The same with all rates `faster` and another drive (n,) [m/s], without solving again.

        A stiffer layer or more wear, in the same proportion on both, makes rates (and the drive) faster.

        Parameters
        ----------
        faster : float
            Factor on all rates.
        drive : Array, optional
            (n,) [m/s]; the same as before when None.

        Returns
        -------
        Propagator

        """
        poured = self.drive if drive is None else self.left @ drive
        return replace(self, rates=self.rates * faster, drive=poured)

    def _factors(self, time: float) -> tuple[Numbers, Numbers]:
        x = self.rates * time
        ahead = np.expm1(x)
        moves = x != 0.0
        return 1.0 + ahead, time * np.where(moves, ahead / np.where(moves, x, 1.0), 1.0)

    @cached_property
    def _aims(self) -> tuple[Numbers, Numbers]:
        """Of what moves: drive over rate [m]; of what stays: its drive [m/s]; else 0."""
        moves = self._moves
        return np.where(moves, self.drive / np.where(moves, self.rates, 1.0), 0.0), np.where(
            moves, 0.0, self.drive
        )

    @cached_property
    def _moves(self) -> NDArray[np.bool_]:
        moves: NDArray[np.bool_] = self.rates != 0.0
        return moves

    def pace(self, time: float) -> Array:
        """How both faces move on (n,) [m/s] after `time` [s] at a fresh dab's cut, from flat ones.

        Parameters
        ----------
        time : float
            [s].

        Returns
        -------
        Array
            (n,) [m/s].

        """
        moved: Array = (self.right @ (np.exp(self.rates * time) * self.drive)).real
        return moved

    @cached_property
    def drift(self) -> Array:
        """P0 b (n,) [m/s]: how both faces move on once all else has died, planes included."""
        stays = ~self._moves
        poured: Array = (self.right[:, stays] @ self.drive[stays]).real
        return poured

    @cached_property
    def residue(self) -> Array:
        """-D b (n,) [m]: what the layer leaves on both faces for ever."""
        moves = self._moves
        left: Array = -(self.right[:, moves] @ (self.drive[moves] / self.rates[moves])).real
        return left

    @cached_property
    def _slow(self) -> NDArray[np.bool_]:
        size = np.abs(self.rates)
        slow: NDArray[np.bool_] = self._moves & (size < SLOW * size.max(initial=0.0))
        return slow

    def slow_part(self, start: Array) -> Array:
        """What of coefficients (n,) dies so slowly that nobody waits for it (n,).

        Parameters
        ----------
        start : Array
            (n,) [m].

        Returns
        -------
        Array
            (n,) [m].

        """
        slow = self._slow
        part: Array = (self.right[:, slow] @ (self.left[slow] @ start)).real
        return part

    @cached_property
    def bedded_drift(self) -> Array:
        """As `drift` (n,) [m/s], with what dies so slowly that nobody waits for it counted as staying."""
        slow = self._slow
        poured: Array = self.drift + (self.right[:, slow] @ self.drive[slow]).real
        return poured

    @cached_property
    def bedded_residue(self) -> Array:
        """As `residue` (n,) [m], without what would come only after all slow shapes had died."""
        slow = self._slow
        left: Array = (
            self.residue + (self.right[:, slow] @ (self.drive[slow] / self.rates[slow])).real
        )
        return left


def propagator_of(flow: LinearSystem) -> Propagator:
    """Solve a flow.

    Raises
    ------
    DefectiveError
        When what the stroke leaves alone does not stay, or its modes cannot be told apart.

    """
    return _symmetric(flow, flow.scale) if flow.scale is not None else _general(flow)


def _symmetric(flow: LinearSystem, scale: Array) -> Propagator:
    even = flow.matrix * scale / scale[:, None]
    rates, vectors = np.linalg.eigh(0.5 * (even + even.T))
    kernel = even_kernel(rates, vectors, scale)
    rates = np.where(np.abs(rates) < STAYS * np.abs(rates).max(), 0.0, rates)
    left = vectors.T / scale
    return Propagator(rates, vectors * scale[:, None], left, left @ flow.drive, kernel)


def _general(flow: LinearSystem) -> Propagator:
    rates, vectors = np.linalg.eig(flow.matrix)
    kernel = kernel_of(flow.matrix, rates)
    zeros = kernel.right.shape[1]
    moves = np.ones(rates.size, dtype=bool)
    moves[np.argsort(np.abs(rates))[:zeros]] = False
    # The null vectors of the singular values are exact; those that eig finds need not be apart.
    right = np.concatenate([kernel.right.astype(complex), vectors[:, moves]], axis=1)
    if np.linalg.cond(right) > MIXED:
        raise DefectiveError(
            "two shapes die out in a way that runs into each other so closely that they cannot be told "
            "apart: change the stroke or the turning a little"
        )
    left = np.linalg.inv(right)
    rates = np.concatenate([np.zeros(zeros), rates[moves]])
    # Nothing grows: where a rate is all but nothing, rounding and sampling alone make it positive.
    faint = (rates.real > 0.0) & (np.abs(rates) < FAINT * np.abs(rates).max(initial=0.0))
    rates = np.where(faint, 1j * rates.imag, rates)
    once = rates.imag >= 0.0
    right = right * np.where(rates.imag > 0.0, 2.0, 1.0)
    rates, right, left = rates[once], right[:, once], left[once]
    if not rates.imag.any():
        rates, right, left = rates.real.copy(), right.real.copy(), left.real.copy()
    return Propagator(rates, right, left, left @ flow.drive, kernel)


def made(operator: Operator, evolution: Propagator, time: float) -> Array:
    """What both faces gain (n,) [m/s] once bedded in; with land that never is, after `time` [s] from flat."""
    return evolution.pace(time) if operator.leaves_land else evolution.drift


def bedded(operator: Operator, evolution: Propagator, time: float) -> Array:
    """The same, with what dies so slowly that nobody waits for it counted as staying (n,) [m/s]."""
    return evolution.pace(time) if operator.leaves_land else evolution.bedded_drift


PULLS = 1e-6  # of the mean pressure
EARLY = (1 / 64, 1 / 16, 1 / 4)  # of the first spell: where one looks on the way
MOST_LOOKS = 16
ALL = 0.995  # share of the time that counts as everywhere in the stroke


@dataclass(frozen=True)
class Lifting:
    """What one state of the faces does over the stroke.

    `lifts` (k,): poses in which something lifts; `phase` (k,) [rad] in the stroke and `time_share` (k,) of
    all poses; `least`, `most` (k,): lowest and highest pressure over the mean of the pose.
    """

    lifts: NDArray[np.bool_]
    phase: Array
    time_share: Array
    least: Array
    most: Array

    @property
    def share(self) -> float:
        """Share of the time in which something lifts."""
        return 1.0 if self.lifts.all() else float(self.time_share[self.lifts].sum())

    @property
    def everywhere(self) -> bool:
        """Whether something lifts in as good as every place in the stroke."""
        return self.share >= ALL

    @property
    def phases(self) -> Array:
        """Places in the stroke where something lifts [rad], in order."""
        return np.sort(self.phase[self.lifts])


Lifts = tuple[
    Lifting, ...
]  # as the plates come to it first, by the end of the step last, the way between


class Followed:
    """Faces followed through the spells of a step, to tell whether something lifts in it.

    The one place that answers this: `preview` and `why` both ask here.  While nothing lifts the picture is
    what a run does, so it tells truly when something first does; from then on its shares are near.
    """

    def __init__(self) -> None:
        self._states: dict[
            Hashable, list[tuple[int, Array]]
        ] = {}  # when, in order, and how the faces are
        self._last: dict[Hashable, tuple[int, Array]] = {}
        self._spells = 0

    def lap(self, placement: Hashable, solved: Propagator, start: Array, cut: float) -> Array:
        """State (n,) after a spell of `cut` [s] from `start` (n,) [m], of one on the other."""
        states = self._states.setdefault(placement, [])
        on_the_way = EARLY if not states else ()
        self._spells += 1
        states += [
            (self._spells, z) for z in (start, *(solved.after(start, t * cut) for t in on_the_way))
        ]
        ended: Array = solved.after(start, cut)
        self._last[placement] = self._spells, ended
        return ended

    def lifts(self, look: Callable[[Any, Array], Lifts]) -> dict[Any, Lifts]:
        """What lifts in each placement; `look` tells it of columns of states (n, k).

        Once something lifts the faces are no longer quite those of the picture, so that what another
        placement would do with them later is left out.
        """
        seen = {}
        for placement, states in self._states.items():
            some = np.unique(np.rint(np.linspace(0, len(states) - 1, MOST_LOOKS)).astype(int))
            looked = [*(states[k] for k in some), self._last[placement]]
            lifts = look(placement, np.stack([z for _, z in looked], axis=1))
            seen[placement] = [(when, one) for (when, _), one in zip(looked, lifts, strict=True)]
        lifted = [(when, p) for p, ones in seen.items() for when, one in ones if one.share > 0.0]
        first, which = min(lifted, key=lambda item: item[0], default=(self._spells, None))
        kept = {}
        for placement, ones in seen.items():
            before = [one for when, one in ones if when <= first or placement == which]
            kept[placement] = tuple(before or [one for _, one in ones])
        return kept


def share_of(lifts: Lifts) -> float:
    """Share of the time in which something lifts, at its worst in a step."""
    return max(state.share for state in lifts)


def lifting(
    operator: Operator, stiffness: float, load: float, states: Array, force: float = 1.0
) -> tuple[Lifting, ...]:
    """Look at all instants with the faces as the columns of `states` (n, m) [m]; a Lifting for each.

    `stiffness` [Pa/m], `load` [N], `force` of the hand as a share of the step's own.
    """
    instants = operator.instants
    lines = np.einsum("plk,l->pk", load_lines(operator.bottom, instants), [load, force, load])
    least = np.empty((states.shape[1], instants.share.size))
    most = np.empty_like(least)
    for touch in touches(operator.bottom, operator.top, instants, ends=True):
        gap, plane = touch.squeezes(states), touch.planes
        for i, k in enumerate(touch.poses):
            points = slice(touch.start[i], touch.start[i + 1])
            area, planes, squeeze = touch.area[points], plane[:, points], gap[:, points]
            carried = planes * area
            wanted = (lines[:, k] - stiffness * (squeeze @ carried.T)).T
            rest = np.linalg.solve(carried @ planes.T, wanted.reshape(PLANES, -1))
            pressure = stiffness * squeeze + rest.T @ planes
            mean = load / float(area.sum())
            least[:, k], most[:, k] = pressure.min(axis=1) / mean, pressure.max(axis=1) / mean
    phase = instants.poses.phase
    return tuple(
        Lifting(low < -PULLS, phase, instants.share, low, high)
        for low, high in zip(least, most, strict=True)
    )
