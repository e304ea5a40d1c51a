"""One face laid over the cells of the other: by whole cells, or gathered in any pose.

What is gathered is the land fraction and what is left of the height after its least-squares quadratic;
the quadratic itself is added exactly, so that spheres, saddles and twists do not wear away by being read.

Where a cell is partly land on both faces, what faces what depends on the edges: `share.in_common`.

What kernels are given from outside: faces and poses of one type each, and scratch that a thread keeps.

numba compiles a kernel anew for every type it meets, and to it an array that may be written to is of another
type than one that may not, and one with gaps of another than one without.  So what a kernel reads comes
through `read_only`, and it compiles once.
"""

from __future__ import annotations

import math
import threading
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import (
    ONE_EDGE,
    TIE,
    WHOLE,
    Face,
    Rowset,
    by_count,
    in_common,
    make_rowset,
    on_strips,
    share_edges,
    share_strips,
)
from lapwright.contact.compile import part
from lapwright.contact.equilibrium import WORK, add_row

EDGE = 1e-3  # of a cell: how far inside a gathered map every place stays, so that round-off never leaves it

Array = NDArray[np.float64]


@part
def lay_shifted(
    bottom: Face, top: Face, sx: int, sy: int, radius: float, rows: Rowset, loaded: Array
) -> int:
    """Fill `rows` and the `loaded` sums for the top laid `sx`, `sy` cells over; returns the rows used."""
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    cx = sx - 0.5 * (nxb - nxt)
    cy = sy - 0.5 * (nyb - nyt)
    unit = bottom.cell / radius
    begins, ragged = bottom.begins, bottom.ragged
    edges_b, edges_t = bottom.edges, top.edges
    bits_b, bits_t = bottom.bits, top.bits
    strips = bottom.strips_x.shape[0] > 0 and top.strips_x.shape[0] > 0
    both_x = rows.across  # of each column, where land lies on strips
    if strips:
        for i in range(nxb):
            both_x[i] = on_strips(bottom.strips_x, top.strips_x, cx, 1.0, i - 0.5 * (nxb - 1))
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
        both_y = 0.0
        if strips:
            both_y = on_strips(bottom.strips_y, top.strips_y, cy, 1.0, j - 0.5 * (nyb - 1))
        # Seldom: cells partly land on both faces, apart from the loop above, which runs in vector registers.
        for e in range(begins[j], begins[j + 1]):
            i = ragged[e]
            if i < lo or i >= hi:
                continue
            k = i - lo
            if not 0.0 < lt[k] < 1.0:
                continue
            bx = edges_b[0, j, i]
            by = edges_b[1, j, i]
            tx = edges_t[0, j - sy, i - sx]
            ty = edges_t[1, j - sy, i - sx]
            if strips:
                w = both_x[i] * both_y
            elif (bx == 0.0 and by == 0.0) or (tx == 0.0 and ty == 0.0):
                w = by_count(lb[k], lt[k], bits_b[j, i], bits_t[j - sy, i - sx])
            else:
                w = in_common(lb[k], lt[k], bx * tx + by * ty)
            more = w - shares[k]
            shares[k] = w
            xi = xi0 + k * unit
            s0 += more * gaps[k]
            s1 += more * gaps[k] * xi
            g0 += more
            g1 += more * xi
            g2 += more * xi * xi
        add_row(loaded, eta, s0, s1, g0, g1, g2)
        used += 1
        n += hi - lo
    return used


@part
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


@part
def _between_circles(
    u: float, v: float, du: float, dv: float, least: float, most: float, count: int
) -> tuple[int, int]:
    """Which k of 0..count - 1 on the line (u + k du, v + k dv) lie between two circles about the origin.

    Of a line that crosses the smaller one, the longer of the two stretches.
    """
    square = du * du + dv * dv
    middle = -(u * du + v * dv) / square
    off = (u + middle * du) * (u + middle * du) + (v + middle * dv) * (v + middle * dv)
    if off >= most * most:
        return 0, 0
    half = math.sqrt((most * most - off) / square)
    first = max(0, math.ceil(middle - half))
    last = min(count, math.floor(middle + half) + 1)
    if off < least * least:
        half = math.sqrt((least * least - off) / square)
        before = min(last, math.floor(middle - half) + 1)
        after = max(first, math.ceil(middle + half))
        if before - first > last - after:
            last = before
        else:
            first = after
    return (first, last) if first < last else (0, 0)


