"""Cuts through two plates lying on each other: where the top would rest, and how far apart they are.

Pressed on the grit it lies as the pressure there says, lifted until the faces just touch where they are
nearest: whatever is then no wider than `give` is filled with grit and bears.  Laid down dry it rests on the
plane, lowest at its middle, that no high spot reaches through.  The edge margin is left out, as it is of
every figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, hypot, pi, sin

import numpy as np
from matplotlib.path import Path
from numpy.typing import NDArray

from lapwright.lapping.laid import on_face
from lapwright.report.account import Face
from lapwright.report.pictures.faces import inside_land, spread_out
from lapwright.report.pictures.ink import Array

__all__ = ["Cut", "Pile", "best_angle", "piled", "rest_plane"]

POINTS = 401
ASIDE = 0.2  # of the reach: how far beside the middle a cut may go to keep out of a groove
LAND = 0.02  # share of a cell below which it has no land at all
CLEARLY = 1.1  # another cut than from 9 to 3 must show a gap wider by so much
ACTIVE = 40  # points that the plane is first laid on
TURNS = 40
OFF = 0.1  # of the top: from there on it lies off the middle of the bottom


@dataclass(frozen=True)
class Cut:
    """A cut through the middle of the top; heights [m], nan where there is no land."""

    at: Array  # (k,) place along the cut, from the middle of the top [m]
    bottom: Array
    top: Array  # underside of the top where it rests
    angle: float  # of the cut, anticlockwise from 3 o'clock [rad]
    aside: bool  # taken beside the middle, because a groove runs there
    give: float = 0.0  # widest gap that grit fills [m]; 0 where the top is laid down dry
    off: float = 0.0  # how far along the cut the middle of the bottom lies from that of the top [m]

    @property
    def gap(self) -> Array:
        """Distance between the faces [m]; nan where one of them has no land."""
        return self.top - self.bottom

    @property
    def widest(self) -> float:
        """The widest gap [m]; 0 where they do not lie over each other."""
        gap = self.gap[np.isfinite(self.gap)]
        return max(float(gap.max()), 0.0) if gap.size else 0.0

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Where grit fills the gap and bears (k,)."""
        return np.asarray(self.gap <= self.give * (1.0 + 1e-6) + 1e-12)


@dataclass(frozen=True)
class Surface:
    """A face to be read at any point: its map carried on past the edge, its outline, its grooves."""

    face: Face
    heights: Array
    outline: Path
    missing: NDArray[np.bool_]  # cells without land
    grooved: bool

    @classmethod
    def of(cls, face: Face, end: bool) -> Surface:
        """The face before, or after (`end`)."""
        land = np.asarray(face.record.land, dtype=float)
        groove = (land < 0.5) & inside_land(land) & ~_in_bore(face)
        filled = spread_out(face.levelled[int(end)], 3)
        return cls(face, filled, Path(_inside_margin(face)), groove | (land < LAND), bool(groove.any()))

    def at(self, x: Array, y: Array) -> Array:
        """Heights at points [m], nan off the land."""
        record = self.face.record
        gx, gy = np.asarray(record.x), np.asarray(record.y)
        out = _between(gx, gy, self.heights, x, y)
        points = np.stack([np.ravel(x), np.ravel(y)], axis=1)
        inside = self.outline.contains_points(points).reshape(np.shape(x))
        if self.face.bore > 0.0:
            inside &= np.hypot(x, y) >= self.face.bore + record.margin * (1.0 - 1e-6)
        inside &= ~_nearest(gx, gy, self.missing, x, y)
        return np.where(inside, out, np.nan)


