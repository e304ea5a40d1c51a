"""What kernels are given from outside: faces and poses of one type each, and scratch that a thread keeps.

numba compiles a kernel anew for every type it meets, and to it an array that may be written to is of another
type than one that may not, and one with gaps of another than one without.  So what a kernel reads comes
through `read_only`, and it compiles once.
"""

from __future__ import annotations

import threading
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from lapwright.kernels.lay import Face, Rowset, make_rowset
from lapwright.kernels.settle import WORK

__all__ = ["face_of", "read_only", "scratch"]

Array = NDArray[np.float64]
Values = TypeVar("Values", bound=np.generic)


def read_only(values: NDArray[Values]) -> NDArray[Values]:
    """The same values without gaps, not to be written to."""
    flags = values.flags
    if flags.c_contiguous and not flags.writeable:
        return values
    view = np.ascontiguousarray(values).view()
    view.flags.writeable = False
    return view


def face_of(face: Face) -> Face:
    """The same face with all its maps read-only."""
    parts: list[Any] = [read_only(v) if isinstance(v, np.ndarray) else float(v) for v in face]
    return Face(*parts)


class _Kept(threading.local):
    """Scratch of one thread: new memory for every call costs up to a tenth of the work."""

    rows: Rowset | None = None


_kept = _Kept()


def scratch(bottom: Face, top: Face) -> tuple[Rowset, Array]:
    """Rows for any pose of these faces, and sums for it; of use until the next call in this thread."""
    lines = max(bottom.z.shape[0], top.z.shape[0])
    width = max(bottom.z.shape[1], top.z.shape[1])
    points = max(bottom.z.size, top.z.size)
    rows = _kept.rows
    if rows is None or rows.first.size < lines or rows.cell.size < width or rows.gap.size < points:
        rows = _kept.rows = make_rowset(lines, width, points)
    return rows, np.zeros(WORK)
