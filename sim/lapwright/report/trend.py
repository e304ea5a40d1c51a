"""Which way a run was going: whether a form got less at its end, and when a face was at its best."""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot

import numpy as np

from lapwright.lapping.step import Step
from lapwright.report import words
from lapwright.report.account import Account, Face, common_removed
from lapwright.units import Units, sentence

__all__ = ["best", "going", "one_sided", "past_its_best"]

LAST = 0.4  # of the metal of the last step: from its end is read where a form is going
FALLS = 0.03  # of the form, for each of its own size in metal: below this it stays as it is
WORSE = 1.3  # times the least flatness there was: a face is past its best
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


def best(face: Face) -> int | None:
    """Place in the history where a face was flattest, if on the way and clearly better than at the end."""
    flatness = face.form("flatness")
    if flatness.size < 3 or not np.isfinite(flatness).all():
        return None
    k = int(np.argmin(flatness))
    clear = max(WORSE * float(flatness[k]), float(flatness[k]) + 0.5 * (face.finish or 0.0))
    return k if 0 < k < flatness.size - 1 and float(flatness[-1]) > clear else None


def past_its_best(said: Account, faces: Iterable[Face]) -> str:
    """When a face was at its best before it got worse, in a sentence; empty where none did."""
    for face in faces:
        if (k := best(face)) is None:
            continue
        off = said.units.size(float(face.record.removed[k]))
        time = Units.rubbing(float(said.run.time[k]), said.spread)
        flat = float(face.form("flatness")[k])
        rough = f" ({words.REMARK})" if said.units.finer(flat, face.finish) else ""
        shape = f"flat within {said.units.size(flat)}{rough}"
        return sentence(f"{face.name} was at its best with {off} off, after {time}: {shape}.")
    return ""


def one_sided(step: Step, plates: Iterable[Face]) -> bool:
    """Whether a stroke stays on one side of the plate below, nobody walking round with it."""
    least = min(min(face.half) for face in plates)
    carried = step.carry_centre and step.walk.angle != 0.0
    return hypot(*step.centre) > SIDE * least and not carried
