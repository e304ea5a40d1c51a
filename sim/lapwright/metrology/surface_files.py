"""Height maps by the file's name: read whatever is known, write what the ending says.  CSV and NPY.

NPY: one array of heights, rows from 6 o'clock up as everywhere in this program; spacing from the study.
Heights are in metres unless the study gives their unit.  Arrays of objects (pickles) are never opened.

CSV with a few words at its head, plain rows of heights, one row of points a line:

    # unit: um
    # spacing: 0.5 mm
    # first row: 12 o'clock
    0.12,0.13,,0.15

`unit` of the heights and `spacing` from point to point (one length, or "0.5 mm x 0.4 mm": along 3-9, along
12-6) are needed, here or in the study; `first row` is 12 o'clock unless it says 6 o'clock, as a table shows
the face when looked at.  An empty field, nan or BAD is a point not measured.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import SurfaceFileError
from lapwright.files import put_beside
from lapwright.metrology.sdf import from_sdf, is_sdf, to_sdf
from lapwright.metrology.surface import (
    MOST_POINTS,
    Surface,
    bytes_of,
    check_size,
    checked,
    named,
    refuse,
)
from lapwright.metrology.x3p import from_x3p, is_x3p, to_x3p
from lapwright.specification.quantities import LENGTH, SMALL, quantity
from lapwright.specification.said import RefusedError, listed, nearest, shown

Array = NDArray[np.float64]

MOST_TEXT = 16_000_000  # bytes
MOST_IN_TABLE = 1_500_000  # points
MOST_ROWS = 50_000
LONGEST_ROW = 1_000_000  # letters
KEYS = ("unit", "spacing", "first row")
ROWS = ("12 o'clock", "6 o'clock")

_length = quantity(LENGTH, above="0 mm", most="1 m")


@dataclass(frozen=True)
class Head:
    """What is said of a table that a table cannot say: `unit` [m], `spacing` [m], `first_row` of `ROWS`."""

    unit: float | None = None
    spacing: tuple[float, float] | None = None
    first_row: str | None = None

    def filled(self, other: Head) -> Head:
        """Take both, this and what the other has beside it.

        Raises
        ------
        SurfaceFileError
            When the two say different things.

        """
        for name, one, two in (
            ("unit", self.unit, other.unit),
            ("spacing", self.spacing, other.spacing),
            ("first row", self.first_row, other.first_row),
        ):
            if one is not None and two is not None and one != two:
                raise refuse(
                    f"says its own {name}, and the study another: leave it out of the study",
                    "conflict",
                )
        return Head(
            other.unit if self.unit is None else self.unit,
            self.spacing or other.spacing,
            self.first_row or other.first_row,
        )


NOTHING = Head()


def read_unit(text: str) -> float:
    """A unit of heights [m].

    Raises
    ------
    RefusedError
        When it is none.

    """
    if not isinstance(text, str) or re.search(r"\d", text):
        raise RefusedError(
            f"{shown(text)} is no unit of heights: write um, nm, mm, m, uin or thou", "unit"
        )
    return quantity(SMALL)(f"1 {text}")


def read_spacing(value: str | list[str]) -> tuple[float, float]:
    """Distance from point to point along 3-9 and along 12-6 [m], from one length or two."""
    parts = re.split(r"\s+x\s+|\s*×\s*", value.strip()) if isinstance(value, str) else value
    if not isinstance(parts, list) or len(parts) not in (1, 2):
        raise RefusedError(
            f'{shown(value)} is no spacing: write "0.5 mm", or two (along 3-9, along 12-6) if they differ',
            "type",
        )
    lengths = [_length(part) for part in parts]
    return lengths[0], lengths[-1]


def read_row(value: str) -> str:
    """Which of `ROWS` the first row is."""
    match = re.fullmatch(r"\s*(12|6)\s*(o'?clock)?\s*", str(value).replace("’", "'"))
    if match is None:
        raise RefusedError(
            f'{shown(value)} is no first row: write "12 o\'clock" or "6 o\'clock"', "choice"
        )
    return f"{match[1]} o'clock"


# --- reading -----------------------------------------------------------------------------------


def from_csv(data: bytes, given: Head = NOTHING) -> Surface:
    """Read a table of heights; `given` is what the study says of it.

    Raises
    ------
    SurfaceFileError
        No plain numbers in even rows, or no unit or spacing.

    """
    if len(data) > MOST_TEXT:
        raise refuse(
            f"is more than {MOST_TEXT / 1e6:.0f} MB of text: save it as X3P or SDF", "size"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse("is no plain text in UTF-8", "encoding") from None
    if "\0" in text:
        raise refuse("is no plain text", "encoding")
    if max(text.count("\n"), text.count("\r")) > MOST_ROWS:
        raise refuse(f"has more than {MOST_ROWS} rows, which no map has", "size")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    head = _head([line for line in lines[:200] if line.lstrip().startswith("#")]).filled(given)
    body = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if head.unit is None:
        raise refuse('does not say the unit of its heights: begin it with "# unit: um"', "missing")
    if head.spacing is None:
        raise refuse(
            'does not say how far its points are apart: begin it with "# spacing: 0.5 mm"',
            "missing",
        )
    if not body:
        raise refuse("holds no heights", "missing")
    z = _table(body) * head.unit
    # In this program the first row is the lowest.
    return checked(z if head.first_row == ROWS[1] else z[::-1].copy(), *head.spacing)


def _head(lines: list[str]) -> Head:
    texts: dict[str, str] = {}
    for line in lines:
        match = re.fullmatch(r"\s*#\s*([A-Za-z _]{1,20}?)\s*[:=]\s*(.{1,80}?)\s*", line)
        key = match[1].lower().replace("_", " ") if match else ""
        if match and key in KEYS:
            texts[key] = match[2]
        elif match and key in (k.replace(" ", "") for k in KEYS):
            raise refuse(f"says {shown(match[1])}: write {nearest(key, KEYS)}", "unknown_key")
    return _of_texts(texts)


def _of_texts(said: Mapping[str, str]) -> Head:
    try:
        return Head(
            read_unit(said["unit"]) if "unit" in said else None,
            read_spacing(said["spacing"]) if "spacing" in said else None,
            read_row(said["first row"]) if "first row" in said else None,
        )
    except RefusedError as trouble:
        raise refuse(f"says at its head: {trouble.message}", trouble.code) from None


def _table(lines: list[str]) -> Array:
    """All numbers (rows, columns), NaN for a gap."""
    separator, decimal = _separator(lines)
    text = "\n".join(line.strip(" ") for line in lines)
    for bad in ("BAD", "Bad", "bad"):
        text = text.replace(bad, "nan")
    if decimal == ",":
        text = text.replace(",", ".")
    if separator is not None:
        if " " in text:
            text = re.sub(rf"[ ]*{separator}[ ]*", separator, text)
        if all(line.rstrip().endswith(separator) for line in lines):
            text = text.replace(f"{separator}\n", "\n").removesuffix(separator)
        for _ in range(2):
            text = text.replace(separator * 2, f"{separator}nan{separator}")
        text = text.replace(f"\n{separator}", f"\nnan{separator}").replace(
            f"{separator}\n", f"{separator}nan\n"
        )
        text = f"nan{text}" if text.startswith(separator) else text
        text = f"{text}nan" if text.endswith(separator) else text
    first = text.partition("\n")[0]
    if len(first) > LONGEST_ROW:
        raise refuse("has a row longer than that of any map", "size")
    columns = first.count(separator) + 1 if separator is not None else len(first.split())
    check_size(columns, len(lines))
    if columns * len(lines) > MOST_IN_TABLE:
        raise refuse(f"has more than {MOST_IN_TABLE} points: save so many as X3P or SDF", "size")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            table = np.loadtxt(
                io.StringIO(text), float, comments=None, delimiter=separator, ndmin=2
            )
        except (ValueError, UserWarning, DeprecationWarning) as trouble:
            raise refuse(_told(str(trouble), lines), "type") from None
    return np.asarray(table, dtype=float)


def _told(complaint: str, lines: list[str]) -> str:
    """The reader's complaint in plain words."""
    bad = re.search(
        r"could not convert string '(.*?)'.*? row (\d+), column (\d+)", complaint, re.DOTALL
    )
    if bad:
        if re.match(r"^\s*[A-Za-z]", lines[0]) and bad[2] == "0":
            return (
                f"begins with {shown(lines[0].strip())}: plain rows of heights are due, no headings and no "
                "columns of x, y, z; write unit and spacing in lines that begin with #"
            )
        return (
            f"holds {shown(bad[1])} in row {int(bad[2]) + 1} of its "
            f"heights, column {bad[3]}: numbers are due"
        )
    uneven = re.search(r"changed from (\d+) to (\d+) at row (\d+)", complaint)
    if uneven:
        return (
            f"has {uneven[1]} heights in its first row, {uneven[2]} in row "
            f"{uneven[3]}: all rows must have the same number"
        )
    return "holds something that is no table of heights"


