"""A measured face: heights on cells of its own, read between them and over other cells."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.plate.grid import Grid
from lapwright.plate.resample import Shares, cubic, curve_means, resampled

__all__ = ["Measured"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measured:
    """Heights (ny, nx) [m] on `grid`, looking at the face, with no gaps: they have been filled already.

    Two are the same when their grids and heights are, bit for bit.
    """

    grid: Grid
    heights: Array = field(compare=False, repr=False)
    digest: str = field(default="", repr=False)

    def __post_init__(self) -> None:
        heights = np.array(self.heights, dtype=float)
        if heights.shape != self.grid.shape or not np.isfinite(heights).all():
            raise ValueError("a measured face needs a finite height for each of its cells")
        heights.setflags(write=False)
        object.__setattr__(self, "heights", heights)
        object.__setattr__(self, "digest", hashlib.sha256(heights.tobytes()).hexdigest())

    def over(self, grid: Grid) -> Array:
        """Heights (ny, nx) [m] on other cells: means over coarser ones, a smooth curve to finer ones."""
        if grid == self.grid:
            return self.heights.copy()
        own = self.grid
        rows, columns = self._shares(own.ny, grid.y, grid.cell), self._shares(own.nx, grid.x, grid.cell)
        return resampled(self.heights, rows, columns)

    def _shares(self, count: int, places: Array, width: float) -> Shares:
        cell = self.grid.cell
        start = -0.5 * (count - 1) * cell
        # A place beyond the map takes the height at its edge.
        reach = 0.5 * count * cell
        if width > cell * (1.0 + 1e-9):
            within = max(reach - 0.5 * width, 0.0)
            shares = curve_means(start, cell, count, np.clip(places, -within, within), width)
            return Shares(shares.first, shares.share / shares.share.sum(axis=1, keepdims=True))
        return cubic(start, cell, count, np.clip(places, -reach, reach))

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at points [m], same shape as `x`: the smooth curve through the cells' heights."""
        px, py = np.ravel(np.asarray(x, dtype=float)), np.ravel(np.asarray(y, dtype=float))
        across, up = self._shares(self.grid.nx, px, 0.0), self._shares(self.grid.ny, py, 0.0)
        out = np.zeros(px.shape)
        flat = self._flat
        for j in range(4):
            row = (up.first + j) * self.grid.nx + across.first
            line = sum(across.share[:, i] * flat[row + i] for i in range(4))
            out += up.share[:, j] * line
        return out.reshape(np.shape(x))

    @cached_property
    def _flat(self) -> Array:
        return self.heights.ravel()
