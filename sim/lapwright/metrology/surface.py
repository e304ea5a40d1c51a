"""A height map as it came from a file, and how it is laid on a plate.

A height map laid on a plate: on its cells, gaps filled, levelled.

The middle of the map comes to lie on the middle of the plate, 12 o'clock up.  First the quadratic that fits
the measured points best is put aside, so that only what it leaves is averaged, interpolated and carried on
into gaps; then it is added again exactly.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import SurfaceFileError
from lapwright.files import read_whole
from lapwright.metrology.form import quadratic_shapes
from lapwright.specification.plate import (
    FEWEST_POINTS,
    Measured,
    Plate,
    Shares,
    boxes,
    cubic,
    resampled,
)
from lapwright.specification.said import one_line, shown

Array = NDArray[np.float64]

MOST_POINTS = 5_000_000  # 2200 x 2200: 40 MB of heights
LARGEST_FILE = 48_000_000  # bytes
FEWEST = 4  # points along a side
FEWEST_MEASURED = 9  # six fix a quadratic
CLOSEST, FARTHEST = 1e-9, 1.0  # m, from point to point


@dataclass(frozen=True, eq=False)
class Surface:
    """Heights (ny, nx) [m], NaN where nothing was measured, looking at the face.

    Row 0 is the lowest y (6 o'clock), column 0 the lowest x (9 o'clock); `dx`, `dy` [m] from point to point.
    """

    heights: Array
    dx: float
    dy: float

    @property
    def size(self) -> tuple[float, float]:
        """What the points stand for, each its own dx by dy: along x, along y [m]."""
        ny, nx = self.heights.shape
        return nx * self.dx, ny * self.dy


def refuse(message: str, code: str = "surface_file") -> SurfaceFileError:
    """Make the one line for a file that cannot be taken."""
    return SurfaceFileError(one_line(message), code=code)


def bytes_of(path: Path) -> bytes:
    """Read a whole file.

    Raises
    ------
    SurfaceFileError
        When it is missing, no plain file, unreadable or larger than any map that is read.

    """
    try:
        info = path.stat()
        if not stat.S_ISREG(info.st_mode):
            raise refuse("is a folder or a device, not a file with a height map", "file")
        if info.st_size > LARGEST_FILE:
            raise refuse(
                f"is {info.st_size / 1e6:.0f} MB large, and {LARGEST_FILE / 1e6:.0f} MB is the most: "
                "thin the map out before it is saved",
                "size",
            )
        data = read_whole(path, LARGEST_FILE)
    except FileNotFoundError:
        raise refuse(
            "is not there: look at the name, which goes from the study's folder", "file"
        ) from None
    except PermissionError:
        raise refuse("may not be read by you: ask for the right to read it", "file") from None
    except (OSError, ValueError) as trouble:
        reason = (
            trouble.strerror
            if isinstance(trouble, OSError) and trouble.strerror
            else "no such name"
        )
        raise refuse(f"cannot be read: {reason}", "file") from None
    if not data:
        raise refuse("is empty", "file")
    return data


def check_size(nx: int, ny: int) -> None:
    """Refuse numbers of points that no map has, before anything is made of that size.

    Raises
    ------
    SurfaceFileError
        Too few along a side, or too many in all.

    """
    if not (nx >= FEWEST and ny >= FEWEST):
        raise refuse(f"has {nx} x {ny} points: a map has at least {FEWEST} along each side", "size")
    if nx * ny > MOST_POINTS:
        raise refuse(
            f"has {nx} x {ny} points, and {MOST_POINTS} in all is the most: thin the map out",
            "size",
        )


def checked(heights: Array, dx: float, dy: float) -> Surface:
    """Make a surface of heights [m] and spacing [m] once they are fit for it.

    Raises
    ------
    SurfaceFileError
        A spacing that cannot be, an infinite height, or hardly a point measured.

    """
    for name, spacing in (("along x (9 to 3)", dx), ("along y (6 to 12)", dy)):
        # Written so that NaN fails.
        if not CLOSEST <= spacing <= FARTHEST:
            raise refuse(
                f"says that its points lie {spacing:.6g} m apart {name}: between 1 nm and 1 m is possible",
                "range",
            )
    check_size(heights.shape[1], heights.shape[0])
    if np.isinf(heights).any():
        raise refuse("has an infinite height: points not measured are NaN, BAD or empty", "range")
    if np.count_nonzero(np.isfinite(heights)) < FEWEST_MEASURED:
        raise refuse(f"holds fewer than {FEWEST_MEASURED} measured points", "missing")
    return Surface(heights, dx, dy)


def named(name: str, trouble: SurfaceFileError) -> SurfaceFileError:
    """The same trouble, beginning with the file's name."""
    return SurfaceFileError(f"{shown(name)} {trouble.message}", key=trouble.key, code=trouble.code)


