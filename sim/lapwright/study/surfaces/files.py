"""Height maps by the file's name: read whatever is known, write what the ending says."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import SurfaceFileError
from lapwright.study.faults import listed, shown
from lapwright.study.safefile import put_in_place
from lapwright.study.surfaces.csv import NOTHING, Head, from_csv, to_csv
from lapwright.study.surfaces.npy import from_npy, is_npy, to_npy
from lapwright.study.surfaces.sdf import from_sdf, is_sdf, to_sdf
from lapwright.study.surfaces.surface import Surface, bytes_of, named, refuse
from lapwright.study.surfaces.x3p import from_x3p, is_x3p, to_x3p

__all__ = ["ENDINGS", "read_surface", "write_surface"]

Array = NDArray[np.float64]

ENDINGS = ("x3p", "sdf", "csv", "npy")
EVEN = 1e-6  # of a step, by which places may be off an even spacing


def read_surface(path: Path | str, given: Head = NOTHING) -> Surface:
    """Read a height map; `given` is what is known of it beside the file (CSV and NPY alone need that).

    The content decides what it is; the ending of the name only between CSV and nothing known.

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
                    "says its own spacing, unit and first row: leave them out of the study", "conflict"
                )
            return from_x3p(data) if is_x3p(data) else from_sdf(data)
        if path.suffix.lower() in (".csv", ".txt", ".asc", ".dat", ".tsv"):
            return from_csv(data, given)
        raise refuse(f"is none of {listed([e.upper() for e in ENDINGS])} by its content or its name", "type")
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
