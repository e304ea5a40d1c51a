"""A plate (or a part): its outline, metal, grooves and starting form, and the map of its face.

A measured face is read between its own cells and over other ones: means over areas, or a smooth curve between
points, each axis by itself.  A target takes a few neighbouring points with a share each; the sums are made in
a fixed order, so that the answer does not depend on the number of threads.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from math import ceil, cos, pi, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, StudyError
from lapwright.specification.grooves import Edges, Grid, Grooves, land_edges, land_fraction
from lapwright.specification.materials import Material, material_named
from lapwright.specification.outline import SIZE, Outline
from lapwright.specification.quantities import (
    ANGLE,
    LENGTH,
    MASS,
    SMALL,
    quantity,
)
from lapwright.specification.said import Frozen, RefusedError, Said, Size, made
from lapwright.specification.supports import BED, SUPPORTS, Supports
from lapwright.specification.table import whole
from lapwright.specification.wedge import Wedge
from lapwright.units import GRAVITY

Array = NDArray[np.float64]

FEWEST_POINTS = 4  # along an axis, for a curve between points


@dataclass(frozen=True)
class Shares:
    """Target j takes `share[j]` (n, k) of the k points from `first[j]` (n,) on."""

    first: NDArray[np.intp]
    share: Array

    def touched(self) -> Shares:
        """Equal shares, summing to 1, of the points that are used at all; nothing where none is."""
        used = (np.abs(self.share) > 1e-12).astype(float)
        return Shares(self.first, used / np.maximum(used.sum(axis=1, keepdims=True), 1.0))


def boxes(start: float, step: float, count: int, centres: Array, width: float) -> Shares:
    """Mean over targets `width` [m] wide, of `count` points that each stand for `step` [m] round themselves.

    The shares of a target sum to the part of it that the points cover.
    """
    k = min(ceil(width / step - 1e-9) + 1, count)
    # In points, counted from the edge of the first.
    low = (centres - 0.5 * width - start) / step + 0.5
    first = np.clip(np.floor(low + 1e-9).astype(np.intp), 0, count - k)
    left = first[:, None] + np.arange(k)
    high = low + width / step
    overlap = np.minimum(left + 1.0, high[:, None]) - np.maximum(left, low[:, None])
    share: Array = np.clip(overlap, 0.0, None) * (step / width)
    share[share < 1e-9] = 0.0  # a hair over the border is round-off
    return Shares(first, share)


def cubic(start: float, step: float, count: int, places: Array) -> Shares:
    """Keys' cubic curve (a = -1/2) through at least four points; exact on quadratics, the ends included.

    It goes on for half a step beyond the outermost points; farther out there is nothing (shares 0).
    Source: R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153-1160, from memory; the polynomial is tested.
    """
    p = (places - start) / step
    i = np.clip(np.floor(p).astype(np.intp), 0, count - 2)
    u = p - i
    w0 = u * (-0.5 + u * (1.0 - 0.5 * u))
    w1 = 1.0 + u * u * (-2.5 + 1.5 * u)
    w2 = u * (0.5 + u * (2.0 - 1.5 * u))
    w3 = u * u * (-0.5 + 0.5 * u)
    nothing = np.zeros_like(u)
    # Beyond an end stands a point that the quadratic through the last three foretells: 3, -3, 1 of them.
    inside = np.stack([w0, w1, w2, w3], 1)
    begin = np.stack([w1 + 3.0 * w0, w2 - 3.0 * w0, w3 + w0, nothing], 1)
    end = np.stack([nothing, w0 + w3, w1 - 3.0 * w3, w2 + 3.0 * w3], 1)
    share = np.where((i == 0)[:, None], begin, np.where((i == count - 2)[:, None], end, inside))
    there = (p >= -0.5 - 1e-9) & (p <= count - 0.5 + 1e-9)
    return Shares(np.clip(i - 1, 0, count - 4), share * there[:, None])


def curve_means(start: float, step: float, count: int, centres: Array, width: float) -> Shares:
    """Mean over targets `width` [m] wide of the cubic curve: midpoint rule, pieces of half a step at most.

    Of a quadratic it is the height in the middle and, everywhere the same, what the curvature adds to a mean.
    """
    pieces = 2 * ceil(width / step)
    off = ((np.arange(pieces) + 0.5) / pieces - 0.5) * width
    fine = cubic(start, step, count, (centres[:, None] + off).ravel())
    begin = fine.first.reshape(-1, pieces)
    k = min(int(np.ptp(begin, axis=1).max()) + 4, count)
    first = np.minimum(begin.min(axis=1), count - k)
    share = np.zeros((centres.size, k))
    target = np.repeat(np.arange(centres.size), pieces)
    for i in range(4):
        np.add.at(share, (target, fine.first + i - first[target]), fine.share[:, i] / pieces)
    return Shares(first, share)


def _along(shares: Shares, z: Array) -> Array:
    """Resample the first axis of z (m, c): (n, c)."""
    k = shares.share.shape[1]
    out = np.empty((shares.first.size, z.shape[1]))
    for j, (first, share) in enumerate(zip(shares.first, shares.share, strict=True)):
        np.einsum("k,kc->c", share, z[first : first + k], out=out[j])
    return out


def resampled(z: Array, rows: Shares, columns: Shares) -> Array:
    """A map (m, c) on the targets of both axes, (len rows, len columns)."""
    return np.ascontiguousarray(_along(columns, np.ascontiguousarray(_along(rows, z).T)).T)


@dataclass(frozen=True)
class Measured:
    """Heights (ny, nx) [m] on `grid`, looking at the face, with no gaps: they have been filled already.

    Two are the same when their grids and heights are, bit for bit.
    """

    grid: Grid
    heights: Array = field(compare=False, repr=False)
    digest: str = field(default="", repr=False)

    def __post_init__(self) -> None:
        heights = np.array(self.heights, dtype=float)
        if heights.shape != self.grid.shape or not np.isfinite(heights).all():
            raise ValueError("a measured face needs a finite height for each of its cells")
        heights.setflags(write=False)
        object.__setattr__(self, "heights", heights)
        object.__setattr__(self, "digest", hashlib.sha256(heights.tobytes()).hexdigest())

    def over(self, grid: Grid) -> Array:
        """Heights (ny, nx) [m] on other cells: means over coarser ones, a smooth curve to finer ones."""
        if grid == self.grid:
            return self.heights.copy()
        own = self.grid
        rows = self._shares(own.ny, grid.y, grid.cell)
        return resampled(self.heights, rows, self._shares(own.nx, grid.x, grid.cell))

    def _shares(self, count: int, places: Array, width: float) -> Shares:
        cell = self.grid.cell
        start = -0.5 * (count - 1) * cell
        # A place beyond the map takes the height at its edge.
        reach = 0.5 * count * cell
        if width > cell * (1.0 + 1e-9):
            within = max(reach - 0.5 * width, 0.0)
            shares = curve_means(start, cell, count, np.clip(places, -within, within), width)
            return Shares(shares.first, shares.share / shares.share.sum(axis=1, keepdims=True))
        return cubic(start, cell, count, np.clip(places, -reach, reach))

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at points [m], same shape as `x`: the smooth curve through the cells' heights."""
        px, py = np.ravel(np.asarray(x, dtype=float)), np.ravel(np.asarray(y, dtype=float))
        across, up = self._shares(self.grid.nx, px, 0.0), self._shares(self.grid.ny, py, 0.0)
        out = np.zeros(px.shape)
        flat = self._flat
        for j in range(4):
            row = (up.first + j) * self.grid.nx + across.first
            line = sum(across.share[:, i] * flat[row + i] for i in range(4))
            out += up.share[:, j] * line
        return out.reshape(np.shape(x))

    @cached_property
    def _flat(self) -> Array:
        return self.heights.ravel()


