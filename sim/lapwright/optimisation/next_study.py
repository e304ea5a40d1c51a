"""The next spell as a study of its own: the faces as they are believed now, and that one step.

A face goes in by its named sizes; where what is believed of it holds more than those, as a map.
Settled: what comes out reads back by the one reader of studies, so `run` takes it as it stands.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright import __version__
from lapwright.kinematics.schedule import kappa, settled
from lapwright.modal.basis import form_names
from lapwright.optimisation.shop import REST
from lapwright.specification.plate import Measured, StartForm
from lapwright.specification.step import Grit, Step, Wear
from lapwright.study.maps import held
from lapwright.study.objects import tables_of_objects
from lapwright.study.read import parse
from lapwright.study.source import document_of
from lapwright.study.write import written

if TYPE_CHECKING:
    from lapwright.optimisation.book import Book
    from lapwright.study.model import Study

__all__ = ["next_study", "step_table"]


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
    done["steps"] = [_readable(table) for table in done["steps"]]
    for table in done.get("grits", {}).values():
        if "layer" in table:
            table["layer"]["depth"] = f"{grit.layer.depth / 1e-6:.4g} um"
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


def step_table(step: Step) -> dict[str, Any]:
    """A step as it is typed at the bench, its grit by name."""
    return _readable(tables_of_objects({"steps": [step]})["steps"][0])


def _readable(table: dict[str, Any]) -> dict[str, Any]:
    """A step's table with the lengths of its stroke in mm."""
    stroke = table.get("stroke")
    if isinstance(stroke, dict):
        table["stroke"] = {key: _in_mm(value) for key, value in stroke.items()}
    return table


def _in_mm(value: Any) -> Any:
    """A length in metres as it is typed at the bench."""
    metres = re.fullmatch(r"([\d.e+-]+) m", value) if isinstance(value, str) else None
    return f"{1e3 * float(metres[1]):.4g} mm" if metres else value


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
    return replace(grit, wear=Wear(plates=wears), layer=replace(grit.layer, depth=depth))


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
        form = dict(_typed(key, size) for key, size in sizes.items())
    return {key: value for key, value in table.items() if key != "form"} | {"form": form}


def _typed(form: str, size: float) -> tuple[str, str]:
    """A form as one types it: a dome, or a dish, and the others with their sign."""
    key = {"sphere": "dome" if size >= 0.0 else "dish"}.get(form, form)
    shown = abs(size) if form == "sphere" else size
    return key, f"{round(shown / 1e-6, 4):g} um"  # to a tenth of a nanometre
