"""Instants of the real motion that stand for a long time of it.

A block of the time loop samples the strokes that it wears; here a few instants must stand for all the
strokes of a spell.  A stroke comes back on itself, a top that turns, an operator who walks and a zigzag do
so each in their own time.  Instants equally spaced over `n` strokes, after which all of them are back, are a
lattice in all these phases at once; `n` and the number of instants are chosen so that it has no gaps.
Angles that are set over every so many strokes get the shares of the time in which they are visited.  Where a
dab fades, strokes count by what it cuts in them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from math import ceil, gcd, lcm, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.motion import Motion, Poses
from lapwright.lapping.schedule import GOLDEN, at_share, cut_shares, looked_at, stroke_period
from lapwright.lapping.step import Step, Turn

__all__ = ["POSES", "Instants", "base_instants", "distinct_angles", "instants_of", "rates_of"]

Array = NDArray[np.float64]

POSES = 64  # of a stroke; where angles turn with it, as many times more as `DENSER` says
DENSER = (1.0, 2.5, 4.0)  # by the number of other phases that run on: none, one, two or more
FEW_ANGLES = 24  # that are set over: each has phases enough of its own
MOST_SET_OVER = 128  # angles looked at one by one
MORE = 1.25  # so many times more instants are taken if they make a better lattice
REACH = ((8, 20), (6, 10))  # waves of up to so many periods in the stroke and in each other phase ...
FADES = 3.0  # periods in which a wave counts for e times less
STROKE_COUNTS = 2  # ... must not be taken for constants; those of the stroke are weaker and count double
MOST_STROKES = 20_000  # looked through for a number after which everything is back
CANDIDATES = 32
OPEN = 1e-3  # of a turn: what is back to this is back
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
    return _scaled(motion, first, strokes, motion.poses(np.asarray(places, dtype=np.float64)), share)


def _scaled(motion: Motion, first: int, strokes: int, poses: Poses, share: Array) -> Instants:
    # A few poses do not know the path's length; scaled to it, they take off the right amount of metal.
    seen = float(share @ np.hypot(poses.vx, poses.vy))
    if seen > 0.0:
        scale = motion.mean_speed(first, strokes) / seen
        poses = replace(poses, vx=poses.vx * scale, vy=poses.vy * scale)
    hand = motion.moment(poses, 0.0)
    return Instants(poses, share, hand, motion.moment(poses, 1.0) - hand)


def base_instants(
    motion: Motion, first: int, strokes: int, number: int = POSES, runs_on: bool = False
) -> Instants:
    """The same with nothing turned: as the operator sees it who stands at alpha, the top held at beta = 0.

    `runs_on`: nothing turned as each stroke begins, and on from there.
    """
    plain = Motion(replace(motion.step, turn=Turn(), walk=Turn()), motion.key)
    places, share = _places(plain, first, strokes, number)
    found = _scaled(motion, first, strokes, motion.poses(np.asarray(places, dtype=np.float64)), share)
    p = found.poses
    begun = motion.poses(np.floor(p.strokes)) if runs_on else p
    cx, cy = _turned_back(p.cx, p.cy, begun.alpha)
    vx, vy = _turned_back(p.vx, p.vy, begun.alpha)
    hand, push = (
        np.stack(_turned_back(m[:, 0], m[:, 1], begun.alpha), axis=1) for m in (found.hand, found.push)
    )
    theta, alpha = p.theta - begun.theta, p.alpha - begun.alpha
    return Instants(replace(p, cx=cx, cy=cy, vx=vx, vy=vy, theta=theta, alpha=alpha), share, hand, push)


def _turned_back(x: Array, y: Array, angle: Array) -> tuple[Array, Array]:
    cos, sin = np.cos(angle), np.sin(angle)
    return cos * x + sin * y, cos * y - sin * x


def distinct_angles(motion: Motion, first: int, strokes: int) -> tuple[Array, Array, Array]:
    """Angles theta, alpha (m,) [rad] of indexed turns that are visited, and their shares of the time."""
    at = _visited(motion, first, strokes)
    middle = motion.poses(np.asarray(at + 0.5, dtype=np.float64))
    turns = np.stack([middle.theta, middle.alpha], 1) / (2.0 * pi)
    seen, which = _kinds(np.round(turns % 1.0, SAME_ANGLE) % 1.0)
    worth = cut_shares(motion.step, at)
    relative = worth / worth.max()  # whole numbers where all are alike
    return middle.theta[seen], middle.alpha[seen], np.bincount(which, relative) / relative.sum()


def _visited(motion: Motion, first: int, strokes: int) -> NDArray[np.int64]:
    """Strokes whose angles stand for all: of very many only some, in whole rounds of an index and of dabs."""
    if strokes > MOST_STROKES:
        cycle = max(1, motion.angle_cycle * motion.index_every)
        if motion.dab is not None:
            cycle = lcm(cycle, max(1, stroke_period(motion.step.fresh_every, motion.step.pace)))
        strokes = max(1, MOST_STROKES // cycle) * min(cycle, MOST_STROKES)
    return np.arange(first, first + strokes)


def _places(motion: Motion, first: int, strokes: int, number: int) -> tuple[Array, Array]:
    """Strokes (n,) since the step began, and shares (n,)."""
    step = motion.step
    rates = rates_of(step)
    if motion.index_every:
        return _over_indexes(motion, first, strokes, number)
    number = round(number * DENSER[min(len(rates), 2)])
    if rates:
        found = _lattice(tuple(rates), strokes, number)
        if found is not None:
            over, many = found
            places = first + over * (np.arange(many) + 0.5) / many
            return places, _shares(motion, places, first, strokes)
    if not rates and step.hand.steady:
        phase, share = _of_a_stroke(number)
        return first + phase, share
    at = looked_at(first, strokes)
    return _spread(at, cut_shares(step, at), number), np.full(number, 1.0 / number)


def _shares(motion: Motion, places: Array, first: int, strokes: int) -> Array:
    """Shares (n,) of places on a lattice: equal ones, where a dab fades those of least error."""
    if motion.dab is None:
        return np.full(places.size, 1.0 / places.size)
    from lapwright.lapping.poses import weights_of  # compiled kernels, that preview can mostly do without

    looked = looked_at(first, strokes)
    return weights_of(motion, places, looked, cut_shares(motion.step, looked), round_faces=False)[0]


def rates_of(step: Step) -> list[float]:
    """Turns a stroke of what runs on beside the stroke: theta, alpha, a zigzag's traverse."""
    turn, walk = (0.0 if t.indexed else t.angle / (2.0 * pi) for t in (step.turn, step.walk))
    traverse = 0.0 if step.curve.period == 1.0 else 1.0 / step.curve.period
    theta = turn + walk
    return [rate for rate in (theta, walk if walk != theta else 0.0, traverse) if rate != 0.0]


