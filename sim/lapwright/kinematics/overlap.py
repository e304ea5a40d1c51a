"""The overlap of two faces in closed form: its area, its moments, what it supports, how flat faces bear.

A face is a disc, a ring or a rectangle, so the edge of an overlap is made of straight pieces and arcs.  Each
edge is cut where it crosses the others, the pieces that lie inside all the others are kept, and area and
moments follow by Green's theorem along them, exact to rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from math import acos, atan2, cos, hypot, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import NoOverlapError
from lapwright.specification.outline import Outline

Array = NDArray[np.float64]
Point = tuple[float, float]

ON_EDGE = 1e-10  # of the larger radius: two edges this close lie on each other
STEP_IN = 1e-6  # of the larger radius: to see on which side of a shared edge the metal lies
NODES = 32  # Gauss points a piece: integrands are of the fourth degree in sines over at most a whole turn
HULL_STEP = pi / 360.0  # rad; arcs are taken as chords this long where a hull has to be built
COARSE_STEP = pi / 12.0  # enough for a point that lies well inside


@dataclass(frozen=True)
class _Edge:
    """A straight edge from `start` to `end`, metal on the left."""

    start: Point
    end: Point

    def at(self, t: float) -> Point:
        return (
            self.start[0] + t * (self.end[0] - self.start[0]),
            self.start[1] + t * (self.end[1] - self.start[1]),
        )

    def inwards(self, t: float) -> Point:
        dx, dy = self.end[0] - self.start[0], self.end[1] - self.start[1]
        long = hypot(dx, dy)
        return -dy / long, dx / long

    def side(self, p: Point) -> float:
        """Distance of a point to the right of the endless line, out of the metal."""
        nx, ny = self.inwards(0.0)
        return -(nx * (p[0] - self.start[0]) + ny * (p[1] - self.start[1]))

    def cuts(self, other: _Edge | _Arc) -> list[float]:
        """Shares of the way at which another edge, drawn on, is crossed."""
        if isinstance(other, _Edge):
            here, there = other.side(self.start), other.side(self.end)
            return [here / (here - there)] if here != there else []
        dx, dy = self.end[0] - self.start[0], self.end[1] - self.start[1]
        fx, fy = self.start[0] - other.centre[0], self.start[1] - other.centre[1]
        a, b, c = dx * dx + dy * dy, fx * dx + fy * dy, fx * fx + fy * fy - other.radius**2
        root = b * b - a * c
        if root <= 0.0:
            return []
        return [(-b - sqrt(root)) / a, (-b + sqrt(root)) / a]

    def nodes(self, t0: float, t1: float) -> tuple[Array, Array]:
        """Points along a piece (2, n) and their weighted steps (2, n)."""
        u, weight = _gauss()
        t = t0 + (t1 - t0) * u
        run = np.array([[self.end[0] - self.start[0]], [self.end[1] - self.start[1]]])
        return np.array([[self.start[0]], [self.start[1]]]) + run * t, run * ((t1 - t0) * weight)


@dataclass(frozen=True)
class _Arc:
    """A whole circle; `solid`: metal inside it, else a bore with metal outside.  t in 0..1 is once round."""

    centre: Point
    radius: float
    solid: bool

    def _angle(self, t: float) -> float:
        return 2.0 * pi * (t if self.solid else -t)

    def at(self, t: float) -> Point:
        angle = self._angle(t)
        return self.centre[0] + self.radius * cos(angle), self.centre[1] + self.radius * sin(angle)

    def inwards(self, t: float) -> Point:
        angle, sign = self._angle(t), -1.0 if self.solid else 1.0
        return sign * cos(angle), sign * sin(angle)

    def side(self, p: Point) -> float:
        """Distance of a point outside the metal."""
        out = hypot(p[0] - self.centre[0], p[1] - self.centre[1]) - self.radius
        return out if self.solid else -out

    def _share(self, angle: float) -> float:
        return ((angle if self.solid else -angle) / (2.0 * pi)) % 1.0

    def cuts(self, other: _Edge | _Arc) -> list[float]:
        """Shares of the way round at which another edge, drawn on, is crossed."""
        if isinstance(other, _Edge):
            off = -other.side(self.centre)  # how far the line lies on the centre's right
            nx, ny = other.inwards(0.0)
            towards, reach = atan2(-ny, -nx), off / self.radius
        else:
            dx, dy = other.centre[0] - self.centre[0], other.centre[1] - self.centre[1]
            apart = hypot(dx, dy)
            if apart == 0.0:
                return []
            towards = atan2(dy, dx)
            unlike = (self.radius - other.radius) * (self.radius + other.radius)
            reach = (apart**2 + unlike) / (2.0 * apart * self.radius)
        if abs(reach) >= 1.0:
            return []
        half = acos(reach)
        return [self._share(towards - half), self._share(towards + half)]

    def nodes(self, t0: float, t1: float) -> tuple[Array, Array]:
        """Points along a piece (2, n) and their weighted steps (2, n)."""
        u, weight = _gauss()
        turn = 2.0 * pi if self.solid else -2.0 * pi
        angle = turn * (t0 + (t1 - t0) * u)
        out = self.radius * np.stack([np.cos(angle), np.sin(angle)])
        step = turn * (t1 - t0) * weight * np.stack([-out[1], out[0]])
        return np.array([[self.centre[0]], [self.centre[1]]]) + out, step


@lru_cache(maxsize=1)
def _gauss() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return 0.5 * (nodes + 1.0), 0.5 * weights


@dataclass(frozen=True)
class _Shape:
    """A convex face or a bore: the metal is where no edge has a point on its outer side."""

    edges: tuple[_Edge | _Arc, ...]

    def side(self, p: Point) -> float:
        return max(edge.side(p) for edge in self.edges)

    def inside(self, p: Point) -> float:
        """Distance to the edge from inside, of a convex face; below zero outside."""
        return -self.side(p)


def _shapes(outline: Outline, centre: Point, theta: float) -> list[_Shape]:
    """The outer edge of a face as it lies, and its bore if it has one."""
    if (
        hypot(*outline.size) - 2.0 * outline.radius > 1e-9 * outline.radius
    ):  # round: size is two diameters
        shapes = [_Shape((_Arc(centre, outline.radius, True),))]
        if outline.bore > 0.0:
            shapes.append(_Shape((_Arc(centre, 0.5 * outline.bore, False),)))
        return shapes
    cos_, sin_ = cos(theta), sin(theta)
    corners = [
        (centre[0] + cos_ * x - sin_ * y, centre[1] + sin_ * x + cos_ * y)
        for x, y in outline.polygon(4).tolist()
    ]
    return [_Shape(tuple(_Edge(corners[i - 1], corners[i]) for i in range(len(corners))))]


@dataclass(frozen=True)
class _Piece:
    edge: _Edge | _Arc
    t0: float
    t1: float


def _kept(shapes: Sequence[_Shape], scale: float) -> Iterator[_Piece]:
    """Pieces of the shapes' edges that bound what is inside all of them."""
    for i, shape in enumerate(shapes):
        others = [other for j, other in enumerate(shapes) if j != i]
        before = [j < i for j in range(len(shapes)) if j != i]
        for edge in shape.edges:
            cuts = [
                t for other in others for e in other.edges for t in edge.cuts(e) if 0.0 < t < 1.0
            ]
            ends = [0.0, *sorted(cuts), 1.0]
            for t0, t1 in pairwise(ends):
                if t1 - t0 > 1e-13 and _bounds(
                    edge, _clear(edge, t0, t1, others), others, before, scale
                ):
                    yield _Piece(edge, t0, t1)


