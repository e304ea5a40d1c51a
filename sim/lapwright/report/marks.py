"""Sentences on the mark of the grit layer: what it leaves on both by the end of a step, and in the long run.

Pure functions of a `Reason`; sizes in the study's units; words as in `lapwright.report.words`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.schedule import cut_time
from lapwright.lapping.step import Step
from lapwright.modes.reason import Reason
from lapwright.modes.schedule import Cycle, CycleSpectrum
from lapwright.plate.measure import EdgeMargin
from lapwright.report import words
from lapwright.report.leaving import remark
from lapwright.units import NOTHING, Units, joined

__all__ = ["comes", "cycle_comes", "keeps", "mark", "standing"]

Array = NDArray[np.float64]

MOST_METAL = 100e-6  # [m] more than anybody removes for flatness (common practice, no source)
NEAR_ENOUGH = 0.1  # of what is left for ever: nearer than this it has come
TOLD = 0.2  # of a face's largest form, from which another is told beside it


def standing(faces: Mapping[str, Mapping[str, float]], step: Step, units: Units) -> str:
    """The larger of the forms [m] of each face in words, faces alike told together; the remark on the finish.

    `step`: whose grit sets the finish.
    """
    told = {name: _larger(forms) for name, forms in faces.items()}
    alike: dict[str, list[str]] = {}
    for name, forms in told.items():
        said = ", ".join(words.part_words(key, value, units) for key, value in forms.items())
        alike.setdefault(said or "nothing to speak of", []).append(name)
    each = "; ".join(f"{joined(names)} {what}" for what, names in alike.items())
    return each + remark(told, step, units)


def _larger(forms: Mapping[str, float]) -> dict[str, float]:
    least = max(TOLD * max(map(abs, forms.values()), default=0.0), NOTHING)
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    return {key: value for key, value in parts if abs(value) >= least}


def mark(reason: Reason, units: Units, margin: EdgeMargin) -> str:
    """What the layer leaves on each face in the long run, in words."""
    return standing(reason.forms(reason.evolution.bedded_residue, margin), reason.step, units)


def keeps(reason: Reason, units: Units, margin: EdgeMargin) -> list[str]:
    """The mark of the layer that both plates keep, and that laying one on the other does not show."""
    if reason.removal <= 0.0:
        return ["what they came with"]
    told = f"the mark of the grit layer {_in_time(reason, units, margin)}"
    return [
        f"{told}. Laid on each other they show nothing of it. A shorter stroke, a finer grit or less load "
        "leaves less"
    ]


def _in_time(reason: Reason, units: Units, margin: EdgeMargin) -> str:
    """The mark by the end of the step, and in the long run where anybody comes to that."""
    step, long_run = reason.step, mark(reason, units, margin)
    lifts = reason.long_run.everywhere
    solved = reason.evolution
    come = comes(reason, solved.bedded_residue, solved.bedded_drift, margin)
    if step.swap is not None and come:
        return f"in the long run, had {step.top} stayed on top: {long_run}"
    # As preview has it: from flat faces on, what is made put aside.
    by_end = _layer_alone(reason, cut_time(step), reason.made)
    now = standing(reason.forms(by_end, margin), step, units)
    if come:
        both = now == long_run
        return f"by the end of this step{', and in the long run' if both else ''}: {now}" + (
            "" if both else f"; in the long run: {long_run}"
        )
    why = f"part of {step.top} lifts everywhere" if lifts else "that takes more metal than anybody removes"
    return f"by the end of this step: {now}; of the long run nothing is told, for {why}"


def comes(reason: Reason, last: Array, made: Array, margin: EdgeMargin) -> bool:
    """Whether what the layer leaves for ever is there before more metal is off than anybody removes.

    It never is where part of the top lifts everywhere.

    Parameters
    ----------
    reason
    last : (n,) array
        What is left for ever [m].
    made : (n,) array
        What is made beside it [m/s].
    margin
        Of the forms that are looked at.

    """
    if reason.removal <= 0.0:
        return True
    if reason.long_run.everywhere:
        return False
    there = _layer_alone(reason, MOST_METAL / reason.removal, made)
    return _near(reason.forms(last, margin), reason.forms(last - there, margin))


def cycle_comes(cycle: Cycle, spectrum: CycleSpectrum, last: Array, made: Array, margin: EdgeMargin) -> bool:
    """The same of a cycle gone through over and over: `last` (n,) [m] as it ends, `made` (n,) [m/s]."""
    removal = sum(spectrum.removal.values()) / len(spectrum.removal)
    if removal <= 0.0:
        return True
    cycles = max(1, int(MOST_METAL / (removal * cycle.time)))
    n = last.size
    affine = np.zeros((n + 1, n + 1))
    affine[:n, :n], affine[:n, n], affine[n, n] = cycle.matrix, cycle.offset, 1.0
    there = np.linalg.matrix_power(affine, cycles)[:n, n] - made * cycle.time * cycles
    return _near(cycle.forms(last, margin), cycle.forms(last - there, margin))


def _near(last: Mapping[str, Mapping[str, float]], off: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether what is left [m] has come, but for what is `off` it."""
    size, rest = (max(abs(v) for part in each.values() for v in part.values()) for each in (last, off))
    return rest <= max(NEAR_ENOUGH * size, NOTHING)


def _layer_alone(reason: Reason, cut: float, made: Array) -> Array:
    """Flat faces after a time at a fresh dab's cut [s], without what is `made` (n,) [m/s]: (n,) [m]."""
    return reason.evolution.after(np.zeros(made.size), cut) - made * cut
