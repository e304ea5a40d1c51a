"""Form measures of a face: sphere, saddle, twist (or bow, crown, wind), flatness, rms, edge.

Signs and sizes: model, section 1.  All are least squares weighted by land area inside the edge margin,
except flatness (minimum zone, ISO 1101 and ISO 12781-1) and the edge, to which the margin does not apply.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sim.plate.flatness import minimum_zone
from sim.plate.outline import Outline
from sim.plate.plate import Plate

__all__ = ["EdgeMargin", "Form", "forms", "mating", "measure"]

Array = NDArray[np.float64]

LARGEST_MARGIN = 0.020  # m; surface-plate practice, from memory
EDGE_BAND = 0.003  # m


@dataclass(frozen=True)
class EdgeMargin:
    """What is left out round the edge: a `share` of the smaller dimension, or a `length` [m]; at most 20 mm."""

    share: float | None = 0.02
    length: float | None = None

    def of(self, outline: Outline) -> float:
        """The margin on a face [m]."""
        wanted = self.length if self.length is not None else (self.share or 0.0) * outline.smaller
        return min(wanted, LARGEST_MARGIN)


NO_MARGIN = EdgeMargin(share=0.0)


@dataclass(frozen=True)
class Form:
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
        """All measures by name."""
        return asdict(self)


@dataclass(frozen=True)
class _Ruler:
    """What measuring a plate needs and what depends only on plate and margin."""

    cells: NDArray[np.bool_]  # with any land inside the margin
    weight: Array  # their land inside the margin, summing to 1
    basis: Array  # (6, n): 1, x, y, r^2, x^2 - y^2, 2xy in units of R
    fit: Array  # (6, n): coefficients = fit @ heights
    plane: Array  # (3, n): the same for 1, x, y alone
    whole: NDArray[np.bool_]  # (n,): at least half land
    rest: NDArray[np.bool_] | None  # cells further than the edge band inside, and their fit
    rest_fit: Array
    band: Array  # land weight of the edge band, (ny, nx), summing to 1
    full_basis: Array  # (6, ny, nx)


def _least_squares(basis: Array, weight: Array) -> Array | None:
    weighted = basis * weight
    normal = weighted @ basis.T
    if np.linalg.cond(normal) > 1e12:
        return None
    fit: Array = np.linalg.solve(normal, weighted)
    return fit


@lru_cache(maxsize=64)
def _ruler(plate: Plate, margin: float) -> _Ruler | None:
    land = plate.land_inside(margin)
    cells = land > 0.0
    x, y = plate.grid.mesh()
    x, y = x / plate.outline.radius, y / plate.outline.radius
    full = np.stack([np.ones_like(x), x, y, x * x + y * y, x * x - y * y, 2.0 * x * y])
    total = land[cells].sum()
    if not total > 0.0:
        return None
    weight = land[cells] / total
    basis = full[:, cells]
    fit, plane = _least_squares(basis, weight), _least_squares(basis[:3], weight)
    if fit is None or plane is None:
        return None
    inner = plate.land_inside(EDGE_BAND)
    rest = inner > 0.0
    rest_fit = _least_squares(full[:, rest], inner[rest] / inner.sum()) if rest.any() else None
    band = np.maximum(plate.land - inner, 0.0)
    return _Ruler(
        cells,
        weight,
        basis,
        fit,
        plane,
        land[cells] >= 0.5,
        rest if rest_fit is not None else None,
        rest_fit if rest_fit is not None else np.zeros((6, 0)),
        band / band.sum(),
        full,
    )


def forms(plate: Plate, z: Array, margin: EdgeMargin) -> Form:
    """The six form errors alone (quick); `z` (ny, nx) [m] looking at the face."""
    ruler = _ruler(plate, margin.of(plate.outline))
    if ruler is None:
        return Form()
    _, _, _, round_, saddle, twist = ruler.fit @ z[ruler.cells]
    if not plate.outline.long:
        return Form(sphere=float(-round_), saddle=float(2.0 * saddle), twist=float(2.0 * twist))
    # z = a1 x^2 + a2 y^2 + b 2xy, x along the longer side (coefficients are in units of R).
    width, height = plate.outline.size
    along, across = (round_ + saddle, round_ - saddle) if width >= height else (round_ - saddle, round_ + saddle)
    length, breadth = max(width, height), min(width, height)
    r2 = plate.outline.radius**2
    return Form(
        bow=float(-along / r2 * length**2 / 4.0),
        crown=float(-across / r2 * breadth**2 / 4.0),
        wind=float(twist / r2 * length * breadth),
    )


def measure(plate: Plate, z: Array, margin: EdgeMargin) -> Form:
    """Every measure of a face; `z` (ny, nx) [m] looking at it."""
    ruler = _ruler(plate, margin.of(plate.outline))
    if ruler is None:
        return Form()
    heights = z[ruler.cells]
    left = heights - (ruler.plane @ heights) @ ruler.basis[:3]
    whole = ruler.whole
    quick = forms(plate, z, margin)
    enough = np.count_nonzero(whole) >= 4
    return Form(
        quick.sphere,
        quick.saddle,
        quick.twist,
        quick.bow,
        quick.crown,
        quick.wind,
        flatness=minimum_zone(ruler.basis[1, whole], ruler.basis[2, whole], left[whole]) if enough else None,
        flatness_ls=float(np.ptp(left[whole])) if enough else None,
        rms=float((ruler.weight @ left**2) ** 0.5),
        edge=_edge(ruler, z),
    )


def _edge(ruler: _Ruler, z: Array) -> float | None:
    """Mean height of the outermost land below the least-squares quadratic of the rest; + = fallen."""
    if ruler.rest is None:
        return None
    fitted = np.tensordot(ruler.rest_fit @ z[ruler.rest], ruler.full_basis, axes=1)
    return float((ruler.band * (fitted - z)).sum())


def mating(bottom: Plate, z_bottom: Array, top: Plate, z_top: Array, margin: EdgeMargin) -> float:
    """How badly two faces mate [m]: rms of z_bottom + z_top about its plane, centred, 12 on 12.

    Inside the margin of both; the top is turned over like a page.  Maps (ny, nx) [m] looking at each face.
    """
    x, y = bottom.grid.mesh()
    other_land = _at(top, top.land_inside(margin.of(top.outline)), -x, y)
    other = _at(top, top.land * z_top, -x, y) / np.maximum(_at(top, top.land, -x, y), 1e-12)
    weight = bottom.land_inside(margin.of(bottom.outline)) * other_land
    on = weight > 0.0
    if not on.any():
        return 0.0
    share = weight[on] / weight[on].sum()
    gap = (z_bottom + other)[on]
    plane = np.stack([np.ones(gap.size), x[on] / bottom.outline.radius, y[on] / bottom.outline.radius])
    fit = _least_squares(plane, share)
    left = gap - share @ gap if fit is None else gap - (fit @ gap) @ plane
    return float((share @ left**2) ** 0.5)


def _at(plate: Plate, values: Array, x: Array, y: Array) -> Array:
    """Bilinear reading of a map at points of the same face, 0 outside the grid."""
    wide = np.pad(values, 1)
    fx = np.clip(x / plate.grid.cell + 0.5 * (plate.grid.nx - 1) + 1.0, 0.0, plate.grid.nx + 0.999999)
    fy = np.clip(y / plate.grid.cell + 0.5 * (plate.grid.ny - 1) + 1.0, 0.0, plate.grid.ny + 0.999999)
    i, j = fx.astype(int), fy.astype(int)
    u, v = fx - i, fy - j
    low = wide[j, i] + u * (wide[j, i + 1] - wide[j, i])
    high = wide[j + 1, i] + u * (wide[j + 1, i + 1] - wide[j + 1, i])
    read: Array = low + v * (high - low)
    return read