HEIGHT = quantity(SMALL, least="-1 mm", most="1 mm")
RISE = quantity(SMALL, least="0 um", most="1 mm")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
WAVES = 8  # in a ripple without an angle
PER_WAVE, MOST_POINTS = 20, 600  # a side, over which such a ripple is scaled to its height


@dataclass(frozen=True)
class Ripple(Frozen):
    """Waviness of `height` [m] from valley to peak.

    `wavelength` [m] (None: an eighth of the smaller dimension) across `angle` [rad].  With an angle it is one
    sine wave, rising through 0 at the centre (with a seed: in a seeded phase).  Without an angle it is a
    blend of eight waves of that length in seeded directions and phases, scaled until the face spans `height`.
    """

    height: Said[float] = Said(RISE)
    wavelength: Said[float | None] = Said(SIZE, default=None)
    angle: Said[float | None] = Said(TURNED, default=None)
    seed: Said[int | None] = Said(whole(0, 2**32 - 1, "a seed"), default=None)

    def heights(self, x: Array, y: Array, outline: Outline) -> Array:
        """Heights about zero at points (ny, nx) [m]; the same at a point whatever the grid."""
        wavelength = self.wavelength or outline.smaller / 8.0
        number = 2.0 * pi / wavelength
        rng = np.random.default_rng(self.seed or 0)
        if self.angle is not None:
            phase = rng.uniform(0.0, 2.0 * pi) if self.seed is not None else 0.0
            wave = _waves(x, y, number, np.array([self.angle]), np.array([phase]))
            return 0.5 * self.height * wave
        directions, phases = rng.uniform(0.0, pi, WAVES), rng.uniform(0.0, 2.0 * pi, WAVES)
        # Scaled over a lattice of its own, not over the plate's cells: finer cells must not change the face.
        sides = []
        for side in outline.size:
            points = min(ceil(PER_WAVE * side / wavelength) + 1, MOST_POINTS)
            sides.append(np.linspace(-0.5 * side, 0.5 * side, points))
        sx, sy = np.meshgrid(*sides)
        face = _waves(sx, sy, number, directions, phases)[outline.signed_distance(sx, sy) <= 0.0]
        low, high = float(face.min()), float(face.max())
        scale = self.height / (high - low) if high > low else 0.0
        return scale * (_waves(x, y, number, directions, phases) - 0.5 * (low + high))


