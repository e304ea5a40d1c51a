"""What is not known of a study, drawn at random: wear, grit layer, start forms, hands.

Draw k of a study is made from its seed and k alone, the same for every member of a comparison, so that two
members differ by what was changed and not by luck.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np

from lapwright.gauges.estimate import Doubts, estimate_as_they_lay
from lapwright.lapping.sizing import half_travel
from lapwright.lapping.step import Grit, Hand, Step, Wear
from lapwright.limits import BAND, SCATTER, TOLERANCE
from lapwright.plate.forms import SPOKEN, form_names
from lapwright.plate.plate import Plate
from lapwright.study.model import Study
from lapwright.study.units import read_share

__all__ = ["LAYER_BAND", "Tolerance", "drawn", "drawn_in_words"]

STREAM = 0x64726177  # sets these random numbers apart from others with the same seed
# Published scatter of wear coefficients is 40 to 60 % (Podra & Andersson, Tribol. Int. 32 (1999) 71): once
# weighed, or given, the wear is drawn from two thirds to one and a half times of what it was.
# The layer's depth lies between 0.02 and 0.15 of the grit, 0.05 being usual (common practice, no source).
LAYER_BAND = (0.4, 3.0)


@dataclass(frozen=True)
class Tolerance:
    """How well start forms are known: within `share` of each, and never better than `floor` [m]."""

    share: float = read_share(TOLERANCE)
    floor: float = 0.1e-6

    def of(self, form: float) -> float:
        """The tolerance of one form [m]."""
        return max(self.share * abs(form), self.floor)


def drawn(study: Study, number: int, tolerance: Tolerance = Tolerance()) -> Study:
    """Draw `number` (from 1) of a study; 0 is the study as it stands."""
    if number == 0:
        return study
    sequence = np.random.SeedSequence([study.seed, STREAM, number])
    rng = np.random.Generator(np.random.PCG64(sequence))
    # Whether a draw is used or not, it is made: the next ones must be the same for every member.
    wear, layer = (float(u) for u in rng.random(2))
    plates = {name: _plate(plate, rng, tolerance) for name, plate in study.plates.items()}
    if tolerance.share or tolerance.floor:
        plates = _together(study, plates, rng)
    grits: dict[str, Grit] = {}
    steps = tuple(_step(study, k, step, wear, layer, grits) for k, step in enumerate(study.steps, 1))
    return replace(study, seed=int(sequence.generate_state(1)[0]), plates=plates, steps=steps)


def _plate(plate: Plate, rng: np.random.Generator, tolerance: Tolerance) -> Plate:
    """The plate with start forms within their tolerance; rails by bow, crown and wind."""
    changes = {}
    spoken = form_names(plate.outline)
    for key in SPOKEN:
        off = 2.0 * float(rng.random()) - 1.0
        value = getattr(plate.form, key)
        if key in spoken or value:
            changes[key] = value + off * tolerance.of(value)
    return replace(plate, form=replace(plate.form, **changes))


def _together(study: Study, plates: Mapping[str, Plate], rng: np.random.Generator) -> dict[str, Plate]:
    """The plates with all forms as doubtful as their readings, or [[doubts]], leave them."""
    forms: dict[tuple[str, str], float] = {}
    for doubts in _doubts(study):
        forms |= doubts.drawn(rng)
    out = dict(plates)
    for (name, form), size in forms.items():
        # Of a measured map no form can be told by itself.
        if plates[name].form.measured is None:
            out[name] = replace(out[name], form=replace(out[name].form, **{form: size}))  # type: ignore[arg-type]
    return out


def _doubts(study: Study) -> list[Doubts]:
    """What is known of the start forms beside their sizes; what readings say counts before what is typed."""
    found = []
    if study.doubts:
        terms = tuple(dict.fromkeys(term for cause in study.doubts for term in cause))
        value = np.array([getattr(study.plates[name].form, form) for name, form in terms])
        moves = np.array([[cause.get(term, 0.0) for cause in study.doubts] for term in terms])
        found.append(Doubts(terms, value, moves))
    if study.readings:
        found.append(estimate_as_they_lay(study.readings, study.gauges, study.plates).doubts())
    return found


def _step(study: Study, number: int, step: Step, wear: float, layer: float, grits: dict[str, Grit]) -> Step:
    grit = grits.setdefault(step.grit.name, _grit(study, number, step.grit, wear, layer))
    hand = step.hand
    if f"steps.{number}.hand" in study.assumed:
        hand = Hand(word="usual").sized(half_travel(step.curve))
    return replace(step, grit=grit, hand=hand)


def _assumed(study: Study, number: int, grit: Grit, key: str) -> bool:
    """Whether a constant of a grit is the usual one and not the person's own."""
    return f"grits.{grit.name}.{key}" in study.assumed or f"steps.{number}.grit.{key}" in study.assumed


def _grit(study: Study, number: int, grit: Grit, wear: float, layer: float) -> Grit:
    band = BAND if _assumed(study, number, grit, "wear") else SCATTER
    factor = _between(wear, 1.0 / band, band)
    depth = grit.layer.depth
    if _assumed(study, number, grit, "layer"):
        depth *= _between(layer, *LAYER_BAND)
    return replace(grit, wear=_scaled(grit.wear, factor), layer=replace(grit.layer, depth=depth))


def _between(u: float, low: float, high: float) -> float:
    """Evenly spread in proportion: as often between 1 and 2 as between 2 and 4."""
    return exp(log(low) + u * log(high / low))


def _scaled(wear: Wear, factor: float) -> Wear:
    seen = wear.observed
    if seen is not None:
        seen = replace(
            seen,
            removed=None if seen.removed is None else seen.removed * factor,
            lost=None if seen.lost is None else seen.lost * factor,
        )
    plates: Mapping[str, float] = {name: value * factor for name, value in wear.plates.items()}
    return Wear(None if wear.iron is None else wear.iron * factor, plates, seen)


def drawn_in_words(studies: tuple[Study, ...], tolerance: Tolerance, size: str) -> list[str]:
    """What is drawn, and from what, in sentences; `size` is the tolerance's floor in words."""
    every = [(s, n, step) for s in studies for n, step in enumerate(s.steps, 1)]
    guessed = {_assumed(s, n, step.grit, "wear") for s, n, step in every}
    usual = {_assumed(s, n, step.grit, "layer") for s, n, step in every}
    hands = {f"steps.{n}.hand" in s.assumed for s, n, _ in every}
    told = []
    if True in guessed:
        told.append("How fast the grit cuts: anywhere within the band of ten (a third to three times).")
    if False in guessed:
        told.append("A wear that you weighed or gave: from two thirds to one and a half times.")
    if True in usual:
        told.append("How far the grit layer gives: 0.02 to 0.15 of the grit at 3 kPa.")
    if False in usual:
        told.append("A layer depth that you gave is taken as it stands.")
    if True in hands:
        told.append("The hand: usual (10 %), because no hand is steady; the study says nothing of it.")
    if False in hands:
        told.append("The hand: as the study says.")
    if tolerance.share or tolerance.floor:
        forms = "Start forms"
        if any(s.readings for s in studies):
            told.append("Start forms that readings fix: about what they say, as surely as they say it.")
            forms = "Other start forms"
        if any(s.doubts for s in studies):
            told.append("Start forms in [[doubts]]: as far either way as is said there, all together.")
            forms = "Other start forms"
        told.append(f"{forms}: within {100 * tolerance.share:.3g} % of each, and at least {size} either way.")
    else:
        told.append("Start forms: exactly as typed.")
    return told
