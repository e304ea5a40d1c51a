"""Grits of a study: [grits.NAME], or straight in a step as "15 um" or "F400"."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from lapwright.specification.rates import GRAIN, grain_name, read_wear
from lapwright.specification.said import (
    Faults,
    RefusedError,
    listed,
    meant,
    nearest,
    said_of,
    shown,
)
from lapwright.specification.step import Grit, Layer, Observation, Wear, usual_layer
from lapwright.specification.table import Table, mapping_of, text
from lapwright.units import METRIC, Units

HOW_GRIT = 'grit = "15 um", grit = "F400" or the name of a [grits.NAME]'
HOW_WEAR = (
    'wear = "1 um/km/kPa", { A = "...", B = "..." }, { removed = "2 um", in = "10 min" } or '
    '{ lost = "0.3 g", in = "10 min", plate = "A" }'
)


def grits_of(root: Table, plates: Mapping[str, Any]) -> dict[str, Grit | None]:
    """Every grit by name; None in place of one that is at fault (which is noted)."""
    every = root.table("grits", '[grits.coarse] with size = "9 um"')
    out: dict[str, Grit | None] = {}
    for name in every.data if every is not None else ():
        assert every is not None
        if not name.strip() or len(name) > 40 or "." in name or not name.isprintable():
            wrong = f"{shown(name)} is no name: write a word, such as [grits.coarse]"
            every.fault(name, wrong, "name")
            continue
        table = every.table(name, '[grits.coarse] with size = "9 um"')
        out[name] = None if table is None else _grit(name, table, plates)
    return out


def _grit(name: str, table: Table, plates: Mapping[str, Any]) -> Grit | None:
    size = table.need("size", said_of(Grit, "size").reader, 'size = "9 um"')
    wear = _wear(table, plates)
    layer = _layer(table, size)
    fade = table.said(Grit, "fade")
    held = _held(table, plates)
    within = table.said(Grit, "wear_within")
    table.take("note", text)
    table.done()
    if size is None:
        return None
    grit = Grit(name, size, wear, layer, fade, held, within)
    _assume(table, grit)
    sound = (wear is not None or not table.has("wear")) and layer is not None
    return grit if sound else None


def _assume(table: Table, grit: Grit) -> None:
    """Note what is usual for a grain of this size."""
    if not table.has("wear") and grit.wear.iron is not None:
        table.assumed[table.place("wear")] = METRIC.wear(grit.wear.iron, echo=True)
    if not table.has("layer"):
        depth = METRIC.length(grit.layer.depth, echo=True)
        pressure = METRIC.pressure(grit.layer.pressure, echo=True)
        table.assumed[table.place("layer")] = f"{depth} at {pressure}"
    table.assume(Grit, fade="fade", held_in="held")


def in_inches(assumed: Mapping[str, str], steps: Iterable[tuple[str, Grit]]) -> dict[str, str]:
    """The same defaults with wear and layer in inch units; `steps`: where each step's grit stands, and it."""
    out = dict(assumed)
    for place, grit in steps:
        for home in (place, f"grits.{grit.name}"):
            if f"{home}.wear" in out and grit.wear.iron is not None:
                out[f"{home}.wear"] = Units.INCH.wear(grit.wear.iron, 3)
            if f"{home}.layer" in out:
                depth = Units.INCH.size(grit.layer.depth, 3)
                out[f"{home}.layer"] = f"{depth} at {Units.INCH.pressure(grit.layer.pressure, 3)}"
    return out


def _wear(table: Table, plates: Mapping[str, Any]) -> Wear | None:
    """The wear constant in any of its four ways."""
    if not table.has("wear"):
        return None
    if not isinstance(table.data["wear"], dict):
        iron = table.take("wear", read_wear)
        return None if iron is None else Wear(iron=iron)
    inner = table.table("wear", HOW_WEAR)
    assert inner is not None
    if not inner.data:
        table.fault("wear", f"is empty: write {HOW_WEAR}", "missing")
        return None
    seen = {"removed", "lost", "in"}
    if seen & set(inner.data) and not seen & set(plates):
        return _observed(inner, plates)
    read = {name: inner.take(name, read_wear) for name in inner.data if name in plates}
    each = {name: wear for name, wear in read.items() if wear is not None}
    inner.known.update(plates)
    inner.done(also=("removed", "lost", "in", "plate"))
    return Wear(plates=each) if each else None


def _observed(inner: Table, plates: Mapping[str, Any]) -> Wear | None:
    kind = inner.one_of(("removed", "lost"), f"write {HOW_WEAR}")
    time = inner.need("in", said_of(Observation, "time").reader, 'in = "10 min"')
    seen = inner.parts(Observation, ("removed", "lost"))
    plate = inner.take("plate", lambda value: a_plate(value, plates))
    if kind == "lost" and not inner.has("plate"):
        which = 'is missing: write which plate was weighed, such as plate = "A"'
        inner.fault("plate", which, "missing")
        return None
    inner.done()
    if kind is None or time is None or not seen:
        return None
    return Wear(observed=Observation(time, plate=plate, **seen))


def a_plate(value: Any, plates: Mapping[str, Any]) -> str:
    """The name of a plate that is there."""
    if isinstance(value, str) and value in plates:
        return value
    hint = meant(value, plates, f"plates here are {listed(plates, 'and')}")
    raise RefusedError(f"there is no plate {shown(value)}: {hint}", "name")


def _layer(table: Table, size: float | None) -> Layer | None:
    if not table.has("layer"):
        return None if size is None else usual_layer(size)
    inner = table.table("layer", '{ depth = "0.5 um", pressure = "3 kPa" }')
    if inner is None:
        return None
    found = inner.parts(Layer)
    inner.done()
    if not inner.data:
        table.fault("layer", 'is empty: write { depth = "0.5 um", pressure = "3 kPa" }', "missing")
    if "depth" in found and ("pressure" in found or not inner.has("pressure")):
        return Layer(**found)
    # Without a depth the layer is as stiff as usual, said at another pressure.
    return None if size is None or inner.has("depth") else usual_layer(size, found.get("pressure"))


def _held(table: Table, plates: Mapping[str, Any]) -> str | None:
    value = table.data.get("held")
    if not table.has("held") or (isinstance(value, str) and value.strip().lower() == "loose"):
        return None
    how = 'held = "loose" or held = { in = "B" }'
    inner = table.take("held", lambda held: mapping_of(held, how))
    if inner is None:
        return None
    within = Table(table.faults, table.place("held"), inner)
    name = within.need("in", lambda plate: a_plate(plate, plates), 'in = "B"')
    within.done()
    return name


def grit_of(
    value: Any, key: str, grits: Mapping[str, Grit | None], assumed: dict[str, str]
) -> Grit | None:
    """The grit of a step: by the name of a [grits.NAME], by size or by F number.

    Raises
    ------
    RefusedError
        When it is none of these.

    """
    if isinstance(value, str) and value in grits:
        return grits[value]
    close = nearest(value, grits) if isinstance(value, str) and grits else None
    if close is not None and not re.match(r"\s*[#fFpPjJ]?\s*\d", str(value)):
        raise RefusedError(f"there is no grit {shown(value)}: did you mean {close}?", "name")
    try:
        size = GRAIN(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise
        known = f" (here {listed(grits, 'and')})" if grits else ""
        raise RefusedError(
            f"there is no grit {shown(value)}: write {HOW_GRIT}{known}", "name"
        ) from None
    grit = Grit(grain_name(str(value), size), size)
    _assume(Table(Faults(), key, {}, assumed), grit)
    return grit
