"""Orthonormal polynomials over the land of a face: shapes that any form is a sum of.

Products of Legendre polynomials over the box about the outline, ordered by total degree and made orthonormal
over the land by two Cholesky factorings.  They are evaluated by the same recurrences at any point, never
interpolated.  The first three span planes and the first six quadratics, so leaving off coefficients is a
least-squares fit.

How fine the shapes of each face are: those of a plate much wider than what runs on it are finer.

A small part digs a pit into its plate, which is as much narrower than the plate as the part is.  At degree 8
on both, forms of seven such pairs after half an hour were up to 25 nm off a run's, with 12 on the plate 4
(docs/numerics.md); more on the part changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.form import EdgeMargin, forms
from lapwright.metrology.form import form_names as names_of
from lapwright.modal.cells import LAND_POINTS, cells_of, overlap_rule
from lapwright.specification.grooves import Grid
from lapwright.specification.plate import Plate, StartForm

Array = NDArray[np.float64]

OWN_PART = 0.1  # of a shape's rms over the cells, that those before it leave: less, and it is not told apart
ROWS_A_DEGREE = 4  # of cells across a face, by which its forms are told ...
FORM_CELLS = 2**16  # ... of which, in all, no more are asked
PLANES = 3  # the first three shapes: rigid motions
AT_ONCE = 2**14  # cells on which all shapes are held in memory

# Some rows of the cells: which, where they have land, its shares (sum 1 over all), and the shapes (size, n).
Piece = tuple[slice, NDArray[np.bool_], Array, Array]


def form_names(plate: Plate) -> tuple[str, ...]:
    """Which form errors one speaks of on this plate."""
    return names_of(plate.outline)


@dataclass(frozen=True)
class Basis:
    """`size` shapes without unit, to total `degree`, with mean square 1 over the land of `plate`.

    Coefficients are therefore heights [m], and the sum of their squares is the mean square of the map.
    `mix` (size, size), lower triangular: shapes = mix @ products.
    """

    plate: Plate
    degree: int
    mix: Array

    @property
    def size(self) -> int:
        """Number of shapes."""
        return (self.degree + 1) * (self.degree + 2) // 2

    @property
    def degrees(self) -> NDArray[np.int64]:
        """Total degree of each shape (size,)."""
        return np.repeat(np.arange(self.degree + 1), np.arange(self.degree + 1) + 1)

    def evaluate(self, x: Array, y: Array) -> Array:
        """All shapes at points of the face [m], (size, ...)."""
        width, height = self.plate.outline.size
        flat = _products(2.0 / width * np.ravel(x), 2.0 / height * np.ravel(y), self.degree)
        values: Array = (self.mix @ flat).reshape(self.size, *np.shape(x))
        return values

    def heights(self, coefficients: Array, x: Array, y: Array) -> Array:
        """Heights (k, n) [m] at points (n,) [m] of the rows of `coefficients` (k, size) [m]."""
        width, height = self.plate.outline.size
        products = _products(2.0 / width * x, 2.0 / height * y, self.degree)
        z: Array = (coefficients @ self.mix) @ products
        return z

    def _pieces(self) -> Iterable[Piece]:
        """The plate's own cells with land, some rows at a time: the shapes on all would fill the memory."""
        rows = max(1, AT_ONCE // self.plate.grid.nx)
        starts = range(0, self.plate.grid.ny, rows)
        return self._whole if len(starts) == 1 else (self._piece(at, at + rows) for at in starts)

    @cached_property
    def _whole(self) -> tuple[Piece]:
        """All of them, kept: they are few, and asked for often."""
        return (self._piece(0, self.plate.grid.ny),)

    def _piece(self, first: int, end: int) -> Piece:
        land, grid = self.plate.land[first:end], self.plate.grid
        on = land > 0.0
        row, column = np.nonzero(on)
        shapes = self.evaluate(grid.x[column], grid.y[first + row])
        return slice(first, end), on, land[on] / self.plate.land.sum(), shapes

    @cached_property
    def _normal(self) -> tuple[NDArray[np.bool_], Array]:
        """Which shapes these cells tell from simpler ones (size,), and products of those over the land."""
        gram = sum((shapes * share) @ shapes.T for _, _, share, shapes in self._pieces())
        seen = _told_apart(np.asarray(gram))
        return seen, np.asarray(gram)[np.ix_(seen, seen)]

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which shapes the plate's cells tell from simpler ones (size,): four rows no fourth power."""
        return self._normal[0]

    def project(self, z: Array) -> Array:
        """Coefficients (size,) [m] of the least-squares fit to a map (ny, nx) [m], weighted by land.

        Shapes that the cells cannot tell from simpler ones get none of it.
        """
        seen, gram = self._normal
        sums = sum(shapes @ (share * z[rows][on]) for rows, on, share, shapes in self._pieces())
        fit = np.zeros(self.size)
        fit[seen] = np.linalg.solve(gram, np.asarray(sums)[seen])
        return fit

    def fit(self, shape: Callable[[Array, Array], Array]) -> Array:
        """Coefficients (size,) [m] of heights [m] known at every point (x, y) [m], whatever the cells."""
        x, y, area = _rule_of(self.plate, self.degree)
        fit: Array = self.evaluate(x, y) @ (shape(x, y) * (area / area.sum()))
        return fit

    def start(self, plate: Plate) -> Array:
        """Coefficients (size,) [m] of the form with which a plate of this face comes."""
        if plate.form.ripple is None and plate.form.measured is None:
            return self.fit(lambda x, y: plate.form.at(x, y, plate.outline))
        # Waves finer than the shapes: many cells leave less of them in the fit than a few good points.
        fine = _fine(plate, self.degree)
        return basis_of(fine, self.degree).project(fine.heights())

    def surface(self, coefficients: Array) -> Array:
        """The map (ny, nx) [m] of coefficients (size,), looking at the face; 0 where there is no land."""
        z = np.zeros(self.plate.grid.shape)
        for rows, on, _, shapes in self._pieces():
            z[rows][on] = coefficients @ shapes
        return z

    def on(self, grid: Grid, coefficients: Array) -> Array:
        """The same shape on the cells of another grid (ny, nx) [m], beside the land too."""
        x, y = grid.mesh()
        z: Array = (coefficients @ self.evaluate(x, y).reshape(self.size, -1)).reshape(grid.shape)
        return z

    def form_rows(self, margin: EdgeMargin) -> Array:
        """Rows (3, size): the form errors of `form_names` [m] are rows @ coefficients."""
        return _form_rows(self.plate, self.degree, margin)

    def forms(self, coefficients: Array, margin: EdgeMargin) -> dict[str, float]:
        """Form errors [m] by name."""
        values = self.form_rows(margin) @ coefficients
        return dict(zip(form_names(self.plate), map(float, values), strict=True))


def basis_of(plate: Plate, degree: int) -> Basis:
    """Make the shapes of a plate; the same for all plates of the same face."""
    return _basis(replace(plate, name="", form=StartForm(), note=""), degree)


def _products(x: Array, y: Array, degree: int) -> Array:
    """Products of Legendre polynomials of x and y (n,), by total degree; (size, n)."""
    px, py = _legendre(x, degree), _legendre(y, degree)
    out = np.empty(((degree + 1) * (degree + 2) // 2, x.size))
    for row, (in_y, in_x) in enumerate(zip(*_factors(degree), strict=True)):
        np.multiply(px[in_x], py[in_y], out=out[row])
    return out


def _factors(degree: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Degrees in y and in x of each of `_products`."""
    pairs = [(j, total - j) for total in range(degree + 1) for j in range(total + 1)]
    in_y, in_x = np.array(pairs, dtype=np.intp).T
    return in_y, in_x


def _legendre(x: Array, degree: int) -> Array:
    """Legendre polynomials of mean square 1 over -1..1, (degree + 1, n)."""
    p = np.empty((degree + 1, x.size))
    p[0] = 1.0
    if degree:
        p[1] = x
    for n in range(1, degree):
        p[n + 1] = ((2 * n + 1) * x * p[n] - n * p[n - 1]) / (n + 1)
    p *= np.sqrt(2.0 * np.arange(degree + 1) + 1.0)[:, None]
    return p


def _told_apart(gram: Array) -> NDArray[np.bool_]:
    """Which shapes keep a part of their own beside those before them, by their products (size, size).

    Gaussian elimination in the order of the shapes, simple ones first; what has too little left is passed
    over, so that nothing after it is measured by its rounding.
    """
    left = gram.copy()
    seen = np.zeros(len(gram), dtype=bool)
    for k, whole in enumerate(np.diag(gram)):
        seen[k] = left[k, k] > OWN_PART**2 * whole
        if seen[k]:
            left -= np.outer(left[:, k], left[k]) / left[k, k]
    return seen


@lru_cache(maxsize=32)
def _basis(plate: Plate, degree: int) -> Basis:
    x, y, area = _rule_of(plate, degree)
    width, height = plate.outline.size
    products = _products(2.0 / width * x, 2.0 / height * y, degree) * np.sqrt(area / area.sum())
    gram = products @ products.T
    mix = np.linalg.inv(np.linalg.cholesky(gram))
    # The second factoring takes out what the first lost to rounding.
    once = mix @ products
    mix = np.linalg.inv(np.linalg.cholesky(once @ once.T)) @ mix
    mix.setflags(write=False)
    return Basis(plate, degree, mix)


@lru_cache(maxsize=32)
def _rule_of(plate: Plate, degree: int) -> tuple[Array, Array, Array]:
    """Points (n,) on the land and their areas; of a grooved face cells, many more than contact points."""
    if plate.grooves is None:
        zero = np.zeros(1)
        rule = overlap_rule(plate.outline, plate.outline, zero, zero, zero, 4 * degree + 16)
        return rule.x, rule.y, rule.area
    cells = cells_of(plate, LAND_POINTS)
    return cells.x, cells.y, cells.land


def _fine(plate: Plate, degree: int) -> Plate:
    """The plate on cells by which all shapes are told apart: its own, if they are fine enough."""
    least = ROWS_A_DEGREE * (degree + 1)
    rows = min(plate.grid.shape)
    return plate if rows >= least else replace(plate, cells=-(-plate.cells * least // rows))


@lru_cache(maxsize=64)
def _form_rows(plate: Plate, degree: int, margin: EdgeMargin) -> Array:
    # A polynomial is told by so many cells.
    share = FORM_CELLS / plate.land.size
    few = plate if share >= 1.0 else replace(plate, cells=int(plate.cells * share**0.5))
    basis, fine = _basis(plate, degree), _fine(few, degree)
    names = form_names(plate)
    rows = np.empty((len(names), basis.size))
    width, height = plate.outline.size
    along, across = (
        _legendre(2.0 / size * at, degree)
        for size, at in ((width, fine.grid.x), (height, fine.grid.y))
    )
    factors = np.zeros((degree + 1, degree + 1))
    orders_y, orders_x = _factors(degree)
    for k, mix in enumerate(basis.mix):
        factors[orders_y, orders_x] = mix
        form = forms(fine, across.T @ factors @ along, margin)
        rows[:, k] = [getattr(form, name) or 0.0 for name in names]
    rows[:, :PLANES] = 0.0
    rows.setflags(write=False)
    return rows


WIDER = 1.25  # times as wide as the other
WIDE_DEGREE = 12
STEEP, STEEP_DEGREE = 1.0 / 6.0, 20  # of its radius a stroke is short, and its pit asks for more
LEAST = 6  # who asks for less than this wants few shapes


def degree_beside(
    plate: Plate, others: Iterable[Plate], degree: int, travel: float = np.inf
) -> int:
    """Degree of the shapes of a plate beside `others`, where `degree` is asked for.

    On a wider plate a stroke digs a pit whose sides are as wide as its `travel` [m].
    """
    wide = any(plate.outline.radius > WIDER * other.outline.radius for other in others)
    least = STEEP_DEGREE if 0.0 < travel < STEEP * plate.outline.radius else WIDE_DEGREE
    return max(degree, least) if wide and degree >= LEAST else degree


def degrees_of(
    plates: Mapping[str, Plate], strokes: Iterable[tuple[str, str, float]], degree: int
) -> dict[str, int]:
    """Degree of the shapes of each plate; `strokes`: which two meet, and the travel [m]."""
    degrees = dict.fromkeys(plates, degree)
    for one, other, travel in strokes:
        for name, beside in ((one, other), (other, one)):
            least = degree_beside(plates[name], [plates[beside]], degree, travel)
            degrees[name] = max(degrees[name], least)
    return degrees
