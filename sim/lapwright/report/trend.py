"""Which way a run was going: whether a form got less at its end."""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot

import numpy as np

from lapwright.lapping.step import Step
from lapwright.report.account import Account, Face, common_removed

__all__ = ["going", "one_sided"]

LAST = 0.4  # of the metal of the last step: from its end is read where a form is going
FALLS = 0.03  # of the form, for each of its own size in metal: below this it stays as it is
SIDE = 0.1  # of the smaller plate: a stroke whose middle lies further off stays on one side


def going(said: Account, face: Face, key: str) -> float:
    """How the size of a form went at the end of the last step, per metal off: below 0, it gets less.

    0 where it stayed as it was within a few hundredths.
    """
    run, values = said.run, np.abs(face.form(key))
    metal = common_removed(said)
    last = np.flatnonzero(np.asarray(run.step) == int(run.step[-1]))
    if last.size < 3 or metal[last[-1]] - metal[last[0]] <= 0.0:
        return 0.0
    begin = metal[last[-1]] - LAST * (metal[last[-1]] - metal[last[0]])
    some = last[metal[last] >= begin]
    if some.size < 3:
        some = last[-3:]
    slope = float(np.polyfit(metal[some], values[some], 1)[0]) if np.ptp(metal[some]) > 0.0 else 0.0
    return slope if abs(slope) >= FALLS else 0.0


def one_sided(step: Step, plates: Iterable[Face]) -> bool:
    """Whether a stroke stays on one side of the plate below, nobody walking round with it."""
    least = min(min(face.half) for face in plates)
    carried = step.carry_centre and step.walk.angle != 0.0
    return hypot(*step.centre) > SIDE * least and not carried
