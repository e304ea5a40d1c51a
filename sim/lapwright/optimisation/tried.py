"""Candidates for the next spell: lapped and looked at after each length, and played to their end.

All meet the same chances, so that they differ by what they are and not by luck.
Settled: `Tried`, `Play` and `looked_at`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.foresight import Belief
from lapwright.optimisation.rollout import (
    PLANNED_FINENESS,
    SPELLS,
    Played,
    Rollout,
    Rollouts,
    ended_on,
    rates_of,
)
from lapwright.optimisation.shop import DAY, Knowledge
from lapwright.optimisation.spell import lap_shops, off_by
from lapwright.specification.step import Step

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

WHOLE = 1800.0  # [s] that candidates are laid for
AT_MOST = 0.1  # share of shops in which a form may end worse than stopping now would leave it
STREAM = 0x61647669


@dataclass(frozen=True)
class Tried:
    """A candidate and where it leaves `shops`; `grit`: which of its rule, `score`: how far from the goal.

    `belief`: what is believed of the shops then, where that was asked.
    """

    step: Step
    grit: int
    length: float
    shops: Array
    score: float
    rollout: Rollout
    belief: Belief | None = None


Way = tuple[Tried | None, Played]  # a candidate and what came of it; None: to read again


@dataclass(frozen=True)
class Play:
    """Candidates played to their end, each meeting the same chances (`key`), for so many `spells` at most.

    `sized`: metal that may come off plates which are to come to a size [m].
    """

    bench: Bench
    goal: Target
    known: Knowledge
    rollouts: Rollouts
    last: Step | None
    sized: Mapping[str, float]
    key: tuple[int, ...]
    spells: int = SPELLS

    def played(self, one: Tried, on: tuple[Array, Ints]) -> tuple[Played, float]:
        """What comes of a candidate in shops, and in which share of them it leaves a form worse."""
        bench, goal, luck = self.bench, self.goal, self.bench.rng(*self.key)
        (one,) = looked_at(
            bench, goal, self.rollouts, one.step, *on, luck, (one.length,), known=self.known
        )
        out = played_on(goal, one, one.shops, on[1], self.last, luck, self.spells)
        return self._sized(out), goal.worse(bench.layout, on[0], out.shops)

    def read(self, on: tuple[Array, Ints]) -> list[Played]:
        """What comes of reading once more, turned, before anything is lapped; the best rule first."""
        shops, found = on[0], []
        for rule in self.rollouts.values():
            top, grit = rule.steps[0].top, 0
            if self.last is not None and {self.last.top, self.last.bottom} == {*rule.pair}:
                top = ended_on(self.last)
                names = [step.grit.name for step in rule.steps]
                grit = names.index(self.last.grit.name) if self.last.grit.name in names else 0
            luck, belief = self.bench.rng(*self.key), Belief.of(self.known, shops)
            rate = rates_of(rule, shops)
            out = self._sized(rule.play(shops, on[1], top, grit, rate, luck, belief, again=True))
            if self.goal.worse(self.bench.layout, shops, out.shops) <= AT_MOST + luck_of(
                len(shops)
            ):
                found.append(out)
        return sorted(found, key=lambda out: -float(out.reached.mean()))

    def _sized(self, out: Played) -> Played:
        """Where a plate ends below its size, the goal is not reached."""
        if not self.sized:
            return out
        at = [list(self.bench.layout.plates).index(name) for name in self.sized]
        most = np.fromiter(self.sized.values(), dtype=float)
        within = (np.asarray(out.off)[:, at] <= most).all(axis=1)
        return replace(out, reached=out.reached & within)


def luck_of(shops: int) -> float:
    """How far off (one standard deviation) the share of so few shops may be in which a form ends worse."""
    return float(np.sqrt(AT_MOST * (1.0 - AT_MOST) / shops))


def looked_at(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    step: Step,
    shops: Array,
    hand: NDArray[np.intp],
    rng: np.random.Generator,
    lengths: Sequence[float],
    known: Knowledge | None = None,
) -> Iterator[Tried]:
    """Lap a candidate on shops, drawn from what is `known`, and look after each length of it."""
    layout, rollout = bench.layout, rollouts[frozenset((step.top, step.bottom))]
    spell = bench.spell(step, (1, STREAM), fineness=PLANNED_FINENESS)
    whole = WHOLE
    if step.swap is not None and step.time is not None:
        lengths, whole = (step.time,), step.time
    here, before = shops.copy(), shops.copy()
    here[:, layout.day] = before[:, layout.day] = DAY * rng.standard_normal(len(here))
    grit = next(k for k, one in enumerate(rollout.steps) if one.grit.name == step.grit.name)
    passed = 0.0
    metal = np.zeros((len(here), len(layout.plates)))
    for length in lengths:
        here = lap_shops(spell, here, hand, np.full(len(here), (length - passed) / whole))
        metal += here[:, layout.size - len(layout.plates) :]
        passed = length
        ended = here.copy()
        ended[:, layout.size - len(layout.plates) :] = metal
        model, belief = ended, None
        ended = off_by(layout, step, before, model, rng)
        if known is not None:
            sure = rollout.foresight.another_day(Belief.of(known, shops), before)
            belief = rollout.foresight.lapped(spell, sure, before, model, ended, length / whole)
        excess = (goal.sizes(layout, ended) / goal.most).max(axis=1)
        effort = goal.effort
        cost = length + effort.metal * float(metal.max(axis=1).mean())
        score = float(np.maximum(excess - 0.8, 0.0).mean()) + cost / 3600.0
        yield Tried(step, grit, length, ended, score, rollout, belief)


def played_on(
    goal: Target,
    one: Tried,
    shops: Array,
    hand: NDArray[np.intp],
    last: Step | None,
    rng: np.random.Generator,
    spells: int = SPELLS,
) -> Played:
    """Play a candidate to its end, its own cost included."""
    rollout = one.rollout
    layout = rollout.bench.layout
    rate = rates_of(rollout, shops)
    ends_on = one.step.top if one.step.swap is None else one.step.bottom
    out = rollout.play(shops, hand, ends_on, one.grit, rate, rng, one.belief, spells=spells)
    own = one.length
    if one.step.swap is not None:
        own += goal.effort.swap_of(layout.plates[ends_on].total_mass)
    if last is not None:
        own += goal.effort.swap_of(layout.plates[one.step.top].total_mass) * (
            ended_on(last) != one.step.top
        )
        own += goal.effort.wash * (last.grit.name != one.step.grit.name)
    off = np.abs(shops[:, layout.size - len(layout.plates) :])
    metal = off.max(axis=1)
    cost = out.cost + own + goal.effort.metal * metal
    return replace(out, cost=cost, metal=out.metal + metal, off=out.off + off)
