"""Beside a comparison: what each stroke makes, what was assumed, and how sure the order is."""

from __future__ import annotations

from dataclasses import dataclass

from lapwright.errors import LapwrightError
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.modal.cycle import cycle_of, swaps_round
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.step_analysis import StepAnalysis, reason_of
from lapwright.optimisation.cases import drawn_in_words
from lapwright.optimisation.comparison import Comparison
from lapwright.presentation import reasons
from lapwright.presentation.cycles import cycle_makes
from lapwright.presentation.staying import mark, stays_in_short
from lapwright.study.model import Study
from lapwright.units import NOTHING

__all__ = ["Made", "how_sure", "makes", "spread"]


DEGREE = (
    4  # of the shapes looked at: dome, saddle, twist and a little finer, at a twentieth of a second
)


def spread(got: Comparison) -> float:
    """What the members take off is known to times or divided by this."""
    return spread_of(
        step for member in got.members if member.study is not None for step in member.study.steps
    )


@dataclass(frozen=True)
class Made:
    """What one step of a member leaves alone, makes, and leaves on both for ever; in words."""

    leaves: str
    makes: str
    mark: str


def makes(got: Comparison, i: int) -> list[Made]:
    """What the strokes of a member do, step by step; where that cannot be told, what is known beforehand."""
    study = got.members[i].study
    if study is None:
        return []
    picture = ReducedModel(study.plates, study.steps, DEGREE, study.seed)
    found = []
    for number in range(1, len(study.steps) + 1):
        try:
            reason = reason_of(picture, number)
            found.append(
                Made(
                    stays_in_short(reason),
                    _made(study, picture, number, reason),
                    mark(reason, study.units, study.margin),
                )
            )
        except LapwrightError:
            found.append(_beforehand(got, i, number))
    return found


def _made(study: Study, picture: ReducedModel, number: int, reason: StepAnalysis) -> str:
    """What a step makes; where the plates change places, with each on top and over a whole round of it."""
    step, units, margin = study.steps[number - 1], study.units, study.margin
    made = reasons.made(reason, units, margin) or "nothing to speak of"
    if step.swap is None:
        return made
    made = f"while {step.top} is on top, {made}"
    if step.swap.read is not None:
        return (
            f"{made}. Who is on top goes by the readings: the one that reads more domed goes hollow"
        )
    spells = swaps_round(picture, number)
    if not spells:
        return made
    cycle = cycle_of(picture, spells)
    (whole,) = cycle_makes(cycle, cycle.spectrum(), units, margin)
    joins = " it makes" if whole.startswith("nothing") else ","
    return f"{made}. Over a whole round of swaps{joins} {whole}"


def _beforehand(got: Comparison, i: int, number: int) -> Made:
    """The same from closed forms alone."""
    study, units = got.members[i].study, got.study.units
    if study is None or len(got.ahead(i)) < number:
        return Made("", "", "")
    step, look = study.steps[number - 1], got.ahead(i)[number - 1]
    mark = f"a dish of up to {units.size(look.squeeze)} in both (so far the grit layer gives)"
    if look.half_difference is None:
        return Made("", "", mark)
    if abs(look.half_difference) < NOTHING:
        return Made("", "neither plate more domed than the other", mark)
    domed, hollow = (
        (step.bottom, step.top) if look.half_difference > 0.0 else (step.top, step.bottom)
    )
    size = units.size(look.half_difference)
    return Made(
        "", f"{domed} domed and {hollow} hollow, by {size} each beside what they share", mark
    )


def how_sure(got: Comparison) -> list[str]:
    """What was assumed, and how sure the order is."""
    units = got.study.units
    lines = []
    if spread(got) == BAND:
        lines.append(
            "How fast the grit cuts is a guess, known to a band of ten, until you weigh a plate; "
            "what shape comes after how much metal is firm."
        )
    squeezes = [got.squeeze(i) for i in got.done[:2]]
    if any(squeezes):
        lines.append(
            f"How far the grit layer gives ({units.size(max(squeezes))} in the best here) is a guess "
            "too, within 0.4 to 3 times: what both plates keep of dish goes with it."
        )
    if got.cells is not None:
        lines.append(
            f"You asked for coarser plates, {got.cells} cells across: read small differences with care."
        )
    if got.samples:
        studies = tuple(m.study for m in got.members if m.study is not None)
        floor = units.size(got.tolerance.floor) if got.tolerance.floor else "nothing"
        lines.append(
            f"Drawn {got.samples} times, the same draws for every way (seed {got.study.seed}); "
            "from .. to .. holds nine in ten of them."
        )
        lines += drawn_in_words(studies, got.tolerance, floor)
    else:
        lines.append("--samples 100 draws what is not known and says how sure the order is.")
    return lines
