"""A plate as it lies on the bench: face up below, or turned over on top.

This is the one place of the whole program where the mirror is made.  The top is turned over like a page
of a book: 12 o'clock stays at 12, and a point (u, v) of its face comes to lie at (-u, v) from its centre.
Quarter turns of the top are made here as well, by turning the array, so that a top indexed by 90 degrees
needs no interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sim.kernels.wear import PAD, Face
from sim.plate.plate import Plate

__all__ = ["Laid"]

Array = NDArray[np.float64]


def _quarters(seen: Array, quarter: int) -> Array:
    """Turn a map (row 0 lowest) anticlockwise by `quarter` quarter turns."""
    return np.rot90(seen, -quarter)  # rot90 counts as if row 0 were the highest


@dataclass(frozen=True)
class Laid:
    """`plate` lying on the bench: `over` when it is turned over (the top), `quarter` turns anticlockwise."""

    plate: Plate
    over: bool
    quarter: int = 0

    def lay(self, seen: Array) -> Array:
        """From looking at the face to how it lies, seen from above the bench; any map (ny, nx)."""
        turned = seen[:, ::-1] if self.over else seen
        return np.ascontiguousarray(_quarters(turned, self.quarter))

    def lift(self, laid: Array) -> Array:
        """From how it lies back to looking at the face."""
        turned = _quarters(laid, -self.quarter)
        return np.ascontiguousarray(turned[:, ::-1] if self.over else turned)

    def face(self, heights: Array) -> Face:
        """Make ready for the kernels; `heights` (ny, nx) [m] as looking at the face."""
        z = self.lay(heights)
        quadratic = self._fit @ z[self._has_land]
        rest = np.zeros(self._cover.shape)
        inner = rest[PAD:-PAD, PAD:-PAD]
        inner[self._has_land] = z[self._has_land] - quadratic @ self._basis
        flat = rest.reshape(-1)
        flat[self._bare] = (flat[self._neighbours] * self._neighbour_weight).sum(axis=1)
        return Face(
            z,
            self.land,
            self._span,
            rest,
            self._cover,
            self._whole,
            quadratic,
            self.plate.grid.cell,
            self.plate.outline.radius,
        )

    @cached_property
    def land(self) -> Array:
        """Land fraction as it lies (ny, nx)."""
        return self.lay(self.plate.land)

    @cached_property
    def _has_land(self) -> NDArray[np.bool_]:
        return self.land > 0.0

    @cached_property
    def _span(self) -> NDArray[np.int64]:
        any_land = self._has_land.any(axis=1)
        first = np.where(any_land, self._has_land.argmax(axis=1), 0)
        last = np.where(any_land, self.land.shape[1] - self._has_land[:, ::-1].argmax(axis=1), 0)
        return np.stack([first, last], axis=1).astype(np.int64)

    @cached_property
    def _cover(self) -> Array:
        return np.pad(self.land, PAD)

    @cached_property
    def _whole(self) -> NDArray[np.bool_]:
        full = self._cover == 1.0
        whole: NDArray[np.bool_] = np.zeros_like(full)
        whole[:-1, :-1] = full[:-1, :-1] & full[:-1, 1:] & full[1:, :-1] & full[1:, 1:]
        return whole

    @cached_property
    def _basis(self) -> Array:
        """1, x, y, x^2, xy, y^2 at the cells with land, (6, n)."""
        ny, nx = self.land.shape
        cell = self.plate.grid.cell
        y, x = np.nonzero(self._has_land)
        x = (x - 0.5 * (nx - 1)) * cell
        y = (y - 0.5 * (ny - 1)) * cell
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])

    @cached_property
    def _fit(self) -> Array:
        """Least squares weighted by land: coefficients = _fit @ heights, (6, n)."""
        scale = self.plate.outline.radius ** -np.array([0.0, 1.0, 1.0, 2.0, 2.0, 2.0])
        basis = self._basis * scale[:, None]
        weighted = basis * self.land[self._has_land]
        fit: Array = scale[:, None] * np.linalg.solve(weighted @ basis.T, weighted)
        return fit

    @cached_property
    def _beside(self) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Bare cells beside land, their eight neighbours and the weight of each (flat, padded)."""
        width = self._cover.shape[1]
        cover = self._cover.reshape(-1)
        steps = np.array([dy * width + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dx or dy])
        inside = np.zeros(self._cover.shape, dtype=bool)
        inside[1:-1, 1:-1] = self._cover[1:-1, 1:-1] == 0.0
        bare = np.nonzero(inside.reshape(-1))[0]
        neighbours = bare[:, None] + steps
        weight = cover[neighbours]
        near = weight.sum(axis=1) > 0.0
        weight = weight[near]
        return bare[near], neighbours[near], weight / weight.sum(axis=1, keepdims=True)

    @property
    def _bare(self) -> NDArray[np.int64]:
        return self._beside[0]

    @property
    def _neighbours(self) -> NDArray[np.int64]:
        return self._beside[1]

    @property
    def _neighbour_weight(self) -> Array:
        return self._beside[2]
