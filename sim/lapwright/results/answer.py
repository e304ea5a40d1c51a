"""What a command makes: numbers for scripts, and the same in words for people; the answers of two of them.

`Preview` is a study said back, with what each step will do and what to look out for; nothing is lapped.
`BearingAnswer` is where the top bears in a place of the stroke, how hard, and whether it tips.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import pi
from typing import TYPE_CHECKING, Any, Self

from lapwright.errors import troubles_in
from lapwright.machine import one_thread
from lapwright.units import Units, sentence

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.modal.reduced_model import Glance
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

WIDTH = 100  # of a line, so that it reads well on paper and in any terminal


class Answer:
    """The answer of a command: `to_dict` is its JSON, `text` the body of what it prints.

    Everything is worked out as the answer is made; to show it costs nothing.
    """

    study: Any  # the study in whose units it speaks

    def __repr__(self) -> str:
        return f"<{type(self).__name__}>\n{self.text()}"

    def told(self) -> Mapping[str, Any]:
        """Everything for scripts.

        Returns
        -------
        mapping
            SI, arrays and all.

        """
        raise NotImplementedError

    def lines(self) -> Iterable[str]:
        """Everything in words.

        Returns
        -------
        iterable of str
            Line by line, in the units of the study.

        """
        raise NotImplementedError

    @one_thread()
    def to_dict(self) -> dict[str, Any]:
        """The JSON of the command.

        Returns
        -------
        dict
            SI; what is not known is None.

        """
        found: dict[str, Any] = plain(self.told())
        return found

    @one_thread()
    def text(self, units: str | None = None) -> str:
        """What the command prints, without what to type next.

        Parameters
        ----------
        units : str, optional
            "metric" or "inch"; those of the study when None.

        Returns
        -------
        str
            In lines.

        Raises
        ------
        StudyError
            For other units.

        """
        told = self if units is None else self.spoken_in(units)
        return "\n".join(told.lines())

    def spoken_in(self, units: str) -> Self:
        """The same answer to a person who counts in other units; nothing is worked out anew.

        Parameters
        ----------
        units : str
            "metric" or "inch".

        Returns
        -------
        Answer
            Of the same kind.

        Raises
        ------
        StudyError
            For other units.

        """
        from copy import copy  # late: `-h` waits for no module that it can do without

        other = copy(self)
        object.__setattr__(other, "study", self.study.replace(units=units))
        return other

    def __str__(self) -> str:
        return self.text()


def titled(what: str, sentences: Sequence[str], width: int) -> Iterator[str]:
    """Sentences under what they are about, which stands before the first of them, `width` wide."""
    for i, one in enumerate(sentences):
        yield from wrapped(one, f"  {'' if i else what:<{width}}", " " * (width + (4 if i else 2)))


# A number is not parted from its unit.
WITH_UNIT = re.compile(
    r"(?<=\d)() (?=(?:%|/min|[numkg]?[mgs]|uin|in|min|h|N|lbf?|oz|kPa|psi|deg[CF]?)(?![a-z]))"
)


def wrapped(text: str, first: str, then: str) -> list[str]:
    """A text in lines: what begins the `first`, and what begins those after it."""
    lines = textwrap.wrap(
        WITH_UNIT.sub("\\1\u00a0", text),
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def plain(value: Any) -> Any:
    """A value as JSON knows it: no NaN or infinity (null), no arrays."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    number = float(value)
    return number if math.isfinite(number) else None