def _separator(lines: list[str]) -> tuple[str | None, str]:
    """What stands between the numbers (None: blanks) and the decimal sign, from all the lines."""
    commas, semicolons, tabs, points = (any(sign in line for line in lines) for sign in ",;\t.")
    if sum(line.count(",") + line.count(";") for line in lines) > 2 * MOST_POINTS:
        raise refuse("holds far more fields than any map", "size")
    if semicolons or tabs:
        if commas and points:
            raise refuse(
                "has both commas and points in its numbers: use points alone", "decimal_comma"
            )
        if semicolons and tabs:
            raise refuse(
                "has both semicolons and tabs between its numbers: use one of them", "type"
            )
        return (";" if semicolons else "\t"), ("," if commas else ".")
    if not commas:
        return None, "."
    fields = lines[0].split()
    if not points and len(fields) > 1 and all(re.fullmatch(r"-?\d+,\d+", f) for f in fields):
        return None, ","
    if not points:
        _refuse_doubtful(lines)
    return ",", "."


def _refuse_doubtful(lines: list[str]) -> None:
    """Refuse commas that seem to be both: 0,12,0,13 are four numbers or two."""
    fields = [field.strip() for field in lines[0].split(",")]
    if len(fields) % 2 == 0 and any(re.fullmatch(r"0\d+", field) for field in fields[1::2]):
        raise refuse(
            "seems to have decimal commas and commas between its numbers: save it with decimal points, "
            "or with semicolons between the numbers",
            "decimal_comma",
        )


