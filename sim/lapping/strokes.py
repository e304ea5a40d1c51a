"""The curves along which the top is moved (stub of the contract; see DEVELOPERS.md)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Curve(Protocol):
    """A stroke's path; `phi` [rad] is the phase counted on over strokes, 2 pi a stroke."""

    def position(self, phi: Array) -> Array:
        """Place along the curve, shape phi.shape + (2,) [m]."""

    def velocity(self, phi: Array) -> Array:
        """d position / d phi, shape phi.shape + (2,) [m/rad]."""


@dataclass(frozen=True)
class Still:
    """No travel at all."""

    def position(self, phi: Array) -> Array:
        """Zeros."""
        return np.zeros((*np.shape(phi), 2))

    def velocity(self, phi: Array) -> Array:
        """Zeros."""
        return np.zeros((*np.shape(phi), 2))
