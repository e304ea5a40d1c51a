"""What the strokes of a run leave alone, make and leave: the picture at degree 8, in the words of preview.

A step that says the same as one before it is told with it.
"""

from __future__ import annotations

from dataclasses import replace

from lapwright.errors import LapwrightError
from lapwright.lapping.outlook import Outlook, outlooks
from lapwright.lapping.step import Step
from lapwright.modes.glance import Glance, Glances
from lapwright.modes.picture import DEGREE
from lapwright.report.account import Account
from lapwright.report.leaving import leaves
from lapwright.report.way_round import what_is_made
from lapwright.units import joined

__all__ = ["effects", "effects_words"]

MOST = 12  # different motions that are worked out


def effects(said: Account) -> list[tuple[int, Step, Outlook, Glance | None]]:
    """Each step (from 1) as far as it was rubbed, what was known of it beforehand, and what the picture says.

    Of several rounds one is told.
    """
    study = said.study
    try:
        ahead = outlooks(study.plates, study.steps, seed=study.seed)
    except LapwrightError:
        return []
    glances = Glances(study.plates, study.seed, study.margin, degree=DEGREE, most=MOST)
    found = []
    for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        share = min(1.0, said.rubbed(number) / look.time)
        if share > 0.0:
            on_top = {name: share * time for name, time in look.on_top.items()}
            rubbed = replace(look, on_top=on_top, removed=share * look.removed)
            found.append((number, step, rubbed, glances.of(step, number, rubbed)))
    return found


def effects_words(said: Account) -> list[tuple[str, list[str]]]:
    """A title for the steps that are alike, and what they never take out, make and leave in sentences."""
    alike: dict[tuple[str, ...], list[int]] = {}
    for number, step, look, glance in effects(said):
        alike.setdefault(tuple(_lines(said, step, look, glance)), []).append(number)
    return [(_title(said, numbers), list(lines)) for lines, numbers in alike.items()]


def _lines(said: Account, step: Step, look: Outlook, glance: Glance | None) -> list[str]:
    plates, units = said.study.plates, said.units
    mark, *rest = leaves(step, plates, look, units, glance)
    lines = [f"{sentence[0].upper()}{sentence[1:]}." for sentence in rest]
    if glance is not None:
        lines.append(f"What it makes: {what_is_made(step, plates, look, glance, units)}.")
    lines.append(f"What it leaves: {mark}.")
    if look.lifts if glance is None else glance.lift_share > 0.0:
        lines.append("Something lifts in this stroke, which is left out of these sizes: they are only near.")
    return lines


def _title(said: Account, numbers: list[int]) -> str:
    pairs = dict.fromkeys(f"{s.top} on {s.bottom}" for s in (said.steps[n - 1] for n in numbers))
    which = f"Step{'s' if len(numbers) > 1 else ''} {joined([str(n) for n in numbers])}: "
    return f"{which if len(said.steps) > 1 else ''}{joined(list(pairs))}"
