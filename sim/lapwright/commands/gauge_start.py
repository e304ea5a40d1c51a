"""A study that begins with the faces that readings said."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from lapwright.errors import CommandError
from lapwright.gauges.estimate import Estimate
from lapwright.plate.forms import FORMS
from lapwright.study.model import Study
from lapwright.study.read import document_of
from lapwright.study.safefile import put_in_place
from lapwright.study.write import written
from lapwright.units import Units, joined

__all__ = ["left_out", "write_start"]

SMALL = 1e-3  # of the whole doubt of a form: a smaller part of it is nothing


def write_start(path: Path, study: Study, found: Estimate | None) -> None:
    """Write the study again, its faces as the readings say; waves keep what was written.

    Raises
    ------
    CommandError
        There are no readings.
    CannotDoError
        The file cannot be written.

    """
    if found is None:
        raise CommandError("--start needs readings: write [[readings]], or give --reading", key="--start")
    document = document_of(study.text)
    for plate in found.plates:
        kind = next(kind for kind in ("plates", "parts") if plate in document.get(kind, {}))
        table = document[kind][plate]
        kept = {key: value for key, value in dict(table.get("form", {})).items() if key == "ripple"}
        table["form"] = kept | _form(found, plate)
    if study.start is not None:
        left = {here: there for here, there in study.start.plates.items() if here not in found.plates}
        document.pop("start")
        document |= {"start": {"run": study.start.run, **left}} if left else {}
    document.pop("readings", None)
    document["doubts"] = _doubts(found)
    lines = [
        "The faces are those that readings said; what they did not see is taken as nought.",
        *left_out(found),
        "Each [[doubts]] is something that the readings leave open: by how much it moves the forms together,",
        "one standard deviation. --samples of compare and tune draws the faces by them.",
    ]
    put_in_place(path, written(document, "\n".join(lines), study.text).encode("utf-8"))


def _form(found: Estimate, plate: str) -> dict[str, Any]:
    """What the readings fix, as a study says it."""
    out = {}
    for name, form in found.forms(plate).items():
        if form is None:
            continue
        # To a thousandth of what is not known of it, so that nothing is lost by writing it down.
        places = max(0, 3 - math.floor(math.log10(1e6 * form.uncertainty)))
        text = f"{1e6 * form.value:.{places}f}"
        if float(text) == 0.0:
            continue
        dish = name == "sphere" and form.value < 0.0
        key = "dish" if dish else _typed(name)
        out[key] = f"{text.removeprefix('-') if dish else text} um"
    return out


def _doubts(found: Estimate) -> list[dict[str, dict[str, str]]]:
    """What the readings leave open, cause by cause, as a study says it."""
    doubts = found.doubts()
    least = SMALL * np.sqrt((doubts.moves**2).sum(axis=1))
    out = []
    for cause in doubts.moves.T:
        moved: dict[str, dict[str, str]] = {}
        for (plate, form), size, small in zip(doubts.terms, cause.tolist(), least, strict=True):
            if abs(size) > small:
                moved.setdefault(plate, {})[_typed(form)] = f"{Units.number(1e6 * size, 4)} um"
        out.append(moved)
    return out


def _typed(form: str) -> str:
    return "dome" if form == "sphere" else form


def left_out(found: Estimate) -> list[str]:
    """Sentences on what was read and is not used: sums of forms, of which no single one is known."""
    lines = []
    for plate in found.plates:
        if sums := found.sum_only(plate):
            names = joined([FORMS[name].word for name in sums])
            lines.append(f"Of {plate} only a sum of {names} was read: they are left out, as nought.")
    return lines
