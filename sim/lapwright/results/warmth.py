"""What the heat of rubbing does to plates: how they bow while it runs, how long to wait before reading."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp
from typing import TYPE_CHECKING

from lapwright.plate.heat import (
    bow,
    difference,
    rubbing_power,
    share_of_heat,
    time_constant,
    waiting,
    warm_up,
)
from lapwright.results.naming import named
from lapwright.units import Units, joined

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.study.model import Study

__all__ = ["of_heat", "of_waiting"]

MATTERS = 0.1  # of the squeeze, as for bending
READS = 0.5  # of the squeeze: the least form that the grit layer leaves
# Still air takes 7 to 14 W/(m2 K) from a plate (handbook, from memory), so a wait has a band.
LEAST_AIR, MOST_AIR = 7.0, 14.0
MOST_ROUNDS = 50


def of_heat(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    """Plates that bow while they are rubbed by more than a tenth of the squeeze."""
    units = study.units
    much = {}
    for name, heat in _heats(study, step, look).items():
        bowed = bow(study.plates[name], difference(study.plates[name], heat))
        if bowed > MATTERS * look.squeeze:
            much[name] = units.size(bowed)
    whole = sum(_heats(study, step, look).values())
    if much:
        each = joined([f"{names} by up to {size}" for names, size in named(much)])
        yield (
            "heat",
            f"rubbing makes about {Units.number(whole)} W, and the warm side goes domed while it runs: "
            f"{each}. So much goes hollow when cold. A thicker plate, a slower pace or less load bows less",
        )


def of_waiting(study: Study, ahead: Sequence[Outlook]) -> Iterator[tuple[int, str]]:
    """How warm the plates are at the end, and how long to let them stand before they are read."""
    warm, last = _at_the_end(study, ahead)
    waits = {}
    for name in (n for n in study.plates if n in last):
        step = last[name]
        plate = study.plates[name]
        allowed = READS * ahead[step - 1].squeeze / bow(plate, 1.0)
        if warm[name] > allowed:
            low, high = (waiting(plate, warm[name], allowed, air) for air in (MOST_AIR, LEAST_AIR))
            waits[name] = (step, warm[name], low, high)
    if not waits:
        return
    step = max(at for at, *_ in waits.values())
    warmest = max(k for _, k, *_ in waits.values())
    low, high = min(w[2] for w in waits.values()), max(w[3] for w in waits.values())
    degrees = study.units.warmer(warmest)
    it = "it" if len(waits) == 1 else "them"
    verb = "is" if len(waits) == 1 else "are"
    between = ""
    if len(waits) > 1 and not any(study.plates[name].outline.long for name in waits):
        between = (
            ". In between a comparator from one to the other is good enough, while both are equally warm"
        )
    yield (
        step,
        f"{joined(list(waits))} {verb} up to about {degrees} warmer than the room at the end, from "
        f"rubbing alone: let {it} stand free in the air for {_hours(low, high)} before you believe a size"
        f"{between}",
    )


def _heats(study: Study, step: Step, look: Outlook) -> dict[str, float]:
    """Heat that flows into each plate [W], mean over who is on top."""
    names = (step.top, step.bottom)
    on_top = names if step.swap is not None else (step.top,)
    made = [rubbing_power(step.load.friction, look.loads[n], look.speeds[n]) for n in on_top]
    power = sum(made) / len(made)
    top, bottom = (study.plates[n] for n in names)
    share = share_of_heat(top, bottom)
    return {step.top: share * power, step.bottom: (1.0 - share) * power}


def _at_the_end(study: Study, ahead: Sequence[Outlook]) -> tuple[dict[str, float], dict[str, int]]:
    """How much warmer than the room each plate is at the end [K], and the last step that it was in."""
    warm = dict.fromkeys(study.plates, 0.0)
    last: dict[str, int] = {}
    for _ in range(min(study.rounds, MOST_ROUNDS)):
        for at, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
            heats = _heats(study, step, look)
            for name, plate in study.plates.items():
                cooled = warm[name] * exp(-look.time / time_constant(plate))
                warm[name] = cooled + warm_up(plate, heats.get(name, 0.0), look.time)
            last |= dict.fromkeys(heats, at)
    return warm, last


def _hours(low: float, high: float) -> str:
    """A wait from `low` to `high` [s] in round figures."""
    if high < 5400.0:
        return f"{max(5, 5 * round(low / 300.0))} to {max(10, 5 * round(high / 300.0))} minutes"
    return f"{Units.number(max(low / 3600.0, 0.1), 1)} to {Units.number(high / 3600.0, 1)} hours"
