"""The square cells on which a face is mapped."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

__all__ = ["Grid"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """`nx` by `ny` square cells of side `cell` [m], centred on the origin: its own mirror image."""

    nx: int
    ny: int
    cell: float

    @classmethod
    def over(cls, width: float, height: float, cells: int) -> Grid:
        """`cells` across the larger of `width` (along x) and `height` (along y) [m]."""
        cell = max(width, height) / cells
        # A hair less than a whole number of cells must not cost an empty row.
        return cls(ceil(width / cell - 1e-9), ceil(height / cell - 1e-9), cell)

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx), the shape of every map."""
        return self.ny, self.nx

    @property
    def x(self) -> Array:
        """Cell centres along x, (nx,) [m], symmetric about 0."""
        x: Array = (np.arange(self.nx, dtype=float) - 0.5 * (self.nx - 1)) * self.cell
        return x

    @property
    def y(self) -> Array:
        """Cell centres along y, (ny,) [m], symmetric about 0; row 0 is the lowest."""
        y: Array = (np.arange(self.ny, dtype=float) - 0.5 * (self.ny - 1)) * self.cell
        return y

    def mesh(self) -> tuple[Array, Array]:
        """X and Y of all cell centres, each (ny, nx) [m]."""
        x, y = np.meshgrid(self.x, self.y)
        return x, y
