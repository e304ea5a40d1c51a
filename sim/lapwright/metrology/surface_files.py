"""Height maps by the file's name: read whatever is known, write what the ending says.

NPY: one array of heights, rows from 6 o'clock up as everywhere in this program; spacing from the study.

Heights are in metres unless the study gives their unit.  Arrays of objects (pickles) are never opened.
"""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import SurfaceFileError
from lapwright.files import put_in_place
from lapwright.metrology.csv import NOTHING, ROWS, Head, from_csv, to_csv
from lapwright.metrology.sdf import from_sdf, is_sdf, to_sdf
from lapwright.metrology.surface import Surface, bytes_of, check_size, checked, named, refuse
from lapwright.metrology.x3p import from_x3p, is_x3p, to_x3p
from lapwright.specification.said import listed, shown

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


Array = NDArray[np.float64]

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
    put_in_place(path, content)


def _step(places: Array) -> float:
    steps = np.diff(places)
    if places.size < 2 or not (steps > 0.0).all() or np.ptp(steps) > EVEN * steps.mean():
        raise refuse("points of a height map must be evenly spaced and growing", "type")
    return float((places[-1] - places[0]) / (places.size - 1))
