"""Faces that a gauge may be set on: written down as forms (exact), or mapped on a plate's cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lapwright.gauges.contacts import Contacts
from lapwright.gauges.feet import Foot, Footing, distance_to_land, footing
from lapwright.plate.form import StartForm
from lapwright.plate.plate import Plate

__all__ = ["Face", "Mapped", "Shaped", "Shown", "shown", "shown_all"]

Array = NDArray[np.float64]
PAD_POINTS = 37  # over which the land under a flat pad is averaged


class Face(Protocol):
    """A face of a plate: heights [m] anywhere on it."""

    @property
    def plate(self) -> Plate:
        """Whose face it is."""

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at points [m]."""


@dataclass(frozen=True)
class Shaped:
    """A face that is exactly the forms that are written down."""

    plate: Plate
    form: StartForm

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at points [m]."""
        return self.form.at(x, y, self.plate.outline)


@dataclass(frozen=True, eq=False)
class Mapped:
    """A face mapped on its plate's cells: `z` (ny, nx) [m], looking at it; without land it means nothing."""

    plate: Plate
    z: Array

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at points [m].

        The map's least-squares quadratic is added exactly and only what it leaves is interpolated, weighted
        by land, so that neither a dome nor a groove puts an error on a reading.  A point with no land in its
        four cells takes the nearest land.
        """
        fit, on = _quadratic(self.plate)
        coefficients = fit @ self.z[on]
        rest = np.where(on, self.z, 0.0)
        gx, gy = self.plate.grid.mesh()
        rest[on] -= coefficients @ _shapes(self.plate, gx[on], gy[on])
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        near, share = _around(self.plate, x.ravel(), y.ravel())
        left = (share * rest.ravel()[near]).sum(axis=0).reshape(x.shape)
        quadratic = np.einsum("k,k...->...", coefficients, _shapes(self.plate, x, y))
        return np.asarray(quadratic + left)


def _shapes(plate: Plate, x: Array, y: Array) -> Array:
    u, v = x / plate.outline.radius, y / plate.outline.radius
    return np.stack([np.ones_like(u), u, v, u * u, v * v, u * v])


@lru_cache(maxsize=16)
def _quadratic(plate: Plate) -> tuple[Array, NDArray[np.bool_]]:
    """Matrix (6, n) from heights of cells with land to their quadratic, and those cells."""
    on = plate.land > 0.0
    x, y = plate.grid.mesh()
    basis, weight = _shapes(plate, x[on], y[on]), plate.land[on]
    return np.linalg.pinv((basis * weight) @ basis.T, hermitian=True) @ (basis * weight), on


def _around(plate: Plate, x: Array, y: Array) -> tuple[NDArray[np.intp], Array]:
    """The four cells (4, n) round points in the flat map, and their shares by nearness and land (sum 1)."""
    grid, land = plate.grid, plate.land
    fx = np.clip(x / grid.cell + 0.5 * (grid.nx - 1), 0.0, grid.nx - 1.0)
    fy = np.clip(y / grid.cell + 0.5 * (grid.ny - 1), 0.0, grid.ny - 1.0)
    i = np.minimum(fx.astype(np.intp), max(grid.nx - 2, 0))
    j = np.minimum(fy.astype(np.intp), max(grid.ny - 2, 0))
    u, v = fx - i, fy - j
    near = np.stack([(j + dj) * grid.nx + i + di for dj in (0, 1) for di in (0, 1)])
    share = np.stack([(1 - v) * (1 - u), (1 - v) * u, v * (1 - u), v * u]) * land.ravel()[near]
    total = share.sum(axis=0)
    bare = total < 1e-6
    share = np.where(bare, 0.0, share / np.where(bare, 1.0, total))
    if bare.any():
        gx, gy = (axis.ravel() for axis in grid.mesh())
        cells = np.flatnonzero(land.ravel() > 0.0)
        for k in np.flatnonzero(bare):
            closest = cells[np.argmin((gx[cells] - x[k]) ** 2 + (gy[cells] - y[k]) ** 2)]
            near[0, k], share[0, k] = closest, 1.0
    return near, share


@dataclass(frozen=True)
class Shown:
    """What a gauge shows: `value` [m, or rad] (None: a foot fell in), and how its feet stand."""

    value: float | None
    footing: Footing


def shown(face: Face, contacts: Contacts, foot: Foot | None = None) -> Shown:
    """What is read off a face, feet and grooves and all, without scatter.

    A ball foot beside the land sinks; a pad takes the mean of the land under it.
    """
    foot = foot or Foot()
    stand = footing(face.plate, contacts, foot)
    if stand.fallen:
        return Shown(None, stand)
    return Shown(float((contacts.weight * (_under(face, contacts, foot) - stand.sunk)).sum()), stand)


def shown_all(face: Face, contacts: Sequence[Contacts], foot: Foot) -> Array:
    """What is read at many places at once, (n,) [m, rad]; NaN where a foot is not on land.

    The gauge touches as many points at each of them.
    """
    if not contacts:
        return np.zeros(0)
    x, y, weight = (np.stack([getattr(c, key) for c in contacts]) for key in ("x", "y", "weight"))
    every = Contacts(x.ravel(), y.ravel(), weight.ravel())
    firm = (footing(face.plate, every, foot).off <= 0.0).reshape(x.shape).all(axis=1)
    heights = _under(face, every, foot).reshape(x.shape)
    return np.where(firm, (weight * heights).sum(axis=1), np.nan)


def _under(face: Face, contacts: Contacts, foot: Foot) -> Array:
    """Heights (n,) [m] that the feet meet."""
    return _under_pads(face, contacts, foot.pad) if foot.pad > 0.0 else face.at(contacts.x, contacts.y)


def _under_pads(face: Face, contacts: Contacts, pad: float) -> Array:
    """Mean height of the land under each pad, (n,) [m]: points on a sunflower spiral, even over the disc."""
    k = np.arange(PAD_POINTS)
    r, turn = 0.5 * pad * np.sqrt((k + 0.5) / PAD_POINTS), k * 2.399963229728653
    x = contacts.x[:, None] + r * np.cos(turn)
    y = contacts.y[:, None] + r * np.sin(turn)
    on = distance_to_land(face.plate, x, y) <= 0.0
    # The middle itself stands in when so little land is under the pad that no point met it.
    on[:, 0] |= ~on.any(axis=1)
    heights = np.asarray(face.at(x, y)) * on
    mean: Array = heights.sum(axis=1) / on.sum(axis=1)
    return mean
