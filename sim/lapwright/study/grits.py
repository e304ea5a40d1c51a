"""Grits of a study: [grits.NAME], or straight in a step as "15 um" or "F400".

FEPA F sizes: ISO 8486-2, median grain sizes (from memory, to be checked against the standard).  FEPA P and
CAMI sizes, which only explain why "400 grit" is no size: ISO 6344-3 and ANSI B74.18 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from lapwright.lapping.step import Grit, Layer, Observation, Wear
from lapwright.study.faults import RefusedError, listed, nearest, shown
from lapwright.study.rates import read_wear
from lapwright.study.table import Table, mapping_of, text
from lapwright.study.units import MASS, PRESSURE, SMALL, TIME, quantity
from lapwright.units import METRIC, Units

__all__ = ["FEPA_F", "grit_of", "grits_of", "in_inches"]

FEPA_F = {
    220: 58e-6,
    240: 44.5e-6,
    280: 36.5e-6,
    320: 29.2e-6,
    360: 22.8e-6,
    400: 17.3e-6,
    500: 12.8e-6,
    600: 9.3e-6,
    800: 6.5e-6,
    1000: 4.5e-6,
    1200: 3.0e-6,
}
_FEPA_P = {240: 58.5, 280: 52.2, 320: 46.2, 360: 40.5, 400: 35.0, 500: 30.2, 600: 25.8, 800: 21.8, 1000: 18.3}
_CAMI = {240: 53.5, 320: 36.0, 360: 28.8, 400: 23.0, 500: 19.7, 600: 16.0, 800: 12.2, 1000: 9.2}

# Common practice, no source; known to a band of ten in all (model).
WEAR_PER_SIZE = 0.16e-12 / 1e-6  # [1/Pa per m of grit size], grey iron on grey iron
DEPTH_PER_SIZE = 0.05
LAYER_PRESSURE = 3000.0

_size = quantity(SMALL, least="0.01 um", most="1 mm")
_depth = quantity(SMALL, least="1 nm", most="1 mm")
_pressure = quantity(PRESSURE, least="1 Pa", most="10 MPa")
_fade = quantity(TIME, least="1 s", most="1000 h")
_in_time = quantity(TIME, least="1 s", most="1000 h")
_removed = quantity(SMALL, above="0 um", most="1 mm")
_lost = quantity(MASS, above="0 g", most="10 kg")

HOW_GRIT = 'grit = "15 um", grit = "F400" or the name of a [grits.NAME]'
HOW_WEAR = (
    'wear = "1 um/km/kPa", { A = "...", B = "..." }, { removed = "2 um", in = "10 min" } or '
    '{ lost = "0.3 g", in = "10 min", plate = "A" }'
)


def grits_of(root: Table, plates: Mapping[str, Any], assumed: dict[str, str]) -> dict[str, Grit | None]:
    """Every grit by name; None in place of one that is at fault (which is noted)."""
    every = root.table("grits", '[grits.coarse] with size = "9 um"')
    out: dict[str, Grit | None] = {}
    for name in every.data if every is not None else ():
        assert every is not None
        if not name.strip() or len(name) > 40 or "." in name or not name.isprintable():
            every.fault(name, f"{shown(name)} is no name: write a word, such as [grits.coarse]", "name")
            continue
        table = every.table(name, '[grits.coarse] with size = "9 um"')
        out[name] = None if table is None else _grit(name, table, plates, assumed)
    return out


def _grit(name: str, table: Table, plates: Mapping[str, Any], assumed: dict[str, str]) -> Grit | None:
    size = table.need("size", _grain, 'size = "9 um"')
    wear = _wear(table, plates)
    layer = _layer(table, size)
    fade = None
    if table.has("fade") and table.data["fade"] != "none":
        fade = table.take("fade", _fade)
    held = _held(table, plates)
    table.take("note", text)
    table.done()
    if size is None:
        return None
    if wear is None and not table.has("wear"):
        wear = _usual_wear(size, table.place("wear"), assumed)
    if not table.has("layer"):
        assumed[table.place("layer")] = _said_layer(layer)
    if not table.has("fade"):
        assumed[table.place("fade")] = "none"
    if not table.has("held"):
        assumed[table.place("held")] = "loose"
    return None if wear is None or layer is None else Grit(name, size, wear, layer, fade, held)


def _usual_wear(size: float, key: str, assumed: dict[str, str]) -> Wear:
    iron = float(f"{WEAR_PER_SIZE * size:.12g}")
    assumed[key] = METRIC.wear(iron, echo=True)
    return Wear(iron=iron)


def in_inches(assumed: Mapping[str, str], steps: Iterable[tuple[str, Grit]]) -> dict[str, str]:
    """The same defaults with wear and layer in inch units; `steps`: where each step's grit stands, and it."""
    out = dict(assumed)
    for place, grit in steps:
        for home in (place, f"grits.{grit.name}"):
            if f"{home}.wear" in out and grit.wear.iron is not None:
                out[f"{home}.wear"] = Units.INCH.wear(grit.wear.iron, 3)
            if f"{home}.layer" in out:
                depth, pressure = grit.layer.depth, grit.layer.pressure
                out[f"{home}.layer"] = f"{Units.INCH.size(depth, 3)} at {Units.INCH.pressure(pressure, 3)}"
    return out


