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
from lapwright.optimisation.foresight import ENOUGH
from lapwright.optimisation.parts import PartsPlan
from lapwright.optimisation.rollout import (
    FRESH,
    LIKE,
    SPELLS,
    Played,
    Rollouts,
    as_likely,
    by_turns,
    candidates,
    rules_of,
)
from lapwright.optimisation.shop import Knowledge
from lapwright.optimisation.sight import ToRead, habit_of, same, to_read, turned
from lapwright.optimisation.sizing import Sizing
from lapwright.optimisation.track import Constraint
from lapwright.optimisation.tried import (
    AT_MOST,
    STREAM,
    WHOLE,
    Play,
    Tried,
    Way,
    looked_at,
    luck_of,
)
from lapwright.specification.step import Step, Turn

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
_On = tuple[tuple[Array, Ints], tuple[Array, Ints]]  # shops that choose, and others

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
CONFIRMED = 3  # ways that the others are asked of, one after another
FAR, FAR_LOOKED_AT = 30, 2  # spells of a longer day, and candidates that are played so far
UNFINISHED = 0.25  # share of shops still lapping, from which on a longer day is tried
HALF = 0.5  # of all shops: what grows in so many on the way is told
LONG_DAB = limit_of("longest dab")
LOOKED_AT = 8  # candidates that are played to their end


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

    `or_turn`: another turn by which the same spell does as well, as far as so few shops can tell.
    `harm`: what the least harmful spell makes worse, the likeliest first.  `meanwhile`: forms that a road to
    the goal makes larger on the way in half of all shops or more.  `road`: where it says stop, the way that
    would reach the goal for who accepts its `harm`, or a longer day, as one more advice.
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
    meanwhile: tuple[Harm, ...] = ()
    or_turn: Turn | None = None
    road: Advice | None = None
    plan: PartsPlan | None = None


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
    on = choosing, telling
    some = chosen_by[::SIFTED], choosing[1][::SIFTED]
    habit = habit_of(bench, taken)
    rollouts = rules_of(bench, goal, steps, *some, rng, known, habit)
    # Where a size is to be held, what all of them say counts.
    tried = _sifted(bench, goal, rollouts, steps, choosing if left else some, last, rng, left)
    if left and tried:
        tried = [one for one in tried if _within(bench, one, left)]
        if not tried or now >= ENOUGH:
            return _spell_to_size(bench, goal, tried, left, now)
    # All meet the same chances from here on, so that they differ by what they are and not by luck.
    sized = {} if sizing is None else {name: left[name] for name in sizing.left}
    play = Play(bench, goal, known, rollouts, last, sized, (number, STREAM, 1))
    looked = _unlike(tried)
    ways = _ways(play, looked, choosing)
    good = _harmless(ways, choosing)
    again = turned(bench, habit)
    fresh = [one for one in again if not any(same(one, old) for old in taken)]
    if taken and good and fresh:
        good += [(None, out) for out in play.read(choosing)]
    best = _best(good)
    if max(best, now) < DOUBTED and (asked := to_read(bench, known, goal, taken)):
        return Advice(None, "read", now, now, read=asked)
    told, road = _towards(play, ways, good, on, now, fresh)
    if told is not None:
        return told
    nearer, harm = _closer(bench, goal, rollouts, tried, choosing, telling, now, rng, left)
    if nearer is not None:
        return replace(nearer, road=road)
    if road is not None and road.harm:
        harm = road.harm
    elif not good and ways and not harm:
        least = min(ways, key=lambda one: one[2])[1]
        harm = _harm(goal, bench, chosen_by, least.shops)
    why = "worse" if harm else "no better"
    return Advice(None, why, max(best, now), now, harm=harm, road=road)


# A candidate, what came of it, in which share a form ended worse.
_Harmed = tuple[Tried, Played, float]


def _towards(
    play: Play,
    ways: Sequence[_Harmed],
    good: Sequence[Way],
    on: _On,
    now: float,
    fresh: Sequence[Reading],
) -> tuple[Advice | None, Advice | None]:
    """The way to the goal that others confirm; where there is none, that of who takes harm into account."""
    best = _best(good)
    soon = best >= now + GAIN
    if soon and best >= DOUBTED and (told := _go_on(play, good, on, now, fresh)) is not None:
        return told, None
    roads = play, ways
    if now < DOUBTED and _unfinished(ways):  # by a longer day
        far = replace(play, spells=FAR)
        far_ways = _ways(far, [one for one, _, _ in ways[:FAR_LOOKED_AT]], on[0])
        far_good = _harmless(far_ways, on[0])
        if _best(far_good) > best and (told := _go_on(far, far_good, on, now, ())) is not None:
            return told, None
        if _best([way[:2] for way in far_ways]) > _best([way[:2] for way in ways]) + LIKE:
            roads = far, far_ways
    if soon and best < DOUBTED and (told := _go_on(play, good, on, now, fresh)) is not None:
        return told, None
    return None, _road(*roads, on[1], now)


