"""Closed forms and published numbers that the rows hold the engine to, each with its source; no engine here.

How a flat body settles on a layer that cannot pull (peak pressures, kerns, lift-off), and the overlap of two
equal discs while all of it is loaded.  The law of wear, and what follows from it without solving anything.

The exact moment laws: what the travel of the top does to the forms of a pair, whatever the pressures.  While
the top only travels (no turning) and the load goes through its centre, for any maps, any layer and any state
of contact

    integral p (|x_b|^2 - |x_t|^2) dA = W |c|^2,

because x_b = c + x_t and the load has no moment about c; the same with x^2 - y^2 against cx^2 - cy^2 and
2xy against 2 cx cy (x_b, x_t: one contact point in bench and in c-centred axes).  Derived, and confirmed
to 1e-12 on one set of points.

Three plates lapped in turn until each pair mates.  Sphere and saddle mate when they are opposite (a dome
needs a dish), twist when it is the same on both, each seen looking at its own face.  With equal kappa both
faces lose the same, so a pass keeps the half difference of spheres and the half sum of twists (the moment law
apart).  Derived, and confirmed independently; in words J. Whitworth, Plane Metallic Surfaces, 1840
(published).

Surfaces whose minimum zone and least-squares flatness are known; and a real surface plate: 126 stations of a
48 x 72 in plate, measured by autocollimator along eight lines (J. C. Moody, 'How to calibrate surface plates
in the plant', The Tool Engineer, October 1955, with its misprints corrected by B. Allen (2019); reduced
independently from the printed readings).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from math import acos, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.units import INCH, MICROINCH

Array = NDArray[np.float64]


def line_mean_speed(length: float, pace: float) -> float:
    """Mean speed of a line of `length` [m] gone out and back `pace` times a second: 2 S f [m/s]."""
    return 2.0 * length * pace


def strip_time(viscosity: float, width: float, stiffness: float, gap: float) -> float:
    """Time in which a long strip of `width` [m] under liquid comes to rest on a layer [s].

    Force per length eta w^3 V / H^3 at the speed V (O. Reynolds 1886, from memory) over the layer's K w.
    """
    return viscosity * width**2 / (stiffness * gap**3)


def square_land_time(viscosity: float, side: float, stiffness: float, gap: float) -> float:
    """The same of a square land of `side` [m]: a film's force is 3 C eta a^4 V / H^3, C the torsion constant.

    Liquid driven through a gap and a twisted bar of the same section obey one equation (J. Boussinesq);
    C = 0.1406 (S. Timoshenko, Theory of Elasticity); both from memory.
    """
    return 3.0 * 0.1406 * viscosity * side**2 / (stiffness * gap**3)


def covered_share(rho: float, circle: float, radius: float) -> float:
    """Share of the time in which a disc on a circular stroke covers a point of the bottom.

    `rho` [m] is the point's distance from the centre of the circle of radius `circle` [m], `radius` [m] the
    disc's; (1/pi) acos((rho^2 + c^2 - R^2) / (2 rho c)) between always and never.  Derived (the cosine rule).
    """
    if rho == 0.0 or circle == 0.0:
        return 1.0 if rho + circle <= radius else 0.0
    cosine = (rho**2 + circle**2 - radius**2) / (2.0 * rho * circle)
    return float(np.arccos(np.clip(cosine, -1.0, 1.0)) / pi)


@dataclass(frozen=True)
class PathMeans:
    """Averages by arc length over the path of the top's centre [m2]: of |c|^2, cx^2 - cy^2 and 2 cx cy."""

    square: float
    saddle: float
    twist: float


def circle_means(radius: float) -> PathMeans:
    """Means of a circle of `radius` [m] about the centre."""
    return PathMeans(radius**2, 0.0, 0.0)


def line_means(length: float, direction: float = 0.0) -> PathMeans:
    """Means of a straight stroke of `length` [m] through the centre: even along it, L^2/12."""
    square = length**2 / 12.0
    return PathMeans(
        square, square * float(np.cos(2.0 * direction)), square * float(np.sin(2.0 * direction))
    )


@dataclass(frozen=True)
class Growth:
    """Growth [m] of (sphere_b - sphere_t)/2, (saddle_b - saddle_t)/2 and (twist_b + twist_t)/2."""

    sphere: float
    saddle: float
    twist: float


def growth(means: PathMeans, removed: float, radius: float) -> Growth:
    """What a stroke adds to the forms of two equal discs of equal kappa, all at edge margin 0.

    Parameters
    ----------
    means : PathMeans
        Of the stroke.
    removed : float
        Mean removal of each plate [m].
    radius : float
        Of the discs [m].

    Notes
    -----
    +6 <|c|^2> h / R^2, -6 <cx^2 - cy^2> h / R^2, -6 <2 cx cy> h / R^2.  On a disc the quadratic r^2 - R^2/2
    has mean square R^4/12, and 2xy has R^4/6; the laws above give their share of the removal.  Twist goes by
    the sum because each face is seen from its own side; a swap reverses the first two, not twist.  Derived,
    and confirmed independently.

    """
    scale = 6.0 * removed / radius**2
    return Growth(scale * means.square, -scale * means.saddle, -scale * means.twist)


