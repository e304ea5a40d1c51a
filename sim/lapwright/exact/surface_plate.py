"""A real surface plate: 126 stations of a 48 x 72 in plate, measured by autocollimator along eight lines.

Source: J. C. Moody, 'How to calibrate surface plates in the plant', The Tool Engineer, October 1955, with
its misprints corrected by B. Allen (2019); reduced independently from the printed readings.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from lapwright.units import INCH, MICROINCH

__all__ = ["LEAST_SQUARES", "MINIMUM_ZONE", "RANGE", "SOURCE", "stations"]

Array = NDArray[np.float64]

SOURCE = "J. C. Moody 1955, misprints corrected by B. Allen 2019"
RANGE = 178.411 * MICROINCH  # highest over lowest station as levelled there
MINIMUM_ZONE = 163.6731 * MICROINCH
LEAST_SQUARES = 175.3715 * MICROINCH  # peak to valley about the least-squares plane


@lru_cache(maxsize=1)
def stations() -> tuple[Array, Array, Array]:
    """x, y and height (126,) of each station [m]."""
    text = files("lapwright.exact").joinpath("data", "surface_plate_1955.csv").read_text("utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")][1:]
    table = np.array([[float(field) for field in row.split(",")] for row in rows])
    x, y, z = table[:, 0] * INCH, table[:, 1] * INCH, table[:, 2] * MICROINCH
    for values in (x, y, z):
        values.setflags(write=False)
    return x, y, z
