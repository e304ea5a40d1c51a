"""What a book works with, and how far many shops at once are from the goal.

One bench serves a whole log: made of the study and of all grits that the log names.

What is to be reached, and how far many shops at once are from it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.lay import read_only
from lapwright.contact.placement import on_face
from lapwright.contact.tilts import least_ranges
from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import FIRST_TO_HAND, by_name, own_of, usual_of
from lapwright.modal.basis import PLANES, basis_of, form_names
from lapwright.optimisation.crowd import FINENESS
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.shop import (
    DEGREE,
    Given,
    Knowledge,
    Layout,
    layout_of,
    one_normal,
    prior_of,
)
from lapwright.optimisation.spell import Spell
from lapwright.optimisation.track import Constraint, constraints_of
from lapwright.specification.batch import Batch
from lapwright.specification.grooves import Grid
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, Wear
from lapwright.study.goal import Effort, Goal
from lapwright.study.model import Study
from lapwright.study.source import document_of

STREAM = 0x626F6F6B  # sets these random numbers apart from others with the same seed
AT_HAND = FIRST_TO_HAND[:3]  # under a flat bands are counted, which tells no side
TYPED = {"dome": "sphere", "dish": "sphere"}


@dataclass(frozen=True)
class Bench:
    """A study with its layout; `grits` by name, with wear constants as numbers; `batch`: of which parts."""

    study: Study
    layout: Layout
    grits: Mapping[str, Grit]
    given: Given
    threads: int = 1
    batch: Batch | None = None

    @property
    def gauges(self) -> Mapping[str, Gauge]:
        """The gauges of the study."""
        return self.study.gauges

    @cached_property
    def prior(self) -> Knowledge:
        """What is believed before anything is done or read."""
        return one_normal(*prior_of(self.layout, dict(self.grits), dict(self.gauges), self.given))

    def spell(
        self,
        step: Step,
        key: Sequence[int],
        any_hand: bool = False,
        fineness: float = FINENESS,
    ) -> Spell:
        """A step done with these plates; `key`: the entry and what else its random numbers hang on."""
        seed = (self.study.seed, STREAM, *key)
        step = self.known(step)
        return Spell(self.layout, step, seed, any_hand, self.threads, fineness=fineness)

    def known(self, step: Step) -> Step:
        """The step with its grit as the bench knows it."""
        return replace(step, grit=self.grits.get(step.grit.name, step.grit))

    def rng(self, *key: int) -> np.random.Generator:
        """Random numbers of an entry."""
        return np.random.default_rng([self.study.seed, STREAM, *key])


def equipped(study: Study) -> Study:
    """The study with gauges: those that are usual where it has none of its own, by the names of `gauge`."""
    if own_of(study.gauges, study.plates):
        return study
    every = {name: usual_of(plate) for name, plate in study.plates.items()}
    at_hand = {plate: {n: g for n, g in of.items() if n in AT_HAND} for plate, of in every.items()}
    return study.replace(gauges=by_name(at_hand) | dict(study.gauges))


def bench_of(
    study: Study,
    entries: Sequence[Entry] = (),
    also: Sequence[Step] = (),
    threads: int = 1,
    batch: Batch | None = None,
) -> Bench:
    """The bench of a study for what was done in `entries` and may be done in steps `also`."""
    steps = [*study.steps, *(entry.done for entry in entries if entry.done is not None), *also]
    grits: dict[str, Grit] = {}
    for step in steps:
        if step.grit.name not in grits:
            grits[step.grit.name] = _constant(study, steps, step.grit)
    gauges = [name for name, gauge in study.gauges.items() if gauge.zero.on != "unknown"]
    layout = layout_of(study.plates, steps, study.margin, gauges)
    return Bench(study, layout, grits, _given(study, grits), threads, batch)


def _constant(study: Study, steps: Sequence[Step], grit: Grit) -> Grit:
    """The grit with its wear as a number, if metal was seen to go."""
    if grit.wear.observed is None:
        return grit
    from lapwright.modal.reduced_model import ReducedModel

    number = next(n for n, step in enumerate(steps, 1) if step.grit.name == grit.name)
    first = steps[number - 1]
    low, high = ReducedModel(study.plates, steps, 6, study.seed).kappas(
        number, first.top, first.bottom
    )
    return replace(grit, wear=Wear(plates={first.bottom: low, first.top: high}))


def _given(study: Study, grits: Mapping[str, Grit]) -> Given:
    """What the study itself says of faces and grits."""
    document = document_of(study.text)
    forms: set[tuple[str, str]] = set()
    for name, plate in study.plates.items():
        typed = {**document.get("plates", {}), **document.get("parts", {})}.get(name, {}).get(
            "form", {}
        )
        known = plate.form.measured is not None  # by a map, or as a run left it
        names = form_names(plate) if known else {TYPED.get(key, key) for key in typed}
        forms |= {(name, form) for form in names}
    usual = {key: _assumed(study, grits, key) for key in ("wear", "layer")}
    return Given(
        frozenset(forms), frozenset(grits) - usual["wear"], frozenset(grits) - usual["layer"]
    )


def _assumed(study: Study, grits: Mapping[str, Grit], key: str) -> frozenset[str]:
    """Grits of which something was taken as usual; those that only a log names among them."""
    said = {step.grit.name: n for n, step in reversed(list(enumerate(study.steps, 1)))}
    return frozenset(
        name
        for name in grits
        if name not in said
        or f"grits.{name}.{key}" in study.assumed
        or f"steps.{said[name]}.grit.{key}" in study.assumed
    )


Array = NDArray[np.float64]

WORSE = 0.1e-6  # [m] that a form of the goal may become larger than it was at its best
ACROSS = 20  # points across the larger side, by which flatness is told
TILTS = read_only(np.stack(np.meshgrid(*[np.linspace(-1.0, 1.0, 5)] * 2)).reshape(2, -1))
LEVELS = 4  # times that the tilts about the best so far are drawn closer
USUAL = Goal(flatness=0.3e-6)  # where a study has no goal


@dataclass(frozen=True)
class Target:
    """A goal on a bench: what is `asked`, and what handling costs.

    `pair`: bottom and top of the first step; `began`: what is to be kept, as the plates came [m], by the key
    of what is asked; `spare`: how much worse each may yet become in the mean [m] (nothing said: `WORSE`).
    """

    asked: tuple[Constraint, ...]
    effort: Effort
    pair: tuple[str, str]
    began: Mapping[str, float] = field(default_factory=dict)
    spare: tuple[float, ...] = ()

    @cached_property
    def most(self) -> Array:
        """How large each of what is asked may be [m]."""
        return np.array([one.limit for one in self.asked])

    @cached_property
    def kept(self) -> NDArray[np.bool_]:
        """Of which of them only a change counts."""
        return np.array([one.kept for one in self.asked])

    def spared(self, layout: Layout, shops: Array) -> Target:
        """The goal with what is left of `WORSE` since each form was at its best, as far as that is told.

        `shops` (entries, m, size): as they may have been after each entry, the last as they are now.
        """
        sizes = np.array([self.sizes(layout, one) for one in shops])
        lost = sizes[-1] - sizes
        told = np.maximum(lost.mean(axis=1) - lost.std(axis=1), 0.0).max(axis=0)
        return replace(self, spare=tuple(np.maximum(WORSE - told, 0.0).tolist()))

    def sizes(self, layout: Layout, shops: Array) -> Array:
        """The size of each [m] in shops (m, size), or how far it moved: (m, asked)."""
        columns = [
            np.abs(self.value(one, layout, shops) - self.began.get(one.key, 0.0))
            for one in self.asked
        ]
        return np.stack(columns, axis=1)

    def value(self, one: Constraint, layout: Layout, shops: Array) -> Array:
        """What is asked [m], with its sign, in shops (m, size); of faces as they are read, on their feet."""
        if one.form == "mating":
            return mating(layout, self.pair, shops)
        shops = shops + layout.hang
        if one.plate is None:
            bottom, top = (layout.form_rows(name)[0] for name in self.pair)
            return np.asarray(shops @ (top - bottom))
        if one.form == "flatness":
            return flatness(layout, one.plate, shops)
        spoken = form_names(layout.plates[one.plate])
        row = layout.form_rows(one.plate)[spoken.index(TYPED.get(one.form, one.form))]
        return np.asarray(shops @ row)

    def reached(self, layout: Layout, shops: Array) -> NDArray[np.bool_]:
        """In which shops (m, size) all of it is reached (m,)."""
        return np.asarray((self.sizes(layout, shops) <= self.most).all(axis=1))

    def excess(self, layout: Layout, shops: Array) -> float:
        """How many times the goal its forms are, in the mean of forms and shops."""
        shares = self.sizes(layout, shops) / self.most
        return float(np.where(self.kept, np.maximum(shares - 1.0, 0.0), shares).mean())

    def worse(self, layout: Layout, before: Array, after: Array) -> float:
        """In which share of shops a form ends worse than now; one that is kept may move so far."""
        return float(self.worsened(layout, before, after)[0].any(axis=1).mean())

    def worsened(
        self, layout: Layout, before: Array, after: Array
    ) -> tuple[NDArray[np.bool_], Array]:
        """Whether each form ends worse than it is now, and by how much more [m], (m, asked).

        By `WORSE`; where it would be that much worse in the mean than it was at its best, by what is spare:
        many spells that each take a little would leave it worse by any amount.  Where all that is asked is
        reached then, nothing is: a hollow that grows within the goal is what a dome beyond it costs.
        """
        now, then = (self.sizes(layout, shops) for shops in (before, after))
        spare = np.array(self.spare or [WORSE] * len(self.asked))
        allowed = now + np.where((then - now).mean(axis=0) > spare, spare, WORSE)
        allowed = np.where(self.kept, np.maximum(allowed, self.most), allowed)
        missed = (then > self.most).any(axis=1, keepdims=True)
        return np.asarray((then > allowed) & missed), then - now


ANY_FORM = 1e-3  # [m] flat enough for whoever asks for a size alone


def target_of(bench: Bench, goal: Goal | None = None, came: Knowledge | None = None) -> Target:
    """A goal on a bench: that of its study if none is said, and flat within 0.3 um where that has none.

    `came`: what was known of the plates as they came, from which on they are to keep what is kept.
    """
    goal = goal or bench.study.goal or USUAL
    goal = goal if goal.plates else goal.replace(plates=tuple(bench.layout.plates))
    if not goal.reach:
        goal = goal.replace(flatness=ANY_FORM)
    first = bench.study.steps[0]
    target = Target(
        constraints_of(goal, bench.layout.plates), goal.effort, (first.bottom, first.top)
    )
    centre = (came or bench.prior).centre[None]
    began = {
        one.key: float(target.value(one, bench.layout, centre)[0])
        for one in target.asked
        if one.kept
    }
    return replace(target, began=began)


def mating(layout: Layout, pair: tuple[str, str], shops: Array) -> Array:
    """How badly two faces mate in shops (m, size) [m]: rms of their sum about its plane, 12 on 12."""
    below, above = (layout.bases[name].plate for name in pair)
    x, y = _spread(below, layout.margin)
    u, v = on_face(x, y, *(np.zeros(1) for _ in range(3)))
    both = _inner(above, layout.margin).signed_distance(u, v) <= 1e-9 * above.outline.radius
    x, y, u, v = (part[both] for part in (x, y, u, v))
    z = np.zeros((len(shops), x.size))
    for name, plate, at in ((pair[0], below, (x, y)), (pair[1], above, (u, v))):
        z += shops[:, layout.face(name)] @ basis_of(plate, DEGREE).evaluate(*at)[PLANES:]
    plane = np.stack([np.ones_like(x), x, y], axis=1)
    off = z - (plane @ np.linalg.lstsq(plane, z.T, rcond=None)[0]).T
    return np.asarray(np.sqrt(np.square(off).mean(axis=1)))


def flatness(layout: Layout, plate: str, shops: Array) -> Array:
    """Flatness [m] of a face in shops (m, size): the least range of heights over all tilts, to about 1 %."""
    shapes, x, y = _places(layout, plate)
    z = read_only(shops[:, layout.face(plate)] @ shapes)
    best: Array = np.ptp(z, axis=1)
    least_ranges(z, read_only(x), read_only(y), TILTS, LEVELS, np.empty((5, TILTS.shape[1])), best)
    return best


def _places(layout: Layout, plate: str) -> tuple[Array, Array, Array]:
    return _places_of(layout.bases[plate].plate, layout.margin)


@lru_cache(maxsize=16)
def _places_of(plate: Plate, margin: EdgeMargin) -> tuple[Array, Array, Array]:
    """Shapes off their planes (size, n) at places inside the margin, and these over their reach (n,)."""
    x, y = _spread(plate, margin)
    turn = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    reach = np.array([_reach(_inner(plate, margin), angle) for angle in turn])
    x, y = np.append(x, reach * np.cos(turn)), np.append(y, reach * np.sin(turn))
    shapes = basis_of(plate, DEGREE).evaluate(x, y)[PLANES:]
    x, y = x / np.abs(x).max(), y / np.abs(y).max()  # tilts of a rail go by its width too
    plane = np.stack([np.ones_like(x), x, y])
    return shapes - np.linalg.lstsq(plane.T, shapes.T, rcond=None)[0].T @ plane, x, y


def _spread(plate: Plate, margin: EdgeMargin) -> tuple[Array, Array]:
    """Places spread evenly inside the margin (n,) [m]."""
    x, y = (v.ravel() for v in Grid.over(*plate.outline.size, ACROSS).mesh())
    inside = _inner(plate, margin).signed_distance(x, y) <= 1e-9 * plate.outline.radius
    return x[inside], y[inside]


def _inner(plate: Plate, margin: EdgeMargin) -> Outline:
    return plate.outline.shrunk(margin.of(plate.outline)) or plate.outline


def _reach(outline: Outline, angle: float) -> float:
    """How far an outline reaches from its centre that way [m]."""
    way = np.cos(angle), np.sin(angle)
    low, high = 0.5 * outline.bore, 1.01 * outline.radius
    for _ in range(40):
        middle = 0.5 * (low + high)
        there = outline.signed_distance(*(np.array([middle * part]) for part in way))[0]
        low, high = (middle, high) if there <= 0.0 else (low, middle)
    return low