CYCLE = ((0, 1), (1, 2), (2, 0))


def spectral_radius(m: Array) -> float:
    """Largest size of an eigenvalue."""
    return float(np.abs(np.linalg.eigvals(m)).max())


def sphere_eigenvalues() -> tuple[complex, complex, complex]:
    """Of the sphere part of AB, BC, CA: 0 and (5 +- i sqrt 7)/16, of size 2^(-3/2).  Derived."""
    return 0.0, complex(5.0, 7.0**0.5) / 16.0, complex(5.0, -(7.0**0.5)) / 16.0


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


@dataclass(frozen=True)
class KnownFace:
    """Heights `z` at points `x`, `y` (n,), the width of the `zone` and, where known, of `least_squares`."""

    name: str
    source: str
    x: Array
    y: Array
    z: Array
    zone: float
    least_squares: float | None = None


def _square(n: int = 21) -> tuple[Array, Array]:
    side = np.linspace(-1.0, 1.0, n)
    x, y = np.meshgrid(side, side)
    return x.ravel(), y.ravel()


def _nine(rows: list[list[float]]) -> tuple[Array, Array, Array]:
    x, y = np.meshgrid([0.0, 1.0, 2.0], [0.0, 1.0, 2.0])
    return x.ravel(), y.ravel(), np.asarray(rows, dtype=float).ravel()


def _known() -> tuple[KnownFace, ...]:
    x, y = _square()
    derived = "derived (Chebyshev; symmetry)"
    book = "metrology textbooks, from memory"
    return (
        KnownFace("x^3 on a square", derived, x, y, x**3, 0.5, 0.684),
        KnownFace("xy on a square", derived, x, y, x * y, 2.0),
        KnownFace("x^2 + y^2 on a square", derived, x, y, x**2 + y**2, 2.0),
        KnownFace(
            "nine points, first",
            book,
            *_nine([[0, 4, 6], [-5, 20, -9], [-10, -3, 8]]),
            27.0,
            32.3333,
        ),
        KnownFace(
            "nine points, second",
            book,
            *_nine([[0, 15, 7], [-12, 20, 4], [5, -10, 2]]),
            25.0,
            28.6667,
        ),
    )


KNOWN_FACES = _known()


def wedge_of_load(off: float, radius: float, bore_radius: float = 0.0) -> float:
    """Wedge of a part for each metre of metal off it, its load `off` [m] its middle and not turned.

    On an even layer the pressure under an eccentric load is linear, p = P/A (1 + 4 e x / (R^2 + r^2)), as in
    a column of that section; metal goes as the pressure, and the outline is 2 R wide.  It holds while all of
    the face bears: e up to (R^2 + r^2) / (4 R), the core of the section.  S. Timoshenko, Strength of
    Materials (1930), eccentric compression, from memory.
    """
    return 8.0 * off * radius / (radius**2 + bore_radius**2)


STATIONS_SOURCE = "J. C. Moody 1955, misprints corrected by B. Allen 2019"

STATIONS_RANGE = 178.411 * MICROINCH  # highest over lowest station as levelled there

STATIONS_ZONE = 163.6731 * MICROINCH

STATIONS_LEAST_SQUARES = 175.3715 * MICROINCH  # peak to valley about the least-squares plane


@lru_cache(maxsize=1)
def stations() -> tuple[Array, Array, Array]:
    """x, y and height (126,) of each station [m]."""
    text = (
        files("lapwright.verification")
        .joinpath("data", "surface_plate_1955.csv")
        .read_text("utf-8")
    )
    rows = [line for line in text.splitlines() if line and not line.startswith("#")][1:]
    table = np.array([[float(field) for field in row.split(",")] for row in rows])
    x, y, z = table[:, 0] * INCH, table[:, 1] * INCH, table[:, 2] * MICROINCH
    for values in (x, y, z):
        values.setflags(write=False)
    return x, y, z


COVERAGE_SOURCE = (
    "A. Barylski, N. Piotrowski 2017 (Kinematics, InTech, doi 10.5772/intechopen.71415) for the motion; "
    "the arc under a disc: law of cosines"
)


def coverage(r: Array, place: float, radius: float) -> Array:
    """Share of a turn that a point of a turning plate is under a disc which stands still in the room.

    `r` (n,) [m]: from the middle of the plate; `place` [m] of the disc's middle; its `radius` [m].
    """
    cos = (r * r + place * place - radius * radius) / (2.0 * r * place)
    share: Array = np.arccos(np.clip(cos, -1.0, 1.0)) / np.pi
    return share
