"""The members of a comparison, and what is not known of a study drawn at random.

Keys of a step as they are spoken of at the bench: one name for each, wherever it is told of.

What is not known of a study, drawn at random: wear, grit layer, start forms, hands.

Draw k of a study is made from its seed and k alone, the same for every member of a comparison, so that two
members differ by what was changed and not by luck.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from math import exp, log
from pathlib import Path
from typing import Any

import numpy as np

from lapwright.errors import StudyError
from lapwright.limits import BAND, LAYER_BAND, SCATTER, TOLERANCE
from lapwright.metrology.form import SPOKEN, form_names
from lapwright.metrology.least_squares import Doubts, estimate_as_they_lay
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import read_share
from lapwright.specification.step import Grit, Hand, Step, Wear, in_metal
from lapwright.study.batches import laid_out
from lapwright.study.faces import from_anywhere, placed
from lapwright.study.model import Axis, Study, guessed
from lapwright.study.read import parse_document
from lapwright.study.variants import override
from lapwright.study.write import inline, written
from lapwright.units import METRIC, Units

OFF = "off the middle"
KEYS = {
    "stroke.kind": "stroke",
    "stroke.length": "length of the stroke",
    "stroke.width": "width of the stroke",
    "stroke.radius": "radius of the stroke",
    "stroke.centre.x": f"{OFF}, towards 3",
    "stroke.centre.y": f"{OFF}, towards 12",
    "swap_every": "swap every",
    "swap_every.read": "a reading every",
    "turn_bottom": "turn of the bottom",
    "batch.together": "parts together",
    "batch.radius": "parts on a radius of",
    "batch.dress.every": "dressed every",
    "batch.dress.when": "dressed at",
}


def name_of(key: str, step: Step | None = None) -> str:
    """A key of a step: "stroke.overhang" is "overhang"; `step`: the one that it belongs to, if known."""
    head, _, tail = key.partition(".")
    if step is not None and head == "swap_every" and tail in (step.top, step.bottom):
        return f"{tail} on top for"
    if step is not None and key in ("stroke.centre", "stroke.centre.x") and step.carry_centre:
        return OFF
    bare = key.removeprefix("stroke.").removeprefix("batch.")
    return KEYS.get(key) or bare.replace("_", " ").replace(".", ", ")


def change(key: str, value: Any, step: Step | None = None) -> str:
    """A key and what it is set to: "load 20 N", "55 mm off the middle", "never turned"."""
    name = name_of(key, step)
    if key == "swap_every" and isinstance(value, Mapping):
        if "read" in value:
            return f"read every {value['read']}, the more domed one on top"
        stays = [f"{plate} on top {stay_text(stay)}" for plate, stay in value.items()]
        return f"{' and '.join(stays)} by turns"
    if key.partition(".")[0] == "swap_every":
        return f"{name} {stay_text(value)}"
    if value == "none" and key in ("turn", "walk"):
        return "never turned" if key == "turn" else "not walked round"
    if key == "stroke.centre" and not isinstance(value, str):
        return f"centre {said(value)}"  # both ways
    if key == "batch.together":
        return f"{said(value)} together"
    if name.startswith(OFF):
        return f"{said(value)} {name}"
    return f"{name} {said(value)}"


def stay_text(value: Any) -> str:
    """How long a plate stays on top, as typed; metal is said to be metal."""
    return f"{said(value)} of metal" if in_metal(value) else said(value)


def said(value: Any) -> str:
    """A value as it is spoken of: without quotes and brackets."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key.replace('_', ' ')} {said(one)}" for key, one in value.items())
    if isinstance(value, list | tuple):
        return " and ".join(said(one) for one in value)
    return value if isinstance(value, str) else inline(value)


LATER = ("variants", "sweep", "tune", "compare")
FORMS_OF_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)")


@dataclass(frozen=True)
class Case:
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


def cases_of(
    study: Study, document: Mapping[str, Any], folder: Path | None = None, only: slice | None = None
) -> tuple[Case, ...]:
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
        found.append(
            _member(study, base, folder, Case(name, stem, step, changes, "", None, None, place))
        )
    return tuple(found[only] if only is not None else found)


