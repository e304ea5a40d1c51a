"""`lapwright preview`: says back what a study means, and what to look out for; laps nothing."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.answer import Speaker, print_json, troubles_in, typed, wrapped
from lapwright.commands.places import study_file
from lapwright.commands.warnings import in_words, warnings_of

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.modes.glance import Glance
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "Ahead", "add", "main"]

EXAMPLE = """\
example:
  lapwright preview first-pair.toml    the same as: lapwright first-pair.toml
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")


def main(args: argparse.Namespace) -> int:
    """Say the study back; returns the exit code."""
    from lapwright.study.read import load

    study = load(study_file(Path(args.file)))
    say = Speaker(args.json)
    with troubles_in(study.units):
        ahead = Ahead(study)
    ahead.say(say)
    if args.json:
        print_json(ahead.as_json())
    say.next(*_next(args.file))
    return 0


class Ahead:
    """A study looked at beforehand: what each step will do, and what to look out for."""

    def __init__(self, study: Study) -> None:
        from lapwright.lapping.outlook import outlooks
        from lapwright.modes.glance import Glances

        self.study = study
        self.looks = outlooks(study.plates, study.steps, seed=study.seed)
        self.warnings = warnings_of(study, self.looks)
        look_at = Glances(study.plates, study.seed, study.margin).of
        steps = zip(study.steps, self.looks, strict=True)
        self.glances = [look_at(step, number, look) for number, (step, look) in enumerate(steps, 1)]

    def say(self, say: Speaker) -> None:
        """All of it in words."""
        for line in _in_words(self.study, self.looks, self.glances):
            say(line)
        say()
        lines = in_words(self.warnings, len(self.study.steps))
        say("Look out:" if lines else "Nothing to look out for that shows from here.")
        for line in lines:
            _said(say, line, "  ", "    ")
        for line in _weighing(self.study, self.looks):
            say()
            _said(say, line, "", "  ")

    def as_json(self) -> dict[str, Any]:
        """All of it for scripts."""
        steps = zip(self.study.steps, self.looks, self.glances, strict=True)
        return {
            "study": self.study.stem,
            "assumed": dict(self.study.assumed),
            "warnings": [{"code": w.code, "step": w.step, "text": w.text} for w in self.warnings],
            "steps": [_as_json(*step) for step in steps],
        }


def _said(say: Speaker, text: str, first: str, then: str) -> None:
    for line in wrapped(text, first, then):
        say(line)


def _next(file: str) -> list[tuple[str, str]]:
    return [
        ("See how the top bears", typed("bearing", file)),
        ("Why it makes what it makes", typed("why", file)),
        ("Lap the plates", typed("run", file)),
    ]


def _as_json(step: Step, look: Outlook, glance: Glance | None) -> dict[str, Any]:
    from lapwright.lapping.kept import kept

    keys = (
        "overhang",
        "lift_off_overhang",
        "tipping_overhang",
        "pressure_mean",
        "removed",
        "half_difference",
        "removed_from",
        "load",
        "speed",
        "time",
        "squeeze",
        "tau",
    )
    what = kept(step)
    told = {key: getattr(look, key) for key in keys} | {
        "lifts_from": look.edge.limits.lift.overhang,
        "lifts": look.lifts if glance is None else glance.lift_share > 0.0,
        "stays": {"kind": what.kind, "number": what.count()},
        "drives": look.tendency.all_round,
        "made": None if glance is None else glance.made,
        "mark": None if glance is None else glance.mark,
        "hardly_touches": None if glance is None else dict(glance.lingering),
    }
    if look.half_difference is None and glance is not None:
        told["half_difference"] = glance.half_difference(step)
    return told


def _in_words(study: Study, ahead: Sequence[Outlook], glances: Sequence[Glance | None]) -> Iterator[str]:
    """What the study means, line by line."""
    from lapwright.commands import assumed
    from lapwright.report import beforehand

    yield study.title or study.stem
    yield ""
    width = max(map(len, study.plates)) + 2
    for name, plate in study.plates.items():
        yield from wrapped(beforehand.plate(plate, study.units), f"{name:<{width}}", " " * width)
    steps = zip(study.steps, ahead, glances, strict=True)
    for number, (step, look, glance) in enumerate(steps, 1):
        yield ""
        grit = step.grit.name
        size = beforehand.grain(step, study.units)
        head = f"{step.top} on {step.bottom}, grit {grit}{size}, {', '.join(beforehand.schedule(step))}"
        yield from wrapped(f"Step {number}: {head}", "", "  ")
        for what, sentences in _step(study, number, step, look, glance):
            for i, sentence in enumerate(sentences):
                yield from wrapped(sentence, f"  {'' if i else what:<8}", " " * 12 if i else " " * 10)
    if study.rounds > 1:
        yield ""
        yield f"All of this {study.rounds} times over."
    if study.assumed:
        yield ""
        yield "Not said in the study, so taken as usual:"
        for line in assumed.in_words(study):
            indent = 2 + len(line) - len(line.split("  ", 1)[-1].lstrip())
            yield from wrapped(line, "  ", " " * indent)


def _step(
    study: Study, number: int, step: Step, look: Outlook, glance: Glance | None
) -> Iterator[tuple[str, Sequence[str]]]:
    """What the hand does, how it presses, what it cuts, makes and leaves."""
    from lapwright.report import beforehand
    from lapwright.report.leaving import leaves
    from lapwright.report.way_round import makes

    units, plates = study.units, study.plates
    laid = {name for earlier in study.steps for name in (earlier.top, earlier.bottom)}
    yield "hand", beforehand.hand(step, plates, look, units)
    yield "press", [beforehand.press(step, plates, look, units)]
    yield "cuts", [beforehand.cuts(step, look, step.grit.wear.observed is not None, units, study.rounds)]
    yield (
        "makes",
        makes(
            step,
            plates,
            look,
            units,
            as_they_come=number == 1,
            more_plates=len(laid) > 2,
            glance=glance,
        ),
    )
    yield "leaves", leaves(step, plates, look, units, glance)


def _weighing(study: Study, ahead: Sequence[Outlook]) -> list[str]:
    """Which plate to weigh, while the wear of the grit is a guess."""
    from lapwright.report.weighing import weighing

    guessed = any(key.startswith(("steps.", "grits.")) and key.endswith("wear") for key in study.assumed)
    told = (
        weighing(study.plates, list(zip(study.steps, ahead, strict=True)), study.units) if guessed else None
    )
    return [told] if told else []