Mask = NDArray[np.bool_]

MOST_MISSING = 0.10  # of the land inside the edge margin
MOST_BEYOND = 0.005  # of it that may lie beyond the map: a hair at the rim
ENOUGH = 0.25  # of a cell's land that must have been measured for a mean over it
TALLEST = 2e-3  # m, on the land, levelled; deeper than any start form that may be typed
ROUND_LAND = 2  # cells beyond the land that are filled, for who reads between cells
PULL = 1e-6  # towards the quadratic, so weak that it only decides where nothing else does
ROWS_AT_ONCE = 2_000_000  # points


@dataclass(frozen=True)
class Laid:
    """What a map became on a plate.

    `missing` share of the land inside the margin that was not measured, `beyond` share of the land outside
    it; `tilt` [rad] that was taken out, `across` and `up`; `spacing` [m], `points` (nx, ny) of the map.
    """

    measured: Measured
    missing: float
    beyond: float
    tilt: tuple[float, float]
    spacing: tuple[float, float]
    points: tuple[int, int]


def lay(
    surface: Surface, plate: Plate, margin: float, at: tuple[float, float] = (0.0, 0.0)
) -> Laid:
    """Lay a map on a plate with its middle `at` a place of it [m]; `margin` [m] is the edge margin.

    Raises
    ------
    SurfaceFileError
        The map is smaller than the land inside the margin, too coarse for it, too much of it was not
        measured, or its heights cannot be a face's.

    """
    ny, nx = surface.heights.shape
    x = (np.arange(nx) - 0.5 * (nx - 1)) * surface.dx + at[0]
    y = (np.arange(ny) - 0.5 * (ny - 1)) * surface.dy + at[1]
    inside = plate.land_inside(margin)
    _refuse_small(surface, plate, inside, at)
    valid = _on_land(surface, plate, x, y)
    z = np.where(valid, surface.heights, 0.0)
    fit = _quadratic(plate, x, y, z, valid)
    for j in range(ny):  # row by row: no second copy of a large map
        z[j] -= np.einsum("k,kc->c", fit, quadratic_shapes(plate, x, np.full(nx, y[j])))
    z *= valid
    rest, known, seen = _on_cells(surface, plate, x, y, z, valid)
    land = float(inside.sum())
    missing = float(inside[~seen].sum()) / land
    if missing > MOST_MISSING:
        raise refuse(
            f"does not say enough: {100.0 * missing:.0f} % of the land was not measured, "
            f"{100.0 * MOST_MISSING:.0f} % is the most that is filled in",
            "missing",
        )
    outer = np.maximum(plate.land - inside, 0.0)
    beyond = float(outer[~seen].sum()) / float(outer.sum()) if outer.sum() > 0.0 else 0.0
    _fill(rest, known, _near(plate.land > 0.0, ROUND_LAND))
    gx, gy = plate.grid.mesh()
    heights = rest + np.einsum("k,kji->ji", fit, quadratic_shapes(plate, gx, gy))
    heights, tilt = _levelled(plate, heights, inside)
    height = float(np.ptp(heights[plate.land > 0.0]))
    if not height <= TALLEST:
        raise refuse(
            f"has heights that differ by {height * 1e3:.3g} mm on the face, and {TALLEST * 1e3:.0f} mm is "
            "the most: look at the unit, and leave out grooves and bench",
            "range",
        )
    return Laid(
        Measured(plate.grid, heights), missing, beyond, tilt, (surface.dx, surface.dy), (nx, ny)
    )


