"""Wear of both faces summed over poses: the loops in which nearly all the time is spent.

A pose is a row of `poses` (n, POSE_COLUMNS).  Faces come as they lie: the bottom in the bench frame, the
top as seen from above at theta = 0 (already mirrored).  `wear_shifted` serves poses that differ by whole
cells: no interpolation, one evaluation serves both faces.  `wear_turned` serves any pose: each face
gathers the other, because scattering through a turned grid prints a pattern that is not there.

What is gathered is the land fraction and what is left of the height after its least-squares quadratic;
the quadratic itself is added exactly, so that spheres, saddles and twists do not wear away by being read.

What is added is per cell, not per land: divided by a cell's own land fraction it is the rate at which that
land sees pressure times speed, only the part of it counting that faces land of the other.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.kernels.compile import kernel
from sim.kernels.settle import SETTLED, add_row, loaded_sums, settle

__all__ = [
    "C_X",
    "C_Y",
    "FACTOR",
    "LIFTED",
    "LOAD",
    "MOMENT_X",
    "MOMENT_Y",
    "OVERLAP",
    "PAD",
    "PLANE",
    "POSE_COLUMNS",
    "REPORT_COLUMNS",
    "SPIN",
    "STATUS",
    "THETA",
    "V_X",
    "V_Y",
    "WEIGHT",
    "Face",
    "gather",
    "make_rowset",
    "wear_shifted",
    "wear_turned",
]

# Columns of a pose: place and angle of the top, its velocity, its share of the time, and the load
# (W, Mx / R, My / R) / (K cell^2) [m] that the bearing points of the bottom's grid must carry.
C_X, C_Y, THETA, V_X, V_Y, SPIN, WEIGHT, LOAD, MOMENT_X, MOMENT_Y = range(10)
POSE_COLUMNS = 10
# Columns of a report: status of settling, share of the land in overlap that bears nothing, factor on
# the load gathered by the top, land in overlap [cells], and the plane (h, a R, b R) from column PLANE on.
STATUS, LIFTED, FACTOR, OVERLAP, PLANE = range(5)
REPORT_COLUMNS = 7

PAD = 2  # empty cells round the gathered maps, so that four neighbours always exist

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


@kernel
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
def _lay_shifted(
    bottom: Face, top: Face, sx: int, sy: int, radius: float, rows: Rowset, loaded: Array
) -> int:
    """Fill `rows` and the `loaded` sums for the top laid `sx`, `sy` cells over; returns the rows used."""
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    cx = sx - 0.5 * (nxb - nxt)
    cy = sy - 0.5 * (nyb - nyt)
    unit = bottom.cell / radius
    loaded[:] = 0.0
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
def _report(report: Array, status: int, factor: float, work: Array, q: Array) -> None:
    report[STATUS] = status
    report[FACTOR] = factor
    report[OVERLAP] = work[0, 3]
    lifted = 1.0 - work[1, 3] / work[0, 3] if work[0, 3] > 0.0 else 1.0
    report[LIFTED] = lifted if lifted > 1e-9 else 0.0
    report[PLANE : PLANE + 3] = q


@kernel
def wear_shifted(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    Both grids have the same cell; places are rounded to whole cells; theta is taken as 0 and spin as 0.
    `warm`: `reports` (n, REPORT_COLUMNS) comes in with planes to begin from.  A pose that did not settle
    adds nothing; its report says so.
    """
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    rows = make_rowset(nyb, nxb, bottom.z.size)
    target = np.empty(3)
    q = np.empty(3)
    work = np.zeros((3, 10))
    unit = bottom.cell / top.radius
    for p in range(poses.shape[0]):
        sx = int(np.rint(poses[p, C_X] / bottom.cell + 0.5 * (nxb - nxt)))
        sy = int(np.rint(poses[p, C_Y] / bottom.cell + 0.5 * (nyb - nyt)))
        used = _lay_shifted(bottom, top, sx, sy, top.radius, rows, work[0])
        first = rows.first[:used]
        count = rows.length[:used]
        target[:] = poses[p, LOAD : LOAD + 3]
        q[:] = reports[p, PLANE : PLANE + 3]
        status = settle(
            rows.gap, rows.share, first, count, rows.xi[:used], rows.eta[:used], unit, target, warm, q, work
        )
        _report(reports[p], status, 1.0, work, q)
        if status != SETTLED:
            continue
        amount = poses[p, WEIGHT] * math.hypot(poses[p, V_X], poses[p, V_Y]) * stiffness
        for r in range(used):
            j = rows.line[r]
            lo = rows.column[r]
            m = count[r]
            base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
            slope = q[1] * unit
            gaps = rows.gap[first[r] : first[r] + m]
            shares = rows.share[first[r] : first[r] + m]
            wb = wear_bottom[j, lo : lo + m]
            wt = wear_top[j - sy, lo - sx : lo - sx + m]
            for k in range(m):
                rate = amount * shares[k] * max(0.0, gaps[k] - base - slope * k)
                wb[k] += rate
                wt[k] += rate