@dataclass(frozen=True)
class Pile:
    """The top lying on the bottom, its middle at `c` [m], turned by `theta` [rad].

    h + a x + b y, counted from c, is where its mean plane lies; grit fills gaps up to `give` [m].
    """

    bottom: Surface
    top: Surface
    theta: float
    plane: tuple[float, float, float]
    c: tuple[float, float] = (0.0, 0.0)
    give: float = 0.0

    def cut(self, angle: float = 0.0) -> Cut:
        """Cut through the middle at an angle [rad]; beside the middle where a groove would run along it."""
        below = self.bottom.face
        under, over = _reach(below, angle), _reach(self.top.face, angle)
        off = -(self.c[0] * cos(angle) + self.c[1] * sin(angle))
        at = np.linspace(min(off - under, -over), max(off + under, over), POINTS)
        best = self._at(at, angle, 0.0)
        if not (self.bottom.grooved or self.top.grooved):
            return best
        cell, there = abs(float(below.record.y[1] - below.record.y[0])), _covered(best)
        for k in range(1, int(ASIDE * min(below.half) / cell) + 1):
            for offset in (k * cell, -k * cell):
                other = self._at(at, angle, offset)
                if _covered(other) > 1.3 * there:
                    return other
        return best

    def _at(self, at: Array, angle: float, offset: float) -> Cut:
        x, y = at * cos(angle) - offset * sin(angle), at * sin(angle) + offset * cos(angle)
        z_bottom, z_top = self.bottom.at(x + self.c[0], y + self.c[1]), self.top.at(*laid(x, y, self.theta))
        h, a, b = self.plane
        off = -(self.c[0] * cos(angle) + self.c[1] * sin(angle))
        return Cut(at, z_bottom, h + a * x + b * y - z_top, angle, offset != 0.0, self.give, off)


def laid(x: Array, y: Array, theta: float) -> tuple[Array, Array]:
    """Face points of the top over points of the bench counted from its middle [m]."""
    zero = np.zeros(1)
    return on_face(x, y, zero, zero, np.array([theta]))


def piled(
    bottom: Face,
    top: Face,
    end: bool,
    theta: float = 0.0,
    c: tuple[float, float] = (0.0, 0.0),
    squeeze: Array | None = None,
) -> Pile:
    """Lay the top on the bottom, before or after (`end`): 12 on 12 or turned, its middle at `c` [m].

    `squeeze` (ny, nx), on the bottom's cells: how far grit gives under the load there [m]; None: laid dry.
    """
    record = bottom.record
    X, Y = np.meshgrid(record.x, record.y)
    on = bottom.on
    x, y = X[on] - c[0], Y[on] - c[1]
    low, high = Surface.of(bottom, end), Surface.of(top, end)
    total = low.at(X[on], Y[on]) + high.at(*laid(x, y, theta))
    both = np.isfinite(total)
    x, y, total = x[both], y[both], total[both]
    given = np.zeros_like(total) if squeeze is None else squeeze[on][both]
    bears = given > 0.0
    if bears.sum() < 3:
        return Pile(low, high, theta, rest_plane(x, y, total), c)
    give = float(given.max())
    return Pile(low, high, theta, _pressed_plane(x[bears], y[bears], (total - given)[bears], give), c, give)


def _pressed_plane(x: Array, y: Array, level: Array, give: float) -> tuple[float, float, float]:
    """Plane of a top under load: through the heights of both faces less what the grit gives, lifted by it."""
    scale = max(float(np.hypot(x, y).max()), 1e-12)
    terms = np.stack([np.ones_like(x), x / scale, y / scale], axis=1)
    h, a, b = np.linalg.lstsq(terms, level, rcond=1e-9)[0]
    return float(h) + give, float(a) / scale, float(b) / scale


def rest_plane(x: Array, y: Array, total: Array) -> tuple[float, float, float]:
    """Plane h + a x + b y on which the top rests over points (n,) [m]: lowest in the middle, least tilted.

    Where the middle does not lie between points that could bear, it lies level on the highest.
    """
    from scipy.optimize import linprog

    if total.size == 0:
        return 0.0, 0.0, 0.0
    level = float(total.max()), 0.0, 0.0
    unit, reach = float(np.ptp(total)), float(np.hypot(x, y).max())
    if unit < 1e-12 or reach <= 0.0:
        return level
    u, v, z = x / reach, y / reach, (total - total.max()) / unit
    ends = [int(np.argmax(u * cos(t) + v * sin(t))) for t in np.linspace(0.0, 2.0 * pi, 16)]
    some = np.union1d(np.argsort(z)[-ACTIVE:], ends)
    plane = np.array([0.0, 0.0, 0.0])
    for _ in range(TURNS):
        rows = np.stack([-np.ones(some.size), -u[some], u[some], -v[some], v[some]], axis=1)
        # The slopes cost a trifle, so that among planes alike the level one is taken.
        found = linprog(
            [1.0, 1e-6, 1e-6, 1e-6, 1e-6], rows, -z[some], bounds=[(None, None), *[(0, None)] * 4]
        )
        if not found.success:
            return level
        h, a, a_, b, b_ = found.x
        plane = np.array([h, a - a_, b - b_])
        over = z - (plane[0] + plane[1] * u + plane[2] * v)
        if over.max() < 1e-7:
            break
        some = np.union1d(some, np.argsort(over)[-8:])
    h, a, b = (float(p) for p in plane)
    return h * unit + float(total.max()), a * unit / reach, b * unit / reach


