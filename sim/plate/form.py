"""What a person says a face is like before it is lapped: sizes of dome, twist and so on, which add."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from sim.plate.grid import Grid
from sim.plate.outline import Outline

__all__ = ["Ripple", "StartForm"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ripple:
    """Waviness of `height` [m] from valley to peak.

    `wavelength` [m] (None: an eighth of the smaller dimension) across `angle` [rad].  Without an angle the
    ripple is a blend of eight waves of that length in seeded directions and phases, scaled to `height`.
    """

    height: float
    wavelength: float | None = None
    angle: float | None = None
    seed: int | None = None

    def heights(self, x: Array, y: Array, smaller: float) -> Array:
        """Heights about zero at points (ny, nx) [m]."""
        number = 2.0 * pi / (self.wavelength or smaller / 8.0)
        rng = np.random.default_rng(self.seed or 0)
        if self.angle is not None:
            phase = rng.uniform(0.0, 2.0 * pi) if self.seed is not None else 0.0
            along = x * cos(self.angle) + y * sin(self.angle)
            wave: Array = 0.5 * self.height * np.sin(number * along + phase)
            return wave
        directions, phases = rng.uniform(0.0, pi, 8), rng.uniform(0.0, 2.0 * pi, 8)
        blend = np.zeros(np.shape(x))
        for direction, phase in zip(directions, phases, strict=True):
            blend += np.sin(number * (x * cos(direction) + y * sin(direction)) + phase)
        blend -= 0.5 * (blend.max() + blend.min())
        top = np.abs(blend).max()
        return blend * (0.5 * self.height / top) if top > 0.0 else blend


@dataclass(frozen=True)
class StartForm:
    """Form errors [m], with the signs and sizes of the measures of the same names (see `measure`)."""

    sphere: float = 0.0
    saddle: float = 0.0
    twist: float = 0.0
    bow: float = 0.0
    crown: float = 0.0
    wind: float = 0.0
    ripple: Ripple | None = None

    def heights(self, grid: Grid, outline: Outline) -> Array:
        """The face's map, (ny, nx) [m], looking at it."""
        x, y = grid.mesh()
        r2 = outline.radius**2
        z = -self.sphere * (x * x + y * y) / r2
        z += self.saddle * (x * x - y * y) / (2.0 * r2)
        z += self.twist * (2.0 * x * y) / (2.0 * r2)
        width, height = outline.size
        along, across = (x, y) if width >= height else (y, x)
        length, breadth = max(width, height), min(width, height)
        z -= self.bow * 4.0 * along**2 / length**2
        z -= self.crown * 4.0 * across**2 / breadth**2
        z += self.wind * 2.0 * x * y / (length * breadth)
        if self.ripple is not None:
            z += self.ripple.heights(x, y, outline.smaller)
        return z