@kernel
def _clip(start: float, step: float, most: float, lo: int, hi: int) -> tuple[int, int]:
    """Narrow lo..hi to the k with 0 <= start + k step <= most."""
    if abs(step) < 1e-12:
        return (lo, hi) if 0.0 <= start <= most else (lo, lo)
    a = -start / step
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
        lo, hi = _clip(u0 / other.cell + off_x, fu, width - 1.001, lo, hi)
        lo, hi = _clip(v0 / other.cell + off_y, fv, other.cover.shape[0] - 1.001, lo, hi)
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


@kernel
def _force(rows: Rowset, used: int, unit: float, q: Array) -> float:
    total = 0.0
    for r in range(used):
        base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
        slope = q[1] * unit
        m = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + m]
        shares = rows.share[rows.first[r] : rows.first[r] + m]
        s = 0.0
        for k in range(m):
            s += shares[k] * max(0.0, gaps[k] - base - slope * k)
        total += s
    return total


@kernel
def _wear(
    rows: Rowset,
    used: int,
    unit: float,
    radius: float,
    q: Array,
    v: Array,
    spin: float,
    amount: float,
    wear: Array,
) -> None:
    """Add amount * squeeze * speed * land in contact to the face whose rows these are."""
    for r in range(used):
        base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
        slope = q[1] * unit
        lo = rows.column[r]
        m = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + m]
        shares = rows.share[rows.first[r] : rows.first[r] + m]
        target = wear[rows.line[r], lo : lo + m]
        vx = v[0] - spin * rows.eta[r] * radius
        vy = v[1] + spin * rows.xi[r] * radius
        if spin == 0.0:
            rate = amount * math.hypot(vx, vy)
            for k in range(m):
                target[k] += rate * shares[k] * max(0.0, gaps[k] - base - slope * k)
        else:
            dv = spin * unit * radius
            for k in range(m):
                w = vy + k * dv
                rate = amount * math.sqrt(vx * vx + w * w)
                target[k] += rate * shares[k] * max(0.0, gaps[k] - base - slope * k)


@kernel
def wear_turned(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    The top settles on the bottom's grid; the load that its own cells gather is then scaled to the same
    force, so that what one face loses the other matches.  Otherwise as `wear_shifted`.
    """
    rows = make_rowset(
        max(bottom.z.shape[0], top.z.shape[0]),
        max(bottom.z.shape[1], top.z.shape[1]),
        max(bottom.z.size, top.z.size),
    )
    radius = top.radius
    target = np.empty(3)
    q = np.empty(3)
    q_top = np.empty(3)
    v = np.empty(2)
    work = np.zeros((3, 10))
    unit = bottom.cell / radius
    unit_top = top.cell / radius
    for p in range(poses.shape[0]):
        cx = poses[p, C_X]
        cy = poses[p, C_Y]
        cos = math.cos(poses[p, THETA])
        sin = math.sin(poses[p, THETA])
        used = gather(bottom, top, cx, cy, cos, sin, cx, cy, radius, rows)
        first = rows.first[:used]
        count = rows.length[:used]
        target[:] = poses[p, LOAD : LOAD + 3]
        q[:] = reports[p, PLANE : PLANE + 3]
        loaded_sums(rows.gap, rows.share, first, count, rows.xi[:used], rows.eta[:used], unit, work[0])
        status = settle(
            rows.gap, rows.share, first, count, rows.xi[:used], rows.eta[:used], unit, target, warm, q, work
        )
        _report(reports[p], status, 1.0, work, q)
        if status != SETTLED:
            continue
        spin = poses[p, SPIN]
        amount = poses[p, WEIGHT] * stiffness
        v[0] = poses[p, V_X]
        v[1] = poses[p, V_Y]
        _wear(rows, used, unit, radius, q, v, spin, amount, wear_bottom)
        # The same pose seen from the top: everything turned back by theta, the bottom laid over its cells.
        v[0] = cos * poses[p, V_X] + sin * poses[p, V_Y]
        v[1] = -sin * poses[p, V_X] + cos * poses[p, V_Y]
        q_top[0] = q[0]
        q_top[1] = cos * q[1] + sin * q[2]
        q_top[2] = -sin * q[1] + cos * q[2]
        used = gather(
            top, bottom, -cos * cx - sin * cy, sin * cx - cos * cy, cos, -sin, 0.0, 0.0, radius, rows
        )
        gathered = _force(rows, used, unit_top, q_top) * (top.cell / bottom.cell) ** 2
        factor = target[0] / gathered if gathered > 0.0 else 0.0
        reports[p, FACTOR] = factor
        _wear(rows, used, unit_top, radius, q_top, v, spin, amount * factor, wear_top)
