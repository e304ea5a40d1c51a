"""Surfaces whose minimum zone and least-squares flatness are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["KNOWN_FACES", "KnownFace"]

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
        KnownFace("nine points, first", book, *_nine([[0, 4, 6], [-5, 20, -9], [-10, -3, 8]]), 27.0, 32.3333),
        KnownFace(
            "nine points, second", book, *_nine([[0, 15, 7], [-12, 20, 4], [5, -10, 2]]), 25.0, 28.6667
        ),
    )


KNOWN_FACES = _known()
