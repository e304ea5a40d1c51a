"""How a free plate or part bends: Ritz's method with polynomials over its outline, thick or thin.

A deflection is a polynomial in x/R and y/R (R: radius of the circle about the outline), seen as the face is,
+ where the face is pushed out.  Its energy is that of bending and of shear (E. Reissner, J. Appl. Mech. 12
(1945) A69; R. D. Mindlin, J. Appl. Mech. 18 (1951) 31; shear factor 5/6; both from memory): deflection and
rotations are polynomials, the rotations one degree lower, so that a thin plate costs no shear.  Rotations
are eliminated once; what is left is a compliance between polynomials: w = C F, F the work of the loads on
each power.  Its least-squares best is the exact answer as the degree grows (W. Ritz 1909).

A load that is not balanced is taken as balanced by what gives the whole plate an even acceleration, so that
C does not care where the plate lies.  Feet are equally stiff and carry what statics leaves to them: exact for
three of them and for two ridges.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb, pi

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from lapwright.specification.materials import Material
from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.plate import Plate

DEGREE = 6  # of bodies that are lapped, at least
SHEAR = 5.0 / 6.0
ROUND = 64  # points round a palm
RING_POINTS = 96  # round a circle, of a rule that integrates outlines

Array = NDArray[np.float64]
Feet = tuple[tuple[float, float], ...]


@lru_cache(maxsize=16)
def orders(degree: int) -> NDArray[np.intp]:
    """Powers (n, 2) of x and y of all products up to `degree`, lowest first: 1, x, y, x2, xy, y2, ..."""
    pairs = [(d - j, j) for d in range(degree + 1) for j in range(d + 1)]
    return np.array(pairs, dtype=np.intp)


def powers(x: Array, y: Array, degree: int) -> Array:
    """Products of powers (n, ...) at points, in the order of `orders`.

    Parameters
    ----------
    x, y : Array
        Points of one shape, in units of R.
    degree : int
        The highest.

    Returns
    -------
    Array
        (n, *shape).

    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    px = [np.ones_like(x)]
    py = [np.ones_like(y)]
    for _ in range(degree):
        px.append(px[-1] * x)
        py.append(py[-1] * y)
    return np.stack([px[i] * py[j] for i, j in orders(degree)])


def linear_powers(matrix: Array, degree: int) -> Array:
    """Powers (n, n) of u and v as those of x and y, one a row, where (u, v) = matrix (2, 2) @ (x, y)."""
    by_power = np.zeros((2, degree + 1, degree + 1))  # of u, of v: the coefficient of x^(n-k) y^k
    for one, (a, b) in zip(by_power, matrix, strict=True):
        for n in range(degree + 1):
            for k in range(n + 1):
                one[n, k] = comb(n, k) * a ** (n - k) * b**k
    pairs = orders(degree)
    out = np.zeros((len(pairs), len(pairs)))
    for row, (i, j) in enumerate(pairs):
        d = i + j
        first = d * (d + 1) // 2
        out[row, first : first + d + 1] = np.convolve(
            by_power[0, i, : i + 1], by_power[1, j, : j + 1]
        )
    return out