def _waves(x: Array, y: Array, number: float, directions: Array, phases: Array) -> Array:
    """Sum of sine waves of one wave number [1/m]."""
    out = np.zeros(np.shape(x))
    for direction, phase in zip(directions, phases, strict=True):
        out += np.sin(number * (x * cos(direction) + y * sin(direction)) + phase)
    return out


def _rippled(value: Any) -> Ripple:
    """A ripple from its height alone, or from all it takes."""
    return Ripple(value) if isinstance(value, str) else made(Ripple)(value)


def _measured(heights: Array, cell: float) -> Measured:
    """A map of heights (ny, nx) [m] on square cells [m]."""
    heights = np.asarray(heights, dtype=float)
    if heights.ndim != 2 or not np.isfinite(heights).all():
        wrong = "needs rows of heights [m] without gaps: fill them, or save the map as a file and name that"
        raise StudyError([Fault("StartForm.measured", wrong, "map")])
    if not cell > 0.0:
        raise StudyError([Fault("StartForm.measured", f"cells of {cell} m cannot be", "range")])
    return Measured(Grid(heights.shape[1], heights.shape[0], cell), heights)


@dataclass(frozen=True)
class StartForm(Frozen):
    """Form errors [m], with the signs and sizes of the measures of the same names (see `measure`).

    They add; each measure gives back what was put in here, at any margin, since it fits these very shapes.
    `wind` is + when the corners at 1:30 and 7:30 are the high pair, whichever side is the longer.
    `measured` is what a height map from an instrument holds beside these sizes; they add.  It may be given as
    heights (ny, nx) [m], seen from the face, row 0 at 6 o'clock, with the side of their square cells [m].
    `dome` and `dish`, what a person says, are the sphere with either sign, and stand in its place.
    """

    sphere: Said[float] = Said(HEIGHT, default=0.0)
    saddle: Said[float] = Said(HEIGHT, default=0.0)
    twist: Said[float] = Said(HEIGHT, default=0.0)
    bow: Said[float] = Said(HEIGHT, default=0.0)
    crown: Said[float] = Said(HEIGHT, default=0.0)
    wind: Said[float] = Said(HEIGHT, default=0.0)
    ripple: Said[Ripple | None] = Said(_rippled, default=None)
    measured: Measured | None = None

    def __init__(
        self,
        sphere: Size = 0.0,
        saddle: Size = 0.0,
        twist: Size = 0.0,
        bow: Size = 0.0,
        crown: Size = 0.0,
        wind: Size = 0.0,
        ripple: Ripple | Size | Mapping[str, Any] | None = None,
        measured: Measured | tuple[Array, float] | None = None,
        *,
        dome: Size | None = None,
        dish: Size | None = None,
    ) -> None:
        if isinstance(ripple, float | int):
            ripple = Ripple(ripple)
        if isinstance(measured, tuple):
            measured = _measured(*measured)
        self._put(sphere=sphere, saddle=saddle, twist=twist, bow=bow, crown=crown, wind=wind)
        self._put(ripple=ripple, measured=measured)
        if dome is not None or dish is not None:
            self._put(sphere=dish or 0.0)
            hollow = self.sphere
            self._put(sphere=dome or 0.0)
            self._put(sphere=self.sphere - hollow)

    def heights(self, grid: Grid, outline: Outline) -> Array:
        """The face's map, (ny, nx) [m], looking at it.

        Parameters
        ----------
        grid : Grid
            The cells.
        outline : Outline
            Of the face.

        Returns
        -------
        array
            (ny, nx) [m].

        """
        z = self._written(*grid.mesh(), outline)
        return z if self.measured is None else z + self.measured.over(grid)

    def at(self, x: Array, y: Array, outline: Outline) -> Array:
        """Heights [m] at points of the face [m], looking at it; same shape as `x`.

        Parameters
        ----------
        x, y : array
            Places on the face [m], of one shape.
        outline : Outline
            Of the face.

        Returns
        -------
        array
            Of the same shape [m].

        """
        z = self._written(x, y, outline)
        return z if self.measured is None else z + self.measured.at(x, y)

    def _written(self, x: Array, y: Array, outline: Outline) -> Array:
        """Heights [m] of what is said by sizes alone."""
        r2 = outline.radius**2
        z = -self.sphere * (x * x + y * y) / r2
        z += self.saddle * (x * x - y * y) / (2.0 * r2)
        z += self.twist * (2.0 * x * y) / (2.0 * r2)
        width, height = outline.size
        along, across = (x, y) if width >= height else (y, x)
        length, breadth = max(width, height), min(width, height)
        z -= self.bow * 4.0 * along**2 / length**2
        z -= self.crown * 4.0 * across**2 / breadth**2
        z += self.wind * 2.0 * x * y / (length * breadth)
        if self.ripple is not None:
            z += self.ripple.heights(x, y, outline)
        return z


