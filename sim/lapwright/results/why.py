"""What each stroke takes out, leaves alone and makes, and the reason; and the schedule as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING, Any

from lapwright.errors import CannotDoError, troubles_in
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND, LAYER_BAND
from lapwright.results.answer import Answer, titled, wrapped
from lapwright.study.model import guessed_layers

if TYPE_CHECKING:
    from lapwright.metrology.form import EdgeMargin
    from lapwright.modal.cycle import Cycle, CycleSpectrum, Placement, Spell
    from lapwright.modal.propagator import Lifts
    from lapwright.modal.reduced_model import ReducedModel
    from lapwright.modal.spectrum import Mode
    from lapwright.modal.step_analysis import LinearisationError, StepAnalysis
    from lapwright.study.model import Study

DEGREE = 8  # of the shapes that are looked at
MODE = 1e-6  # [m] rms to which the shape of a mode is told


class Why(Answer):
    """The reasons of a study: of all its steps, or of `step` (from 1) alone.

    `degree`: how fine the shapes are that it looks at; `lap_it`: what to type to lap the study.  `tell` is
    told after each step how many are looked at, `again` before each how many were then lapped a little.

    Raises
    ------
    LapwrightError
        Where a step cannot be told: the plates do not meet, the top tips, or too much is to be solved.

    """

    def __init__(
        self,
        study: Study,
        step: int | None = None,
        degree: int = DEGREE,
        lap_it: str = "lapwright run",
        tell: Callable[[int], None] = lambda done: None,
        again: Callable[[int], None] = lambda done: None,
    ) -> None:
        from lapwright.modal.cycle import course, lifting_by_placement
        from lapwright.modal.reduced_model import ReducedModel
        from lapwright.modal.step_analysis import reason_of
        from lapwright.results.findings import flooded

        self.study = study
        self.numbers = range(1, len(study.steps) + 1) if step is None else [step]
        picture = ReducedModel(study.plates, study.steps, degree, study.seed)
        with troubles_in(study.units):
            found = []
            for one in islice(course(picture, study.margin), max(self.numbers)):
                found.append(one)
                tell(len(found))
            lifts = lifting_by_placement(picture, study.margin)
            self.reasons = [
                reason_of(picture, number, found[number - 1], lifts) for number in self.numbers
            ]
        self.off: list[LinearisationError | None] = []
        for number, reason in enumerate(self.reasons):
            again(number)
            self.off.append(_deviation(study, reason))
        self.whole = _whole(picture, study, self.reasons, lifts, lap_it)
        self.findings = [one for number in self.numbers for one in flooded(study, number)]

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.presentation import beforehand
        from lapwright.presentation.finding_words import said_of

        study = self.study
        yield study.title or study.stem
        for number, reason, away in zip(self.numbers, self.reasons, self.off, strict=True):
            step, look = reason.step, study.ahead[number - 1]
            yield ""
            head = f"Step {number}: {step.top} on {step.bottom}, grit {step.grit.name}"
            yield from wrapped(head, "", "  ")
            under = study.turns_bottom(number)
            hand, _ = beforehand.hand(step, study.plates, look, study.units, under)
            yield from wrapped(hand, "  ", "  ")
            for what, sentences in _said(study, reason, away):
                yield from titled(what, sentences, 14)
            found = [one for one in self.findings if one.step == number]
            if found:
                yield from titled("look out", [one.text for one in said_of(found, study)], 14)
        if self.whole.told:
            yield ""
            yield self.whole.title
            for what, sentences in self.whole.told:
                yield from titled(what, sentences, 14)

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        from lapwright.results.findings import as_json

        margin = self.study.margin
        steps = zip(self.reasons, self.off, strict=True)
        return {
            "study": self.study.stem,
            "steps": [
                _one(reason, away, margin, reason.step.grit.name in guessed_layers(self.study))
                for reason, away in steps
            ],
            "findings": [as_json(one) for one in self.findings],
            "schedule": _cycle(self.whole, margin),
        }


@dataclass(frozen=True)
class Whole:
    """The whole schedule as a cycle, and what is told of it; or why there is none.

    `head`: what it cannot take out, in a sentence; `settles`: no step would come to lift everywhere had it no
    end; `lifts`: where something lifts in each of its placements.
    """

    cycle: Cycle | None
    spectrum: CycleSpectrum | None
    told: list[tuple[str, list[str]]]
    title: str = ""
    head: str = ""
    settles: bool = True
    lifts: Mapping[Placement, Lifts] = field(default_factory=dict)


def _whole(
    picture: ReducedModel,
    study: Study,
    reasons: Sequence[StepAnalysis],
    lifts: Mapping[Placement, Lifts],
    run: str,
) -> Whole:
    from lapwright.modal.cycle import cycle_of, round_of
    from lapwright.modal.propagator import share_of
    from lapwright.presentation.reasons import cycle_headline, cycle_title, cycle_words
    from lapwright.presentation.staying import hollows_the_top
    from lapwright.presentation.words import say

    if study.batch is not None:
        return Whole(None, None, [("", [say("cycle.batch", run=run)])], "The whole schedule")
    for number, step in enumerate(study.steps, 1):
        if step.swap is not None and step.swap.read is not None:
            why = f"step {number} swaps by what is read, so it cannot be forecast: {run} laps it"
            return Whole(None, None, [("", [why])], "The whole schedule")
    try:
        spells = round_of(picture, repeats=study.rounds > 1)
        cycle = cycle_of(picture, spells)
        spectrum = cycle.spectrum()
    except CannotDoError as trouble:
        return Whole(None, None, [("", [str(trouble)])], "The whole schedule")
    of = {at: lifts[at] for s in cycle.spells if (at := (s.step, s.top, s.bottom)) in lifts}
    shares = {at: share_of(lifts) for at, lifts in of.items()}
    settles = not any(reason.long_run.everywhere for reason in reasons)
    told, head = [], ""
    if len(spells) > 1:
        head = cycle_headline(cycle, spectrum, study)
        hollows = all(hollows_the_top(reason) for reason in reasons)
        how = {"hollows_the_top": hollows, "settles": settles}
        told = cycle_words(
            cycle, spectrum, study, shares, **how, bands=_bands(picture, study, spells, cycle)
        )
    return Whole(cycle, spectrum, told, cycle_title(cycle), head, settles, of)


def _bands(
    picture: ReducedModel, study: Study, spells: Sequence[Spell], cycle: Cycle
) -> dict[str, dict[str, float]]:
    """The layer's mark as the cycle ends [m] by plate and form, with its band where the layer is a guess."""
    from lapwright.modal.cycle import cycle_of
    from lapwright.presentation.words import with_bands

    if not (grits := guessed_layers(study)):
        return {}
    try:
        found = [
            one.forms(one.spectrum().bedded_residue, study.margin)
            for one in (
                cycle,
                *(cycle_of(picture.with_layers(d, grits), spells) for d in LAYER_BAND),
            )
        ]
    except CannotDoError:
        return {}
    return {
        name: {
            **forms,
            **with_bands(
                {
                    key: (
                        min(one[name][key] for one in found),
                        max(one[name][key] for one in found),
                    )
                    for key in forms
                }
            ),
        }
        for name, forms in found[0].items()
    }


