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

from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError
from lapwright.limits import limit_of
from lapwright.metrology.reading import Reading
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.rollout import Played, Rollout
from lapwright.optimisation.shop import DAY, Knowledge
from lapwright.optimisation.sight import ToRead, to_read
from lapwright.optimisation.sizing import Sizing
from lapwright.optimisation.spell import either_on_top, lap_shops, off_by, turns_of
from lapwright.optimisation.track import Constraint
from lapwright.specification.step import Step

__all__ = ["Advice", "Harm", "advise"]


Array = NDArray[np.float64]
Ints = NDArray[np.intp]

CHOOSING, TELLING = 48, 96  # shops that choose, and others that tell
LENGTHS = (120.0, 300.0, 600.0, 1200.0)  # [s] of a spell
SHORT = (30.0, 60.0, *LENGTHS)  # [s] of one after which it is read before anything is decided
CLOSER = 0.05  # of what the forms of the goal are: a short spell must take off so much
DOUBTED = 0.5  # chance of the goal below which one reads first what would tell much
SMALLER = 0.6  # of a stroke
ENOUGH = 0.95  # chance of the goal at which one stops
LIKE = 0.03  # chances so near are alike
GAIN = 0.05  # of the chance: for less nobody laps on
WORSE, AT_MOST = 0.1e-6, 0.1  # [m] worse than stopping, in at most this share
FRESH = 300.0  # [s] how often fresh grit, in a spell longer than this:
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

    "go on": the goal is in sight.  "closer": it is not, but this spell brings the plates nearer and makes no
    form worse; `excess`: how many times the goal its forms are in the mean (now, then).  "read": read first,
    and what, in `read`.  "size": the forms are reached, and a plate is nearer its size then.  Else stop:
    "reached", or every spell makes some form "worse", or is "no better", or takes a plate below its "size",
    or one that is lapped to a size is to be read by a micrometer first: "measure".

    `harm`: what the least harmful spell makes worse, the likeliest first.
    `chance` of the goal in the end (of having it now, where it says stop); until then `cost` in seconds of
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


