"""What is to be reached, and how far many shops at once are from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.book.shop import DEGREE, Layout
from lapwright.modes.basis import PLANES, basis_of, form_names
from lapwright.plate.grid import Grid
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.outline import Outline
from lapwright.plate.plate import Plate

__all__ = ["Effort", "Goal", "flatness", "goal_of"]

Array = NDArray[np.float64]

ACROSS = 20  # points across the larger side, by which flatness is told
TILTS = np.linspace(-1.0, 1.0, 5)
LEVELS = 4  # times that the tilts about the best so far are halved
USUAL = 0.3e-6  # [m] flatness, where a study has no goal


@dataclass(frozen=True)
class Effort:
    """What handling costs in seconds of work: a swap, a reading, a wash between grits, a metre of metal."""

    swap: float = 120.0
    reading: float = 300.0
    wash: float = 900.0
    metal: float = 60.0 / 1e-6


@dataclass(frozen=True)
class Goal:
    """Forms by name, at most so large [m], on `plates`."""

    reach: Mapping[str, float]
    plates: tuple[str, ...]
    effort: Effort = field(default_factory=Effort)

    def sizes(self, layout: Layout, shops: Array) -> tuple[tuple[tuple[str, str], ...], Array]:
        """Each form of the goal as (plate, form), and its size [m] in shops (m, size): (m, forms)."""
        names, columns = [], []
        for plate in self.plates:
            spoken = form_names(layout.plates[plate])
            rows = layout.form_rows(plate)
            for form in self.reach:
                key = {"dome": spoken[0]}.get(form, form)
                if key == "flatness":
                    columns.append(flatness(layout, plate, shops))
                elif key in spoken:
                    columns.append(np.abs(shops @ rows[spoken.index(key)]))
                else:
                    continue
                names.append((plate, form))
        return tuple(names), np.stack(columns, axis=1)

    def most(self, names: tuple[tuple[str, str], ...]) -> Array:
        """How large each of these forms may be [m]."""
        return np.array([self.reach[form] for _, form in names])

    def reached(self, layout: Layout, shops: Array) -> NDArray[np.bool_]:
        """In which shops (m, size) all of it is reached (m,)."""
        names, sizes = self.sizes(layout, shops)
        return np.asarray((sizes <= self.most(names)).all(axis=1))


def goal_of(layout: Layout, reach: Mapping[str, float] | None, plates: tuple[str, ...] = ()) -> Goal:
    """A goal as a study says it; flat within 0.3 um on all plates where it says nothing."""
    return Goal(dict(reach or {"flatness": USUAL}), plates or tuple(layout.plates))


def flatness(layout: Layout, plate: str, shops: Array) -> Array:
    """Flatness [m] of a face in shops (m, size): the least range of heights over all tilts, to about 1 %."""
    shapes, x, y = _places(layout, plate)
    z = shops[:, layout.face(plate)] @ shapes
    fit = np.linalg.lstsq(np.stack([np.ones_like(x), x, y], axis=1), z.T, rcond=None)[0]
    z = z - fit.T @ np.stack([np.ones_like(x), x, y])
    best: Array = np.ptp(z, axis=1)
    step = 0.25 * best
    for _ in range(LEVELS):
        a, b = np.zeros_like(best), np.zeros_like(best)
        for p in TILTS:
            for q in TILTS:
                across = np.ptp(z + (step * p)[:, None] * x + (step * q)[:, None] * y, axis=1)
                better = across < best
                best = np.where(better, across, best)
                a, b = np.where(better, step * p, a), np.where(better, step * q, b)
        z = z + a[:, None] * x + b[:, None] * y
        step = 0.4 * step
    return best


def _places(layout: Layout, plate: str) -> tuple[Array, Array, Array]:
    return _places_of(layout.bases[plate].plate, layout.margin)


@lru_cache(maxsize=16)
def _places_of(plate: Plate, margin: EdgeMargin) -> tuple[Array, Array, Array]:
    """Shapes without planes (size, n) at places inside the margin, and the places over the radius (n,)."""
    outline, inset = plate.outline, margin.of(plate.outline)
    grid = Grid.over(*outline.size, ACROSS)
    x, y = (v.ravel() for v in grid.mesh())
    turn = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    inner = outline.shrunk(inset) or outline
    reach = np.array([_reach(inner, angle) for angle in turn])
    x, y = np.append(x, reach * np.cos(turn)), np.append(y, reach * np.sin(turn))
    inside = inner.signed_distance(x, y) <= 1e-9 * outline.radius
    x, y = x[inside], y[inside]
    return basis_of(plate, DEGREE).evaluate(x, y)[PLANES:], x / outline.radius, y / outline.radius


def _reach(outline: Outline, angle: float) -> float:
    """How far an outline reaches from its centre that way [m]."""
    way = np.cos(angle), np.sin(angle)
    low, high = 0.5 * outline.bore, 1.01 * outline.radius
    for _ in range(40):
        middle = 0.5 * (low + high)
        there = outline.signed_distance(*(np.array([middle * part]) for part in way))[0]
        low, high = (middle, high) if there <= 0.0 else (low, middle)
    return low
