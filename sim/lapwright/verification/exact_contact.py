"""Closed forms of how a body settles, bears, wears and turns on a layer, each with its source.

How a flat body settles on a layer that cannot pull: peak pressures, kerns, lift-off, tipping.

The overlap of two equal discs, and pressure on it while all of it is loaded.

A ring that turns on a layer: from uniform pressure to uniform wear, and the plate clutch.

How waves on two large plates die under a translating stroke, and which of them never do.

The law of wear, and what follows from it without solving anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import acos, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

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
        raise ValueError(
            f"eccentricity {eccentricity} of a rectangle must lie in 0 .. 1/2 of its width"
        )
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


@dataclass(frozen=True)
class Facing:
    """Pressure at the bore and at the rim [Pa], and torque over friction and force [m] of one face."""

    at_bore: float
    at_rim: float
    torque: float


def turning_ring(bore: float, rim: float, time: float, points: int = 24) -> Facing:
    """A ring that turns on a layer, one face wearing: pressure after `time` from uniform pressure 1.

    Parameters
    ----------
    bore, rim : float
        Radii [m].
    time : float
        In units of 1 / (K kappa omega), K the layer's stiffness; times a unit of length.
    points : int
        Gauss points over the radius.

    Notes
    -----
    The ring sinks as a rigid body, so dp/dt = -r p + s(t), with s such that the load stays: s is the mean
    of r p over the area.  Derived, and confirmed independently (an explicit method of order 8 at 1e-12).

    """
    from scipy.linalg import expm

    node, weight = np.polynomial.legendre.leggauss(points)
    inner = 0.5 * (bore + rim) + 0.5 * (rim - bore) * node
    # The two edges are unknowns of their own, without weight in the integrals.
    r = np.concatenate([inner, [bore, rim]])
    w = np.concatenate([0.5 * (rim - bore) * weight * inner, [0.0, 0.0]])
    rate = -np.diag(r) + np.outer(np.ones_like(r), w * r) / w.sum()
    p = expm(time * rate) @ np.ones_like(r)
    return Facing(float(p[-2]), float(p[-1]), float((w * r) @ p / (w @ p)))


def uniform_wear(bore: float, rim: float, force: float) -> Facing:
    """The limit in which p r is the same everywhere: the uniform-wear clutch.

    p = F / (2 pi (ro - ri) r), torque = mu F (ro + ri) / 2.  Shigley, Mechanical Engineering Design, plate
    clutches (from memory).
    """
    at = force / (2.0 * pi * (rim - bore))
    return Facing(at / bore, at / rim, 0.5 * (bore + rim) * force)


def uniform_pressure(bore: float, rim: float, force: float) -> Facing:
    """A new clutch: torque = mu F (2/3)(ro^3 - ri^3) / (ro^2 - ri^2).  Shigley, as above (from memory)."""
    p = force / (pi * (rim**2 - bore**2))
    return Facing(p, p, 2.0 / 3.0 * force * (rim**3 - bore**3) / (rim**2 - bore**2))


def circle(wave_number: float, radius: float) -> float:
    """Overlap factor G of a circular stroke: J0(q c)."""
    from scipy.special import j0

    return float(j0(wave_number * radius))


def along_line(wave_number: float, half_length: float) -> float:
    """Overlap factor G of a straight stroke along the wave: sin(q s) / (q s)."""
    return float(np.sinc(wave_number * half_length / np.pi))


def across_line() -> float:
    """Overlap factor G of a straight stroke across the wave, along its ridges: 1."""
    return 1.0


def path_factor(
    wave_number: float, along: Callable[[np.ndarray], np.ndarray], points: int = 4096
) -> float:
    """G of any path symmetric about its centre: mean of cos(q . c) by arc length.

    `along(phi)` gives the path's place (n, 2), the wave runs along x; used to check the closed forms.
    """
    phi = 2.0 * np.pi * np.arange(points) / points
    place = along(phi)
    step = np.hypot(*(np.roll(place, -1, axis=0) - np.roll(place, 1, axis=0)).T)
    return float((np.cos(wave_number * place[:, 0]) * step).sum() / step.sum())


def decay_rates(factor: float) -> tuple[float, float]:
    """Rates of the mating wave (one's hill in the other's hollow) and of the rest, over kappa K v.

    Two large plates, translation, equal kappa: the layer sees z_b(x) + z_t(x - c); averaged over the stroke
    each face meets itself with weight 1 and the other with weight G: 1 - G and 1 + G.  Derived, and
    confirmed by brute force to four digits.
    """
    return 1.0 - factor, 1.0 + factor


def archard(wear_coefficient: float, hardness: float) -> float:
    """Give kappa = K / H [1/Pa] from Archard's dimensionless coefficient and the hardness [Pa].

    J. F. Archard, J. Appl. Phys. 24 (1953) 981 (from memory).
    """
    return wear_coefficient / hardness


def lost_volume(kappa_sum: float, load: float, path: float) -> float:
    """Volume [m3] that both bodies lose together: (kappa_top + kappa_bottom) * integral F ds.

    Pure translation, any layer, tilt or overhang: speed is the same all over the contact, and pressure sums
    to the load.  Preston's law: F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214-256 (from memory; the
    modern coefficient absorbs the friction coefficient).  The balance is derived.
    """
    return kappa_sum * load * path


def mismatch_time(kappa_sum: float, stiffness: float, speed: float) -> float:
    """Time constant [s] with which pressure evens out: 1 / ((kappa_t + kappa_b) K v).

    A layer of `stiffness` K [Pa/m] at uniform speed.  Derived; the class of problems of L. A. Galin, PMM 40
    (1976) 981 (from memory).
    """
    return 1.0 / (kappa_sum * stiffness * speed)