@part
def _find_rows(
    own: Face, other: Face, cx: float, cy: float, cos: float, sin: float, rows: Rowset
) -> int:
    """Find which points of each row the other may lie on, and which of them surely lie on whole land.

    Apart from the work on the points, so that no guess of the processor waits for the roots taken here.
    Returns the rows used.
    """
    ny, nx = own.z.shape
    height, width = other.cover.shape
    off_x = 0.5 * (width - 1)
    off_y = 0.5 * (height - 1)
    scale = 1.0 / other.cell
    fu = own.cell * cos * scale  # one cell along the row, in the other's cells
    fv = -own.cell * sin * scale
    least, most, end = other.circles
    reach = end * other.cell
    x0 = -0.5 * (nx - 1) * own.cell
    per_cell = 1.0 / own.cell
    used = 0
    n = 0
    for j in range(ny):
        y = (j - 0.5 * (ny - 1)) * own.cell
        half = reach * reach - (y - cy) * (y - cy)
        if half <= 0.0:
            continue
        half = math.sqrt(half)
        lo = max(own.span[j, 0], math.ceil((cx - half - x0) * per_cell))
        hi = min(own.span[j, 1], math.floor((cx + half - x0) * per_cell) + 1)
        if hi <= lo:
            continue
        u = (cos * (x0 - cx) + sin * (y - cy)) * scale
        v = (-sin * (x0 - cx) + cos * (y - cy)) * scale
        lo, hi = _clip(u + off_x, fu, width - 1.0, lo, hi)
        lo, hi = _clip(v + off_y, fv, height - 1.0, lo, hi)
        if hi <= lo:
            continue
        rows.first[used] = n
        rows.length[used] = hi - lo
        rows.column[used] = lo
        rows.line[used] = j
        begin, stop = _between_circles(u + lo * fu, v + lo * fv, fu, fv, least, most, hi - lo)
        rows.begin[used] = begin
        rows.stop[used] = stop
        used += 1
        n += hi - lo
    return used


