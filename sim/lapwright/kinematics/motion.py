"""How a step moves the top: where it lies, how it is turned and how fast it slides at any instant.

The operator stands at alpha (he walks) and holds the top at beta to himself (he turns it):
theta = alpha + beta.  The curve is drawn as he sees it, so it goes round the bench with him.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import exp, gcd, lcm, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.schedule import GOLDEN, cut_shares, looked_at
from lapwright.specification.curves import arc_middle, arc_moments, path_length
from lapwright.specification.step import Hand, Step, Turn

Array = NDArray[np.float64]

BOUNDARY = 1e-9  # strokes; a place this close before a whole stroke belongs to the next one
STANDS = 1e-12  # m/s; slower than this the top does not travel, and the push has no direction
SAME_ANGLE = 1e-9  # rad
MOST_INDEXES = 360
MOST_SCATTER = 0.9  # amplitude and pace stay above a tenth of the nominal
SPEED_PLACES = 8192  # in all, where a mean speed has no closed form ...
PLACES_A_STROKE = 32  # ... and at least in each stroke, where they differ
WALK_PLACES = 4096  # of a step, for the mean place of a stroke that is walked round
SPINS = 5.0  # rev/min; nobody goes round a bench so fast
CHUNK = 4096  # strokes of scatter made at a time
HAND_STREAM = 0x68616E64  # sets the hand's random numbers apart from others with the same key
AMPLITUDE, PACE, DIRECTION, CENTRE_X, CENTRE_Y = range(5)


@dataclass(frozen=True)
class Poses:
    """Instants of the real motion, arrays of shape (n,).

    `strokes` since the step began, `phase` [rad] in 0..2 pi; `cx`, `cy` [m] place of the top's centre on
    the bench, `vx`, `vy` [m/s] its velocity; `theta` [rad] how the top is turned on the bench, `alpha` [rad]
    where the operator stands, `spin` [rad/s] rate of theta.
    """

    strokes: Array
    phase: Array
    cx: Array
    cy: Array
    vx: Array
    vy: Array
    theta: Array
    alpha: Array
    spin: Array


def _turned(points: Array, angle: Array) -> Array:
    """Turn points (n, 2) anticlockwise by angles (n,) or ()."""
    cos, sin = np.cos(angle), np.sin(angle)
    x, y = points[:, 0], points[:, 1]
    return np.stack([cos * x - sin * y, sin * x + cos * y], axis=1)


def _across(points: Array) -> Array:
    """The unit vector out of the bench crossed into each point: (-y, x)."""
    return np.stack([-points[:, 1], points[:, 0]], axis=1)


def _angle(turn: Turn, strokes: Array) -> Array:
    """Angle reached [rad]; indexed turns have happened by the whole stroke itself."""
    if turn.indexed:
        return turn.angle * np.floor((strokes + BOUNDARY) / turn.every)
    return turn.angle * strokes


def _rate(turn: Turn, pace: float) -> float:
    """Rate of the angle [rad/s]; an indexed top is turned while it is lifted, and rubs nothing then."""
    return 0.0 if turn.indexed else turn.angle * pace


def rev(turn: Turn, step: Step) -> float:
    """How fast something turns, where no hand turns so fast [rev/min]; 0 else."""
    speed = abs(_rate(turn, step.pace)) * 60.0 / (2.0 * pi)
    return speed if speed >= SPINS * (1.0 - BOUNDARY) else 0.0


def spins(step: Step) -> bool:
    """Whether the bottom can only be turned by a machine: nobody walks round with the stroke so fast.

    That somebody walks or that the bottom turns under him is the same to the plates.
    """
    return step.carry_centre and rev(step.walk, step) > 0.0


class _Scatter:
    """Standard normal deviates of each stroke, (strokes, 5), each column a first-order autoregression.

    They are made from the first stroke on in chunks of fixed size, each from its own seed, so that any
    order of asking finds the same bits.
    """

    def __init__(self, key: Sequence[int], memory: float) -> None:
        self.key = tuple(key)
        self.keep = exp(-1.0 / memory) if memory > 0.0 else 0.0
        self.made: Array = np.empty((0, 5))

    def at(self, stroke: NDArray[np.int64]) -> Array:
        """Deviates of the strokes asked for (n,), shape (n, 5)."""
        while len(self.made) <= int(stroke.max(initial=0)):
            self.made = np.concatenate([self.made, self._next_chunk()])
        deviates: Array = self.made[stroke]
        return deviates

    def _next_chunk(self) -> Array:
        seed = np.random.SeedSequence([*self.key, HAND_STREAM, len(self.made) // CHUNK])
        fresh = np.random.Generator(np.random.PCG64(seed)).standard_normal((CHUNK, 5))
        if self.keep == 0.0:
            return fresh
        share = sqrt(1.0 - self.keep**2)
        columns = []
        for column in range(5):
            before = float(self.made[-1, column]) if len(self.made) else None
            values = []
            for new in fresh[:, column].tolist():
                before = new if before is None else self.keep * before + share * new
                values.append(before)
            columns.append(values)
        return np.array(columns).T


@dataclass(frozen=True)
class Motion:
    """The motion of one step; `key` seeds the hand's scatter (seed, round, step, ...: whole, not negative).

    The scatter is drawn once a stroke.  Amplitude scales the curve, centre and direction are added as the
    operator sees them, pace multiplies the speed while the clock keeps the nominal pace: a hasty stroke
    rubs further in its share of the time.  `begin`: where the operator stands and how he holds the top as the
    step begins [rad].
    """

    step: Step
    key: Sequence[int] = (0,)
    begin: tuple[float, float] = (0.0, 0.0)
    _scatter: _Scatter = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_scatter", _Scatter(self.key, self.step.hand.memory))

    def poses(self, strokes: Array) -> Poses:
        """Where the top is at `strokes` (n,) counted from the start of the step.

        Parameters
        ----------
        strokes : Array
            (n,), whole or not.

        Returns
        -------
        Poses
            n of them, the hand's scatter included.

        """
        step = self.step
        strokes = np.atleast_1d(np.asarray(strokes, dtype=float))
        phase = 2.0 * pi * strokes
        alpha = self.begin[0] + _angle(step.walk, strokes)
        beta = self.begin[1] + _angle(step.turn, strokes)
        curve, along = (
            step.curve.position(phase),
            step.curve.velocity(phase) * (2.0 * pi * step.pace),
        )
        centre = np.broadcast_to(np.asarray(step.centre, dtype=float), curve.shape)
        direction: Array = np.full(strokes.shape, step.direction)
        hurry = np.ones(strokes.shape)
        if not step.hand.steady:
            amplitude, hurry, veer, aside = self._hand(step.hand, strokes)
            curve, along = curve * amplitude[:, None], along * amplitude[:, None]
            direction, aside = (
                direction + veer,
                _turned(aside, alpha if not step.carry_centre else 0.0 * alpha),
            )
            centre = centre + aside
        c, velocity = _turned(curve, direction), _turned(along, direction)
        carried = c + centre if step.carry_centre else c
        carried, velocity = _turned(carried, alpha), _turned(velocity, alpha)
        velocity = velocity + _rate(step.walk, step.pace) * _across(carried)
        c = carried if step.carry_centre else carried + centre
        spin = np.broadcast_to(
            _rate(step.walk, step.pace) + _rate(step.turn, step.pace), strokes.shape
        )
        if step.offset != (0.0, 0.0):
            arm = _turned(np.broadcast_to(np.asarray(step.offset), c.shape), alpha + beta)
            c, velocity = c + arm, velocity + spin[:, None] * _across(arm)
        velocity = velocity * hurry[:, None]
        spin = spin * hurry
        return Poses(
            strokes=strokes,
            phase=2.0 * pi * (strokes % 1.0),
            cx=c[:, 0].copy(),
            cy=c[:, 1].copy(),
            vx=velocity[:, 0].copy(),
            vy=velocity[:, 1].copy(),
            theta=alpha + beta,
            alpha=alpha,
            spin=spin,
        )

    def middle(self) -> tuple[float, float]:
        """Where on the bench the middle of the stroke lies on the whole [m], walked round with or not.

        Returns
        -------
        tuple of float
            (x, y) [m].

        """
        step = self.step
        if not step.carry_centre or step.walk.angle == 0.0:
            return step.centre
        # Every curve is even about its own middle; only where the operator stands moves that.
        alpha = _angle(step.walk, np.linspace(0.0, step.total_strokes, WALK_PLACES, endpoint=False))
        x, y = _turned(np.array([step.centre]), alpha).mean(axis=0)
        return float(x), float(y)

    def mean_speed(self, first: int, strokes: int) -> float:
        """Mean speed of the top's centre [m/s] over whole strokes, by path length and not by a few poses.

        Strokes count by what the dab cuts in them.

        Parameters
        ----------
        first, strokes : int
            First stroke and how many.

        Returns
        -------
        float
            [m/s].

        """
        step = self.step
        walks = _rate(step.walk, step.pace) != 0.0
        if step.hand.steady and not (self._orbits or (walks and step.curve.period != 1.0)):
            return self._speed
        at = looked_at(first, strokes)
        worth = cut_shares(step, at)
        if not walks and not self._orbits:
            amplitude, hurry, _, _ = self._hand(step.hand, at.astype(np.float64))
            return self._speed * float(np.einsum("n,n,n->", amplitude, hurry, worth))
        each = max(PLACES_A_STROKE, SPEED_PLACES // at.size)
        phase = (np.arange(each) + (GOLDEN * np.arange(1, at.size + 1) % 1.0)[:, None]) / each
        poses = self.poses((at[:, None] + phase).ravel())
        return (
            float(np.einsum("sk,s->", np.hypot(poses.vx, poses.vy).reshape(-1, each), worth)) / each
        )

    def paced(self, poses: Poses, share: Array, first: int, strokes: int) -> Poses:
        """The same poses, scaled to the length of the path, so that they take off the right amount of metal.

        A few poses do not know it.

        Parameters
        ----------
        poses : Poses
            n of them.
        share : Array
            Of the time, (n,).
        first, strokes : int
            First stroke and how many.

        Returns
        -------
        Poses

        """
        seen = float(share @ np.hypot(poses.vx, poses.vy))
        if not seen > 0.0:
            return poses
        scale = self.mean_speed(first, strokes) / seen
        return replace(poses, vx=poses.vx * scale, vy=poses.vy * scale)

    def shares_with(self, other: Motion) -> bool:
        """Whether instants that stand for a block of the other's strokes stand for these alike.

        They do where only the places of the tops differ and no share hangs on those.

        Parameters
        ----------
        other : Motion

        Returns
        -------
        bool

        """
        own, its = self.step, other.step
        placed = replace(own, top=its.top, centre=its.centre, offset=its.offset, load=its.load)
        alike = placed == its and (self.key, self.begin) == (other.key, other.begin)
        return alike and not (self._path_means.size or other._path_means.size)

    @property
    def _orbits(self) -> bool:
        """Whether the top goes round the middle of what takes it round, or lies turned about it."""
        return self.step.offset != (0.0, 0.0)

    @cached_property
    def _speed(self) -> float:
        """Mean speed of a steady hand; walking, that of a curve which is back after one stroke."""
        step = self.step
        if _rate(step.walk, step.pace) == 0.0:
            return path_length(step.curve) / step.curve.period * step.pace
        places = (np.arange(SPEED_PLACES) + 0.5) / SPEED_PLACES
        poses = Motion(replace(step, hand=Hand())).poses(places)
        return float(np.hypot(poses.vx, poses.vy).mean())

    def _hand(self, hand: Hand, strokes: Array) -> tuple[Array, Array, Array, Array]:
        """Amplitude and pace factors (n,), change of direction (n,) [rad], of centre (n, 2) [m]."""
        whole = np.maximum(np.floor(strokes + BOUNDARY), 0.0).astype(np.int64)
        deviate = self._scatter.at(whole)
        amplitude = np.clip(hand.amplitude * deviate[:, AMPLITUDE], -MOST_SCATTER, MOST_SCATTER)
        pace = np.clip(hand.pace * deviate[:, PACE], -MOST_SCATTER, MOST_SCATTER)
        aside = hand.centre * deviate[:, CENTRE_X : CENTRE_Y + 1]
        return 1.0 + amplitude, 1.0 + pace, hand.direction * deviate[:, DIRECTION], aside

    def hands(self, poses: Poses) -> Array:
        """How the place where the hands press is turned on the bench, (n,) [rad].

        Parameters
        ----------
        poses : Poses
            n of them.

        Returns
        -------
        Array
            (n,) [rad].

        """
        turned_with = {
            "hand": poses.alpha,
            "top": poses.theta,
            "bench": np.zeros(poses.theta.shape),
        }
        return turned_with[self.step.load.fixed_to]

    def moment(self, poses: Poses, weight: float) -> Array:
        """Moments about the top's centre (n, 2) [N m]: force times where it acts, x and y.

        `weight` [N]: of the top and the hand together.  A hand that pushes above the faces digs in the
        leading edge; where the top does not travel it pushes nowhere.

        Parameters
        ----------
        poses : Poses
            n of them.
        weight : float
            [N].

        Returns
        -------
        Array
            (n, 2) [N m].

        """
        load = self.step.load
        at = np.broadcast_to(np.asarray(load.at, dtype=float), (poses.theta.size, 2))
        moment = load.force * _turned(at, self.hands(poses))
        velocity = np.stack([poses.vx, poses.vy], axis=1)
        speed = np.hypot(poses.vx, poses.vy)
        travels = speed > STANDS
        ahead = velocity / np.where(travels, speed, 1.0)[:, None]
        push = load.friction * weight * load.push_height
        result: Array = moment + push * np.where(travels[:, None], ahead, 0.0)
        return result

    @property
    def fixed_angle(self) -> bool:
        """True when theta never changes while the plates rub (no turning, or only indexed)."""
        return _rate(self.step.walk, 1.0) + _rate(self.step.turn, 1.0) == 0.0

    @property
    def dab(self) -> tuple[float, float | None] | None:
        """Fade [s] and renewal [s] of the dab by which strokes count; None where none counts more."""
        alike = self.step.hand.steady and not self.clocks
        fade = self.step.grit.fade
        return None if alike or fade is None else (fade, self.step.fresh_every)

    @cached_property
    def clocks(self) -> tuple[str, ...]:
        """What runs on beside the stroke: "theta", "alpha" (where it is not theta), "traverse"."""
        step = self.step
        turns, walks = step.turn.angle != 0.0, step.walk.angle != 0.0
        undone = turns and walks and step.turn == replace(step.walk, angle=-step.walk.angle)
        names = []
        if (turns or walks) and not undone:
            names.append("theta")
        if walks and turns:
            names.append("alpha")
        if step.curve.traverse:
            names.append("traverse")
        return tuple(names)

    def slow(self, strokes: Array) -> Array:
        """Turns that each of the `clocks` has made at `strokes` (n,), shape (clocks, n).

        Parameters
        ----------
        strokes : Array
            (n,) since the step began.

        Returns
        -------
        Array
            (clocks, n) whole turns.

        """
        step = self.step
        alpha = _angle(step.walk, strokes)
        reached = {"theta": alpha + _angle(step.turn, strokes), "alpha": alpha}
        turns = {name: angle / (2.0 * pi) for name, angle in reached.items()}
        if step.curve.traverse:
            turns["traverse"] = strokes / step.curve.traverse
        return np.array([turns[name] for name in self.clocks]).reshape(-1, strokes.size)

    @cached_property
    def rates(self) -> Array:
        """Turns a stroke (clocks,) of the `clocks` that run on while the plates rub, 0 for those set over."""
        step = self.step
        walk, turn = (_rate(t, 1.0) / (2.0 * pi) for t in (step.walk, step.turn))
        rate = {"theta": walk + turn, "alpha": walk}
        if step.curve.traverse:
            rate["traverse"] = 1.0 / step.curve.traverse
        return np.array([rate[name] for name in self.clocks])

    def arc_means(self, strokes: Array) -> tuple[Array, Array]:
        """Speed x 1, c and c c^T at `strokes` (n, 6), by their size, and the means of the whole path (6,).

        The moment law lives on these means.  Nothing (n, 0) where they are not those of one stroke: an
        operator who walks, a zigzag, an unsteady hand, a top that does not travel.

        Parameters
        ----------
        strokes : Array
            (n,) since the step began.

        Returns
        -------
        values : Array
            (n, 6), or (n, 0).
        means : Array
            (6,), or (0,).

        """
        means = self._path_means
        if not means.size:
            return np.empty((strokes.size, 0)), means
        poses = self.poses(strokes)
        x, y = poses.cx / self._reach, poses.cy / self._reach
        speed = np.hypot(poses.vx, poses.vy) / self._speed
        return speed[:, None] * np.stack(
            [np.ones_like(x), x, y, x * x, x * y, y * y], axis=1
        ), means

    @cached_property
    def _path_means(self) -> Array:
        """Means of `arc_means` by quadrature of the path (6,); (0,) where they are not those of a stroke."""
        step = self.step
        if (
            self._orbits
            or step.walk.angle != 0.0
            or step.curve.period != 1.0
            or not step.hand.steady
            or self._speed == 0.0
        ):
            return np.empty(0)
        centre = np.array(step.centre)
        turned = _turned(np.eye(2), np.full(2, step.direction)).T
        middle = turned @ arc_middle(step.curve)
        products: Array = turned @ (arc_moments(step.curve) @ turned.T)
        products = (
            products
            + np.outer(centre, centre)
            + np.outer(centre, middle)
            + np.outer(middle, centre)
        )
        first = (middle + centre) / self._reach
        second = products[[0, 0, 1], [0, 1, 1]] / self._reach**2
        return np.concatenate([[1.0], first, second])

    @cached_property
    def _reach(self) -> float:
        """How far the centre of the top may come from the bench's [m], about."""
        return self._extent + max(
            abs(a) + abs(b) for a, b in zip(self.step.centre, self.step.offset, strict=True)
        )

    def scatter_of(
        self, strokes: Array, block: NDArray[np.int64], worth: Array
    ) -> tuple[Array, Array]:
        """How the hand strays at `strokes` (n,): values (n, k), and their means (k,) over a `block`.

        `worth` (strokes of the block,): share of each in the mean.
        Nothing (k = 0) for a steady hand.

        Parameters
        ----------
        strokes : Array
            (n,) since the step began.
        block : Array
            Whole strokes.
        worth : Array
            Of each of these.

        Returns
        -------
        values, means : Array
            (n, k) and (k,).

        """
        hand = self.step.hand
        if hand.steady:
            return np.empty((strokes.size, 0)), np.empty(0)

        def strays(at: Array) -> Array:
            amplitude, hurry, veer, aside = self._hand(hand, at)
            size = max(self._extent, 1e-300)
            x, y = aside[:, 0] / size, aside[:, 1] / size
            a = amplitude - 1.0
            return np.stack(
                [a, a * a, hurry - 1.0, a * (hurry - 1.0), veer, veer * veer, x, y, x * x, y * y], 1
            )

        own, means = (
            strays(strokes),
            np.einsum("s,sk->k", worth, strays(block.astype(np.float64) + 0.5)),
        )
        used = np.any(own != own[:1], axis=0)
        return own[:, used], means[used]

    @cached_property
    def roughness(self) -> float:
        """How much strokes of an unsteady hand differ, as a share of what they wear."""
        hand = self.step.hand
        if hand.steady:
            return 0.0
        aside = hand.centre / max(self._extent, 1e-300)
        return 0.5 * sqrt(
            hand.amplitude**2 + hand.pace**2 + hand.direction**2 + min(aside, 1.0) ** 2
        )

    @cached_property
    def _extent(self) -> float:
        """Half the extent of the curve [m]."""
        phase: Array = 2.0 * pi * self.step.curve.period * np.arange(64, dtype=np.float64) / 64.0
        return float(np.abs(self.step.curve.position(phase)).max())

    @property
    def _indexes(self) -> list[Turn]:
        return [
            turn for turn in (self.step.turn, self.step.walk) if turn.indexed and turn.angle != 0.0
        ]

    @property
    def index_every(self) -> int:
        """Strokes between places where the top or the operator is set over; 0: never."""
        return gcd(*(turn.every for turn in self._indexes))

    @property
    def angle_cycle(self) -> int:
        """Number of indexes after which top and operator are back at the same angles; 0: not within 360.

        Counted in spells of `index_every` strokes; 0 also when nothing is indexed.
        """
        spells = [turn.every * _back_after(turn.angle) for turn in self._indexes]
        if not spells or 0 in spells:
            return 0
        cycle = lcm(*spells) // self.index_every
        return cycle if cycle <= MOST_INDEXES else 0


def _back_after(angle: float) -> int:
    """Smallest number of turns by `angle` that makes whole turns round; 0: more than 360."""
    counts = np.arange(1, MOST_INDEXES + 1)
    off = np.abs(np.remainder(counts * angle + pi, 2.0 * pi) - pi)
    hits = np.nonzero(off < SAME_ANGLE)[0]
    return int(counts[hits[0]]) if hits.size else 0


def instants_of(step: Step, number: int) -> Array:
    """Instants [strokes] that stand for a stroke; of one that goes on over several, in every phase of it."""
    period = max(step.curve.period, 1.0)
    if period == 1.0:
        return np.arange(number) / number
    number *= 4
    spread: Array = np.floor(np.arange(number) / number * period) + np.arange(number) * GOLDEN % 1.0
    return spread


def places_of(step: Step, number: int = 6) -> tuple[tuple[float, float], ...]:
    """Places of the top's centre [m] at `instants_of` a step."""
    poses = Motion(step).poses(instants_of(step, number))
    return tuple(zip(poses.cx.tolist(), poses.cy.tolist(), strict=True))