def _usual_layer(size: float) -> Layer:
    return Layer(float(f"{DEPTH_PER_SIZE * size:.12g}"), LAYER_PRESSURE)


def _said_layer(layer: Layer | None) -> str:
    if layer is None:
        return ""
    return f"{METRIC.length(layer.depth, echo=True)} at {METRIC.pressure(layer.pressure, echo=True)}"


def _grain(value: Any) -> float:
    """A grain size, from a length or a FEPA F number."""
    if isinstance(value, (str, int)) and not isinstance(value, bool):
        by_number = _by_number(str(value) if isinstance(value, str) or abs(value) < 10**9 else "")
        if by_number is not None:
            return by_number
    return _size(value)


def _by_number(typed: str) -> float | None:
    """Size of an F number; None when the text is no grit number at all.

    Raises
    ------
    RefusedError
        A number whose system is not said, or of another system.

    """
    got = re.fullmatch(r"\s*(#|[fFpP]|) ?(\d{2,5}) ?(#|-?grit|-?mesh|)\s*", typed, re.IGNORECASE)
    if got is None:
        return None
    mesh, letter = int(got[2]), got[1].upper()
    if letter == "F":
        if mesh in FEPA_F:
            return FEPA_F[mesh]
        closest = min(FEPA_F, key=lambda known: abs(known - mesh))
        known = listed((f"F{n}" for n in FEPA_F), "and")
        raise RefusedError(f"{shown(typed)} is not known: did you mean F{closest}? Known are {known}", "grit")
    if letter == "P":
        size = f", about {Units.number(_FEPA_P[mesh])} um" if mesh in _FEPA_P else ""
        raise RefusedError(
            f'{shown(typed)} is a grade of abrasive paper (FEPA P{size}): write the size, such as "15 um"',
            "grit",
        )
    if not letter and not got[3] and mesh not in FEPA_F:
        return None  # a size without its unit
    raise RefusedError(
        f"{shown(typed)} is {_systems(mesh)}: write the size, such as grit = {_example(mesh)}", "grit"
    )


def _systems(mesh: int) -> str:
    sizes = []
    if mesh in FEPA_F:
        sizes.append(f"{Units.number(FEPA_F[mesh] * 1e6)} um (FEPA F{mesh})")
    if mesh in _CAMI:
        sizes.append(f"{Units.number(_CAMI[mesh])} um (ANSI CAMI {mesh})")
    if mesh in _FEPA_P:
        sizes.append(f"{Units.number(_FEPA_P[mesh])} um (FEPA P{mesh})")
    return f"{listed(sizes)}, by system" if sizes else "no size: grit numbers mean different sizes by system"