# --- writing -----------------------------------------------------------------------------------


def to_csv(surface: Surface) -> bytes:
    """Write heights in um, the first row at 12 o'clock, to a thousandth of a nanometre."""
    head = [
        "# height map, drawn looking at the face; + is metal standing proud",
        "# unit: um",
        f"# spacing: {surface.dx * 1e3:.12g} mm x {surface.dy * 1e3:.12g} mm",
        f"# first row: {ROWS[0]}",
    ]
    rows = [
        ",".join("" if value != value else f"{value:.6f}" for value in line)
        for line in (surface.heights[::-1] * 1e6).tolist()
    ]
    return ("\n".join([*head, *rows]) + "\n").encode()


LONGEST_HEADER = 10_000  # bytes


def is_npy(data: bytes) -> bool:
    """Whether a file begins like an NPY."""
    return data[:6] == b"\x93NUMPY"


def from_npy(data: bytes, given: Head = NOTHING) -> Surface:
    """Read an array of heights; `given` is what the study says of it.

    Raises
    ------
    SurfaceFileError
        No plain array of numbers, short data, or no spacing.

    """
    shape, fortran, dtype, begin = _header(data)
    if len(shape) != 2:
        raise refuse(
            f"is an array of {len(shape)} dimensions: a map has 2 (rows from 6 to 12 o'clock, columns)",
            "type",
        )
    if dtype.kind not in "fiu" or dtype.itemsize > 8:
        raise refuse(f"holds {shown(str(dtype))}, not plain numbers", "type")
    check_size(shape[1], shape[0])
    needed = shape[0] * shape[1] * dtype.itemsize
    if len(data) - begin != needed:
        raise refuse(
            f"has {len(data) - begin} bytes of heights where its header says {needed}", "short"
        )
    if given.spacing is None:
        raise refuse(
            'holds no spacing: write map = { file = "A.npy", spacing = "0.5 mm" } (and unit, if not metres)',
            "missing",
        )
    flat = np.frombuffer(data, dtype, shape[0] * shape[1], begin)
    with np.errstate(all="ignore"):  # of NaN that signal; what is no height is looked at below
        z = flat.reshape(shape, order="F" if fortran else "C").astype(float)
        z *= 1.0 if given.unit is None else given.unit
    return checked(z[::-1].copy() if given.first_row == ROWS[0] else z, *given.spacing)


