"""dz/dt = A z + b solved once for all times: a prediction then costs two small products.

With A = V diag(rates) U and y = U z, each y moves by itself: exp(rate t) y + t phi(rate t) (U b), where
phi(x) = (exp(x) - 1)/x is 1 for what stays.  Complex pairs are kept once and counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import DefectiveError
from lapwright.modes.nullspace import STAYS, Kernel, even_kernel, kernel_of
from lapwright.modes.operator import Flow

__all__ = ["SLOW", "Evolution", "evolution_of"]

Array = NDArray[np.float64]

Numbers = NDArray[np.float64] | NDArray[np.complex128]

SLOW = 1e-3  # of the fastest rate; strokes in use have nothing between this and 1e-2 but near misses
FAINT = 1e-5  # of the fastest: a rate of growth below this is no more than what few instants leave open
MIXED = 1e11  # condition of the eigenvectors beyond which digits run out


@dataclass(frozen=True)
class Evolution:
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
        """Coefficients (n,), or columns (n, k), after `time` [s] at a fresh dab's cut, from `start`."""
        grown, share = self._factors(time)
        poured = share * self.drive
        if start.ndim == 2:
            grown, poured = grown[:, None], poured[:, None]
        ended: Array = (self.right @ (grown * (self.left @ start) + poured)).real
        return ended

    def course(self, start: Array, times: Array) -> Array:
        """Coefficients (n, k) after each of `times` (k,) [s] at a fresh dab's cut, from `start` (n,)."""
        begun = self.left @ start
        towards, poured = self._aims
        ahead = np.expm1(np.multiply.outer(self.rates, times))
        moved = begun[:, None] + ahead * (begun + towards)[:, None] + np.multiply.outer(poured, times)
        course: Array = (self.right @ moved).real
        return course

    def map_over(self, time: float) -> tuple[Array, Array]:
        """The affine map of a spell of `time` [s]: end = matrix (n, n) @ start + offset (n,)."""
        grown, poured = self._factors(time)
        return (self.right @ (grown[:, None] * self.left)).real, (self.right @ (poured * self.drive)).real

    def changed(self, faster: float = 1.0, drive: Array | None = None) -> Evolution:
        """The same with all rates `faster` and another drive (n,) [m/s], without solving again.

        A stiffer layer or more wear, in the same proportion on both, makes rates (and the drive) faster.
        """
        poured = self.drive if drive is None else self.left @ drive
        kernel = self.kernel if faster == 1.0 else replace(self.kernel, inverse=self.kernel.inverse / faster)
        return replace(self, rates=self.rates * faster, drive=poured, kernel=kernel)

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
        """How both faces move on (n,) [m/s] after `time` [s] at a fresh dab's cut, from flat ones."""
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
        """What of coefficients (n,) dies so slowly that nobody waits for it (n,)."""
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
        left: Array = self.residue + (self.right[:, slow] @ (self.drive[slow] / self.rates[slow])).real
        return left


def evolution_of(flow: Flow) -> Evolution:
    """Solve a flow.

    Raises
    ------
    DefectiveError
        When what the stroke leaves alone does not stay, or its modes cannot be told apart.

    """
    return _symmetric(flow, flow.scale) if flow.scale is not None else _general(flow)


def _symmetric(flow: Flow, scale: Array) -> Evolution:
    even = flow.matrix * scale / scale[:, None]
    rates, vectors = np.linalg.eigh(0.5 * (even + even.T))
    kernel = even_kernel(rates, vectors, scale)
    rates = np.where(np.abs(rates) < STAYS * np.abs(rates).max(), 0.0, rates)
    left = vectors.T / scale
    return Evolution(rates, vectors * scale[:, None], left, left @ flow.drive, kernel)


def _general(flow: Flow) -> Evolution:
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
    return Evolution(rates, right, left, left @ flow.drive, kernel)
