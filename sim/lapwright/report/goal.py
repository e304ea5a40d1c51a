"""Whether a run reached what its study asks for in [tune]."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lapwright.lapping.mating import mating
from lapwright.planning.track import asked_of
from lapwright.planning.tuning import Asked
from lapwright.report.account import Account, Face
from lapwright.report.tuning_terms import asked_for, label

__all__ = ["goal_words", "reached", "wanted"]

ENOUGH = 1.0 + 1e-9
COLUMNS = {"dome": "sphere"}


def wanted(said: Account) -> tuple[Asked, ...]:
    """What the study asks for of plates that were lapped; nothing where it has no [tune]."""
    study = said.study
    if study.goal is None:
        return ()
    return asked_of(study.goal, study.plates)


def reached(said: Account) -> bool:
    """Whether all that the study asks for is there at the end."""
    asked = wanted(said)
    return bool(asked) and not _missed(said, asked)


def goal_words(said: Account) -> str:
    """The goal, and whether it is reached, as a sentence; empty where the study asks for nothing."""
    asked = wanted(said)
    if not asked:
        return ""
    missed = _missed(said, asked)
    if not missed:
        return f"What [tune] asks for is reached: {asked_for(asked, said.units)}."
    one, size = max(missed, key=lambda pair: pair[1] / pair[0].limit)
    name, limit = label(one), said.units.size(one.limit)
    told = said.units.size(size)
    return f"What [tune] asks for is not reached: the {name} is {told}, {limit} was asked."


def _missed(said: Account, asked: Sequence[Asked]) -> list[tuple[Asked, float]]:
    """What is too large, with its size [m]; what is not known counts as missed."""
    sizes = [(one, _size(said, one)) for one in asked]
    return [(one, size) for one, size in sizes if not size <= one.limit * ENOUGH]


def _size(said: Account, one: Asked) -> float:
    """Size of an asked quantity at the end [m], or how far it moved."""
    first, last = (_value(said, one, at) for at in (0, -1))
    size = abs(last - first) if one.kept else abs(last)
    return size if math.isfinite(size) else math.inf


def _value(said: Account, one: Asked, at: int) -> float:
    if one.plate is not None:
        return _form(said.face(one.plate), COLUMNS.get(one.form, one.form), at)
    below, above = said.run.bottom[at], said.run.top[at]
    faces = [said.face(name) for name in (below, above)]
    if one.form == "difference":
        one_dome, other = (_form(f, "bow" if f is not None and f.long else "sphere", at) for f in faces)
        return one_dome - other
    pair = [
        (said.study.plates[f.name], np.asarray(f.record.frames[at], dtype=float))
        for f in faces
        if f is not None
    ]
    return float(mating(*pair[0], *pair[1], said.study.margin)) if len(pair) == 2 else math.nan


def _form(face: Face | None, key: str, at: int) -> float:
    values = np.zeros(0) if face is None else face.form(key)
    return float(values[at]) if values.size else math.nan
