"""Where the top bears in a place of the stroke, how hard, and whether it tips."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import pi
from typing import TYPE_CHECKING, Any

from lapwright.errors import troubles_in
from lapwright.results.answer import Answer
from lapwright.units import Units, sentence

if TYPE_CHECKING:
    from lapwright.lapping.bearing import Bearing
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.study.model import Study

__all__ = ["BearingAnswer"]


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
        from lapwright.lapping.bearing import bearing
        from lapwright.lapping.outlook import outlook

        self.study, self.number, self.when = study, number, when
        self.step = step or study.steps[number - 1]
        self.worst = phase is None
        with troubles_in(study.units):
            self.bearing = bearing(study.plates, self.step, heights=heights, phase=phase, number=number)
        first = next(s for s in study.steps if s.grit.name == self.step.grit.name)
        key = (study.seed, 1, number)
        self.ahead = outlook(study.plates, self.step, key=key, observed_in=first)

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        yield from _in_words(self)

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        return _as_json(self.bearing, self.ahead)


def _as_json(got: Bearing, ahead: Outlook) -> dict[str, Any]:
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


def _in_words(answer: BearingAnswer) -> list[str]:
    from lapwright.report import words
    from lapwright.report.beforehand import limit

    got, ahead, units = answer.bearing, answer.ahead, answer.study.units
    where = f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke"
    if answer.worst:
        where = f"in the worst place of the stroke ({got.phase * 180.0 / pi:.0f} degrees)"
    lines = [
        f"{answer.study.title}: step {answer.number}, {answer.when}",
        "",
        sentence(
            words.bears(
                where, got.top, got.bottom, got.contact_share, got.pressure_mean, got.pressure_peak, units
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
    lines.append(f"It stands: the load could move out by {units.length(got.tipping_margin)} before it tips.")
    return lines


def _edge(overhang: float, units: Units) -> str:
    """How far the top hangs over the edge, or stays inside it."""
    if overhang > 0.0:
        return f"hangs over the edge by {units.length(overhang)}"
    return f"stays inside the edge by {units.length(-overhang)}"
