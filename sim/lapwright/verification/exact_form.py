"""Surfaces whose flatness is known, a real surface plate, and observed order from three grids.

Surfaces whose minimum zone and least-squares flatness are known.

A real surface plate: 126 stations of a 48 x 72 in plate, measured by autocollimator along eight lines.

Source: J. C. Moody, 'How to calibrate surface plates in the plant', The Tool Engineer, October 1955, with
its misprints corrected by B. Allen (2019); reduced independently from the printed readings.

Observed order and error bands from three grids.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from math import log

import numpy as np
from numpy.typing import NDArray

from lapwright.units import INCH, MICROINCH

Array = NDArray[np.float64]


@dataclass(frozen=True)
class KnownFace:
    """Heights `z` at points `x`, `y` (n,), the width of the `zone` and, where known, of `least_squares`."""

    name: str
    source: str
    x: Array
    y: Array
    z: Array
    zone: float
    least_squares: float | None = None


def _square(n: int = 21) -> tuple[Array, Array]:
    side = np.linspace(-1.0, 1.0, n)
    x, y = np.meshgrid(side, side)
    return x.ravel(), y.ravel()


def _nine(rows: list[list[float]]) -> tuple[Array, Array, Array]:
    x, y = np.meshgrid([0.0, 1.0, 2.0], [0.0, 1.0, 2.0])
    return x.ravel(), y.ravel(), np.asarray(rows, dtype=float).ravel()


def _known() -> tuple[KnownFace, ...]:
    x, y = _square()
    derived = "derived (Chebyshev; symmetry)"
    book = "metrology textbooks, from memory"
    return (
        KnownFace("x^3 on a square", derived, x, y, x**3, 0.5, 0.684),
        KnownFace("xy on a square", derived, x, y, x * y, 2.0),
        KnownFace("x^2 + y^2 on a square", derived, x, y, x**2 + y**2, 2.0),
        KnownFace(
            "nine points, first",
            book,
            *_nine([[0, 4, 6], [-5, 20, -9], [-10, -3, 8]]),
            27.0,
            32.3333,
        ),
        KnownFace(
            "nine points, second",
            book,
            *_nine([[0, 15, 7], [-12, 20, 4], [5, -10, 2]]),
            25.0,
            28.6667,
        ),
    )


KNOWN_FACES = _known()

SOURCE = "J. C. Moody 1955, misprints corrected by B. Allen 2019"
RANGE = 178.411 * MICROINCH  # highest over lowest station as levelled there
MINIMUM_ZONE = 163.6731 * MICROINCH
LEAST_SQUARES = 175.3715 * MICROINCH  # peak to valley about the least-squares plane


@lru_cache(maxsize=1)
def stations() -> tuple[Array, Array, Array]:
    """x, y and height (126,) of each station [m]."""
    text = (
        files("lapwright.verification")
        .joinpath("data", "surface_plate_1955.csv")
        .read_text("utf-8")
    )
    rows = [line for line in text.splitlines() if line and not line.startswith("#")][1:]
    table = np.array([[float(field) for field in row.split(",")] for row in rows])
    x, y, z = table[:, 0] * INCH, table[:, 1] * INCH, table[:, 2] * MICROINCH
    for values in (x, y, z):
        values.setflags(write=False)
    return x, y, z


@dataclass(frozen=True)
class Convergence:
    """Observed `order`, value at zero spacing, and the grid convergence index of both pairs (a share)."""

    order: float
    limit: float
    fine_index: float
    coarse_index: float


def grid_convergence(
    fine: float, medium: float, coarse: float, ratio: float = 2.0, safety: float = 1.25
) -> Convergence:
    """Richardson's order and Roache's index from three spacings, each `ratio` times the last.

    NASA/NPARC Alliance, Examining Spatial (Grid) Convergence, tutorial (published): 0.97050, 0.96854,
    0.96178 at ratio 2 give 1.786170, 0.103083 % and 0.356249 %.

    Raises
    ------
    ValueError
        When the three values do not converge monotonically.

    """
    step, last = medium - fine, coarse - medium
    if not step * last > 0.0:
        raise ValueError(
            f"{coarse}, {medium}, {fine} do not converge monotonically: no order can be observed"
        )
    order = log(last / step) / log(ratio)
    gain = ratio**order - 1.0
    return Convergence(
        order,
        fine - step / gain,
        safety * abs(step / fine) / gain,
        safety * abs(last / medium) / gain,
    )