def _deviation(study: Study, reason: StepAnalysis) -> LinearisationError | None:
    """How far the picture is off where something lifts, measured by lapping the step in full."""
    if reason.lift_share <= 0.0:
        return None
    from lapwright.modal.step_analysis import linearisation_error

    return linearisation_error(study.plates, reason, study.margin, seed=study.seed)


def _said(
    study: Study, reason: StepAnalysis, away: LinearisationError | None
) -> Iterator[tuple[str, list[str]]]:
    from lapwright.presentation import reasons as told
    from lapwright.presentation.staying import keeps, leaves_alone, lifting

    yield "leaves alone", leaves_alone(reason, study.units)
    out = [f"{what}: {how}" for what, how in told.takes_out(reason, study.units)]
    if out and spread_of([reason.step]) == BAND:
        out.append("(minutes with their band, until you weigh a plate)")
    yield "takes out", out or ["nothing"]
    yield "makes", told.makes(reason, study.units, study.margin)
    yield (
        "keeps",
        keeps(reason, study.units, study.margin, reason.step.grit.name in guessed_layers(study)),
    )
    yield "lifts", lifting(reason, away, study.units)


def _cycle(whole: Whole, margin: EdgeMargin) -> dict[str, Any] | None:
    from lapwright.modal.propagator import share_of
    from lapwright.presentation.staying import cycle_comes

    cycle, spectrum = whole.cycle, whole.spectrum
    if cycle is None or spectrum is None:
        return None
    ever = whole.settles and cycle_comes(cycle, spectrum, spectrum.residue, spectrum.drift, margin)
    soon = whole.settles and cycle_comes(
        cycle, spectrum, spectrum.bedded_residue, spectrum.bedded_drift, margin
    )
    return {
        "time": cycle.time,
        "survivors": spectrum.survivors,
        "gap": spectrum.gap,
        "modes": [_mode(mode, cycle.forms(mode.shape, margin)) for mode in spectrum.modes],
        "drift": cycle.forms(spectrum.drift, margin),
        "residue": cycle.forms(spectrum.residue, margin) if ever else None,
        "bedded_drift": cycle.forms(spectrum.bedded_drift, margin),
        "bedded_residue": cycle.forms(spectrum.bedded_residue, margin) if soon else None,
        "removal": spectrum.removal,
        "lifts": any(share_of(lifts) > 0.0 for lifts in whole.lifts.values()),
        "lift_share": max(map(share_of, whole.lifts.values()), default=0.0),
        "lift_phase": sorted({phase for pair in whole.lifts.values() for phase in _phases(pair)}),
    }


