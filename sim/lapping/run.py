"""The time loop: lap the plates and hand out one Moment after another.

`for moment in lap(plates, steps): ...` is the whole simulator.  The loop neither saves, prints nor draws;
it is a state machine whose state is the Moment itself, so that going on from any Moment gives the same bits.

One stroke removes nanometres, so pressure times speed is averaged over a sample of poses and both faces
are moved on by a block of strokes at a time, by Heun's method; the Euler step inside it tells the error.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from math import ceil, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from sim.errors import LapwrightError
from sim.lapping.average import CHUNKS, Average, Pair, Sample
from sim.lapping.gauge import on_top_by_reading, satisfied
from sim.lapping.motion import Motion
from sim.lapping.poses import GOLDEN, PLASTIC, block_sample
from sim.lapping.step import Grit, Step, Wear
from sim.lapping.support import check_stands
from sim.lapping.wear import kappa, kappa_from_observation, rubbing_until, wear_time
from sim.plate.measure import EdgeMargin
from sim.plate.plate import Plate

__all__ = ["Clock", "Moment", "Settings", "lap"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Settings:
    """Numerical choices; `docs/numerics.md` shows how the defaults were found.

    `poses` in a block's sample, but in short blocks only so many that a quarter of the time in which a
    mismatch dies is seen by `poses`, and never fewer than `fewest_poses`; `tolerance`: error of the Euler step inside a block, as a share of the
    mean squeeze; `longest`: of a block, in units of the time in which a mismatch dies;
    `look_every` strokes at most where an `until` is watched.
    """

    poses: int = 64
    fewest_poses: int = 16
    tolerance: float = 0.002
    longest: float = 0.7
    look_every: int = 4
    observing_poses: int = 256


@dataclass(frozen=True)
class Clock:
    """Where the work stands; scalars only, so that it can be written down and read back exactly."""

    step: int = 1
    round: int = 1
    strokes: int = 0
    block: int = 0
    time: float = 0.0
    grit: str = ""
    grit_age: float = 0.0
    swapped_at: int = 0
    read_at: int = -1
    stride: float = 0.0
    closed: bool = False
    gauged: bool = False
    ran_out: bool = False


@dataclass(frozen=True)
class Moment:
    """One moment of the work; maps (ny, nx) as looking at the faces, read-only.

    `event`: "start", "block", "swap", "fresh grit", "step" (a step has ended) or "end".
    `heights` [m], `removed` mean depth of land worn off since the run began [m], `pressure_speed` mean
    over the last block [Pa m/s].  `lift_share`: share of the last block in which part of the overlap bore
    nothing.  `scale_error`: largest departure from 1 of the factor on the top's load.  `sampling_error` [m]:
    rms difference that the two halves of the last block's poses make.  `outcome`: on "end" only.
    """

    clock: Clock
    event: str
    top: str
    bottom: str
    heights: Mapping[str, Array]
    removed: Mapping[str, float]
    pressure_speed: Mapping[str, Array]
    lift_share: float = 0.0
    scale_error: float = 0.0
    sampling_error: float = 0.0
    outcome: str | None = None


def lap(
    plates: Mapping[str, Plate],
    steps: Sequence[Step],
    *,
    rounds: int = 1,
    seed: int = 0,
    margin: EdgeMargin = EdgeMargin(),  # noqa: B008 (frozen)
    threads: int = 1,
    after: Moment | None = None,
    settings: Settings = Settings(),
) -> Iterator[Moment]:
    """Lap `plates` through `steps`, `rounds` times; yield the start and every moment that follows.

    `after`: a Moment of the same work to go on from; what follows is the same to the bit.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        The top tips, does not lie on the bottom or does not settle; the last Moment holds the last state.

    """
    with ExitStack() as open_pools:
        work = _Work(plates, tuple(steps), rounds, seed, margin, threads, settings, open_pools)
        moment = after if after is not None else work.start()
        if after is None:
            yield moment
        while moment.event != "end":
            moment = work.advance(moment)
            yield moment


def _frozen(z: Array) -> Array:
    z.setflags(write=False)
    return z


@dataclass
class _Work:
    """What stays the same through a run; holds pairs and motions once they are made."""

    plates: Mapping[str, Plate]
    steps: tuple[Step, ...]
    rounds: int
    seed: int
    margin: EdgeMargin
    threads: int
    settings: Settings
    open_pools: ExitStack
    pairs: dict[tuple[str, str, float, float], Pair] = field(default_factory=dict)
    motions: dict[tuple[int, int], Motion] = field(default_factory=dict)
    grits: dict[str, Grit] = field(default_factory=dict)
    standing: set[tuple[int, str, str]] = field(default_factory=set)

    def start(self) -> Moment:
        """The plates as they come."""
        first = self.steps[0]
        return Moment(
            clock=Clock(grit=first.grit.name),
            event="start",
            top=first.top,
            bottom=first.bottom,
            heights={name: _frozen(plate.heights().copy()) for name, plate in self.plates.items()},
            removed=dict.fromkeys(self.plates, 0.0),
            pressure_speed={name: _frozen(np.zeros(plate.grid.shape)) for name, plate in self.plates.items()},
        )

    def advance(self, moment: Moment) -> Moment:
        """The next moment: the end of a step, fresh grit, a swap, or a block of strokes."""
        clock = moment.clock
        step = self.steps[clock.step - 1]
        if clock.closed:
            moment = self._next_step(moment)
            if moment.event == "end":
                return moment
            clock = moment.clock
            step = self.steps[clock.step - 1]
        if clock.gauged or clock.strokes >= step.total_strokes:
            ran_out = clock.ran_out or (step.until is not None and not clock.gauged)
            return replace(moment, event="step", clock=replace(clock, closed=True, ran_out=ran_out))
        if self._fresh_is_due(step, clock):
            return replace(moment, event="fresh grit", clock=replace(clock, grit_age=0.0))
        moment, swapped = self._swap(step, moment)
        return moment if swapped else self._block(step, moment)

    def _next_step(self, moment: Moment) -> Moment:
        clock = moment.clock
        if clock.step == len(self.steps) and clock.round == self.rounds:
            outcome = "limit" if clock.ran_out else "until" if clock.gauged else "done"
            return replace(moment, event="end", outcome=outcome)
        last = clock.step == len(self.steps)
        number = 1 if last else clock.step + 1
        step = self.steps[number - 1]
        fresh = step.fresh_every is not None or step.grit.name != clock.grit
        clock = Clock(
            step=number,
            round=clock.round + last,
            time=clock.time,
            grit=step.grit.name,
            grit_age=0.0 if fresh else clock.grit_age,
            ran_out=clock.ran_out,
        )
        return replace(moment, clock=clock, top=step.top, bottom=step.bottom)

    def _fresh_is_due(self, step: Step, clock: Clock) -> bool:
        every = _strokes(step.fresh_every, step.pace)
        return every is not None and clock.grit_age > 0.0 and clock.strokes % every == 0

    def _swap(self, step: Step, moment: Moment) -> tuple[Moment, bool]:
        """Change places if it is time to, or if a reading says so."""
        clock = moment.clock
        if step.swap is None:
            return moment, False
        if step.swap.read is not None:
            every = _strokes(step.swap.read, step.pace) or 1
            if clock.read_at == clock.strokes or clock.strokes % every:
                return moment, False
            clock = replace(clock, read_at=clock.strokes)
            wanted = on_top_by_reading(self.plates, moment.top, moment.bottom, moment.heights, self.margin)
            if wanted == moment.top:
                return replace(moment, clock=clock), False
        else:
            stay = _strokes(step.swap.on_top[moment.top], step.pace) or 1
            if clock.strokes - clock.swapped_at < stay:
                return moment, False
        swapped = replace(clock, swapped_at=clock.strokes)
        return (
            replace(moment, event="swap", clock=swapped, top=moment.bottom, bottom=moment.top),
            True,
        )

    def _longest_block(self, step: Step, moment: Moment, motion: Motion, tau: float) -> int:
        """Strokes up to the next thing that a block must not straddle."""
        clock = moment.clock
        stops = [step.total_strokes]
        if step.swap is not None and step.swap.read is not None:
            stops.append(_next(clock.strokes, _strokes(step.swap.read, step.pace)))
        elif step.swap is not None:
            stay = _strokes(step.swap.on_top[moment.top], step.pace) or 1
            stops.append(clock.swapped_at + stay)
        if step.grit.fade is not None:
            stops.append(_next(clock.strokes, _strokes(step.fresh_every, step.pace)))
        if motion.index_every and motion.index_every / step.pace >= 0.25 * tau:
            stops.append(_next(clock.strokes, motion.index_every))
        if step.until is not None:
            stops.append(clock.strokes + self.settings.look_every)
        return min(stops) - clock.strokes

    def _block(self, step: Step, moment: Moment) -> Moment:
        clock = moment.clock
        grit = self._grit(step)
        bottom, top = self.plates[moment.bottom], self.plates[moment.top]
        pair = self._pair(bottom, top, step)
        motion = self._motion(clock.step, clock.round)
        rates = kappa(grit, bottom, top)
        tau = _settling_time(pair, motion, rates)
        most = self._longest_block(step, moment, motion, tau)
        stride = clock.stride or 0.1 * tau * step.pace
        number = _fit(stride, most, motion)
        shift = self._shift(clock)
        while True:
            poses = self._poses(number / step.pace, tau)
            sample = block_sample(motion, pair.load, clock.strokes, number, poses, shift)
            time = wear_time(grit.fade, clock.grit_age, number / step.pace)
            with _named(clock):
                self._check_stands(step, clock.step, top, bottom)
                block = _Block.heun(pair, moment, sample, rates, time)
            ease = 0.9 * (self.settings.tolerance * block.squeeze / max(block.error, 1e-300)) ** 0.5
            if ease >= 0.9 or number == 1:
                break
            number = max(1, min(number - 1, int(number * max(ease, 0.2))))
        age = clock.grit_age + number / step.pace
        tau = block.squeeze / max(block.removal_rate, 1e-300)
        longest = rubbing_until(grit.fade, age, self.settings.longest * tau) * step.pace
        wider = number * min(max(ease, 0.3), 3.0)
        if number < stride and ease >= 1.0:
            wider = max(wider, stride)  # the block was cut short by the schedule, not by its error
        done = replace(
            clock,
            strokes=clock.strokes + number,
            block=clock.block + 1,
            time=clock.time + number / step.pace,
            grit_age=age,
            stride=max(1.0, min(wider, longest, 1e9)),
        )
        after = block.applied(moment, done)
        if step.until is not None and satisfied(step.until, self.plates, after, self.margin):
            after = replace(after, clock=replace(done, gauged=True))
        return after

    def _check_stands(self, step: Step, number: int, top: Plate, bottom: Plate) -> None:
        """Once for every pair of a step: a top that will tip is told before it is lapped."""
        key = (number, top.name, bottom.name)
        if key not in self.standing:
            check_stands(step, top, bottom)
            self.standing.add(key)

    def _poses(self, time: float, tau: float) -> int:
        """Poses for a block of `time` [s]; a multiple of the chunks, so that all do the same work."""
        wanted = ceil(self.settings.poses * time / (0.25 * tau) / CHUNKS) * CHUNKS if tau < inf else 0
        return min(self.settings.poses, max(self.settings.fewest_poses, wanted))

    def _shift(self, clock: Clock) -> tuple[float, float]:
        """Where the lattice of a block's poses begins: from seed, round, step and block alone."""
        start = np.random.SeedSequence([self.seed, clock.round, clock.step]).generate_state(2) / 2.0**32
        return (
            float((start[0] + clock.block * GOLDEN) % 1.0),
            float((start[1] + clock.block * PLASTIC) % 1.0),
        )

    def _motion(self, step: int, round_: int) -> Motion:
        key = (step, round_)
        if key not in self.motions:
            self.motions.clear()
            self.motions[key] = Motion(self.steps[step - 1], (self.seed, round_, step))
        return self.motions[key]

    def _pair(self, bottom: Plate, top: Plate, step: Step) -> Pair:
        load = top.weight + step.load.force
        stiffness = step.grit.layer.stiffness
        key = (bottom.name, top.name, stiffness, load)
        if key not in self.pairs:
            pair = Pair(bottom, top, stiffness, load)
            self.pairs[key] = self.open_pools.enter_context(pair.threads(self.threads))
        return self.pairs[key]

    def _grit(self, step: Step) -> Grit:
        """The step's grit, its wear turned into constants if it was given as an observation."""
        name = step.grit.name
        if step.grit.wear.observed is None:
            return step.grit
        if name not in self.grits:
            first = next(s for s in self.steps if s.grit.name == name)
            self.grits[name] = self._observed(first)
        return self.grits[name]

    def _observed(self, step: Step) -> Grit:
        seen = step.grit.wear.observed
        assert seen is not None
        bottom, top = self.plates[step.bottom], self.plates[step.top]
        pair = self._pair(bottom, top, step)
        strokes = max(1, round(seen.time * step.pace))
        motion = self._motion(self.steps.index(step) + 1, 1)
        sample = block_sample(motion, pair.load, 0, strokes, self.settings.observing_poses, (0.5, 0.5))
        average = pair.average(bottom.heights(), top.heights(), sample)
        mean = {
            bottom.name: _mean(bottom, average.bottom),
            top.name: _mean(top, average.top),
        }
        constants = kappa_from_observation(seen, step.grit, self.plates, mean)
        # Plates met later follow by their material from the iron value.
        return replace(step.grit, wear=Wear(plates=constants))


