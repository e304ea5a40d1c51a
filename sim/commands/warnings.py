"""What to look out for in a study, from closed forms alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.plate.bending import pressed_sag
from sim.report import words
from sim.study.say import say_mass, say_pressure

if TYPE_CHECKING:
    from sim.lapping.outlook import Outlook
    from sim.lapping.step import Step
    from sim.study.model import Study

__all__ = ["Warning", "in_words", "past_edge", "warnings_of"]

# Common practice, no source, but for the lifting limit.
LONGEST_DAB = 600.0  # s
HIGH_PRESSURE, LOW_PRESSURE = 15e3, 0.5e3  # Pa
HEAVY = 12.0  # kg
BENDS = 0.1  # of the squeeze
TOO_HEAVY = 23.0  # kg, the most at the best posture (NIOSH lifting equation)


@dataclass(frozen=True)
class Warning:
    """One thing to look out for: `code` for scripts, `step` from 1, `text` for people."""

    code: str
    step: int
    text: str


def warnings_of(study: Study, ahead: Sequence[Outlook]) -> list[Warning]:
    """Everything to look out for, step by step."""
    return [
        Warning(code, number, text)
        for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1)
        for code, text in _of_step(study, step, look)
    ]


def past_edge(overhang: float, units: str) -> str:
    """Where an overhang is, in words: past the edge, or still inside it."""
    side = "past the edge" if overhang >= 0.0 else "inside the edge"
    return f"{words.length(abs(overhang), units)} {side}"


def in_words(warnings: Sequence[Warning]) -> list[str]:
    """The warnings as lines; what holds for several steps is said once."""
    steps: dict[str, list[int]] = {}
    for warning in warnings:
        steps.setdefault(warning.text, []).append(warning.step)
    return [
        f"step {numbers[0]}: {text}"
        if len(numbers) == 1
        else f"steps {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}: {text}"
        for text, numbers in steps.items()
    ]


def _of_step(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    units = study.units
    if step.turn.angle == 0.0 and step.walk.angle == 0.0:
        # A rail is turned end for end; it cannot be turned on as it goes.
        turn = "180 deg every 10 strokes" if study.plates[step.top].outline.long else "8 deg per stroke"
        yield (
            "no_turn",
            f"{step.top} is never turned: whatever lies along and across the stroke stays different. "
            f'Write turn = "{turn}"',
        )
    yield from _of_grit(step)
    if look.tipping_margin < 0.0:
        yield (
            "tips",
            f"{step.top} tips off {step.bottom} in this stroke: shorten the stroke, or move it or the load "
            "inwards",
        )
    elif look.lifts:
        goes, lift = (past_edge(v, units) for v in (look.overhang, look.lift_off_overhang))
        yield (
            "overhang",
            f"{step.top} goes {goes} of the plate below, and flat faces begin to lift {lift}: it can rock, "
            "tip and pinch. Shorten the stroke or bring the load inwards, and keep your fingers out",
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
    yield from _of_bending(study, step, look)
    yield from _of_weight(study, step)


def _of_bending(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    """Plates are taken as rigid; that is not good enough where they bend by a tenth of the squeeze."""
    units, squeeze = study.units, look.pressure_mean / step.grit.layer.stiffness
    for name in (step.top, step.bottom):
        sag = pressed_sag(study.plates[name], look.pressure_mean)
        if sag is not None and sag > BENDS * squeeze:
            yield (
                "bending",
                f"{name} may bend by about {words.size(sag, units)} under this load, and the layer gives by "
                f"{words.size(squeeze, units)}: plates are taken as rigid here, so trust the shape only to "
                "about that much. A thicker plate or less load bends less",
            )


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