def _one(
    reason: StepAnalysis, away: LinearisationError | None, margin: EdgeMargin, guess: bool
) -> dict[str, Any]:
    from lapwright.presentation.staying import comes

    spectrum, solved = reason.spectrum, reason.evolution
    ever = comes(reason, solved.residue, solved.drift, margin)
    soon = comes(reason, solved.bedded_residue, solved.bedded_drift, margin)
    return {
        "top": reason.step.top,
        "bottom": reason.step.bottom,
        "survivors": spectrum.survivors,
        "gap": spectrum.gap,
        "modes": [_mode(mode, reason.forms(mode.shape, margin)) for mode in spectrum.modes],
        "drift": reason.forms(reason.made, margin),
        "residue": reason.forms(spectrum.residue, margin) if ever else None,
        "bedded_drift": reason.forms(reason.bedded, margin),
        "bedded_residue": reason.forms(reason.evolution.bedded_residue, margin) if soon else None,
        # What is left for ever goes as the layer's depth, exactly.
        "residue_by_layer": {
            name: {
                key: sorted(value * depth for depth in LAYER_BAND) for key, value in forms.items()
            }
            for name, forms in reason.forms(spectrum.residue, margin).items()
        }
        if ever and guess
        else None,
        "removal": dict(zip(reason.names, spectrum.removal, strict=True)),
        "law_error": None if reason.law is None else reason.law.error,
        "lifts": reason.lift_share > 0.0,
        "lift_share": reason.lift_share,
        "lift_phase": _phases(reason.lifts),
        "deviation": None if away is None or away.trouble else away.as_forms(),
        "trouble": None if away is None else str(away.trouble) or None,
    }


def _phases(lifts: Lifts) -> list[float]:
    """Places in the stroke where something lifts [rad], when it does so most in the step."""
    return [float(phase) for phase in max(lifts, key=lambda state: state.share).phases]


def _mode(mode: Mode, forms: Mapping[str, Mapping[str, float]]) -> dict[str, Any]:
    """A mode, its `forms` [m] as those of a shape whose rms on one face is 1 um, and no more on any other."""
    return {
        "half_life": mode.half_life,
        "half_removed": mode.half_removed,
        "period": mode.period,
        "stays": mode.stays,
        "slow": mode.slow,
        "forms": {
            name: {key: MODE * value for key, value in parts.items()}
            for name, parts in forms.items()
        },
    }
