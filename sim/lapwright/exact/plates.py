"""Two and three plates lapped until they mate: what a cycle of passes does to their forms.

Sphere and saddle mate when they are opposite (a dome needs a dish), twist when it is the same on both, each
seen looking at its own face.  With equal kappa both faces lose the same, so a pass keeps the half
difference of spheres and the half sum of twists (the moment law apart).  Derived, and confirmed
independently; in words J. Whitworth, Plane Metallic Surfaces, 1840 (published).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["CYCLE", "cycle", "mate_opposite", "mate_same", "spectral_radius", "sphere_eigenvalues"]

Array = NDArray[np.float64]
CYCLE = ((0, 1), (1, 2), (2, 0))


def mate_opposite(first: int, second: int, plates: int = 3) -> Array:
    """One pass that leaves first = -second and keeps their difference; (plates, plates)."""
    m = np.eye(plates)
    m[first, [first, second]] = 0.5, -0.5
    m[second, [first, second]] = -0.5, 0.5
    return m


def mate_same(first: int, second: int, plates: int = 3) -> Array:
    """One pass that leaves first = second and keeps their sum; (plates, plates)."""
    m = np.eye(plates)
    m[first, [first, second]] = 0.5, 0.5
    m[second, [first, second]] = 0.5, 0.5
    return m


def cycle(passes: Sequence[Array]) -> Array:
    """The map of passes done one after another, the first first."""
    out = np.eye(passes[0].shape[0])
    for one in passes:
        out = one @ out
    return out


def spectral_radius(m: Array) -> float:
    """Largest size of an eigenvalue."""
    return float(np.abs(np.linalg.eigvals(m)).max())


def sphere_eigenvalues() -> tuple[complex, complex, complex]:
    """Of the sphere part of AB, BC, CA: 0 and (5 +- i sqrt 7)/16, of size 2^(-3/2).  Derived."""
    return 0.0, complex(5.0, 7.0**0.5) / 16.0, complex(5.0, -(7.0**0.5)) / 16.0