def _clear(edge: _Edge | _Arc, t0: float, t1: float, others: Sequence[_Shape]) -> float:
    """A place within a piece well away from the other edges: its middle may be where two circles touch."""
    places = [t0 + share * (t1 - t0) for share in (0.5, 0.38, 0.62)]
    return max(
        places, key=lambda t: min((abs(other.side(edge.at(t))) for other in others), default=0.0)
    )


def _bounds(
    edge: _Edge | _Arc, t: float, others: Sequence[_Shape], before: Sequence[bool], scale: float
) -> bool:
    """Whether the middle of a piece is on the border; of edges that lie on each other the first counts."""
    p = edge.at(t)
    for other, first in zip(others, before, strict=True):
        side = other.side(p)
        if abs(side) <= ON_EDGE * scale:
            inwards = edge.inwards(t)
            within = (p[0] + STEP_IN * scale * inwards[0], p[1] + STEP_IN * scale * inwards[1])
            if first or other.side(within) >= 0.0:
                return False
        elif side > 0.0:
            return False
    return True


@dataclass(frozen=True)
class FlatPressure:
    """How flat faces bear: pressure changes evenly over the overlap, in tension too if need be.

    `mean`, `peak`, `least` [Pa]; `slope` [Pa/m] along x and y.
    """

    mean: float
    peak: float
    least: float
    slope: Point

    @property
    def lifts(self) -> bool:
        """True when part of the overlap would be pulled: it lifts instead, and this picture ends."""
        return self.least < 0.0


