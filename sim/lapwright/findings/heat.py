"""What the heat of rubbing does to plates: how they bow while it runs, how long to wait before reading."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp
from typing import TYPE_CHECKING

from lapwright.findings.finding import Finding
from lapwright.limits import limit_of
from lapwright.plate.heat import (
    bow,
    difference,
    rubbing_power,
    share_of_heat,
    time_constant,
    waiting,
    warm_up,
)

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.study.model import Study

__all__ = ["heating", "standing_warm"]

# Still air takes 7 to 14 W/(m2 K) from a plate (handbook, from memory), so a wait has a band.
LEAST_AIR, MOST_AIR = 7.0, 14.0
MOST_ROUNDS = 50


def heating(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """Plates that bow while they are rubbed by more than is left of the squeeze to be seen."""
    heats = _heats(study, study.steps[at - 1], look)
    for name, heat in heats.items():
        bowed = bow(study.plates[name], difference(study.plates[name], heat))
        if bowed > limit_of("bending") * look.squeeze:
            numbers = {"power": sum(heats.values()), "bow": bowed, "squeeze": look.squeeze}
            yield Finding("heat", at, name, numbers)


def standing_warm(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
    """How warm the plates are at the end, and from when to when they may be read."""
    warm, last = _at_the_end(study, ahead)
    end = max(last.values(), default=1)
    for name in (n for n in study.plates if n in last):
        plate = study.plates[name]
        allowed = limit_of("bow that reads") * ahead[last[name] - 1].squeeze / bow(plate, 1.0)
        if warm[name] > allowed:
            low, high = (waiting(plate, warm[name], allowed, air) for air in (MOST_AIR, LEAST_AIR))
            yield Finding("wait", end, name, {"warmer": warm[name], "least": low, "most": high})


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
