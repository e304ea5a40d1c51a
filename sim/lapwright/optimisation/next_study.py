"""The next spell as a study of its own: the faces as they are believed now, and that one step.

A face goes in by its named sizes; where what is believed of it holds more than those, as a map.
Settled: what comes out reads back by the one reader of studies, so `run` takes it as it stands.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright import __version__
from lapwright.kinematics.schedule import kappa, settled
from lapwright.modal.basis import form_names
from lapwright.optimisation.shop import DAY, REST
from lapwright.specification.plate import Measured, StartForm
from lapwright.specification.quantities import LENGTH
from lapwright.specification.step import Grit, Step, Wear
from lapwright.study.faces import held
from lapwright.study.objects import tables_of_objects
from lapwright.study.read import parse
from lapwright.study.source import document_of
from lapwright.study.write import written
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.optimisation.book import Book
    from lapwright.study.model import Study

__all__ = ["next_study", "step_table"]


SMALL = 1e-4  # [m] smaller sizes are depths and grains
NAMED = ("grit", "size")  # grains are spoken of in um everywhere
SURE = 1.96  # standard deviations, for 95 in 100
KEPT = ("units", "seed", "edge_margin", "plates", "parts", "gauges")  # of the study


def next_study(book: Book, step: Step) -> Study:
    """The study of one spell from where a book stands, wear and layer of its grit as learnt.

    Raises
    ------
    StudyError
        When it cannot be said in a file.

    """
    document = document_of(book.study.text)
    kept = {key: document[key] for key in KEPT if key in document}
    after = f"after entry {len(book.entries)}" if book.entries else "before the first entry"
    grit = _learnt(book, step)
    done = tables_of_objects({"steps": [replace(step, grit=grit, until=None, swap=None)]})
    units = book.study.units
    done = {key: _readable(tables, units) for key, tables in done.items()}
    if book.usual_gauges:
        kept["gauges"] = _readable(kept["gauges"], units)
    for kind in ("plates", "parts"):
        if kind in kept:
            kept[kind] = {name: _as_believed(book, name, one) for name, one in kept[kind].items()}
    title = f"{book.study.title}: the next spell, {after}"
    note = (
        f"Written by lapwright {__version__} for {book.study.stem}.toml and its log, {after}:\n"
        "the faces as they are believed now (the middle of it), and the one spell that is advised."
    )
    text = written({"title": title} | kept | done, note)
    return parse(text, "next", book.study.folder)


def step_table(step: Step, units: Units) -> dict[str, Any]:
    """A step as it is typed at the bench, its grit by name."""
    table: dict[str, Any] = tables_of_objects({"steps": [step]})["steps"][0]
    readable: dict[str, Any] = _readable(table, units)
    return readable


def _readable(value: Any, units: Units) -> Any:
    """What a file says, its lengths and depths as a person with these units types them."""
    if isinstance(value, dict):
        return {k: one if k in NAMED else _readable(one, units) for k, one in value.items()}
    if isinstance(value, list):
        return [_readable(one, units) for one in value]
    typed = re.fullmatch(r"(-?[\d.e+-]+) (m|mm|um)", value) if isinstance(value, str) else None
    if typed is None:
        return value
    metres = float(typed[1]) * LENGTH.units[typed[2]]
    unit = units.small if 0.0 < abs(metres) < SMALL else units.long
    return f"{metres / unit.size:.4g} {unit.name}"


def _learnt(book: Book, step: Step) -> Grit:
    """The grit of a step with wear and layer in the middle of what is believed."""
    bench, centre = book.bench, book.known.centre
    layout = bench.layout
    grit = settled(bench.grits[step.grit.name], layout.plates)
    bottom, top = (layout.plates[name] for name in (step.bottom, step.top))
    wears = {
        plate.name: _short(nominal * _factor(centre[layout.wear(grit.name, plate.material.name)]))
        for plate, nominal in zip((bottom, top), kappa(grit, bottom, top), strict=True)
    }
    depth = _short(grit.layer.depth * _factor(centre[layout.layer(grit.name)]))
    covariance = book.known.covariance
    at = [layout.wear(grit.name, plate.material.name) for plate in (bottom, top)]
    scatter = max(float(covariance[k, k]) for k in at) + DAY**2  # of the wear, on another day
    return replace(
        grit,
        wear=Wear(plates=wears),
        layer=replace(grit.layer, depth=depth),
        wear_within=float(f"{_factor(SURE * sqrt(scatter)):.2g}"),
    )


def _factor(logarithm: float) -> float:
    return float(np.exp(logarithm))


def _short(value: float) -> float:
    """As many figures as anybody reads."""
    return float(f"{value:.4g}")


def _as_believed(book: Book, name: str, table: dict[str, Any]) -> dict[str, Any]:
    """A plate's own table with the form that is believed now."""
    plate, layout, centre = book.study.plates[name], book.bench.layout, book.known.centre
    basis, names = layout.bases[name], form_names(plate)
    sizes = dict(zip(names, (layout.form_rows(name) @ centre).tolist(), strict=True))
    face = layout.heights(name, centre[None])[0]
    sized = replace(plate, form=StartForm(**sizes))
    if float(np.sqrt(np.square(face - basis.start(sized))[3:].sum())) > REST:
        form: dict[str, Any] = {"map": held(Measured(plate.grid, basis.on(plate.grid, face)))}
    else:
        form = dict(_typed(key, size, book.study.units) for key, size in sizes.items())
    return {key: value for key, value in table.items() if key != "form"} | {"form": form}


def _typed(form: str, size: float, units: Units) -> tuple[str, str]:
    """A form as one types it: a dome, or a dish, and the others with their sign."""
    key = {"sphere": "dome" if size >= 0.0 else "dish"}.get(form, form)
    shown = abs(size) if form == "sphere" else size
    unit = units.small
    return key, f"{round(shown / unit.size, 4):g} {unit.name}"  # to a tenth of a nanometre or less
