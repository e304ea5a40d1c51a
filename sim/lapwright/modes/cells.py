"""Cells over a grooved face: too broken up for Gauss points."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.overhang import land_outline
from lapwright.plate.form import StartForm
from lapwright.plate.grid import Grid
from lapwright.plate.grooves import land_fraction
from lapwright.plate.outline import Rectangle
from lapwright.plate.plate import Plate

__all__ = ["GROOVED_POINTS", "LAND_POINTS", "Cells", "between", "cells_of", "open_land"]

Array = NDArray[np.float64]

GROOVED_POINTS = 12_000  # on a face, when it or the one that it meets is grooved
WITHIN = 5  # parts of a cell a side, by which the middle of its land is told
LAND_POINTS = 40_000  # over which the shapes of a grooved face are made orthonormal


@dataclass(frozen=True)
class Cells:
    """Cells of a grid over one face (n,): places, distance from its edge [m], area between grooves [m2]."""

    x: Array
    y: Array
    side: float
    edge: Array
    area: Array

    @property
    def land(self) -> Array:
        """Area of land in each [m2]."""
        inside: Array = np.clip(0.5 - self.edge / self.side, 0.0, 1.0) * self.area
        return inside


def cells_of(plate: Plate, points: int = GROOVED_POINTS) -> Cells:
    """About `points` cells inside the outline; the same for all plates of a face."""
    return _cells(replace(plate, name="", form=StartForm(), note=""), points)


@lru_cache(maxsize=16)
def _cells(plate: Plate, points: int) -> Cells:
    outline = land_outline(plate)
    width, height = plate.outline.size
    grid = Grid.over(width, height, max(2, round(max(width, height) / sqrt(outline.area / points))))
    x, y = grid.mesh()
    area = np.full(x.shape, grid.cell**2)
    if plate.grooves is not None:
        share, x, y = _middles(plate, grid)
        area = area * share
    edge = outline.signed_distance(x, y)
    near = (edge < 0.5 * grid.cell) & (area > 0.0)
    return Cells(x[near], y[near], grid.cell, edge[near], area[near])


@lru_cache(maxsize=16)
def _middles(plate: Plate, grid: Grid) -> tuple[Array, Array, Array]:
    """Share of each cell that is not groove, and the middle of that part of it [m], all (ny, nx)."""
    fine = Grid(WITHIN * grid.nx, WITHIN * grid.ny, grid.cell / WITHIN)
    share = open_land(plate, fine)
    x, y = fine.mesh()
    parts = (share, share * x, share * y)
    whole, mx, my = (p.reshape(grid.ny, WITHIN, grid.nx, WITHIN).mean(axis=(1, 3)) for p in parts)
    least = np.maximum(whole, 1e-12)
    return whole, mx / least, my / least


@lru_cache(maxsize=16)
def open_land(plate: Plate, grid: Grid) -> Array:
    """Share of each cell that is not groove, whatever the outline (ny, nx)."""
    assert plate.grooves is not None
    beyond = Rectangle(4.0 * grid.nx * grid.cell, 4.0 * grid.ny * grid.cell)
    return land_fraction(grid, beyond, replace(plate.grooves, rim=0.0))


def between(values: Array, grid: Grid, x: Array, y: Array) -> Array:
    """Values of a map at points, linear between cells, the outermost carried on."""
    fx = np.clip(x / grid.cell + 0.5 * (grid.nx - 1), 0.0, grid.nx - 1.000001)
    fy = np.clip(y / grid.cell + 0.5 * (grid.ny - 1), 0.0, grid.ny - 1.000001)
    i, j = fx.astype(np.intp), fy.astype(np.intp)
    s, t = fx - i, fy - j
    flat = values.ravel()
    at = j * grid.nx + i
    low = (1.0 - s) * flat[at] + s * flat[at + 1]
    high = (1.0 - s) * flat[at + grid.nx] + s * flat[at + grid.nx + 1]
    result: Array = (1.0 - t) * low + t * high
    return result
