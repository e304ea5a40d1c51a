"""How sure the figures of a run are by the program's own doing, where that shows in what is printed."""

from __future__ import annotations

import math

from lapwright.report.account import Account, Face
from lapwright.report.shapes import TRACE, known, told
from lapwright.units import NOTHING

__all__ = ["TWICE", "good_to"]

TWICE = 2.0  # of an error: a form is off by more than that in one of twenty cases


def good_to(said: Account) -> str:
    """How far the printed forms may be off, in a sentence; empty where that is less than their last digit."""
    shown = [figure for face in said.faces for figure in _shown(face)]
    doubtful = [
        (value, off) for value, off in shown if off >= max(said.units.last_digit(value), 2.0 * NOTHING)
    ]
    if not doubtful:
        return ""
    most = max(off for _, off in doubtful)
    small = any(abs(value) < most for value, _ in shown)
    rest = ": what is smaller may not be there at all" if small else ""
    return f"By the program's own error alone these figures are good to {said.units.size(most)}{rest}."


def _shown(face: Face) -> list[tuple[float, float]]:
    """Forms of a face that are told of, and how far each may be off [m], where that is known."""
    errors = face.record.errors(-1)
    what = told(face.after, face.finish, beside=True)
    domes = [(k, v) for k, v in known(face.after, ("sphere",)) if abs(v) >= TRACE * (face.finish or 0.0)]
    forms = dict([*domes, *what.above, *what.fine])
    return [(value, TWICE * errors[key]) for key, value in forms.items() if math.isfinite(errors[key])]
