"""Beside a comparison: what each stroke makes, what was assumed, and how sure the order is."""

from __future__ import annotations

from sim.planning.comparison import Comparison
from sim.planning.draws import drawn_in_words
from sim.report import words

__all__ = ["how_sure", "makes", "weighed"]


def weighed(got: Comparison) -> bool:
    """True when every grit's wear was seen, not assumed."""
    steps = [step for member in got.members if member.study is not None for step in member.study.steps]
    return bool(steps) and all(step.grit.wear.observed is not None for step in steps)


def makes(got: Comparison, i: int) -> list[str]:
    """What the strokes of a member make, step by step, as far as it can be told beforehand."""
    study, units = got.members[i].study, got.study.units
    lines = []
    if study is None:
        return []
    for number, (step, look) in enumerate(zip(study.steps, got.ahead[i], strict=False), 1):
        parts = []
        if look.half_difference is None:
            parts.append("how the domes part is not told by a law here")
        elif abs(look.half_difference) < words.NOTHING:
            parts.append("makes neither plate more domed than the other")
        else:
            domed, hollow = (step.bottom, step.top) if look.half_difference > 0.0 else (step.top, step.bottom)
            parts.append(
                f"makes {domed} domed and {hollow} hollow, by {words.size(look.half_difference, units)} each "
                "beside what they share"
            )
        parts.append(
            f"leaves a dish of up to {words.size(look.squeeze, units)} in both (so far the grit layer gives)"
        )
        if look.lifts:
            parts.append("the top lifts over the rim")
        head = f"Step {number}: " if len(study.steps) > 1 else ""
        lines.append(f"{head}{'; '.join(parts)}.")
    return lines


def how_sure(got: Comparison) -> list[str]:
    """What was assumed, and how sure the order is."""
    units = got.study.units
    lines = []
    if not weighed(got):
        lines.append(
            "How fast the grit cuts is a guess, known to a band of ten, until you weigh a plate; "
            "what shape comes after how much metal is firm."
        )
    squeezes = [got.squeeze(i) for i in got.done]
    if any(squeezes):
        lines.append(
            f"How far the grit layer gives ({words.size(max(squeezes), units)} at most here) is a guess too, "
            "within 0.4 to 3 times: what both plates keep of dish goes with it."
        )
    if got.cells is not None:
        lines.append(
            f"You asked for coarser plates, {got.cells} cells across: read small differences with care."
        )
    if got.samples:
        studies = tuple(m.study for m in got.members if m.study is not None)
        floor = words.size(got.tolerance.floor, units) if got.tolerance.floor else "nothing"
        lines.append(
            f"Drawn {got.samples} times, the same draws for every way (seed {got.study.seed}); "
            "from .. to .. holds nine in ten of them."
        )
        lines += drawn_in_words(studies, got.tolerance, floor)
    else:
        lines.append("--samples 100 draws what is not known and says how sure the order is.")
    return lines