@contextmanager
def _named(clock: Clock) -> Iterator[None]:
    """Say in which step and stroke a trouble came up."""
    try:
        yield
    except LapwrightError as trouble:
        trouble.message = f"step {clock.step}, stroke {clock.strokes + 1}: {trouble.message}"
        trouble.key = f"steps.{clock.step}"
        trouble.args = (trouble.message,)
        raise


def _strokes(time: float | None, pace: float) -> int | None:
    """Whole strokes nearest to a time, at least one."""
    return None if time is None else max(1, round(time * pace))


def _next(strokes: int, every: int | None) -> int:
    """The next multiple of `every` after `strokes`."""
    return (strokes // every + 1) * every if every else 2**62


def _fit(stride: float, most: int, motion: Motion) -> int:
    """Strokes of the next block: about `stride`, in equal parts of `most`, in whole rounds of an index."""
    wanted = max(1, min(most, int(min(stride, 2.0**62))))
    number = ceil(most / ceil(most / wanted))
    every = motion.index_every
    if every and every < number < most:
        whole_round = every * motion.angle_cycle if motion.angle_cycle else every
        number -= number % (whole_round if whole_round <= number else every)
    return number


def _mean(plate: Plate, rate: Array) -> float:
    return float((plate.land * rate).sum() / plate.land.sum())


def _settling_time(pair: Pair, motion: Motion, rates: tuple[float, float]) -> float:
    """Time in which a mismatch dies, before anything is known of the contact [s]."""
    poses = motion.poses(np.arange(64) / 64.0)
    spin = np.abs(poses.spin) * 0.6 * pair.top.outline.radius
    speed = float(np.hypot(np.hypot(poses.vx, poses.vy), spin).mean())
    rate = pair.stiffness * speed * (rates[0] + rates[1])
    return 1.0 / rate if rate > 0.0 else inf


@dataclass(frozen=True)
class _Block:
    """A block of strokes by Heun's method: metal lost by both (ny, nx) [m] and what it tells of itself."""

    pair: Pair
    lost: tuple[Array, Array]
    rate: tuple[Array, Array]
    squeeze: float
    removal_rate: float
    error: float
    sampling_error: float
    lift_share: float
    scale_error: float

    @classmethod
    def heun(
        cls, pair: Pair, moment: Moment, sample: Sample, rates: tuple[float, float], time: float
    ) -> _Block:
        """`time` [s] at a fresh dab's cut; both stages use the same poses."""
        z = moment.heights[pair.bottom.name], moment.heights[pair.top.name]
        one = pair.average(z[0], z[1], sample)
        euler = rates[0] * time * one.bottom, rates[1] * time * one.top
        two = pair.average(z[0] - euler[0], z[1] - euler[1], sample, one.planes)
        rate = 0.5 * (one.bottom + two.bottom), 0.5 * (one.top + two.top)
        lost = rates[0] * time * rate[0], rates[1] * time * rate[1]
        bodies = pair.bottom, pair.top
        squeeze = pair.load / (pair.stiffness * max(one.overlap, 1e-300))
        mean = sum(k * _mean(body, r) for k, body, r in zip(rates, bodies, rate, strict=True))
        return cls(
            pair,
            lost,
            rate,
            squeeze,
            mean,
            _spread_of(bodies, (lost[0] - euler[0], lost[1] - euler[1])),
            _spread_of(bodies, _halves(one, two, rates, time)),
            one.lift_share,
            max(one.scale_error, two.scale_error),
        )

    def applied(self, moment: Moment, clock: Clock) -> Moment:
        """The moment after this block."""
        heights = dict(moment.heights)
        removed = dict(moment.removed)
        pressure_speed = {name: _frozen(np.zeros(z.shape)) for name, z in heights.items()}
        for plate, lost, rate in zip((self.pair.bottom, self.pair.top), self.lost, self.rate, strict=True):
            heights[plate.name] = _frozen(heights[plate.name] - lost)
            removed[plate.name] += _mean(plate, lost)
            pressure_speed[plate.name] = _frozen(rate)
        return replace(
            moment,
            clock=clock,
            event="block",
            heights=heights,
            removed=removed,
            pressure_speed=pressure_speed,
            lift_share=self.lift_share,
            scale_error=self.scale_error,
            sampling_error=self.sampling_error,
        )


def _halves(one: Average, two: Average, rates: tuple[float, float], time: float) -> tuple[Array, Array]:
    return (
        0.5 * rates[0] * time * (one.half_bottom + two.half_bottom),
        0.5 * rates[1] * time * (one.half_top + two.half_top),
    )


def _spread_of(bodies: tuple[Plate, Plate], change: tuple[Array, Array]) -> float:
    """Larger rms of the two changes about their means, over land [m]."""
    worst = 0.0
    for plate, dz in zip(bodies, change, strict=True):
        total = plate.land.sum()
        mean = (plate.land * dz).sum() / total
        worst = max(worst, float((plate.land * (dz - mean) ** 2).sum() / total))
    return sqrt(worst)