@dataclass(frozen=True)
class _Tried:
    step: Step
    grit: int
    length: float
    shops: Array
    score: float
    rollout: Rollout


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
    now = float(goal.reached(bench.layout, told_by).mean())
    left = {} if sizing is None else sizing.metal
    if now >= ENOUGH and (sizing is None or sizing.done):
        return Advice(None, "reached", now, now)
    if sizing is not None and sizing.unmeasured:
        steps = [s for s in steps if not {s.top, s.bottom} & {*sizing.unmeasured}]
        if not steps or now >= ENOUGH:
            return Advice(None, "measure", now, now)
    rollouts = _rollouts(bench, goal, steps)
    hand, hand_told = known.hand[owner], known.hand[other]
    tried = [
        one
        for step in _candidates(bench, steps)
        for one in _try(
            bench, goal, rollouts, step, chosen_by, hand, rng, SHORT if left else LENGTHS
        )
    ]
    if left and tried:
        tried = [one for one in tried if _within(bench, one, left)]
        if not tried or now >= ENOUGH:
            return _to_size(bench, goal, tried, left, now)
    tried.sort(key=lambda one: one.score)
    played = []
    for one in tried[:LOOKED_AT]:
        out = _played(goal, one, one.shops, hand, last, rng)
        played.append((one, out, _worse(goal, bench, chosen_by, out.shops)))
    good = [(one, out) for one, out, worse in played if worse <= AT_MOST]
    best = max((float(out.reached.mean()) for _, out in good), default=0.0)
    if max(best, now) < DOUBTED and (asked := to_read(bench, known, goal, taken)):
        return Advice(None, "read", now, now, read=asked)
    if best < now + GAIN:
        nearer, harm = _closer(
            bench, goal, rollouts, tried, (chosen_by, hand), (told_by, hand_told), now, rng, left
        )
        if nearer is not None:
            return nearer
        if not good and played and not harm:
            least = min(played, key=lambda one: one[2])[1]
            harm = _harm(goal, bench, chosen_by, least.shops)
        return Advice(None, "worse" if harm else "no better", now, now, harm=harm)
    near = [(one, out) for one, out in good if out.reached.mean() >= best - LIKE]
    one, _ = min(near, key=lambda pair: float(pair[1].cost.mean()))
    again = next(_try(bench, goal, rollouts, one.step, told_by, hand_told, rng, (one.length,)))
    out = _played(goal, one, again.shops, hand_told, last, rng)
    return Advice(
        _for_so_long(one),
        "go on",
        float(out.reached.mean()),
        now,
        _middle(out.cost),
        _middle(out.spells + 1.0),
        _middle(out.metal),
    )


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
    """A short spell and no more, that brings the forms nearer in the mean and makes none worse.

    Where there is none, what the least harmful of those that come nearer makes worse.
    """
    found: list[tuple[float, _Tried]] = []
    harmful: list[tuple[float, _Tried]] = []
    steps: list[Step] = []
    before = _excess(goal, bench, choosing[0])
    for one in tried:
        if one.step not in steps:
            steps.append(one.step)
    for step in steps[:LOOKED_AT]:
        for one in _try(bench, goal, rollouts, step, *choosing, rng, SHORT):
            worse, excess = (
                _worse(goal, bench, choosing[0], one.shops),
                _excess(goal, bench, one.shops),
            )
            if not _within(bench, one, left):
                continue
            if worse <= AT_MOST:
                found.append((excess, one))
            elif excess <= (1.0 - CLOSER) * before:
                harmful.append((worse, one))
    least = min(harmful, key=lambda pair: pair[0], default=None)
    harm = () if least is None else _harm(goal, bench, choosing[0], least[1].shops)
    if not found:
        return None, harm
    one = min(found, key=lambda pair: pair[0])[1]
    again = next(_try(bench, goal, rollouts, one.step, *telling, rng, (one.length,)))
    before, after = _excess(goal, bench, telling[0]), _excess(goal, bench, again.shops)
    if after > (1.0 - CLOSER) * before or _worse(goal, bench, telling[0], again.shops) > AT_MOST:
        return None, harm
    return Advice(_for_so_long(one), "closer", now, now, excess=(before, after)), ()


def _excess(goal: Target, bench: Bench, shops: Array) -> float:
    """How many times the goal its forms are, in the mean of forms and shops."""
    shares = goal.sizes(bench.layout, shops) / goal.most
    return float(np.where(goal.kept, np.maximum(shares - 1.0, 0.0), shares).mean())


def _middle(values: NDArray[np.floating]) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return float(low), float(middle), float(high)


Rollouts = Mapping[frozenset[str], Rollout]  # by the pair that is lapped


def _rollouts(bench: Bench, goal: Target, steps: Sequence[Step]) -> Rollouts:
    """The rule for each pair of plates by itself: who goes on with one leaves the others as they are."""
    pairs: dict[frozenset[str], list[Step]] = {}
    for step in steps:
        pairs.setdefault(frozenset((step.top, step.bottom)), []).append(step)
    return {pair: Rollout(bench, goal, _one_a_grit(own)) for pair, own in pairs.items()}


def _one_a_grit(steps: Sequence[Step]) -> list[Step]:
    found: dict[str, Step] = {}
    for step in steps:
        found.setdefault(step.grit.name, step)
    return list(found.values())


def _candidates(bench: Bench, steps: Sequence[Step]) -> Iterator[Step]:
    """Steps that stand, each with the longest time."""
    seen = []
    for step in steps:
        plain = replace(
            step,
            time=LENGTHS[-1],
            strokes=None,
            swap=None,
            until=None,
            note="",
            fresh_every=step.fresh_every or FRESH,
        )
        for top, bottom in _ways(bench, step):
            outlines = [bench.layout.plates[name].outline for name in (top, bottom)]
            for curve in (plain.curve, plain.curve.scaled(SMALLER)):
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