class Preview(Answer):
    """A study looked at beforehand: what each step will do, and what to look out for.

    In words on one screen, or `whole`.

    Raises
    ------
    LapwrightError
        Where a step cannot be: the plates do not meet, the top tips, an observed wear cannot be read.

    """

    def __init__(self, study: Study, whole: bool = False) -> None:
        from lapwright.modal.reduced_model import Glances
        from lapwright.results.findings import foreseen
        from lapwright.study.model import guessed_layers
        from lapwright.study.sizes import wedges_ahead

        self.study, self.whole = study, whole
        with troubles_in(study.units):
            self.looks = study.ahead
            self.findings = foreseen(study, self.looks)
            guesses = guessed_layers(study)
            look_at = Glances(study.plates, study.seed, study.margin, guesses=guesses).of
            steps = zip(study.laid, self.looks, strict=True)
            self.wedges = [] if study.batch is not None else wedges_ahead(study)
            self.glances = [
                look_at(step, number, look) for number, (step, look) in enumerate(steps, 1)
            ]

    def lines(self) -> Iterator[str]:
        """One screen of words, or all of them."""
        from lapwright.presentation.screen import screen

        return self._whole() if self.whole else screen(self)

    def _whole(self) -> Iterator[str]:
        from lapwright.presentation import beforehand
        from lapwright.presentation.batch_before import before_words
        from lapwright.presentation.finding_words import in_words

        study = self.study
        yield study.title or study.stem
        yield ""
        width = max(map(len, study.plates)) + 2
        alike = () if study.batch is None else study.batch.names[1:]
        for name, plate in study.plates.items():
            if name in alike:
                continue
            told = beforehand.plate(plate, study.units)
            yield from wrapped(told, f"{name:<{width}}", " " * width)
        if study.start is not None:
            yield from wrapped(beforehand.came_from(study.start), "", "  ")
        for number in range(1, len(study.steps) + 1):
            yield from self._step(number)
        if study.batch is not None:
            yield ""
            for line in before_words(study):
                yield from wrapped(line, "", "  ")
        elif study.rounds > 1:
            yield ""
            yield f"All of this {study.rounds} times over."
        if study.assumed:
            yield ""
            yield "Not said in the study, so taken as usual:"
            for line in beforehand.in_words(study):
                indent = 2 + len(line) - len(line.split("  ", 1)[-1].lstrip())
                yield from wrapped(line, "  ", " " * indent)
        yield ""
        found = in_words(self.findings, study)
        yield "Look out:" if found else "Nothing to look out for that shows from here."
        for line in found:
            yield from wrapped(line, "  ", "    ")
        if weigh := self._weighing():
            yield ""
            yield from wrapped(weigh, "", "  ")

    def _step(self, number: int) -> Iterator[str]:
        """What the hand does in a step, how it presses, what it cuts, makes and leaves."""
        from lapwright.presentation import beforehand, tables
        from lapwright.presentation.staying import leaves

        study, units, plates = self.study, self.study.units, self.study.plates
        at = number - 1
        step, look, glance = study.steps[at], self.looks[at], self.glances[at]
        told: dict[str, Sequence[str]] = {
            "hand": beforehand.hand(step, plates, look, units, study.turns_bottom(number)),
            "rests": beforehand.rests(step, look),
            "press": [beforehand.press(step, plates, look, units)],
            "cuts": [beforehand.cuts(study, number, look)],
            "makes": self.made(number),
            "leaves": leaves(step, plates, look, units, glance, carrier=study.carried),
        }
        yield ""
        grit = f"grit {step.grit.name}{tables.grain(step)}"
        head = f"{step.top} on {step.bottom}, {grit}, {', '.join(beforehand.schedule(step, look, units))}"
        yield from wrapped(f"Step {number}: {head}", "", "  ")
        for what, sentences in told.items():
            yield from titled(what, sentences, 8) if sentences else ()

    def made(self, number: int, brief: bool = False) -> list[str]:
        """What step `number` (from 1) makes, and whether that is the right way round."""
        from lapwright.presentation.size_words import wedges_made
        from lapwright.presentation.way_round import makes

        study, at = self.study, number - 1
        laid = {name for step in study.steps for name in (step.top, step.bottom)}
        wedges = wedges_made(study, self.wedges, self.looks, number, brief) if self.wedges else []
        return wedges + makes(
            study.steps[at],
            study.plates,
            self.looks[at],
            study.units,
            as_they_come=number == 1,
            more_plates=len(laid) > 2,
            glance=self.glances[at],
            brief=brief,
        )

    def _weighing(self) -> str | None:
        """Which plate to weigh, while the wear of the grit is a guess."""
        from lapwright.presentation.way_round import weighing

        study = self.study
        wears = (key for key in study.assumed if key.endswith("wear"))
        if not any(key.startswith(("steps.", "grits.")) for key in wears):
            return None
        steps = list(zip(study.steps, self.looks, strict=True))
        return weighing(study.plates, steps, study.units)

    def _wedges_told(self) -> list[dict[str, dict[str, float]] | None]:
        """How far out of parallel each plate will be after each step [m], thick at an angle [rad]."""
        each = [
            {name: {"by": one.by, "high": one.high} for name, one in after.items()}
            for after in self.wedges
        ]
        return [*each] or [None] * len(self.study.steps)

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        from lapwright.presentation.finding_words import said_of

        steps = zip(self.study.steps, self.looks, self.glances, strict=True)
        said = said_of(self.findings, self.study)
        return {
            "study": self.study.stem,
            "assumed": dict(self.study.assumed),
            "warnings": [{"code": one.code, "step": one.step, "text": one.text} for one in said],
            "steps": [
                _foretold(*step) | {"wedges": wedges}
                for step, wedges in zip(steps, self._wedges_told(), strict=True)
            ],
        }