FLAT = StartForm()
NO_THICKNESS = 'is missing: write thickness = "30 mm", or mass = "4.4 kg"'


ALIKE = 4  # kinds of plates whose land is kept at a time: most lie on their like, and are lapped many times


@lru_cache(maxsize=ALIKE)
def _land(grid: Grid, outline: Outline, grooves: Grooves | None) -> Array:
    """Share of each cell that is land (ny, nx), read-only."""
    land = land_fraction(grid, outline, grooves, 0.0)
    land.setflags(write=False)
    return land


@lru_cache(maxsize=ALIKE)
def _edges(grid: Grid, outline: Outline, grooves: Grooves | None) -> Edges:
    """How the edges of the land lie within each cell, read-only."""
    edges = land_edges(grid, outline, grooves, _land(grid, outline, grooves))
    for part in edges:
        part.setflags(write=False)
    return edges


@dataclass(frozen=True)
class Plate(Frozen):
    """A body with a working face.

    `thickness` [m] and `mass` [kg]: the mass follows from outline, thickness and density (grooves, which are
    shallow, not taken off) unless it is given; at least one of the two must be.
    `supports`: what it stands on while it lies below and while it is read.  `wedge`: how far its face is out
    of parallel with its back as it begins; `thickness` is the mean.  `cells` across the larger side.
    A study names its plates.

    Raises
    ------
    StudyError
        Neither thickness nor mass is given, or feet that do not stand under it.

    """

    outline: Outline
    thickness: Said[float | None] = Said(quantity(LENGTH, above="0 mm", most="1 m"), default=None)
    material: Said[Material] = Said(material_named, "grey iron")
    mass: Said[float | None] = Said(quantity(MASS, above="0 kg", most="5000 kg"), default=None)
    grooves: Said[Grooves | None] = Said(made(Grooves), default=None)
    form: Said[StartForm] = Said(made(StartForm), default=FLAT)
    supports: Said[Supports] = Said(SUPPORTS, BED, Supports())
    wedge: Said[Wedge | None] = Said(made(Wedge), default=None)
    cells: Said[int] = Said(whole(16, 1024, "a number of cells"), "128", 128)
    note: str = ""
    name: str = ""

    def __post_init__(self) -> None:
        if self.thickness is None and self.mass is None:
            raise StudyError([Fault("Plate.thickness", NO_THICKNESS, "missing")])
        try:
            self.feet  # noqa: B018 (asked for its refusal)
        except RefusedError as trouble:
            raise StudyError([Fault("Plate.supports", trouble.message, trouble.code)]) from None

    @cached_property
    def grid(self) -> Grid:
        """The cells of the face."""
        return Grid.over(*self.outline.size, self.cells)

    @cached_property
    def land(self) -> Array:
        """Share of each cell that is land, (ny, nx), read-only."""
        return _land(self.grid, self.outline, self.grooves)

    @cached_property
    def edges(self) -> Edges:
        """How the edges of the land lie within each cell, read-only."""
        return _edges(self.grid, self.outline, self.grooves)

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

    @cached_property
    def feet(self) -> tuple[tuple[float, float], ...] | None:
        """Places of the feet that it stands on, looking at the face [m]; None on a flat bed."""
        return self.supports.under(self.outline)

    @property
    def total_mass(self) -> float:
        """Mass [kg], given or worked out."""
        if self.mass is not None:
            return self.mass
        return self.outline.area * (self.thickness or 0.0) * self.material.density

    @property
    def mass_per_depth(self) -> float:
        """What wear takes with each metre of depth off the land [kg/m]."""
        return self.material.density * self.land_area

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
