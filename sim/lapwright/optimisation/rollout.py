"""The work from some faces on, as a hand with gauges would do it: read, put the more domed on top, lap, read.

The rule sees readings only, never the faces; so what it reaches, and at what cost, is what a person may.
It stops where such readings let the book say stop, and reads again, without lapping, where that alone is
what keeps it from saying so.
Settled: `Rollout.play`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError
from lapwright.kinematics.schedule import stays
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import form_names
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.foresight import ENOUGH, Belief, Foresight
from lapwright.optimisation.shop import DAY, Knowledge
from lapwright.optimisation.spell import (
    Spell,
    either_on_top,
    lap_shops,
    off_by,
    turns_of,
)
from lapwright.specification.curves import Curve
from lapwright.specification.outline import Outline
from lapwright.specification.step import Step, Swap

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

SPELL = 600.0  # [s] of a spell, of which each shop laps its share
SHORTEST, LONGEST = 60.0, 1800.0  # [s]
BITE = 0.6  # of the largest form of the goal: metal that a spell takes
NEAR = 0.3  # of the goal: so far from it two domes may be apart
LEAST = 0.01  # of R^2: less travel moves no dome in any time
FINE = 2.5  # times the goal: from here on the finest grit
STUCK = 0.8  # of what was read before: a grit that takes off less than the rest can do no more
SPELLS = 9
BY_TURNS = (600.0, 1200.0, 1800.0)  # [s] of a spell in which plates change places
OF_TURNS = 6  # steps that are tried so
HALF_MINUTE = 30.0  # [s]
FINISHES = (1.0, 0.6, 0.36)  # of a stroke, once the goal is near
SMALLER = 0.6  # of a stroke that is tried beside it
FRESH = 300.0  # [s] how often fresh grit, in a spell longer than this
FINES = (2.5, 1.3)  # times the goal: so near
LIKE = 0.03  # chances so near are alike
AGAIN = 2  # times that the same faces are read anew
# Contact points of what is only planned: forms end within 1 % of their change of where those of a log would,
# rms over far and near pairs of four outlines, in three fifths of the time.
PLANNED_FINENESS = 1.0


@dataclass(frozen=True)
class Played:
    """What came of m shops (m,): goal `reached` in truth, `cost` [s], `spells`, `metal` [m]; `shops` then.

    Metal of each spell is that of the plate that lost most; `off` (m, plates) [m] that of each.  `peak`
    (m, asked) [m]: the largest that each form of the goal was on the way, as it was believed then.
    """

    reached: NDArray[np.bool_]
    cost: Array
    spells: Ints
    metal: Array
    shops: Array
    off: Array | float = 0.0
    peak: Array | float = 0.0


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
        foresight: Foresight | None = None,
    ) -> None:
        self.bench = bench
        self.goal = goal
        self.fine = fine
        self.foresight = foresight or Foresight(bench, goal, (steps[0].top, steps[0].bottom))
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
            of = grit, top == step.top
            self._spells[key] = self.bench.spell(step, of, fineness=PLANNED_FINENESS)
        return self._spells[key]

    def play(
        self,
        shops: Array,
        hand: Ints,
        on_top: str,
        grit: int,
        rate: Array,
        rng: np.random.Generator,
        belief: Belief | None = None,
        again: bool = False,
        spells: int = SPELLS,
    ) -> Played:
        """Go on from shops (m, size) with `on_top` on top and a grit in use until the book would say stop.

        `rate` (grits, 2) [m/s]: metal that each step takes with either plate on top, as it is believed.
        `belief`: what is believed of these shops; None: that each is one of them.  `again`: they were read
        already, and are read once more.  `spells`: so many at most.
        """
        effort, m = self.goal.effort, len(shops)
        here = shops.copy()
        belief = Belief.of(None, here) if belief is None else belief.copy()
        cost, lapped, metal = np.zeros(m), np.zeros(m, dtype=np.intp), np.zeros(m)
        off = np.zeros((m, len(self.bench.layout.plates)))
        tops = np.full(m, self.pair.index(on_top))
        grits = np.full(m, grit)
        going, before = np.ones(m, dtype=bool), np.full(m, np.inf)
        read = np.full(m, int(again))
        names = np.array([step.grit.name for step in self.steps])
        usual = np.median(here[:, self._wears], axis=0)
        peak = np.zeros((m, len(self.goal.asked)))
        for turn in range(spells + 1):
            self._read(belief, here, going, read, rng, cost)
            middle = here + belief.off
            shares, domes, size = self._seen(middle)
            excess = shares.max(axis=1)
            peak = np.maximum(peak, shares * self.goal.most)
            if turn == spells or not going.any():
                break
            near = (excess < self.fine) | (excess > STUCK * before)
            wanted, before = np.where(near, len(self.steps) - 1, grits), excess
            cost += going * (names[wanted] != names[grits]) * effort.wash
            grits = np.where(going, wanted, grits)
            top = np.argmax(domes, axis=1) if self.either else tops
            cost += going * (top != tops) * self._lifting[top]
            tops = np.where(going, top, tops)
            quick = np.exp(middle[:, self._wears] - usual)  # as far as it is known by then
            own = rate[grits] * quick[np.arange(m), grits, None]
            first, then = self._times(size, domes, grits, top, own)
            cost += going * (first + then)
            self._lap(here, hand, going, grits, tops, first / SPELL, rng, belief)
            taken = going[:, None] * self._taken(here)
            metal, off = metal + taken.max(axis=1), off + taken
            more = going & (then > 0.0)
            tops = np.where(more, 1 - tops, tops)
            cost += more * self._lifting[tops]
            self._lap(here, hand, more, grits, tops, then / SPELL, rng, belief)
            taken = more[:, None] * self._taken(here)
            metal, off = metal + taken.max(axis=1), off + taken
            lapped += going
            read[going] = 0
        cost += effort.metal * metal
        reached = self.goal.reached(self.bench.layout, here)
        return Played(reached, cost, lapped, metal, here, off, peak)

    def _read(
        self,
        belief: Belief,
        here: Array,
        going: NDArray[np.bool_],
        read: Ints,
        rng: np.random.Generator,
        cost: Array,
    ) -> None:
        """Read shops that go on, and again, turned, while that may be all that is wanting; who is sure stops.

        `read` (m,): how often their faces were read already.
        """
        reading = going.copy()
        for _ in range(AGAIN):
            for again in (False, True):
                some = np.flatnonzero(reading & ((read > 0) == again))
                belief.put(some, self.foresight.read(belief[some], rng, again))
            cost += reading * self.goal.effort.reading
            read += reading
            some = np.flatnonzero(reading)
            chance = self.foresight.chance(here[some], belief[some])
            going[some[chance >= ENOUGH]] = False
            some = some[(chance < ENOUGH) & (chance > 0.0) & (read[some] < AGAIN)]
            reading = np.zeros_like(going)
            if some.size:
                then = self.foresight.read(belief[some], None, True)
                reading[some] = self.foresight.chance(here[some], then) >= ENOUGH
            if not reading.any():
                break

    def _times(
        self, size: Array, domes: Array, grits: Ints, top: Ints, own: Array
    ) -> tuple[Array, Array]:
        """How long the more domed is on top, and the other for the rest of the metal (m,) [s]."""
        share = np.maximum(BITE * size, apart := self._apart(domes) / self.moves[grits])
        each = np.arange(len(size))
        if self.by_turns:
            first = 0.5 * (share + apart) / own[each, top]
            then = 0.5 * (share - apart) / own[each, 1 - top]
        else:
            first, then = share / own[each, top], np.zeros(len(size))
        then = np.where(then < SHORTEST, 0.0, then)
        time = np.clip(first + then, SHORTEST, LONGEST)
        return first * time / (first + then), then * time / (first + then)

    def _taken(self, here: Array) -> Array:
        """Metal that the last spell took off each plate (m, plates) [m]."""
        layout = self.bench.layout
        return np.abs(here[:, layout.size - len(layout.plates) :])

    @cached_property
    def _lifting(self) -> Array:
        """What it costs to lay either plate on top (2,) [s]."""
        plates = self.bench.layout.plates
        return np.array([self.goal.effort.swap_of(plates[n].total_mass) for n in self.pair])

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
    def pair(self) -> list[str]:
        """Who is first on top, and who lies below."""
        return [self.steps[0].top, self.steps[0].bottom]

    def _seen(self, middle: Array) -> tuple[Array, Array, Array]:
        """As it is believed: each form over what it may be, both domes [m], the worst form [m]."""
        layout, goal = self.bench.layout, self.goal
        shares = self.foresight.shares(middle)
        domes = [middle @ layout.form_rows(name)[0] for name in self.pair]
        size = np.where(goal.kept, 0.0, shares * goal.most).max(axis=1)
        return shares, np.stack(domes, axis=1), size

    def _lap(
        self,
        here: Array,
        hand: Ints,
        going: NDArray[np.bool_],
        grits: Ints,
        tops: Ints,
        share: Array,
        rng: np.random.Generator,
        belief: Belief,
    ) -> None:
        """Lap every shop that goes on for its share of a spell, on a day of its own."""
        layout = self.bench.layout
        here[:, layout.day] = DAY * rng.standard_normal(len(here))
        for grit in range(len(self.steps)):
            for number, top in enumerate(self.pair):
                some = np.flatnonzero(going & (grits == grit) & (tops == number))
                if some.size:
                    spell = self.spell(grit, top)
                    before = here[some]
                    told = self.foresight.another_day(belief[some], before)
                    ended = lap_shops(spell, before, hand[some], share[some])
                    here[some] = off_by(layout, spell.step, before, ended, rng)
                    told = self.foresight.lapped(
                        spell, told, before, ended, here[some], share[some]
                    )
                    belief.put(some, told)


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
    known: Knowledge,
    readings: Sequence[Reading] = (),
) -> Rollouts:
    """The rule for each pair of plates by itself: who goes on with one leaves the others as they are.

    What is lapped once the goal is near is settled by playing from `shops`: the finest grit leaves least
    under a small stroke, but a large one brings dome and dish together sooner.  `readings`: what is read
    after each spell.
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
            known,
            Foresight(bench, goal, (own[0].top, own[0].bottom), readings),
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
    known: Knowledge,
    foresight: Foresight,
) -> Rollout:
    finest = min(steps, key=lambda step: step.grit.size)
    found = []
    for share, fine in product(FINISHES, FINES):
        finish = replace(finest, curve=finest.curve.scaled(share))
        rule = Rollout(bench, goal, steps, finish, fine, foresight)
        rate = rates_of(rule, shops)
        out = rule.play(
            shops,
            hand,
            finest.top,
            0,
            rate,
            np.random.default_rng(luck),
            Belief.of(known, shops),
            again=True,
        )
        found.append((out, rule))
    most = max((out.reached for out, _ in found), key=np.mean)
    near = [(out, rule) for out, rule in found if as_likely(out.reached, most)]
    return min(near, key=lambda pair: float(pair[0].cost.mean()))[1]