def _try(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    step: Step,
    shops: Array,
    hand: NDArray[np.intp],
    rng: np.random.Generator,
    lengths: Sequence[float] = LENGTHS,
) -> Iterator[_Tried]:
    """Lap a candidate on shops, and look after each length of it."""
    layout, rollout = bench.layout, rollouts[frozenset((step.top, step.bottom))]
    spell = bench.spell(step, (1, STREAM))
    here, before = shops.copy(), shops.copy()
    here[:, layout.day] = before[:, layout.day] = DAY * rng.standard_normal(len(here))
    grit = next(k for k, one in enumerate(rollout.steps) if one.grit.name == step.grit.name)
    passed = 0.0
    metal = np.zeros((len(here), len(layout.plates)))
    for length in lengths:
        here = lap_shops(spell, here, hand, np.full(len(here), (length - passed) / LENGTHS[-1]))
        metal += here[:, layout.size - len(layout.plates) :]
        passed = length
        whole = here.copy()
        whole[:, layout.size - len(layout.plates) :] = metal
        ended = off_by(layout, step, before, whole, rng)
        excess = (goal.sizes(layout, ended) / goal.most).max(axis=1)
        effort = goal.effort
        cost = length + effort.metal * float(metal.max(axis=1).mean())
        score = float(np.maximum(excess - 0.8, 0.0).mean()) + cost / 3600.0
        yield _Tried(step, grit, length, ended, score, rollout)


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
    rate = np.array([_rate(rollout, grit, shops) for grit in range(len(rollout.steps))])
    out = rollout.play(shops, hand, one.step.top, one.grit, rate, rng)
    own = one.length
    if last is not None:
        own += goal.effort.swap_of(layout.plates[one.step.top].total_mass) * (
            last.top != one.step.top
        )
        own += goal.effort.wash * (last.grit.name != one.step.grit.name)
    metal = np.abs(shops[:, layout.size - len(layout.plates) :]).max(axis=1)
    return replace(out, cost=out.cost + own + goal.effort.metal * metal, metal=out.metal + metal)


def _rate(rollout: Rollout, grit: int, shops: Array) -> float:
    """Metal that a step takes a second, by the middle of what is believed [m/s]."""
    layout, step = rollout.bench.layout, rollout.steps[grit]
    spell = rollout.spell(grit, step.top)
    crowd = spell.crowd(spell.step.top, spell.step.bottom, 0)
    factor = np.exp(
        np.median(shops[:, layout.wear(step.grit.name, layout.plates[step.top].material.name)])
    )
    iron = spell.step.grit.wear.iron or 0.0
    load = layout.plates[step.top].weight + step.load.force
    return float(factor * iron * crowd.speed * load / layout.plates[step.top].land_area)


def _worse(goal: Target, bench: Bench, before: Array, after: Array) -> float:
    """In which share of shops a form of the goal ends worse than now; one that is kept may move so far."""
    return float(_worsened(goal, bench, before, after)[0].any(axis=1).mean())


def _worsened(
    goal: Target, bench: Bench, before: Array, after: Array
) -> tuple[NDArray[np.bool_], Array]:
    """Whether each form of the goal ends worse than it is now, and by how much more [m], (m, asked)."""
    now, then = (goal.sizes(bench.layout, shops) for shops in (before, after))
    allowed = np.where(goal.kept, np.maximum(now + WORSE, goal.most), now + WORSE)
    return then > allowed, then - now


def _harm(goal: Target, bench: Bench, before: Array, after: Array) -> tuple[Harm, ...]:
    """Which forms of the goal end worse than they are now."""
    worse, more = _worsened(goal, bench, before, after)
    found = [
        Harm(one, float(bad.mean()), float(np.median(by[bad])))
        for one, bad, by in zip(goal.asked, worse.T, more.T, strict=True)
        if bad.any()
    ]
    return tuple(sorted(found, key=lambda one: -one.share))
