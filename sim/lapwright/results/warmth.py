"""How warm plates get from rubbing alone, step by step and load by load."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from typing import TYPE_CHECKING

from lapwright.limits import limit_of
from lapwright.metrology.conditions import (
    AIR,
    bow,
    difference,
    rubbing_power,
    share_of_heat,
    time_constant,
    warm_up,
)

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.batch import Batch
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

MOST_ROUNDS = 50  # the last ones, that are followed


def heats_of(study: Study, step: Step, look: Outlook) -> dict[str, float]:
    """Heat that flows into each plate [W], mean over who is on top."""
    names = (step.top, step.bottom)
    on_top = names if step.swap is not None else (step.top,)
    made = [rubbing_power(step.load.friction, look.loads[n], look.speeds[n]) for n in on_top]
    power = sum(made) / len(made)
    top, bottom = (study.plates[n] for n in names)
    share, batch = share_of_heat(top, bottom), study.batch
    # Each part of a load warms by itself, and all of them warm the plate.
    parts = batch.together if batch is not None and batch.laps(step) else 1
    return {step.top: share * power, step.bottom: parts * (1.0 - share) * power}


def warm_at_the_end(
    study: Study, ahead: Sequence[Outlook]
) -> tuple[dict[str, float], dict[str, int]]:
    """How much warmer than the room each plate is at the end [K], and the last step that it was in."""
    warm = dict.fromkeys(study.plates, 0.0)
    last: dict[str, int] = {}
    batch = study.batch
    for load in range(max(study.rounds - MOST_ROUNDS, 0) + 1, study.rounds + 1):
        if batch is not None:  # its parts come from the bench
            warm |= dict.fromkeys(batch.names, 0.0)
        for at, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
            if batch is not None and batch.dresses(at) and not _dressed_after(batch, load):
                continue
            heats = heats_of(study, step, look)
            for name, plate in study.plates.items():
                cooled = warm[name] * exp(-look.time / time_constant(plate))
                warm[name] = cooled + warm_up(plate, heats.get(name, 0.0), look.time)
            last |= dict.fromkeys(heats, at)
    return warm, last


def warmth_that_reads(plate: Plate, squeeze: float) -> float:
    """How warm a plate may be over the room, all through [K], to be believed on size and form.

    It is thicker by less than the step of the finest micrometers, and what it gives to the air through one
    side bows it by less than the least form that the grit layer leaves: `squeeze` [m] is the measure.
    """
    bowed = bow(plate, difference(plate, AIR * plate.outline.area))  # for each K
    by_form = limit_of("bow that reads") * squeeze / bowed
    if plate.thickness is None:
        return by_form
    return min(by_form, limit_of("size") / (plate.material.expansion * plate.thickness))


def _dressed_after(batch: Batch, load: int) -> bool:
    """Whether the plate is dressed after a load (from 1); one dressed when it reads so is taken as always."""
    dress = batch.dress
    if dress is None or load == batch.loads:
        return False
    return dress.every is None or load % -(-dress.every // batch.together) == 0
