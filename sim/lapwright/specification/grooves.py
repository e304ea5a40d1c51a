"""Grooves cut into a face, the cells on which it is mapped, and the share of each that is left as land."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, pi, sin
from typing import Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.quantities import ANGLE, LENGTH, quantity
from lapwright.specification.said import Frozen, Said
from lapwright.specification.table import choice, whole

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


Pattern = Literal["square", "triangle", "rings", "radial"]
PATTERNS: tuple[Pattern, ...] = get_args(Pattern)
PITCH = quantity(LENGTH, above="0 mm", most="1 m")

# A side; each with a linear ramp of coverage, so that straight edges get their exact area.
SUBCELLS = 8
BORDER = 2  # cells
HAIR = 1e-9  # of a cell: what round-off leaves
ONE_EDGE = 0.98  # of the number of unit normals: two edges that differ by less than 20 degrees pass for one


@dataclass(frozen=True)
class Grooves(Frozen):
    """Grooves of `width` [m], `angle` [rad], and `rim` [m] of land taken off inside the outline.

    "square": two families of parallel grooves `pitch` apart (middle to middle), lands centred on the origin;
    "triangle": three such families at 60 degrees that cross in threes, so that every land is a triangle, the
    middle one centred on the origin (there is no land left from `width` = 2/3 `pitch` on);
    "rings": grooves centred on radii pitch, 2 pitch, ... and none at the centre;
    "radial": `count` grooves from the centre out, the first at `angle`.
    The first family of parallel grooves runs across `angle`.
    """

    pattern: Said[str] = Said(choice(PATTERNS, "a pattern of grooves"))
    pitch: Said[float] = Said(PITCH, default=0.0)
    width: Said[float] = Said(PITCH, default=0.0)
    angle: Said[float] = Said(quantity(ANGLE, least="-360 deg", most="360 deg"), default=0.0)
    rim: Said[float] = Said(quantity(LENGTH, least="0 mm", most="1 m"), default=0.0)
    count: Said[int] = Said(whole(1, 360, "a number of grooves"), default=0)

    def distance(self, x: Array, y: Array) -> Array:
        """Distance of points from the nearest groove's edge [m], + on land.

        Parameters
        ----------
        x, y : array
            Places on the face [m], of one shape.

        Returns
        -------
        array
            Of the same shape [m].

        """
        half = 0.5 * self.width
        if self.pattern == "rings":
            r = np.hypot(x, y)
            nearest = np.maximum(np.rint(r / self.pitch), 1.0) * self.pitch
            return np.abs(r - nearest) - half
        if self.pattern == "radial":
            share = 2.0 * pi / self.count
            off = np.arctan2(y, x) - self.angle
            off -= np.rint(off / share) * share
            # Beside the line of the nearest groove; behind the centre its end is the nearest.
            r = np.hypot(x, y)
            across = np.where(np.abs(off) < 0.5 * pi, r * np.abs(np.sin(off)), r)
            return across - half
        step = 0.5 * pi if self.pattern == "square" else pi / 3.0
        # Where the grooves lie, in pitches from the origin: its middle land is as far from all of them.
        # Three families cross in threes when the third offset is the second less the first.
        offsets = (0.5, 0.5) if self.pattern == "square" else (1.0 / 3.0, 2.0 / 3.0, 1.0 / 3.0)
        nearest = np.full(np.shape(x), np.inf)
        for k, offset in enumerate(offsets):
            normal = self.angle + k * step
            off = (x * cos(normal) + y * sin(normal)) / self.pitch - offset
            nearest = np.minimum(nearest, np.abs(off - np.rint(off)) * self.pitch)
        return nearest - half


def land_fraction(
    grid: Grid, outline: Outline, grooves: Grooves | None, inset: float = 0.0
) -> Array:
    """Share of each cell that is land, (ny, nx), 0..1, anti-aliased.

    `inset` [m] is taken off inside the edge of the land (the edge margin) beside the rim.  Cells that an edge
    may cross are cut into sub-cells, each covered by a linear ramp of its distance to the edge; where land is
    what lies on strips both along x and along y, it is exact.
    """
    left = outline.shrunk((grooves.rim if grooves else 0.0) + inset)
    if left is None:
        return np.zeros(grid.shape)
    strips = _strips_of(left, grooves)
    if strips is not None:
        along, across = strips
        share: Array = _share(across, grid.y, grid.cell)[:, None] * _share(along, grid.x, grid.cell)
        return share

    def covered(px: Array, py: Array, side: float) -> Array:
        edge = np.clip(0.5 - left.signed_distance(px, py) / side, 0.0, 1.0)
        return edge * np.clip(0.5 + grooves.distance(px, py) / side, 0.0, 1.0) if grooves else edge

    distance = _inside(left, grooves, *grid.mesh())
    land = (distance > 0.0).astype(float)
    mixed, px, py = _cut(grid, distance)
    land[mixed] = covered(px, py, grid.cell / SUBCELLS).mean(axis=1)
    return land


def _inside(left: Outline, grooves: Grooves | None, x: Array, y: Array) -> Array:
    """Distance of points from the nearest edge of the land [m], + on land."""
    edge = -left.signed_distance(x, y)
    return np.minimum(edge, grooves.distance(x, y)) if grooves else edge


def _cut(grid: Grid, distance: Array) -> tuple[NDArray[np.bool_], Array, Array]:
    """Which cells an edge may cross (ny, nx), and the middles of their sub-cells, (n, SUBCELLS^2) [m]."""
    mixed = np.abs(distance) < 0.75 * grid.cell
    x, y = grid.mesh()
    sub = ((np.arange(SUBCELLS) + 0.5) / SUBCELLS - 0.5) * grid.cell
    dx, dy = np.meshgrid(sub, sub)
    return mixed, x[mixed][:, None] + dx.ravel(), y[mixed][:, None] + dy.ravel()


class Edges(NamedTuple):
    """How the edges of the land lie within each cell, looking at the face.

    `x`, `y` (ny, nx): unit normal of the edge, pointing away from the land; 0 where there is none, or
    several: at the corner of a rectangle, where grooves cross, where both sides of a groove lie in one cell.
    `several` (ny, nx): whether it is the latter.  `depth` (ny + 2 BORDER, nx + 2 BORDER): how far the middle
    of a cell lies inside the nearest edge, in cells, begun BORDER cells outside the grid.  `bits` (ny, nx):
    whether the middle of each sub-cell is land, a bit each, lowest row and column first.
    """

    x: Array
    y: Array
    several: NDArray[np.bool_]
    depth: Array
    bits: NDArray[np.uint64]

    @property
    def land(self) -> NDArray[np.bool_]:
        """The sub-cells that are land, (ny, nx, SUBCELLS, SUBCELLS)."""
        single = np.unpackbits(
            self.bits.astype("<u8")[..., None].view(np.uint8), axis=-1, bitorder="little"
        )
        return single.view(np.bool_).reshape(*self.bits.shape, SUBCELLS, SUBCELLS)


def bits_of(land: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Sub-cells that are land (ny, nx, SUBCELLS, SUBCELLS) as `Edges` holds them: an eighth of the size."""
    every = land.reshape(*land.shape[:2], SUBCELLS**2)
    packed = np.packbits(every, axis=-1, bitorder="little").view("<u8")[..., 0]
    return packed.astype(np.uint64)


