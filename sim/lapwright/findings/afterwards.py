"""What is noticed of a run: all that could be foreseen, put right by the metal that went, and what showed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.findings.beforehand import foreseen
from lapwright.findings.finding import KINDS, Finding
from lapwright.findings.marks import Rubbed, marks
from lapwright.lapping.outlook import outlooks
from lapwright.limits import limit_of
from lapwright.study.record import grit_on

if TYPE_CHECKING:
    from lapwright.study.model import Study
    from lapwright.study.record import PlateRecord, Run

__all__ = ["best", "noticed"]


def noticed(run: Run, study: Study) -> list[Finding]:
    """Everything that is noticed of a run of a study, the gravest first."""
    found = list(_tipped(run, study))
    try:
        ahead = outlooks(study.plates, study.steps, seed=study.seed)
    except LapwrightError:
        return found
    told = {(one.code, one.step) for one in found}
    found += [
        one
        for one in foreseen(study, ahead)
        if KINDS[one.code].told == "both" and (one.code, one.step) not in told
    ]
    found += _pits(run, study)
    found += _best(run, study)
    return sorted(found, key=lambda one: one.gravity)


def _tipped(run: Run, study: Study) -> Iterator[Finding]:
    """The step in which a run that tipped came to its end: the next one after a step that was over."""
    if run.outcome == "tipped":
        last = int(run.step[-1]) if len(run.step) else 0
        over = not len(run.event) or run.event[-1] == "step"
        yield Finding("tips", last % len(study.steps) + 1 if over else last)


def _pits(run: Run, study: Study) -> Iterator[Finding]:
    """Pits that are in a face as it is at the end."""
    done = list(_rubbed(run, study))
    last = {name: k for k, one in enumerate(done) for name in one.removed}
    for k, found in marks(done, "pits_left"):
        if found.plate is not None and last[found.plate] == k:
            yield found


def _rubbed(run: Run, study: Study) -> Iterator[Rubbed]:
    """Each step as it was done, round by round, with the metal that went in it."""
    spans: dict[tuple[int, int], list[int]] = {}
    for k in range(1, len(run.time)):
        spans.setdefault((int(run.round[k]), int(run.step[k])), []).append(k)
    for (_, number), entries in spans.items():
        step = study.steps[number - 1]
        off = {
            name: float(record.removed[entries[-1]] - record.removed[entries[0] - 1])
            for name, record in run.plates.items()
            if name in (step.top, step.bottom)
        }
        yield Rubbed(number, step, off)


def _best(run: Run, study: Study) -> Iterator[Finding]:
    """Faces that were past their best at the end."""
    for name, record in run.plates.items():
        k = best(record, limit_of("finish") * (grit_on(run, name) or 0.0))
        if k is not None:
            flatness = record.forms["flatness"]
            numbers = {
                "removed": float(record.removed[k]),
                "time": float(run.time[k]),
                "flatness": float(flatness[k]),
                "at_the_end": float(flatness[-1]),
            }
            yield Finding("best_passed", int(run.step[k]), name, numbers)


def best(record: PlateRecord, finish: float) -> int | None:
    """Place in the history where a face was flattest, if on the way and clearly better than at the end.

    `finish` [m]: below half of it nothing is clear.
    """
    flatness = np.asarray(record.forms["flatness"])
    if flatness.size < 3 or not np.isfinite(flatness).all():
        return None
    k = int(np.argmin(flatness))
    clear = max(limit_of("past its best") * flatness[k], flatness[k] + 0.5 * finish)
    return k if 0 < k < flatness.size - 1 and flatness[-1] > clear else None