def rule(outline: Outline, degree: int) -> tuple[Array, Array, Array]:
    """Points x, y [m] and areas [m2] that integrate polynomials of `degree` over an outline exactly.

    Parameters
    ----------
    outline : Outline
        Disc, ring or rectangle.
    degree : int
        The highest.

    Returns
    -------
    x, y, area : Array
        (n,) each.

    """
    nodes, weights = legendre.leggauss(degree // 2 + 2)
    if isinstance(outline, Rectangle):
        a, b = (0.5 * side for side in outline.size)
        x, y = np.meshgrid(a * nodes, b * nodes)
        return x.ravel(), y.ravel(), (a * b * weights[:, None] * weights).ravel()
    inner, outer = 0.5 * outline.bore, outline.radius
    # In r^2, over which r dr is even.
    half = 0.5 * (outer**2 - inner**2)
    r = np.sqrt(inner**2 + half * (1.0 + nodes))
    number = max(RING_POINTS, 2 * degree + 2)
    angle = 2.0 * pi * (np.arange(number) + 0.5) / number
    area = np.repeat(0.5 * half * weights * 2.0 * pi / number, number)
    return np.outer(r, np.cos(angle)).ravel(), np.outer(r, np.sin(angle)).ravel(), area


@lru_cache(maxsize=64)
def compliance(outline: Outline, thickness: float, material: Material, degree: int) -> Array:
    """Deflection per load of a free plate, (n, n) [m/N]: coefficients of `powers` = C @ work on `powers`.

    Parameters
    ----------
    outline : Outline
        Of the plate.
    thickness : float
        [m]
    material : Material
        Its modulus and Poisson's ratio.
    degree : int
        Of the polynomials, at least 2.

    Returns
    -------
    Array
        (n, n), symmetric but for what moves the plate as a whole, which it leaves out.

    """
    radius = outline.radius
    half = [0.5 * side / radius for side in outline.size]
    x, y, area = (values / scale for values, scale in zip(
        rule(outline, 2 * degree), (radius, radius, radius**2), strict=True
    ))  # fmt: skip
    # Products of Legendre's polynomials, which stay apart where powers grow alike.
    line = [legendre.legvander(v / h, degree) for v, h in zip((x, y), half, strict=True)]
    slope = [
        legendre.legval(v / h, legendre.legder(np.eye(degree + 1))).T / h
        for v, h in zip((x, y), half, strict=True)
    ]
    i, j = orders(degree).T
    w_x, w_y = slope[0][:, i] * line[1][:, j], line[0][:, i] * slope[1][:, j]
    low = i + j < degree  # of the rotations
    turn, t_x, t_y = (line[0][:, i] * line[1][:, j])[:, low], w_x[:, low], w_y[:, low]
    nu = material.poisson
    rigidity = material.modulus * thickness**3 / (12.0 * (1.0 - nu**2))
    # In units of R: energy = 1/2 (D/R^2) (bending) + 1/2 (shear stiffness) (w' + R rotation)^2.
    shear = SHEAR * material.modulus * thickness / (2.0 * (1.0 + nu)) * radius**2 / rigidity

    def product(a: Array, b: Array) -> Array:
        out: Array = np.einsum("pi,pj->ij", a * area[:, None], b, optimize=True)
        return out

    across = 0.5 * (1.0 - nu)
    xx = product(t_x, t_x) + across * product(t_y, t_y) + shear * product(turn, turn)
    yy = product(t_y, t_y) + across * product(t_x, t_x) + shear * product(turn, turn)
    xy = nu * product(t_x, t_y) + across * product(t_y, t_x)
    rotations = np.block([[xx, xy], [xy.T, yy]])
    mixed = shear * np.vstack([product(turn, w_x), product(turn, w_y)])
    stiff = shear * (product(w_x, w_x) + product(w_y, w_y))
    stiff -= mixed.T @ np.linalg.solve(rotations, mixed)
    moves = i + j < 2
    free = np.zeros_like(stiff)
    free[np.ix_(~moves, ~moves)] = np.linalg.inv(stiff[np.ix_(~moves, ~moves)])
    to_powers = _legendre_as_powers(degree, half[0], half[1])
    out: Array = to_powers @ free @ to_powers.T * (radius**2 / rigidity)
    balance = np.eye(len(i)) - _evenly(outline, degree)
    out = balance.T @ out @ balance
    out.setflags(write=False)
    return out


def _legendre_as_powers(degree: int, half_x: float, half_y: float) -> Array:
    """Powers (n, n) of x and y in each product of Legendre's polynomials of x/half_x and y/half_y."""
    lines = []
    for half in (half_x, half_y):
        one = np.zeros((degree + 1, degree + 1))
        for k in range(degree + 1):
            series = legendre.leg2poly(np.eye(degree + 1)[k])
            one[: series.size, k] = series / half ** np.arange(series.size)
        lines.append(one)
    i, j = orders(degree).T
    out: Array = lines[0][np.ix_(i, i)] * lines[1][np.ix_(j, j)]
    return out


def _modes(give: Array, outline: Outline, degree: int, least: float) -> Array:
    """Modes (n, m) of a compliance, at right angles over the outline, that give more than `least` [m3/N]."""
    x, y, area = rule(outline, 2 * degree)
    values = powers(x / outline.radius, y / outline.radius, degree)
    r: Array = np.linalg.qr((values * np.sqrt(area)).T)[1]
    size, shapes = np.linalg.eigh(r @ give @ r.T)
    kept = np.flatnonzero(size > max(least, 1e-12 * size[-1]))[::-1]
    out: Array = give @ r.T @ shapes[:, kept] / np.sqrt(size[kept])
    return out


@lru_cache(maxsize=64)
def mean_powers(outline: Outline, degree: int) -> Array:
    """Mean of each power over the outline, (n,): the work of an even load of 1 N."""
    x, y, area = rule(outline, degree)
    mean: Array = powers(x / outline.radius, y / outline.radius, degree) @ area / area.sum()
    return mean


def _evenly(outline: Outline, degree: int) -> Array:
    """Work (n, n) of the load, linear over the outline, that has the force and moments of each work."""
    x, y, area = rule(outline, degree + 1)
    values = powers(x / outline.radius, y / outline.radius, degree)
    out = np.zeros((values.shape[0], values.shape[0]))
    linear = values[:3]
    out[:, :3] = (values * area) @ linear.T @ np.linalg.inv((linear * area) @ linear.T)
    return out


def carried_by(feet: Array, degree: int) -> Array:
    """Work (n, n) of the feet that carry each work of loads; feet (k, 2) in units of R, equally stiff."""
    values = powers(feet[:, 0], feet[:, 1], degree)
    linear = values[:3]
    out = np.zeros((values.shape[0], values.shape[0]))
    out[:, :3] = values @ np.linalg.pinv(linear)
    return out


@dataclass(frozen=True)
class Elastic:
    """A plate or part as a body that bends, in polynomials up to `degree`.

    `radius` [m] is the unit of places; `compliance` (n, n) [m/N] of the plate free in space; `weight` (n,)
    [N] the work of its own weight on each power, + towards the face.
    """

    plate: Plate
    degree: int

    @property
    def radius(self) -> float:
        """Unit of places [m]."""
        return self.plate.outline.radius

    @property
    def thickness(self) -> float:
        """Thickness [m], from the mass where it is not given."""
        plate = self.plate
        return plate.thickness or plate.total_mass / (plate.outline.area * plate.material.density)

    @property
    def compliance(self) -> Array:
        """Deflection per work, (n, n) [m/N]."""
        return compliance(self.plate.outline, self.thickness, self.plate.material, self.degree)

    @property
    def even(self) -> Array:
        """Work (n,) of an even load of 1 N."""
        return mean_powers(self.plate.outline, self.degree)

    @property
    def weight(self) -> Array:
        """Work (n,) [N] of its own weight."""
        return self.plate.weight * self.even

    def modes(self, stiffness: float, felt: float) -> Array:
        """Shapes (n, m) [m per root of N m] that sum up to the compliance, each times itself, softest first.

        Shapes at right angles over the outline; those left out give less under an even foundation of
        `stiffness` than `felt` of its own give.

        Parameters
        ----------
        stiffness : float
            Of what presses [Pa/m].
        felt : float
            Least give of a mode beside the foundation's.

        Returns
        -------
        Array
            (n, m)

        """
        return _modes(self.compliance, self.plate.outline, self.degree, felt / stiffness)

    def pressed(self, at: tuple[float, float], size: float = 0.0) -> Array:
        """Work (n,) of 1 N at a place [m]: at a point, or evenly over a round patch of diameter `size` [m].

        Parameters
        ----------
        at : tuple of float
            From the centre, looking at the face [m].
        size : float
            Diameter of the patch [m].

        Returns
        -------
        Array
            (n,)

        """
        x, y = np.array([at[0]]), np.array([at[1]])
        share = np.ones(1)
        # A palm wider than the part presses on what of it is there, about the same place.
        size = min(size, -2.0 * float(self.plate.outline.signed_distance(x, y)[0]))
        if size > 0.0:
            nodes, weights = legendre.leggauss(16)
            r = 0.5 * size * np.sqrt(0.5 * (1.0 + nodes))
            angle = 2.0 * pi * (np.arange(ROUND) + 0.5) / ROUND
            x = (at[0] + np.outer(r, np.cos(angle))).ravel()
            y = (at[1] + np.outer(r, np.sin(angle))).ravel()
            share = np.repeat(0.5 * weights / ROUND, ROUND)
        work: Array = powers(x / self.radius, y / self.radius, self.degree) @ share
        return work

    def pressed_many(self, x: Array, y: Array) -> Array:
        """Work (n, k) of 1 N at each of k places [m].

        Parameters
        ----------
        x, y : Array
            (k,) [m]

        Returns
        -------
        Array
            (n, k)

        """
        return powers(x / self.radius, y / self.radius, self.degree)

    def on(self, feet: Array) -> Array:
        """Deflection per work (n, n) [m/N] while feet (k, 2) [m] carry what is put on; the feet at rest.

        Parameters
        ----------
        feet : Array
            Places (k, 2) [m] from the centre, looking at the face.

        Returns
        -------
        Array
            (n, n)

        """
        left = np.eye(len(self.even)) - carried_by(np.asarray(feet) / self.radius, self.degree)
        out: Array = left.T @ self.compliance @ left
        return out

    def warm(self, difference: float) -> Array:
        """Bow (n,) [m] of the free plate, its face `difference` [K] warmer than its back: the warm side out.

        Curvature alpha dT / h (Timoshenko and Woinowsky-Krieger 1959, from memory).

        Parameters
        ----------
        difference : float
            [K]

        Returns
        -------
        Array
            (n,) [m]

        """
        bow = np.zeros(len(self.even))
        curvature = self.plate.material.expansion * difference / self.thickness
        bow[3] = bow[5] = -0.5 * curvature * self.radius**2
        return bow

    def heights(self, bent: Array, x: Array, y: Array) -> Array:
        """Heights [m] of a deflection (n,) at points [m], shaped as they are.

        Parameters
        ----------
        bent : Array
            Coefficients (n,) [m].
        x, y : Array
            Points [m].

        Returns
        -------
        Array
            As `x`.

        """
        values = powers(np.asarray(x) / self.radius, np.asarray(y) / self.radius, self.degree)
        out: Array = np.tensordot(bent, values, axes=1)
        return out


READ_DEGREE = 8  # of a plate's own sag, which nothing has to be found together with


@lru_cache(maxsize=32)
def _sag(
    outline: Outline, thickness: float, material: Material, weight: float, feet: Feet
) -> Array:
    """Coefficients (n,) [m] of how a plate hangs on its feet."""
    body = Elastic(Plate(outline, thickness=thickness, material=material), READ_DEGREE)
    sag: Array = body.on(np.array(feet)) @ (-weight * body.even)
    return sag


def sag_on_feet(plate: Plate, x: Array, y: Array) -> Array:
    """How a plate hangs on its feet under its own weight: heights [m] at points [m]; none on a flat bed.

    Parameters
    ----------
    plate : Plate
    x, y : Array
        Points of one shape, looking at the face [m].

    Returns
    -------
    Array
        As `x`.

    """
    if plate.feet is None:
        return np.zeros(np.shape(x))
    body = Elastic(plate, READ_DEGREE)
    bent = _sag(plate.outline, body.thickness, plate.material, plate.weight, plate.feet)
    return body.heights(bent, x, y)


def as_read(plate: Plate, heights: Array) -> Array:
    """A face (ny, nx) [m] as it is read on the feet of its plate; as it is on a flat bed.

    Parameters
    ----------
    plate : Plate
    heights : Array
        Of the free face (ny, nx) [m], looking at it.

    Returns
    -------
    Array
        (ny, nx) [m]

    """
    if plate.feet is None:
        return heights
    lies: Array = np.where(plate.land > 0.0, heights + sag_on_feet(plate, *plate.grid.mesh()), 0.0)
    return lies