def _refuse_small(surface: Surface, plate: Plate, inside: Array, at: tuple[float, float]) -> None:
    """Refuse a map that does not reach over the land inside the margin, or has hardly a point on it."""
    if not inside.sum() > 0.0:
        raise refuse("cannot be laid on a face with no land inside its edge margin", "range")
    x, y = plate.grid.mesh()
    half = 0.5 * surface.size[0], 0.5 * surface.size[1]
    out = (np.abs(x - at[0]) > half[0]) | (np.abs(y - at[1]) > half[1])
    along, across = (f"{1e3 * side:.4g}" for side in surface.size)
    wide, high = (f"{1e3 * side:.4g}" for side in plate.outline.size)
    bare = float(inside[out].sum() / inside.sum())
    if bare > MOST_BEYOND:
        raise refuse(
            f"is {along} x {across} mm and leaves {100.0 * bare:.0f} % of a face of {wide} x {high} mm "
            "uncovered: measure the whole face, or look at the spacing",
            "range",
        )
    for side, step in zip(plate.outline.size, (surface.dx, surface.dy), strict=True):
        if side < FEWEST_POINTS * step:
            raise refuse(
                f"has its points {1e3 * step:.4g} mm apart, too far for a face of {wide} x {high} mm: "
                f"at least {FEWEST_POINTS} must lie across it",
                "range",
            )