def _example(mesh: int) -> str:
    return f'"{Units.number(FEPA_F[mesh] * 1e6)} um" or "F{mesh}"' if mesh in FEPA_F else '"15 um"'


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
    if {"removed", "lost", "in"} & set(inner.data) and not ({"removed", "lost", "in"} & set(plates)):
        return _observed(inner, plates)
    each: dict[str, float] = {}
    for name in inner.data:
        if name not in plates:
            continue
        wear = inner.take(name, read_wear)
        if wear is not None:
            each[name] = wear
    inner.known.update(plates)
    inner.done(also=("removed", "lost", "in", "plate"))
    return Wear(plates=each) if each else None


def _observed(inner: Table, plates: Mapping[str, Any]) -> Wear | None:
    kind = inner.one_of(("removed", "lost"), f"write {HOW_WEAR}")
    time = inner.need("in", _in_time, 'in = "10 min"')
    removed = inner.take("removed", _removed)
    lost = inner.take("lost", _lost)
    plate = inner.take("plate", lambda value: a_plate(value, plates))
    if kind == "lost" and not inner.has("plate"):
        inner.fault("plate", 'is missing: write which plate was weighed, such as plate = "A"', "missing")
        return None
    inner.done()
    if kind is None or time is None or (removed is None and lost is None):
        return None
    return Wear(observed=Observation(time, removed, lost, plate))


def a_plate(value: Any, plates: Mapping[str, Any]) -> str:
    """The name of a plate that is there."""
    if isinstance(value, str) and value in plates:
        return value
    close = nearest(value, plates) if isinstance(value, str) else None
    hint = f"did you mean {close}?" if close else f"plates here are {listed(plates, 'and')}"
    raise RefusedError(f"there is no plate {shown(value)}: {hint}", "name")


def _layer(table: Table, size: float | None) -> Layer | None:
    if not table.has("layer"):
        return None if size is None else _usual_layer(size)
    inner = table.table("layer", '{ depth = "0.5 um", pressure = "3 kPa" }')
    if inner is None:
        return None
    depth = inner.take("depth", _depth)
    pressure = inner.take("pressure", _pressure)
    inner.done()
    if not inner.data:
        table.fault("layer", 'is empty: write { depth = "0.5 um", pressure = "3 kPa" }', "missing")
    pressure = pressure if inner.has("pressure") else LAYER_PRESSURE
    if not inner.has("depth") and size is not None and pressure is not None:
        # Without a depth the layer is as stiff as usual, said at another pressure.
        depth = DEPTH_PER_SIZE * size * pressure / LAYER_PRESSURE
    return None if depth is None or pressure is None else Layer(depth, pressure)


def _held(table: Table, plates: Mapping[str, Any]) -> str | None:
    how = 'write held = "loose" or held = { in = "B" }'
    if not table.has("held"):
        return None
    value = table.data["held"]
    if isinstance(value, str) and value.strip().lower() == "loose":
        return None
    inner = table.take("held", lambda held: mapping_of(held, how.removeprefix("write ")))
    if inner is None:
        return None
    within = Table(table.faults, table.place("held"), inner)
    name = within.need("in", lambda plate: a_plate(plate, plates), 'in = "B"')
    within.done()
    return name


def grit_of(value: Any, key: str, grits: Mapping[str, Grit | None], assumed: dict[str, str]) -> Grit | None:
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
        size = _grain(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise
        known = f" (here {listed(grits, 'and')})" if grits else ""
        raise RefusedError(f"there is no grit {shown(value)}: write {HOW_GRIT}{known}", "name") from None
    name = _inline_name(str(value), size)
    wear = _usual_wear(size, f"{key}.wear", assumed)
    layer = _usual_layer(size)
    assumed[f"{key}.layer"] = _said_layer(layer)
    assumed[f"{key}.fade"] = "none"
    assumed[f"{key}.held"] = "loose"
    return Grit(name, size, wear, layer)


def _inline_name(typed: str, size: float) -> str:
    """One name for one grit, however it was typed: "F400" or "15 um"."""
    got = re.fullmatch(r"\s*[fF]\s*(\d+)\s*", typed)
    return f"F{got[1]}" if got else METRIC.size(size, echo=True)
