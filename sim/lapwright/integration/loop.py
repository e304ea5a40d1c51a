"""The time loop: lap the plates and hand out one State after another.

`for state in lap(plates, steps): ...` is the whole simulator.  The loop neither saves, prints nor draws;
it is a state machine whose memory is the State itself, so that going on from any State gives the same bits.

One stroke removes nanometres, so pressure times speed is averaged over a sample of poses and both faces
are moved on by a block of strokes at a time, by a step of fourth order; that of third order in it tells the
error.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import ceil, log2, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import CHUNKS, Pair, Placed
from lapwright.contact.flexure import Flexure
from lapwright.contact.gang import Gang
from lapwright.contact.joint import Joint, samples_under
from lapwright.contact.sampling import FEWEST_A_STROKE, PLASTIC, block_sample, block_samples
from lapwright.contact.stability import check_stands
from lapwright.integration.block import (
    Block,
    in_memory,
    in_order,
    mean_lost,
    mean_over_land,
    out_of_order,
    poses_ahead,
    settling_time,
    strokes_of_block,
)
from lapwright.integration.leaps import Leaps
from lapwright.integration.loads import Loads
from lapwright.integration.state import Progress, Settings, State, named, next_multiple
from lapwright.integration.stopping import Watch
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import (
    GOLDEN,
    age_at_start,
    cut_of,
    kappa,
    kappa_from_observation,
    rubbing_until,
    settled,
    stroke_period,
    thinning,
    wear_time,
)
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.batch import Batch
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, strokes_in

Array = NDArray[np.float64]


LEAST_METAL = 1e-15  # [m] a block that takes off less is of a dab that is tired out
LEAST_RATE = 1e-30  # [m/s] where nothing rubs, nothing is ever off
PART_ACCURACY = 0.005  # of the metal off a part of a batch, that its poses may leave open in a form
# Of a batch of many loads poses may leave open so many times as much, and later stages ...
LOOSER, FEWER = 2.0, 2  # ... are worked out on such a part of them
ENOUGH_BLOCKS = 8.0  # in the step, for the luck of one block to be made up for by the others
FEW_BLOCKS = 8.0  # in the step: later stages on more than an eighth of the poses
FIRST_BLOCK = 0.3  # times the time in which a mismatch dies
ORDER = 4.0  # power of a block's length by which what its steps leave apart goes
WEIGHT = -1  # in place of the number of a top: the one weight that lies on all of them
REPEATED = 2.0  # a block that wants so many times the poses is done again with more


def lap(
    plates: Mapping[str, Plate],
    steps: Sequence[Step],
    *,
    rounds: int = 1,
    seed: int = 0,
    margin: EdgeMargin = EdgeMargin(),  # noqa: B008 (frozen)
    threads: int = 1,
    after: State | None = None,
    settings: Settings = Settings(),  # noqa: B008 (frozen)
    batch: Batch | None = None,
) -> Iterator[State]:
    """Lap `plates` through `steps`, `rounds` times; yield the start and every moment that follows.

    `after`: a State of the same work to go on from; what follows is the same to the bit.

    Parameters
    ----------
    plates : mapping
        Plate by name.
    steps : sequence of Step
    rounds : int
        How often they come.
    seed : int
        Of the hand's scatter and of where samples begin.
    margin : EdgeMargin
        For what a gauge reads where an `until` or a swap asks.
    threads : int
        The answer does not depend on it.
    after : State, optional
        As above; None: from the start.
    settings : Settings
        Numerical choices.
    batch : Batch, optional
        Of which each round laps one load: new parts on the same plate.

    Returns
    -------
    iterator of State
        After each block, swap, dab and step; the last has an outcome.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        The top tips, does not lie on the bottom or does not settle; the last State holds the plates.

    """
    with ExitStack() as open_pools:
        given = plates, tuple(steps), rounds, seed, margin, threads, settings, open_pools
        work = _Work(*given, batch=batch)
        state = after if after is not None else work.begun()
        if after is None:
            yield state
        while state.event != "end":
            state = work.advance(state)
            yield state


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
    batch: Batch | None = None
    pairs: dict[tuple[str, str, float, float, Flexure | None], Pair] = field(default_factory=dict)
    motions: dict[tuple[int, int, int], Motion] = field(default_factory=dict)
    grits: dict[str, Grit] = field(default_factory=dict)
    taus: dict[tuple[int, int, str], float] = field(default_factory=dict)
    standing: set[tuple[int, str, str]] = field(default_factory=set)
    placed: Placed = field(default_factory=dict)

    @cached_property
    def loads(self) -> Loads | None:
        """The loads of a batch, if there is one."""
        if self.batch is None:
            return None
        return Loads(self.batch, self.plates, self.steps, self.seed, self.watch)

    @cached_property
    def leaps(self) -> Leaps | None:
        """The loads that stand for others, if any do; never in a finer run."""
        if self.loads is None or not self._usual or not self.loads.batch.averages(self.steps):
            return None
        return Leaps(self.loads)

    @cached_property
    def watch(self) -> Watch:
        """The gauges that stop a step or swap plates."""
        return Watch(self.plates, self.margin)

    @property
    def _many(self) -> bool:
        """Whether there are so many loads that each is looked at less closely; never in a finer run."""
        return self.batch is not None and self.batch.many and self._usual

    @property
    def _usual(self) -> bool:
        """Whether this is no finer run."""
        return self.settings.usual

    def begun(self) -> State:
        """The start: the plates as they come, of a batch the first parts on its plate."""
        state = State.before(self.steps[0], self.plates)
        if self.loads is None:
            return state
        return self._laid(replace(self.loads.laid(state), event="start"))

    def _laid(self, state: State) -> State:
        """New parts, and what is there meanwhile where they may stand for others."""
        return state if self.leaps is None else self.leaps.begun(state)

    def advance(self, state: State) -> State:
        """The next state: the end of a step, fresh grit, a swap, new parts, or a block of strokes."""
        clock = state.clock
        step = self.steps[clock.step - 1]
        if self.leaps is not None and self.leaps.due(state):
            return self.leaps.leapt(state)
        if clock.closed:
            state = self._next_step(state)
            if state.event in ("end", "laid"):
                return state
            clock = state.clock
            step = self.steps[clock.step - 1]
        if clock.gauged or clock.strokes >= step.total_strokes:
            ran_out = clock.ran_out or (step.until is not None and not clock.gauged)
            return replace(state, event="step", clock=replace(clock, closed=True, ran_out=ran_out))
        if self._fresh_is_due(step, clock):
            return replace(state, event="fresh grit", clock=replace(clock, grit_age=0.0))
        state, swapped = self._swap(step, state)
        return state if swapped else self._block(step, state)

    def _next_step(self, state: State) -> State:
        before, following = state.clock, self._following(state)
        if following is None:
            outcome = "limit" if before.ran_out else "until" if before.gauged else "done"
            return replace(state, event="end", outcome=outcome)
        number, round_ = following
        step = self.steps[number - 1]
        clock = Progress(
            step=number,
            round=round_,
            time=before.time,
            grit=step.grit.name,
            grit_age=age_at_start(step, before.grit, before.grit_age),
            ran_out=before.ran_out,
            off_before=state.removed[step.top] + state.removed[step.bottom],
            off_swapped=state.removed[step.top] + state.removed[step.bottom],
        )
        state = replace(state, clock=clock, top=step.top, bottom=step.bottom)
        if self.loads is None:
            return state
        state = self.loads.begun(state, before)
        return self._laid(state) if state.event == "laid" else state

    def _following(self, state: State) -> tuple[int, int] | None:
        """Number and round of the next step; None at the end.  Dressing that is not due is passed over."""
        number, round_ = state.clock.step, state.clock.round
        while number < len(self.steps) or round_ < self.rounds:
            number, round_ = (number + 1, round_) if number < len(self.steps) else (1, round_ + 1)
            if self.loads is None or self.loads.due(number, state):
                return number, round_
        return None

    def _fresh_is_due(self, step: Step, clock: Progress) -> bool:
        every = stroke_period(step.fresh_every, step.pace)
        return every > 0 and clock.grit_age > 0.0 and clock.strokes % every == 0

    def _swap(self, step: Step, state: State) -> tuple[State, bool]:
        """Change places if it is time to, or if a reading says so."""
        clock = state.clock
        if step.swap is None:
            return state, False
        if step.swap.read is not None:
            every = strokes_in(step.swap.read, step.pace)
            if clock.read_at == clock.strokes or clock.strokes % every:
                return state, False
            clock = replace(clock, read_at=clock.strokes)
            if self.watch.on_top(state) == state.top:
                return replace(state, clock=clock), False
        elif clock.strokes < clock.swapped_at + self._strokes_on_top(step, state):
            return state, False
        swapped = replace(
            clock,
            swapped_at=clock.strokes,
            off_swapped=state.removed[state.top] + state.removed[state.bottom],
        )
        return (
            replace(state, event="swap", clock=swapped, top=state.bottom, bottom=state.top),
            True,
        )

    def _longest_block(self, step: Step, state: State, motion: Motion, tau: float) -> int:
        """Strokes up to the next thing that a block must not straddle."""
        clock = state.clock
        stops = [step.total_strokes]
        if step.swap is not None and step.swap.read is not None:
            stops.append(next_multiple(clock.strokes, strokes_in(step.swap.read, step.pace)))
        elif step.swap is not None:
            stops.append(clock.swapped_at + self._strokes_on_top(step, state))
        stops.append(next_multiple(clock.strokes, stroke_period(step.fresh_every, step.pace)))
        few = in_order(motion, step, clock.grit_age)
        if motion.index_every and (
            motion.index_every / step.pace >= 0.25 * tau or motion.index_every >= few
        ):
            stops.append(next_multiple(clock.strokes, motion.index_every))
        if step.until is not None:
            stops.append(clock.strokes + self.settings.look_every)
        own = min(in_memory(motion, step, clock.strokes, clock.grit_age, tau), step.total_strokes)
        return min(min(stops) - clock.strokes, max(few, motion.index_every), int(own))

    def _strokes_on_top(self, step: Step, state: State) -> int:
        """Strokes that the top stays there in all; by metal, as the last block of its stay took it off."""
        clock, swap = state.clock, step.swap
        assert swap is not None
        if not swap.removed:
            return strokes_in(swap.on_top[state.top], step.pace)
        done = clock.strokes - clock.swapped_at
        cut = self._metal_left(step, state) / self._thinning(step, state, done > 0)
        time = rubbing_until(step.grit.fade, clock.grit_age, cut) if cut > 0.0 else cut
        more = time * step.pace
        return max(1, done + round(more)) if more < step.total_strokes else 2**62

    def _metal_left(self, step: Step, state: State) -> float:
        """What is still to go off before the plates change places by metal, the mean of both [m]."""
        assert step.swap is not None
        off = state.removed[state.top] + state.removed[state.bottom] - state.clock.off_swapped
        return step.swap.removed[state.top] - 0.5 * off

    def _thinning(self, step: Step, state: State, begun: bool) -> float:
        """How fast both faces go down with a fresh dab, the mean of them [m/s]; as lapped once `begun`."""
        bottom, top = self.plates[state.bottom], self.plates[state.top]
        rates = kappa(self._grit(step), bottom, top)
        if begun:
            lost = (
                rate * mean_over_land(plate, state.pressure_speed[plate.name])
                for rate, plate in zip(rates, (bottom, top), strict=True)
            )
            return max(0.5 * sum(lost), LEAST_RATE)
        motion = self._motion(state.clock)
        pair = self._pair(bottom, top, step)
        speed = 1.0 / (self._tau(state.clock, pair, motion, rates) * pair.stiffness * sum(rates))
        return max(thinning(bottom, top, rates, pair.load * speed), LEAST_RATE)

    def _block(self, step: Step, state: State) -> State:
        clock = state.clock
        grit = self._grit(step)
        bottom = self.plates[state.bottom]
        lain = self._lain(step, state)
        motions = [self._motion(clock, k) for k in range(len(lain))]
        pairs = tuple(self._pair(bottom, self.plates[one.top], one) for one in lain)
        joined = self.batch is not None and self.batch.joined and self.batch.laps(step)
        gang = Joint(pairs, tuple(one.offset for one in lain)) if joined else Gang(pairs)
        alike = {} if self.loads is None else self.loads.alike
        each = [kappa(grit, bottom, alike.get(one.top, self.plates[one.top])) for one in lain]
        rates = [each[0][0], *(rate for _, rate in each)]
        pair, motion = pairs[0], motions[0]
        tau = self._tau(clock, pair, motion, (rates[0], rates[1]))
        most = self._longest_block(step, state, motion, tau)
        stride = clock.stride or FIRST_BLOCK * tau * step.pace
        number = strokes_of_block(stride, most, motion)
        shift = self._shift(clock)
        poses, solved = self._poses(clock, pair, motion), 0
        again = REPEATED * (LOOSER if self._many else 1.0)
        while True:
            given = clock.strokes, number, poses, shift, clock.block, pair.round_faces
            if joined:
                weight, load = self._motion(clock, WEIGHT), sum(one.load for one in pairs)
                samples = samples_under(weight, motions, load, *given)
            else:
                loads, plain = [one.load for one in pairs], [one.round_faces for one in pairs]
                samples = block_samples(motions, loads, *given[:-1], plain)
            time = wear_time(grit.fade, clock.grit_age, number / step.pace)
            with named(clock):
                for one in () if joined else lain:
                    self._check_stands(one, clock.step, self.plates[one.top], bottom)
                block = Block.fourth_order(
                    gang, state, samples, rates, time, self._part(step, clock, number)
                )
            solved += block.solved
            ease = 0.9 * (self.settings.tolerance * block.squeeze / max(block.error, 1e-300)) ** (
                1.0 / ORDER
            )
            more = self._wanted_poses(step, state, block, number, poses)
            metal = self._too_much(step, state, block, number)
            if ease < 0.9 and number > 1:
                number = max(1, min(number - 1, int(number * max(ease, 0.2))))
            elif metal > 1.0 and number > 1:
                number = max(1, min(number - 1, round(number / metal)))
            elif more > self.settings.most_poses and number > self._each_its_own(motion):
                # Strokes too unlike for so few poses: fewer strokes, each with poses of its own.
                number = stride = self._each_its_own(motion)
                poses = self.settings.most_poses
            elif more > again * poses and poses < self.settings.most_poses:
                poses = self._whole(min(more, 4.0 * poses))
            else:
                break
        age = clock.grit_age + number / step.pace
        tau = block.squeeze / max(block.removal_rate, 1e-300)
        longest = rubbing_until(grit.fade, age, self.settings.longest * tau) * step.pace
        # A little shorter than the error asks for: a rejected block costs more than a short one.
        wider = number * min(max(0.9 * ease, 0.3), 3.0)
        if number < stride and ease >= 1.0:
            wider = max(wider, stride)  # the block was cut short by the schedule, not by its error
        stride = max(1.0, min(wider, longest, 1e9))
        # Of a batch the next block is cut short like this one: for a longer one poses would grow and grow.
        ahead = stride if self.batch is None else min(stride, most)
        done = replace(
            clock,
            strokes=clock.strokes + number,
            block=clock.block + 1,
            time=clock.time + number / step.pace,
            grit_age=age,
            stride=stride,
            poses=poses_ahead(poses, more * (ahead / number) ** (1.0 / 3.0), self._many),
        )
        after = block.applied(state, done, out_of_order(motion, step, number))
        after = replace(after, solved=solved)
        if step.until is not None and self.watch.satisfied(step.until, state, after):
            after = replace(after, clock=replace(done, gauged=True))
        return after

    def _lain(self, step: Step, state: State) -> tuple[Step, ...]:
        """The step as each top goes through it: as a rule one, of a batch all that lie on the plate."""
        if self.batch is None or not self.batch.laps(step):
            return (replace(step, top=state.top, bottom=state.bottom),)
        return self.batch.steps(step, state.clock.round)

    def _tau(
        self, clock: Progress, pair: Pair, motion: Motion, rates: tuple[float, float]
    ) -> float:
        """Time in which a mismatch dies [s]; the same as long as step and top are."""
        key = (clock.step, clock.round, pair.top.name)
        if key not in self.taus:
            self.taus[key] = settling_time(pair, motion, rates)
        return self.taus[key]

    def _each_its_own(self, motion: Motion) -> int:
        """Most strokes of an unsteady hand that have poses of their own; of a steady one any number."""
        steady = motion.step.hand.steady
        return 2**62 if steady else max(1, self.settings.most_poses // FEWEST_A_STROKE)

    def _check_stands(self, step: Step, number: int, top: Plate, bottom: Plate) -> None:
        """Once for every pair of a step: a top that will tip is told before it is lapped."""
        if (key := (number, top.name, bottom.name)) not in self.standing:
            check_stands(step, top, bottom)
            self.standing.add(key)

    def _poses(self, clock: Progress, pair: Pair, motion: Motion) -> int:
        """Poses for the next block."""
        wanted = clock.poses or self.settings.poses * (1 if pair.round_faces else 2)
        # Laid cell on cell they cost little, and fewer do not bear the rounding to whole cells.
        on_cells = motion.fixed_angle and pair.round_faces
        return self._whole(max(wanted, self.settings.poses) if on_cells else wanted)

    def _part(self, step: Step, clock: Progress, number: int) -> tuple[int, ...]:
        """Chunks on which later stages are worked out: fewer where a block is a small share of the step."""
        blocks = step.total_strokes / number
        parts = next((parts for parts in (8, 4, 2) if 8.0 * blocks >= parts * FEW_BLOCKS), 1)
        parts = max(parts, FEWER if self._many else 1)
        return tuple(range(clock.block % parts, CHUNKS, parts))

    def _whole(self, poses: float) -> int:
        """A multiple of the chunks, so that all do the same work, within the limits; an eighth apart."""
        grain = CHUNKS * max(1, 2 ** int(log2(max(poses, 1.0) / 64.0)) if poses > 64.0 else 1)
        whole = ceil(poses / grain) * grain
        return min(self.settings.most_poses, max(self.settings.fewest_poses, whole))

    def _too_much(self, step: Step, state: State, block: Block, number: int) -> float:
        """How many times what was left before a swap by metal a block takes; 0 within half a stroke of it."""
        if step.swap is None or not step.swap.removed:
            return 0.0
        off = mean_lost(block)
        left = self._metal_left(step, state)
        return off / left if left > 0.0 and off - left > 0.5 * off / number else 0.0

    def _wanted_poses(
        self, step: Step, state: State, block: Block, number: int, poses: int
    ) -> float:
        """Poses with which a block like this leaves the forms as sure as they are to be in the end.

        What blocks leave open adds up as squares, so each may use the share of the square that it has of the
        metal.
        """
        off = mean_lost(block)
        if not off > LEAST_METAL:
            return float(poses)
        before = 0.5 * (
            state.removed[state.top] + state.removed[state.bottom] - state.clock.off_before
        )
        clock, left = state.clock, 0.0
        if step.until is None:
            cut, age = cut_of(step, clock.grit_age, clock.strokes, number)
            after = clock.strokes + number
            left = cut_of(step, age, after, step.total_strokes - after)[0] / cut
        whole = before + off * (1.0 + left)
        # One difference tells little of a block; where blocks are few none makes up for another's luck.
        allowed = self.settings.accuracy * sqrt(
            whole * off * min(1.0, whole / (ENOUGH_BLOCKS * off))
        )
        by_plate = np.square(block.doubt).reshape(-1, 3)
        open_ = np.sqrt(0.5 * (by_plate.max(axis=1) + by_plate.mean(axis=1)))
        if self.batch is not None and self.batch.laps(step):
            # Each load is one of many to the plate, and its last to a part.
            most = self.settings.accuracy * sqrt(self.rounds * whole * off)
            of_part = PART_ACCURACY * (LOOSER if self._many else 1.0) * sqrt(whole * off)
            open_ *= allowed / np.array([most, *[of_part] * (len(open_) - 1)])
        # With more poses the error falls at least as the power 3/2.
        return float(poses * (float(open_.max()) / allowed) ** (2.0 / 3.0))

    def _shift(self, clock: Progress) -> tuple[float, float]:
        """Where the lattice of a block's poses begins: from seed, round, step and block alone."""
        start = (
            np.random.SeedSequence([self.seed, clock.round, clock.step]).generate_state(2) / 2.0**32
        )
        return (
            float((start[0] + clock.block * GOLDEN) % 1.0),
            float((start[1] + clock.block * PLASTIC) % 1.0),
        )

    def _motion(self, clock: Progress, k: int = 0) -> Motion:
        """How the top moves, or top `k` (from 0) of those of a batch, or the weight on them."""
        step, round_ = clock.step, clock.round
        key = (step, round_, k)
        if key not in self.motions:
            if any(kept[:2] != key[:2] for kept in self.motions):
                self.motions.clear()
            one, begin = self.steps[step - 1], (0.0, 0.0)
            if self.loads is not None:
                begin = self.loads.begins(one, clock)
                if k != WEIGHT and self.loads.batch.laps(one):
                    one = self.loads.batch.steps(one, round_)[k]
            self.motions[key] = Motion(one, (self.seed, round_, step), begin)
        return self.motions[key]

    def _pair(self, bottom: Plate, top: Plate, step: Step) -> Pair:
        load = top.weight + step.load.force
        stiffness = step.grit.layer.stiffness
        flexure = Flexure.of(step, bottom, top)
        key = (bottom.name, top.name, stiffness, load, flexure)
        if key not in self.pairs:
            pair = Pair(bottom, top, stiffness, load, placed=self.placed, flexure=flexure)
            self.pairs[key] = self.open_pools.enter_context(pair.threads(self.threads))
        return self.pairs[key]

    def _grit(self, step: Step) -> Grit:
        """The step's grit, its wear turned into constants if it was given as an observation."""
        name = step.grit.name
        if name not in self.grits:
            first = next(s for s in self.steps if s.grit.name == name)
            seen = first.grit.wear.observed is not None
            self.grits[name] = self._observed(first) if seen else settled(first.grit, self.plates)
        return self.grits[name]

    def _observed(self, step: Step) -> Grit:
        seen = step.grit.wear.observed
        assert seen is not None
        bottom, top = self.plates[step.bottom], self.plates[step.top]
        pair = self._pair(bottom, top, step)
        strokes = strokes_in(seen.time, step.pace)
        motion = self._motion(Progress(step=self.steps.index(step) + 1))
        sample = block_sample(
            motion, pair.load, 0, strokes, self.settings.observing_poses, (0.5, 0.5)
        )
        average = pair.average(bottom.heights(), top.heights(), sample)
        mean = {
            bottom.name: mean_over_land(bottom, average.bottom),
            top.name: mean_over_land(top, average.top),
        }
        return replace(step.grit, wear=kappa_from_observation(seen, step.grit, self.plates, mean))