def _header(data: bytes) -> tuple[tuple[int, ...], bool, np.dtype[np.generic], int]:
    """Shape, order, type and where the numbers begin."""
    file = io.BytesIO(data[: LONGEST_HEADER + 100])
    try:
        version = np.lib.format.read_magic(file)
        length = int.from_bytes(data[8:10] if version[0] == 1 else data[8:12], "little")
        if length > LONGEST_HEADER:
            raise ValueError("header too long")
        read = (
            np.lib.format.read_array_header_1_0
            if version[0] == 1
            else np.lib.format.read_array_header_2_0
        )
        shape, fortran, dtype = read(file)
    except Exception:
        # Whatever numpy's own reader stumbles over (there is no end to it) means the same here.
        raise refuse("is no sound NPY array", "syntax") from None
    if dtype.hasobject:
        raise refuse(
            "holds Python objects (a pickle), which are never opened: save plain numbers", "hostile"
        )
    return shape, bool(fortran), dtype, file.tell()


def to_npy(surface: Surface) -> bytes:
    """Write the heights [m], first row at 6 o'clock, NaN where there is no land."""
    store = io.BytesIO()
    np.save(store, np.ascontiguousarray(surface.heights, dtype="<f8"), allow_pickle=False)
    return store.getvalue()


ENDINGS = ("x3p", "sdf", "csv", "npy")
EVEN = 1e-6  # of a step, by which places may be off an even spacing


def read_surface(path: Path | str, given: Head = NOTHING) -> Surface:
    """Read a height map; `given` is what is known of it beside the file (CSV and NPY alone need that).

    The content decides what it is; the ending of the name only between CSV and nothing known.

    Parameters
    ----------
    path : path
        An x3p, SDF, CSV or NPY file.
    given : Head
        Unit of heights, spacing [m] and which row comes first, where the file does not say.

    Returns
    -------
    Surface
        Heights (ny, nx) [m], NaN where nothing was measured.

    Raises
    ------
    SurfaceFileError
        One line that begins with the file's name and says what is wrong.

    """
    path = Path(path)
    try:
        data = bytes_of(path)
        if is_npy(data):
            return from_npy(data, given)
        if is_x3p(data) or is_sdf(data):
            if given != NOTHING:
                raise refuse(
                    "says its own spacing, unit and first row: leave them out of the study",
                    "conflict",
                )
            return from_x3p(data) if is_x3p(data) else from_sdf(data)
        if path.suffix.lower() in (".csv", ".txt", ".asc", ".dat", ".tsv"):
            return from_csv(data, given)
        raise refuse(
            f"is none of {listed([e.upper() for e in ENDINGS])} by its content or its name", "type"
        )
    except SurfaceFileError as trouble:
        raise named(path.name, trouble) from None


def write_surface(
    path: Path | str,
    x: Array,
    y: Array,
    z: Array,
    land: Array | None = None,
    *,
    date: datetime | None = None,
) -> None:
    """Write a face by the ending of `path`: x3p, sdf (binary), csv or npy.

    `x` (nx,) and `y` (ny,) evenly spaced and growing [m], `z` (ny, nx) [m] looking at the face; cells with
    less than half `land` (ny, nx) are points not measured.  A file that is there is replaced.

    Parameters
    ----------
    path : path
        Of the new file.
    x, y, z, land : Array
        As above; all is land when None.
    date : datetime, optional
        Of the measurement, for x3p and SDF.

    Raises
    ------
    SurfaceFileError
        An ending that is not known, or places that are not even.
    CannotDoError
        It cannot be written.

    """
    path = Path(path)
    heights = np.array(z, dtype=float)
    if land is not None:
        heights[np.asarray(land) < 0.5] = np.nan
    surface = Surface(heights, _step(np.asarray(x, dtype=float)), _step(np.asarray(y, dtype=float)))
    if heights.shape != (len(y), len(x)):
        raise refuse(f"heights of {heights.shape} do not fit {len(y)} rows of {len(x)}", "type")
    ending = path.suffix.lower().removeprefix(".")
    if ending == "x3p":
        content = to_x3p(surface, date=date)
    elif ending == "sdf":
        content = to_sdf(surface, date=date)
    elif ending == "csv":
        content = to_csv(surface)
    elif ending == "npy":
        content = to_npy(surface)
    else:
        raise refuse(f"{shown(path.name)}: write a height map as {listed(ENDINGS)}", "type")
    put_beside(path, content)


def _step(places: Array) -> float:
    steps = np.diff(places)
    if places.size < 2 or not (steps > 0.0).all() or np.ptp(steps) > EVEN * steps.mean():
        raise refuse("points of a height map must be evenly spaced and growing", "type")
    return float((places[-1] - places[0]) / (places.size - 1))