def with_places(document: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The document with the files that it names found from anywhere: members lie in another folder."""
    out = dict(document)
    if "start" in out:
        out["start"] = placed(out["start"], folder)
    if any("table" in one for one in document.get("readings", ())):
        out["readings"] = [
            {**one, "table": from_anywhere(folder, one["table"])} if "table" in one else one
            for one in document["readings"]
        ]
    for group in ("plates", "parts"):
        for name, table in document.get(group, {}).items():
            form = table.get("form")
            named = form.get("map") if isinstance(form, Mapping) else None
            if isinstance(named, str):
                found = {**form, "map": from_anywhere(folder, named)}
            elif isinstance(named, Mapping) and isinstance(named.get("file"), str):
                found = {**form, "map": {**named, "file": from_anywhere(folder, named["file"])}}
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


def _member(study: Study, base: Mapping[str, Any], folder: Path | None, asked: Case) -> Case:
    """The member with its text and what the text means."""
    changed = override(base, asked.step, asked.changes)
    changed["title"] = f"{study.title}: {asked.name}"
    note = f"{asked.name}: one way of lapping {study.stem}, written by lapwright compare."
    text = written(changed, note, study.text)
    try:
        meant, trouble = parse_document(changed, asked.stem, folder, text=text), None
    except StudyError as error:
        meant, trouble = None, str(error)
    return Case(
        asked.name, asked.stem, asked.step, asked.changes, text, meant, trouble, asked.place
    )


USUAL_AT = 3e3  # [Pa], at which the give of a layer is told
STREAM = 0x64726177  # sets these random numbers apart from others with the same seed
# Published scatter of wear coefficients is 40 to 60 % (Podra & Andersson, Tribol. Int. 32 (1999) 71): once
# weighed, or given, the wear is drawn from two thirds to one and a half times of what it was.


@dataclass(frozen=True)
class Tolerance:
    """How well start forms are known: within `share` of each, and never better than `floor` [m]."""

    share: float = read_share(TOLERANCE)
    floor: float = 0.1e-6

    def of(self, form: float) -> float:
        """The tolerance of one form [m]."""
        return max(self.share * abs(form), self.floor)


def drawn(study: Study, number: int, tolerance: Tolerance = Tolerance()) -> Study:
    """Draw `number` (from 1) of a study; 0 is the study as it stands."""
    if number == 0:
        return study
    sequence = np.random.SeedSequence([study.seed, STREAM, number])
    rng = np.random.Generator(np.random.PCG64(sequence))
    # Whether a draw is used or not, it is made: the next ones must be the same for every member.
    wear, layer = (float(u) for u in rng.random(2))
    copies = () if study.batch is None else study.batch.names[1:]
    plates = {n: _plate(p, rng, tolerance) for n, p in study.plates.items() if n not in copies}
    if tolerance.share or tolerance.floor:
        plates = _together(study, plates, rng)
    plates = laid_out(plates, study.batch)
    grits: dict[str, Grit] = {}
    steps = tuple(
        _step(study, k, step, wear, layer, grits) for k, step in enumerate(study.steps, 1)
    )
    return replace(study, seed=int(sequence.generate_state(1)[0]), plates=plates, steps=steps)


def _plate(plate: Plate, rng: np.random.Generator, tolerance: Tolerance) -> Plate:
    """The plate with start forms within their tolerance; rails by bow, crown and wind."""
    changes = {}
    spoken = form_names(plate.outline)
    for key in SPOKEN:
        off = 2.0 * float(rng.random()) - 1.0
        value = getattr(plate.form, key)
        if key in spoken or value:
            changes[key] = value + off * tolerance.of(value)
    return replace(plate, form=replace(plate.form, **changes))


def _together(
    study: Study, plates: Mapping[str, Plate], rng: np.random.Generator
) -> dict[str, Plate]:
    """The plates with all forms as doubtful as their readings, or [[doubts]], leave them."""
    forms: dict[tuple[str, str], float] = {}
    for doubts in _doubts(study):
        forms |= doubts.drawn(rng)
    out = dict(plates)
    for (name, form), size in forms.items():
        # Of a measured map no form can be told by itself.
        if plates[name].form.measured is None:
            out[name] = replace(out[name], form=replace(out[name].form, **{form: size}))  # type: ignore[arg-type]
    return out


def _doubts(study: Study) -> list[Doubts]:
    """What is known of the start forms beside their sizes; what readings say counts before what is typed."""
    found = []
    if study.doubts:
        terms = tuple(dict.fromkeys(term for cause in study.doubts for term in cause))
        value = np.array([getattr(study.plates[name].form, form) for name, form in terms])
        moves = np.array([[cause.get(term, 0.0) for cause in study.doubts] for term in terms])
        found.append(Doubts(terms, value, moves))
    if study.readings:
        found.append(estimate_as_they_lay(study.readings, study.gauges, study.plates).doubts())
    return found


def _step(
    study: Study, number: int, step: Step, wear: float, layer: float, grits: dict[str, Grit]
) -> Step:
    grit = grits.setdefault(step.grit.name, _grit(study, number, step.grit, wear, layer))
    hand = step.hand
    if f"steps.{number}.hand" in study.assumed:
        hand = Hand(word="usual").sized(step.curve.half_travel)
    return replace(step, grit=grit, hand=hand)


def _grit(study: Study, number: int, grit: Grit, wear: float, layer: float) -> Grit:
    band = grit.wear_within or (BAND if guessed(study, number, "wear") else SCATTER)
    factor = _between(wear, 1.0 / band, band)
    depth = grit.layer.depth
    if guessed(study, number, "layer"):
        depth *= _between(layer, *LAYER_BAND)
    return replace(grit, wear=_scaled(grit.wear, factor), layer=replace(grit.layer, depth=depth))


def _between(u: float, low: float, high: float) -> float:
    """Evenly spread in proportion: as often between 1 and 2 as between 2 and 4."""
    return exp(log(low) + u * log(high / low))


def _scaled(wear: Wear, factor: float) -> Wear:
    seen = wear.observed
    if seen is not None:
        seen = replace(
            seen,
            removed=None if seen.removed is None else seen.removed * factor,
            lost=None if seen.lost is None else seen.lost * factor,
        )
    plates: Mapping[str, float] = {name: value * factor for name, value in wear.plates.items()}
    return Wear(None if wear.iron is None else wear.iron * factor, plates, seen)


def drawn_in_words(
    studies: tuple[Study, ...], tolerance: Tolerance, size: str, units: Units = METRIC
) -> list[str]:
    """What is drawn, and from what, in sentences; `size` is the tolerance's floor in words."""
    every = [(s, n) for s in studies for n in range(1, len(s.steps) + 1)]
    wears = {guessed(s, n, "wear") for s, n in every}
    layers = {guessed(s, n, "layer") for s, n in every}
    hands = {f"steps.{n}.hand" in s.assumed for s, n in every}
    told = []
    if True in wears:
        told.append(
            "How fast the grit cuts: anywhere within the band of ten (a third to three times)."
        )
    if False in wears:
        told.append("A wear that you weighed or gave: from two thirds to one and a half times.")
    if True in layers:
        told.append(
            f"How far the grit layer gives: 0.02 to 0.15 of the grit at {units.pressure(USUAL_AT)}."
        )
    if False in layers:
        told.append("A layer depth that you gave is taken as it stands.")
    if True in hands:
        told.append(
            "The hand: usual (10 %), because no hand is steady; the study says nothing of it."
        )
    if False in hands:
        told.append("The hand: as the study says.")
    if tolerance.share or tolerance.floor:
        forms = "Start forms"
        if any(s.readings for s in studies):
            told.append(
                "Start forms that readings fix: about what they say, as surely as they say it."
            )
            forms = "Other start forms"
        if any(s.doubts for s in studies):
            told.append(
                "Start forms in [[doubts]]: as far either way as is said there, all together."
            )
            forms = "Other start forms"
        told.append(
            f"{forms}: within {100 * tolerance.share:.3g} % of each, and at least {size} either way."
        )
    else:
        told.append("Start forms: exactly as typed.")
    return told
