"""Gauges and readings of a study, from text to objects of the metrology room and back.

What a study holds beside plates and steps, as a file has it: gauges, readings, variants, sweep, goal.

Readings may also stand in a table of their own: an indicator swept over a face in rows, or lines of a level.

    um,     -60 mm, -30 mm, 0 mm, 30 mm, 60 mm
    60 mm,  ,       0.12,   0.10, 0.14,
    30 mm,  0.21,   0.08,   0,    0.05,  0.17

The first field is the unit of the readings (none where each has its own), the first row says where along x
they stand, the first column where along y.  Where the first column holds angles each row is a line at that
angle through the middle, and the first row says how far along it.  A field may be empty: not read there.
Fields are parted by commas, semicolons or tabs; lines that begin with # are left out.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, pi
from pathlib import Path
from typing import Any

from lapwright.files import read_whole
from lapwright.metrology.conditions import ALONG, MOST_READ, SIZE, SIZE_SLOPE, Conditions, bands_in
from lapwright.metrology.contacts import Placement
from lapwright.metrology.fringes import dome_by_press, dome_by_wedge
from lapwright.metrology.instruments import (
    EYE,
    FEEL,
    KINDS,
    Gauge,
    Micrometer,
    OpticalFlat,
    Zero,
    near_rim,
)
from lapwright.metrology.reading import Reading
from lapwright.specification.outline import Outline
from lapwright.specification.quantities import ANGLE, SMALL, find, plain, quantity, take_apart
from lapwright.specification.said import (
    RefusedError,
    listed,
    meant,
    refused,
    said_names,
    said_of,
    shown,
    spelled,
)
from lapwright.specification.table import Table, choice
from lapwright.specification.wedge import HOUR, THICK
from lapwright.study.batches import batch_table
from lapwright.study.goal import goal_table
from lapwright.study.plates import a_plate
from lapwright.study.variants import sweep_typed, tables_of, tune_typed, variants_typed

MOST_READINGS = 2000
HOW_GAUGE = '[gauges.sph] with kind = "spherometer"'
SHAPES = {
    "shape": (("dome", "dish"), "how the bands curve"),
    "press": (
        ("towards", "away"),
        "where the rings walk, beside a finger that presses on the flat's edge",
    ),
    "ends": (("thin", "open"), "the side of the wedge to which the ends of the bands point"),
}

Reader = Callable[[Any], Any]


OF_FACE = said_names(Conditions)  # they stand among the keys of the gauge
OF_ALL = [name for name in said_names(Gauge) if name != "conditions"]


def own_keys(kind: str) -> list[str]:
    """Keys of a kind of gauge that not every gauge has."""
    return [name for name in said_names(KINDS[kind]) if name not in said_names(Gauge)]


def gauge_keys() -> list[str]:
    """Every key that some gauge has."""
    own = dict.fromkeys(name for kind in KINDS for name in own_keys(kind))
    return ["kind", *OF_ALL, *OF_FACE, *own]


def gauges_of(root: Table, plates: Mapping[str, Any]) -> dict[str, Gauge | None]:
    """Every gauge by name; None in place of one that is at fault (which is noted)."""
    every = root.table("gauges", HOW_GAUGE)
    out: dict[str, Gauge | None] = {}
    for name in every.data if every is not None else ():
        assert every is not None
        table = every.table(name, HOW_GAUGE)
        if table is not None:
            out[name] = _gauge(name, table, plates)
    return out


def _gauge(name: str, table: Table, plates: Mapping[str, Any]) -> Gauge | None:
    before = len(table.faults.found)
    kind = table.need("kind", choice(KINDS, "a kind of gauge"), 'kind = "spherometer"')
    if kind is None:
        return None
    made = KINDS[kind]
    own = own_keys(kind)
    for key in own:
        if not hasattr(made, key):
            said = said_of(made, key)
            table.need(key, said.reader, f"{key} = {said.example}")
    took = table.parts(made, (*own, *(name for name in OF_ALL if name != "zero")))
    if took.get("ball") and took.get("pad"):
        table.fault("pad", "a foot ends in a ball or in a pad: write one of the two", "conflict")
    if table.has("zero"):
        took["zero"] = _zero_of(table, plates, SIZE_SLOPE if made.angular else SIZE)
    took["conditions"] = Conditions(**table.parts(Conditions))
    _together(kind, table, took)
    table.done()
    if len(table.faults.found) > before or table.faults.full:
        return None
    gauge: Gauge = made(name=name, **took)
    if any(table.has(key) for key in ("resolution", "repeatability", "hysteresis")):
        return gauge
    usual = EYE * gauge.band if isinstance(gauge, OpticalFlat) else FEEL
    return gauge.replace(repeatability=usual) if made in (OpticalFlat, Micrometer) else gauge


def _together(kind: str, table: Table, took: dict[str, Any]) -> None:
    """What keys of one gauge must have in common, and what a kind takes for granted."""
    if kind == "twist gauge":
        circle, corners = "foot_circle" in took, [key for key in ("base", "width") if key in took]
        if circle == bool(corners) or len(corners) == 1:
            how = 'write foot_circle = "80 mm", or base = "200 mm" and width = "40 mm"'
            table.fault("", f"needs its four feet: {how}", "missing")
    if kind == Micrometer.kind and took.get("zero", Zero()).on not in ("flat", "unknown"):
        how = 'closed, or on a gauge block: leave zero out (zero_error = "0.5 um"), or write "unknown"'
        table.fault("zero", f"a micrometer is set to zero {how}", "range")


def _zero_of(table: Table, plates: Mapping[str, Any], size: Callable[[Any], float]) -> Zero:
    """What the gauge was zeroed on: a flat, a plate, a master of known size, or who knows."""
    value = table.data["zero"]
    if isinstance(value, str):
        if value in plates:
            return Zero("plate", plate=value)
        word = value.strip().lower()
        if word in ("flat", "unknown"):
            return Zero("flat" if word == "flat" else "unknown")

    def reader(typed: Any) -> float:
        try:
            found: float = size(typed)
            return found
        except RefusedError as trouble:
            if trouble.code != "unit" or not isinstance(typed, str) or re.search(r"\d", typed):
                raise
            hint = meant(typed, plates, f"plates here are {listed(plates, 'and')}")
            raise refused(
                typed,
                f'is no plate ({hint}): write "flat", "unknown", a plate, '
                'or a size such as "1.2 um"',
                "name",
            ) from None

    return Zero("master", size=table.take("zero", reader) or 0.0)


def readings_of(
    root: Table,
    plates: Mapping[str, Any],
    gauges: Mapping[str, Gauge | None],
    folder: Path | None = None,
) -> tuple[Reading, ...]:
    """What the gauges showed; `folder`: where tables of readings lie, None where none is looked for."""
    found: list[Reading] = []
    for part, table in enumerate(tables_of(root, "readings", MOST_READINGS), 1):
        found += [replace(one, part=part) for one in part_of(table, plates, gauges, folder)]
    return tuple(found)


def part_of(
    table: Table,
    plates: Mapping[str, Any],
    gauges: Mapping[str, Gauge | None],
    folder: Path | None,
) -> list[Reading]:
    """What one entry of [[readings]] says: one reading, or those of a file; faults are noted there."""
    if "table" in table.data:
        return _many(table, plates, gauges, folder)
    return [_reading_of(table, plates, gauges)]


def _many(
    table: Table,
    plates: Mapping[str, Any],
    gauges: Mapping[str, Gauge | None],
    folder: Path | None,
) -> list[Reading]:
    """The readings of a file, all of one gauge on one plate."""
    gauge = table.need("gauge", lambda value: _a_gauge(value, gauges), 'gauge = "sph"')
    plate = table.need("plate", lambda value: a_plate(value, plates), 'plate = "A"')
    more = table.parts(Reading, ("approach", "temperature", "date", "note"))
    there = plates.get(plate or "")
    outline = None if there is None else there.outline
    found = table_of(table, folder, gauges.get(gauge or ""), outline, shown_by)
    if table.has("value"):
        table.fault("value", "stands beside a table, which holds the sizes: leave out one", "both")
    table.done()
    same = {"gauge": gauge, "plate": plate, "table": table.data["table"], **more}
    return [replace(one, **same) for one in found]


def _reading_of(
    table: Table, plates: Mapping[str, Any], gauges: Mapping[str, Gauge | None]
) -> Reading:
    """One reading from its table; faults are noted there."""
    gauge = table.need("gauge", lambda value: _a_gauge(value, gauges), 'gauge = "sph"')
    plate = table.need("plate", lambda value: a_plate(value, plates), 'plate = "A"')
    of = gauges.get(gauge) if gauge is not None else None
    value = table.need("value", lambda typed: shown_by(typed, of), 'value = "1.2 um"')
    dome = _domed(table)
    # A count of bands has no side: only a minus sign, or a word, tells a dish.
    counted = isinstance(of, OpticalFlat) and value is not None and value > 0.0
    if dome is not None and value is not None:
        value = abs(value) if dome else -abs(value)
    if isinstance(of, Micrometer):
        there = plates.get(plate or "")
        more = _beside(table, None if there is None else there.outline)
        if value and there and there.thickness and not 0.5 < value / there.thickness < 2.0:
            usual = f"{table.faults.units.length(there.thickness, echo=True)} of {plate}"
            table.fault("value", f"is far from the {usual}: check the unit", "range")
    else:
        where = ("angle", "at", "along", "approach", "temperature", "date", "note")
        more = table.parts(Reading, where)
    reading = Reading(
        gauge or "", plate or "", value or 0.0, **more, side_told=not counted or dome is not None
    )
    table.done()
    return reading


def _beside(table: Table, outline: Outline | None) -> dict[str, Any]:
    """Where a micrometer stood, by its place or by the hour near the rim, and what else is said of it."""
    how = 'where it stood: angle = "3:00" near the rim, or at = ["20 mm", "0 mm"]'
    key = table.one_of(("angle", "at"), how)
    more = table.parts(Reading, (*(("at",) if key == "at" else ()), "approach", "date", "note"))
    angle = table.take("angle", HOUR) if key == "angle" else None
    return more | ({"at": near_rim(outline, angle)} if angle is not None and outline else {})


def _domed(table: Table) -> bool | None:
    """Whether bands tell of a dome, if that is said: in a word, by a press, or by ends under a wedge."""
    key = table.one_of(("shape", "press", "ends"), "each tells dome from dish", needed=False)
    if key is None:
        return None
    words, what = SHAPES[key]
    word = table.take(key, choice(words, what))
    if word is None:
        return None
    if key == "press":
        return dome_by_press(word)  # type: ignore[arg-type]
    return dome_by_wedge(word) if key == "ends" else word == "dome"  # type: ignore[arg-type]


def where_of(table: Table) -> tuple[float, tuple[float, float], float]:
    """How a gauge is turned [rad], where its middle stands [m], where its indicator [m]; faults are noted."""
    placed = Reading("", "", **table.parts(Reading, ("angle", "at", "along")))
    return placed.angle, placed.at, placed.along


def shown_by(value: Any, gauge: Gauge | None) -> float:
    """What a gauge showed [m, rad]; under an optical flat also in bands."""
    if gauge is not None and gauge.angular:
        return SIZE_SLOPE(value)
    bands = bands_in(value)
    if bands is None and isinstance(gauge, Micrometer):
        return THICK(value)
    if bands is None:
        return SIZE(value)
    if not isinstance(gauge, OpticalFlat):
        wrong = "only an optical flat shows bands: write a size such as 1.2 um"
        raise RefusedError(f"{shown(value)}: {wrong}", "dimension")
    size = bands * gauge.band
    if abs(size) > MOST_READ:
        raise refused(value, "is too large: a reading may be 1 mm at most", "range")
    return size


def _a_gauge(value: Any, gauges: Mapping[str, Gauge | None]) -> str:
    if isinstance(value, str) and value in gauges:
        return value
    there = f"gauges here are {listed(gauges, 'and')}"
    hint = meant(value, gauges, there if gauges else "there is no [gauges.NAME] here")
    raise RefusedError(f"there is no gauge {shown(value)}: {hint}", "name")


Document = dict[str, Any]
_small, _angle = (quantity(kind).typed for kind in (SMALL, ANGLE))


def _gauges(gauges: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(gauges, Mapping):
        return gauges
    return {
        name: dict(one) if isinstance(one, Mapping) else _gauge_keys(one)
        for name, one in gauges.items()
    }


def _gauge_keys(gauge: Any) -> Any:
    if type(gauge) not in KINDS.values():
        return gauge  # the reader of gauges says what is wrong with it
    said = spelled(gauge)
    return {"kind": gauge.kind} | said.pop("conditions", {}) | said


def _readings(readings: Any, keys: Mapping[str, Any]) -> Any:
    gauges = keys.get("gauges", {})
    if not isinstance(readings, Sequence) or isinstance(readings, str):
        return readings
    return [_reading(one, gauges) if isinstance(one, Reading) else one for one in readings]


def _reading(reading: Reading, gauges: Mapping[str, Any]) -> Document:
    gauge = gauges.get(reading.gauge)
    kind = KINDS.get(gauge.get("kind", "")) if isinstance(gauge, Mapping) else type(gauge)
    flat = kind is OpticalFlat
    out = {"gauge": reading.gauge, "plate": reading.plate} | spelled(reading)
    out["value"] = (_angle if getattr(kind, "angular", False) else _small)(reading.value)
    return out | ({"shape": "dome"} if flat and reading.side_told and reading.value > 0.0 else {})


BESIDE: Mapping[str, Callable[[Any, Mapping[str, Any]], Any]] = {
    "gauges": _gauges,
    "readings": _readings,
    "variants": variants_typed,
    "sweep": sweep_typed,
    "goal": lambda goal, _: goal_table(goal),
    "batch": lambda batch, _: batch_table(batch),
    "tune": tune_typed,
}


HOW_TABLE = (
    'table = "monday.csv", its first row "um, -30 mm, 0 mm", the others such as "20 mm, 0.1, 0.2"'
)
MOST_TEXT = 1_000_000  # bytes
MOST = 500  # readings of one table
OVER = 1e-6  # [m] that a foot may stand over the edge
_turned = quantity(ANGLE, least="-360 deg", most="360 deg")


@dataclass(frozen=True)
class _Field:
    """One field of the table: its text, and where it stands (row and column from 0)."""

    text: str
    row: int
    column: int

    @property
    def name(self) -> str:
        """As a spreadsheet calls it: "C4"."""
        return f"{_letters(self.column)}{self.row + 1}"


def _letters(column: int) -> str:
    rest, last = divmod(column, 26)
    return (_letters(rest - 1) if rest else "") + chr(ord("A") + last)


def table_of(
    table: Table,
    folder: Path | None,
    gauge: Gauge | None,
    outline: Outline | None,
    shown_by: Callable[[Any, Gauge], float],
) -> list[Reading]:
    """The readings of a file, in its order; none where it is at fault, which is noted.

    Parameters
    ----------
    table
        The entry of [[readings]] that names the file.
    folder
        Where files lie that a study names; None: none is looked for.
    gauge, outline
        What was read with, and of which face; None where they are at fault themselves.
    shown_by
        What a text means that such a gauge shows [m, rad].

    """
    file = table.take("table", _file)
    if file is None or folder is None or gauge is None or outline is None:
        return []
    try:
        return _along_rows(_rows(folder / file), gauge, outline, shown_by)
    except RefusedError as trouble:
        table.fault("table", f"{file}: {trouble.message}", trouble.code)
    return []


def _file(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise RefusedError(f"{shown(value)} is no name of a file: write {HOW_TABLE}", "type")
    return value


def _rows(path: Path) -> list[list[_Field]]:
    """The fields row by row, those before the last full one of each row; lines with nothing are left out."""
    try:
        data = read_whole(path, MOST_TEXT)
        if len(data) > MOST_TEXT:
            raise RefusedError(f"is too large: {MOST_TEXT} bytes are the most", "range")
        text = data.decode("utf-8-sig")
    except OSError as trouble:
        raise RefusedError(f"cannot be read: {trouble.strerror or trouble}", "file") from None
    except ValueError:
        raise RefusedError("is no text: save the table as CSV, UTF-8", "type") from None
    lines = text.splitlines()
    head = next((line for line in lines if _counts(line)), "")
    parted = max(";\t,", key=head.count)
    found = []
    for number, line in enumerate(lines):
        if _counts(line):
            try:
                parts = next(csv.reader([line], delimiter=parted))
            except csv.Error as trouble:
                raise RefusedError(f"line {number + 1}: {trouble}", "type") from None
            found.append([_Field(plain(part), number, k) for k, part in enumerate(parts)])
    if len(found) < 2 or len(found[0]) < 2:
        raise RefusedError(f"has no rows of readings: write {HOW_TABLE}", "missing")
    return found


def _counts(line: str) -> bool:
    return bool(line.strip(" ,;\t")) and not line.lstrip().startswith("#")


def _along_rows(
    rows: list[list[_Field]],
    gauge: Gauge,
    outline: Outline,
    shown_by: Callable[[Any, Gauge], float],
) -> list[Reading]:
    corner, *across = rows[0]
    lines = _said_in(rows[1][0], ANGLE.units)
    columns = [_place(field, ALONG, "a place such as 30 mm") for field in _trimmed(across)]
    _once(_trimmed(across), columns)
    heads = [row[0] for row in rows[1:]]
    reader, how = (
        (_turned, "an angle such as 45 deg") if lines else (ALONG, "a place such as 30 mm")
    )
    starts = [_place(field, reader, how) for field in heads]
    _once(heads, starts, 2.0 * pi if lines else inf)
    found = []
    for start, row in zip(starts, rows[1:], strict=True):
        for field in _trimmed(row[1:]):
            if field.column > len(columns):
                raise _bad(field, "stands beside the table: its column has no place at its head")
            if not field.text:
                continue
            if re.fullmatch(r"0\d+", field.text):
                raise _bad(
                    field, "stands behind a decimal comma: write a point, or part by semicolons"
                )
            along = columns[field.column - 1]
            where = Placement((0.0, 0.0), start, along) if lines else Placement((along, start))
            touched = gauge.contacts(where, outline)
            if not float(outline.signed_distance(touched.x, touched.y).max()) <= OVER:
                raise _bad(field, "the gauge would stand off the face there")
            try:
                value = shown_by(_with_unit(field, corner), gauge)
            except RefusedError as trouble:
                raise _bad(field, trouble.message) from None
            found.append(Reading("", "", value, where.angle, where.at, where.along))
            if len(found) > MOST:
                raise _bad(field, f"too many: {MOST} readings are the most of one table")
    if not found:
        raise RefusedError("holds no reading: all of its fields are empty", "missing")
    return found


def _trimmed(fields: list[_Field]) -> list[_Field]:
    """Without empty fields at the end of a row, which spreadsheets leave."""
    count = max((k for k, field in enumerate(fields, 1) if field.text), default=0)
    return fields[:count]


def _once(fields: list[_Field], places: list[float], round_every: float = inf) -> None:
    """Refuse the same place twice; places `round_every` apart are the same."""
    seen: dict[float, _Field] = {}
    for field, start in zip(fields, places, strict=True):
        place = start if round_every == inf else round(start % round_every, 12) % round_every
        if place in seen:
            raise _bad(field, f"{shown(field.text)} is the same place as {seen[place].name}")
        seen[place] = field


def _place(field: _Field, reader: Any, how: str) -> float:
    try:
        return float(reader(field.text))
    except RefusedError as trouble:
        if not field.text:
            raise _bad(field, f"is empty: write {how}") from None
        raise _bad(field, trouble.message) from None


def _with_unit(field: _Field, corner: _Field) -> str:
    """What was typed, with the unit of the whole table where it has none."""
    apart = take_apart(field.text)
    if apart is None or apart[1]:
        return field.text
    if not corner.text:
        raise _bad(field, f"{shown(field.text)} has no unit: write it, or once in {corner.name}")
    return f"{field.text} {corner.text}"


def _said_in(field: _Field, units: Mapping[str, float]) -> bool:
    apart = take_apart(field.text)
    return apart is not None and find(apart[1], units) is not None


def _bad(field: _Field, why: str) -> RefusedError:
    return RefusedError(f"{field.name}: {why}", "table")
