"""The next spell, chosen by lapping candidates on what is believed, and told by other shops than chose it.

Candidates: which plate on top, the stroke as it is and smaller, the turns that are usual, each grit at hand,
how long until the next reading.  Nothing is advised that leaves a form of the goal worse than stopping would.
Settled: `Advice` and `advise`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from math import radians

import numpy as np
from numpy.typing import NDArray

from lapwright.book.bench import Bench
from lapwright.book.goal import Goal
from lapwright.book.knowledge import Knowledge
from lapwright.book.looking import ToRead, to_read
from lapwright.book.prior import DAY
from lapwright.book.rollout import MUCH_LARGER, Played, Rollout
from lapwright.book.spell import lap_shops, off_by
from lapwright.errors import LapwrightError
from lapwright.gauges.reading import Reading
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.strokes import Curve
from lapwright.lapping.support import check_stands

__all__ = ["Advice", "advise"]

Array = NDArray[np.float64]

CHOOSING, TELLING = 48, 96  # shops that choose, and others that tell
LENGTHS = (120.0, 300.0, 600.0, 1200.0)  # [s] of a spell
SHORT = (30.0, 60.0, *LENGTHS)  # [s] of one after which it is read before anything is decided
CLOSER = 0.05  # of what the forms of the goal are: a short spell must take off so much
DOUBTED = 0.5  # chance of the goal below which one reads first what would tell much
SMALLER = 0.6  # of a stroke
TURNS = (Turn(radians(8.0)), Turn(radians(90.0), 10))
ENOUGH = 0.95  # chance of the goal at which one stops
LIKE = 0.03  # chances so near are alike
GAIN = 0.05  # of the chance: for less nobody laps on
WORSE, AT_MOST = 0.1e-6, 0.1  # [m] worse than stopping, in at most this share
LOOKED_AT = 8  # candidates that are played to their end
LENGTH_KEYS = ("length", "width", "radius", "small")
STREAM = 0x61647669


@dataclass(frozen=True)
class Advice:
    """What to do next: `step`, or None, and `why`.

    "go on": the goal is in sight.  "closer": it is not, but this spell brings the plates nearer and makes no
    form worse; `excess`: how many times the goal its forms are in the mean (now, then).  "read": read first,
    and what, in `read`.  Else stop: "reached", or every spell makes some form "worse", or is "no better".

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


@dataclass(frozen=True)
class _Tried:
    step: Step
    grit: int
    length: float
    shops: Array
    score: float


def advise(
    bench: Bench,
    known: Knowledge,
    goal: Goal,
    steps: Sequence[Step],
    number: int,
    last: Step | None = None,
    taken: Sequence[Reading] = (),
) -> Advice:
    """Choose the spell after entry `number`; `steps`: what may be done; `last`: what was.

    `taken`: what was read of these faces since.
    """
    rng = bench.rng(number, STREAM)
    chosen_by, owner = known.draw(CHOOSING, rng)
    told_by, other = known.draw(TELLING, rng)
    now = float(goal.reached(bench.layout, told_by).mean())
    if now >= ENOUGH:
        return Advice(None, "reached", now, now)
    rollout = Rollout(bench, goal, _one_a_grit(steps))
    hand, hand_told = known.hand[owner], known.hand[other]
    tried = [
        one
        for step in _candidates(bench, steps)
        for one in _try(bench, goal, rollout, step, chosen_by, hand, rng)
    ]
    tried.sort(key=lambda one: one.score)
    played = []
    for one in tried[:LOOKED_AT]:
        out = _played(rollout, goal, one, one.shops, hand, last, rng)
        played.append((one, out, _worse(goal, bench, chosen_by, out.shops)))
    good = [(one, out) for one, out, worse in played if worse <= AT_MOST]
    best = max((float(out.reached.mean()) for _, out in good), default=0.0)
    if max(best, now) < DOUBTED:
        asked = to_read(bench, known, goal, taken)
        if asked:
            return Advice(None, "read", now, now, read=asked)
    if best < now + GAIN:
        nearer = _closer(bench, goal, rollout, tried, (chosen_by, hand), (told_by, hand_told), now, rng)
        return nearer or Advice(None, "no better" if good else "worse", now, now)
    near = [(one, out) for one, out in good if out.reached.mean() >= best - LIKE]
    one, _ = min(near, key=lambda pair: float(pair[1].cost.mean()))
    again = next(_try(bench, goal, rollout, one.step, told_by, hand_told, rng, (one.length,)))
    out = _played(rollout, goal, one, again.shops, hand_told, last, rng)
    return Advice(
        _for_so_long(one),
        "go on",
        float(out.reached.mean()),
        now,
        _middle(out.cost),
        _middle(out.spells + 1.0),
        _middle(out.metal),
    )


def _for_so_long(one: _Tried) -> Step:
    return replace(one.step, time=None, strokes=max(1, round(one.length * one.step.pace)))


