"""The work from some faces on, as a hand with gauges would do it: read, put the more domed on top, lap, read.

The rule sees readings only, never the faces; so what it reaches, and at what cost, is what a person may.
Settled: `Rollout.play`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.contacts import Placement
from lapwright.modal.basis import form_names
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.shop import DAY
from lapwright.optimisation.spell import (
    Spell,
    either_on_top,
    lap_shops,
    off_by,
)
from lapwright.specification.curves import Curve
from lapwright.specification.outline import Outline
from lapwright.specification.step import Step

__all__ = ["LIKE", "Played", "Rollout", "as_likely", "moves_of", "rate_of", "rates_of", "rules_of"]


Array = NDArray[np.float64]
Ints = NDArray[np.intp]

SPELL = 600.0  # [s] of a spell, of which each shop laps its share
SHORTEST, LONGEST = 60.0, 1800.0  # [s]
BITE = 0.6  # of the largest form of the goal: metal that a spell takes
SURE = 0.8  # of the goal: read to be so small, it is taken as reached
NEAR = 0.3  # of the goal: so far from it two domes may be apart
LEAST = 0.01  # of R^2: less travel moves no dome in any time
FINE = 2.5  # times the goal: from here on the finest grit
STUCK = 0.8  # of what was read before: a grit that takes off less than the rest can do no more
SPELLS = 9
FINISHES = (1.0, 0.6, 0.36)  # of a stroke, once the goal is near
FINES = (2.5, 1.3)  # times the goal: so near
LIKE = 0.03  # chances so near are alike
UNREAD = 0.5e-6  # [m] scatter of a form that no gauge here reads
ALL_BUT_BLIND = 0.05  # of a form, that a gauge must read to count


@dataclass(frozen=True)
class Played:
    """What came of m shops (m,): goal `reached` in truth, `cost` [s], `spells`, `metal` [m]; `shops` then."""

    reached: NDArray[np.bool_]
    cost: Array
    spells: Ints
    metal: Array
    shops: Array


class Rollout:
    """The rule on one bench: steps that may be done, a grit each, and how the gauges there read forms.

    `finish`: what is lapped once the worst form is less than `fine` times the goal; by default the step with
    the finest grit.
    """

    def __init__(
        self,
        bench: Bench,
        goal: Target,
        steps: Sequence[Step],
        finish: Step | None = None,
        fine: float = FINE,
    ) -> None:
        self.bench = bench
        self.goal = goal
        self.fine = fine
        self.sights = {name: _sights(bench, name) for name in bench.layout.plates}
        self.either = either_on_top(
            *(bench.layout.plates[n].outline for n in (steps[0].top, steps[0].bottom))
        )
        # The moment law of discs tells nothing of a bow.
        names = (steps[0].top, steps[0].bottom)
        self.by_turns = self.either and not any(
            "bow" in form_names(bench.layout.plates[name]) for name in names
        )
        self.steps = sorted(steps, key=lambda step: -step.grit.size)
        if finish is not None:
            self.steps.append(finish)
        self._spells: dict[tuple[int, str], Spell] = {}

    def spell(self, grit: int, top: str) -> Spell:
        """The step with a grit (from coarse to fine) and a plate on top, laid once."""
        key = (grit, top)
        if key not in self._spells:
            step = self.steps[grit]
            bottom = step.bottom if top == step.top else step.top
            step = replace(
                step, top=top, bottom=bottom, time=SPELL, strokes=None, swap=None, until=None
            )
            self._spells[key] = self.bench.spell(step, (grit, top == step.top), False)
        return self._spells[key]

    def play(
        self,
        shops: Array,
        hand: Ints,
        on_top: str,
        grit: int,
        rate: Array,
        rng: np.random.Generator,
    ) -> Played:
        """Go on from shops (m, size) with `on_top` on top and a grit in use until they read well.

        `rate` (grits, 2) [m/s]: metal that each step takes with either plate on top, as it is believed.
        """
        goal, layout, effort = self.goal, self.bench.layout, self.goal.effort
        here, m = shops.copy(), len(shops)
        cost, spells, metal = np.zeros(m), np.zeros(m, dtype=np.intp), np.zeros(m)
        tops = np.full(m, self._plates.index(on_top))
        grits = np.full(m, grit)
        going, before = np.ones(m, dtype=bool), np.full(m, np.inf)
        names = np.array([step.grit.name for step in self.steps])
        # One spell tells how fast a grit cuts here: who goes on knows.
        quick = np.exp(here[:, self._wears] - np.median(here[:, self._wears], axis=0))
        lifting = np.array(
            [effort.swap_of(layout.plates[name].total_mass) for name in self._plates]
        )
        for turn in range(SPELLS + 1):
            excess, domes, size = self._read(here, rng)
            cost[going] += effort.reading
            going &= excess > SURE
            if turn == SPELLS or not going.any():
                break
            near = (excess < self.fine) | (excess > STUCK * before)
            wanted, before = np.where(near, len(self.steps) - 1, grits), excess
            cost += going * (names[wanted] != names[grits]) * effort.wash
            grits = np.where(going, wanted, grits)
            top = np.argmax(domes, axis=1) if self.either else tops
            cost += going * (top != tops) * lifting[top]
            tops = np.where(going, top, tops)
            own = rate[grits] * quick[np.arange(m), grits, None]
            # The more domed longer on top, and the other for the rest of the metal.
            share = np.maximum(BITE * size, apart := self._apart(domes) / self.moves[grits])
            first, then = (
                half / own[np.arange(m), on]
                for half, on in ((0.5 * (share + apart), top), (0.5 * (share - apart), 1 - top))
            )
            if not self.by_turns:
                first, then = share / own[np.arange(m), top], np.zeros(m)
            then = np.where(then < SHORTEST, 0.0, then)
            time = np.clip(first + then, SHORTEST, LONGEST)
            first, then = (part * time / (first + then) for part in (first, then))
            self._lap(here, hand, going, grits, tops, first / SPELL, rng)
            taken = here[:, layout.size - len(layout.plates) :]
            metal += going * np.abs(taken).max(axis=1)
            again = going & (then > 0.0)
            tops = np.where(again, 1 - tops, tops)
            cost += again * lifting[tops]
            self._lap(here, hand, again, grits, tops, then / SPELL, rng)
            taken = here[:, layout.size - len(layout.plates) :]
            metal += again * np.abs(taken).max(axis=1)
            cost += going * time
            spells += going
        cost += effort.metal * metal
        return Played(goal.reached(layout, here), cost, spells, metal, here)

    @cached_property
    def moves(self) -> Array:
        """By how much of the metal it takes each step moves dome against dish (half the difference)."""
        outline = self.bench.layout.plates[self.steps[0].top].outline
        return np.array([moves_of(step.curve, outline) for step in self.steps])

    @cached_property
    def _wears(self) -> Ints:
        """Where it stands in a shop how fast each step cuts the plate that is first on top (grits,)."""
        layout = self.bench.layout
        metal = layout.plates[self.steps[0].top].material.name
        return np.array([layout.wear(step.grit.name, metal) for step in self.steps])

    def _apart(self, domes: Array) -> Array:
        """How far dome and dish that mate stand beyond what the goal leaves to them (m,) [m]."""
        if not self.by_turns:
            return np.zeros(len(domes))
        left = NEAR * float(self.goal.most.min())
        return np.asarray(np.maximum(0.5 * np.ptp(domes, axis=1) - left, 0.0), dtype=np.float64)

    @property
    def _plates(self) -> list[str]:
        return [self.steps[0].top, self.steps[0].bottom]

    def _read(self, shops: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        """As gauges tell it: the worst form over what it may be, both domes [m], the worst form [m]."""
        layout, goal = self.bench.layout, self.goal
        noise = {name: self._off(name, shops, rng) for name in layout.plates}
        seen = goal.sizes(layout, shops)
        for column, one in enumerate(goal.asked):
            if one.plate is None:
                bottom, top = goal.pair
                off = noise[top][:, 0] - noise[bottom][:, 0]
            else:
                spoken = form_names(layout.plates[one.plate])
                off = noise[one.plate][:, spoken.index(one.form) if one.form in spoken else 0]
            seen[:, column] = np.abs(seen[:, column] + off)
        domes = [shops @ layout.form_rows(name)[0] + noise[name][:, 0] for name in self._plates]
        # Who laps two of several plates cannot mend the others, and does not go on for their sake.
        mine = [one.plate is None or one.plate in self._plates for one in goal.asked]
        seen = np.where(mine, seen, 0.0)
        size = np.where(goal.kept, 0.0, seen).max(axis=1)
        return (seen / goal.most).max(axis=1), np.stack(domes, axis=1), size

    def _off(self, plate: str, shops: Array, rng: np.random.Generator) -> Array:
        """How far each form of a plate is read off (m, 3) [m]: by scatter, and by zeros that stay."""
        off = np.empty((len(shops), 3))
        for k, (scatter, gauge, row) in enumerate(self.sights[plate]):
            off[:, k] = scatter * rng.standard_normal(len(shops))
            if gauge in self.bench.layout.gauges:
                off[:, k] += shops[:, self.bench.layout.zero(gauge)] / row
        return off

    def _lap(
        self,
        here: Array,
        hand: Ints,
        going: NDArray[np.bool_],
        grits: Ints,
        tops: Ints,
        share: Array,
        rng: np.random.Generator,
    ) -> None:
        """Lap every shop that goes on for its share of a spell, on a day of its own."""
        layout = self.bench.layout
        here[:, layout.day] = DAY * rng.standard_normal(len(here))
        for grit in range(len(self.steps)):
            for number, top in enumerate(self._plates):
                some = np.flatnonzero(going & (grits == grit) & (tops == number))
                if some.size:
                    spell = self.spell(grit, top)
                    ended = lap_shops(spell, here[some], hand[some], share[some])
                    here[some] = off_by(layout, spell.step, here[some], ended, rng)


def moves_of(curve: Curve, outline: Outline) -> float:
    """Half the difference of two domes that a stroke makes of so much metal.

    The moment law for equal discs, 6 <c^2> / R^2, which is near enough to go by for other outlines.
    """
    phi = 2.0 * np.pi * np.arange(32) / 32
    around = float(np.square(curve.position(phi)).sum(axis=1).mean())
    return 6.0 * max(around / outline.radius**2, LEAST)


Rollouts = Mapping[frozenset[str], Rollout]  # by the pair that is lapped


def rules_of(
    bench: Bench,
    goal: Target,
    steps: Sequence[Step],
    shops: Array,
    hand: Ints,
    rng: np.random.Generator,
) -> Rollouts:
    """The rule for each pair of plates by itself: who goes on with one leaves the others as they are.

    What is lapped once the goal is near is settled by playing from `shops`: the finest grit leaves least
    under a small stroke, but a large one brings dome and dish together sooner.
    """
    pairs: dict[frozenset[str], list[Step]] = {}
    for step in steps:
        pairs.setdefault(frozenset((step.top, step.bottom)), []).append(step)
    return {
        pair: _best_rule(
            bench,
            goal,
            _one_a_grit(own),
            shops,
            hand,
            int(rng.integers(2**32)),
        )
        for pair, own in pairs.items()
    }


def _one_a_grit(steps: Sequence[Step]) -> list[Step]:
    found: dict[str, Step] = {}
    for step in steps:
        found.setdefault(step.grit.name, step)
    return list(found.values())


def _best_rule(
    bench: Bench,
    goal: Target,
    steps: Sequence[Step],
    shops: Array,
    hand: Ints,
    luck: int,
) -> Rollout:
    finest = min(steps, key=lambda step: step.grit.size)
    found = []
    for share, fine in product(FINISHES, FINES):
        finish = replace(finest, curve=finest.curve.scaled(share))
        rule = Rollout(bench, goal, steps, finish, fine)
        rate = rates_of(rule, shops)
        out = rule.play(shops, hand, finest.top, 0, rate, np.random.default_rng(luck))
        found.append((out, rule))
    most = max((out.reached for out, _ in found), key=np.mean)
    near = [(out, rule) for out, rule in found if as_likely(out.reached, most)]
    return min(near, key=lambda pair: float(pair[0].cost.mean()))[1]


def as_likely(reached: NDArray[np.bool_], most: NDArray[np.bool_]) -> bool:
    """Whether the goal is reached in about as many of the same shops, by so few of them as they are."""
    less = most.astype(float) - reached
    return bool(less.mean() <= max(LIKE, float(less.std()) / np.sqrt(len(less))))


def rates_of(rollout: Rollout, shops: Array) -> Array:
    """Metal that each step of the rule takes a second, with either plate on top (grits, 2) [m/s]."""
    pair = rollout.steps[0].top, rollout.steps[0].bottom
    rates = [
        [rate_of(rollout.bench, rollout.spell(grit, top), shops) for top in pair]
        if rollout.either
        else [rate_of(rollout.bench, rollout.spell(grit, pair[0]), shops)] * 2
        for grit in range(len(rollout.steps))
    ]
    return np.array(rates)


def rate_of(bench: Bench, spell: Spell, shops: Array) -> float:
    """Metal that a spell takes a second from the plate on top, by the middle of what is believed [m/s]."""
    layout, step = bench.layout, spell.step
    crowd, plate = spell.crowd(step.top, step.bottom, 0), layout.plates[step.top]
    factor = np.exp(np.median(shops[:, layout.wear(step.grit.name, plate.material.name)]))
    iron = step.grit.wear.iron or 0.0
    return float(factor * iron * crowd.speed * (plate.weight + step.load.force) / plate.land_area)


def _sights(bench: Bench, plate: str) -> list[tuple[float, str, float]]:
    """Of each form of a plate: scatter of one reading of it [m], by which gauge, how much of it is read."""
    outline = bench.layout.plates[plate].outline
    best = [(UNREAD, "", 1.0)] * 3
    for name, gauge in bench.gauges.items():
        own = np.sqrt(
            gauge.repeatability**2 + gauge.resolution**2 / 12.0 + 0.25 * gauge.hysteresis**2
        )
        for angle in (0.0, 0.25 * np.pi) if not gauge.angular else ():
            for k, row in enumerate(
                gauge.contacts(Placement((0.0, 0.0), angle), outline).row(outline)
            ):
                if abs(row) > ALL_BUT_BLIND and own / abs(row) < best[k][0]:
                    best[k] = float(own / abs(row)), name, float(row)
    return best
