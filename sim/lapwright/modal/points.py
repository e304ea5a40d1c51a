"""Instants that stand for a long time of a motion, and the contact points in each of them.

Contact points: one set for both faces, so that what mates at every place feels nothing, to rounding.

Faces without grooves: Gauss points of the overlap of their outlines (`rows`).  With grooves: the cells of a
grid that goes with the face with less land; which share of a cell lies in the overlap is told from the larger
of both distances to an edge, so that edges that lie on each other are counted once, and the shares of land
between grooves multiply.

Whether a stroke leaves land that the other face hardly ever lies on.

Such land never beds in: beside every pair that mates where it is rubbed it stays as it is for ever, or goes
so slowly that how slowly depends on how fine the shapes are.  What such a pair would come to in the end is
then no number that can be told, nor one that anybody waits for; `lapwright.modal.propagator` tells another.

Instants of the real motion that stand for a long time of it.

A block of the time loop samples the strokes that it wears; here a few instants must stand for all the
strokes of a spell.  A stroke comes back on itself, a top that turns, an operator who walks and a zigzag do
so each in their own time.  Instants equally spaced over `n` strokes, after which all of them are back, are a
lattice in all these phases at once; `n` and the number of instants are chosen so that it has no gaps.
Angles that are set over every so many strokes get the shares of the time in which they are visited.  Where a
dab fades, strokes count by what it cuts in them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from math import ceil, gcd, lcm, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import on_bench, on_face
from lapwright.kinematics.motion import Motion, Poses
from lapwright.kinematics.overhang import land_outline
from lapwright.kinematics.schedule import GOLDEN, at_share, cut_shares, looked_at, stroke_period
from lapwright.modal.basis import PLANES, Basis
from lapwright.modal.cells import GROOVED_POINTS, Rule, between, cells_of, open_land, overlap_rule
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn

Array = NDArray[np.float64]

POSES = 64  # of a stroke; where angles turn with it, as many times more as `DENSER` says
DENSER = (1.0, 2.5, 4.0)  # by the number of other phases that run on: none, one, two or more
FEW_ANGLES = 24  # that are set over: each has phases enough of its own
MOST_SET_OVER = 128  # angles looked at one by one
MORE = 1.25  # so many times more instants are taken if they make a better lattice
REACH = (
    (8, 20),
    (6, 10),
)  # waves of up to so many periods in the stroke and in each other phase ...
FADES = 3.0  # periods in which a wave counts for e times less
STROKE_COUNTS = (
    2  # ... must not be taken for constants; those of the stroke are weaker and count double
)
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


def instants_of(
    motion: Motion, first: int, strokes: int, number: int = POSES, lead: Motion | None = None
) -> Instants:
    """About `number` instants that stand for strokes first ... first + strokes - 1 of a motion.

    `lead`: the motion of what takes this top along, at whose instants it is looked.
    """
    return _at(motion, first, strokes, *_places(lead or motion, first, strokes, number))


def _at(motion: Motion, first: int, strokes: int, places: Array, share: Array) -> Instants:
    poses = motion.paced(motion.poses(places), share, first, strokes)
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
    turned = _at(motion, first, strokes, places, share)
    p = turned.poses
    begun = motion.poses(np.floor(p.strokes)) if runs_on else p
    cx, cy = _turned_back(p.cx, p.cy, begun.alpha)
    vx, vy = _turned_back(p.vx, p.vy, begun.alpha)
    hand, push = (
        np.stack(_turned_back(m[:, 0], m[:, 1], begun.alpha), axis=1)
        for m in (turned.hand, turned.push)
    )
    theta, alpha = p.theta - begun.theta, p.alpha - begun.alpha
    return Instants(
        replace(p, cx=cx, cy=cy, vx=vx, vy=vy, theta=theta, alpha=alpha), share, hand, push
    )


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
        lattice = _lattice(tuple(rates), strokes, number)
        if lattice is not None:
            over, many = lattice
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
    from lapwright.contact.sampling import (
        weights_of,
    )  # compiled kernels, that preview can mostly do without

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
    seen, which = _kinds(
        np.stack([_set_over(t, at) for t in (motion.step.turn, motion.step.walk)], 1)
    )
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
    least, best = np.inf, None
    for many in range(number, ceil(MORE * number) + 1, max(1, number // 64)):
        wrong = np.where(along % many == 0, strength, 0.0).sum(axis=1)
        # Every instant a phase of its own: speed has kinks, which few phases do not see.
        wrong += np.gcd(back, many) - 1
        k = int(np.argmin(wrong))
        if wrong[k] < least:
            least, best = float(wrong[k]), (int(back[k]), many)
    return best


@lru_cache(maxsize=4)
def _waves(others: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Waves (n, 1 + others) of a few periods, one of each pair h, -h, and their lengths (n,)."""
    stroke, angle = REACH[min(others, 2) - 1]
    periods = [range(-stroke, stroke + 1), *[range(-angle, angle + 1)] * others]
    waves = np.array(list(product(*periods)))
    waves = waves[len(waves) // 2 + 1 :]
    return waves, np.abs(waves) @ np.array([STROKE_COUNTS, *[1] * others])


AT_ONCE = 16  # poses


@dataclass(frozen=True)
class Touch:
    """Some poses and their n contact points.

    `poses` (k,) numbers of the instants, `start` (k + 1,) where the points of each begin; at the points
    (n,): `share` of the time, `area` [m2], `speed` [m/s], the place on the `bottom` (x, y) and on the `top`
    (u, v) [m].
    """

    poses: NDArray[np.intp]
    start: NDArray[np.intp]
    share: Array
    area: Array
    speed: Array
    bottom: Basis
    top: Basis
    x: Array
    y: Array
    u: Array
    v: Array

    @property
    def shapes(self) -> Array:
        """Shapes (size, n) of the bottom, then of the top."""
        return np.concatenate(
            [self.bottom.evaluate(self.x, self.y), self.top.evaluate(self.u, self.v)]
        )

    @property
    def planes(self) -> Array:
        """The bottom's plane shapes (3, n)."""
        return planes_at(self.bottom, self.x, self.y)

    def squeezes(self, states: Array) -> Array:
        """How far both faces stand towards each other (k, n) [m], of columns of states (size, k)."""
        below, above = np.split(states, [self.bottom.size])
        squeezes: Array = self.bottom.heights(below.T, self.x, self.y)
        squeezes += self.top.heights(above.T, self.u, self.v)
        return squeezes


def touches(
    bottom: Basis, top: Basis, instants: Instants, fineness: float = 1.0, ends: bool = False
) -> Iterator[Touch]:
    """Yield the contact points of all instants, a few poses at a time, in order.

    `fineness`: so many times as many points, to see what they matter.  `ends`: points of no area at the edge
    of plain faces as well.
    """
    number = instants.share.size
    for first in range(0, number, AT_ONCE):
        which = np.arange(first, min(first + AT_ONCE, number))
        p = _some(instants.poses, which)
        rule = contact_rule(bottom, top, p, fineness, ends)
        own = rule.pose
        u, v = on_face(rule.x, rule.y, p.cx[own], p.cy[own], p.theta[own])
        speed = np.hypot(
            p.vx[own] - p.spin[own] * (rule.y - p.cy[own]),
            p.vy[own] + p.spin[own] * (rule.x - p.cx[own]),
        )
        share = instants.share[which][own]
        yield Touch(which, rule.start, share, rule.area, speed, bottom, top, rule.x, rule.y, u, v)


def _some(poses: Poses, which: NDArray[np.intp]) -> Poses:
    return Poses(**{name: values[which] for name, values in vars(poses).items()})


def contact_rule(
    bottom: Basis, top: Basis, poses: Poses, fineness: float = 1.0, ends: bool = False
) -> Rule:
    """Lay the contact points of some poses on the bench, with their areas."""
    if bottom.plate.grooves is None and top.plate.grooves is None:
        degree = round(fineness * (bottom.degree + top.degree))
        outlines = bottom.plate.outline, top.plate.outline
        return overlap_rule(*outlines, poses.cx, poses.cy, poses.theta, degree, ends)
    return _cell_rule(bottom.plate, top.plate, poses, round(fineness * GROOVED_POINTS))


def planes_at(bottom: Basis, x: Array, y: Array) -> Array:
    """The bottom's plane shapes at bench points, (3, ...); linear, so as good far outside the face."""
    return replace(bottom, degree=1, mix=bottom.mix[:PLANES, :PLANES]).evaluate(x, y)


def _cell_rule(bottom: Plate, top: Plate, poses: Poses, points: int) -> Rule:
    on_top = top.land_area <= bottom.land_area
    cells = cells_of(top if on_top else bottom, points)
    other = bottom if on_top else top
    cx, cy, theta = poses.cx[:, None], poses.cy[:, None], poses.theta[:, None]
    if on_top:
        x, y = on_bench(cells.x, cells.y, cx, cy, theta)
        there = x, y
    else:
        x, y = np.broadcast_to(cells.x, (theta.size, cells.x.size)), cells.y
        there = on_face(x, y, cx, cy, theta)
    edge = np.maximum(land_outline(other).signed_distance(*there), cells.edge)
    area = np.clip(0.5 - edge / cells.side, 0.0, 1.0) * cells.area
    if other.grooves is not None:
        area = area * between(open_land(other, other.grid), other.grid, *there)
    pose, point = np.nonzero(area > 0.0)
    start = np.searchsorted(pose, np.arange(theta.size + 1)).astype(np.intp)
    y = np.broadcast_to(y, area.shape)
    return Rule(x[pose, point], y[pose, point], area[pose, point], pose, start)


FINENESS = 24  # degree of the points at which it is asked: some 400 on a face
HARDLY = 0.02  # of the time that the most rubbed land is covered
SOME = 0.02  # of the land of a face


def leaves_land(bottom: Plate, top: Plate, instants: Instants) -> bool:
    """Whether more than `SOME` of the land of either face is `HARDLY` ever covered by the other."""
    p = instants.poses
    cx, cy, theta = p.cx[:, None], p.cy[:, None], p.theta[:, None]
    below, above = land_outline(bottom), land_outline(top)
    for own, other, over in ((below, above, False), (above, below, True)):
        zero = np.zeros(1)
        rule = overlap_rule(own, own, zero, zero, zero, FINENESS)
        there = (on_bench if over else on_face)(rule.x, rule.y, cx, cy, theta)
        covered = instants.share @ (other.signed_distance(*there) < 0.0)
        hardly = covered < HARDLY * covered.max()
        if float(rule.area[hardly].sum()) > SOME * float(rule.area.sum()):
            return True
    return False