def _closer(
    bench: Bench,
    goal: Goal,
    rollout: Rollout,
    tried: Sequence[_Tried],
    choosing: tuple[Array, NDArray[np.intp]],
    telling: tuple[Array, NDArray[np.intp]],
    now: float,
    rng: np.random.Generator,
) -> Advice | None:
    """A short spell and no more, that brings the forms nearer in the mean and makes none worse."""
    found: list[tuple[float, _Tried]] = []
    steps: list[Step] = []
    for one in tried:
        if one.step not in steps:
            steps.append(one.step)
    for step in steps[:LOOKED_AT]:
        for one in _try(bench, goal, rollout, step, *choosing, rng, SHORT):
            if _worse(goal, bench, choosing[0], one.shops) <= AT_MOST:
                found.append((_excess(goal, bench, one.shops), one))
    if not found:
        return None
    one = min(found, key=lambda pair: pair[0])[1]
    again = next(_try(bench, goal, rollout, one.step, *telling, rng, (one.length,)))
    before, after = _excess(goal, bench, telling[0]), _excess(goal, bench, again.shops)
    if after > (1.0 - CLOSER) * before or _worse(goal, bench, telling[0], again.shops) > AT_MOST:
        return None
    return Advice(_for_so_long(one), "closer", now, now, excess=(before, after))


def _excess(goal: Goal, bench: Bench, shops: Array) -> float:
    """How many times the goal its forms are, in the mean of forms and shops."""
    names, sizes = goal.sizes(bench.layout, shops)
    return float((sizes / goal.most(names)).mean())


def _middle(values: NDArray[np.floating]) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return float(low), float(middle), float(high)


def _one_a_grit(steps: Sequence[Step]) -> list[Step]:
    found: dict[str, Step] = {}
    for step in steps:
        found.setdefault(step.grit.name, step)
    return list(found.values())


def _candidates(bench: Bench, steps: Sequence[Step]) -> Iterator[Step]:
    """Steps that stand, each with the longest time."""
    seen = []
    for step in steps:
        plain = replace(step, time=LENGTHS[-1], strokes=None, swap=None, until=None, note="")
        for top, bottom in _ways(bench, step):
            for curve in (plain.curve, _smaller(plain.curve)):
                for turn in dict.fromkeys((plain.turn, *TURNS)):
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
    top, bottom = (bench.layout.plates[name].outline.radius for name in (step.top, step.bottom))
    if max(top, bottom) < MUCH_LARGER * min(top, bottom):
        yield step.bottom, step.top


def _smaller(curve: Curve) -> Curve:
    names = [f.name for f in fields(curve) if f.name in LENGTH_KEYS]  # type: ignore[arg-type]
    changed: Curve = replace(curve, **{name: SMALLER * getattr(curve, name) for name in names})  # type: ignore[type-var]
    return changed


def _try(
    bench: Bench,
    goal: Goal,
    rollout: Rollout,
    step: Step,
    shops: Array,
    hand: NDArray[np.intp],
    rng: np.random.Generator,
    lengths: Sequence[float] = LENGTHS,
) -> Iterator[_Tried]:
    """Lap a candidate on shops, and look after each length of it."""
    layout = bench.layout
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
        names, sizes = goal.sizes(layout, ended)
        excess = (sizes / goal.most(names)).max(axis=1)
        effort = goal.effort
        cost = length + effort.metal * float(metal.max(axis=1).mean())
        score = float(np.maximum(excess - 0.8, 0.0).mean()) + cost / 3600.0
        yield _Tried(step, grit, length, ended, score)


def _played(
    rollout: Rollout,
    goal: Goal,
    one: _Tried,
    shops: Array,
    hand: NDArray[np.intp],
    last: Step | None,
    rng: np.random.Generator,
) -> Played:
    """Play a candidate to its end, its own cost included."""
    layout = rollout.bench.layout
    rate = np.array([_rate(rollout, grit, shops) for grit in range(len(rollout.steps))])
    out = rollout.play(shops, hand, one.step.top, one.grit, rate, rng)
    own = one.length
    if last is not None:
        own += goal.effort.swap * (last.top != one.step.top)
        own += goal.effort.wash * (last.grit.name != one.step.grit.name)
    metal = np.abs(shops[:, layout.size - len(layout.plates) :]).max(axis=1)
    return replace(out, cost=out.cost + own + goal.effort.metal * metal, metal=out.metal + metal)


def _rate(rollout: Rollout, grit: int, shops: Array) -> float:
    """Metal that a step takes a second, by the middle of what is believed [m/s]."""
    layout, step = rollout.bench.layout, rollout.steps[grit]
    spell = rollout.spell(grit, step.top)
    crowd = spell.crowd(spell.step.top, spell.step.bottom, 0)
    factor = np.exp(np.median(shops[:, layout.wear(step.grit.name, layout.plates[step.top].material.name)]))
    iron = spell.step.grit.wear.iron or 0.0
    load = layout.plates[step.top].weight + step.load.force
    return float(factor * iron * crowd.speed * load / layout.plates[step.top].land_area)


def _worse(goal: Goal, bench: Bench, before: Array, after: Array) -> float:
    """In which share of shops some form of the goal ends worse than it is now."""
    _, now = goal.sizes(bench.layout, before)
    _, then = goal.sizes(bench.layout, after)
    return float((then > now + WORSE).any(axis=1).mean())