def as_likely(reached: NDArray[np.bool_], most: NDArray[np.bool_]) -> bool:
    """Whether the goal is reached in about as many of the same shops, by so few of them as they are.

    One shop less is luck, however few they are.
    """
    less = most.astype(float) - reached
    return bool(less.mean() <= max(LIKE, 1.001 / len(less), float(less.std()) / np.sqrt(len(less))))


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


def by_turns(
    bench: Bench, rollouts: Rollouts, steps: Sequence[Step], shops: Array, last: Step | None
) -> Iterator[Step]:
    """The first of some steps with either plate on top, as one spell in which they change places once.

    Each lies on top for so long that dome and dish that mate, as they are believed to be, meet half way.
    """
    layout = bench.layout
    seen: list[tuple[object, ...]] = []
    for step in {id(step): step for step in steps}.values():
        pair = frozenset((step.top, step.bottom))
        rule = rollouts[pair]
        kind = (pair, step.grit.name, step.curve, step.turn)
        if not rule.by_turns or kind in seen or len(seen) == OF_TURNS:
            continue
        seen.append(kind)
        if last is not None and step.bottom == ended_on(last):
            step = replace(step, top=step.bottom, bottom=step.top)
        names = step.top, step.bottom
        domes = [float((shops @ layout.form_rows(name)[0]).mean()) for name in names]
        moves = moves_of(step.curve, layout.plates[step.top].outline)
        grit = next(k for k, one in enumerate(rule.steps) if one.grit.name == step.grit.name)
        usual = rule.steps[grit].curve.half_travel
        rate, other = (
            step.curve.half_travel / usual * rate_of(bench, rule.spell(grit, name), shops)
            if usual
            else rate_of(bench, rule.spell(grit, name), shops)
            for name in names
        )
        apart = 0.5 * (domes[0] - domes[1]) / moves
        for length in BY_TURNS:
            whole = length * 2.0 * rate * other / (rate + other)
            halves = (whole + apart) / (2.0 * rate), (whole - apart) / (2.0 * other)
            times = [HALF_MINUTE * round(half / HALF_MINUTE) for half in halves]
            if min(times) >= 2.0 * HALF_MINUTE:
                swap = Swap(on_top=dict(zip(names, times, strict=True)))
                yield replace(step, swap=swap, time=sum(times))


