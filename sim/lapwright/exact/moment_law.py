"""The exact moment laws: what the travel of the top does to the forms of a pair, whatever the pressures.

While the top only travels (no turning) and the load goes through its centre, for any maps, any layer and
any state of contact

    integral p (|x_b|^2 - |x_t|^2) dA = W |c|^2,

because x_b = c + x_t and the load has no moment about c; the same with x^2 - y^2 against cx^2 - cy^2 and
2xy against 2 cx cy (x_b, x_t: one contact point in bench and in c-centred axes).  Derived, and confirmed
to 1e-12 on one set of points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Growth", "PathMeans", "circle_means", "growth", "line_means", "path_means"]

Array = NDArray[np.float64]


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
    return PathMeans(square, square * float(np.cos(2.0 * direction)), square * float(np.sin(2.0 * direction)))


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
