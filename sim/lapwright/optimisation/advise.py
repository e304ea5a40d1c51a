"""The next spell, chosen by lapping candidates on what is believed.

Candidates: which plate on top, the stroke as it is and smaller, the turns that are usual, each grit at hand,
how long until the next reading.  Nothing is advised that leaves a form of the goal worse than stopping would.
Settled: `Advice` and `advise`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.limits import limit_of
from lapwright.metrology.reading import Reading
from lapwright.optimisation.bench import WORSE, Bench, Target
from lapwright.optimisation.foresight import ENOUGH, Belief
from lapwright.optimisation.parts import PartsPlan
from lapwright.optimisation.rollout import (
    FRESH,
    LIKE,
    Played,
    Rollout,
    Rollouts,
    as_likely,
    by_turns,
    candidates,
    ended_on,
    rates_of,
    rules_of,
)
from lapwright.optimisation.shop import DAY, Knowledge
from lapwright.optimisation.sight import ToRead, habit_of, same, to_read, turned
from lapwright.optimisation.sizing import Sizing
from lapwright.optimisation.spell import lap_shops, off_by
from lapwright.optimisation.track import Constraint
from lapwright.specification.step import Step

__all__ = ["Advice", "Harm", "advise"]


Array = NDArray[np.float64]
Ints = NDArray[np.intp]

CHOOSING, TELLING = 48, 96  # shops that choose, and others that tell
NOW = 400  # that tell whether the goal is reached already
LENGTHS = (120.0, 300.0, 600.0, 1200.0, 1800.0)  # [s] of a spell
SHORT = (30.0, 60.0, *LENGTHS)  # [s] of one after which it is read before anything is decided
CLOSER = 0.05  # of what the forms of the goal are: a short spell must take off so much
ASKED_AGAIN = 3  # of the spells that bring forms nearer, the others that tell are asked of so many
DOUBTED = 0.5  # chance of the goal below which one reads first what would tell much
SIFTED = 3  # every so many of the shops that choose sift the candidates
OF_A_STEP = 2  # lengths of one step, at most, that are played to their end
GAIN = 0.05  # of the chance: for less nobody laps on
AT_MOST = 0.1  # share of shops in which a form may end worse than stopping now would leave it
LONG_DAB = limit_of("longest dab")
LOOKED_AT = 8  # candidates that are played to their end
STREAM = 0x61647669


AS_MUCH = 0.9  # of the metal that the best spell to a size takes: as good


@dataclass(frozen=True)
class Harm:
    """What is `asked` and made worse by a spell: in which `share` of shops, and there by how much [m]."""

    asked: Constraint
    share: float
    by: float


@dataclass(frozen=True)
class Advice:
    """What to do next: `step`, or None, and `why`.

    "go on": the goal is in sight; with no step but `read`, once the same faces are read again, turned.
    "closer": it is not, but this spell brings the plates nearer and makes no form worse; `excess`: how many
    times the goal its forms are in the mean (now, then).  "read": read first, and what, in `read`.  "size":
    the forms are reached, and a plate is nearer its size then.  Else stop: "reached", or every spell makes
    some form "worse", or is "no better", or takes a plate below its "size",
    or one that is lapped to a size is to be read by a micrometer first: "measure".  Of a batch it is "parts",
    and `plan` says how many.

    `harm`: what the least harmful spell makes worse, the likeliest first.
    `chance` of the goal in the end (at best, where it says stop); until then `cost` in seconds of
    rubbing and handling, `spells` and `metal` [m], each (low, middle, high) of 80 %; `reached_now`: chance
    that the goal is reached as things stand.
    """

    step: Step | None
    why: str
    chance: float
    reached_now: float
    cost: tuple[float, float, float] = (0.0, 0.0, 0.0)
    spells: tuple[float, float, float] = (0.0, 0.0, 0.0)
    metal: tuple[float, float, float] = (0.0, 0.0, 0.0)
    read: tuple[ToRead, ...] = ()
    excess: tuple[float, float] = (0.0, 0.0)
    harm: tuple[Harm, ...] = ()
    plan: PartsPlan | None = None


@dataclass(frozen=True)
class _Tried:
    step: Step
    grit: int
    length: float
    shops: Array
    score: float
    rollout: Rollout
    belief: Belief | None = None  # what is believed of the shops, where that was asked


_Way = tuple[_Tried | None, Played]  # a candidate and what came of it; None: to read again


def advise(
    bench: Bench,
    known: Knowledge,
    goal: Target,
    steps: Sequence[Step],
    number: int,
    last: Step | None = None,
    taken: Sequence[Reading] = (),
    sizing: Sizing | None = None,
) -> Advice:
    """Choose the spell after entry `number`; `steps`: what may be done; `last`: what was.

    `taken`: what was read of these faces since.  `sizing`: no spell is advised that takes more than is left
    to a size in one shop of ten, nor any of a plate whose size is asked and not known.
    """
    rng = bench.rng(number, STREAM)
    chosen_by, owner = known.draw(CHOOSING, rng)
    told_by, other = known.draw(TELLING, rng)
    now = float(goal.reached(bench.layout, known.draw(NOW, bench.rng(number, STREAM, 2))[0]).mean())
    left = {} if sizing is None else sizing.metal
    if now >= ENOUGH and (sizing is None or sizing.done):
        return Advice(None, "reached", now, now)
    if sizing is not None and sizing.unmeasured:
        steps = [s for s in steps if not {s.top, s.bottom} & {*sizing.unmeasured}]
        if not steps or now >= ENOUGH:
            return Advice(None, "measure", now, now)
    choosing = chosen_by, known.hand[owner]
    telling = told_by, known.hand[other]
    some = chosen_by[::SIFTED], choosing[1][::SIFTED]
    habit = habit_of(bench, taken)
    rollouts = rules_of(bench, goal, steps, *some, rng, known, habit)
    # Where a size is to be held, what all of them say counts.
    tried = _sifted(bench, goal, rollouts, steps, choosing if left else some, last, rng, left)
    if left and tried:
        tried = [one for one in tried if _within(bench, one, left)]
        if not tried or now >= ENOUGH:
            return _to_size(bench, goal, tried, left, now)
    # All meet the same chances from here on, so that they differ by what they are and not by luck.
    sized = {} if sizing is None else {name: left[name] for name in sizing.left}
    play = _Play(bench, goal, known, rollouts, last, sized, (number, STREAM, 1))
    played = [(one, *play.played(one, choosing)) for one in _unlike(tried)]
    good: list[_Way] = [(one, out) for one, out, worse in played if worse <= AT_MOST]
    again = turned(bench, habit)
    fresh = [one for one in again if not any(same(one, old) for old in taken)]
    if taken and good and fresh:
        good += [(None, out) for out in play.read(choosing)]
    best = max((float(out.reached.mean()) for _, out in good), default=0.0)
    if max(best, now) < DOUBTED and (asked := to_read(bench, known, goal, taken)):
        return Advice(None, "read", now, now, read=asked)
    if best >= now + GAIN and (told := _go_on(play, good, telling, now, fresh)) is not None:
        return told
    nearer, harm = _closer(bench, goal, rollouts, tried, choosing, telling, now, rng, left)
    if nearer is not None:
        return nearer
    if not good and played and not harm:
        least = min(played, key=lambda one: one[2])[1]
        harm = _harm(goal, bench, chosen_by, least.shops)
    return Advice(None, "worse" if harm else "no better", max(best, now), now, harm=harm)


def _sifted(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    steps: Sequence[Step],
    choosing: tuple[Array, Ints],
    last: Step | None,
    rng: np.random.Generator,
    left: Mapping[str, float],
) -> list[_Tried]:
    """All candidates, lapped and looked at after each length, the likeliest first."""
    tried = [
        one
        for step in candidates(bench, steps, LENGTHS[-1])
        for one in _try(bench, goal, rollouts, step, *choosing, rng, SHORT if left else LENGTHS)
    ]
    if not left:
        order = [one.step for one in sorted(tried, key=lambda one: one.score)]
        tried += [
            one
            for step in by_turns(bench, rollouts, order, choosing[0], last)
            for one in _try(bench, goal, rollouts, step, *choosing, rng)
        ]
    return sorted(tried, key=lambda one: one.score)


def _go_on(
    play: _Play, good: Sequence[_Way], on: tuple[Array, Ints], now: float, fresh: Sequence[Reading]
) -> Advice | None:
    """The likeliest and cheapest of some ways, as others tell it; None where these do not confirm it.

    `fresh`: readings that were not taken yet of faces that are to be read again.
    """
    one = _likely(good, play.last)
    outs = play.read(on) if one is None else [play.played(one, on)[0]]
    chance = float(outs[0].reached.mean()) if outs else 0.0
    if chance < now + GAIN:
        return None
    out = outs[0]
    return Advice(
        None if one is None else _for_so_long(one),
        "go on",
        chance,
        now,
        _middle(out.cost),
        _middle(out.spells + float(one is not None)),
        _middle(out.metal),
        to_read(play.bench, play.known, play.goal, (), fresh) if one is None else (),
    )


@dataclass(frozen=True)
class _Play:
    """Candidates played to their end, each meeting the same chances (`key`).

    `sized`: metal that may come off plates which are to come to a size [m].
    """

    bench: Bench
    goal: Target
    known: Knowledge
    rollouts: Rollouts
    last: Step | None
    sized: Mapping[str, float]
    key: tuple[int, ...]

    def played(self, one: _Tried, on: tuple[Array, Ints]) -> tuple[Played, float]:
        """What comes of a candidate in shops, and in which share of them it leaves a form worse."""
        bench, goal, luck = self.bench, self.goal, self.bench.rng(*self.key)
        (one,) = _try(
            bench, goal, self.rollouts, one.step, *on, luck, (one.length,), known=self.known
        )
        out = _played(goal, one, one.shops, on[1], self.last, luck)
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
            if self.goal.worse(self.bench.layout, shops, out.shops) <= AT_MOST:
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


def _likely(good: Sequence[_Way], last: Step | None) -> _Tried | None:
    """The cheapest of those that reach the goal as often as the best; None: read again first."""
    most = max((out.reached for _, out in good), key=np.mean)
    near = [(one, out) for one, out in good if as_likely(out.reached, most)]
    lapped = [(one, out) for one, out in near if one is not None]
    again = [out for one, out in near if one is None]
    if not lapped:
        return None
    one = _cheapest(lapped, last)
    cost = next(out.cost.mean() for other, out in lapped if other is one)
    return None if any(out.cost.mean() < cost for out in again) else one


def _to_size(
    bench: Bench,
    goal: Target,
    tried: Sequence[_Tried],
    left: Mapping[str, float],
    now: float,
) -> Advice:
    """The spell that takes most of what is left to size, by the step as typed if that does as well.

    None where each takes a plate below its size, or out of the goal that its forms have reached.
    """
    good = []
    for one in tried:
        chance = float(goal.reached(bench.layout, one.shops).mean())
        sized = any(left.get(name, 0.0) > 0.0 for name in (one.step.top, one.step.bottom))
        if sized and chance >= now - LIKE:
            good.append((one, chance, _taken(bench, one, left).sum(axis=1)))
    if not good:
        return Advice(None, "worse" if tried else "size", now, now)
    most = max(float(off.mean()) for _, _, off in good)
    best, chance, off = next(of for of in good if of[2].mean() >= AS_MUCH * most)
    time = (best.length,) * 3
    return Advice(_for_so_long(best), "size", chance, now, time, (1.0, 1.0, 1.0), _middle(off))


def _taken(bench: Bench, one: _Tried, left: Mapping[str, float]) -> Array:
    """Metal off plates that have a size to come to (m, plates) [m]."""
    return np.abs(one.shops[:, [bench.layout.removed(name) for name in left]])


def _within(bench: Bench, one: _Tried, left: Mapping[str, float]) -> bool:
    """Whether a spell takes no plate below its size, in nine shops of ten."""
    own = {name: left[name] for name in (one.step.top, one.step.bottom) if name in left}
    most = np.quantile(_taken(bench, one, own), 1.0 - AT_MOST, axis=0)
    return bool((most <= np.fromiter(own.values(), dtype=float)).all())


def _for_so_long(one: _Tried) -> Step:
    """The step as it is to be done: for so long, with fresh grit as often as it was lapped with."""
    step = one.step
    strokes = max(1, round(one.length * step.pace))
    one_dab = one.length <= (LONG_DAB if step.grit.fade is None else FRESH)
    fresh = None if one_dab and step.fresh_every == FRESH else step.fresh_every
    return replace(step, time=None, strokes=strokes, fresh_every=fresh)


def _closer(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    tried: Sequence[_Tried],
    choosing: tuple[Array, NDArray[np.intp]],
    telling: tuple[Array, NDArray[np.intp]],
    now: float,
    rng: np.random.Generator,
    left: Mapping[str, float],
) -> tuple[Advice | None, tuple[Harm, ...]]:
    """A short spell and no more, that brings the forms nearer in the mean, makes none worse, spoils no plate.

    Where there is none, what the least harmful of those that come nearer makes worse.
    """
    found: list[tuple[float, _Tried]] = []
    harmful: list[tuple[float, _Tried]] = []
    steps: list[Step] = []
    before = goal.excess(bench.layout, choosing[0])
    for one in tried:
        if one.step not in steps:
            steps.append(one.step)
    for step in steps[:LOOKED_AT]:
        for one in _try(bench, goal, rollouts, step, *choosing, rng, SHORT):
            worse, excess = (
                goal.worse(bench.layout, choosing[0], one.shops),
                goal.excess(bench.layout, one.shops),
            )
            if not _within(bench, one, left):
                continue
            if worse <= AT_MOST and not _spoilt(goal, bench, one, choosing[0]):
                found.append((excess, one))
            elif excess <= (1.0 - CLOSER) * before:
                harmful.append((worse, one))
    least = min(harmful, key=lambda pair: pair[0], default=None)
    harm: tuple[Harm, ...] = ()
    if least is not None:
        spoilt = _spoilt(goal, bench, least[1], choosing[0])
        harm = (*spoilt, *_harm(goal, bench, choosing[0], least[1].shops))
    if not found:
        return None, harm
    before = goal.excess(bench.layout, telling[0])
    for _, one in sorted(found, key=lambda pair: pair[0])[:ASKED_AGAIN]:
        again = next(_try(bench, goal, rollouts, one.step, *telling, rng, (one.length,)))
        after = goal.excess(bench.layout, again.shops)
        if (
            after <= (1.0 - CLOSER) * before
            and goal.worse(bench.layout, telling[0], again.shops) <= AT_MOST
            and not _spoilt(goal, bench, again, telling[0])
        ):
            return Advice(_for_so_long(one), "closer", now, now, excess=(before, after)), ()
    return None, harm


def _middle(values: NDArray[np.floating]) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return float(low), float(middle), float(high)


def _cheapest(near: Sequence[tuple[_Tried, Played]], last: Step | None) -> _Tried:
    """The cheapest spell; with another grit than the last only where that saves more than luck would.

    Who goes by luck washes for another grit and back again.
    """
    order = sorted(near, key=lambda pair: float(pair[1].cost.mean()))
    best, out = order[0]
    if last is None or best.step.grit.name == last.grit.name:
        return best
    for one, other in order[1:]:
        if one.step.grit.name == last.grit.name:
            saved = other.cost - out.cost
            surely = float(saved.mean()) > float(saved.std()) / np.sqrt(len(saved))
            return best if surely else one
    return best


def _unlike(tried: Sequence[_Tried]) -> list[_Tried]:
    """The best of each grit and the first of the others, few lengths of any one step among them."""
    found: list[_Tried] = []
    best = {one.step.grit.name: one for one in reversed(tried)}
    for one in [*sorted(best.values(), key=lambda one: one.score), *tried]:
        own = [other for other in found if other.step is one.step]
        if len(own) < OF_A_STEP and not any(other is one for other in own):
            found.append(one)
    return sorted(found[:LOOKED_AT], key=lambda one: one.score)


def _try(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    step: Step,
    shops: Array,
    hand: NDArray[np.intp],
    rng: np.random.Generator,
    lengths: Sequence[float] = LENGTHS,
    known: Knowledge | None = None,
) -> Iterator[_Tried]:
    """Lap a candidate on shops, drawn from what is `known`, and look after each length of it."""
    layout, rollout = bench.layout, rollouts[frozenset((step.top, step.bottom))]
    spell = bench.spell(step, (1, STREAM))
    whole = LENGTHS[-1]
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
        yield _Tried(step, grit, length, ended, score, rollout, belief)


def _played(
    goal: Target,
    one: _Tried,
    shops: Array,
    hand: NDArray[np.intp],
    last: Step | None,
    rng: np.random.Generator,
) -> Played:
    """Play a candidate to its end, its own cost included."""
    rollout = one.rollout
    layout = rollout.bench.layout
    rate = rates_of(rollout, shops)
    ends_on = one.step.top if one.step.swap is None else one.step.bottom
    out = rollout.play(shops, hand, ends_on, one.grit, rate, rng, one.belief)
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


def _spoilt(goal: Target, bench: Bench, one: _Tried, before: Array) -> tuple[Harm, ...]:
    """Plates of a spell that nobody asks anything of, and that lose more flatness than all asked gain.

    A goal that is not in sight is worth no table.  Where it is in sight, the plate is what reaching it costs.
    """
    layout, asked = bench.layout, {each.plate for each in goal.asked}
    if None in asked:  # something of the pair
        return ()
    largest = [goal.sizes(layout, shops).max(axis=1).mean() for shops in (before, one.shops)]
    gain, found = float(largest[0] - largest[1]), []
    for name in {one.step.top, one.step.bottom} - asked:
        flat = Constraint("flatness", name, float(goal.most.max()))
        more = goal.value(flat, layout, one.shops) - goal.value(flat, layout, before)
        if float(more.mean()) > max(gain, WORSE):
            bad = more > WORSE
            found.append(Harm(flat, float(bad.mean()), float(np.median(more[bad]))))
    return tuple(found)


def _harm(goal: Target, bench: Bench, before: Array, after: Array) -> tuple[Harm, ...]:
    """Which forms of the goal end worse than they are now."""
    worse, more = goal.worsened(bench.layout, before, after)
    found = [
        Harm(one, float(bad.mean()), float(np.median(by[bad])))
        for one, bad, by in zip(goal.asked, worse.T, more.T, strict=True)
        if bad.any()
    ]
    return tuple(sorted(found, key=lambda one: -one.share))