@part
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

    Fills gap [m] and share (of land on both faces) row by row, with xi, eta from (origin_x, origin_y) in
    units of `radius`; returns the rows used.
    """
    ny, nx = own.z.shape
    width = other.cover.shape[1]
    rest = other.rest.reshape(other.rest.size)
    kind = other.kind.reshape(other.kind.size)
    across, along, cells = rows.across, rows.along, rows.cell
    points, places, marks = rows.edge_point, rows.edge_place, rows.edge_cell
    marks_across, marks_along = rows.edge_across, rows.edge_along
    off_x = 0.5 * (width - 1)
    off_y = 0.5 * (other.cover.shape[0] - 1)
    a0, a1, a2, a3, a4, a5 = other.quadratic
    du = own.cell * cos  # one cell along the row, in the other's frame [m]
    dv = -own.cell * sin
    fu = du / other.cell
    fv = dv / other.cell
    cell_by_cell = abs(fu - 1.0) < 1e-12 and abs(fv) < 1e-12
    begins, uneven = other.begins_between, other.uneven
    # Straight edges lie on each other at quarter turns.
    strips = abs(cos * sin) < TIE and own.strips_x.shape[0] > 0 and other.strips_x.shape[0] > 0
    one = np.uint64(1)
    up = np.uint64(width)
    some = np.int64(0)  # no literal, which would be a type of its own to what is called with it
    x0 = -0.5 * (nx - 1) * own.cell
    used: int = _find_rows(own, other, cx, cy, cos, sin, rows)
    for r in range(used):
        j = rows.line[r]
        lo = rows.column[r]
        m = rows.length[r]
        n = rows.first[r]
        y = (j - 0.5 * (ny - 1)) * own.cell
        u0 = cos * (x0 - cx) + sin * (y - cy) + lo * du
        v0 = -sin * (x0 - cx) + cos * (y - cy) + lo * dv
        pu = u0 / other.cell + off_x
        pv = v0 / other.cell + off_y
        b0 = a0 + a1 * u0 + a2 * v0 + a3 * u0 * u0 + a4 * u0 * v0 + a5 * v0 * v0
        b1 = a1 * du + a2 * dv + 2.0 * a3 * u0 * du + a4 * (u0 * dv + v0 * du) + 2.0 * a5 * v0 * dv
        b2 = a3 * du * du + a4 * du * dv + a5 * dv * dv
        z = own.z[j, lo : lo + m]
        land = own.land[j, lo : lo + m]
        gaps = rows.gap[n : n + m]
        shares = rows.share[n : n + m]
        if cell_by_cell:
            # Every point lies at the same place within its cell.
            row = np.int64(math.floor(pv))
            column = np.int64(math.floor(pu))
            tx = pu - column
            ty = pv - row
            place = row * width + column
            r00 = rest[place : place + m]
            r01 = rest[place + 1 : place + 1 + m]
            r10 = rest[place + width : place + width + m]
            r11 = rest[place + width + 1 : place + width + 1 + m]
            kinds = kind[place : place + m]
            for k in range(m):
                low = r00[k] + tx * (r01[k] - r00[k])
                high = r10[k] + tx * (r11[k] - r10[k])
                gaps[k] = z[k] + low + ty * (high - low) + b0 + k * (b1 + k * b2)
            for k in range(m):
                shares[k] = land[k] if kinds[k] == WHOLE else 0.0
            for e in range(begins[row], begins[row + 1]):
                k = uneven[e] - column
                if 0 <= k < m:
                    points[some] = n + k
                    places[some] = j * nx + lo + k
                    marks[some] = np.uint64(place + k)
                    marks_across[some] = tx
                    marks_along[some] = ty
                    some += 1
        else:
            # Loops apart: the first runs in vector registers, the second is bound by the look-ups.
            for k in range(m):
                fx = pu + k * fu
                fy = pv + k * fv
                ix = np.floor(fx)
                iy = np.floor(fy)
                across[k] = fx - ix
                along[k] = fy - iy
                cells[k] = np.uint64(np.int64(iy * width + ix))
            for k in range(m):
                i = cells[k]
                i2 = i + up
                low = rest[i] + across[k] * (rest[i + one] - rest[i])
                high = rest[i2] + across[k] * (rest[i2 + one] - rest[i2])
                gaps[k] = low + along[k] * (high - low)
            for k in range(m):
                gaps[k] += z[k] + b0 + k * (b1 + k * b2)
                shares[k] = land[k]
            # Between two circles the other is whole land: only the ends of the row are looked up, without a
            # branch, which would be guessed wrong half the time.
            begin = rows.begin[r]
            stop = rows.stop[r]
            for e in range(m - (stop - begin)):
                k = e if e < begin else e + (stop - begin)
                what = kind[cells[k]]
                shares[k] = land[k] if what == WHOLE else 0.0
                points[some] = n + k
                places[some] = j * nx + lo + k
                marks[some] = cells[k]
                marks_across[some] = across[k]
                marks_along[some] = along[k]
                some += np.int64(what >= ONE_EDGE)
        rows.xi[r] = (x0 + lo * own.cell - origin_x) / radius
        rows.eta[r] = (y - origin_y) / radius
    if strips:
        share_strips(own, other, cx, cy, abs(cos) < 0.5, rows, some)
    else:
        share_edges(own, other, cos, sin, rows, some)
    return used


Values = TypeVar("Values", bound=np.generic)


def read_only(values: NDArray[Values]) -> NDArray[Values]:
    """The same values without gaps, not to be written to."""
    flags = values.flags
    if flags.c_contiguous and not flags.writeable:
        return values
    view = np.ascontiguousarray(values).view()
    view.flags.writeable = False
    return view


def face_of(face: Face) -> Face:
    """The same face with all its maps read-only."""
    parts: list[Any] = [read_only(v) if isinstance(v, np.ndarray) else float(v) for v in face]
    return Face(*parts)


class _Kept(threading.local):
    """Scratch of one thread: new memory for every call costs up to a tenth of the work."""

    rows: Rowset | None = None


_kept = _Kept()


def scratch(bottom: Face, top: Face) -> tuple[Rowset, Array]:
    """Rows for any pose of these faces, and sums for it; of use until the next call in this thread."""
    lines = max(bottom.z.shape[0], top.z.shape[0])
    width = max(bottom.z.shape[1], top.z.shape[1])
    points = max(bottom.z.size, top.z.size)
    rows = _kept.rows
    if rows is None or rows.first.size < lines or rows.cell.size < width or rows.gap.size < points:
        rows = _kept.rows = make_rowset(lines, width, points)
    return rows, np.zeros(WORK)


def let_go() -> None:
    """Give back what this thread keeps to work in."""
    _kept.rows = None
