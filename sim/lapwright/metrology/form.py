"""Form measures of a face, their names, and which outlines have them.

Signs and sizes: model, section 1.  All are least squares weighted by land area inside the edge margin,
except flatness (minimum zone, ISO 1101 and ISO 12781-1) and the edge, to which the margin does not apply.

The errors of form that one speaks of: their names, the words for them, and which outlines have them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from math import inf, nan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.flatness import minimum_zone
from lapwright.specification.grooves import Grid, Grooves, land_fraction
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import LENGTH, quantity
from lapwright.specification.rates import share_within
from lapwright.specification.said import Constructed, Frozen, RefusedError, Said, shown


class FormName(NamedTuple):
    """A form: its `word` in a sentence and in a study file, its `title` in a table, what it measures.

    `sides`: what stands high where it is positive, and where it is negative.  `long`: rails alone have it,
    or all others alone, or (None) every face.
    """

    word: str
    title: str
    what: str
    sides: tuple[str, str] = ("", "")
    long: bool | None = None


FORMS = {
    "sphere": FormName(
        "dome", "dome or dish", "centre over rim (+ dome, - dish)", ("dome", "dish"), False
    ),
    "saddle": FormName(
        "saddle",
        "3 and 9 against 12 and 6",
        "3-9 rim over 12-6 rim",
        ("high at 3 and 9", "high at 12 and 6"),
        False,
    ),
    "twist": FormName(
        "twist",
        "1:30 and 7:30 against 10:30 and 4:30",
        "1:30-7:30 rim over 10:30-4:30 rim",
        ("high at 1:30 and 7:30", "high at 10:30 and 4:30"),
        False,
    ),
    "bow": FormName(
        "bow",
        "bow, along",
        "middle over the ends, along the longer side",
        ("high in the middle", "hollow along"),
        True,
    ),
    "crown": FormName(
        "crown",
        "crown, across",
        "middle over the long edges, across",
        ("high in the middle", "hollow across"),
        True,
    ),
    "wind": FormName(
        "wind",
        "wind, corner against corner",
        "one pair of corners over the other",
        ("high at the 1:30 and 7:30 corners", "high at the 10:30 and 4:30 corners"),
        True,
    ),
    "flatness": FormName("flatness", "flatness", "width of the minimum zone"),
    "flatness_ls": FormName(
        "flatness_ls", "flatness_ls", "peak to valley about the least-squares plane"
    ),
    "rms": FormName("rms", "rms", "root mean square about the least-squares plane"),
    "edge": FormName("edge", "edge", "fall of the outermost 3 mm (+ fallen)", ("fallen", "proud")),
}
ROUND, LONG = (
    tuple(key for key, form in FORMS.items() if form.long is long) for long in (False, True)
)
SPOKEN = (*ROUND, *LONG)


def form_names(outline: Outline) -> tuple[str, ...]:
    """Which three form errors one speaks of on this outline."""
    return LONG if outline.long else ROUND


Array = NDArray[np.float64]
Under = Callable[[Array, Array], tuple[Array, Array]]

LARGEST_MARGIN = 0.020  # m; surface-plate practice, from memory
EDGE_BAND = 0.003  # m
FEWEST_CELLS = 4  # three always lie in a plane
ORDERS = (0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)  # of x and y, in a quadratic
WORST_CONDITION = 1e12  # of the normal matrix: too little land to tell the shapes apart


OF_SIDE = share_within(0.0, 0.3, "an edge margin")
AS_LENGTH = quantity(LENGTH, least="0 mm", most="20 mm")


@dataclass(frozen=True)
class EdgeMargin(Frozen):
    """What is left out round the edge: a `share` of the land's width or `length` [m], at most 20 mm.

    The width is that of the metal from edge to edge: a disc's diameter, a rectangle's shorter side, and of a
    ring what lies between bore and rim.  By a ring's diameter a third of a narrow seal face would be left
    out, and what is called flat there would show more bands than it is said to.
    """

    share: Said[float | None] = Said(OF_SIDE, "2 %")
    length: Said[float | None] = Said(AS_LENGTH, default=None)

    def __post_init__(self) -> None:
        if self.length is not None:
            self._put(share=None)

    def of(self, outline: Outline) -> float:
        """The margin on a face [m].

        Parameters
        ----------
        outline : Outline
            Of the face.

        Returns
        -------
        float
            [m]

        """
        wanted = (
            self.length if self.length is not None else (self.share or 0.0) * outline.land_width
        )
        return min(wanted, LARGEST_MARGIN)


def margin_of(value: Any) -> EdgeMargin:
    """What is left out at the edge: a share of the smaller side, or a length.

    Raises
    ------
    RefusedError
        It is neither, or a bare number, which might be both.

    """
    how = 'write "2 %" of a face\'s smaller side, or a length such as "3 mm"'
    bare = RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    if not isinstance(value, str):
        raise bare
    try:
        share: float = OF_SIDE(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise bare if not {"%", "/"} & set(value) else trouble from None
        try:
            return EdgeMargin(share=None, length=AS_LENGTH(value))
        except RefusedError as second:
            if second.code == "range":
                raise
            raise RefusedError(f"{shown(value)} is no edge margin: {how}", second.code) from None
    if not {"%", "/"} & set(value):
        raise bare
    return EdgeMargin(share=share)


@dataclass(frozen=True)
class Form(metaclass=Constructed):
    """Form of a face [m]; None where it is not spoken of (or too little land is left to tell).

    `sphere` centre over rim, `saddle` 3-9 rim over 12-6 rim, `twist` 1:30-7:30 rim over 10:30-4:30 rim;
    outlines longer than 1.3:1 have `bow`, `crown`, `wind` instead.
    """

    sphere: float | None = None
    saddle: float | None = None
    twist: float | None = None
    bow: float | None = None
    crown: float | None = None
    wind: float | None = None
    flatness: float | None = None
    flatness_ls: float | None = None
    rms: float | None = None
    edge: float | None = None

    def as_dict(self) -> dict[str, float | None]:
        """All measures by name.

        Returns
        -------
        dict
            Name to size [m], None where it is not spoken of.

        """
        return asdict(self)


@dataclass(frozen=True)
class _Ruler:
    """What measuring a plate needs and what depends only on plate and margin."""

    land: float  # inside the margin, in cells
    weight: Array  # (ny, nx): land of each cell inside the margin, summing to 1
    x: Array  # (nx,), in units of R
    y: Array  # (ny,)
    fit: Array  # (6, 6): coefficients of the quadratic = fit @ quadratic_sums(weighted heights)
    plane: Array  # (3, 3): the same for 1, x, y alone
    whole: NDArray[np.bool_]  # (ny, nx): at least half land

    def coefficients(self, z: Array) -> Array:
        """Of 1, x, y, x^2, xy, y^2 in units of R (6,), fitted to heights (ny, nx)."""
        return _product(self.fit, self.sums(z))

    def left_of_plane(self, z: Array) -> Array:
        """Heights (ny, nx) less their plane."""
        plane = _product(self.plane, self.sums(z)[:3])
        return z - quadratic_at(np.append(plane, np.zeros(3)), self.x, self.y)

    def sums(self, z: Array) -> Array:
        """Of 1, x, y, x^2, xy, y^2 with heights (ny, nx), weighted (6,)."""
        return quadratic_sums(np.where(self.weight > 0.0, self.weight * z, 0.0), self.x, self.y)


def quadratic_sums(values: Array, x: Array, y: Array) -> Array:
    """Sums (6,) of a map (ny, nx) with 1, x, y, x^2, xy, y^2; `x` (nx,), `y` (ny,).

    Row by row: no map of the shapes is held.  Not a BLAS product: its threads cost more than they give here,
    and its last bits depend on their number.
    """
    one, first, second = (np.einsum("ji,i->j", values, x**k) for k in range(3))
    return np.array(
        [
            one.sum(),
            first.sum(),
            (one * y).sum(),
            second.sum(),
            (first * y).sum(),
            (one * y * y).sum(),
        ]
    )


def quadratic_normal(weight: Array, x: Array, y: Array) -> Array:
    """Normal matrix (6, 6) of a quadratic fitted to a map with `weight` (ny, nx); as `quadratic_sums`."""
    powers = [quadratic_sums(weight * y[:, None] ** j * x**i, x, y) for i, j in ORDERS]
    normal: Array = np.stack(powers)
    return normal


def quadratic_at(coefficients: Array, x: Array, y: Array) -> Array:
    """Heights (ny, nx) of a quadratic by its coefficients of 1, x, y, x^2, xy, y^2; `x` (nx,), `y` (ny,)."""
    one, along, across, xx, xy, yy = coefficients
    heights: Array = (one + (along + xx * x) * x) + ((across + yy * y) * y)[:, None]
    heights += (xy * y)[:, None] * x
    return heights


def _product(matrix: Array, values: Array) -> Array:
    product: Array = np.einsum("ij,j->i", matrix, values)
    return product


def quadratic_shapes(plate: Plate, x: Array, y: Array) -> Array:
    """1, x, y, x^2, xy, y^2 in units of R, (6, ...) at points [m]."""
    u, v = x / plate.outline.radius, y / plate.outline.radius
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def _inverse(normal: Array) -> Array | None:
    """Inverse of a normal matrix (k, k); None where the fit is not unique."""
    if np.linalg.cond(normal) > WORST_CONDITION:
        return None
    inverse: Array = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return inverse


def _ruler(plate: Plate, margin: float) -> _Ruler | None:
    return _ruler_of(plate.grid, plate.outline, plate.grooves, margin)


@lru_cache(maxsize=32)
def _ruler_of(
    grid: Grid, outline: Outline, grooves: Grooves | None, margin: float
) -> _Ruler | None:
    land = land_fraction(grid, outline, grooves, margin)
    total = float(land.sum())
    if not total > 0.0:
        return None
    x, y = grid.x / outline.radius, grid.y / outline.radius
    weight = land / total
    normal = quadratic_normal(weight, x, y)
    fit, plane = _inverse(normal), _inverse(normal[:3, :3])
    if fit is None or plane is None:
        return None
    return _Ruler(total, weight, x, y, fit, plane, land >= 0.5)


def _edge_weight(plate: Plate) -> Array | None:
    return _edge_weight_of(plate.grid, plate.outline, plate.grooves)


@lru_cache(maxsize=32)
def _edge_weight_of(grid: Grid, outline: Outline, grooves: Grooves | None) -> Array | None:
    """Map (ny, nx) whose product with the heights, summed, is the fall of the edge.

    The fall is linear in the heights: the fit of the rest, averaged over the band, less the band's own mean.
    """
    inner = _ruler_of(grid, outline, grooves, EDGE_BAND)
    if inner is None:
        return None
    land, within = (land_fraction(grid, outline, grooves, inset) for inset in (0.0, EDGE_BAND))
    band: Array = np.maximum(land - within, 0.0)
    band /= band.sum()
    # Six means over the band, then the fit that gives the six coefficients.
    means = quadratic_sums(band, inner.x, inner.y)
    return inner.weight * quadratic_at(_product(inner.fit, means), inner.x, inner.y) - band


def _errors(outline: Outline) -> Array:
    """`form_names` from the coefficients of x^2, xy, y^2 in units of R, (3, 3)."""
    if not outline.long:
        return np.array([[-0.5, 0.0, -0.5], [1.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    width, height = outline.size
    length, breadth = max(width, height), min(width, height)
    along, across = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    if width < height:
        along, across = across, along
    bow, crown = -0.25 * length**2 * along, -0.25 * breadth**2 * across
    wind = np.array([0.0, 0.5 * length * breadth, 0.0])
    return np.stack([bow, crown, wind]) / outline.radius**2


def forms(plate: Plate, z: Array, margin: EdgeMargin) -> Form:
    """The six form errors alone (quick); `z` (ny, nx) [m] looking at the face.

    Parameters
    ----------
    plate : Plate
        Whose face it is.
    z : Array
        Heights (ny, nx) [m].
    margin : EdgeMargin
        What is left out along the edge.

    Returns
    -------
    Form
        Without flatness, rms and edge.

    """
    ruler = _ruler(plate, margin.of(plate.outline))
    if ruler is None:
        return Form()
    errors = _product(_errors(plate.outline), ruler.coefficients(z)[3:])
    return Form(**dict(zip(form_names(plate.outline), map(float, errors), strict=True)))


@lru_cache(maxsize=32)
def forms_of_sums(plate: Plate) -> Array:
    """Matrix (3, 6): the form errors of `form_names` at margin 0 from six sums of a map over the cells.

    The sums are of land share x height with 1, x, y, x^2, xy, y^2, lengths in units of R; so a map need not
    be made to know its forms.  Nothing (zeros) where there is too little land to tell.
    """
    ruler = _ruler(plate, 0.0)
    if ruler is None:
        return np.zeros((3, 6))
    matrix: Array = np.einsum("ij,jk->ik", _errors(plate.outline), ruler.fit[3:]) / ruler.land
    matrix.setflags(write=False)
    return matrix


def measure(plate: Plate, z: Array, margin: EdgeMargin) -> Form:
    """Every measure of a face; `z` (ny, nx) [m] looking at it.

    Parameters
    ----------
    plate : Plate
        Whose face it is.
    z : array
        Heights (ny, nx) [m], looking at the face.
    margin : EdgeMargin
        What is left out round the edge.

    Returns
    -------
    Form
        [m]; None where a form is not spoken of, or too little land is left.

    """
    edge = _edge_weight(plate)
    fallen = None if edge is None else float((edge * z).sum())
    ruler = _ruler(plate, margin.of(plate.outline))
    if ruler is None:
        return Form(edge=fallen)
    left = ruler.left_of_plane(z)
    whole = ruler.whole
    zone = about = None
    if np.count_nonzero(whole) >= FEWEST_CELLS:
        about = float(np.ptp(left[whole]))
        # The least-squares zone is a zone too: narrower than the least it is by rounding alone.
        row, column = np.nonzero(whole)
        zone = min(about, minimum_zone(ruler.x[column], ruler.y[row], left[whole]))
    return replace(
        forms(plate, z, margin),
        flatness=zone,
        flatness_ls=about,
        rms=float(np.where(ruler.weight > 0.0, ruler.weight * left**2, 0.0).sum() ** 0.5),
        edge=fallen,
    )


def plane_of(plate: Plate, z: Array, margin: float) -> tuple[float, float, float] | None:
    """Mean height [m] of a face's land and the slopes along x and y of its least-squares plane.

    Heights (ny, nx) [m]; `margin` [m] is left out.  None where too little land is left.
    """
    ruler = _ruler(plate, margin)
    if ruler is None:
        return None
    sums = ruler.sums(z)[:3]
    _, along, across = _product(ruler.plane, sums)
    radius = plate.outline.radius
    return float(sums[0]), float(along) / radius, float(across) / radius


def spread_of(plate: Plate, z: Array, margin: float, slopes: tuple[float, float]) -> float:
    """Range of heights (ny, nx) [m] inside the margin with a plane of `slopes` added; nan of none."""
    ruler = _ruler(plate, margin)
    if ruler is None or np.count_nonzero(ruler.whole) < FEWEST_CELLS:
        return nan
    tilted = z + slopes[0] * plate.grid.x + slopes[1] * plate.grid.y[:, None]
    return float(np.ptp(tilted[ruler.whole]))


@dataclass(frozen=True)
class _Seat:
    """Where the cells of a bottom face lie on the top above them."""

    on: NDArray[np.bool_]  # cells of the bottom inside both margins, (ny, nx); n of them
    weight: Array  # their land in common, summing to 1, (n,)
    plane: Array  # (3, n): 1, x, y of the bottom
    fit: Array  # (3, 3): coefficients of the plane from its sums with the weighted heights
    near: NDArray[np.intp]  # (4, n): the four cells of the top round each point, in its flat map
    share: Array  # (4, n): of each of them, by nearness and land
    shapes: Array  # (6, n): of the top's quadratic at each point


KEPT_CELLS = 2**17  # of a face, up to which its seat is kept


@lru_cache(maxsize=16)
def _seat(
    bottom: Plate, top: Plate, bottom_margin: float, top_margin: float, under: Under
) -> _Seat | None:
    x, y = bottom.grid.mesh()
    u, v = under(x, y)
    near, share = _around(top, u, v)
    other = (share * top.land_inside(top_margin).ravel()[near]).sum(axis=0)
    common = bottom.land_inside(bottom_margin) * other
    on = common > 0.0
    if not on.any():
        return None
    weight = common[on] / common[on].sum()
    plane = quadratic_shapes(bottom, x[on], y[on])[:3]
    fit = _inverse(np.einsum("in,jn->ij", plane * weight, plane))
    if fit is None:
        return None
    near, share = near[:, on], share[:, on] * top.land.ravel()[near[:, on]]
    return _Seat(
        on, weight, plane, fit, near, share / share.sum(axis=0), quadratic_shapes(top, u[on], v[on])
    )


def misfit(
    bottom: Plate, z_bottom: Array, top: Plate, z_top: Array, margin: EdgeMargin, under: Under
) -> float:
    """Rms of z_bottom + z_top about its plane [m], inside the margin of both.

    Maps (ny, nx) [m] looking at each face; `under` tells at which points of the top's face points (x, y) of
    the bottom lie.  Infinite when the two have no land in common to tell by.
    """
    # Of fine faces it would fill the memory, and what they are lapped for takes longer than to make it anew.
    seat_of = _seat if bottom.land.size <= KEPT_CELLS else _seat.__wrapped__
    seat = seat_of(bottom, top, margin.of(bottom.outline), margin.of(top.outline), under)
    if seat is None:
        return inf
    # Between the top's cells only what its quadratic leaves is interpolated: a dome must not read as misfit.
    gap = z_bottom[seat.on]
    rest, ruler = z_top.copy(), _ruler(top, 0.0)
    if ruler is not None:
        quadratic = ruler.coefficients(z_top)
        rest -= np.where(ruler.weight > 0.0, quadratic_at(quadratic, ruler.x, ruler.y), 0.0)
        gap = gap + np.einsum("k,kn->n", quadratic, seat.shapes)
    gap = gap + (seat.share * rest.ravel()[seat.near]).sum(axis=0)
    coefficients = _product(seat.fit, np.einsum("kn,n->k", seat.plane, seat.weight * gap))
    left = gap - np.einsum("k,kn->n", coefficients, seat.plane)
    return float((seat.weight * left**2).sum() ** 0.5)


def _around(plate: Plate, x: Array, y: Array) -> tuple[NDArray[np.intp], Array]:
    """The four cells (4, ny, nx) round points of a face and their bilinear shares, 0 beyond the grid."""
    grid = plate.grid
    fx, fy = x / grid.cell + 0.5 * (grid.nx - 1), y / grid.cell + 0.5 * (grid.ny - 1)
    i, j = np.floor(fx).astype(np.intp), np.floor(fy).astype(np.intp)
    u, v = fx - i, fy - j
    near, share = [], []
    for dj, down in ((0, 1.0 - v), (1, v)):
        for di, beside in ((0, 1.0 - u), (1, u)):
            column, row = i + di, j + dj
            there = (column >= 0) & (column < grid.nx) & (row >= 0) & (row < grid.ny)
            near.append(np.where(there, row * grid.nx + column, 0))
            share.append(np.where(there, down * beside, 0.0))
    return np.stack(near), np.stack(share)