def best_angle(bottom: Face, top: Face, piles: Sequence[Pile]) -> float:
    """Angle of the cut that shows the widest gap, before and after together [rad].

    From 9 to 3 (a long pair: along it) unless another is clearly wider; through both middles where the top
    lies off that of the bottom.
    """
    lead = top if top.long and not bottom.long else bottom
    along = 0.5 * pi if lead.long and lead.half[1] > lead.half[0] else 0.0
    angles = [along, 0.5 * pi - along, *_corners(bottom, top)]
    x, y = piles[0].c
    if hypot(x, y) > OFF * min(top.half):
        return atan2(y, x)
    widest = [sum(p.cut(a).widest for p in piles) for a in angles]
    best = int(np.argmax(widest))
    return angles[best] if widest[best] > CLEARLY * widest[0] + 2e-9 else angles[0]


def _corners(bottom: Face, top: Face) -> tuple[float, float]:
    """Angles from corner to corner of the smaller of the two; half-way between the hours for round ones."""
    face = min((bottom, top), key=lambda f: f.half[0] * f.half[1])
    corner = atan2(face.half[1], face.half[0])
    return corner, -corner


def _covered(piece: Cut) -> int:
    return int(np.isfinite(piece.gap).sum())


def _reach(face: Face, angle: float) -> float:
    """From the middle to the edge along a line [m]."""
    u = face.outer[:, 0] * cos(angle) + face.outer[:, 1] * sin(angle)
    if hypot(*face.half) > 1.05 * float(np.hypot(*face.outer.T).max()):
        return float(np.abs(u).max())  # round
    sides = [h / max(abs(c), 1e-12) for h, c in zip(face.half, (cos(angle), sin(angle)), strict=True)]
    return float(min(sides))


def _inside_margin(face: Face) -> Array:
    """The outline less the edge margin (k, 2) [m], which is left out of every figure."""
    margin = float(face.record.margin)
    if hypot(*face.half) > 1.05 * float(np.hypot(*face.outer.T).max()):  # round
        return np.asarray(face.outer * (1.0 - margin / max(face.half) + 1e-6))
    return np.asarray(np.sign(face.outer) * (np.abs(face.outer) - margin * (1.0 - 1e-6)))


def _in_bore(face: Face) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(*np.meshgrid(face.record.x, face.record.y)) < face.bore)


def _between(gx: Array, gy: Array, z: Array, x: Array, y: Array) -> Array:
    """Straight between the cells; carried on over the half cell to the rim."""
    fx = np.clip((x - gx[0]) / (gx[1] - gx[0]), -0.5, len(gx) - 0.5)
    fy = np.clip((y - gy[0]) / (gy[1] - gy[0]), -0.5, len(gy) - 0.5)
    i = np.clip(np.floor(fx).astype(int), 0, len(gx) - 2)
    j = np.clip(np.floor(fy).astype(int), 0, len(gy) - 2)
    u, v = fx - i, fy - j
    low = z[j, i] * (1.0 - u) + z[j, i + 1] * u
    high = z[j + 1, i] * (1.0 - u) + z[j + 1, i + 1] * u
    return np.asarray(low * (1.0 - v) + high * v)


def _nearest(gx: Array, gy: Array, mask: NDArray[np.bool_], x: Array, y: Array) -> NDArray[np.bool_]:
    i = np.clip(np.rint((x - gx[0]) / (gx[1] - gx[0])).astype(int), 0, len(gx) - 1)
    j = np.clip(np.rint((y - gy[0]) / (gy[1] - gy[0])).astype(int), 0, len(gy) - 1)
    return np.asarray(mask[j, i])