def _on_land(surface: Surface, plate: Plate, x: Array, y: Array) -> Mask:
    """Which points were measured on the land: what lies beside it is chamfer, groove or bench.

    A point stands for its surroundings, so one of a coarse map counts from half its spacing outside the
    rim; in a fine map those half in a groove are left out.
    """
    cell = plate.grid.cell
    step = max(surface.dx, surface.dy)
    grooves, outline = (
        plate.grooves,
        plate.outline.shrunk(plate.grooves.rim if plate.grooves else 0.0),
    )
    out = np.isfinite(surface.heights)
    if outline is None:
        return np.zeros_like(out)
    reach = 0.5 * step if step > cell else 0.0
    rows = max(1, ROWS_AT_ONCE // (8 * x.size))
    for begin in range(0, y.size, rows):
        gx, gy = np.meshgrid(x, y[begin : begin + rows])
        part = out[begin : begin + rows]
        part &= outline.signed_distance(gx, gy) <= reach
        if grooves is not None:
            part &= grooves.distance(gx, gy) >= 0.5 * min(surface.dx, surface.dy, grooves.width)
    return out


def _quadratic(plate: Plate, x: Array, y: Array, z: Array, valid: Mask) -> Array:
    """Coefficients (6,) of the least-squares quadratic of the measured points."""
    normal, right = np.zeros((6, 6)), np.zeros(6)
    for j in range(y.size):
        on = valid[j]
        if on.any():
            basis = quadratic_shapes(plate, x[on], np.full(np.count_nonzero(on), y[j]))
            normal += np.einsum("kc,lc->kl", basis, basis)
            right += np.einsum("kc,c->k", basis, z[j, on])
    fit: Array = np.linalg.pinv(normal, rcond=1e-12, hermitian=True) @ right
    return fit


def _axis(
    start: float, step: float, count: int, centres: Array, cell: float
) -> tuple[Shares, Shares]:
    """How an axis is resampled, and how its measured share is told: means where the map is finer."""
    if step <= cell * (1.0 + 1e-9):
        shares = boxes(start, step, count, centres, cell)
        return shares, shares
    shares = cubic(start, step, count, centres)
    return shares, shares.touched()


def _on_cells(
    surface: Surface, plate: Plate, x: Array, y: Array, z: Array, valid: Mask
) -> tuple[Array, Mask, Mask]:
    """The rest on the plate's cells (ny, nx), where it is known, and where it was measured at all."""
    grid = plate.grid
    rows, rows_seen = _axis(float(y[0]), surface.dy, y.size, grid.y, grid.cell)
    columns, columns_seen = _axis(float(x[0]), surface.dx, x.size, grid.x, grid.cell)
    there = valid.astype(float)
    covered = resampled(there, rows_seen, columns_seen)
    fine = max(surface.dx, surface.dy) <= grid.cell * (1.0 + 1e-9)
    if fine:
        known = (covered > 0.0) & (covered >= ENOUGH * np.maximum(plate.land, 0.02))
        seen = known
        divisor = covered
    else:
        # A curve runs through all its points or it is none; what it misses is carried on from beside.
        known = covered > 1.0 - 1e-6
        seen = known | _nearest(valid, x, y, surface, plate)
        divisor = np.ones_like(covered)
    values = resampled(z, rows, columns)
    return np.where(known, values / np.where(known, divisor, 1.0), 0.0), known, seen


def _nearest(valid: Mask, x: Array, y: Array, surface: Surface, plate: Plate) -> Mask:
    """Whether the point nearest to a cell was measured."""
    i = np.rint((plate.grid.x - x[0]) / surface.dx).astype(np.intp)
    j = np.rint((plate.grid.y - y[0]) / surface.dy).astype(np.intp)
    out = np.zeros(plate.grid.shape, dtype=bool)
    on_x, on_y = (i >= 0) & (i < x.size), (j >= 0) & (j < y.size)
    out[np.ix_(on_y, on_x)] = valid[np.ix_(j[on_y], i[on_x])]
    return out


def _near(land: Mask, cells: int) -> Mask:
    """Cells with land and those so close round them."""
    out = land.copy()
    for _ in range(cells):
        wide = out.copy()
        wide[1:] |= out[:-1]
        wide[:-1] |= out[1:]
        wide[:, 1:] |= out[:, :-1]
        wide[:, :-1] |= out[:, 1:]
        out = wide
    return out


def around(heights: Array, land: Mask, cells: int) -> Array:
    """A map (ny, nx) [m] that is known on its land, carried on into so many cells beside it; then 0."""
    out = np.where(land, heights, 0.0)
    _fill(out, land, _near(land, cells))
    return out


def _fill(z: Array, known: Mask, region: Mask) -> None:
    """Carry the map on into the cells of the region that are not known, as smoothly as can be, in place.

    Least squares of all second differences (along x, along y, and twice the mixed one) that touch such a
    cell: the smoothest face that joins what is known.
    """
    region = region | known
    gaps = region & ~known
    count = int(np.count_nonzero(gaps))
    if count == 0:
        return
    from scipy.sparse import csr_matrix, identity
    from scipy.sparse.linalg import spsolve

    number = np.full(z.shape, -1)
    number[gaps] = np.arange(count)
    total, right = identity(count, format="csr") * PULL, np.zeros(count)
    bends = (
        (((0, 0), (0, 1), (0, 2)), (1.0, -2.0, 1.0)),
        (((0, 0), (1, 0), (2, 0)), (1.0, -2.0, 1.0)),
        (((0, 0), (0, 1), (1, 0), (1, 1)), (2.0**0.5, -(2.0**0.5), -(2.0**0.5), 2.0**0.5)),
    )
    for places, factors in bends:
        height = z.shape[0] - max(dj for dj, _ in places)
        width = z.shape[1] - max(di for _, di in places)
        views = [np.s_[dj : dj + height, di : di + width] for dj, di in places]
        whole = np.all([region[view] for view in views], axis=0)
        whole &= np.any([gaps[view] for view in views], axis=0)
        rows = int(np.count_nonzero(whole))
        if rows == 0:
            continue
        numbers = np.stack([number[view][whole] for view in views])
        values = np.stack(
            [
                factor * (number[view][whole] >= 0)
                for view, factor in zip(views, factors, strict=True)
            ]
        )
        fixed = sum(
            factor * np.where(number[view][whole] < 0, z[view][whole], 0.0)
            for view, factor in zip(views, factors, strict=True)
        )
        index = np.broadcast_to(np.arange(rows), numbers.shape)
        matrix = csr_matrix(
            (values.ravel(), (index.ravel(), np.maximum(numbers, 0).ravel())), (rows, count)
        )
        total = total + matrix.T @ matrix
        right -= matrix.T @ fixed
    z[gaps] = spsolve(total.tocsc(), right)


def _levelled(plate: Plate, heights: Array, inside: Array) -> tuple[Array, tuple[float, float]]:
    """Heights without their least-squares plane over the land inside the margin, and its slopes [rad]."""
    on = inside > 0.0
    gx, gy = plate.grid.mesh()
    radius = plate.outline.radius
    basis = np.stack([np.ones(np.count_nonzero(on)), gx[on] / radius, gy[on] / radius])
    weighted = basis * inside[on]
    plane = np.linalg.solve(
        np.einsum("kc,lc->kl", weighted, basis), np.einsum("kc,c->k", weighted, heights[on])
    )
    slopes = float(plane[1]) / radius, float(plane[2]) / radius
    return heights - (plane[0] + slopes[0] * gx + slopes[1] * gy), slopes
