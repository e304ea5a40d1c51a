"""A study said back, with what each step will do and what to look out for; nothing is lapped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from lapwright.errors import troubles_in
from lapwright.results.answer import Answer, wrapped

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.modes.glance import Glance
    from lapwright.study.model import Study

__all__ = ["Preview"]


class Preview(Answer):
    """A study looked at beforehand: what each step will do, and what to look out for.

    Raises
    ------
    LapwrightError
        Where a step cannot be: the plates do not meet, the top tips, an observed wear cannot be read.

    """

    def __init__(self, study: Study) -> None:
        from lapwright.findings.beforehand import foreseen
        from lapwright.lapping.outlook import outlooks
        from lapwright.modes.glance import Glances

        self.study = study
        with troubles_in(study.units):
            self.looks = outlooks(study.plates, study.steps, seed=study.seed)
            self.findings = foreseen(study, self.looks)
            look_at = Glances(study.plates, study.seed, study.margin).of
            steps = zip(study.steps, self.looks, strict=True)
            self.glances = [look_at(step, number, look) for number, (step, look) in enumerate(steps, 1)]

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.report.finding_words import in_words

        yield from _in_words(self.study, self.looks, self.glances)
        yield ""
        found = in_words(self.findings, self.study)
        yield "Look out:" if found else "Nothing to look out for that shows from here."
        for line in found:
            yield from wrapped(line, "  ", "    ")
        for line in _weighing(self.study, self.looks):
            yield ""
            yield from wrapped(line, "", "  ")

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        from lapwright.report.finding_words import said_of

        steps = zip(self.study.steps, self.looks, self.glances, strict=True)
        said = said_of(self.findings, self.study)
        return {
            "study": self.study.stem,
            "assumed": dict(self.study.assumed),
            "warnings": [{"code": one.code, "step": one.step, "text": one.text} for one in said],
            "steps": [_as_json(*step) for step in steps],
        }


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
    from lapwright.report import beforehand
    from lapwright.results import assumed

    yield study.title or study.stem
    yield ""
    width = max(map(len, study.plates)) + 2
    for name, plate in study.plates.items():
        yield from wrapped(beforehand.plate(plate, study.units), f"{name:<{width}}", " " * width)
    if study.start is not None:
        yield from wrapped(beforehand.came_from(study.start), "", "  ")
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
    yield "cuts", [beforehand.cuts(step, look, units, study.rounds)]
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
