"""A study made of objects, as the document that its file would hold.

What objects say is put down as text that reads back as the same numbers, and only where it is not the usual.
So a study from Python is read, checked and written by the one reader of study files, all its faults at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from lapwright.errors import Fault, StudyError
from lapwright.metrology.form import AS_LENGTH, OF_SIDE, EdgeMargin
from lapwright.specification.curves import KINDS
from lapwright.specification.materials import MATERIALS, Material
from lapwright.specification.outline import SIZE, Disc, Outline, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.quantities import LENGTH, quantity
from lapwright.specification.rates import WEAR
from lapwright.specification.said import own_number, shown, spelled
from lapwright.specification.step import (
    EVERY,
    WARMTH,
    Grit,
    Hand,
    Load,
    Step,
    Stroke,
    Swap,
    Wear,
    usual_layer,
    usual_wear,
)
from lapwright.specification.supports import PALMS, SUPPORTS
from lapwright.specification.wedge import SHAPE
from lapwright.study.faces import held, run_text
from lapwright.units import Units

Document = dict[str, Any]
_place = quantity(LENGTH)
_LONG = re.compile(r"\d+\.\d{5,}(e[+-]?\d+)?")  # a number of more figures than one reads


def document_of_objects(plates: Any, steps: Any, **more: Any) -> Document:
    """The document of a study: plates by name, steps in order, and the keys before the first table.

    Raises
    ------
    StudyError
        Something is no plate, no step, or cannot stand in a file.

    """
    named = " and ".join(map(str, plates)) if isinstance(plates, Mapping) else ""
    head = {key: value for key, value in more.items() if value is not None}
    return {"title": named} | tables_of_objects({**head, "plates": plates, "steps": steps})


def tables_of_objects(keys: Mapping[str, Any]) -> Document:
    """The keys of a document, with objects put down as tables."""
    from lapwright.study.gauges import BESIDE

    faults: list[Fault] = []
    grits: dict[str, Document] = {}
    out: Document = {}
    for key, value in keys.items():
        if key == "edge_margin" and isinstance(value, EdgeMargin):
            value = margin_text(value)
        elif key == "plates" and isinstance(value, Mapping):
            faults += [
                Fault(key, f"{shown(name)} is no name: write text such as 'A'", "type")
                for name in value
                if not isinstance(name, str)
            ]
            value = {
                name: _entry(f"plates.{name}", plate, Plate, _plate, faults)
                for name, plate in value.items()
            }
        elif key == "steps" and isinstance(value, Sequence) and not isinstance(value, str):
            value = [
                _entry(f"steps.{n}", step, Step, lambda step: _step(step, grits), faults)
                for n, step in enumerate(value, 1)
            ]
        elif key in ("plates", "steps"):
            needed = "a table of plates by name" if key == "plates" else "a list of steps"
            faults.append(Fault(key, f"is not {needed}, but {type(value).__name__}", "type"))
        elif key == "start":
            value = run_text(value)
        elif key in BESIDE:
            value = BESIDE[key](value, keys)
        out[key] = value
    if faults:
        raise StudyError(faults)
    if grits:
        # Before the steps that use them, as a file has them.
        steps = out.pop("steps")
        out |= {"grits": {**out.get("grits", {}), **grits}, "steps": steps}
    return out


def _entry(
    key: str, value: Any, of: type, put: Callable[[Any], Document], faults: list[Fault]
) -> Any:
    """One plate or step as a table; a table stays as it is, with what is no object of the class at fault."""
    if isinstance(value, Mapping):
        return dict(value)
    if not isinstance(value, of):
        faults.append(
            Fault(key, f"is no lapwright.{of.__name__}, but {type(value).__name__}", "type")
        )
        return {}
    try:
        return put(value)
    except StudyError as trouble:
        faults += [fault._replace(key=f"{key}.{fault.key}") for fault in trouble.faults]
        return {}


def described(
    plates: Mapping[str, Plate], steps: Sequence[Step], units: Units = Units.METRIC
) -> list[tuple[str, str]]:
    """Each plate and each step in a line, name and words, as a study in these units would say them."""
    rows = [(f"plate {name}", _words(plate, _plate)) for name, plate in plates.items()]
    rows += [
        (f"step {n}", _words(step, lambda step: _step(step, {}))) for n, step in enumerate(steps, 1)
    ]
    if units is Units.METRIC:
        return rows
    return [
        (name, _METRIC.sub(lambda size: _in_inches(*size.groups()), text)) for name, text in rows
    ]


# Sizes as a study writes them; grits are sold in um, whatever a person's units.
_METRIC = re.compile(r"(?<!grit )(?<!size )(?<![\w.])(-?\d[\d.]*(?:e-?\d+)?) (mm|um|N|kg)\b")


def _in_inches(number: str, unit: str) -> str:
    value, inch = float(number), Units.INCH
    if unit in ("mm", "um"):
        said = inch.length(value * (1e-3 if unit == "mm" else 1e-6), echo=True)
    else:
        said = (inch.force if unit == "N" else inch.mass)(value, echo=True).partition(" (")[0]
    size, name = said.split()
    return f"{float(size):.4g} {name}"


def plain(value: Any) -> Any:
    """A document in the dictionaries, lists and numbers that a file is read as."""
    if isinstance(value, Mapping):
        return {key: plain(one) for key, one in value.items()}
    return [plain(one) for one in value] if isinstance(value, list | tuple) else own_number(value)


def _words(one: Any, table_of: Callable[[Any], Document]) -> str:
    try:
        text = _in_a_line(table_of(one))
    except StudyError:
        return repr(one)  # nothing that a file could hold
    return _LONG.sub(lambda number: f"{float(number[0]):.4g}", text)


def _in_a_line(table: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{key} ({_in_a_line(value)})" if isinstance(value, Mapping) else f"{key} {_plain(value)}"
        for key, value in table.items()
    )


def _plain(value: Any) -> str:
    return " x ".join(value) if isinstance(value, list) else str(value)


def margin_text(margin: EdgeMargin) -> str:
    """An edge margin as a study says it."""
    return (
        AS_LENGTH.typed(margin.length) if margin.length is not None else OF_SIDE.typed(margin.share)
    )


# --- plates --------------------------------------------------------------------------------------


def _plate(plate: Plate) -> Document:
    out = _outline(plate.outline) | spelled(plate, "thickness", "mass") | _material(plate.material)
    form = _form(plate.form)
    if plate.form.measured is not None:
        form["map"] = held(plate.form.measured)
    if form:
        out["form"] = form
    if plate.supports != Plate.supports:
        out["supports"] = SUPPORTS.typed(plate.supports)
    out |= spelled(plate, "wedge", "grooves", "cells")
    return out | ({"note": plate.note} if plate.note else {})


def _outline(outline: Outline) -> Document:
    if isinstance(outline, Disc):
        return {"disc": SIZE.typed(outline.diameter)}
    if isinstance(outline, Ring):
        return {"ring": [SIZE.typed(outline.outside), SIZE.typed(outline.bore_diameter)]}
    if isinstance(outline, Rectangle):
        return {"rectangle": [SIZE.typed(outline.along), SIZE.typed(outline.across)]}
    raise StudyError([Fault("outline", "is no Disc, Ring or Rectangle", "type")])


def _material(material: Material) -> Document:
    usual = MATERIALS.get(material.name, Plate.material)
    own = ("density", "modulus", "expansion", "wear_factor")
    if any(
        getattr(material, key) != getattr(usual, key)
        for key in ("poisson", "conductivity", "heat_capacity")
    ):
        raise StudyError(
            [Fault("material", f"of a metal only {', '.join(own)} may be changed", "value")]
        )
    changed = {key for key in own if getattr(material, key) != getattr(usual, key)}
    name = {} if material.name == Plate.material.name else {"material": material.name}
    return name | {key: spelled(material, key)[key] for key in own if key in changed}


def _form(form: StartForm) -> Document:
    out = spelled(form)
    return {"dome": out.pop("sphere")} | out if "sphere" in out else out


# --- steps ---------------------------------------------------------------------------------------


def _step(step: Step, grits: dict[str, Document]) -> Document:
    out: Document = {"top": step.top, "bottom": step.bottom, "grit": _grit(step.grit, grits)}
    out |= spelled(step, "time", "strokes", "until")
    stroke = _stroke(step)
    if stroke:
        out["stroke"] = stroke
    out |= spelled(step, "pace", "turn", "walk") | _load(step.load)
    if step.swap is not None:
        out["swap_every"] = _swap(step.swap)
    if step.warm:
        out["warm"] = {name: WARMTH.typed(kelvin) for name, kelvin in step.warm.items()}
    if step.fresh_every is not None:
        out["fresh_grit_every"] = EVERY.typed(step.fresh_every)
    if step.hand != Hand():
        out["hand"] = step.hand.word or spelled(step.hand)
    out |= spelled(step, "liquid")
    return out | ({"note": step.note} if step.note else {})


def _stroke(step: Step) -> Document:
    curve = step.curve
    out: Document = {}
    if isinstance(curve, Stroke):
        out = curve.said
    elif type(curve) in KINDS.values():
        out = {"kind": curve.kind} | spelled(curve)
    else:
        raise StudyError(
            [Fault("stroke", f"{type(curve).__name__} is no stroke that a file can name", "type")]
        )
    out |= spelled(step, "direction")
    if step.centre != (0.0, 0.0):
        out["centre"] = [_place.typed(part) for part in step.centre]
    return out | ({"carry_centre": True} if step.carry_centre else {})


def _load(load: Load) -> Document:
    force = spelled(load, "force")
    out = ({"load": force["force"]} if force else {}) | spelled(load, "push_height", "friction")
    if load.hands:
        out["hands"] = PALMS.typed(load.hands)
        if load.fixed_to != Load().fixed_to:
            out["load_at"] = {"fixed_to": load.fixed_to}
    elif load.at != (0.0, 0.0) or load.fixed_to != Load().fixed_to:
        x, y = (_place.typed(part) for part in load.at)
        out["load_at"] = {"x": x, "y": y, "fixed_to": load.fixed_to}
    return out


def _swap(swap: Swap) -> Document:
    if swap.read is not None:
        return {"read": EVERY.typed(swap.read), "on_top": "more domed"}
    typed = SHAPE if swap.removed else EVERY
    return {name: typed.typed(stay) for name, stay in swap.stays.items()}


def _grit(grit: Grit, grits: dict[str, Document]) -> str:
    """What a step calls its grit: a size or a number, or the name of a table, which is noted in `grits`."""
    try:
        if Grit(grit.name) == grit:
            return grit.name
    except StudyError:
        pass  # a name that is no size
    name = grit.name.replace(".", "-")
    table = spelled(grit, "size")
    if grit.wear != usual_wear(grit.size, grit.abrasive):
        table["wear"] = _wear(grit.wear)
    if grit.layer != usual_layer(grit.size):
        table["layer"] = spelled(grit.layer, "depth", "pressure")
    table |= spelled(grit, "fade", "wear_within", "abrasive")
    if grit.held_in is not None:
        table["held"] = {"in": grit.held_in}
    if grits.setdefault(name, table) != table:
        raise StudyError(
            [Fault("grit", f"two grits are called {name}: give each a name of its own", "name")]
        )
    return name


def _wear(wear: Wear) -> str | Document:
    if wear.observed is not None:
        seen = spelled(wear.observed, "removed", "lost", "time")
        seen["in"] = seen.pop("time")
        return seen | ({} if wear.observed.plate is None else {"plate": wear.observed.plate})
    if wear.plates:
        return {name: WEAR.typed(value) for name, value in wear.plates.items()}
    return WEAR.typed(wear.iron) if wear.iron is not None else {}
