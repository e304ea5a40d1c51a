"""Where a gauge touches a face, on what feet, and with what weight each place counts.

A reading is linear in the heights of the face: the sum of weight x height over the places touched.  That one
sentence is why blind spots, uncertainties and the way back to form are all linear algebra.

What a foot stands on: a point, a ball or a flat pad, on land or in a groove.

Faces that a gauge may be set on: written down as forms (exact), or mapped on a plate's cells.

Closed forms of what instruments read: spherometers, three pads in line, fringes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.form import (
    form_names,
    quadratic_at,
    quadratic_normal,
    quadratic_sums,
)
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate, StartForm

Array = NDArray[np.float64]
Heights = Callable[[Array, Array], Array]  # heights [m] at points of a face [m]


@dataclass(frozen=True)
class Placement:
    """Where a gauge is set down: its middle `at` (x, y) [m] of the face, turned by `angle` [rad].

    Looking at the face; + is anticlockwise and 0 lies along 3-9.  `along` [m]: where on its own line an
    indicator stands that can be moved (a straightedge's), from the middle.
    """

    at: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0
    along: float = 0.0


@dataclass(frozen=True)
class Contacts:
    """Places `x`, `y` (n,) [m] of a face and their `weight` (n,) [1; of an angle gauge 1/m]."""

    x: Array
    y: Array
    weight: Array

    def of(self, heights: Heights) -> float:
        """What is read off a face of these heights [m; of an angle gauge rad]."""
        return float((self.weight * heights(self.x, self.y)).sum())

    @property
    def rigid(self) -> tuple[float, float, float]:
        """What is read when the face is raised by 1 m, or tilted by 1 rad up along x, or along y."""
        return (
            float(self.weight.sum()),
            float((self.weight * self.x).sum()),
            float((self.weight * self.y).sum()),
        )

    def row(self, outline: Outline) -> Array:
        """What is read for 1 m of each form that is spoken of, in the order of `form_names`, (3,)."""
        return np.array([self.of(shape_of(name, outline)) for name in form_names(outline)])


def touching(place: Placement, points: Array, weight: Array) -> Contacts:
    """Contacts at `points` (n, 2) [m] given in the gauge's own axes, set down at a place."""
    c, s = cos(place.angle), sin(place.angle)
    u, v = points[:, 0], points[:, 1]
    x, y = place.at[0] + c * u - s * v, place.at[1] + s * u + c * v
    return Contacts(x, y, np.asarray(weight, dtype=float))


def shape_of(name: str, outline: Outline) -> Heights:
    """Heights of 1 m of one form."""
    form = StartForm(**{name: 1.0})  # type: ignore[arg-type]
    return lambda x, y: form.at(x, y, outline)


@dataclass(frozen=True)
class Foot:
    """A foot that ends in a ball of radius `ball` [m], a flat pad of diameter `pad` [m], or a point.

    An `eye` that looks at bands, or a ring, stands in no groove: it is carried over so much width [m].
    """

    ball: float = 0.0
    pad: float = 0.0
    eye: float = 0.0

    def sink(self, distance: Array) -> Array:
        """How deep it sinks [m] when its middle is `distance` [m] off the land (NaN: it falls in).

        A ball rests on the edge of the groove: ball - sqrt(ball^2 - distance^2).  A pad that still reaches
        the land bridges the groove.
        """
        off = np.maximum(np.asarray(distance, dtype=float), 0.0)
        if self.pad > 0.0 or self.eye > 0.0:
            return np.where(off < 0.5 * max(self.pad, self.eye), 0.0, np.nan)
        depth = self.ball - np.sqrt(np.maximum(self.ball**2 - off**2, 0.0))
        return np.where((off == 0.0) | (off < self.ball), depth, np.nan)


@dataclass(frozen=True)
class Footing:
    """How feet stand on a plate: `off` (n,) [m] from the land, `sunk` (n,) [m] into it (NaN: fell in).

    `lies`: it has no feet, but lies over grooves, as a flat or a ring does.
    """

    off: Array
    sunk: Array
    lies: bool = False

    @property
    def firm(self) -> bool:
        """All on land."""
        return bool((self.off <= 0.0).all())

    @property
    def fallen(self) -> int:
        """How many fell into a groove or over the edge."""
        return int(np.isnan(self.sunk).sum())

    @property
    def words(self) -> str:
        """What is wrong with it, in words; empty when all is well."""
        parts = []
        if self.lies:
            if self.fallen:
                return "where it should be read there is a groove or no face: no reading"
            return "" if self.firm else "it lies over a groove, which does not matter"
        beside = int((self.sunk > 0.0).sum())  # a pad that reaches over does not sink
        if self.fallen:
            stands = "foot stands" if self.fallen == 1 else "feet stand"
            parts.append(f"{self.fallen} {stands} in a groove or over the edge: no reading")
        if beside:
            sags = "foot sags" if beside == 1 else "feet sag"
            parts.append(f"{beside} {sags} into a groove: move or turn the gauge")
        return "; ".join(parts)


def distance_to_land(plate: Plate, x: Array, y: Array) -> Array:
    """Distance of points [m] from the land, 0 on it: in a groove, or outside the outline."""
    grooves = plate.grooves
    left = plate.outline.shrunk(grooves.rim) if grooves is not None else plate.outline
    if left is None:
        return np.full(np.shape(x), np.inf)
    inside = -left.signed_distance(x, y)
    if grooves is not None:
        inside = np.minimum(inside, grooves.distance(x, y))
    return np.maximum(-inside, 0.0)


def footing(plate: Plate, contacts: Contacts, foot: Foot) -> Footing:
    """How the feet stand on a plate."""
    off = distance_to_land(plate, contacts.x, contacts.y)
    # A hair of round-off is no groove.
    off = np.where(off < 1e-9, 0.0, off)
    return Footing(off, foot.sink(off), lies=foot.eye > 0.0)


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
        on = self.plate.land > 0.0
        rest = np.where(on, self.z, 0.0)
        gx, gy = (
            axis / self.plate.outline.radius for axis in (self.plate.grid.x, self.plate.grid.y)
        )
        coefficients = _quadratic(self.plate) @ quadratic_sums(self.plate.land * rest, gx, gy)
        rest -= np.where(on, quadratic_at(coefficients, gx, gy), 0.0)
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        near, share = _around(self.plate, x.ravel(), y.ravel())
        left = (share * rest.ravel()[near]).sum(axis=0).reshape(x.shape)
        u, v = x / self.plate.outline.radius, y / self.plate.outline.radius
        one, along, across, uu, uv, vv = coefficients
        quadratic = one + u * (along + uu * u + uv * v) + v * (across + vv * v)
        return np.asarray(quadratic + left)


@lru_cache(maxsize=16)
def _quadratic(plate: Plate) -> Array:
    """Matrix (6, 6) from sums of a map, weighted by land and lengths in R, to its least-squares quadratic."""
    x, y = plate.grid.x / plate.outline.radius, plate.grid.y / plate.outline.radius
    return np.asarray(
        np.linalg.pinv(quadratic_normal(plate.land, x, y), hermitian=True), np.float64
    )


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
    return Shown(
        float((contacts.weight * (_under(face, contacts, foot) - stand.sunk)).sum()), stand
    )


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
    return (
        _under_pads(face, contacts, foot.pad) if foot.pad > 0.0 else face.at(contacts.x, contacts.y)
    )


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


def wave_reading(amplitude: float, wavelength: float, length: float) -> float:
    """What three pads in line, length/2 apart, read on a crest of a wave: A (1 - cos(pi length/wavelength)).

    Lengths in m; the pads stand along the way that crosses the waves.
    """
    return amplitude * (1.0 - cos(pi * length / wavelength))


def bands(height: float, wavelength: float) -> float:
    """Interference bands in a difference of height [both m]: one for every half wave."""
    return height / (0.5 * wavelength)


def newton_radius(order: int, diameter: float, wavelength: float) -> float:
    """Radius of a ball [m] on a flat from the diameter [m] of its dark ring `order`: r^2 = order lambda R."""
    return (0.5 * diameter) ** 2 / (order * wavelength)
