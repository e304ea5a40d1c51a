"""The members of a comparison: what [[variants]] and [sweep] make of one study, each a study of its own."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from lapwright.errors import StudyError
from lapwright.lapping.step import Step
from lapwright.planning.naming import change
from lapwright.study.model import Axis, Study
from lapwright.study.override import override
from lapwright.study.read import parse_document
from lapwright.study.start import placed
from lapwright.study.write import written

__all__ = ["LATER", "Member", "axis_number", "members_of", "spoken", "step_of", "with_cells", "with_places"]

LATER = ("variants", "sweep", "tune")
FORMS_OF_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)")


@dataclass(frozen=True)
class Member:
    """One way of lapping: `changes` to the keys of `step` (from 1; None: of every step), as typed.

    `stem` names its files.  `text` is a whole study that `run` takes, `study` what it means; None when it
    means nothing, and `trouble` then says why.  `place` in a sweep: index along each of its keys.
    """

    name: str
    stem: str
    step: int | None
    changes: Mapping[str, Any]
    text: str
    study: Study | None
    trouble: str | None = None
    place: tuple[int, ...] = ()


def with_cells(document: Mapping[str, Any], study: Study, cells: int) -> dict[str, Any]:
    """The document with `cells` across its finest plate, the others in the same proportion."""
    finest = max(plate.cells for plate in study.plates.values())
    out = dict(document)
    for group in ("plates", "parts"):
        tables = document.get(group, {})
        out[group] = {
            name: {**table, "cells": max(16, round(study.plates[name].cells * cells / finest))}
            for name, table in tables.items()
        }
        if not tables:
            del out[group]
    return out


def members_of(
    study: Study, document: Mapping[str, Any], folder: Path | None = None, only: slice | None = None
) -> tuple[Member, ...]:
    """Every variant, then every point of the sweep; each in the order of the file.

    `document`: of the same study; `folder`: where files that it names would lie.
    """
    base = {key: value for key, value in document.items() if key not in LATER}
    base = with_places(base, folder or Path())
    asked = [*_variants(study), *_swept(study)]
    width = len(str(len(asked)))
    found, seen = [], set[str]()
    for number, (name, step, changes, place) in enumerate(asked, 1):
        while name in seen:
            name += " again"
        seen.add(name)
        stem = f"{number:0{width}}-{_slug(name)}"
        found.append(_member(study, base, folder, Member(name, stem, step, changes, "", None, None, place)))
    return tuple(found[only] if only is not None else found)


def with_places(document: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The document with the files that it names found from anywhere: members lie in another folder."""
    out = dict(document)
    if "start" in out:
        out["start"] = placed(out["start"], folder)
    for group in ("plates", "parts"):
        for name, table in document.get(group, {}).items():
            form = table.get("form")
            named = form.get("map") if isinstance(form, Mapping) else None
            if isinstance(named, str):
                found = {**form, "map": str((folder / named).resolve())}
            elif isinstance(named, Mapping) and isinstance(named.get("file"), str):
                found = {**form, "map": {**named, "file": str((folder / named["file"]).resolve())}}
            else:
                continue
            out[group] = {**out[group], name: {**table, "form": found}}
    return out


Asked = tuple[str, int | None, Mapping[str, Any], tuple[int, ...]]


def _variants(study: Study) -> Iterator[Asked]:
    for variant in study.variants:
        yield variant.name, variant.step, variant.changes, ()


def _swept(study: Study) -> Iterator[Asked]:
    if study.swept is None:
        return
    axes = study.swept.axes
    for place in product(*(range(len(axis.values)) for axis in axes)):
        values = {axis.key: axis.values[k] for axis, k in zip(axes, place, strict=True)}
        name = spoken(values, step_of(study, study.swept.step))
        yield name, study.swept.step, values, place


def spoken(changes: Mapping[str, Any], step: Step | None = None) -> str:
    """Changes to a step as they are spoken of at the bench."""
    return ", ".join(change(key, value, step) for key, value in changes.items())


def step_of(study: Study, number: int | None) -> Step:
    """The step that changes belong to; the first where they belong to every one."""
    return study.steps[(number or 1) - 1]


def axis_number(axis: Axis) -> list[float] | None:
    """The values of a swept key as numbers in the unit typed; None when they are no such numbers."""
    numbers, units = [], set()
    for value in axis.values:
        got = FORMS_OF_NUMBER.match(value) if isinstance(value, str) else None
        if isinstance(value, int | float) and not isinstance(value, bool):
            numbers.append(float(value))
            units.add("")
        elif got is not None and "/" not in value.split()[0]:
            numbers.append(float(got[1]))
            units.add(value[got.end() :].strip())
        else:
            return None
    return numbers if len(units) == 1 and len(set(numbers)) == len(numbers) > 1 else None


def _slug(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9.]+", "-", name).strip("-.")[:40].lower() or "member"


def _member(study: Study, base: Mapping[str, Any], folder: Path | None, asked: Member) -> Member:
    """The member with its text and what the text means."""
    changed = override(base, asked.step, asked.changes)
    changed["title"] = f"{study.title}: {asked.name}"
    note = f"{asked.name}: one way of lapping {study.stem}, written by lapwright compare."
    text = written(changed, note, study.text)
    try:
        meant, trouble = parse_document(changed, asked.stem, folder, text=text), None
    except StudyError as error:
        meant, trouble = None, str(error)
    return Member(asked.name, asked.stem, asked.step, asked.changes, text, meant, trouble, asked.place)
