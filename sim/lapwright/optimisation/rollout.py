"""The work from some faces on, as a hand with gauges would do it: read, put the more domed on top, lap, read.

The rule sees readings only, never the faces; so what it reaches, and at what cost, is what a person may.
Settled: `Rollout.play`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.contacts import Placement
from lapwright.modal.basis import form_names
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.shop import DAY
from lapwright.optimisation.spell import Spell, either_on_top, lap_shops, off_by
from lapwright.specification.step import Step

__all__ = ["Played", "Rollout"]


Array = NDArray[np.float64]
Ints = NDArray[np.intp]

SPELL = 600.0  # [s] of a spell, of which each shop laps its share
SHORTEST, LONGEST = 60.0, 1800.0  # [s]
BITE = 0.6  # of the largest form of the goal: metal that a spell takes
SURE = 0.9  # of the goal: read to be so small, it is taken as reached
FINE = 2.5  # times the goal: from here on the finest grit
SPELLS = 6
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
    """The rule on one bench: steps that may be done, a grit each, and how the gauges there read forms."""

    def __init__(self, bench: Bench, goal: Target, steps: Sequence[Step]) -> None:
        self.bench = bench
        self.goal = goal
        self.sights = {name: _sights(bench, name) for name in bench.layout.plates}
        self.either = either_on_top(
            *(bench.layout.plates[n].outline for n in (steps[0].top, steps[0].bottom))
        )
        self.steps = sorted(steps, key=lambda step: -step.grit.size)
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

        `rate` (grits,) [m/s]: metal that each step takes, as it is believed.
        """
        goal, layout, effort = self.goal, self.bench.layout, self.goal.effort
        here, m = shops.copy(), len(shops)
        cost, spells, metal = np.zeros(m), np.zeros(m, dtype=np.intp), np.zeros(m)
        tops = np.full(m, self._plates.index(on_top))
        grits = np.full(m, grit)
        going = np.ones(m, dtype=bool)
        lifting = np.array(
            [effort.swap_of(layout.plates[name].total_mass) for name in self._plates]
        )
        for turn in range(SPELLS + 1):
            excess, domes, size = self._read(here, rng)
            cost[going] += effort.reading
            going &= excess > SURE
            if turn == SPELLS or not going.any():
                break
            wanted = np.where(excess < FINE, len(self.steps) - 1, grits)
            cost += going * (wanted != grits) * effort.wash
            grits = np.where(going, wanted, grits)
            top = np.argmax(domes, axis=1) if self.either else tops
            cost += going * (top != tops) * lifting[top]
            tops = np.where(going, top, tops)
            time = np.clip(BITE * size / rate[grits], SHORTEST, LONGEST)
            self._lap(here, hand, going, grits, tops, time / SPELL, rng)
            taken = here[:, layout.size - len(layout.plates) :]
            metal += going * np.abs(taken).max(axis=1)
            cost += going * time
            spells += going
        cost += effort.metal * metal
        return Played(goal.reached(layout, here), cost, spells, metal, here)

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