# What is foretold of a step, by the same names in its outlook.
FORETOLD = (
    *("overhang", "lift_off_overhang", "tipping_overhang", "pressure_mean", "removed"),
    *("half_difference", "removed_from", "load", "speed", "time", "squeeze", "tau"),
)


def _foretold(step: Step, look: Outlook, glance: Glance | None) -> dict[str, Any]:
    from lapwright.kinematics.sliding import invariants_of

    what = invariants_of(step)
    told = {key: getattr(look, key) for key in FORETOLD} | {
        "lifts_from": look.edge.limits.lift.overhang,
        "lifts": look.lifts if glance is None else glance.lift_share > 0.0,
        "stays": {"kind": what.kind, "number": what.count()},
        "drives": look.tendency.all_round,
        "made": None if glance is None else glance.made,
        "mark": None if glance is None else glance.mark,
        "mark_by_layer": None if glance is None else glance.mark_by_layer,
        "hardly_touches": None if glance is None else dict(glance.lingering),
    }
    if look.half_difference is None and glance is not None:
        told["half_difference"] = glance.half_difference(step)
    return told


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
        self.step = step or study.laid[number - 1]
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
        from lapwright.presentation import bearing_words
        from lapwright.presentation.tables import limit
        from lapwright.presentation.words import say

        got, ahead, units = self.bearing, self.ahead, self.study.units
        degrees = f"{got.phase * 180.0 / pi:.0f} degrees"
        where = f"at {degrees} of the stroke"
        if self.worst:
            where = f"in the worst place of the stroke ({degrees})"
        yield f"{self.study.title}: step {self.number}, {self.when}"
        yield ""
        pressures = got.contact_share, got.pressure_mean, got.pressure_peak
        yield sentence(bearing_words.bears(where, got.top, got.bottom, *pressures, units))
        if got.contact_share < 0.9995:
            yield sentence(f"{got.top} lifts off the rest there.")
        lifts = f"flat faces begin to lift {limit(ahead.edge.limits.lift, self.step, units)}."
        here, most = _edge(got.overhang, units), _edge(ahead.overhang, units)
        if ahead.overhang > 0.0:
            yield f"There it {here}, and in this step it {most} at most; {lifts}"
        else:
            yield f"It {most} all through this step; {lifts}"
        batch = self.study.batch
        if batch is not None and batch.joined and batch.laps(self.study.steps[self.number - 1]):
            yield sentence(say("batch.by_itself", part=got.top))
            return
        room = units.length(got.tipping_margin)
        yield f"It stands: the load could move out by {room} before it tips."

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        got, ahead = self.bearing, self.ahead
        keys = ("step", "phase", "pressure_peak", "pressure_mean", "contact_share")
        return {key: getattr(got, key) for key in keys} | {
            "tilt": list(got.tilt),
            "tipping_margin": got.tipping_margin,
            "overhang": got.overhang,
            "overhang_stroke": ahead.overhang,
            "lift_off_overhang": ahead.lift_off_overhang,
        }


def _edge(overhang: float, units: Units) -> str:
    """How far the top hangs over the edge, or stays inside it."""
    if overhang > 0.0:
        return f"hangs over the edge by {units.length(overhang)}"
    return f"stays inside the edge by {units.length(-overhang)}"
