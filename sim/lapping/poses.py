"""Which instants of the real motion stand for a block of strokes.

Poses are taken at t = t_block + (n + phase) / pace: phase and stroke number on a rank-1 lattice, shifted
from block to block.  Angles that are indexed (set over every so many strokes) get their true shares of the
time: the poses are dealt out over the distinct angles of the block.  `docs/numerics.md` shows why a
lattice, and how many poses.
"""

from __future__ import annotations

from dataclasses import replace
from math import gcd, pi

import numpy as np
from numpy.typing import NDArray

from sim.lapping.average import Sample
from sim.lapping.motion import Motion

__all__ = ["block_sample", "lattice"]

Array = NDArray[np.float64]

GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
PLASTIC = 0.7548776662466927  # 1/rho of the plastic number: the two-dimensional golden ratio
FEWEST_AN_ANGLE = 8


def lattice(number: int) -> NDArray[np.int64]:
    """Second coordinate (in units of 1 / number) of a rank-1 lattice with a generator near the golden cut."""
    generator = round(number * GOLDEN)
    while gcd(generator, number) != 1:
        generator += 1
    second: NDArray[np.int64] = np.arange(number, dtype=np.int64) * generator % number
    return second


def _spread(number: int, first: int, strokes: int, shift: tuple[float, float]) -> Array:
    """`number` places in `strokes` strokes from stroke `first`: phases equally spaced, strokes by lattice."""
    phase = (np.arange(number) + shift[0]) / number
    stroke = np.floor(((lattice(number) + shift[1]) / number % 1.0) * strokes)
    return first + np.minimum(stroke, strokes - 1) + phase


def block_sample(
    motion: Motion, weight: float, first: int, strokes: int, number: int, shift: tuple[float, float]
) -> Sample:
    """Sample strokes first ... first + strokes - 1 of a motion by about `number` poses.

    `weight` [N]: top and hand, for the moments.  `shift` in [0, 1): moves the lattice from block to block.
    """
    places, shares = _by_angle(motion, first, strokes, number, shift)
    poses = motion.poses(places)
    # A few poses do not know the path's length; scaled to it, they take off the right amount of metal.
    seen = float(shares @ np.hypot(poses.vx, poses.vy))
    if seen > 0.0:
        scale = motion.mean_speed(first, strokes) / seen
        poses = replace(poses, vx=poses.vx * scale, vy=poses.vy * scale)
    return Sample(poses, shares, motion.moment(poses, weight))


def _by_angle(
    motion: Motion, first: int, strokes: int, number: int, shift: tuple[float, float]
) -> tuple[Array, Array]:
    every = motion.index_every
    plain = _spread(number, first, strokes, shift), np.full(number, 1.0 / number)
    if not motion.fixed_angle or not every or strokes <= 1:
        return plain
    at = np.arange(first, first + strokes, dtype=float)
    theta = motion.poses(at + 0.5).theta
    angle = np.round(theta / (2.0 * pi) % 1.0, 9) % 1.0
    angles, seen, which, counts = np.unique(angle, return_index=True, return_inverse=True, return_counts=True)
    if angles.size == 1 or angles.size * FEWEST_AN_ANGLE > number:
        return plain
    places, shares = [], []
    each = number // angles.size
    # In the order in which they come up, so that a mirrored motion has mirrored poses.
    for order, k in enumerate(np.argsort(seen)):
        visited = at[which == k]
        # Each angle gets its own phases, between those of the others.
        own = ((shift[0] + order / angles.size) % 1.0, shift[1])
        spread = _spread(each, 0, visited.size, own)
        stroke = np.floor(spread).astype(int)
        places.append(visited[stroke] + (spread - stroke))
        shares.append(np.full(each, counts[k] / (strokes * each)))
    return np.concatenate(places), np.concatenate(shares)
