"""A study said back, and how the top bears in a place of the stroke: answers of commands.

A study said back, with what each step will do and what to look out for; nothing is lapped.

Where the top bears in a place of the stroke, how hard, and whether it tips.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import pi
from typing import TYPE_CHECKING, Any

from lapwright.errors import troubles_in
from lapwright.results.answer import Answer, wrapped
from lapwright.units import Units, sentence

if TYPE_CHECKING:
    from lapwright.contact.pressure import Bearing
    from lapwright.integration.estimate import Outlook
    from lapwright.modal.reduced_model import Glance
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

__all__ = ["BearingAnswer", "Preview"]


class Preview(Answer):
    """A study looked at beforehand: what each step will do, and what to look out for.

    Raises
    ------
    LapwrightError
        Where a step cannot be: the plates do not meet, the top tips, an observed wear cannot be read.

    """

    def __init__(self, study: Study) -> None:
        from lapwright.integration.estimate import outlooks
        from lapwright.modal.reduced_model import Glances
        from lapwright.results.findings import foreseen

        self.study = study
        with troubles_in(study.units):
            self.looks = outlooks(study.plates, study.steps, seed=study.seed)
            self.findings = foreseen(study, self.looks)
            look_at = Glances(study.plates, study.seed, study.margin).of
            steps = zip(study.steps, self.looks, strict=True)
            self.glances = [
                look_at(step, number, look) for number, (step, look) in enumerate(steps, 1)
            ]

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.presentation.finding_words import in_words

        yield from _preview_text(self.study, self.looks, self.glances)
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
        from lapwright.presentation.finding_words import said_of

        steps = zip(self.study.steps, self.looks, self.glances, strict=True)
        said = said_of(self.findings, self.study)
        return {
            "study": self.study.stem,
            "assumed": dict(self.study.assumed),
            "warnings": [{"code": one.code, "step": one.step, "text": one.text} for one in said],
            "steps": [_preview_json(*step) for step in steps],
        }


def _preview_json(step: Step, look: Outlook, glance: Glance | None) -> dict[str, Any]:
    from lapwright.kinematics.sliding import invariants_of

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
    what = invariants_of(step)
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


def _preview_text(
    study: Study, ahead: Sequence[Outlook], glances: Sequence[Glance | None]
) -> Iterator[str]:
    """What the study means, line by line."""
    from lapwright.presentation import beforehand
    from lapwright.presentation import beforehand as assumed

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
        told = ", ".join(beforehand.schedule(step, study.units))
        head = f"{step.top} on {step.bottom}, grit {grit}{size}, {told}"
        yield from wrapped(f"Step {number}: {head}", "", "  ")
        for what, sentences in _step(study, number, step, look, glance):
            for i, words in enumerate(sentences):
                yield from wrapped(words, f"  {'' if i else what:<8}", " " * 12 if i else " " * 10)
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
    from lapwright.presentation import beforehand
    from lapwright.presentation.staying import leaves
    from lapwright.presentation.way_round import makes

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
    from lapwright.presentation.way_round import weighing

    guessed = any(
        key.startswith(("steps.", "grits.")) and key.endswith("wear") for key in study.assumed
    )
    told = (
        weighing(study.plates, list(zip(study.steps, ahead, strict=True)), study.units)
        if guessed
        else None
    )
    return [told] if told else []


class BearingAnswer(Answer):
    """How the top of `step`, the step `number` (from 1) of a study, bears.

    `phase` [rad] of the first stroke, None: its worst place; `heights` (ny, nx) [m] by plate, None: the faces
    as they come; `when`: what faces those are, in words.

    Raises
    ------
    LapwrightError
        Where the plates do not meet, the top tips or it does not settle.

    """

    def __init__(
        self,
        study: Study,
        number: int = 1,
        phase: float | None = None,
        step: Step | None = None,
        heights: Mapping[str, Any] | None = None,
        when: str = "faces as they come",
    ) -> None:
        from lapwright.contact.pressure import bearing
        from lapwright.integration.estimate import outlook

        self.study, self.number, self.when = study, number, when
        self.step = step or study.steps[number - 1]
        self.worst = phase is None
        with troubles_in(study.units):
            self.bearing = bearing(
                study.plates, self.step, heights=heights, phase=phase, number=number
            )
        first = next(s for s in study.steps if s.grit.name == self.step.grit.name)
        key = (study.seed, 1, number)
        self.ahead = outlook(study.plates, self.step, key=key, observed_in=first)

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        yield from _bearing_text(self)

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        return _bearing_json(self.bearing, self.ahead)


def _bearing_json(got: Bearing, ahead: Outlook) -> dict[str, Any]:
    return {
        "step": got.step,
        "phase": got.phase,
        "pressure_peak": got.pressure_peak,
        "pressure_mean": got.pressure_mean,
        "contact_share": got.contact_share,
        "tilt": list(got.tilt),
        "tipping_margin": got.tipping_margin,
        "overhang": got.overhang,
        "overhang_stroke": ahead.overhang,
        "lift_off_overhang": ahead.lift_off_overhang,
    }


def _bearing_text(answer: BearingAnswer) -> list[str]:
    from lapwright.presentation import words
    from lapwright.presentation.beforehand import limit

    got, ahead, units = answer.bearing, answer.ahead, answer.study.units
    where = f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke"
    if answer.worst:
        where = f"in the worst place of the stroke ({got.phase * 180.0 / pi:.0f} degrees)"
    lines = [
        f"{answer.study.title}: step {answer.number}, {answer.when}",
        "",
        sentence(
            words.bears(
                where,
                got.top,
                got.bottom,
                got.contact_share,
                got.pressure_mean,
                got.pressure_peak,
                units,
            )
        ),
    ]
    if got.contact_share < 0.9995:
        lines.append(sentence(f"{got.top} lifts off the rest there."))
    lines.append(
        f"There it {_edge(got.overhang, units)}, and in this step it {_edge(ahead.overhang, units)} at most; "
        f"flat faces begin to lift {limit(ahead.edge.limits.lift, answer.step, units)}."
        if ahead.overhang > 0.0
        else f"It {_edge(ahead.overhang, units)} all through this step; flat faces begin to lift "
        f"{limit(ahead.edge.limits.lift, answer.step, units)}."
    )
    lines.append(
        f"It stands: the load could move out by {units.length(got.tipping_margin)} before it tips."
    )
    return lines


def _edge(overhang: float, units: Units) -> str:
    """How far the top hangs over the edge, or stays inside it."""
    if overhang > 0.0:
        return f"hangs over the edge by {units.length(overhang)}"
    return f"stays inside the edge by {units.length(-overhang)}"