def _spread(at: NDArray[np.int64], worth: Array, number: int) -> Array:
    """Phases equally spaced, strokes `at` (n,) that count by `worth` by the golden cut."""
    k = np.arange(number)
    places: Array = at[at_share(worth, (k * GOLDEN + 0.5) % 1.0)] + (k + 0.5) / number
    return places


def _over_indexes(motion: Motion, first: int, strokes: int, number: int) -> tuple[Array, Array]:
    """Deal the instants out over the angles that are set: to each the same places, in its share of the time.

    Were the phases of one between those of another, no two angles would lie at the same places, and what a
    half or a quarter turn takes out by symmetry would be left over.
    """
    at = _visited(motion, first, strokes)
    worth = cut_shares(motion.step, at)
    seen, which = _kinds(np.stack([_set_over(t, at) for t in (motion.step.turn, motion.step.walk)], 1))
    others = rates_of(motion.step)
    if seen.size > MOST_SET_OVER:
        order, many = np.argsort(which, kind="stable"), round(number * DENSER[min(len(others), 2)])
        dealt = _spread(at[order], worth[order], many)
        return dealt, _shares(motion, dealt, first, strokes)
    period = motion.step.curve.period
    closes = not others or (len(others) == 1 and 1.0 < period == int(period))
    few = motion.step.hand.steady and closes and (seen.size <= FEW_ANGLES or period > 1.0)
    if few:
        seen, which = _kinds(np.stack([which, at % int(period)], 1))
        phases, weight = _of_a_stroke(number // 2 if period == 1.0 else number // 4)
    else:
        part = min(seen.size, 4 if seen.size <= 2 * FEW_ANGLES else 8)
        each = round(number * DENSER[min(len(others), 2)] / part)
        phases, weight = (np.arange(each) + 0.5) / each, np.full(each, 1.0 / each)
    places, share = [], []
    for k in range(seen.size):
        visited, own = at[which == k], worth[which == k]
        phase = phases if few else phases + _between(motion, visited[0], seen.size) / phases.size
        stroke = at_share(own, (np.arange(phase.size) * GOLDEN + 0.5) % 1.0)
        places.append(visited[stroke] + phase)
        share.append(weight * own.sum())
    return np.concatenate(places), np.concatenate(share)


def _between(motion: Motion, stroke: int, angles: int) -> float:
    """How far, in gaps, the phases of a stroke are moved on, of very many `angles`: quarter turns alike."""
    if angles <= FEW_ANGLES:
        return 0.0
    over = (_set_over(t, np.array([stroke]))[0] for t in (motion.step.turn, motion.step.walk))
    apart = max(1, angles // 4)
    generator = max(1, round(GOLDEN * apart))
    while gcd(generator, apart) != 1:
        generator += 1
    moved: float = round((generator * 4.0 * float(sum(over)) + 0.5) % 1.0, 6) % 1.0 - 0.5
    return moved


def _set_over(turn: Turn, at: NDArray[np.int64]) -> Array:
    """Angle of an indexed turn at strokes (n,), in turns; 0 of one that runs on."""
    turns = turn.angle / (2.0 * pi) * (at // turn.every) if turn.indexed else np.zeros(at.size)
    rounded: Array = np.round(turns % 1.0, SAME_ANGLE) % 1.0
    return rounded


def _kinds(keys: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each distinct row of `keys` is first seen, and which of them every row is."""
    _, seen, which = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return seen, which.ravel()


@lru_cache(maxsize=16)
def _of_a_stroke(number: int) -> tuple[Array, Array]:
    """About `number` phases of a stroke (n,) [strokes] and their shares (n,): Gauss points of each quarter.

    Where a stroke turns back, or its middle crosses the middle of the other face, speed and overlap have
    kinks; of all plain strokes those lie between quarters.
    """
    nodes, weights = np.polynomial.legendre.leggauss(max(1, -(-number // 4)))
    quarter = np.arange(4)[:, None]
    return (0.25 * (quarter + 0.5 * (1.0 + nodes))).ravel(), np.tile(0.125 * weights, 4)


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
    waves, length = _waves(len(rates))
    vectors = np.column_stack([back, np.rint(back[:, None] * np.array(rates)).astype(int)])
    along = vectors @ waves.T
    strength = np.exp(-length / FADES)
    least, found = np.inf, None
    for many in range(number, ceil(MORE * number) + 1, max(1, number // 64)):
        wrong = np.where(along % many == 0, strength, 0.0).sum(axis=1)
        # Every instant a phase of its own: speed has kinks, which few phases do not see.
        wrong += np.gcd(back, many) - 1
        k = int(np.argmin(wrong))
        if wrong[k] < least:
            least, found = float(wrong[k]), (int(back[k]), many)
    return found


@lru_cache(maxsize=4)
def _waves(others: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Waves (n, 1 + others) of a few periods, one of each pair h, -h, and their lengths (n,)."""
    stroke, angle = REACH[min(others, 2) - 1]
    periods = [range(-stroke, stroke + 1), *[range(-angle, angle + 1)] * others]
    waves = np.array(list(product(*periods)))
    waves = waves[len(waves) // 2 + 1 :]
    return waves, np.abs(waves) @ np.array([STROKE_COUNTS, *[1] * others])
