"""Which instants of the real motion stand for a block of strokes.

Poses are taken at t = t_block + (n + phase) / pace.  Phases are equally spaced; strokes are put in the order
of the angles at which they find the top, and dealt out by a lattice, so that every angle meets every phase.
Two lattices of unlike generators share the poses: they cannot both take the same wave for a constant, and
their difference tells the error.  Weights make the means of all low waves exact (`quadrature`).  Angles that
are set over every so many strokes, few of them, get their true shares of the time.  `docs/numerics.md` shows
what all this is worth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.average import Sample
from lapwright.lapping.motion import Motion
from lapwright.lapping.quadrature import (
    ANGLES,
    ANGLES_ROUND,
    ROUGH,
    TRAVERSE,
    best_weights,
    generators,
    waves_of,
)
from lapwright.lapping.schedule import GOLDEN, at_share, cut_shares, looked_at

__all__ = ["FEWEST_A_STROKE", "PLASTIC", "block_sample", "weights_of"]

Array = NDArray[np.float64]

PLASTIC = 0.7548776662466927  # 1/rho of the plastic number: the two-dimensional golden ratio
FEWEST_AN_ANGLE = 8
FEWEST_A_STROKE = 12  # poses, for every stroke of a block to have its own
LAW = 3.0  # strength of what the moment law lives on, beside waves
MOST_CHANGE = 0.5  # of a share
BINS = 8  # of one angle, within which strokes are put in the order of the next
HALVES_APART = (
    0.5  # two interleaved halves of equally spaced phases differ at least twice as much as both err
)


def block_sample(
    motion: Motion,
    weight: float,
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int = 0,
    round_faces: bool = True,
) -> Sample:
    """Sample strokes first ... first + strokes - 1 of a motion by about `number` poses.

    `weight` [N]: top and hand, for the moments.  `shift` in [0, 1): moves the places from block to block;
    `block`: which of the good generators take their turn.
    """
    places, shares, check = _places(motion, first, strokes, number, shift, block, round_faces)
    poses = motion.poses(places)
    # A few poses do not know the path's length; scaled to it, they take off the right amount of metal.
    seen = float(shares @ np.hypot(poses.vx, poses.vy))
    if seen > 0.0:
        scale = motion.mean_speed(first, strokes) / seen
        poses = replace(poses, vx=poses.vx * scale, vy=poses.vy * scale)
    return Sample(poses, shares, motion.moment(poses, weight), check)


def _places(
    motion: Motion,
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int,
    round_faces: bool,
) -> tuple[Array, Array, Array]:
    """Strokes (n,) since the step began, their shares of the time and the check (n,) of a block."""
    set_over, runs_on = motion.index_every > 0, bool(motion.rates.any())
    if set_over and not runs_on and motion.step.hand.steady:
        dealt = _by_angle(motion, first, strokes, number, shift)
        if dealt is not None:
            return dealt
    if not (set_over or runs_on) and motion.step.hand.steady:
        places = first + (np.arange(number) + shift[0]) / number
        shares, check = _equal(number)
        return places, _mended(motion, places, shares), check
    return _weighted(motion, first, strokes, number, shift, block, round_faces)


def _equal(number: int) -> tuple[Array, Array]:
    """Equal shares, and the difference of every second pose from the others."""
    signs = np.where(np.arange(number) % 2 == 0, 1.0, -1.0)
    return np.full(number, 1.0 / number), HALVES_APART * 2.0 * signs / number


def _mended(motion: Motion, places: Array, shares: Array) -> Array:
    """Shares (n,) changed as little as may be, to the means of the path that the moment law lives on."""
    values, means = motion.arc_means(places)
    off = means - np.einsum("n,nk->k", shares, values)
    normal = np.einsum("nj,n,nk->jk", values, shares, values)
    solved = np.linalg.lstsq(normal, off, rcond=1e-10)[0]
    factor = 1.0 + np.einsum("nk,k->n", values, solved)
    if np.abs(factor - 1.0).max() > MOST_CHANGE:
        return shares  # too few places to tell the means apart
    mended: Array = shares * factor
    return mended


def _by_angle(
    motion: Motion, first: int, strokes: int, number: int, shift: tuple[float, float]
) -> tuple[Array, Array, Array] | None:
    """Deal the poses out over the angles that are set over; None where there are too many."""
    at = np.arange(first, first + strokes)
    visited = motion.slow(at.astype(np.float64) + 0.5).T
    found, seen, which = np.unique(
        np.round(visited % 1.0, 9) % 1.0, axis=0, return_index=True, return_inverse=True
    )
    worth = cut_shares(motion.step, at)
    if len(found) * FEWEST_AN_ANGLE > number:
        return None
    each = max(FEWEST_AN_ANGLE, number // len(found) // 2 * 2)
    places, shares, check = [], [], []
    # In the order in which they come up, so that a mirrored motion has mirrored poses.
    for order, k in enumerate(np.argsort(seen)):
        here = which.ravel() == k
        own, part = at[here], worth[here]
        # Each angle gets its own phases, between those of the others.
        phase = (np.arange(each) + (shift[0] + order / len(found)) % 1.0) / each
        stroke = at_share(part, (np.arange(each) * GOLDEN + shift[1]) % 1.0)
        share, apart = _equal(each)
        places.append(own[stroke] + phase)
        shares.append(_mended(motion, places[-1], share) * part.sum())
        check.append(apart * part.sum())
    return np.concatenate(places), np.concatenate(shares), np.concatenate(check)


def _weighted(
    motion: Motion,
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int,
    round_faces: bool,
) -> tuple[Array, Array, Array]:
    """Two lattices over the phase and the strokes in the order of their angles, weighted for the block."""
    looked = looked_at(first, strokes)
    worth = cut_shares(motion.step, looked)
    order = _order(motion.slow(looked.astype(float)), motion.clocks)
    ordered = looked[order]
    prior = None
    if FEWEST_A_STROKE * strokes <= number:
        places = _every_stroke(ordered, number, shift)
        prior = np.repeat(worth[order], places.size // strokes) * strokes / places.size
    else:
        runs = 2.0 * abs(float(motion.rates[0])) if motion.clocks and motion.clocks[0] != "traverse" else 0.0
        drift = max(runs, 1.0 / strokes) if runs else 0.0
        places = _two_lattices(ordered, worth[order], number, shift, block, drift)
    return places, *weights_of(motion, places, looked, worth, round_faces, prior)


def weights_of(
    motion: Motion,
    places: Array,
    looked: NDArray[np.int64],
    worth: Array,
    round_faces: bool,
    prior: Array | None = None,
) -> tuple[Array, Array]:
    """Weights (n,) of places [strokes] that stand for strokes `looked`, and their check (n,).

    `worth` (strokes,): share of each stroke; `prior` as in `best_weights`.
    """
    orders = ANGLES_ROUND if round_faces else ANGLES
    waves = waves_of(tuple(orders if name != "traverse" else TRAVERSE for name in motion.clocks))
    values = waves.at(places, motion.slow(places))
    means = waves.mean(motion.slow(looked.astype(float)), motion.rates, worth)
    strength = waves.strength
    real = np.concatenate([values.real, values.imag], axis=1)
    real_means = np.concatenate([means.real, means.imag])
    own, own_means = motion.scatter_of(places, looked, worth)
    arc, arc_means = motion.arc_means(places)
    return best_weights(
        np.concatenate([real, own, arc], axis=1),
        np.concatenate([real_means, own_means, arc_means]),
        np.concatenate([strength, strength, np.ones(own_means.size), np.full(arc_means.size, LAW)]),
        np.arange(places.size) % 2 == 0,
        ROUGH + motion.roughness,
        prior,
    )


def _every_stroke(ordered: NDArray[np.int64], number: int, shift: tuple[float, float]) -> Array:
    """Equally spaced phases on each stroke, those of one between those of the others."""
    each = number // ordered.size // 2 * 2
    first = (shift[0] + np.arange(ordered.size) * GOLDEN) % 1.0
    places: Array = ordered[:, None] + (np.arange(each) + first[:, None]) / each
    return places.ravel()


def _two_lattices(
    ordered: NDArray[np.int64],
    worth: Array,
    number: int,
    shift: tuple[float, float],
    block: int,
    drift: float,
) -> Array:
    """Two lattices of unlike generators, one pose of each in turn; `worth` (n,) of the strokes in order.

    `drift`: how far the angle runs on within a stroke, as a share of all angles; a stroke is taken as much
    earlier, so that the angles that are met lie on the lattice and not those at which strokes begin.
    """
    half = number // 2
    choice = generators(half)
    places = np.empty(2 * half)
    k = np.arange(half)
    for which in range(2):
        generator = choice[
            (block + which * (1 + block // len(choice) % max(1, len(choice) - 1))) % len(choice)
        ]
        offset = (shift[1] + which * GOLDEN) % 1.0
        phase = (k + (shift[0] + 0.5 * which) % 1.0) / half
        rank = at_share(worth, (k * generator / half + offset - drift * phase) % 1.0)
        places[which::2] = ordered[rank] + phase
    return places


def _order(slow: Array, clocks: tuple[str, ...]) -> NDArray[np.intp]:
    """Strokes by half turns (whole traverses) of the first clock, within an eighth of it by the next.

    Counted from where the block begins, the way round that each clock runs: so a set-up that is turned or
    mirrored has its poses turned or mirrored.
    """
    if not len(slow):
        return np.arange(slow.shape[1])
    run = slow - slow[:, :1]
    per_turn = np.array([1.0 if name == "traverse" else 2.0 for name in clocks])[:, None]
    folded = np.round(per_turn * run * np.where(run[:, -1:] < 0.0, -1.0, 1.0), 9) % 1.0
    if len(slow) == 1:
        return np.argsort(folded[0], kind="stable")
    keys = [folded[-1], *(np.floor(BINS * row) for row in folded[-2::-1])]
    return np.lexsort(keys)
