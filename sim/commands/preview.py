"""`lapwright preview`: says back what a study means, and what to look out for; laps nothing."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.commands.answer import Speaker, print_json, typed
from sim.commands.places import study_file
from sim.commands.warnings import in_words, past_edge, warnings_of

if TYPE_CHECKING:
    from sim.lapping.outlook import Outlook
    from sim.lapping.step import Step
    from sim.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright preview first-pair.toml    the same as: lapwright first-pair.toml
"""
MILLI = 1e-3


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")


def main(args: argparse.Namespace) -> int:
    """Say the study back; returns the exit code."""
    from sim.lapping.outlook import outlooks
    from sim.study.read import load

    study = load(study_file(Path(args.file)))
    ahead = outlooks(study.plates, study.steps, seed=study.seed)
    warnings = warnings_of(study, ahead)
    say = Speaker(args.json)
    for line in _in_words(study, ahead):
        say(line)
    say()
    say("Look out:" if warnings else "Nothing to look out for that shows from here.")
    for line in in_words(warnings):
        say(f"  {line}")
    if args.json:
        print_json(
            {
                "study": study.stem,
                "assumed": dict(study.assumed),
                "warnings": [{"code": w.code, "step": w.step, "text": w.text} for w in warnings],
                "steps": [_as_json(look) for look in ahead],
            }
        )
    say.next(
        ("See how the top bears", typed("bearing", args.file)),
        ("Lap the plates", typed("run", args.file)),
    )
    return 0


def _as_json(look: Outlook) -> dict[str, Any]:
    keys = (
        "overhang",
        "lift_off_overhang",
        "tipping_overhang",
        "pressure_mean",
        "removed",
        "half_difference",
    )
    return {key: getattr(look, key) for key in keys}


def _in_words(study: Study, ahead: Sequence[Outlook]) -> list[str]:
    lines = [study.title, ""]
    lines += [f"Plate {name}: {_plate(study, name)}" for name in study.plates]
    for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        lines += ["", f"Step {number}: {step.top} on {step.bottom}, grit {step.grit.name}, {_how_long(step)}"]
        lines += [f"  {name:<7}{text}" for name, text in _step(study, step, look)]
    if study.rounds > 1:
        lines += ["", f"All of this {study.rounds} times over."]
    if study.assumed:
        lines += ["", "Not said in the study, so taken as usual:"]
        lines += _assumed(study)
    return lines


def _plate(study: Study, name: str) -> str:
    from sim.report import words
    from sim.study.say import say_mass

    plate, units = study.plates[name], study.units
    along, across = (words.length(side, units) for side in plate.outline.size)
    if plate.outline.bore > 0.0:
        shape = f"ring {along}, bore {words.length(plate.outline.bore, units)}"
    elif type(plate.outline).__name__ == "Disc":
        shape = f"disc {along}"
    else:
        shape = f"{along} x {across}"
    form = plate.form
    parts = [
        words.part_words(key, value, units)
        for key in ("sphere", "saddle", "twist", "bow", "crown", "wind")
        if abs(value := getattr(form, key)) > 0.0
    ]
    return (
        f"{shape}, {say_mass(plate.total_mass, units)}, {plate.material.name}, {'; '.join(parts) or 'flat'}"
    )


def _how_long(step: Step) -> str:
    from sim.study.say import say_time

    if step.until is not None:
        return "until the gauge says stop"
    if step.time is not None:
        return say_time(step.total_strokes / step.pace, 3, echo=True)
    return f"{step.total_strokes} strokes"


def _step(study: Study, step: Step, look: Outlook) -> list[tuple[str, str]]:
    """What the hand does, how it presses, what it cuts and what it makes."""
    from sim.report import words
    from sim.report.tables import stroke_words, turn_words
    from sim.study.say import say_force, say_pace, say_turn

    units = study.units
    weighed = step.grit.wear.observed is not None
    turn = turn_words(step.turn)
    hand = [stroke_words(step, units), say_pace(step.pace), f"turn {turn}" if step.turn.angle else "no turn"]
    if step.walk.angle:
        hand.append(f"walk {say_turn(step.walk.angle, step.walk.every, echo=True)}")
    if look.overhang > 0.0:
        over = f"hangs over the edge by {words.length(look.overhang, units)} at most"
    else:
        over = f"stays inside the edge by {words.length(-look.overhang, units)}"
    lift = past_edge(look.lift_off_overhang, units)
    tips = past_edge(look.tipping_overhang, units)
    said = [
        ("hand", ", ".join(hand)),
        (
            "over",
            f"{over}; flat faces begin to lift {lift}, it tips {tips}",
        ),
        (
            "press",
            f"{say_force(look.load, units)}, {words.pressure(look.pressure_mean, units)}",
        ),
        ("cuts", _cuts(step, look, weighed, units)),
    ]
    if look.half_difference is not None:
        said.append(("makes", _makes(step, look.half_difference, units)))
    return said


def _cuts(step: Step, look: Outlook, weighed: bool, units: str) -> str:
    """Metal off each plate, with its band."""
    from sim.report import words

    removed = look.removed
    if removed < words.NOTHING:
        return "no metal to speak of"
    spread = words.SCATTER if weighed else words.BAND
    reason = "as wear scatters" if weighed else "until you weigh a plate"
    about = "about" if step.until is None else "at most about"
    each = look.removed_from.values()
    if max(each) > 1.05 * min(each):
        off = words.joined(
            [f"{words.size(depth, units)} off {name}" for name, depth in look.removed_from.items()]
        )
        return f"{about} {off}, {words.two(1.0 / spread)} to {words.two(spread)} times that {reason}"
    low, high = words.size(removed / spread, units), words.size(removed * spread, units)
    return f"{about} {words.size(removed, units)} off each, {low} to {high} {reason}"


def _makes(step: Step, half: float, units: str) -> str:
    from sim.report import words

    if abs(half) < words.NOTHING:
        return "neither plate more domed than the other"
    domed, hollow = (step.bottom, step.top) if half > 0.0 else (step.top, step.bottom)
    rough = f" ({words.REMARK})" if abs(half) < 0.1 * step.grit.size else ""
    return (
        f"domes {domed} and hollows {hollow}, by {words.size(half, units)} each beside what they share{rough}"
    )


def _assumed(study: Study) -> list[str]:
    width = max(map(len, study.assumed)) + 2
    return [f"  {key:<{width}}{value}" for key, value in study.assumed.items()]