@dataclass(frozen=True)
class Overlap:
    """Where two faces lie on each other, on the bench; made by `overlap`.

    `area` [m2], `centroid` [m], `second` (Jxx, Jxy, Jyy): second moments of area about the centroid [m4].
    """

    area: float
    centroid: Point
    second: tuple[float, float, float]
    _pieces: tuple[_Piece, ...]
    _outer: tuple[_Shape, ...]
    _bored: bool

    def _reach(self, direction: Point) -> float:
        """How far the overlap reaches in a direction (unit) from its centroid [m]."""
        gx, gy = self.centroid
        angle = atan2(direction[1], direction[0])
        best = -np.inf
        for piece in self._pieces:
            places = [piece.edge.at(piece.t0), piece.edge.at(piece.t1)]
            if isinstance(piece.edge, _Arc) and piece.edge.solid:
                t = (angle / (2.0 * pi)) % 1.0
                if piece.t0 < t < piece.t1:
                    places.append(piece.edge.at(t))
            for x, y in places:
                best = max(best, (x - gx) * direction[0] + (y - gy) * direction[1])
        return float(best)

    def pressure(self, load: float, point: Point) -> FlatPressure:
        """Pressure of flat faces under `load` [N] whose line passes through `point` [m] on the bench."""
        jxx, jxy, jyy = self.second
        ex, ey = point[0] - self.centroid[0], point[1] - self.centroid[1]
        determinant = jxx * jyy - jxy * jxy
        slope = (
            load * (jyy * ex - jxy * ey) / determinant,
            load * (jxx * ey - jxy * ex) / determinant,
        )
        steep, mean = hypot(*slope), load / self.area
        if steep == 0.0:
            return FlatPressure(mean, mean, mean, slope)
        up = (slope[0] / steep, slope[1] / steep)
        peak = mean + steep * self._reach(up)
        least = mean - steep * self._reach((-up[0], -up[1]))
        return FlatPressure(mean, peak, least, slope)

    @cached_property
    def hull(self) -> Array:
        """Corners of the convex hull, anticlockwise (k, 2) [m]; arcs as short chords."""
        return self._hull_by(HULL_STEP)

    def _hull_by(self, step: float) -> Array:
        points: list[Point] = []
        for piece in self._pieces:
            parts = 1
            if isinstance(piece.edge, _Arc) and piece.edge.solid:
                parts = max(1, round(2.0 * pi * (piece.t1 - piece.t0) / step))
            points += [
                piece.edge.at(piece.t0 + (piece.t1 - piece.t0) * k / parts)
                for k in range(parts + 1)
            ]
        return _hull(points)

    def holds(self, point: Point) -> bool:
        """Whether the hull holds a point; sooner told than how far it lies inside."""
        if self._bored and min(shape.inside(point) for shape in self._outer) < 0.0:
            return False
        if self._bored and _distance_inside(self._hull_by(COARSE_STEP), point) >= 0.0:
            return True
        return self.margin(point) >= 0.0

    def margin(self, point: Point) -> float:
        """Distance of a point inside the hull [m]; below zero outside."""
        if not self._bored:
            inside = min(shape.inside(point) for shape in self._outer)
            if inside >= 0.0:
                return inside
        return _distance_inside(self.hull, point)


