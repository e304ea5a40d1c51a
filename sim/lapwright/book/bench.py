"""What a book works with: the layout of its shops, what is believed beforehand, its gauges, its steps.

One bench serves a whole log: made of the study and of all grits that the log names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from lapwright.book.entry import Entry
from lapwright.book.knowledge import Knowledge, one_normal
from lapwright.book.prior import Given, prior_of
from lapwright.book.shop import Layout, layout_of
from lapwright.book.spell import Spell
from lapwright.gauges.instruments import Gauge
from lapwright.gauges.usual import FIRST_TO_HAND, by_name, usual_of
from lapwright.lapping.step import Grit, Step, Wear
from lapwright.modes.basis import form_names
from lapwright.study.model import Study
from lapwright.study.read import document_of

__all__ = ["AT_HAND", "Bench", "bench_of", "equipped"]

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
        gauges=by_name({plate: {n: g for n, g in of.items() if n in AT_HAND} for plate, of in every.items()})
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
    from lapwright.modes.picture import Picture

    number = next(n for n, step in enumerate(steps, 1) if step.grit.name == grit.name)
    first = steps[number - 1]
    low, high = Picture(study.plates, steps, 6, study.seed).kappas(number, first.top, first.bottom)
    return replace(grit, wear=Wear(plates={first.bottom: low, first.top: high}))


def _given(study: Study, grits: Mapping[str, Grit]) -> Given:
    """What the study itself says of faces and grits."""
    document = document_of(study.text)
    forms: set[tuple[str, str]] = set()
    for name, plate in study.plates.items():
        typed = {**document.get("plates", {}), **document.get("parts", {})}.get(name, {}).get("form", {})
        known = plate.form.measured is not None  # by a map, or as a run left it
        names = form_names(plate) if known else {TYPED.get(key, key) for key in typed}
        forms |= {(name, form) for form in names}
    usual = {key: _assumed(study, grits, key) for key in ("wear", "layer")}
    return Given(frozenset(forms), frozenset(grits) - usual["wear"], frozenset(grits) - usual["layer"])


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
