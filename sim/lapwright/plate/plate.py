"""A plate (or a part): its outline, metal, grooves and starting form, and the map of its face."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, StudyError
from lapwright.plate.form import StartForm
from lapwright.plate.grid import Grid
from lapwright.plate.grooves import Edges, Grooves, land_edges, land_fraction
from lapwright.plate.material import MATERIALS, Material
from lapwright.plate.outline import Outline
from lapwright.said import Frozen, Said, made
from lapwright.study.table import choice, whole
from lapwright.study.units import LENGTH, MASS, quantity
from lapwright.units import GRAVITY

__all__ = ["Plate"]

Array = NDArray[np.float64]

FLAT = StartForm()


def _material(value: Any) -> Material:
    """A metal by its name."""
    return MATERIALS[choice(tuple(MATERIALS), "a material known here")(value)]


@dataclass(frozen=True)
class Plate(Frozen):
    """A body with a working face.

    `thickness` [m] and `mass` [kg]: the mass follows from outline, thickness and density (grooves, which are
    shallow, not taken off) unless it is given; at least one of the two must be.
    `cells` across the larger side.  A study names its plates.

    Raises
    ------
    StudyError
        Neither thickness nor mass is given.

    """

    outline: Outline
    thickness: Said[float | None] = Said(quantity(LENGTH, above="0 mm", most="1 m"), default=None)
    material: Said[Material] = Said(_material, "grey iron")
    mass: Said[float | None] = Said(quantity(MASS, above="0 kg", most="5000 kg"), default=None)
    grooves: Said[Grooves | None] = Said(made(Grooves), default=None)
    form: Said[StartForm] = Said(made(StartForm), default=FLAT)
    cells: Said[int] = Said(whole(16, 1024, "a number of cells"), "128", 128)
    note: str = ""
    name: str = ""

    def __post_init__(self) -> None:
        if self.thickness is None and self.mass is None:
            need = 'is missing: write thickness = "30 mm", or mass = "4.4 kg"'
            raise StudyError([Fault("Plate.thickness", need, "missing")])

    @cached_property
    def grid(self) -> Grid:
        """The cells of the face."""
        return Grid.over(*self.outline.size, self.cells)

    @cached_property
    def land(self) -> Array:
        """Share of each cell that is land, (ny, nx), read-only."""
        return self.land_inside(0.0)

    @cached_property
    def edges(self) -> Edges:
        """How the edges of the land lie within each cell, read-only."""
        edges = land_edges(self.grid, self.outline, self.grooves, self.land)
        for part in edges:
            part.setflags(write=False)
        return edges

    def land_inside(self, margin: float) -> Array:
        """Share of each cell that is land at least `margin` [m] inside the edge of the land, (ny, nx).

        Parameters
        ----------
        margin : float
            Width that is left out [m].

        Returns
        -------
        array
            (ny, nx), 0 to 1, read-only.

        """
        land = land_fraction(self.grid, self.outline, self.grooves, margin)
        land.setflags(write=False)
        return land

    @cached_property
    def land_area(self) -> float:
        """Area of the land [m2]."""
        return float(self.land.sum()) * self.grid.cell**2

    @property
    def total_mass(self) -> float:
        """Mass [kg], given or worked out."""
        if self.mass is not None:
            return self.mass
        return self.outline.area * (self.thickness or 0.0) * self.material.density

    @property
    def weight(self) -> float:
        """Weight [N]."""
        return self.total_mass * GRAVITY

    def heights(self) -> Array:
        """The starting map, (ny, nx) [m], looking at the face; 0 where there is no land.

        Returns
        -------
        array
            (ny, nx) [m].

        """
        return np.where(self.land > 0.0, self.form.heights(self.grid, self.outline), 0.0)
