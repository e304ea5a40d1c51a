"""Closed forms of speeds, paths, what travel does to forms, and plates lapped until they mate.

Speeds and path lengths of two faces that rub on each other.

The exact moment laws: what the travel of the top does to the forms of a pair, whatever the pressures.

While the top only travels (no turning) and the load goes through its centre, for any maps, any layer and
any state of contact

    integral p (|x_b|^2 - |x_t|^2) dA = W |c|^2,

because x_b = c + x_t and the load has no moment about c; the same with x^2 - y^2 against cx^2 - cy^2 and
2xy against 2 cx cy (x_b, x_t: one contact point in bench and in c-centred axes).  Derived, and confirmed
to 1e-12 on one set of points.

Two and three plates lapped until they mate: what a cycle of passes does to their forms.

Sphere and saddle mate when they are opposite (a dome needs a dish), twist when it is the same on both, each
seen looking at its own face.  With equal kappa both faces lose the same, so a pass keeps the half
difference of spheres and the half sum of twists (the moment law apart).  Derived, and confirmed
independently; in words J. Whitworth, Plane Metallic Surfaces, 1840 (published).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

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


@dataclass(frozen=True)
class PathMeans:
    """Averages by arc length over the path of the top's centre [m2]: of |c|^2, cx^2 - cy^2 and 2 cx cy."""

    square: float
    saddle: float
    twist: float


def path_means(
    position: Callable[[Array], Array], velocity: Callable[[Array], Array], points: int = 4096
) -> PathMeans:
    """Average over one closed stroke; `position`, `velocity` of phase (n,) give (n, 2) [m, m/rad].

    Per amplitude^2: circle 1, 0; line 1/3, 1/3; figure-eight 2 long and 1 wide 0.549, 0.331; ellipse 1:0.5
    0.565, 0.275 (derived, and confirmed independently).
    """
    # Half a step off, so that the turning points of a line are not sampled with speed 0.
    phi = 2.0 * np.pi * (np.arange(points) + 0.5) / points
    c, v = position(phi), velocity(phi)
    speed = np.hypot(v[:, 0], v[:, 1])
    speed = speed / speed.sum()
    x, y = c[:, 0], c[:, 1]
    return PathMeans(
        float((x * x + y * y) @ speed), float((x * x - y * y) @ speed), float((2.0 * x * y) @ speed)
    )


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


def mate_opposite(first: int, second: int, plates: int = 3) -> Array:
    """One pass that leaves first = -second and keeps their difference; (plates, plates)."""
    m = np.eye(plates)
    m[first, [first, second]] = 0.5, -0.5
    m[second, [first, second]] = -0.5, 0.5
    return m


def mate_same(first: int, second: int, plates: int = 3) -> Array:
    """One pass that leaves first = second and keeps their sum; (plates, plates)."""
    m = np.eye(plates)
    m[first, [first, second]] = 0.5, 0.5
    m[second, [first, second]] = 0.5, 0.5
    return m


def cycle(passes: Sequence[Array]) -> Array:
    """The map of passes done one after another, the first first."""
    out = np.eye(passes[0].shape[0])
    for one in passes:
        out = one @ out
    return out


def spectral_radius(m: Array) -> float:
    """Largest size of an eigenvalue."""
    return float(np.abs(np.linalg.eigvals(m)).max())


def sphere_eigenvalues() -> tuple[complex, complex, complex]:
    """Of the sphere part of AB, BC, CA: 0 and (5 +- i sqrt 7)/16, of size 2^(-3/2).  Derived."""
    return 0.0, complex(5.0, 7.0**0.5) / 16.0, complex(5.0, -(7.0**0.5)) / 16.0
