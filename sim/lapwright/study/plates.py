"""Plates, parts and grits of a study: [plates.NAME] and [parts.NAME], which are the same thing; [grits.NAME].

A grit may also stand straight in a step, as "15 um" or "F400".
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from lapwright.errors import Fault
from lapwright.metrology.form import LONG, SPOKEN
from lapwright.specification.grooves import PITCH, Grooves
from lapwright.specification.materials import Material
from lapwright.specification.outline import SIZE, Disc, Outline, Rectangle, Ring
from lapwright.specification.plate import NO_THICKNESS, RISE, Plate, Ripple, StartForm
from lapwright.specification.rates import GRAIN, grain_name, read_wear
from lapwright.specification.said import (
    Faults,
    RefusedError,
    listed,
    meant,
    nearest,
    refused,
    said_of,
    shown,
)
from lapwright.specification.step import Grit, Layer, Observation, Wear, usual_layer
from lapwright.specification.supports import HOW_SUPPORTS
from lapwright.specification.table import Table, mapping_of, text
from lapwright.specification.wedge import HOUR, HOW_WEDGE, Wedge
from lapwright.study.faces import Asked, Maps, asked_of
from lapwright.units import METRIC, Units

OUTLINES = ("disc", "ring", "rectangle")
COPIED = ("thickness", "mass", "grooves", "cells")
OWN = ("material", "form", "supports", "wedge", "note", "like")
OF_MATERIAL = ("density", "modulus", "expansion", "wear_factor")
MOST_PLATES = 50

HOW_PLATE = 'plates.A = { disc = "160 mm", thickness = "30 mm" }'
HOW_FORM = 'form = { dome = "2 um" } (left out for a flat face)'
HOW_GROOVES = 'grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }'
HOW_RING, HOW_RECTANGLE = 'ring = ["80 mm", "50 mm"]', 'rectangle = ["300 mm", "50 mm"]'
ROUND_ONES = f'disc = "160 mm", {HOW_RING} (outside, bore)'
HOW_OUTLINE = f"{ROUND_ONES} or {HOW_RECTANGLE} (along 3-9, along 12-6)"


def plates_of(root: Table, maps: Maps) -> dict[str, Plate | None]:
    """Every plate by name; None in place of one that is at fault (which is noted)."""
    tables = _tables(root)
    if not tables and not root.faults.found:
        root.fault("plates", f"is missing: write at least two, such as {HOW_PLATE}", "missing")
    out: dict[str, Plate | None] = {}
    inherited: list[Fault] = []
    for name, table in tables.items():
        data = _with_likes(table, {other: t.data for other, t in tables.items()})
        table.known.update((*OUTLINES, *COPIED, *OF_MATERIAL, *OWN))
        table.done()
        if data is None:
            out[name] = None
            continue
        own = Faults(root.faults.units)
        out[name] = _plate(name, Table(own, table.key, data, root.assumed), maps)
        for fault in own.found:
            entry = fault.key.removeprefix(f"{table.key}.").partition(".")[0]
            if "like" in table.data and entry in data and entry not in table.data:
                inherited.append(fault)  # told already where it was copied from, in all likelihood
            else:
                root.faults.add(fault.key, fault.message, fault.code)
    for fault in () if root.faults.found else inherited:
        root.faults.add(fault.key, fault.message, fault.code)
    return out


def _tables(root: Table) -> dict[str, Table]:
    """The tables of plates and parts by name."""
    out: dict[str, Table] = {}
    for kind in ("plates", "parts"):
        every = root.table(kind, f"[{kind}.A] or {HOW_PLATE}")
        for name in every.data if every is not None else ():
            assert every is not None
            if bad := _bad_name(name):
                root.faults.add(every.place(name), f"{shown(name)} is no name: {bad}", "name")
                continue
            table = every.table(name, HOW_PLATE)
            if name in out:
                every.fault(name, f"{shown(name)} is both a plate and a part: rename one", "name")
            elif table is not None:
                out[name] = table
    if len(out) > MOST_PLATES:
        root.fault("plates", f"{len(out)} plates are too many: {MOST_PLATES} are the most")
        return {}
    return out


def _bad_name(name: str) -> str | None:
    if not name.strip() or name != name.strip():
        return "write a letter or a word"
    if len(name) > 40:
        return "40 letters are the most"
    if any(c in "./\\" or not c.isprintable() for c in name):
        return "leave out dots, slashes and control signs"
    return None


def _with_likes(table: Table, plates: Mapping[str, Mapping[str, Any]]) -> dict[str, Any] | None:
    """The plate's own keys on top of those of the plate that it is like; None when that fails."""
    data: dict[str, Any] = dict(table.data)
    seen = [table.key.rpartition(".")[2]]
    while "like" in data:
        other = data.pop("like")
        if not isinstance(other, str) or other not in plates:
            hint = meant(other, plates, f"plates here are {listed(plates, 'and')}")
            table.fault("like", f"there is no plate {shown(other)}: {hint}", "name")
            return None
        if other in seen:
            circle = listed([*seen, other], "and")
            table.fault("like", f"goes round in a circle through {circle}", "value")
            return None
        seen.append(other)
        theirs = plates[other]
        taken: list[str] = [key for key in COPIED if key in theirs and key not in data]
        if not any(key in data for key in OUTLINES):
            taken += [key for key in OUTLINES if key in theirs]
        if "material" not in data:
            of_material = ("material", *OF_MATERIAL)
            taken += [key for key in of_material if key in theirs and key not in data]
        data.update({key: theirs[key] for key in taken})
        if "like" in theirs:
            data["like"] = theirs["like"]
    return data


