"""The next spell after a run, chosen by lapping candidates from its last faces.

As the book does (`advise`), but nothing is read: the faces are those of the run, and what is not known is
how far the layer gives.  A spell is told in metal, so how fast a grit cuts does not matter.  Candidates come
in rounds, what is nearest to the run first, on a few shops; the best is lapped by the engine before it is
advised.
Settled: `Onward` and `onward`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings, State
from lapwright.kinematics.schedule import kappa, stays_by_weight
from lapwright.limits import limit_of
from lapwright.optimisation import kept_plan
from lapwright.optimisation.advise import Harm
from lapwright.optimisation.bench import Bench, Target, bench_of, target_of
from lapwright.optimisation.rollout import FRESH, SMALLER
from lapwright.optimisation.spell import (
    DISCREPANCY,
    Spell,
    either_on_top,
    lap_shops,
    turns_enough,
    turns_of,
    workable,
)
from lapwright.optimisation.summary import Follower
from lapwright.results.record import Run
from lapwright.specification.plate import Plate
from lapwright.specification.rates import FEPA_F
from lapwright.specification.step import Grit, Hand, Step, Swap, Turn, Wear, usual_wear
from lapwright.study.faces import ended
from lapwright.units import METRIC

Array = NDArray[np.float64]

SHOPS = 3
UNIT = 600.0  # [s] that a candidate is lapped for at a time, and shorter where
BITE = 0.4  # of the largest form goes in less
SHORTEST = 60.0  # [s] on top at one go
# So many of them after which it is looked at.
LENGTHS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, *range(4, 9), *range(10, 25, 2))
WELL = 0.5  # of what the goal lacks: a round that leaves less is the last
HELD = 0.7  # of what it leaves: where as little could be reached, what forbids that is told
CLOSER = 0.95  # of it: what leaves more is not worth the rubbing
NEAR = 0.02  # of what could be won: for so much nobody laps on
SURE = 0.8  # of the goal counts as reached
DOUBT = 1.2816  # standard deviations, nine in ten
WORSE = 0.03e-6  # [m] than now: obeyed three times over, no form ends a tenth of a micrometre worse
MOST_STEPS = 600  # of a candidate, at so many of which it is left
ROUNDS = 4  # of candidates
TRIED = 3  # candidates that are lapped by the engine
CELLS = 64  # across, at most
ROUGHLY = Settings(poses=32, fewest_poses=32, accuracy=0.01, tolerance=0.01)
PATIENCE = 3  # looks without anything better, after which a candidate is left
TRAVEL = 1.0 / 3.0  # of the top's width: a shorter stroke takes domes out too slowly
LARGER = 1.25  # where it is no shorter
FINER = (9e-6, 5e-6, 3e-6, 1e-6)  # grits to go on with [m]
JUMP = limit_of("next grit") + 1e-4  # with room for round-off
FINEST = 3e-6  # [m] from here on: stop
STREAM = 0x6F6E7764


@dataclass(frozen=True)
class Onward:
    """What to lap next: `steps`, one or a round of them; none where nothing is to be lapped.

    `why`: with steps, "reached" where the goal is by them, "closer" where it only comes nearer; without, it
    is "reached" as things stand, every spell makes some form "worse", or is "no better".  `off` [m]: what
    they take off each plate; `time` [s].  `then`: forms by "A.sphere" and the
    like [m], as the engine lapped them; `harm`: what the least harmful makes worse; `held`: what would be,
    if one lapped on to where the goal is much nearer; `after`: the grit that mends what they make worse;
    `key`: digest of all that it hangs on.
    """

    steps: tuple[Step, ...]
    why: str
    off: Mapping[str, float] = field(default_factory=dict)
    time: float = 0.0
    then: Mapping[str, float] = field(default_factory=dict)
    harm: tuple[Harm, ...] = ()
    held: Harm | None = None
    after: Grit | None = None
    key: str = ""


Candidate = tuple[Spell, ...]  # lapped one after the other


@dataclass(frozen=True)
class _Looked:
    """A candidate after so many units: what the goal lacks, what of it is worse, the cost, `shops` then."""

    steps: tuple[Step, ...]
    units: float
    lacks: float
    harm: tuple[Harm, ...]
    cost: float
    shops: Array

    @property
    def lapped(self) -> tuple[Step, ...]:
        """The steps for so long."""
        return tuple(_for_so_long(step, self.units) for step in self.steps)


def onward(run: Run, base: Step | None = None, special: Sequence[Step] = ()) -> Onward:
    """Choose what to lap after a run, or read what the run keeps of that.

    Parameters
    ----------
    run : Run
    base : Step, optional
        In place of the last step of the run, where that cannot be done again.
    special : sequence of Step
        What may be done besides, where nothing usual helps.

    Returns
    -------
    Onward

    """
    key = kept_plan.key_of(run, base, special)
    kept = kept_plan.read(run, key)
    return kept or replace(_Search(run, base).best(special), key=key)


class _Search:
    """Candidates from the faces at the end of a run, and what came of them."""

    def __init__(self, run: Run, base: Step | None) -> None:
        study, faces = run.study, ended(run)
        self.plates = {
            name: replace(plate, form=faces.form(name, study.margin))
            for name, plate in study.plates.items()
        }
        last = study.steps[int(run.step[-1]) - 1]
        last = replace(last, top=run.top[-1], bottom=run.bottom[-1])
        steps = tuple(workable(step, study.plates) for step in study.steps)
        last = workable(base or last, study.plates)
        study = replace(study, steps=steps)
        self.steps = _one_a_pair([last, *reversed(steps)])
        self.study = study
        grits = [step.grit for step in (*steps, last)]
        for grit in grits:
            grits += [one for one in finer_grits(grit) if one.name not in [g.name for g in grits]]
        also = [*self.steps, *(replace(last, grit=grit) for grit in grits)]
        self.bench: Bench = bench_of(replace(study, plates=self.plates), also=also)
        goal = target_of(self.bench, came=bench_of(study, also=also).prior)
        self.goal: Target = replace(goal, pair=(run.bottom[-1], run.top[-1]))
        self.shops = self._shops()
        self.now = self.goal.sizes(self.bench.layout, self.shops)
        self.began = self._columns(study.plates)
        self.forbidden: list[_Looked] = []
        self._spells: list[Spell] = []

    def _shops(self) -> Array:
        """The faces as they are (SHOPS, size), the layer at evenly likely depths."""
        layout, prior = self.bench.layout, self.bench.prior
        shops = np.tile(prior.centre, (SHOPS, 1))
        deviates = [NormalDist().inv_cdf((k + 0.5) / SHOPS) for k in range(SHOPS)]
        for grit in layout.layers:
            at = layout.layer(grit)
            shops[:, at] += np.sqrt(prior.covariance[at, at]) * np.array(deviates)
        return shops

    def best(self, special: Sequence[Step]) -> Onward:
        """Look at candidates in rounds until one does well."""
        if (self._sizes(self._columns(self.plates), 0) <= self.goal.most).all():
            return Onward((), "reached")
        if (self.now <= self.goal.most).all():  # what is left is finer than candidates can tell
            return Onward((), "no better")
        looked: list[_Looked] = []
        began = self._lacks(self.now)
        answer = None
        for candidates in islice(self._rounds(special, looked), ROUNDS):
            for candidate in candidates:
                looked += self._looked(candidate)
            if min((one.lacks for one in looked), default=began) <= WELL * began:
                answer = self._answer(looked, began)
                if answer is not None:
                    return answer
        answer = self._answer(looked, began)
        if answer is not None:
            return answer
        harmful = [
            one for one in self.forbidden + looked if one.harm and one.lacks <= CLOSER * began
        ]
        if not harmful:
            return Onward((), "no better")
        return Onward((), "worse", harm=min(harmful, key=lambda one: one.harm[0].by).harm)

    def _answer(self, looked: list[_Looked], began: float) -> Onward | None:
        """The best so far, lapped by the engine; what proves no good is taken out of `looked`.

        One that leaves a form worse is as good where a finer grit then mends that.
        """
        for _ in range(TRIED):
            safe = self._chosen([one for one in looked if not one.harm], began)
            bold = self._chosen(looked, began)
            if bold is None:
                return None
            one: _Looked | None = bold
            after: tuple[Step, ...] = ()
            if bold.harm:
                mends = safe is None or bold.lacks < HELD * safe.lacks
                after = self._mended(bold) if mends else ()
                if not after:
                    one = safe
            if one is not None:
                answer = self._lapped(one.lapped, after)
                if not answer.harm and answer.why:
                    limit = HELD * one.lacks
                    held = min(
                        (b for b in self.forbidden + looked if b.harm and b.lacks < limit),
                        key=lambda b: b.lacks,
                        default=None,
                    )
                    if after:
                        return replace(answer, after=after[0].grit)
                    return replace(answer, held=held.harm[0] if held else None)
            gone = one or bold
            self.forbidden += [b for b in looked if b.steps == gone.steps and b.harm]
            looked[:] = [b for b in looked if b.steps != gone.steps]
        return None

    def _mended(self, bold: _Looked) -> tuple[Step, ...]:
        """What a finer grit does after a candidate, where that leaves no form worse; else nothing."""
        last = bold.steps[-1]
        grit = next(iter(finer_grits(last.grit)), last.grit)
        looked = [
            one
            for spell in self._either(_plain(replace(last, grit=grit)))
            if self._stands(spell.step)
            for one in self._looked((spell,), bold.shops)
            if not one.harm
        ]
        best = min(looked, key=lambda one: one.lacks, default=None)
        return best.lapped if best is not None else ()

    def _chosen(self, looked: Sequence[_Looked], began: float) -> _Looked | None:
        """The cheapest of those that are as good as the best, none if that is no better than now."""
        least = min((one.lacks for one in looked), default=began)
        if least > CLOSER * began:
            return None
        most = least + NEAR * (began - least)
        return min((one for one in looked if one.lacks <= most), key=lambda one: one.cost)

    # --- candidates ----------------------------------------------------------------------------

    def _rounds(
        self, special: Sequence[Step], looked: Sequence[_Looked]
    ) -> Iterator[list[Candidate]]:
        """The stroke as it is, then smaller and larger, then by another grit, then what is special.

        From the second on the top is turned as was best in the first.
        """
        yield self._usual(self.steps, turned=True)
        last = self.steps[0]
        if looked:
            best = min(looked, key=lambda one: one.lacks)
            last = replace(last, turn=best.steps[0].turn)
        sizes = SMALLER, self._larger(last)
        yield self._usual([replace(last, curve=last.curve.scaled(size)) for size in sizes])
        grits = [*finer_grits(last.grit), *(step.grit for step in self.study.steps)]
        others = {grit.name: grit for grit in grits if grit.name != last.grit.name}
        yield self._usual([replace(last, grit=grit) for grit in others.values()])
        yield [(self._spell(_plain(step)),) for step in special if self._stands(step)]

    def _usual(self, steps: Sequence[Step], turned: bool = False) -> list[Candidate]:
        """Each step with either on top and by turns; `turned`, if it was not; and all of them in a round."""
        found: list[Candidate] = []
        around: dict[Turn | None, list[Spell]] = {}
        several = len(_one_a_pair(steps)) > 1
        for step in steps:
            outlines = [self.plates[name].outline for name in (step.top, step.bottom)]
            others = turns_of(*outlines) if turned and not turns_enough(step) else ()
            for turn in (None, *others):
                either = list(
                    self._either(_plain(step if turn is None else replace(step, turn=turn)))
                )
                if turn is None or not several:
                    found += [(one,) for one in either if self._stands(one.step)]
                around.setdefault(turn, []).insert(0, either[-1])
        if several:
            found += [
                tuple(spells)
                for spells in around.values()
                if all(self._stands(one.step) for one in spells)
            ]
        return found

    def _either(self, step: Step) -> Iterator[Spell]:
        """The step as it is; where neither plate is much the larger, the other way round and by turns too."""
        spell = self._spell(step)
        yield spell
        top, bottom = self.plates[step.top], self.plates[step.bottom]
        if either_on_top(top.outline, bottom.outline):
            yield spell.with_same_motion(top=step.bottom, bottom=step.top)
            stays = stays_by_weight({p.name: p.weight + step.load.force for p in (top, bottom)})
            yield spell.with_same_motion(swap=Swap(stays), time=sum(stays.values()))

    def _larger(self, step: Step) -> float:
        width = self.plates[step.top].outline.width_along(step.direction)
        travel = 2.0 * step.curve.half_travel
        return max(LARGER, TRAVEL * width / travel) if travel > 0.0 else LARGER

    def _spell(self, step: Step) -> Spell:
        step = self.bench.known(step)
        for spell in self._spells:
            tires = spell.step.grit.fade == step.grit.fade
            if tires and replace(spell.step, grit=step.grit) == step:
                return spell.with_same_motion(grit=step.grit)
        self._spells.append(self.bench.spell(step, (STREAM, len(self._spells))))
        return self._spells[-1]

    def _stands(self, step: Step) -> bool:
        ways = [(step.top, step.bottom)]
        ways += [(step.bottom, step.top)] if step.swap is not None else []
        try:
            for top, bottom in ways:
                laid = replace(step, top=top, bottom=bottom)
                check_stands(laid, self.plates[top], self.plates[bottom])
        except LapwrightError:
            return False
        return True

    # --- what comes of them --------------------------------------------------------------------

    def _looked(self, spells: Candidate, start: Array | None = None) -> list[_Looked]:
        """Lap a candidate for a unit after another, and look at it after each of `LENGTHS`."""
        looked: list[_Looked] = []
        hand = np.zeros(SHOPS, dtype=np.intp)
        shops = self.shops if start is None else start
        metal, passed = np.zeros((SHOPS, len(self.plates))), 0.0
        whole = any(spell.step.swap is not None for spell in spells)
        paces = [self._pace(spell) for spell in spells]
        bite = min([1.0, *(BITE * self.now.max() / off for _, off in paces if off > 0.0)])
        stays = [min(s.step.swap.on_top.values()) for s in spells if s.step.swap is not None]
        bite = min(1.0, max([bite, *(SHORTEST / stay for stay in stays)]))
        steps = tuple(_swapped_sooner(spell.step, bite) for spell in spells)
        most = MOST_STEPS / max(work for work, _ in paces)
        for bites in LENGTHS:
            if whole and bites % 1.0:  # part of it would not lap both places alike
                continue
            units = bites * bite
            if looked and units > most:
                break
            share = np.full(SHOPS, min(units - passed, bite))
            for _ in range(round((units - passed) / share[0])):
                for spell in spells:
                    try:
                        shops = lap_shops(spell, shops, hand, share)
                    except LapwrightError:
                        return looked
                    metal = metal + shops[:, -len(self.plates) :]
            passed = units
            looked.append(self._judged(steps, units, shops, metal))
            lacks = [one.lacks for one in looked]
            if min(lacks) < min(lacks[-PATIENCE:]):
                break
        return looked

    def _pace(self, spell: Spell) -> tuple[float, float]:
        """Steps of integration that a unit takes, and the metal that it takes off the faster plate [m]."""
        step = spell.step
        plates = self.plates[step.bottom], self.plates[step.top]
        kappas = np.array([kappa(step.grit, *plates)])
        stiffness = np.array([step.grit.layer.stiffness])
        try:
            crowd = spell.crowd(step.top, step.bottom, 0)
        except LapwrightError:
            return 1.0, 0.0
        time = step.total_strokes / step.pace
        work = (plates[1].weight + step.load.force) * crowd.speed * time
        off = max(k / p.land_area for k, p in zip(kappas[0], plates, strict=True)) * work
        return float(crowd.steps(stiffness, kappas, time)[0]), off

    def _judged(self, steps: tuple[Step, ...], units: float, shops: Array, metal: Array) -> _Looked:
        """What a candidate came to; its forms nine times in ten no larger than is counted as harm."""
        then, goal = self.goal.sizes(self.bench.layout, shops), self.goal
        doubt = DOUBT * DISCREPANCY * np.abs(then - self.now)
        worse = self._worse(self.now.max(axis=0), (then + doubt).max(axis=0))
        time = units * sum(step.total_strokes / step.pace for step in steps)
        cost = time + goal.effort.metal * float(metal.max(axis=1).mean()) + self._handling(steps)
        return _Looked(steps, units, self._lacks(then), worse, cost, shops)

    def _handling(self, steps: Sequence[Step]) -> float:
        """What is to be done before the first stroke [s]."""
        last, effort = self.steps[0], self.goal.effort
        first = steps[0]
        swapped = effort.swap_of(self.plates[first.top].total_mass) * (first.top != last.top)
        return swapped + effort.wash * (first.grit.name != last.grit.name)

    def _worse(self, now: Array, then: Array) -> tuple[Harm, ...]:
        """What is larger than it was and than the goal says, the worst first."""
        allowed = np.maximum(now + WORSE, self.goal.most)
        found = [
            Harm(one, 1.0, float(after - before))
            for one, before, after, most in zip(self.goal.asked, now, then, allowed, strict=True)
            if after > most
        ]
        return tuple(sorted(found, key=lambda one: -one.by))

    def _lacks(self, sizes: Array) -> float:
        """How far from the goal, in goals: the middle of its worst form and the mean of all."""
        shares = np.maximum(sizes / self.goal.most - SURE, 0.0)
        return float(0.5 * (shares.max(axis=1) + shares.mean(axis=1)).mean())

    def _lapped(self, steps: tuple[Step, ...], after: tuple[Step, ...]) -> Onward:
        """Steps by the engine, whose word goes: `why` is empty where they are not as good as they looked.

        `after`: what mends the harm that they may do.
        """
        plates = {n: replace(p, cells=min(p.cells, CELLS)) for n, p in self.plates.items()}
        study = replace(self.bench.study, plates=plates, steps=(*steps, *after))
        try:
            states = list(lap(plates, study.steps, margin=study.margin, settings=ROUGHLY))
        except LapwrightError:
            return Onward((), "")
        ended_at = next(state for state in reversed(states) if state.clock.step <= len(steps))
        columns = self._columns(plates, (states[0], ended_at, states[-1]))
        now, then, end = (self._sizes(columns, at) for at in range(3))
        closer = self._lacks(then[None]) <= CLOSER * self._lacks(now[None])
        why = "reached" if (then <= self.goal.most).all() else "closer" if closer else ""
        names = dict.fromkeys(name for step in steps for name in (step.top, step.bottom))
        return Onward(
            steps,
            why,
            off={name: ended_at.removed[name] for name in names},
            time=sum(step.total_strokes / step.pace for step in steps),
            then={key: column[1] for key, column in columns.items() if "." in key},
            harm=self._worse(now, end),
        )

    def _columns(
        self, plates: Mapping[str, Plate], moments: Sequence[State] = ()
    ) -> Mapping[str, Sequence[float]]:
        """What the engine measures of some plates, at some moments; as they come where none are given."""
        asked = any(one.measure == "mating" for one in self.goal.asked)
        follower = Follower(replace(self.study, plates=plates), mating=asked)
        bottom, top = self.goal.pair
        for moment in moments or (State.before(self.steps[0], plates),):
            clock = replace(moment.clock, step=1)
            follower.take(replace(moment, clock=clock, event="block", top=top, bottom=bottom))
        return follower.columns()

    def _sizes(self, columns: Mapping[str, Sequence[float]], at: int) -> Array:
        """Sizes of what is asked [m] in one of the moments of a lapping."""
        names = [
            one.measure if one.plate is None else f"{one.plate}.{one.measure}"
            for one in self.goal.asked
        ]
        began = [
            self.began[name][0] if one.kept else 0.0
            for name, one in zip(names, self.goal.asked, strict=True)
        ]
        return np.abs([columns[name][at] for name in names] - np.array(began))


def finer_grits(grit: Grit) -> list[Grit]:
    """The finest grit that may follow, if any: it cuts and gives in proportion to its size."""
    if grit.size <= FINEST * (1.0 + 1e-9):
        return []
    sold = (*FINER, *FEPA_F.values())
    fits = [size for size in sold if grit.size / JUMP <= size < 0.7 * grit.size]
    if not fits:
        return []
    size = min(fits)
    share = size / grit.size
    wear = (
        usual_wear(size, grit.abrasive) if grit.wear.iron is None else Wear(share * grit.wear.iron)
    )
    wear = replace(wear, plates={name: share * value for name, value in grit.wear.plates.items()})
    layer = replace(grit.layer, depth=share * grit.layer.depth)
    name = f"{METRIC.size(size, echo=True)} {grit.abrasive or ''}".rstrip()
    return [replace(grit, name=name, size=size, wear=wear, layer=layer)]


def _one_a_pair(steps: Sequence[Step]) -> list[Step]:
    """The first of the steps with each pair of plates."""
    found: dict[frozenset[str], Step] = {}
    for step in steps:
        found.setdefault(frozenset((step.top, step.bottom)), step)
    return list(found.values())


def _plain(step: Step) -> Step:
    """The step for a unit, by a steady hand, with nobody swapping or watching."""
    return replace(
        step, time=UNIT, strokes=None, swap=None, until=None, hand=Hand(), note="",
        fresh_every=min(step.fresh_every or FRESH, limit_of("longest dab")),
    )  # fmt: skip


def _swapped_sooner(step: Step, share: float) -> Step:
    """The step with such a share of its stays on top."""
    if step.swap is None:
        return step
    return replace(step, swap=Swap({name: share * stay for name, stay in step.swap.on_top.items()}))


def _for_so_long(step: Step, units: float) -> Step:
    """The step for so many of the times that it was lapped for."""
    return replace(step, time=None, strokes=max(1, round(units * step.total_strokes)))
