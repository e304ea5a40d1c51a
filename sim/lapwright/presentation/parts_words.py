"""What `next` says of a batch: how many more parts, when to read the plate and when to dress it."""

from __future__ import annotations

from typing import Any

from lapwright.optimisation.book import Band
from lapwright.optimisation.parts import LIKELY, PartsPlan
from lapwright.presentation.banded import banded
from lapwright.presentation.words import say
from lapwright.units import Units, joined


def plan_next(plan: PartsPlan, units: Units) -> str:
    """How many parts to lap, or that the plate is to be dressed, and what to read then."""
    step = plan.step
    return say(
        f"book.parts.next.{plan.why}",
        part=step.top,
        plate=step.bottom,
        parts=str(plan.parts),
        several=plan.parts > 1,
        forms=_forms(plan, units),
        time=step.total_strokes / step.pace,
    )


def plan_to_go(plan: PartsPlan) -> str:
    """When the plate is due, when parts come out of the goal, and how many are left."""
    lines = [say("book.parts.counted", lapped=str(plan.lapped), left=str(plan.left))]
    if plan.why in ("done", "dress", "read"):
        return lines[0]
    if plan.due is not None:
        low, middle, high = plan.due
        given = {"plate": plan.step.bottom, "low": str(round(low)), "ahead": str(plan.ahead)}
        if middle is None:
            lines.append(say("book.parts.later", **given))
        elif high is None:
            lines.append(say("book.parts.open", middle=str(round(middle)), **given))
        else:
            given = {name: text for name, text in given.items() if name != "ahead"}
            told = {"middle": str(round(middle)), "high": str(round(high))}
            lines.append(say("book.parts.due", sure=round(low) == round(high), **told, **given))
    if plan.chance >= LIKELY:
        share = str(round(100.0 * plan.chance))
        return " ".join([*lines, say("book.parts.likely", share=share)])
    if plan.out is None:
        lines.append(say("book.parts.never", ahead=str(plan.ahead)))
    else:
        lines.append(say("book.parts.first", out=str(plan.out)))
    return " ".join(lines)


def _forms(plan: PartsPlan, units: Units) -> str:
    """The forms of the plate then, each with its band."""
    told = []
    for key, (low, middle, high) in plan.then.items():
        if key == "flatness":
            told.append(say("book.parts.flat", size=banded(Band(middle, low, high), units.small)))
        elif low < 0.0 < high:
            form = "dome or dish" if key == "sphere" else key
            told.append(say("book.parts.under", units, form=form, most=max(-low, high)))
        else:
            size = Band(abs(middle), *sorted((abs(low), abs(high))))
            told.append(say(f"book.form.{key}", up=middle > 0.0, size=banded(size, units.small)))
    return joined(told)


def plan_told(plan: PartsPlan) -> dict[str, Any]:
    """The same for scripts, SI."""
    return {
        "why": plan.why,
        "top": plan.step.top,
        "plate": plan.step.bottom,
        "parts": plan.parts,
        "lapped": plan.lapped,
        "left": plan.left,
        "ahead": plan.ahead,
        "due": plan.due,
        "out": plan.out,
        "chance_out": plan.chance,
        "then": {
            form: dict(zip(("low", "middle", "high"), of, strict=True))
            for form, of in plan.then.items()
        },
    }