def land_edges(grid: Grid, outline: Outline, grooves: Grooves | None, land: Array) -> Edges:
    """Edges of the `land` (ny, nx) in each cell."""
    x, y = grid.mesh()
    wide = Grid(grid.nx + 2 * BORDER, grid.ny + 2 * BORDER, grid.cell)
    normal_x, normal_y = np.zeros(grid.shape), np.zeros(grid.shape)
    several = np.zeros(grid.shape, dtype=bool)
    subcells = np.repeat(land > 0.5, SUBCELLS**2).reshape(*grid.shape, SUBCELLS, SUBCELLS)
    left = outline.shrunk(grooves.rim if grooves else 0.0)
    if left is None:
        outside = np.full(wide.shape, -grid.nx)
        return Edges(normal_x, normal_y, several, outside, bits_of(subcells))
    depth = _inside(left, grooves, *wide.mesh()) / grid.cell
    mixed, px, py = _cut(grid, _inside(left, grooves, x, y))
    distance = _inside(left, grooves, px, py)
    side = grid.cell / SUBCELLS
    blocks = distance.reshape(-1, SUBCELLS, SUBCELLS)
    down, along = (np.asarray(np.gradient(blocks, side, axis=axis)) for axis in (1, 2))
    steep = np.hypot(along, down).reshape(distance.shape)
    clear = np.abs(steep - 1.0) < 0.1  # not where two edges are as near
    steep = np.where(clear, steep, 1.0)
    normals = [-along.reshape(distance.shape) / steep, -down.reshape(distance.shape) / steep]
    hair = 1e-9 * grid.cell
    reach = 0.5 * side * (np.abs(normals[0]) + np.abs(normals[1])) + hair
    crossed = clear & (np.abs(distance) <= reach)
    partly = (land[mixed] > 0.0) & (land[mixed] < 1.0)
    for middle, place, normal in ((x, px, normals[0]), (y, py, normals[1])):
        off = np.abs(place + distance * normal - middle[mixed][:, None])
        crossed &= off < 0.5 * grid.cell - hair
    total = tuple(np.where(crossed, normal, 0.0).sum(axis=1) for normal in normals)
    length = np.hypot(total[0], total[1])
    # Normals of one edge, however round, add up to nearly their number.
    one = length > ONE_EDGE * crossed.sum(axis=1)
    for out, part in zip((normal_x, normal_y), total, strict=True):
        out[mixed] = np.where(one & partly, part / np.where(one, length, 1.0), 0.0)
    several[mixed] = partly & ~one
    subcells[mixed] = (distance > hair).reshape(-1, SUBCELLS, SUBCELLS)
    return Edges(normal_x, normal_y, several, depth, bits_of(subcells))