def _distance_inside(corners: Array, point: Point) -> float:
    """Distance of a point inside a convex polygon, anticlockwise (k, 2) [m]; below zero outside."""
    ahead = np.roll(corners, -1, axis=0) - corners
    to = np.asarray(point) - corners
    long = np.hypot(ahead[:, 0], ahead[:, 1])
    left = (ahead[:, 0] * to[:, 1] - ahead[:, 1] * to[:, 0]) / long
    if left.min() >= 0.0:
        return float(left.min())
    along = np.clip((to * ahead).sum(axis=1) / long**2, 0.0, 1.0)
    off = to - along[:, None] * ahead
    return -float(np.hypot(off[:, 0], off[:, 1]).min())


def _hull(points: Sequence[Point]) -> Array:
    """Convex hull by sweeping from left to right (A. M. Andrew, Inf. Process. Lett. 9 (1979) 216)."""
    ordered = sorted(set(points))

    def chain(row: Sequence[Point]) -> list[Point]:
        kept: list[Point] = []
        for p in row:
            while len(kept) > 1 and _turns_left(kept[-2], kept[-1], p) <= 0.0:
                kept.pop()
            kept.append(p)
        return kept[:-1]

    return np.array(chain(ordered) + chain(ordered[::-1]))


def _turns_left(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def overlap(top: Outline, bottom: Outline, c: Point, theta: float = 0.0) -> Overlap:
    """Overlap of two faces, the top's centre at `c` [m] on the bench and turned by `theta` [rad].

    Raises
    ------
    NoOverlapError
        When they do not lie on each other.

    """
    below, above = (
        _shapes(bottom, (0.0, 0.0), 0.0),
        _shapes(top, (float(c[0]), float(c[1])), float(theta)),
    )
    scale = max(top.radius, bottom.radius)
    pieces = tuple(_kept([*below, *above], scale))
    nodes = [piece.edge.nodes(piece.t0, piece.t1) for piece in pieces]
    if not nodes:
        raise _apart(c)
    (x, y), (dx, dy) = (np.concatenate([n[k] for n in nodes], axis=1) for k in (0, 1))
    # About a point of the overlap itself, so that a small one far out keeps its digits.
    x0, y0 = float(x.mean()), float(y.mean())
    x, y = x - x0, y - y0
    area = float(0.5 * (x @ dy - y @ dx))
    if not area > (ON_EDGE * scale) ** 2:
        raise _apart(c)
    gx, gy = float(0.5 * (x**2 @ dy)) / area, float(-0.5 * (y**2 @ dx)) / area
    second = (
        float(x**3 @ dy) / 3.0 - area * gx * gx,
        float(0.5 * ((x**2 * y) @ dy)) - area * gx * gy,
        float(-(y**3) @ dx) / 3.0 - area * gy * gy,
    )
    bored = len(below) + len(above) > 2
    return Overlap(area, (x0 + gx, y0 + gy), second, pieces, (below[0], above[0]), bored)


def _apart(c: Point) -> NoOverlapError:
    text = "the faces do not lie on each other with the top {off:place} off centre"
    return NoOverlapError(text, off=hypot(*c))
