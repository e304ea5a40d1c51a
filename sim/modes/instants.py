"""Instants of the real motion that stand for a long time of it.

A block of the time loop samples the strokes that it wears; here a few instants must stand for all the
strokes of a spell.  A stroke comes back on itself, a top that turns, an operator who walks and a zigzag do
so each in their own time.  Instants equally spaced over `n` strokes, after which all of them are back, are a
lattice in all these phases at once; `n` and the number of instants are chosen so that it has no gaps.
Angles that are set over every so many strokes get the shares of the time in which they are visited.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from math import ceil, pi

import numpy as np
from numpy.typing import NDArray

from sim.lapping.motion import Motion, Poses

__all__ = ["POSES", "Instants", "instants_of"]

Array = NDArray[np.float64]

POSES = 64
FEWEST_AN_ANGLE = 8
MORE = 1.25  # so many times more instants are taken if they make a better lattice
REACH = 12  # waves of up to so many periods in each phase must not be taken for constants
MOST_STROKES = 20_000  # looked through for a number after which everything is back
CANDIDATES = 48
OPEN = 1e-3  # of a turn: what is back to this is back
GOLDEN = (5.0**0.5 - 1.0) / 2.0
SAME_ANGLE = 9  # decimals of a turn


@dataclass(frozen=True)
class Instants:
    """Poses (n,) and their `share` of the time (n,).

    The moment about the top's centre (n, 2) in two parts: `hand` [N m] of a force off the centre, and `push`
    [m] for each newton of load, of a hand that pushes above the faces.
    """

    poses: Poses
    share: Array
    hand: Array
    push: Array

    def moment(self, weight: float) -> Array:
        """Moments (n, 2) [N m] under a load of `weight` [N], top and hand together."""
        moment: Array = self.hand + weight * self.push
        return moment


def instants_of(motion: Motion, first: int, strokes: int, number: int = POSES) -> Instants:
    """About `number` instants that stand for strokes first ... first + strokes - 1 of a motion."""
    places, share = _places(motion, first, strokes, number)
    poses = motion.poses(np.asarray(places, dtype=np.float64))
    # A few poses do not know the path's length; scaled to it, they take off the right amount of metal.
    seen = float(share @ np.hypot(poses.vx, poses.vy))
    if seen > 0.0:
        scale = motion.mean_speed(first, strokes) / seen
        poses = replace(poses, vx=poses.vx * scale, vy=poses.vy * scale)
    hand = motion.moment(poses, 0.0)
    return Instants(poses, share, hand, motion.moment(poses, 1.0) - hand)


def _places(motion: Motion, first: int, strokes: int, number: int) -> tuple[Array, Array]:
    """Strokes (n,) since the step began, and shares (n,)."""
    step = motion.step
    rates = [t.angle / (2.0 * pi) for t in (step.turn, step.walk) if t.angle != 0.0 and not t.indexed]
    if step.curve.period != 1.0:
        rates.append(1.0 / step.curve.period)
    if motion.index_every:
        return _over_indexes(motion, first, strokes, number, bool(rates))
    if rates:
        found = _lattice(tuple(rates), strokes, number)
        if found is not None:
            over, many = found
            return first + over * (np.arange(many) + 0.5) / many, np.full(many, 1.0 / many)
    if not rates and step.hand.steady:
        return first + (np.arange(number) + 0.5) / number, np.full(number, 1.0 / number)
    return _spread(first, strokes, number), np.full(number, 1.0 / number)


def _spread(first: int, strokes: int, number: int) -> Array:
    """Phases equally spaced, strokes by the golden cut."""
    phase = (np.arange(number) + 0.5) / number
    stroke = np.floor((np.arange(number) * GOLDEN + 0.5) % 1.0 * strokes)
    places: Array = np.asarray(first + np.minimum(stroke, strokes - 1) + phase, dtype=np.float64)
    return places


def _over_indexes(
    motion: Motion, first: int, strokes: int, number: int, moves_on: bool
) -> tuple[Array, Array]:
    """Deal the instants out over the angles that are visited, each in its share of the time."""
    at = np.arange(first, first + strokes)
    middle = motion.poses(np.asarray(at + 0.5, dtype=np.float64))
    angles = np.round(np.stack([middle.theta, middle.alpha], 1) / (2.0 * pi) % 1.0, SAME_ANGLE) % 1.0
    _, seen, which, counts = np.unique(
        angles, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    which = which.ravel()
    each = number // counts.size
    if moves_on or each < FEWEST_AN_ANGLE:
        # Strokes in the order of their angles: even numbers of them are even numbers of angles.
        order = at[np.argsort(which, kind="stable")] if not moves_on else at
        rank = np.floor((np.arange(number) * GOLDEN + 0.5) % 1.0 * strokes).astype(int)
        phase = (np.arange(number) + 0.5) / number
        return order[np.minimum(rank, strokes - 1)] + phase, np.full(number, 1.0 / number)
    places, share = [], []
    for order_seen, k in enumerate(np.argsort(seen)):
        visited = at[which == k]
        # Each angle has its own phases, between those of the others.
        spread = _spread(0, visited.size, each) + order_seen / (counts.size * each)
        stroke = np.floor(spread).astype(int)
        places.append(visited[stroke % visited.size] + (spread - stroke))
        share.append(np.full(each, counts[k] / (strokes * each)))
    return np.concatenate(places), np.concatenate(share)


@lru_cache(maxsize=256)
def _lattice(rates: tuple[float, ...], strokes: int, number: int) -> tuple[int, int] | None:
    """Strokes over which to space instants, and how many instants; None: nothing comes back in time.

    `rates`: turns a stroke of each phase.  The lattice wanted is the one whose shortest dual vector, the
    first wave that it takes for a constant, is longest.
    """
    over = np.arange(1, min(strokes, MOST_STROKES) + 1)
    turns = over[:, None] * np.array(rates)
    off = np.abs(turns - np.rint(turns)).max(axis=1)
    back = over[off <= max(OPEN, float(off.min()) if off.min() < 4.0 * OPEN else 0.0)][:CANDIDATES]
    if not back.size:
        return None
    waves = _waves(1 + len(rates))
    length = np.abs(waves).sum(axis=1)
    best, found = -1.0, None
    for many in range(number, ceil(MORE * number) + 1):
        vectors = np.column_stack([back, np.rint(back[:, None] * np.array(rates)).astype(int)])
        blind = (vectors @ waves.T) % many == 0
        merit = np.where(blind, length, 2 * REACH).min(axis=1)
        k = int(np.argmax(merit))
        if merit[k] > best:
            best, found = float(merit[k]), (int(back[k]), many)
    return found


@lru_cache(maxsize=4)
def _waves(phases: int) -> NDArray[np.int64]:
    """Waves (n, phases) of a few periods in each phase, one of each pair h, -h."""
    reach = REACH if phases < 3 else REACH // 2
    waves = np.array(list(product(range(-reach, reach + 1), repeat=phases)))
    return waves[len(waves) // 2 + 1 :]
