"""A plate as it lies on the bench, and how badly two faces mate that lie on each other.

This is the one place of the whole program where the mirror is made.  The top is turned over like a page
of a book: 12 o'clock stays at 12, and a point (u, v) of its face comes to lie at (-u, v) from its centre.
Quarter turns of the top are made here as well, by turning the array, so that a top indexed by 90 degrees
needs no interpolation.

What kernels read of a plate is made here too, without numba: land fractions spread over the cells of a
reader and at places closer than cells, and rings about the middle of a face in which no place needs to be
looked up: whole land, and none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.bending import linear_powers, orders
from lapwright.metrology.form import (
    EdgeMargin,
    misfit,
    quadratic_at,
    quadratic_normal,
    quadratic_sums,
)
from lapwright.specification.grooves import BORDER, SUBCELLS, Edges, bits_of, land_strips
from lapwright.specification.plate import Plate

if TYPE_CHECKING:
    from lapwright.contact.cells import Face

Array = NDArray[np.float64]

NARROW = 4.0  # cells: wider grooves are read right from cell to cell


def _quarters(seen: NDArray[Any], quarter: int) -> NDArray[Any]:
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
class PlacedPlate:
    """`plate` lying on the bench: `over` when it is turned over (the top), `quarter` turns anticlockwise.

    `meets`: side of the other face's cells [m].  Where those are coarser, the land is read as the share of
    such a cell, so that an edge that falls between their centres keeps its area.
    """

    plate: Plate
    over: bool
    quarter: int = 0
    meets: float = 0.0

    def lay(self, seen: NDArray[Any]) -> NDArray[Any]:
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

    def lay_powers(self, degree: int) -> Array:
        """Powers (n, n) of a place on the face as those of where it lies, one a row (`orders`)."""
        if not self.over:
            return np.eye(len(orders(degree)))
        angle, zero, unit = np.array(0.5 * np.pi * self.quarter), np.zeros(2), np.eye(2)
        turned = np.stack(on_face(unit[0], unit[1], zero, zero, angle))
        return linear_powers(np.round(turned, 12), degree)

    def lay_edges(self, edges: Edges) -> Edges:
        """From looking at the face to how it lies, for the edges within cells: each cell's own turns too."""
        x, y, land = self.lay(edges.x), self.lay(edges.y), edges.land
        if self.over:
            x, land = -x, land[:, ::-1, :, ::-1]
        for _ in range(self.quarter % 4):
            x, y = -y, x
            land = np.rot90(np.rot90(land, -1), -1, axes=(2, 3))
        return Edges(x, y, self.lay(edges.several), self.lay(edges.depth), bits_of(land))

    def face(self, heights: Array, gathered: bool = True) -> Face:
        """Make ready for the kernels; `heights` (ny, nx) [m] as looking at the face.

        `gathered` False: the other face lies cell on cell and reads nothing between them.
        """
        from lapwright.contact.lay import read_only

        z = read_only(self.lay(heights))
        if not gathered:
            return self._empty._replace(z=z)
        quadratic, rest = self._between(z)
        return self._whole._replace(z=z, rest=read_only(rest), quadratic=read_only(quadratic))

    @cached_property
    def _whole(self) -> Face:
        """All that does not hang on the heights, ready for the kernels; no heights yet."""
        from lapwright.contact.lay import face_of

        return face_of(
            self._empty._replace(
                cover=self._cover,
                between=self._between_cells,
                kind=self._kind,
                circles=self._circles,
                begins_between=self._uneven[0],
                uneven=self._uneven[1],
                depth=self._depth,
                outward=self._outward,
                fine=self._bits_read,
            )
        )

    @cached_property
    def _empty(self) -> Face:
        """The same with nothing to be read between cells."""
        from lapwright.contact.cells import Face
        from lapwright.contact.lay import face_of

        none, line, no_bits = (
            np.zeros((1, 1)),
            np.zeros(0, dtype=np.int64),
            np.zeros((1, 1), dtype=np.uint64),
        )
        face = Face(
            z=none,
            land=self.land,
            edges=self._edges,
            strips_x=self._strips[0],
            strips_y=self._strips[1],
            bits=self._bits,
            begins=self._ragged[0],
            ragged=self._ragged[1],
            span=self._span,
            rest=none,
            cover=none,
            between=none,
            kind=np.zeros((1, 1), dtype=np.uint8),
            circles=np.zeros(3),
            begins_between=line,
            uneven=line,
            depth=none,
            outward=np.zeros((2, 1, 1)),
            fine=no_bits,
            quadratic=np.zeros(6),
            cell=self.plate.grid.cell,
            radius=self.plate.outline.radius,
        )
        return face_of(face)

    def _between(self, z: Array) -> tuple[Array, Array]:
        """What is read between cells: the least-squares quadratic (6,) [m] and the rest, padded [m].

        The sums are NumPy's own: those of a linear-algebra library may depend on its threads.
        """
        scale = self.plate.outline.radius ** -np.array([0.0, 1.0, 1.0, 2.0, 2.0, 2.0])
        x, y = self._middles
        sums = quadratic_sums(self.land * z, x, y)
        quadratic = scale * np.einsum("ij,j->i", self._fit, scale * sums)
        rest = np.zeros(self._cover.shape)
        inner = rest[self._pad : -self._pad, self._pad : -self._pad]
        np.subtract(z, quadratic_at(quadratic, x, y), out=inner, where=self._has_land)
        flat = rest.reshape(-1)
        for bare, neighbours, weight in self._fill:
            flat[bare] = (flat[neighbours] * weight).sum(axis=1)
        return quadratic, rest

    @cached_property
    def land(self) -> Array:
        """Land fraction as it lies (ny, nx)."""
        return self.lay(self.plate.land)

    @cached_property
    def _edges(self) -> Array:
        return np.stack([self._lain.x, self._lain.y])

    @property
    def _lain(self) -> Edges:
        """Not kept: what is asked of it is."""
        return self.lay_edges(self.plate.edges)

    @cached_property
    def _strips(self) -> tuple[Array, Array]:
        """Strips of land along x and along y as it lies, in cells; none where land does not lie on such."""
        strips = land_strips(self.plate.outline, self.plate.grooves)
        if strips is None:
            return np.zeros((0, 2)), np.zeros((0, 2))
        # Their own mirror images, so that only odd quarter turns change them: along y what was along x.
        x, y = strips if self.quarter % 2 == 0 else strips[::-1]
        return x / self.plate.grid.cell, y / self.plate.grid.cell

    @cached_property
    def _bits(self) -> NDArray[np.uint64]:
        return self._lain.bits

    @cached_property
    def _bits_read(self) -> NDArray[np.uint64]:
        return np.pad(self._bits, self._pad)

    @cached_property
    def _ragged(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The cells that are partly land, as `_listed`."""
        return _listed((self.land > 0.0) & (self.land < 1.0))

    @cached_property
    def _uneven(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """What between cells is no whole land and not bare, as `_listed`."""
        from lapwright.contact.cells import ONE_EDGE

        return _listed(self._kind >= ONE_EDGE)

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
    def _width(self) -> float:
        """Of the other's cells in own ones, 1 at least."""
        return max(self.meets / self.plate.grid.cell, 1.0)

    @property
    def _pad(self) -> int:
        from lapwright.contact.cells import PAD

        return PAD + int(np.ceil(0.75 * self._width))

    @cached_property
    def _cover(self) -> Array:
        cover = np.pad(self.land, self._pad)
        if self._width <= 1.0 + 1e-9:
            return cover
        for axis in (0, 1):
            cover = box_mean(cover, self._width, axis)
        cover[np.abs(cover - 1.0) < 1e-12] = 1.0
        return cover

    @cached_property
    def _between_cells(self) -> Array:
        """`_cover` at places `CLOSER` times as close, padded: what narrow grooves leave between two cells.

        Right at the middles of cells; between them it bends as the sub-cells that are land do.
        """
        grooves = self.plate.grooves
        if grooves is None or grooves.width >= NARROW * self.plate.grid.cell:
            return self._cover
        ny, nx = self.land.shape
        fine = (
            self._lain.land.transpose(0, 2, 1, 3)
            .reshape(ny * SUBCELLS, nx * SUBCELLS)
            .astype(float)
        )
        fine = np.pad(fine, self._pad * SUBCELLS)
        bent = closer_means(closer_means(fine, self._width).T, self._width).T
        off = self._cover - bent[::CLOSER, ::CLOSER]
        between: Array = np.clip(bent + closer(closer(off).T).T, 0.0, 1.0)
        return between

    @cached_property
    def _depth(self) -> Array:
        """How far inside the nearest edge, in cells, padded."""
        return np.pad(self._lain.depth, self._pad - BORDER, mode="edge")

    @property
    def _slope(self) -> tuple[Array, NDArray[np.bool_]]:
        """How depth grows (2, ...) between each cell and the next ones, and whether as beside one edge."""
        d = self._depth
        along = 0.5 * (d[:-1, 1:] - d[:-1, :-1] + d[1:, 1:] - d[1:, :-1])
        up = 0.5 * (d[1:, :-1] - d[:-1, :-1] + d[1:, 1:] - d[:-1, 1:])
        bent = np.abs(d[1:, 1:] - d[1:, :-1] - d[:-1, 1:] + d[:-1, :-1])
        return np.stack([along, up]), (np.abs(np.hypot(along, up) - 1.0) < 0.05) & (bent < 0.25)

    @cached_property
    def _outward(self) -> Array:
        """The way out over the nearest edge at each cell, (2, ...), padded.

        The normal of the cell's own edge, or what the even blocks about it say.
        """
        slope, even = self._slope
        total = np.sum(_corners(np.pad(-slope * even, ((0, 0), (1, 1), (1, 1)))), axis=0)
        length = np.hypot(total[0], total[1])
        outward: Array = total / np.where(length > 0.0, length, 1.0)
        inner = outward[:, self._pad : -self._pad, self._pad : -self._pad]
        has_edge = self._edges.any(axis=0)
        inner[:, has_edge] = self._edges[:, has_edge]
        return outward

    @cached_property
    def _kind(self) -> NDArray[np.uint8]:
        """What lies between each cell and the next ones up and to the right, padded: a kind of `lay`."""
        from lapwright.contact.cells import BARE, CORNER, MIXED, ONE_EDGE, WHOLE

        d = self._depth
        width = self._width
        # Edges that a reader's cell cannot reach do not matter to it.
        nearest = np.stack(_corners(np.abs(d))).min(axis=0)
        several = np.stack(_corners(np.pad(self._lain.several, self._pad))).any(axis=0)
        apart = several | ((nearest < 0.75 * width + 0.75) & ~self._slope[1])
        if width > 1.0 + 1e-9:
            reach = range(-int(np.ceil(0.5 * width)), int(np.ceil(0.5 * width)) + 1)
            for axis in (0, 1):
                apart = np.any([np.roll(apart, k, axis=axis) for k in reach], axis=0)
        inside, outside = (
            np.stack(_corners(sign * d)).min(axis=0) > CORNER * width for sign in (1.0, -1.0)
        )
        kind = np.full(d.shape, BARE, dtype=np.uint8)
        kind[:-1, :-1] = np.select([apart, inside, outside], [MIXED, WHOLE, BARE], ONE_EDGE)
        return kind

    @cached_property
    def _circles(self) -> Array:
        """Radii (3,) in cells: between the first two lies nothing but whole land, beyond the last no land."""
        from lapwright.contact.cells import CORNER

        return rings_of(self._kind, self._depth, CORNER * self._width)

    @property
    def _middles(self) -> tuple[Array, Array]:
        """Of the cells along x (nx,) and y (ny,) [m]."""
        x, y = (np.arange(n) - 0.5 * (n - 1) for n in self.land.shape[::-1])
        return x * self.plate.grid.cell, y * self.plate.grid.cell

    @cached_property
    def _fit(self) -> Array:
        """Least squares weighted by land, lengths in units of R: coefficients = _fit @ sums, (6, 6)."""
        x, y = (middle / self.plate.outline.radius for middle in self._middles)
        inverse: Array = np.asarray(np.linalg.inv(quadratic_normal(self.land, x, y)), np.float64)
        return inverse

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
        wanted = cells[known[cells] == 0.0]
        rings = []
        for _ in range(
            int(np.ceil(0.71 * self._width)) + 1
        ):  # as far out as a reader's cell meets land
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


def _listed(marked: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where each row begins in the columns of the cells that are marked, and these."""
    begins = np.concatenate([[0], np.cumsum(marked.sum(axis=1))]).astype(np.int64)
    return begins, np.nonzero(marked)[1].astype(np.int64)


def _corners(values: NDArray[Any]) -> tuple[NDArray[Any], ...]:
    """Every cell with the next ones up and to the right."""
    return values[..., :-1, :-1], values[..., :-1, 1:], values[..., 1:, :-1], values[..., 1:, 1:]


def centred(x: Array, y: Array) -> tuple[Array, Array]:
    """Which points of the top's face [m] lie at bench points (x, y), laid centred, 12 on 12."""
    zero = np.zeros(1)
    return on_face(x, y, zero, zero, zero)


def mating(bottom: Plate, z_bottom: Array, top: Plate, z_top: Array, margin: EdgeMargin) -> float:
    """How badly two faces mate [m]: rms of z_bottom + z_top about its plane, centred, 12 on 12.

    Inside the margin of both.  Maps (ny, nx) [m] looking at each face.  Infinite when the two have no land in
    common to tell by.

    Parameters
    ----------
    bottom, top : Plate
    z_bottom, z_top : Array
        Heights (ny, nx) [m] of each.
    margin : EdgeMargin
        What is left out along the edge.

    Returns
    -------
    float
        [m].

    """
    return misfit(bottom, z_bottom, top, z_top, margin, centred)


INSIDE = 1e-6  # of a cell: round-off does not leave what is known to be whole
PARTS = 3  # of a block along each side, where one edge passes


def rings_of(kind: NDArray[np.uint8], depth: Array, clear: float) -> Array:
    """Radii (3,) in cells: between the first two lies nothing but whole land, beyond the last no land.

    Of all rings of whole land the widest.  `kind` (ny, nx) of the blocks between four cells, `depth` (ny, nx)
    of the cells inside the nearest edge; `clear` [cells]: so far from a single edge it does not matter.
    """
    from lapwright.contact.cells import BARE, MIXED, ONE_EDGE, WHOLE

    mixed = np.pad(kind == MIXED, 1)
    beside = mixed[1:-1, :-2] | mixed[1:-1, 2:] | mixed[:-2, 1:-1] | mixed[2:, 1:-1]
    one_edge = (kind == ONE_EDGE) & ~beside
    y, x = np.nonzero(one_edge)
    own_near, own_far = _reach(y, x, kind.shape, PARTS)
    corners = _inside(depth, y, x)
    around = np.stack([corners[:, i : PARTS + i, j : PARTS + j] for i in (0, 1) for j in (0, 1)])
    other = (kind != WHOLE) & ~one_edge
    y, x = np.nonzero(other)
    near, far = (distance.ravel() for distance in _reach(y, x, kind.shape, 1))
    unsure, some = around.min(axis=0) < clear, around.max(axis=0) > -clear
    nearest, farthest = np.append(own_near[unsure], near), np.append(own_far[unsure], far)
    ends = np.append(own_far[some], far[kind[other] != BARE])
    order = np.argsort(nearest, kind="stable")
    nearest, farthest = nearest[order], farthest[order]
    inner = np.append(0.0, np.maximum.accumulate(farthest)[:-1])
    widest = int(np.argmax(nearest - inner))
    return np.array(
        [inner[widest] + INSIDE, nearest[widest] - INSIDE, ends.max(initial=0.0) + INSIDE]
    )


def _reach(
    y: NDArray[np.intp], x: NDArray[np.intp], shape: tuple[int, ...], parts: int
) -> tuple[Array, Array]:
    """Least and largest distance from the middle of each part of blocks, (n, parts, parts)."""
    steps = (np.arange(parts) + 0.5) / parts
    half = 0.5 / parts
    v, u = (
        np.abs(at[:, None] + steps - 0.5 * (size - 1))
        for at, size in zip((y, x), shape, strict=True)
    )
    near = np.sqrt(
        np.maximum(v - half, 0.0)[:, :, None] ** 2 + np.maximum(u - half, 0.0)[:, None, :] ** 2
    )
    far = np.sqrt((v + half)[:, :, None] ** 2 + (u + half)[:, None, :] ** 2)
    return near, far


def _inside(depth: Array, y: NDArray[np.intp], x: NDArray[np.intp]) -> Array:
    """Depth at the corners of the parts of blocks, read between four cells; (n, parts + 1, parts + 1)."""
    t = np.arange(PARTS + 1) / PARTS
    low = depth[y, x, None] + t * (depth[y, x + 1] - depth[y, x])[:, None]
    high = depth[y + 1, x, None] + t * (depth[y + 1, x + 1] - depth[y + 1, x])[:, None]
    inside: Array = low[:, None, :] + t[:, None] * (high - low)[:, None, :]
    return inside


CLOSER = (
    4  # places along a cell at which land with narrow grooves is known, for the other face to read
)


def closer_means(fine: Array, width: float) -> Array:
    """Means of sub-cells over a box `width` cells wide, along the last axis, at places `CLOSER` a cell."""
    number = fine.shape[1] // SUBCELLS
    middle = (np.arange((number - 1) * CLOSER + 1) / CLOSER + 0.5) * SUBCELLS
    run = np.pad(np.cumsum(fine, axis=1), ((0, 0), (1, 0)))

    def upto(x: Array) -> Array:
        x = np.clip(x, 0.0, fine.shape[1])
        k = np.minimum(np.floor(x).astype(int), fine.shape[1] - 1)
        upto_k: Array = run[:, k] + (x - k) * fine[:, k]
        return upto_k

    half = 0.5 * width * SUBCELLS
    return (upto(middle + half) - upto(middle - half)) / (2.0 * half)


def closer(values: Array) -> Array:
    """Values (m, n) read on straight lines at `CLOSER` places a cell along the last axis."""
    share = np.arange(CLOSER) / CLOSER
    steps = values[:, :-1, None] + np.diff(values, axis=1)[:, :, None] * share
    return np.concatenate([steps.reshape(len(values), -1), values[:, -1:]], axis=1)


def box_mean(values: Array, width: float, axis: int) -> Array:
    """Mean over a box `width` cells wide, about every cell, along one axis."""
    reach = int(np.ceil(0.5 * width))
    total = np.zeros(values.shape)
    for k in range(-reach, reach + 1):
        share = min(k + 0.5, 0.5 * width) - max(k - 0.5, -0.5 * width)
        if share > 0.0:
            total += share / width * np.roll(values, k, axis=axis)
    return total
