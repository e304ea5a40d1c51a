"""Points and areas over the overlap of two faces, and cells over grooved ones.

Cells over a grooved face: too broken up for Gauss points.

Points and areas that integrate polynomials over the overlap of two faces, place by place of the stroke.

The overlap is cut along rows (lines of constant y).  Between the heights at which edges begin, end, bend or
cross each other, the ends of its rows move smoothly; there the rows are Gauss points of an angle, y = middle
+ half width x sin(angle), which takes out the square root with which a round edge begins.  In a row the
points are Gauss points of each stretch of metal.  So a few hundred points do what a fine grid does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.overhang import land_outline
from lapwright.specification.grooves import Grid, land_fraction
from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.plate import Plate, StartForm

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


Ints = NDArray[np.intp]

THIN = 1e-9  # of the larger radius: thinner pieces and shorter stretches are left out
FEWEST_ROWS = 4


@dataclass(frozen=True)
class Rule:
    """Points (n,) on the bench [m] and their areas (n,) [m2], pose by pose.

    Pose k has points start[k] ... start[k + 1] - 1; `pose` (n,) says to which one a point belongs.
    """

    x: Array
    y: Array
    area: Array
    pose: Ints
    start: Ints


@dataclass(frozen=True)
class _Circle:
    """A round edge for each pose: centre (k,), radius; a bore when not `solid`."""

    x: Array
    y: Array
    radius: float
    solid: bool

    def heights(self) -> list[Array]:
        return [self.y - self.radius, self.y + self.radius]

    def stretch(self, pose: Ints, y: Array) -> tuple[Array, Array]:
        half = np.sqrt(np.maximum(self.radius**2 - (y - self.y[pose]) ** 2, 0.0))
        return self.x[pose] - half, self.x[pose] + half


@dataclass(frozen=True)
class _Box:
    """The straight edges of a rectangle for each pose: centre (k,), direction of its length, half sides."""

    x: Array
    y: Array
    cos: Array
    sin: Array
    half: tuple[float, float]

    def heights(self) -> list[Array]:
        a, b = self.half
        return [
            self.y + i * a * self.sin + j * b * self.cos for i in (-1.0, 1.0) for j in (-1.0, 1.0)
        ]

    def lines(self) -> list[tuple[Array, Array, Array]]:
        """Each edge as (nx, ny, s): n . point = s."""
        lines = []
        for nx, ny, half in (
            (self.cos, self.sin, self.half[0]),
            (-self.sin, self.cos, self.half[1]),
        ):
            middle = nx * self.x + ny * self.y
            lines += [(nx, ny, middle - half), (nx, ny, middle + half)]
        return lines

    def stretch(self, pose: Ints, y: Array) -> tuple[Array, Array]:
        up = y - self.y[pose]
        low, high = np.full(y.shape, -np.inf), np.full(y.shape, np.inf)
        cos, sin = self.cos[pose], self.sin[pose]
        for nx, ny, half in ((cos, sin, self.half[0]), (-sin, cos, self.half[1])):
            level = np.abs(nx) < 1e-12
            slope = np.where(level, 1.0, nx)
            one, two = (-half - ny * up) / slope, (half - ny * up) / slope
            low = np.maximum(low, np.where(level, -np.inf, np.minimum(one, two)))
            high = np.minimum(high, np.where(level, np.inf, np.maximum(one, two)))
            high = np.where(level & (np.abs(ny * up) > half), -np.inf, high)
        return self.x[pose] + low, self.x[pose] + high


_Edge = _Circle | _Box


def _edges(outline: Outline, x: Array, y: Array, theta: Array) -> list[_Edge]:
    if isinstance(outline, Rectangle):
        return [
            _Box(x, y, np.cos(theta), np.sin(theta), (0.5 * outline.along, 0.5 * outline.across))
        ]
    edges: list[_Edge] = [_Circle(x, y, outline.radius, True)]
    if outline.bore > 0.0:
        edges.append(_Circle(x, y, 0.5 * outline.bore, False))
    return edges


def _crossings(one: _Edge, two: _Edge) -> list[Array]:
    """Heights at which two edges cross; NaN where they do not."""
    if isinstance(one, _Circle) and isinstance(two, _Circle):
        dx, dy = two.x - one.x, two.y - one.y
        apart = np.hypot(dx, dy)
        apart = np.where(apart > 0.0, apart, np.nan)
        along = 0.5 * (apart**2 + one.radius**2 - two.radius**2) / apart
        aside = _root(one.radius**2 - along**2)
        return [one.y + (along * dy + sign * aside * dx) / apart for sign in (-1.0, 1.0)]
    if isinstance(one, _Box) and isinstance(two, _Box):
        heights = []
        for ax, ay, a in one.lines():
            for bx, by, b in two.lines():
                cross = ax * by - ay * bx
                heights.append((ax * b - bx * a) / np.where(np.abs(cross) > 1e-9, cross, np.nan))
        return heights
    circle, box = (one, two) if isinstance(one, _Circle) else (two, one)
    assert isinstance(circle, _Circle)
    assert isinstance(box, _Box)
    heights = []
    for nx, ny, s in box.lines():
        off = s - nx * circle.x - ny * circle.y
        aside = _root(circle.radius**2 - off**2)
        heights += [circle.y + off * ny + sign * aside * nx for sign in (-1.0, 1.0)]
    return heights


def _root(square: Array) -> Array:
    root: Array = np.sqrt(np.where(square >= 0.0, square, np.nan))
    return root


def overlap_rule(
    bottom: Outline,
    top: Outline,
    cx: Array,
    cy: Array,
    theta: Array,
    degree: int,
    ends: bool = False,
) -> Rule:
    """Points for polynomials of total `degree` (of a product of two shapes) over the overlap in each pose.

    The top's centre lies at (cx, cy) (k,) [m] and it is turned by theta (k,).  A pose without overlap has no
    points.  `ends`: with the ends of the rows as well, of no area.
    """
    zero = np.zeros(cx.shape)
    below, above = _edges(bottom, zero, zero, zero), _edges(top, cx, cy, theta)
    scale = max(bottom.radius, top.radius)
    pose, y, height = _rows(below, above, THIN * scale, degree)
    row, low, high = _stretches([*below, *above], pose, y, THIN * scale)
    nodes, weights = _gauss(degree // 2 + 2)
    if ends:
        nodes, weights = np.array([-1.0, *nodes, 1.0]), np.array([0.0, *weights, 0.0])
    half = 0.5 * (high - low)
    x = (low + half)[:, None] + half[:, None] * nodes
    area = (height[row] * half)[:, None] * weights
    poses = np.repeat(pose[row], nodes.size)
    start = np.searchsorted(poses, np.arange(cx.size + 1)).astype(np.intp)
    return Rule(x.ravel(), np.repeat(y[row], nodes.size), area.ravel(), poses, start)


def _rows(
    below: Sequence[_Edge], above: Sequence[_Edge], thin: float, degree: int
) -> tuple[Ints, Array, Array]:
    """Rows of all poses, in order: which pose, y and height that the row stands for."""
    breaks = [h for edge in (*below, *above) for h in edge.heights()]
    breaks += [h for one, two in combinations([*below, *above], 2) for h in _crossings(one, two)]
    lowest = np.maximum(*(np.min(face[0].heights(), axis=0) for face in (below, above)))
    highest = np.minimum(*(np.max(face[0].heights(), axis=0) for face in (below, above)))
    at = np.stack(np.broadcast_arrays(*breaks), axis=1)
    at = np.where(np.isnan(at), lowest[:, None], np.clip(at, lowest[:, None], highest[:, None]))
    at.sort(axis=1)
    wide = np.diff(at, axis=1)
    pose, piece = np.nonzero((wide > thin) & (highest > lowest)[:, None])
    width = wide[pose, piece]
    share = width / (highest - lowest)[pose]
    counts = np.ceil(FEWEST_ROWS + (0.75 * degree + 4.0) * np.sqrt(share)).astype(int)
    poses, rows, heights = [], [], []
    for count in np.unique(counts):
        some = counts == count
        angle, weight = _gauss(int(count))
        half = 0.5 * width[some, None]
        rows.append(
            (at[pose, piece][some, None] + half * (1.0 + np.sin(0.5 * np.pi * angle))).ravel()
        )
        heights.append((half * (0.5 * np.pi * np.cos(0.5 * np.pi * angle) * weight)).ravel())
        poses.append(np.repeat(pose[some], count))
    if not poses:
        return np.empty(0, dtype=np.intp), np.empty(0), np.empty(0)
    every = np.concatenate(poses)
    order = np.argsort(every, kind="stable")
    return every[order], np.concatenate(rows)[order], np.concatenate(heights)[order]


def _stretches(
    edges: Sequence[_Edge], pose: Ints, y: Array, thin: float
) -> tuple[Ints, Array, Array]:
    """Stretches of metal of both faces in each row: which row, from and to."""
    solid = [e.stretch(pose, y) for e in edges if isinstance(e, _Box) or e.solid]
    low = np.max([s[0] for s in solid], axis=0)
    high = np.min([s[1] for s in solid], axis=0)
    ends = [low]
    holes = [e.stretch(pose, y) for e in edges if isinstance(e, _Circle) and not e.solid]
    if len(holes) == 2:  # in the order in which they come
        swap = holes[0][0] > holes[1][0]
        first = tuple(np.where(swap, b, a) for a, b in zip(*holes, strict=True))
        second = tuple(np.where(swap, a, b) for a, b in zip(*holes, strict=True))
        holes = [(first[0], first[1]), (second[0], np.maximum(first[1], second[1]))]
    for left, right in holes:
        ends += [np.clip(left, ends[-1], np.maximum(high, ends[-1])), np.maximum(right, ends[-1])]
    ends.append(high)
    starts, stops = np.stack(ends[0::2], axis=1), np.stack(ends[1::2], axis=1)
    stops = np.minimum(stops, high[:, None])
    row, piece = np.nonzero(stops - starts > thin)
    return row, starts[row, piece], stops[row, piece]


@lru_cache(maxsize=64)
def _gauss(number: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(number)
    return nodes, weights
