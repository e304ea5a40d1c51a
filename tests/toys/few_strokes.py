"""A toy finding: a plate that is hardly rubbed, the whole file of it; and one of readings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from lapwright.results.findings import Finding, Kind, step_by_step

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.metrology.least_squares import Estimate
    from lapwright.results.gauge import Request
    from lapwright.study.model import Study

FEW = 100  # common practice, no source


@step_by_step
def hardly_rubbed(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    step = study.steps[at - 1]
    if step.total_strokes < FEW:
        for name in (step.top, step.bottom):
            mass = study.plates[name].total_mass
            yield Finding("few_strokes", at, name, {"strokes": step.total_strokes, "mass": mass})


def read_once(asked: Request, found: Estimate) -> Iterator[Finding]:
    for name in dict.fromkeys(one.plate for one in asked.readings):
        if sum(one.plate == name for one in asked.readings) == 1:
            yield Finding("read_once", 0, name)


KIND = Kind(
    "too few strokes to tell anything",
    hardly_rubbed,
    sentence="{strokes:number} strokes of {top} on {bottom} hardly mark {plate} ({mass:mass})",
)
OF_READINGS = Kind(
    "a plate that was read once", read_once, "readings", "{plate} was read once: read it again."
)
