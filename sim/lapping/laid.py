"""A plate as it lies on the bench: face up below, or turned over on top.

This is the one place of the whole program where the mirror is made.  The top is turned over like a page
of a book: 12 o'clock stays at 12, and a point (u, v) of its face comes to lie at (-u, v) from its centre.
Quarter turns of the top are made here as well, by turning the array, so that a top indexed by 90 degrees
needs no interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.plate.plate import Plate

if TYPE_CHECKING:  # the kernels are loaded when a face is laid, not by those who only map points
    from sim.kernels.lay import Face

__all__ = ["Laid", "on_bench", "on_face"]

Array = NDArray[np.float64]


def _quarters(seen: Array, quarter: int) -> Array:
    """Turn a map (row 0 lowest) anticlockwise by `quarter` quarter turns."""
    return np.rot90(seen, -quarter)  # rot90 counts as if row 0 were the highest


def on_bench(u: Array, v: Array, cx: Array, cy: Array, theta: Array) -> tuple[Array, Array]:
    """Where points (u, v) of the top's face [m] lie on the bench; c and theta of the top, broadcast."""
    cos, sin = np.cos(theta), np.sin(theta)
    return cx - cos * u - sin * v, cy - sin * u + cos * v


def on_face(x: Array, y: Array, cx: Array, cy: Array, theta: Array) -> tuple[Array, Array]:
    """Which points of the top's face [m] lie at bench points (x, y); the inverse of `on_bench`."""
    cos, sin = np.cos(theta), np.sin(theta)
    xi, eta = x - cx, y - cy
    return -(cos * xi + sin * eta), cos * eta - sin * xi


@dataclass(frozen=True)
class Laid:
    """`plate` lying on the bench: `over` when it is turned over (the top), `quarter` turns anticlockwise.

    `meets`: side of the other face's cells [m].  Where those are coarser, the land is read as the share of
    such a cell, so that an edge that falls between their centres keeps its area.
    """

    plate: Plate
    over: bool
    quarter: int = 0
    meets: float = 0.0

    def lay(self, seen: Array) -> Array:
        """From looking at the face to how it lies, seen from above the bench; any map (ny, nx)."""
        turned = seen[:, ::-1] if self.over else seen
        return np.ascontiguousarray(_quarters(turned, self.quarter))

    def lift(self, laid: Array) -> Array:
        """From how it lies back to looking at the face."""
        turned = _quarters(laid, -self.quarter)
        return np.ascontiguousarray(turned[:, ::-1] if self.over else turned)

    def seen(self, sums: Array) -> Array:
        """Sums (..., 6) over the face with 1, x, y, x^2, xy, y^2, from how it lies to looking at it."""
        if not self.over:
            return sums
        angle = np.array(0.5 * np.pi * self.quarter)
        zero, unit = np.zeros(2), np.eye(2)
        (ux, uy), (vx, vy) = on_face(unit[0], unit[1], zero, zero, angle)
        one, x, y, xx, xy, yy = np.moveaxis(sums, -1, 0)
        return np.stack(
            [
                one,
                ux * x + uy * y,
                vx * x + vy * y,
                ux * ux * xx + 2.0 * ux * uy * xy + uy * uy * yy,
                ux * vx * xx + (ux * vy + uy * vx) * xy + uy * vy * yy,
                vx * vx * xx + 2.0 * vx * vy * xy + vy * vy * yy,
            ],
            axis=-1,
        )

    def face(self, heights: Array, gathered: bool = True) -> Face:
        """Make ready for the kernels; `heights` (ny, nx) [m] as looking at the face.

        `gathered` False: the other face lies cell on cell and reads nothing between them.
        """
        from sim.kernels.given import face_of
        from sim.kernels.lay import Face

        z = self.lay(heights)
        quadratic, rest = self._between(z) if gathered else self._nothing_between
        face = Face(
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
        return face_of(face)

    def _between(self, z: Array) -> tuple[Array, Array]:
        """What is read between cells: the least-squares quadratic (6,) [m] and the rest, padded [m].

        The sums are NumPy's own: those of a linear-algebra library may depend on its threads.
        """
        on_land = z[self._has_land]
        quadratic = np.einsum("kn,n->k", self._fit, on_land)
        rest = np.zeros(self._cover.shape)
        inner = rest[self._pad : -self._pad, self._pad : -self._pad]
        inner[self._has_land] = on_land - np.einsum("k,kn->n", quadratic, self._basis)
        flat = rest.reshape(-1)
        for bare, neighbours, weight in self._fill:
            flat[bare] = (flat[neighbours] * weight).sum(axis=1)
        return quadratic, rest

    @cached_property
    def _nothing_between(self) -> tuple[Array, Array]:
        return np.zeros(6), np.zeros(self._cover.shape)

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

    @property
    def _pad(self) -> int:
        from sim.kernels.lay import PAD

        return PAD + int(np.ceil(0.5 * self.meets / self.plate.grid.cell))

    @cached_property
    def _cover(self) -> Array:
        cover = np.pad(self.land, self._pad)
        width = self.meets / self.plate.grid.cell
        if width <= 1.0 + 1e-9:
            return cover
        for axis in (0, 1):
            cover = _box_mean(cover, width, axis)
        cover[np.abs(cover - 1.0) < 1e-12] = 1.0
        return cover

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
    def _fill(self) -> list[tuple[NDArray[np.int64], NDArray[np.int64], Array]]:
        """How heights are carried on over bare cells beside land, ring by ring.

        Each ring: its cells, their eight neighbours and the weight of each (flat, padded).
        """
        width = self._cover.shape[1]
        steps = np.array([dy * width + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dx or dy])
        known = np.pad(self.land, self._pad).reshape(-1)
        inside = np.zeros(self._cover.shape, dtype=bool)
        inside[1:-1, 1:-1] = True
        cells = np.nonzero(inside.reshape(-1))[0]
        seen = self._cover.reshape(-1)[cells] > 0.0
        seen |= (self._cover.reshape(-1)[cells[:, None] + steps] > 0.0).any(axis=1)
        wanted = cells[seen & (known[cells] == 0.0)]
        rings = []
        while wanted.size:
            neighbours = wanted[:, None] + steps
            weight = known[neighbours]
            near = weight.sum(axis=1) > 0.0
            if not near.any():
                break
            ring, weight = wanted[near], weight[near]
            rings.append((ring, neighbours[near], weight / weight.sum(axis=1, keepdims=True)))
            known[ring] = 1.0
            wanted = wanted[~near]
        return rings


def _box_mean(values: Array, width: float, axis: int) -> Array:
    """Mean over a box `width` cells wide, about every cell, along one axis."""
    reach = int(np.ceil(0.5 * width))
    total = np.zeros(values.shape)
    for k in range(-reach, reach + 1):
        share = min(k + 0.5, 0.5 * width) - max(k - 0.5, -0.5 * width)
        if share > 0.0:
            total += share / width * np.roll(values, k, axis=axis)
    return total