def _ways(play: Play, tried: Sequence[Tried], on: tuple[Array, Ints]) -> list[_Harmed]:
    return [(one, *play.played(one, on)) for one in tried]


def _harmless(ways: Sequence[_Harmed], on: tuple[Array, Ints]) -> list[Way]:
    """Those that leave a form worse in no more shops than may be, as far as so few shops can tell."""
    most = AT_MOST + luck_of(len(on[0]))
    return [(one, out) for one, out, worse in ways if worse <= most]


def _unfinished(ways: Sequence[_Harmed]) -> bool:
    """Whether by the likeliest way many shops were still lapping when their day was over."""
    if not ways:
        return False
    out = max((out for _, out, _ in ways), key=lambda out: float(out.reached.mean()))
    return float(((out.spells >= SPELLS) & ~out.reached).mean()) >= UNFINISHED


def _best(good: Sequence[Way]) -> float:
    return max((float(out.reached.mean()) for _, out in good), default=0.0)


def _sifted(
    bench: Bench,
    goal: Target,
    rollouts: Rollouts,
    steps: Sequence[Step],
    choosing: tuple[Array, Ints],
    last: Step | None,
    rng: np.random.Generator,
    left: Mapping[str, float],
) -> list[Tried]:
    """All candidates, lapped and looked at after each length, the likeliest first."""
    tried = [
        one
        for step in candidates(bench, steps, WHOLE)
        for one in looked_at(
            bench, goal, rollouts, step, *choosing, rng, SHORT if left else LENGTHS
        )
    ]
    if not left:
        order = [one.step for one in sorted(tried, key=lambda one: one.score)]
        tried += [
            one
            for step in by_turns(bench, rollouts, order, choosing[0], last)
            for one in looked_at(bench, goal, rollouts, step, *choosing, rng, LENGTHS)
        ]
    return sorted(tried, key=lambda one: one.score)


def _go_on(
    play: Play,
    good: Sequence[Way],
    on: _On,
    now: float,
    fresh: Sequence[Reading],
) -> Advice | None:
    """The likeliest and cheapest of some ways, as others tell it; None where these do not confirm it.

    `on`: the shops that choose, and the others.  `fresh`: readings that were not taken yet of faces that are
    to be read again.  A way that leaves a form worse in too many of all shops gives place to the next.
    """
    choosing, telling = on
    left = list(good)
    for _ in range(CONFIRMED):
        if not left:
            break
        one = _likely(left, play.last)
        if one is None:
            outs = play.read(telling)
            if outs and float(outs[0].reached.mean()) >= now + GAIN:
                asked = to_read(play.bench, play.known, play.goal, (), fresh)
                return replace(_told(play, None, outs[0], telling, now), read=asked)
            left = [way for way in left if way[0] is not None]
            continue
        out, worse = play.played(one, telling)
        chosen = next(way for other, way in left if other is one)
        few, many = len(choosing[0]), len(telling[0])
        before = play.goal.worse(play.bench.layout, choosing[0], chosen.shops)
        if (few * before + many * worse) / (few + many) <= AT_MOST:
            if float(out.reached.mean()) >= now + GAIN:
                turn = next((other.step.turn for other in _other_turns(one, _near(left))), None)
                return replace(_told(play, one, out, telling, now), or_turn=turn)
            return None
        left = [way for way in left if way[0] is not one]
    return None


def _told(play: Play, one: Tried | None, out: Played, on: tuple[Array, Ints], now: float) -> Advice:
    """A way that is taken, as those tell it who did not choose it; None: to read again."""
    return Advice(
        None if one is None else _for_so_long(one),
        "go on",
        float(out.reached.mean()),
        now,
        _middle(out.cost),
        _middle(out.spells + float(one is not None)),
        _middle(out.metal),
        meanwhile=() if one is None else _meanwhile(play, one, out, on[0]),
    )


def _road(play: Play, ways: Sequence[_Harmed], on: tuple[Array, Ints], now: float) -> Advice | None:
    """The way that reaches the goal likeliest, for who accepts what it makes worse or a longer day.

    None where none does as a rule, or surely enough above what stopping leaves, or at no such price.
    """
    if _best([way[:2] for way in ways]) < DOUBTED:
        return None
    one = _likely([way[:2] for way in ways], play.last)
    if one is None:
        return None
    out, _ = play.played(one, on)
    harm = _harm(play.goal, play.bench, on[0], out.shops)
    priced = bool(harm) or play.spells > SPELLS
    if not priced or float(out.reached.mean()) < max(DOUBTED, now + GAIN):
        return None
    return replace(_told(play, one, out, on, now), harm=harm)


