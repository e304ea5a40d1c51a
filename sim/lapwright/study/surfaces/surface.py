"""A height map as it came from a file, and what no honest file holds."""

from __future__ import annotations

import stat
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import SurfaceFileError
from lapwright.study.faults import one_line, shown

__all__ = ["LARGEST_FILE", "MOST_POINTS", "Surface", "bytes_of", "check_size", "checked", "named", "refuse"]

Array = NDArray[np.float64]

MOST_POINTS = 5_000_000  # 2200 x 2200: 40 MB of heights
LARGEST_FILE = 48_000_000  # bytes
FEWEST = 4  # points along a side
FEWEST_MEASURED = 9  # six fix a quadratic
CLOSEST, FARTHEST = 1e-9, 1.0  # m, from point to point


@dataclass(frozen=True, eq=False)
class Surface:
    """Heights (ny, nx) [m], NaN where nothing was measured, looking at the face.

    Row 0 is the lowest y (6 o'clock), column 0 the lowest x (9 o'clock); `dx`, `dy` [m] from point to point.
    """

    heights: Array
    dx: float
    dy: float

    @property
    def size(self) -> tuple[float, float]:
        """What the points stand for, each its own dx by dy: along x, along y [m]."""
        ny, nx = self.heights.shape
        return nx * self.dx, ny * self.dy


def refuse(message: str, code: str = "surface_file") -> SurfaceFileError:
    """Make the one line for a file that cannot be taken."""
    return SurfaceFileError(one_line(message), code=code)


def bytes_of(path: Path) -> bytes:
    """Read a whole file.

    Raises
    ------
    SurfaceFileError
        When it is missing, no plain file, unreadable or larger than any map that is read.

    """
    try:
        info = path.stat()
        if not stat.S_ISREG(info.st_mode):
            raise refuse("is a folder or a device, not a file with a height map", "file")
        if info.st_size > LARGEST_FILE:
            raise refuse(
                f"is {info.st_size / 1e6:.0f} MB large, and {LARGEST_FILE / 1e6:.0f} MB is the most: "
                "thin the map out before it is saved",
                "size",
            )
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise refuse("is not there: look at the name, which goes from the study's folder", "file") from None
    except PermissionError:
        raise refuse("may not be read by you: ask for the right to read it", "file") from None
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) and trouble.strerror else "no such name"
        raise refuse(f"cannot be read: {reason}", "file") from None
    if not data:
        raise refuse("is empty", "file")
    return data


def check_size(nx: int, ny: int) -> None:
    """Refuse numbers of points that no map has, before anything is made of that size.

    Raises
    ------
    SurfaceFileError
        Too few along a side, or too many in all.

    """
    if not (nx >= FEWEST and ny >= FEWEST):
        raise refuse(f"has {nx} x {ny} points: a map has at least {FEWEST} along each side", "size")
    if nx * ny > MOST_POINTS:
        raise refuse(
            f"has {nx} x {ny} points, and {MOST_POINTS} in all is the most: thin the map out", "size"
        )


def checked(heights: Array, dx: float, dy: float) -> Surface:
    """Make a surface of heights [m] and spacing [m] once they are fit for it.

    Raises
    ------
    SurfaceFileError
        A spacing that cannot be, an infinite height, or hardly a point measured.

    """
    for name, spacing in (("along x (9 to 3)", dx), ("along y (6 to 12)", dy)):
        # Written so that NaN fails.
        if not CLOSEST <= spacing <= FARTHEST:
            raise refuse(
                f"says that its points lie {spacing:.6g} m apart {name}: between 1 nm and 1 m is possible",
                "range",
            )
    check_size(heights.shape[1], heights.shape[0])
    if np.isinf(heights).any():
        raise refuse("has an infinite height: points not measured are NaN, BAD or empty", "range")
    if np.count_nonzero(np.isfinite(heights)) < FEWEST_MEASURED:
        raise refuse(f"holds fewer than {FEWEST_MEASURED} measured points", "missing")
    return Surface(heights, dx, dy)


def named(name: str, trouble: SurfaceFileError) -> SurfaceFileError:
    """The same trouble, beginning with the file's name."""
    return SurfaceFileError(f"{shown(name)} {trouble.message}", key=trouble.key, code=trouble.code)
