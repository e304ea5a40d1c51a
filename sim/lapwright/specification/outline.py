"""Outlines of working faces: disc, ring, rectangle."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, pi, sin
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.quantities import LENGTH, quantity
from lapwright.specification.said import Frozen, Said

Array = NDArray[np.float64]

SIZE = quantity(LENGTH, above="0 mm", most="5 m")
LONG = 1.3  # longer than this, and one speaks of bow, crown and wind (model, section 1)


class Outline(Protocol):
    """The edge of a face, centred on the origin; lengths in m."""

    def __hash__(self) -> int:
        """Outlines of one size are one."""

    @property
    def radius(self) -> float:
        """Of the circle about the outline."""

    @property
    def size(self) -> tuple[float, float]:
        """Extent along x and along y."""

    @property
    def smaller(self) -> float:
        """The smaller dimension (of a ring: its outside diameter)."""

    @property
    def land_width(self) -> float:
        """Width of the metal from edge to edge, where it is narrowest (of a ring: from bore to rim)."""

    @property
    def bore(self) -> float:
        """Diameter of the hole, 0 for none."""

    @property
    def area(self) -> float:
        """Area of the face [m2]."""

    @property
    def long(self) -> bool:
        """Longer than 1.3 : 1."""

    def signed_distance(self, x: Array, y: Array) -> Array:
        """Distance to the nearest edge, + outside the metal (the bore is outside)."""

    def width_along(self, direction: float) -> float:
        """Full extent along a direction [rad]."""

    def polygon(self, number: int) -> Array:
        """The outer boundary, anticlockwise, (k, 2)."""

    def shrunk(self, distance: float) -> Outline | None:
        """The outline moved inwards by `distance`, at a bore too; None when nothing is left."""


class _Round(Frozen):
    """What disc and ring share: a round outer edge of diameter `size[0]`."""

    @property
    def _outside(self) -> float:
        raise NotImplementedError

    @property
    def radius(self) -> float:
        return 0.5 * self._outside

    @property
    def size(self) -> tuple[float, float]:
        return self._outside, self._outside

    @property
    def smaller(self) -> float:
        return self._outside

    @property
    def land_width(self) -> float:
        return self._outside

    @property
    def long(self) -> bool:
        return False

    def width_along(self, direction: float) -> float:
        """Full extent along a direction.

        Parameters
        ----------
        direction : float
            From the x axis, anticlockwise [rad].

        Returns
        -------
        float
            [m]

        """
        return self._outside

    def polygon(self, number: int) -> Array:
        """The outer boundary, anticlockwise.

        Parameters
        ----------
        number : int
            Corners of a round outline.

        Returns
        -------
        array
            (k, 2) [m].

        """
        angle = 2.0 * pi * (np.arange(number) + 0.5) / number
        # Corners a little outside the circle, so that the polygon has the circle's own area.
        out = self.radius * (2.0 * pi / (number * sin(2.0 * pi / number))) ** 0.5
        corners: Array = out * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        return corners


@dataclass(frozen=True)
class Disc(_Round):
    """A disc of `diameter` [m]."""

    diameter: Said[float] = Said(SIZE)

    @property
    def _outside(self) -> float:
        return self.diameter

    @property
    def bore(self) -> float:
        """0: no hole."""
        return 0.0

    @property
    def area(self) -> float:
        """Area of the face [m2]."""
        return 0.25 * pi * self.diameter**2

    def signed_distance(self, x: Array, y: Array) -> Array:
        """Distance to the edge, + outside.

        Parameters
        ----------
        x, y : array
            Places on the face [m], of one shape.

        Returns
        -------
        array
            Of the same shape [m].

        """
        return np.hypot(x, y) - self.radius

    def shrunk(self, distance: float) -> Disc | None:
        """A smaller disc.

        Parameters
        ----------
        distance : float
            How far inwards [m].

        Returns
        -------
        Disc or None
            None when nothing is left.

        """
        left = self.diameter - 2.0 * distance
        return Disc(left) if left > 0.0 else None


@dataclass(frozen=True)
class Ring(_Round):
    """A ring of diameter `outside` with a hole of diameter `bore_diameter` [m]."""

    outside: Said[float] = Said(SIZE)
    bore_diameter: Said[float] = Said(SIZE)

    @property
    def _outside(self) -> float:
        return self.outside

    @property
    def land_width(self) -> float:
        """From bore to rim [m]."""
        return 0.5 * (self.outside - self.bore_diameter)

    @property
    def bore(self) -> float:
        """Diameter of the hole [m]."""
        return self.bore_diameter

    @property
    def area(self) -> float:
        """Area of the face [m2]."""
        return 0.25 * pi * (self.outside**2 - self.bore_diameter**2)

    def signed_distance(self, x: Array, y: Array) -> Array:
        """Distance to the nearer edge, + outside the metal.

        Parameters
        ----------
        x, y : array
            Places on the face [m], of one shape.

        Returns
        -------
        array
            Of the same shape [m].

        """
        r = np.hypot(x, y)
        return np.maximum(r - self.radius, 0.5 * self.bore_diameter - r)

    def shrunk(self, distance: float) -> Ring | None:
        """A thinner ring.

        Parameters
        ----------
        distance : float
            How far inwards [m].

        Returns
        -------
        Ring or None
            None when nothing is left.

        """
        outside, bore = self.outside - 2.0 * distance, self.bore_diameter + 2.0 * distance
        return Ring(outside, bore) if outside > bore else None


@dataclass(frozen=True)
class Rectangle(Frozen):
    """A rectangle `along` x (3-9 o'clock) by `across` y (12-6) [m]."""

    along: Said[float] = Said(SIZE)
    across: Said[float] = Said(SIZE)

    @property
    def radius(self) -> float:
        """Of the circle through the corners."""
        return 0.5 * hypot(self.along, self.across)

    @property
    def size(self) -> tuple[float, float]:
        """(along, across)."""
        return self.along, self.across

    @property
    def smaller(self) -> float:
        """The shorter side."""
        return min(self.along, self.across)

    @property
    def land_width(self) -> float:
        """The shorter side."""
        return self.smaller

    @property
    def bore(self) -> float:
        """0: no hole."""
        return 0.0

    @property
    def area(self) -> float:
        """Area of the face [m2]."""
        return self.along * self.across

    @property
    def long(self) -> bool:
        """Longer than 1.3 : 1, whichever side is the longer."""
        return max(self.along, self.across) > LONG * self.smaller * (1.0 + 1e-12)

    def signed_distance(self, x: Array, y: Array) -> Array:
        """Distance to the edge, + outside.

        Parameters
        ----------
        x, y : array
            Places on the face [m], of one shape.

        Returns
        -------
        array
            Of the same shape [m].

        """
        dx = np.abs(x) - 0.5 * self.along
        dy = np.abs(y) - 0.5 * self.across
        outside = np.hypot(np.maximum(dx, 0.0), np.maximum(dy, 0.0))
        return outside + np.minimum(np.maximum(dx, dy), 0.0)

    def width_along(self, direction: float) -> float:
        """Extent of the shadow along a direction.

        Parameters
        ----------
        direction : float
            From the x axis, anticlockwise [rad].

        Returns
        -------
        float
            [m]

        """
        return self.along * abs(cos(direction)) + self.across * abs(sin(direction))

    def polygon(self, number: int) -> Array:
        """The four corners, anticlockwise, whatever `number`.

        Parameters
        ----------
        number : int
            Corners of a round outline.

        Returns
        -------
        array
            (k, 2) [m].

        """
        x, y = 0.5 * self.along, 0.5 * self.across
        return np.array([[x, -y], [x, y], [-x, y], [-x, -y]])

    def shrunk(self, distance: float) -> Rectangle | None:
        """A smaller rectangle.

        Parameters
        ----------
        distance : float
            How far inwards [m].

        Returns
        -------
        Rectangle or None
            None when nothing is left.

        """
        along, across = self.along - 2.0 * distance, self.across - 2.0 * distance
        return Rectangle(along, across) if min(along, across) > 0.0 else None