def _meanwhile(play: Play, one: Tried, out: Played, before: Array) -> tuple[Harm, ...]:
    """Forms that are larger on the way than now, by more than they may end, in half of all shops or more."""
    goal, layout = play.goal, play.bench.layout
    now = goal.sizes(layout, before)
    more = np.asarray(out.peak) - now
    bad = more > WORSE
    return tuple(
        Harm(form, float(worse.mean()), float(np.median(by[worse])))
        for form, worse, by in zip(goal.asked, bad.T, more.T, strict=True)
        if worse.mean() >= HALF and not form.kept
    )


def _near(good: Sequence[Way]) -> list[Way]:
    """Those that reach the goal as often as the best."""
    most = max((out.reached for _, out in good), key=np.mean)
    return [(one, out) for one, out in good if as_likely(out.reached, most)]


def _likely(good: Sequence[Way], last: Step | None) -> Tried | None:
    """The cheapest of those that reach the goal as often as the best; None: read again first.

    Of two turns that do as well, the one that its step was typed with.
    """
    near = _near(good)
    lapped = [(one, out) for one, out in near if one is not None]
    again = [out for one, out in near if one is None]
    if not lapped:
        return None
    one = _cheapest(lapped, last)
    typed = {step.turn for step in one.rollout.steps}
    if one.step.turn not in typed:
        one = next((o for o in _other_turns(one, lapped) if o.step.turn in typed), one)
    cost = next(out.cost.mean() for other, out in lapped if other is one)
    return None if any(out.cost.mean() < cost for out in again) else one


def _other_turns(one: Tried, near: Sequence[Way]) -> Iterator[Tried]:
    """The same spell turned otherwise, at a cost that by so many shops is no other."""
    own = next(out.cost for other, out in near if other is one)
    for other, out in near:
        if other is None or other is one or other.length != one.length:
            continue
        if replace(other.step, turn=one.step.turn) == one.step:
            more = out.cost - own
            if abs(float(more.mean())) <= float(more.std()) / np.sqrt(len(more)):
                yield other


def _spell_to_size(
    bench: Bench,
    goal: Target,
    tried: Sequence[Tried],
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


def _taken(bench: Bench, one: Tried, left: Mapping[str, float]) -> Array:
    """Metal off plates that have a size to come to (m, plates) [m]."""
    return np.abs(one.shops[:, [bench.layout.removed(name) for name in left]])


def _within(bench: Bench, one: Tried, left: Mapping[str, float]) -> bool:
    """Whether a spell takes no plate below its size, in nine shops of ten."""
    own = {name: left[name] for name in (one.step.top, one.step.bottom) if name in left}
    most = np.quantile(_taken(bench, one, own), 1.0 - AT_MOST, axis=0)
    return bool((most <= np.fromiter(own.values(), dtype=float)).all())


def _for_so_long(one: Tried) -> Step:
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
    tried: Sequence[Tried],
    choosing: tuple[Array, NDArray[np.intp]],
    telling: tuple[Array, NDArray[np.intp]],
    now: float,
    rng: np.random.Generator,
    left: Mapping[str, float],
) -> tuple[Advice | None, tuple[Harm, ...]]:
    """A short spell and no more, that brings the forms nearer in the mean, makes none worse, spoils no plate.

    Where there is none, what the least harmful of those that come nearer makes worse.
    """
    found: list[tuple[float, Tried]] = []
    harmful: list[tuple[float, Tried]] = []
    steps: list[Step] = []
    before = goal.excess(bench.layout, choosing[0])
    for one in tried:
        if one.step not in steps:
            steps.append(one.step)
    for step in steps[:LOOKED_AT]:
        for one in looked_at(bench, goal, rollouts, step, *choosing, rng, SHORT):
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
        again = next(looked_at(bench, goal, rollouts, one.step, *telling, rng, (one.length,)))
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


def _cheapest(near: Sequence[tuple[Tried, Played]], last: Step | None) -> Tried:
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


def _unlike(tried: Sequence[Tried]) -> list[Tried]:
    """The best of each grit and the first of the others, few lengths of any one step among them."""
    found: list[Tried] = []
    best = {one.step.grit.name: one for one in reversed(tried)}
    for one in [*sorted(best.values(), key=lambda one: one.score), *tried]:
        own = [other for other in found if other.step is one.step]
        if len(own) < OF_A_STEP and not any(other is one for other in own):
            found.append(one)
    return sorted(found[:LOOKED_AT], key=lambda one: one.score)


def _spoilt(goal: Target, bench: Bench, one: Tried, before: Array) -> tuple[Harm, ...]:
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
