"""One block of strokes: both faces moved on, its error, the order of strokes that it keeps.

The order of strokes: which blocks keep it, and what the others miss.

A block holds the faces still while its strokes are looked at, so it misses what a stroke does to the next
ones of its turn (docs/numerics.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import CHUNKS, Pair, Sample
from lapwright.contact.gang import Gang, Maps
from lapwright.integration.state import Progress, State, frozen
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import cut_of, cut_time, rubbing_until
from lapwright.metrology.form import forms_of_sums, quadratic_sums
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step

Array = NDArray[np.float64]

# Shares of the stages so far by which each later one is moved on, of all in the step, and what the step of
# third order in it, which ends at the last stage, makes otherwise.
STAGES = (
    (1.0 / 3.0,),
    (1.0 / 6.0, 1.0 / 6.0),
    (1.0 / 8.0, 0.0, 3.0 / 8.0),
    (1.0 / 2.0, 0.0, -3.0 / 2.0, 2.0),
)
SECOND_DONE = 3  # stages after which the second weighs nothing
FOURTH = (1.0 / 6.0, 0.0, 0.0, 2.0 / 3.0, 1.0 / 6.0)
APART = (-1.0 / 3.0, 0.0, 3.0 / 2.0, -4.0 / 3.0, 1.0 / 6.0)


def mean_over_land(plate: Plate, rate: Array) -> float:
    """Mean of a map over the land of a plate."""
    return float(np.einsum("ij,ij->", plate.land, rate) / plate.land.sum())


def settling_time(pair: Pair, motion: Motion, rates: tuple[float, float]) -> float:
    """Time in which a mismatch dies, before anything is known of the contact [s]."""
    poses = motion.poses(np.arange(64) / 64.0)
    spin = np.abs(poses.spin) * 0.6 * pair.top.outline.radius
    speed = float(np.hypot(np.hypot(poses.vx, poses.vy), spin).mean())
    rate = pair.stiffness * speed * (rates[0] + rates[1])
    return 1.0 / rate if rate > 0.0 else inf


@dataclass(frozen=True)
class Block:
    """A block of strokes: metal lost by all `bodies` (ny, nx) [m], and what it tells of itself.

    `error` [m]: rms of what the third-order step in it makes otherwise; `step` and `doubt` (3 * bodies,) [m]:
    the same, and the error of the sample, in the forms of bottom and tops.  `removal_rate` [m/s]: of the
    bottom and the top that loses most.  `solved`: poses that it took, in all stages.
    """

    gang: Gang
    lost: Maps
    rate: Maps
    squeeze: float
    removal_rate: float
    error: float
    step: Array
    doubt: Array
    lift_share: float
    scale_error: float
    solved: int

    @classmethod
    def fourth_order(
        cls,
        gang: Gang,
        state: State,
        samples: Sequence[Sample],
        rates: Sequence[float],
        time: float,
        part: tuple[int, ...],
    ) -> Block:
        """`time` [s] at a fresh dab's cut, by a Runge-Kutta step of fourth order with one of third in it.

        Five stages (R. H. Merson, Proc. Symp. Data Processing, Weapons Research Establishment, 1957, from
        memory).  The later ones are worked out on a `part` of the same poses, as changes to the first.
        """
        bodies = gang.bodies
        z = [state.heights[body.name] for body in bodies]
        full = [rate * time for rate in rates]
        first = gang.average(z, samples, part)
        stages = [first.maps]
        for shares in STAGES:
            rate = _mixed(shares, stages)
            worn = [y - t * r for y, t, r in zip(z, full, rate, strict=True)]
            del rate  # maps are let go as soon as they are done with: fine ones fill the memory
            stages.append(gang.moved(worn, samples, first))
            if len(stages) == SECOND_DONE:
                stages[1] = stages[0]
        rate = _mixed(FOURTH, stages)
        lost = tuple(t * r for t, r in zip(full, rate, strict=True))
        apart = tuple(t * r for t, r in zip(full, _mixed(APART, stages), strict=True))
        down = [k * mean_over_land(body, r) for k, body, r in zip(rates, bodies, rate, strict=True)]
        return cls(
            gang=gang,
            lost=lost,
            rate=rate,
            squeeze=first.squeeze,
            removal_rate=down[0] + max(down[1:]),
            error=_spread_of(bodies, apart),
            step=np.concatenate(
                [shape_of(plate, dz) for plate, dz in zip(bodies, apart, strict=True)]
            ),
            doubt=np.repeat(full, 3) * first.doubt,
            lift_share=first.lift_share,
            scale_error=first.scale_error,
            solved=round(
                sum(sample.share.size for sample in samples)
                * (1.0 + len(STAGES) * first.shares / CHUNKS)
            ),
        )

    @property
    def bodies(self) -> tuple[Plate, ...]:
        """Bottom and tops."""
        return self.gang.bodies

    def applied(self, state: State, clock: Progress, ordered: float = 0.0) -> State:
        """The state after this block, which misses the order of strokes by `ordered` of the metal."""
        heights = dict(state.heights)
        removed = dict(state.removed)
        doubt = dict(state.doubt)
        pressure_speed = {name: frozen(np.zeros(z.shape)) for name, z in heights.items()}
        for body, (plate, lost, rate) in enumerate(
            zip(self.bodies, self.lost, self.rate, strict=True)
        ):
            heights[plate.name] = frozen(heights[plate.name] - lost)
            removed[plate.name] += mean_over_land(plate, lost)
            pressure_speed[plate.name] = frozen(rate)
            own = slice(3 * body, 3 * body + 3)
            doubt[plate.name] = state.doubt[plate.name].after(
                self.doubt[own], self.step[own], ordered * mean_over_land(plate, lost)
            )
        return replace(
            state,
            clock=clock,
            event="block",
            heights=heights,
            removed=removed,
            pressure_speed=pressure_speed,
            lift_share=self.lift_share,
            scale_error=self.scale_error,
            doubt=doubt,
        )


def _mixed(shares: Sequence[float], stages: Sequence[Maps]) -> Maps:
    """Sum of the stages, each by its share."""
    return tuple(
        sum((w * stage[body] for w, stage in zip(shares, stages, strict=True) if w), np.zeros(()))
        for body in range(len(stages[0]))
    )


def shape_of(plate: Plate, dz: Array) -> Array:
    """The three form errors of a map at margin 0 (3,) [m]."""
    x, y = (middle / plate.outline.radius for middle in (plate.grid.x, plate.grid.y))
    errors: Array = np.einsum(
        "ks,s->k", forms_of_sums(plate), quadratic_sums(plate.land * dz, x, y)
    )
    return errors


def _spread_of(bodies: Sequence[Plate], change: Sequence[Array]) -> float:
    """Largest rms of the changes about their means, over land [m]."""
    worst = 0.0
    for plate, dz in zip(bodies, change, strict=True):
        off = dz - mean_over_land(plate, dz)
        worst = max(worst, mean_over_land(plate, off * off))
    return sqrt(worst)


FEW_TURNS = 24.0  # of the top in a step: then blocks are ...
PARTS_OF_TURN = 8.0, 32.0  # ... such parts of a turn, so that its strokes are lapped in order
MISSED = 0.03  # of what a turn takes off, where its strokes are not lapped in order
BLOCKS_IN_ORDER = 96.0  # about so many in the step, within those limits
PART_OF_LEFT = 1.0 / 16.0  # of a step, that a block of unlike strokes lasts at most ...
PART_OF_TAU = 0.1  # ... but for such a part of the time in which a mismatch dies
SOME_TURNS = 64.0  # up to so many, what is remembered of them at the end is lapped in order ...
REMEMBERED = 2.0  # ... which is so many times the time in which a mismatch dies ...
FEW_REMEMBERED = 4.0  # ... if it is no more turns than these: of more, less runs round
TIRED = 4.0  # times its fade: what a dab takes off after that does not matter to the order


def _turns(motion: Motion, step: Step) -> float:
    """Turns that the top or the operator makes in a step, whichever makes more."""
    turns = np.abs(motion.slow(np.array([0.0, float(step.total_strokes)])))[:, 1]
    return float(turns[[name != "traverse" for name in motion.clocks]].max(initial=0.0))


def out_of_order(motion: Motion, step: Step, number: int) -> float:
    """Share of the metal of a block of `number` strokes by which it misses their order, in saddle and twist.

    A stroke of half the width leaves 0.03 to 0.05 of what a turn takes off (docs/numerics.md).
    """
    if 0 < number <= motion.index_every:
        return 0.0  # a block of one angle keeps its place in the order
    turns = _turns(motion, step)
    if turns * number <= step.total_strokes / PARTS_OF_TURN[0]:
        return 0.0
    return MISSED / (turns * _fresh_share(step))


def _fresh_share(step: Step) -> float:
    """What a step takes off as a share of what it would take off with fresh grit all the time."""
    return max(cut_time(step) * step.pace / step.total_strokes, 1e-9)


def in_order(motion: Motion, step: Step, age: float) -> int:
    """Most strokes in a block, so that those of few turns are lapped in the order in which they come.

    A block that holds the faces still over a turn misses the saddle that runs round with the top, one part in
    a few dozen of what a turn takes off: too much where the whole step is only a few turns,
    or a dab, `age` [s] old, fades within a few.
    """
    turns = _turns(motion, step)
    most = turns * _fresh_share(step)
    tired = step.grit.fade is not None and age > TIRED * step.grit.fade
    if turns == 0.0 or most > FEW_TURNS or tired:
        return step.total_strokes
    parts = min(max(BLOCKS_IN_ORDER / most, PARTS_OF_TURN[0]), PARTS_OF_TURN[1])
    return max(1, int(step.total_strokes / (parts * turns)))


def in_memory(motion: Motion, step: Step, first: int, age: float, tau: float) -> float:
    """Most strokes in a block from stroke `first` on, so that the faces remember the order of the last ones.

    A hand that wanders, a set-over angle and a traverse make the strokes of a block unlike, and at the end of
    a step the faces remember its last strokes best: blocks that take the mean of a few tens of
    them missed up to 1 % of the metal (docs/numerics.md).  Shapes forget at many rates, the fastest within
    `tau` [s] at a fresh dab's cut, so blocks are the shorter the nearer the end.  Of a steady hand only what
    runs round with the top matters, where few turns are remembered: these are lapped in order.
    `age` [s]: of the dab.
    """
    steady = step.hand.steady and not motion.index_every and "traverse" not in motion.clocks
    strokes = step.total_strokes / max(_turns(motion, step), 1e-9)  # of a turn
    if steady and not (
        FEW_TURNS * strokes < step.total_strokes * _fresh_share(step) <= SOME_TURNS * strokes
        and REMEMBERED * tau * step.pace <= FEW_REMEMBERED * strokes
    ):
        return inf
    left, _ = cut_of(step, age, first, step.total_strokes - first)
    if steady:
        ahead = rubbing_until(step.grit.fade, age, max(left - REMEMBERED * tau, 0.0)) * step.pace
        return max(1.0, strokes / PARTS_OF_TURN[0], ahead)
    length = max(PART_OF_LEFT * left, PART_OF_TAU * tau)
    return max(1.0, rubbing_until(step.grit.fade, age, length) * step.pace)


def mean_lost(block: Block) -> float:
    """What a block takes off, the mean of bottom and (first) top [m]."""
    both = zip(block.bodies[:2], block.lost[:2], strict=True)
    return 0.5 * sum(mean_over_land(p, dz) for p, dz in both)


DAMPED, DAMPED_OF_MANY = 0.5, 0.3  # powers by which poses follow what the check before asks for
MOST_MORE, MOST_MORE_OF_MANY = 2.0, 1.25  # times as many; and at least ...
MOST_FEWER = 0.8


def poses_ahead(poses: int, wanted: float, many: bool) -> float:
    """Poses for the next block after one with `poses`, whose check asks for so many.

    One check tells by a single difference, and the largest of several: followed by a part of the way, up and
    down alike, chance asks neither for more nor for fewer; less of it where there are `many` loads.
    """
    power, most = (DAMPED_OF_MANY, MOST_MORE_OF_MANY) if many else (DAMPED, MOST_MORE)
    return poses * min(max(float((wanted / poses) ** power), MOST_FEWER), most)


def strokes_of_block(stride: float, most: int, motion: Motion) -> int:
    """Strokes of the next block: about `stride`, in equal parts of `most`, in whole rounds of an index."""
    wanted = max(1, min(most, int(min(stride, 2.0**62))))
    number = ceil(most / ceil(most / wanted))
    every = motion.index_every
    if every and every < number < most:
        whole_round = every * motion.angle_cycle if motion.angle_cycle else every
        number -= number % (whole_round if whole_round <= number else every)
    return number
