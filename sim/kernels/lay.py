"""One face laid over the cells of the other: by whole cells, or gathered in any pose.

What is gathered is the land fraction and what is left of the height after its least-squares quadratic;
the quadratic itself is added exactly, so that spheres, saddles and twists do not wear away by being read.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.kernels.compile import kernel
from sim.kernels.settle import add_row

__all__ = ["PAD", "Face", "Rowset", "gather", "lay_shifted", "make_rowset"]

PAD = 2  # empty cells round the gathered maps, so that four neighbours always exist
EDGE = 1e-3  # of a cell: how far inside a gathered map every place stays, so that round-off never leaves it

Array = NDArray[np.float64]
Rows = NDArray[np.int64]


class Face(NamedTuple):
    """A face as it lies, ready to be worn: own cells (ny, nx), and padded maps for the other to gather."""

    z: Array  # heights [m]
    land: Array  # land fraction
    span: Rows  # (ny, 2): first and one past the last column with land
    rest: Array  # heights less `quadratic`, filled round the land, padded [m]
    cover: Array  # land fraction, padded
    whole: NDArray[np.bool_]  # the four neighbours from here on are all land, padded
    quadratic: Array  # (6,): of 1, x, y, x^2, xy, y^2 [m]
    cell: float  # [m]
    radius: float  # of the circle about the outline [m]


class Rowset(NamedTuple):
    """Scratch for the overlap of a pose: points in flat buffers and where each row of them begins."""

    gap: Array
    share: Array
    first: Rows
    length: Rows
    column: Rows
    line: Rows
    xi: Array
    eta: Array
    cell: NDArray[
        np.uint64
    ]  # of one row: where each point falls in the gathered map, and how far into the cell
    across: Array
    along: Array


def make_rowset(lines: int, width: int, points: int) -> Rowset:
    """Empty scratch for grids of up to `lines` rows, `width` columns and `points` cells."""
    return Rowset(
        np.empty(points),
        np.empty(points),
        np.empty(lines, np.int64),
        np.empty(lines, np.int64),
        np.empty(lines, np.int64),
        np.empty(lines, np.int64),
        np.empty(lines),
        np.empty(lines),
        np.empty(width, np.uint64),
        np.empty(width),
        np.empty(width),
    )


@kernel
def lay_shifted(bottom: Face, top: Face, sx: int, sy: int, radius: float, rows: Rowset, loaded: Array) -> int:
    """Fill `rows` and the `loaded` sums for the top laid `sx`, `sy` cells over; returns the rows used."""
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    cx = sx - 0.5 * (nxb - nxt)
    cy = sy - 0.5 * (nyb - nyt)
    unit = bottom.cell / radius
    for i in range(9):
        loaded[i] = 0.0
    used = 0
    n = 0
    for j in range(max(0, sy), min(nyb, nyt + sy)):
        lo = max(bottom.span[j, 0], top.span[j - sy, 0] + sx)
        hi = min(bottom.span[j, 1], top.span[j - sy, 1] + sx)
        if hi <= lo:
            continue
        xi0 = (lo - 0.5 * (nxb - 1) - cx) * unit
        eta = (j - 0.5 * (nyb - 1) - cy) * unit
        rows.first[used] = n
        rows.length[used] = hi - lo
        rows.column[used] = lo
        rows.line[used] = j
        rows.xi[used] = xi0
        rows.eta[used] = eta
        zb = bottom.z[j, lo:hi]
        lb = bottom.land[j, lo:hi]
        zt = top.z[j - sy, lo - sx : hi - sx]
        lt = top.land[j - sy, lo - sx : hi - sx]
        gaps = rows.gap[n : n + hi - lo]
        shares = rows.share[n : n + hi - lo]
        s0 = 0.0
        s1 = 0.0
        g0 = 0.0
        g1 = 0.0
        g2 = 0.0
        for k in range(hi - lo):
            xi = xi0 + k * unit
            v = zb[k] + zt[k]
            w = lb[k] * lt[k]
            gaps[k] = v
            shares[k] = w
            s0 += w * v
            s1 += w * v * xi
            g0 += w
            g1 += w * xi
            g2 += w * xi * xi
        add_row(loaded, eta, s0, s1, g0, g1, g2)
        used += 1
        n += hi - lo
    return used


@kernel
def _clip(start: float, step: float, last: float, lo: int, hi: int) -> tuple[int, int]:
    """Narrow lo..hi to the k whose start + k step lies between 0 and `last`, `EDGE` inside both."""
    least, most = EDGE, last - EDGE
    if abs(step) < 1e-12:
        return (lo, hi) if least <= start <= most else (lo, lo)
    a = (least - start) / step
    b = (most - start) / step
    if a > b:
        a, b = b, a
    if a > hi or b < lo:
        return lo, lo
    return max(lo, math.ceil(a)), min(hi, math.floor(b) + 1)


@kernel
def gather(
    own: Face,
    other: Face,
    cx: float,
    cy: float,
    cos: float,
    sin: float,
    origin_x: float,
    origin_y: float,
    radius: float,
    rows: Rowset,
) -> int:
    """Lay `other`, its centre at (cx, cy) of `own`'s frame and turned by (cos, sin), over `own`'s cells.

    Fills gap [m] and share (product of lands) row by row, with xi, eta from (origin_x, origin_y) in units
    of `radius`; returns the rows used.
    """
    ny, nx = own.z.shape
    width = other.cover.shape[1]
    rest = other.rest.ravel()
    cover = other.cover.ravel()
    whole = other.whole.ravel()
    off_x = 0.5 * (width - 1)
    off_y = 0.5 * (other.cover.shape[0] - 1)
    a0, a1, a2, a3, a4, a5 = other.quadratic
    du = own.cell * cos  # one cell along the row, in the other's frame [m]
    dv = -own.cell * sin
    fu = du / other.cell
    fv = dv / other.cell
    # Land of part-covered cells, read across a cell's diagonal, and spread by half a cell of the reader.
    reach = other.radius + 2.2 * other.cell + own.cell
    one = np.uint64(1)
    up = np.uint64(width)
    used = 0
    n = 0
    for j in range(ny):
        x0 = -0.5 * (nx - 1) * own.cell
        y = (j - 0.5 * (ny - 1)) * own.cell
        half = reach * reach - (y - cy) * (y - cy)
        if half <= 0.0:
            continue
        half = math.sqrt(half)
        lo = max(own.span[j, 0], math.ceil((cx - half - x0) / own.cell))
        hi = min(own.span[j, 1], math.floor((cx + half - x0) / own.cell) + 1)
        if hi <= lo:
            continue
        u0 = cos * (x0 - cx) + sin * (y - cy)
        v0 = -sin * (x0 - cx) + cos * (y - cy)
        lo, hi = _clip(u0 / other.cell + off_x, fu, width - 1.0, lo, hi)
        lo, hi = _clip(v0 / other.cell + off_y, fv, other.cover.shape[0] - 1.0, lo, hi)
        if hi <= lo:
            continue
        u0 += lo * du
        v0 += lo * dv
        pu = u0 / other.cell + off_x
        pv = v0 / other.cell + off_y
        b0 = a0 + a1 * u0 + a2 * v0 + a3 * u0 * u0 + a4 * u0 * v0 + a5 * v0 * v0
        b1 = a1 * du + a2 * dv + 2.0 * a3 * u0 * du + a4 * (u0 * dv + v0 * du) + 2.0 * a5 * v0 * dv
        b2 = a3 * du * du + a4 * du * dv + a5 * dv * dv
        m = hi - lo
        z = own.z[j, lo:hi]
        land = own.land[j, lo:hi]
        gaps = rows.gap[n : n + m]
        shares = rows.share[n : n + m]
        # Two loops: the first runs in vector registers, the second is bound by the look-ups.
        for k in range(m):
            fx = pu + k * fu
            fy = pv + k * fv
            ix = np.floor(fx)
            iy = np.floor(fy)
            rows.across[k] = fx - ix
            rows.along[k] = fy - iy
            rows.cell[k] = np.uint64(np.int64(iy) * width + np.int64(ix))
        for k in range(m):
            i = rows.cell[k]
            i2 = i + up
            tx = rows.across[k]
            ty = rows.along[k]
            low = rest[i] + tx * (rest[i + one] - rest[i])
            high = rest[i2] + tx * (rest[i2 + one] - rest[i2])
            gaps[k] = z[k] + low + ty * (high - low) + b0 + k * (b1 + k * b2)
            if whole[i]:
                shares[k] = land[k]
            else:
                low = cover[i] + tx * (cover[i + one] - cover[i])
                high = cover[i2] + tx * (cover[i2 + one] - cover[i2])
                shares[k] = land[k] * (low + ty * (high - low))
        rows.first[used] = n
        rows.length[used] = m
        rows.column[used] = lo
        rows.line[used] = j
        rows.xi[used] = (x0 + lo * own.cell - origin_x) / radius
        rows.eta[used] = (y - origin_y) / radius
        used += 1
        n += m
    return used
