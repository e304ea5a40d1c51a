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

from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import FIRST_TO_HAND, by_name, usual_of
from lapwright.modal.basis import PLANES, basis_of, form_names
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
from lapwright.specification.grooves import Grid
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, Wear
from lapwright.study.model import Study
from lapwright.study.source import document_of

__all__ = ["AT_HAND", "Bench", "Effort", "Goal", "bench_of", "equipped", "flatness", "goal_of"]


STREAM = 0x626F6F6B  # sets these random numbers apart from others with the same seed
AT_HAND = FIRST_TO_HAND[:3]  # under a flat bands are counted, which tells no side
TYPED = {"dome": "sphere", "dish": "sphere"}


@dataclass(frozen=True)
class Bench:
    """A study with its layout; `grits` by name, with wear constants as numbers."""

    study: Study
    layout: Layout
    grits: Mapping[str, Grit]
    given: Given
    threads: int = 1

    @property
    def gauges(self) -> Mapping[str, Gauge]:
        """The gauges of the study."""
        return self.study.gauges

    @cached_property
    def prior(self) -> Knowledge:
        """What is believed before anything is done or read."""
        return one_normal(*prior_of(self.layout, dict(self.grits), dict(self.gauges), self.given))

    def spell(self, step: Step, key: Sequence[int], any_hand: bool = False) -> Spell:
        """A step done with these plates; `key`: the entry and what else its random numbers hang on."""
        known = replace(step, grit=self.grits.get(step.grit.name, step.grit))
        return Spell(self.layout, known, (self.study.seed, STREAM, *key), any_hand, self.threads)

    def rng(self, *key: int) -> np.random.Generator:
        """Random numbers of an entry."""
        return np.random.default_rng([self.study.seed, STREAM, *key])


def equipped(study: Study) -> Study:
    """The study with gauges: those that are usual where it names none, by the names that `gauge` has."""
    if study.gauges:
        return study
    every = {name: usual_of(plate) for name, plate in study.plates.items()}
    return study.replace(
        gauges=by_name(
            {plate: {n: g for n, g in of.items() if n in AT_HAND} for plate, of in every.items()}
        )
    )


def bench_of(
    study: Study, entries: Sequence[Entry] = (), also: Sequence[Step] = (), threads: int = 1
) -> Bench:
    """The bench of a study for what was done in `entries` and may be done in steps `also`."""
    steps = [*study.steps, *(entry.done for entry in entries if entry.done is not None), *also]
    grits: dict[str, Grit] = {}
    for step in steps:
        if step.grit.name not in grits:
            grits[step.grit.name] = _constant(study, steps, step.grit)
    gauges = [name for name, gauge in study.gauges.items() if gauge.zero.on != "unknown"]
    layout = layout_of(study.plates, steps, study.margin, gauges)
    return Bench(study, layout, grits, _given(study, grits), threads)


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

ACROSS = 20  # points across the larger side, by which flatness is told
TILTS = np.linspace(-1.0, 1.0, 5)
LEVELS = 4  # times that the tilts about the best so far are halved
USUAL = 0.3e-6  # [m] flatness, where a study has no goal


@dataclass(frozen=True)
class Effort:
    """What handling costs in seconds of work: a swap, a reading, a wash between grits, a metre of metal."""

    swap: float = 120.0
    reading: float = 300.0
    wash: float = 900.0
    metal: float = 60.0 / 1e-6


@dataclass(frozen=True)
class Goal:
    """Forms by name, at most so large [m], on `plates`."""

    reach: Mapping[str, float]
    plates: tuple[str, ...]
    effort: Effort = field(default_factory=Effort)

    def sizes(self, layout: Layout, shops: Array) -> tuple[tuple[tuple[str, str], ...], Array]:
        """Each form of the goal as (plate, form), and its size [m] in shops (m, size): (m, forms)."""
        names, columns = [], []
        for plate in self.plates:
            spoken = form_names(layout.plates[plate])
            rows = layout.form_rows(plate)
            for form in self.reach:
                key = {"dome": spoken[0]}.get(form, form)
                if key == "flatness":
                    columns.append(flatness(layout, plate, shops))
                elif key in spoken:
                    columns.append(np.abs(shops @ rows[spoken.index(key)]))
                else:
                    continue
                names.append((plate, form))
        return tuple(names), np.stack(columns, axis=1)

    def most(self, names: tuple[tuple[str, str], ...]) -> Array:
        """How large each of these forms may be [m]."""
        return np.array([self.reach[form] for _, form in names])

    def reached(self, layout: Layout, shops: Array) -> NDArray[np.bool_]:
        """In which shops (m, size) all of it is reached (m,)."""
        names, sizes = self.sizes(layout, shops)
        return np.asarray((sizes <= self.most(names)).all(axis=1))


def goal_of(
    layout: Layout, reach: Mapping[str, float] | None, plates: tuple[str, ...] = ()
) -> Goal:
    """A goal as a study says it; flat within 0.3 um on all plates where it says nothing."""
    return Goal(dict(reach or {"flatness": USUAL}), plates or tuple(layout.plates))


def flatness(layout: Layout, plate: str, shops: Array) -> Array:
    """Flatness [m] of a face in shops (m, size): the least range of heights over all tilts, to about 1 %."""
    shapes, x, y = _places(layout, plate)
    z = shops[:, layout.face(plate)] @ shapes
    fit = np.linalg.lstsq(np.stack([np.ones_like(x), x, y], axis=1), z.T, rcond=None)[0]
    z = z - fit.T @ np.stack([np.ones_like(x), x, y])
    best: Array = np.ptp(z, axis=1)
    step = 0.25 * best
    for _ in range(LEVELS):
        a, b = np.zeros_like(best), np.zeros_like(best)
        for p in TILTS:
            for q in TILTS:
                across = np.ptp(z + (step * p)[:, None] * x + (step * q)[:, None] * y, axis=1)
                better = across < best
                best = np.where(better, across, best)
                a, b = np.where(better, step * p, a), np.where(better, step * q, b)
        z = z + a[:, None] * x + b[:, None] * y
        step = 0.4 * step
    return best


def _places(layout: Layout, plate: str) -> tuple[Array, Array, Array]:
    return _places_of(layout.bases[plate].plate, layout.margin)


@lru_cache(maxsize=16)
def _places_of(plate: Plate, margin: EdgeMargin) -> tuple[Array, Array, Array]:
    """Shapes without planes (size, n) at places inside the margin, and the places over the radius (n,)."""
    outline, inset = plate.outline, margin.of(plate.outline)
    grid = Grid.over(*outline.size, ACROSS)
    x, y = (v.ravel() for v in grid.mesh())
    turn = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    inner = outline.shrunk(inset) or outline
    reach = np.array([_reach(inner, angle) for angle in turn])
    x, y = np.append(x, reach * np.cos(turn)), np.append(y, reach * np.sin(turn))
    inside = inner.signed_distance(x, y) <= 1e-9 * outline.radius
    x, y = x[inside], y[inside]
    return basis_of(plate, DEGREE).evaluate(x, y)[PLANES:], x / outline.radius, y / outline.radius


def _reach(outline: Outline, angle: float) -> float:
    """How far an outline reaches from its centre that way [m]."""
    way = np.cos(angle), np.sin(angle)
    low, high = 0.5 * outline.bore, 1.01 * outline.radius
    for _ in range(40):
        middle = 0.5 * (low + high)
        there = outline.signed_distance(*(np.array([middle * part]) for part in way))[0]
        low, high = (middle, high) if there <= 0.0 else (low, middle)
    return low
