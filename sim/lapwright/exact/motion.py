"""Speeds and path lengths of two faces that rub on each other."""

from __future__ import annotations

from collections.abc import Callable
from math import pi

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "covered_share",
    "eight_length",
    "ellipse_length",
    "line_mean_speed",
    "line_rms_over_mean",
    "mean_speed",
    "path_length",
]

Array = NDArray[np.float64]


def mean_speed(omega: float, offset: float, ratio: float, radius: float) -> float:
    """Mean sliding speed round a circle of a body that faces a spinning one [m/s].

    Parameters
    ----------
    omega : float
        Spin of the faced body [rad/s].
    offset : float
        Distance between the two axes [m].
    ratio : float
        The body's own spin over `omega`; 1 gives omega * offset everywhere.
    radius : float
        Distance of the point from the body's own axis [m].

    Notes
    -----
    The sliding velocity is the sum of a vector of size A = omega e that stands still and one of size
    B = |1 - ratio| omega r that goes round; the mean of its length is (2/pi)(A + B) E(m),
    m = 4 A B / (A + B)^2, E the complete elliptic integral of the second kind.  Derived, and confirmed
    independently; two spinning discs of equal spin: textbook result, from memory.

    """
    from scipy.special import ellipe

    a = abs(omega) * offset
    b = abs(1.0 - ratio) * abs(omega) * radius
    if a + b == 0.0:
        return 0.0
    return float(2.0 / pi * (a + b) * ellipe(4.0 * a * b / (a + b) ** 2))


def path_length(velocity: Callable[[Array], Array], points: int = 4096) -> float:
    """Length of a closed smooth curve from d position / d phi, shape (n, 2), over one turn of phi [m].

    The trapezoid rule converges faster than any power on a smooth periodic integrand (Trefethen and
    Weideman, SIAM Review 56 (2014) 385, from memory).
    """
    phi = 2.0 * pi * np.arange(points) / points
    v = velocity(phi)
    return float(np.hypot(v[:, 0], v[:, 1]).mean() * 2.0 * pi)


def eight_length(half_length: float, half_width: float) -> float:
    """Length of the figure-eight (a sin t, b sin 2t) [m]."""
    return path_length(
        lambda t: np.stack([half_length * np.cos(t), 2.0 * half_width * np.cos(2.0 * t)], axis=1)
    )


def ellipse_length(a: float, b: float) -> float:
    """Circumference of an ellipse of half axes `a`, `b` [m]: 4 a E(1 - b^2/a^2), a the longer."""
    from scipy.special import ellipe

    a, b = max(a, b), min(a, b)
    return float(4.0 * a * ellipe(1.0 - (b / a) ** 2))


def line_mean_speed(length: float, pace: float) -> float:
    """Mean speed of a line of `length` [m] gone out and back `pace` times a second: 2 S f [m/s]."""
    return 2.0 * length * pace


def line_rms_over_mean() -> float:
    """Root mean square over mean speed of a sinusoidal line: pi / (2 sqrt 2)."""
    return float(pi / (2.0 * np.sqrt(2.0)))


def covered_share(rho: float, circle: float, radius: float) -> float:
    """Share of the time in which a disc on a circular stroke covers a point of the bottom.

    `rho` [m] is the point's distance from the centre of the circle of radius `circle` [m], `radius` [m] the
    disc's; (1/pi) acos((rho^2 + c^2 - R^2) / (2 rho c)) between always and never.  Derived (the cosine rule).
    """
    if rho == 0.0 or circle == 0.0:
        return 1.0 if rho + circle <= radius else 0.0
    cosine = (rho**2 + circle**2 - radius**2) / (2.0 * rho * circle)
    return float(np.arccos(np.clip(cosine, -1.0, 1.0)) / pi)
