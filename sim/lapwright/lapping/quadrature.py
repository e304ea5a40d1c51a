"""Weights for instants of a motion, so that a few of them stand for all the strokes of a block.

What a stroke wears runs on with several clocks at once: the phase of the stroke, the angle of the top, where
the operator stands, the traverse of a zigzag.  As a function of them it is a sum of waves whose strength
falls with their order; how fast is known well enough beforehand.  The mean of each wave over a block is known
in closed form, so the weights are those whose error is least over all such functions (the best linear
unbiased rule for a random function of that spectrum; A. O'Hagan, J. Stat. Plan. Inference 29 (1991) 245, from
memory).  No wave of low order is then taken for a constant, whatever the turn, the places or the length of
the block.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import gcd, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.kernels.linear import gram, solve_positive

__all__ = ["ANGLES", "ANGLES_ROUND", "TRAVERSE", "Waves", "best_weights", "generators", "waves_of"]

Array = NDArray[np.float64]
Orders = Mapping[int, float]

# Strength of each order of a clock beside the mean.  Outlines come back on themselves after half a turn, so
# odd orders are weak; round faces answer to little but
# the second (saddle and twist as they run round).
ANGLES_ROUND: Orders = {1: 0.06, 2: 0.5, 4: 0.1}
ANGLES: Orders = {1: 0.06, 2: 0.5, 3: 0.03, 4: 0.2, 6: 0.1, 8: 0.1, 10: 0.05, 12: 0.05}
TRAVERSE: Orders = {1: 0.3, 2: 0.5, 3: 0.1, 4: 0.15, 6: 0.07, 8: 0.04}
FALLS = 4.0  # order of the stroke at which a wave is half as strong
HIGHEST = (24, 20, 10, 6)  # order of the stroke that counts, by the number of other clocks
WEAKEST = 0.01
ROUGH = 0.03  # what no wave here describes, as a share of the mean: each instant's own
FAR = (80, 8)  # orders of the stroke and of half a turn by which lattices are told apart
CANDIDATES = 128  # of which the best are found
GENERATORS = 4  # of about the same merit, to take turns


@dataclass(frozen=True)
class Waves:
    """Orders (n, 1 + clocks) of the stroke and of each slow clock, and the strength of each wave (n,)."""

    order: NDArray[np.int64]
    strength: Array

    def at(self, stroke: Array, slow: Array) -> NDArray[np.complex128]:
        """Every wave at instants (k,) strokes, with slow clocks (clocks, k) in turns; (k, n)."""
        turns = np.outer(stroke, self.order[:, 0]) + slow.T @ self.order[:, 1:].T
        values: NDArray[np.complex128] = np.exp(2j * pi * turns)
        return values

    def mean(self, slow: Array, rates: Array, worth: Array) -> NDArray[np.complex128]:
        """Mean of every wave (n,) over whole strokes; `slow` (clocks, strokes) turns as each stroke begins.

        `worth` (strokes,): share of each in the mean.
        `rates` (clocks,): turns a stroke of those clocks that run on within it.
        """
        within = self.order[:, 0] + self.order[:, 1:] @ rates
        run = np.exp(1j * pi * within) * np.sinc(within)
        turns = slow.T @ self.order[:, 1:].T
        values: NDArray[np.complex128] = np.einsum("s,sn->n", worth, np.exp(2j * pi * turns)) * run
        return values


@lru_cache(maxsize=64)
def _waves_of(clocks: tuple[tuple[tuple[int, float], ...], ...]) -> Waves:
    top = HIGHEST[min(len(clocks), len(HIGHEST) - 1)]
    stroke = [(h, 1.0 / (1.0 + (h / FALLS) ** 2)) for h in range(-top, top + 1)]
    slow = [[(0, 1.0), *(pair for k, s in orders for pair in ((k, s), (-k, s)))] for orders in clocks]
    order, strength = [], []
    for wave in product(*slow, stroke):
        orders = [k for k, _ in wave]
        leading = next((k for k in orders if k), 0)
        size = float(np.prod([s for _, s in wave]))
        if leading > 0 and size >= WEAKEST:  # of a wave and its mirror image one is enough
            order.append([orders[-1], *orders[:-1]])
            strength.append(size)
    return Waves(np.array(order, dtype=np.int64).reshape(-1, 1 + len(clocks)), np.array(strength))


def waves_of(clocks: tuple[Orders, ...]) -> Waves:
    """The waves of a stroke beside slow clocks whose orders have these strengths."""
    return _waves_of(tuple(tuple(orders.items()) for orders in clocks))


def best_weights(
    values: Array,
    means: Array,
    strength: Array,
    half: NDArray[np.bool_],
    rough: float = ROUGH,
    prior: Array | None = None,
) -> tuple[Array, Array]:
    """Weights (k,) of least error, and a check (k,) that tells it.

    `values` (k, n) real functions at the instants, `means` (n,) of them over the block, `strength` (n,) of
    each; `rough`: of what none of them describes.  `half` (k,): one of two sets of places that were chosen
    independently.  `prior` (k,): weights that they have where nothing is asked of them; None: equal ones.
    Each half by itself gives an answer; the check is their difference, scaled by how much better both
    together are expected to be.
    """
    size = np.ones(half.size) if prior is None else prior * half.size
    both = _weights(values, means, strength, rough, size)
    apart = np.zeros(half.size)
    for members, sign in ((half, 1.0), (~half, -1.0)):
        apart[members] = sign * _weights(values[members], means, strength, rough, size[members])
    expected = _error(values, means, strength, both, rough) / _error(
        values, 0.0 * means, strength, apart, rough
    )
    return both, apart * np.sqrt(expected)


def _weights(values: Array, means: Array, strength: Array, rough: float, size: Array) -> Array:
    """Least of sum(strength^2 (w @ values - means)^2) + rough^2 k sum((w / size)^2), with sum(w) = 1."""
    k, n = values.shape
    scaled = np.ascontiguousarray(values * strength * size[:, None])
    ridge = rough**2 * k
    wanted, one = strength * means, size
    if k <= n:
        matrix = gram(scaled)
        matrix[np.diag_indices(k)] += ridge
        exact, ones = solve_positive(matrix, np.stack([np.einsum("kn,n->k", scaled, wanted), one]))
    else:  # the same by way of the functions, which are fewer than the instants
        matrix = gram(np.ascontiguousarray(scaled.T))
        matrix[np.diag_indices(n)] += ridge
        by, of_one = solve_positive(matrix, np.stack([wanted, np.einsum("kn,k->n", scaled, one)]))
        exact = np.einsum("kn,n->k", scaled, by)
        ones = (one - np.einsum("kn,n->k", scaled, of_one)) / ridge
    weights: Array = size * (exact + ones * ((1.0 - (size * exact).sum()) / (size * ones).sum()))
    return weights


def _error(values: Array, means: Array, strength: Array, weights: Array, rough: float) -> float:
    """Expected square of the error, in units of the mean."""
    off = strength * (np.einsum("k,kn->n", weights, values) - means)
    return float((off * off).sum() + rough**2 * len(weights) * (weights * weights).sum())


@lru_cache(maxsize=64)
def generators(number: int) -> tuple[int, ...]:
    """Generators of `number` places on a lattice over a stroke and half a turn, the best first.

    Place k lies at phase k / number and at the share k * generator / number of the other.
    """
    angle, stroke = np.meshgrid(np.arange(1, FAR[1] + 1), np.arange(-FAR[0], FAR[0] + 1))
    strength = 1.0 / ((1.0 + (stroke / FALLS) ** 2) * angle**2)
    found = []
    for generator in range(1, number, max(1, number // CANDIDATES)):
        if gcd(generator, number) == 1:
            constant = (stroke + generator * angle) % number == 0
            found.append((float((strength[constant] ** 2).sum()), generator))
    found.sort()
    return tuple(generator for _, generator in (found or [(0.0, 1)])[:GENERATORS])
