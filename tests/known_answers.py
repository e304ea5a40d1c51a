"""Closed forms and published numbers that tests alone hold the engine to, each with its source.

Those that `lapwright verify` shows as well stand in `lapwright.verification.closed_forms`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.verification.closed_forms import Facing, Lens, PathMeans

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


def line_rms_over_mean() -> float:
    """Root mean square over mean speed of a sinusoidal line: pi / (2 sqrt 2)."""
    return float(pi / (2.0 * np.sqrt(2.0)))


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


def rectangle_kern(width: float) -> float:
    """The same of a rectangle along its side `width`: b / 6 [m].  Textbook result, from memory."""
    return width / 6.0


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


@dataclass(frozen=True)
class Convergence:
    """Observed `order`, value at zero spacing, and the grid convergence index of both pairs (a share)."""

    order: float
    limit: float
    fine_index: float
    coarse_index: float


def grid_convergence(
    fine: float, medium: float, coarse: float, ratio: float = 2.0, safety: float = 1.25
) -> Convergence:
    """Richardson's order and Roache's index from three spacings, each `ratio` times the last.

    NASA/NPARC Alliance, Examining Spatial (Grid) Convergence, tutorial (published): 0.97050, 0.96854,
    0.96178 at ratio 2 give 1.786170, 0.103083 % and 0.356249 %.

    Raises
    ------
    ValueError
        When the three values do not converge monotonically.

    """
    step, last = medium - fine, coarse - medium
    if not step * last > 0.0:
        raise ValueError(
            f"{coarse}, {medium}, {fine} do not converge monotonically: no order can be observed"
        )
    order = log(last / step) / log(ratio)
    gain = ratio**order - 1.0
    return Convergence(
        order,
        fine - step / gain,
        safety * abs(step / fine) / gain,
        safety * abs(last / medium) / gain,
    )
