"""NPY: one array of heights, rows from 6 o'clock up as everywhere in this program; spacing from the study.

Heights are in metres unless the study gives their unit.  Arrays of objects (pickles) are never opened.
"""

from __future__ import annotations

import io

import numpy as np

from lapwright.study.faults import shown
from lapwright.study.surfaces.csv import NOTHING, ROWS, Head
from lapwright.study.surfaces.surface import Surface, check_size, checked, refuse

__all__ = ["from_npy", "is_npy", "to_npy"]

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
        raise refuse(f"has {len(data) - begin} bytes of heights where its header says {needed}", "short")
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
        read = np.lib.format.read_array_header_1_0 if version[0] == 1 else np.lib.format.read_array_header_2_0
        shape, fortran, dtype = read(file)
    except Exception:
        # Whatever numpy's own reader stumbles over (there is no end to it) means the same here.
        raise refuse("is no sound NPY array", "syntax") from None
    if dtype.hasobject:
        raise refuse("holds Python objects (a pickle), which are never opened: save plain numbers", "hostile")
    return shape, bool(fortran), dtype, file.tell()


def to_npy(surface: Surface) -> bytes:
    """Write the heights [m], first row at 6 o'clock, NaN where there is no land."""
    store = io.BytesIO()
    np.save(store, np.ascontiguousarray(surface.heights, dtype="<f8"), allow_pickle=False)
    return store.getvalue()