def _plate(name: str, own: Table, maps: Maps) -> Plate | None:
    """One plate from its own keys and those it was given by `like`."""
    outline = _outline(own)
    sizes = own.parts(Plate, ("thickness", "mass", "cells"))
    if not own.has("thickness") and not own.has("mass"):
        own.fault("thickness", NO_THICKNESS, "missing")
    material = _material(own)
    form, asked = _start_form(own, outline)
    grooves = _grooves(own, outline)
    supports = own.said(Plate, "supports") or Plate.supports
    if outline is not None:
        try:
            supports.under(outline)
        except RefusedError as trouble:
            own.fault("supports", f"{trouble.message}; {HOW_SUPPORTS}", trouble.code)
    wedge = _wedge(own, outline)
    note = own.take("note", text)
    if outline is None or material is None or own.faults.found:
        return None
    own.assume(Plate, cells="cells", supports="supports")
    more: dict[str, Any] = {
        "grooves": grooves,
        "form": form,
        "supports": supports,
        "wedge": wedge,
        "note": note or "",
        "name": name,
    }
    plate = Plate(outline, material=material, **more, **sizes)
    return plate if asked is None else _with_map(own, plate, asked, maps)


def _with_map(own: Table, plate: Plate, asked: Asked, maps: Maps) -> Plate | None:
    """The plate with its measured face; what was done to the map is noted with what is assumed."""
    key = f"{own.place('form')}.map"
    try:
        plate, said = maps.on(plate, asked)
    except RefusedError as trouble:
        own.faults.add(key, trouble.message, trouble.code)
        return None
    own.assumed.update({f"{key}.{name}": words for name, words in said.items()})
    return plate


def _pair(first: str, second: str, how: str) -> Any:
    """A reader of two lengths."""

    def reader(value: Any) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise refused(
                value, f"is not a pair of lengths ({first}, {second}): write {how}", "type"
            )
        return SIZE(value[0]), SIZE(value[1])

    return reader


def _outline(own: Table) -> Outline | None:
    kind = own.one_of(OUTLINES, f"write {HOW_OUTLINE}")
    if kind == "disc":
        diameter = own.take("disc", SIZE)
        return None if diameter is None else _large_enough(own, kind, Disc(diameter), diameter)
    if kind == "ring":
        pair = own.take("ring", _pair("outside", "bore", HOW_RING))
        if pair is None:
            return None
        if not pair[1] < pair[0]:
            outside, bore = (own.faults.units.length(size, echo=True) for size in pair)
            wrong = f"the bore of {bore} is not smaller than the outside of {outside}"
            how = f"write outside first, then bore, such as {HOW_RING}"
            own.fault("ring", f"{wrong}: {how}", "range")
            return None
        return _large_enough(own, kind, Ring(*pair), pair[0] - pair[1])
    if kind == "rectangle":
        pair = own.take("rectangle", _pair("along 3-9", "along 12-6", HOW_RECTANGLE))
        if pair is None:
            return None
        if max(pair) > 20.0 * min(pair):
            wrong = "is more than 20 times as long as wide: no such bar can be lapped by itself"
            own.fault("rectangle", wrong, "range")
            return None
        return _large_enough(own, kind, Rectangle(*pair), min(pair))
    return None


def _large_enough(own: Table, key: str, outline: Outline, smallest: float) -> Outline | None:
    if smallest >= 0.9999e-3:
        return outline
    own.fault(key, f"{shown(own.data[key])} is too small to be lapped: 1 mm is the least", "range")
    return None


def _material(own: Table) -> Material | None:
    material = own.said(Plate, "material") if own.has("material") else Plate.material
    own.assume(Plate, material="material")
    changes = own.parts(Material, OF_MATERIAL)
    return None if material is None else replace(material, **changes)


def _start_form(own: Table, outline: Outline | None) -> tuple[StartForm, Asked | None]:
    """What is said of the face by sizes, and the height map that is asked for."""
    table = own.table("form", HOW_FORM)
    if table is None:
        return StartForm(), None
    asked = asked_of(table) if table.has("map") else None
    said = table.parts(StartForm, SPOKEN[1:])
    bent = {key: table.said(StartForm, "sphere", key) for key in ("dome", "dish")}
    said |= {key: size for key, size in bent.items() if size is not None}
    ripple = _ripple(table, outline)
    if not isinstance(outline, Rectangle) and outline is not None:
        for key in LONG:
            if key in said:
                wrong = "is for rectangles: a round face has dome, dish, saddle and twist"
                table.fault(key, wrong, "value")
    table.done()
    return StartForm(ripple=ripple, **said), asked