def ended_on(last: Step) -> str:
    """Which plate lies on top when a spell is over; by metal or readings nobody knows, and none is moved.

    A stroke that is left over by rounding makes nobody change the plates once more.
    """
    if last.swap is None or not last.swap.on_top:
        return last.top
    return next(
        (stay.top for stay in reversed([*stays(last)]) if stay.end - stay.first > 1), last.top
    )


def candidates(bench: Bench, steps: Sequence[Step], longest: float) -> Iterator[Step]:
    """Steps that stand, each `longest` [s]; of the finest grit also under the strokes that finish."""
    seen = []
    finest = min((step.grit.size for step in steps), default=0.0)
    for step in steps:
        shares = FINISHES if step.grit.size == finest else (1.0, SMALLER)
        plain = replace(
            step,
            time=longest,
            strokes=None,
            swap=None,
            until=None,
            note="",
            fresh_every=step.fresh_every or FRESH,
        )
        for top, bottom in _ways(bench, step):
            outlines = [bench.layout.plates[name].outline for name in (top, bottom)]
            for curve in (
                plain.curve.scaled(share) if share < 1.0 else plain.curve for share in shares
            ):
                for turn in dict.fromkeys((plain.turn, *turns_of(*outlines))):
                    one = replace(plain, top=top, bottom=bottom, curve=curve, turn=turn)
                    try:
                        check_stands(one, bench.layout.plates[top], bench.layout.plates[bottom])
                    except LapwrightError:
                        continue
                    if one not in seen:
                        seen.append(one)
                        yield one


def _ways(bench: Bench, step: Step) -> Iterator[tuple[str, str]]:
    """Top and bottom as they are, and the other way round where neither is much the larger."""
    yield step.top, step.bottom
    if either_on_top(*(bench.layout.plates[name].outline for name in (step.top, step.bottom))):
        yield step.bottom, step.top
