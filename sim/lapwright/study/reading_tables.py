"""A table of readings in a file: an indicator swept over a face in rows, or lines of a level.

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
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf, pi
from pathlib import Path
from typing import Any

from lapwright.files import read_whole
from lapwright.metrology.conditions import ALONG
from lapwright.metrology.contacts import Placement
from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import Reading
from lapwright.specification.outline import Outline
from lapwright.specification.quantities import ANGLE, find, plain, quantity, take_apart
from lapwright.specification.said import RefusedError, shown
from lapwright.specification.table import Table

__all__ = ["HOW_TABLE", "table_of"]


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
        return _readings(_rows(folder / file), gauge, outline, shown_by)
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


def _readings(
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
