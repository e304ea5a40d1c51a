"""What to look out for in a study, from closed forms alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.report import words
from sim.study.say import say_mass, say_pressure

if TYPE_CHECKING:
    from sim.lapping.outlook import Outlook
    from sim.lapping.step import Step
    from sim.study.model import Study

__all__ = ["Warning", "warnings_of"]

# Common practice, no source, but for the lifting limit.
LONGEST_DAB = 600.0  # s
HIGH_PRESSURE, LOW_PRESSURE = 15e3, 0.5e3  # Pa
HEAVY = 12.0  # kg
TOO_HEAVY = 23.0  # kg, the most at the best posture (NIOSH lifting equation)


@dataclass(frozen=True)
class Warning:
    """One thing to look out for: `code` for scripts, `step` from 1, `text` for people."""

    code: str
    step: int
    text: str


def warnings_of(study: Study, ahead: Sequence[Outlook]) -> list[Warning]:
    """Everything to look out for, step by step; what holds for the same pair is said once."""
    found: list[Warning] = []
    said: set[tuple[str, str]] = set()
    for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        for code, text in _of_step(study, step, look):
            if (code, text) not in said:
                said.add((code, text))
                found.append(Warning(code, number, text))
    return found


def _of_step(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    units = study.units
    if step.turn.angle == 0.0 and step.walk.angle == 0.0:
        yield (
            "no_turn",
            f"{step.top} is never turned: whatever lies along and across the stroke stays different. "
            'Write turn = "8 deg per stroke"',
        )
    yield from _of_grit(step)
    if look.tipping_margin < 0.0:
        yield (
            "tips",
            f"{step.top} tips off {step.bottom} in this stroke: shorten the stroke, or move it or the load "
            "inwards",
        )
    elif look.lifts:
        over, lift = (words.length(v, units) for v in (look.overhang, look.lift_off_overhang))
        yield (
            "overhang",
            f"{step.top} hangs over by {over}, and flat faces begin to lift at {lift}: it can rock, tip and "
            "pinch. Shorten the stroke, and keep your fingers out",
        )
    high, low = HIGH_PRESSURE, LOW_PRESSURE
    presses = words.pressure(look.pressure_mean, units)
    if look.pressure_mean > high:
        yield (
            "high_pressure",
            f"{presses} is above {say_pressure(high, units)}: the grit layer may be squeezed out. "
            "Take less load",
        )
    if look.pressure_mean < low:
        yield (
            "low_pressure",
            f"{presses} is below {say_pressure(low, units)}: the top may float on the grit and cut little. "
            "Add load",
        )
    yield from _of_weight(study, step)


def _of_grit(step: Step) -> Iterator[tuple[str, str]]:
    rubbed = step.total_strokes / step.pace
    if step.fresh_every is None and rubbed > LONGEST_DAB:
        yield (
            "one_dab",
            'one dab of grit for longer than ten minutes wears out. Write fresh_grit_every = "5 min"',
        )
    if step.grit.fade is None:
        yield (
            "no_fade",
            f"how fast a dab of {step.grit.name} tires is not known, so it is taken to cut on as if fresh. "
            'In a [grits.NAME] you can write fade = "8 min"',
        )


def _of_weight(study: Study, step: Step) -> Iterator[tuple[str, str]]:
    names = {step.top} | ({step.bottom} if step.swap is not None else set())
    heaviest = max(names, key=lambda name: study.plates[name].total_mass)
    mass = study.plates[heaviest].total_mass
    weighs = f"{heaviest} weighs {say_mass(mass, study.units)}"
    if mass > TOO_HEAVY:
        yield (
            "too_heavy",
            f"{weighs}, more than the {say_mass(TOO_HEAVY, study.units)} that one person should lift at best "
            "(NIOSH): use a hoist or a second person; local rules come first",
        )
    elif mass > HEAVY:
        yield "heavy", f"{weighs}: lift it close to the body, and slide it off, never pry"