def _ripple(table: Table, outline: Outline | None) -> Ripple | None:
    """A ripple from its height alone, or from height, wavelength, angle and seed."""
    if not table.has("ripple"):
        return None
    if not isinstance(table.data["ripple"], dict):
        height = table.said(Ripple, "height", "ripple")
        return None if height is None else Ripple(height)
    inner = table.table("ripple", "")
    assert inner is not None
    height = inner.need("height", RISE, 'height = "0.3 um"')
    more = inner.parts(Ripple, ("wavelength", "angle", "seed"))
    inner.done()
    wave = more.get("wavelength")
    if wave is not None and outline is not None and wave < outline.smaller / 100.0:
        too_fine = f"{shown(inner.data['wavelength'])} is finer than the cells of the map"
        inner.fault("wavelength", too_fine, "range")
    return None if height is None else Ripple(height, **more)


def _wedge(own: Table, outline: Outline | None) -> Wedge | None:
    """How far the face is out of parallel as it begins: by how much, and where it is thick."""
    table = own.table("wedge", HOW_WEDGE)
    if table is None:
        return None
    by = table.need("by", said_of(Wedge, "by").reader, HOW_WEDGE)
    high = table.need("high", HOUR, HOW_WEDGE)
    table.done()
    thick = own.said(Plate, "thickness") if own.has("thickness") else None
    if by is not None and thick is not None and not by < thick:
        wrong = f"{shown(table.data['by'])} is more than the part is thick"
        table.fault("by", f"{wrong}: write {HOW_WEDGE}", "range")
    return None if by is None or high is None else Wedge(by, high)


def _grooves(own: Table, outline: Outline | None) -> Grooves | None:
    if own.data.get("grooves") == "none":
        own.known.add("grooves")
        return None
    table = own.table("grooves", HOW_GROOVES)
    if table is None:
        return None
    pattern = table.need("pattern", said_of(Grooves, "pattern").reader, HOW_GROOVES)
    radial = pattern == "radial"
    width = table.need("width", PITCH, 'width = "2 mm"')
    pitch = count = None
    if radial:
        count = table.need("count", said_of(Grooves, "count").reader, "count = 12")
        if table.has("pitch"):
            wrong = "radial grooves have a count instead of a pitch: write count = 12"
            table.fault("pitch", wrong, "conflict")
    else:
        pitch = table.need("pitch", PITCH, 'pitch = "12 mm"')
        if table.has("count"):
            wrong = 'only radial grooves have a count: write pitch = "12 mm"'
            table.fault("count", wrong, "conflict")
    more = table.parts(Grooves, ("angle", "rim"))
    table.done()
    if width is not None and pitch is not None and not width < pitch:
        wide, apart = (table.faults.units.length(size, echo=True) for size in (width, pitch))
        wrong = f"grooves of {wide} at a pitch of {apart} leave no land"
        table.fault("width", f"{wrong}: the width must be smaller than the pitch", "range")
        return None
    if outline is not None and _no_land(outline, width, count, more.get("rim")):
        table.fault("", "leave no land: make the grooves narrower or the rim smaller", "range")
        return None
    if pattern is None or width is None or (pitch is None and count is None):
        return None
    return Grooves(pattern, pitch or 0.0, width, count=count or 0, **more)


def _no_land(outline: Outline, width: float | None, count: int | None, rim: float | None) -> bool:
    """Whether a rim or radial grooves certainly take the whole face."""
    if rim is not None and rim >= 0.5 * outline.smaller - 0.5 * outline.bore:
        return True
    around = 2.0 * math.pi * outline.radius
    return count is not None and width is not None and count * width >= around


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
    abrasive = table.said(Grit, "abrasive")
    if abrasive == "diamond" and re.match(r"\s*f", str(table.data.get("size")), re.IGNORECASE):
        grade = "is a grade of alumina and silicon carbide (ISO 8486)"
        how = 'diamond is sold by its size, such as "3 um"'
        table.fault("size", f"{shown(table.data['size'])} {grade}: {how}", "grit")
        return None
    table.take("note", text)
    table.done()
    if size is None:
        return None
    grit = Grit(name, size, wear, layer, fade, held, within, abrasive)
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
    if isinstance(value, Mapping):
        own = 'write [grits.coarse] with this below it, and grit = "coarse" in the step'
        raise RefusedError(f"what a grit is stands in a table of its own: {own}", "type")
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
        none = f"there is no grit {shown(value)}: write {HOW_GRIT}{known}"
        raise RefusedError(none, "name") from None
    grit = Grit(grain_name(str(value), size), size)
    _assume(Table(Faults(), key, {}, assumed), grit)
    return grit
