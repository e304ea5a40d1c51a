"""How a flat body settles on a layer that cannot pull: peak pressures, kerns, lift-off, tipping."""

from __future__ import annotations

from collections.abc import Callable
from math import cos, pi

from lapwright.exact.lens import Lens, disc_integrals

__all__ = [
    "disc_kern",
    "disc_lift_off",
    "disc_peak",
    "rectangle_kern",
    "rectangle_peak",
    "ring_kern",
    "square_diagonal_peak",
    "square_lift_off",
]


def _root(f: Callable[[float], float], low: float, high: float) -> float:
    """Bisect `f`, of opposite signs at the two ends, to the last bit."""
    sign = f(low) > 0.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if (f(middle) > 0.0) == sign:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def disc_kern(radius: float) -> float:
    """Largest eccentricity with all of a disc loaded: R / 4 [m].  Textbook result, from memory."""
    return 0.25 * radius


def ring_kern(outer: float, inner: float) -> float:
    """The same of a ring: (Ro^2 + Ri^2) / (4 Ro) [m].  Textbook result, from memory."""
    return (outer**2 + inner**2) / (4.0 * outer)


def rectangle_kern(width: float) -> float:
    """The same of a rectangle along its side `width`: b / 6 [m].  Textbook result, from memory."""
    return width / 6.0


def disc_peak(eccentricity: float) -> tuple[float, float]:
    """Peak pressure over mean of a disc of radius 1 under an eccentric load, and the share in contact.

    Parameters
    ----------
    eccentricity : float
        Distance of the load from the centre, in radii; below 1.

    Returns
    -------
    peak, share : float
        p_max pi R^2 / P, and loaded over whole area.

    Notes
    -----
    Up to R/4 the peak is 1 + 4 e; beyond, a segment x > cos t stays loaded with p = x - cos t: force and
    moment are integrals over the segment.  Derived, and confirmed independently; the table in Roark's
    Formulas for Stress and Strain rounds it to 2.20 at 0.30 and 3.55 at 0.50 (from memory).

    """
    if not 0.0 <= eccentricity < 1.0:
        raise ValueError(f"eccentricity {eccentricity} of a disc of radius 1 must lie in 0 .. 1")
    if eccentricity <= 0.25:
        return 1.0 + 4.0 * eccentricity, 1.0

    def segment(t: float) -> tuple[float, float, float]:
        area, first, second = disc_integrals(t)
        return area, first - cos(t) * area, second - cos(t) * first

    def beyond(t: float) -> float:
        _, force, moment = segment(t)
        return moment / force - eccentricity

    t = _root(beyond, 1e-3, pi)
    area, force, _ = segment(t)
    return (1.0 - cos(t)) * pi / force, area / pi


def rectangle_peak(eccentricity: float) -> float:
    """Peak over mean of a rectangle, the load `eccentricity` widths off along the width.

    1 + 6 e up to 1/6, then a triangle of pressure: 4 / (3 (1 - 2 e)).  Textbook result, from memory.
    """
    if not 0.0 <= eccentricity < 0.5:
        raise ValueError(f"eccentricity {eccentricity} of a rectangle must lie in 0 .. 1/2 of its width")
    if eccentricity <= 1.0 / 6.0:
        return 1.0 + 6.0 * eccentricity
    return 4.0 / (3.0 * (1.0 - 2.0 * eccentricity))


def square_diagonal_peak() -> tuple[float, float]:
    """Peak over mean and share in contact of a square loaded a quarter side off both ways: 6 and 1/2.

    Half the square bears: p rises linearly from the other diagonal to the corner; the mean over that
    triangle is a third of the peak and its load acts half-way between the diagonal and the corner.  Derived.
    """
    return 6.0, 0.5


def square_lift_off() -> tuple[float, float]:
    """Overhang of equal flat squares at lift-off, in sides, and peak x area of the top / W there.

    The overlap s - d carries the load d/2 off its middle and stands whole up to a sixth of its length:
    d = s/4; the peak is twice the mean over the overlap, 2 / (3/4).  Derived.
    """
    return 0.25, 8.0 / 3.0


def disc_lift_off() -> tuple[float, float]:
    """Overhang of equal flat discs of radius 1 at lift-off, in radii, and peak x area of the top / W there.

    Where the peak over the lens is exactly twice the mean over it.  Derived, and confirmed independently.
    """
    offset = _root(lambda d: Lens(d).peak_over_mean - 2.0, 1e-6, 1.0)
    return offset, 2.0 * pi / Lens(offset).area