def land_strips(outline: Outline, grooves: Grooves | None) -> tuple[Array, Array] | None:
    """Strips along x and along y, each (n, 2) [m], begin and end in order; land is what lies on both.

    None where land is no such product: round outlines, grooves that do not run along the sides.  Strips are
    their own mirror images.
    """
    left = outline.shrunk(grooves.rim if grooves else 0.0)
    return None if left is None else _strips_of(left, grooves)


def _strips_of(left: Outline, grooves: Grooves | None) -> tuple[Array, Array] | None:
    """Strips of what the rim has left."""
    if not isinstance(left, Rectangle):
        return None
    if grooves is None:
        whole = 0.5 * np.array([-1.0, 1.0])
        return left.along * whole[None], left.across * whole[None]
    quarter = grooves.angle / (0.5 * pi)
    if grooves.pattern != "square" or abs(quarter - round(quarter)) > 1e-12:
        return None
    return _strips(left.along, grooves), _strips(left.across, grooves)


def _strips(side: float, grooves: Grooves) -> Array:
    """Strips of land between grooves half a pitch beside the middle and so on, cut off at `side` [m]."""
    number = int(0.5 * side / grooves.pitch) + 1
    middle = np.arange(-number, number + 1) * grooves.pitch
    half = 0.5 * (grooves.pitch - grooves.width)
    strips: Array = np.clip(
        np.stack([middle - half, middle + half], axis=1), -0.5 * side, 0.5 * side
    )
    return strips[strips[:, 1] > strips[:, 0]]


def _share(strips: Array, middle: Array, cell: float) -> Array:
    """Share of cells about `middle` (n,) that lies on strips [m]."""
    low = np.maximum(strips[:, 0], middle[:, None] - 0.5 * cell)
    high = np.minimum(strips[:, 1], middle[:, None] + 0.5 * cell)
    share: Array = np.maximum(high - low, 0.0).sum(axis=1) / cell
    share[share < HAIR] = 0.0
    share[share > 1.0 - HAIR] = 1.0
    return share
