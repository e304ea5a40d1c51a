"""What a person says a face is like before it is lapped: sizes of dome, twist and so on, which add."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, cos, pi, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, StudyError
from lapwright.plate.grid import Grid
from lapwright.plate.measured import Measured
from lapwright.plate.outline import SIZE, Outline
from lapwright.said import Frozen, Said, Size, made
from lapwright.study.table import whole
from lapwright.study.units import ANGLE, SMALL, quantity

__all__ = ["Ripple", "StartForm"]

Array = NDArray[np.float64]

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
            return 0.5 * self.height * _waves(x, y, number, np.array([self.angle]), np.array([phase]))
        directions, phases = rng.uniform(0.0, pi, WAVES), rng.uniform(0.0, 2.0 * pi, WAVES)
        # Scaled over a lattice of its own, not over the plate's cells: finer cells must not change the face.
        sides = (
            np.linspace(-0.5 * side, 0.5 * side, min(ceil(PER_WAVE * side / wavelength) + 1, MOST_POINTS))
            for side in outline.size
        )
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
        self._put(
            saddle=saddle, twist=twist, bow=bow, crown=crown, wind=wind, ripple=ripple, measured=measured
        )
        self._put(sphere=sphere)
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
