"""One face laid over the cells of the other: by whole cells, or gathered in any pose.

What is gathered is the land fraction and what is left of the height after its least-squares quadratic;
the quadratic itself is added exactly, so that spheres, saddles and twists do not wear away by being read.

Where a cell is partly land on both faces, what faces what depends on the edges: `share.in_common`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lapwright.kernels.compile import kernel
from lapwright.kernels.face import CORNER, MIXED, ONE_EDGE, WHOLE, Face, Rowset, make_rowset
from lapwright.kernels.settle import add_row
from lapwright.kernels.share import by_count, covered, gather_bits, in_common, on_strips, shifted_bits

__all__ = ["Face", "Rowset", "gather", "lay_shifted", "make_rowset"]

TIE = 1e-6  # of a cell
EDGE = 1e-3  # of a cell: how far inside a gathered map every place stays, so that round-off never leaves it

Array = NDArray[np.float64]


@kernel
def lay_shifted(bottom: Face, top: Face, sx: int, sy: int, radius: float, rows: Rowset, loaded: Array) -> int:
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
def _share_strips(
    own: Face, other: Face, cx: float, cy: float, swapped: bool, rows: Rowset, some: int
) -> None:
    """Fill the shares of the `some` points where the other's land may end, the land of both on strips.

    `swapped`: the other's strips along its x lie along own's y.
    """
    ny, nx = own.z.shape
    scale = other.cell / own.cell
    other_x, other_y = other.strips_x, other.strips_y
    if swapped:
        other_x, other_y = other_y, other_x
    both_x = rows.across
    for i in range(nx):
        both_x[i] = on_strips(own.strips_x, other_x, cx / own.cell, scale, i - 0.5 * (nx - 1))
    last = -1
    both_y = 0.0
    for e in range(some):
        j = rows.edge_place[e] // nx
        if j != last:
            both_y = on_strips(own.strips_y, other_y, cy / own.cell, scale, j - 0.5 * (ny - 1))
            last = j
        rows.share[rows.edge_point[e]] = both_x[rows.edge_place[e] - j * nx] * both_y


@kernel
def _share_edges(own: Face, other: Face, cos: float, sin: float, rows: Rowset, some: int) -> None:
    """Fill the shares of the `some` points where the other's land may end.

    Beside a straight edge the other's share of a cell follows from how deep the cell lies inside the edge,
    elsewhere it is read between four places.
    """
    width = other.cover.shape[1]
    zero, one, up = np.uint64(0), np.uint64(1), np.uint64(width)
    land = own.land.ravel()
    normal_x, normal_y = own.edges[0].ravel(), own.edges[1].ravel()
    bits = own.bits.ravel()
    cover, depth, kind = other.cover.ravel(), other.depth.ravel(), other.kind.ravel()
    out_u, out_v = other.outward[0].ravel(), other.outward[1].ravel()
    shares, points, places = rows.share, rows.edge_point, rows.edge_place
    cells, across, along = rows.edge_cell, rows.edge_across, rows.edge_along
    fine = other.fine
    scale = other.cell / own.cell
    # Only at a quarter turn may straight edges lie on each other for long.
    square = abs(cos * sin) < TIE
    on_cells = square and abs(scale - 1.0) < 1e-12
    upright = on_cells and cos > 0.5 and abs(sin) < TIE
    between = other.between.ravel()
    wide = other.between.shape[1]
    closer = float((wide - 1) // (width - 1))
    last_k, last_m = wide - 2, other.between.shape[0] - 2
    for e in range(some):
        i = cells[e]
        i2 = i + up
        tx = across[e]
        ty = along[e]
        place = places[e]
        a = land[place]
        x = y = 0.0
        plain = kind[i] == ONE_EDGE
        # On the border of two blocks round-off must not choose between them.
        if min(tx, 1.0 - tx) < TIE:
            plain = plain and kind[i + one if tx > 0.5 else i - one] != MIXED
        if min(ty, 1.0 - ty) < TIE:
            plain = plain and kind[i2 if ty > 0.5 else i - up] != MIXED
        if plain:
            low = depth[i] + tx * (depth[i + one] - depth[i])
            high = depth[i2] + tx * (depth[i2 + one] - depth[i2])
            deep = scale * (low + ty * (high - low))
            if abs(deep) >= CORNER:
                shares[points[e]] = a if deep > 0.0 else 0.0
                continue
            low = out_u[i] + tx * (out_u[i + one] - out_u[i])
            high = out_u[i2] + tx * (out_u[i2 + one] - out_u[i2])
            u = low + ty * (high - low)
            low = out_v[i] + tx * (out_v[i + one] - out_v[i])
            high = out_v[i2] + tx * (out_v[i2 + one] - out_v[i2])
            v = low + ty * (high - low)
            x = cos * u - sin * v
            y = sin * u + cos * v
            b = covered(deep, x, y)
            if on_cells and min(tx, 1.0 - tx) < TIE and min(ty, 1.0 - ty) < TIE:
                b = cover[(i2 if ty > 0.5 else i) + (one if tx > 0.5 else zero)]
        else:
            u = (np.int64(i) % width + tx) * closer
            v = (np.int64(i) // width + ty) * closer
            k = min(np.int64(u), last_k)
            m = min(np.int64(v), last_m)
            u -= k
            v -= m
            n = np.uint64(m * wide + k)
            n2 = n + np.uint64(wide)
            low = between[n] + u * (between[n + one] - between[n])
            high = between[n2] + u * (between[n2 + one] - between[n2])
            b = low + v * (high - low)
            u = v = 0.0
        share = a * b
        if 0.0 < a < 1.0 and 0.0 < b < 1.0:
            if (normal_x[place] != 0.0 or normal_y[place] != 0.0) and (x != 0.0 or y != 0.0):
                share = in_common(a, b, normal_x[place] * x + normal_y[place] * y)
            elif square:
                at_x = np.int64(i) % width + tx
                at_y = np.int64(i) // width + ty
                if upright:
                    there = shifted_bits(fine, at_x, at_y)
                else:
                    there = gather_bits(fine, at_x, at_y, cos / scale, -sin / scale)
                share = by_count(a, b, bits[place], there)
        shares[points[e]] = share


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

    Fills gap [m] and share (of land on both faces) row by row, with xi, eta from (origin_x, origin_y) in
    units of `radius`; returns the rows used.
    """
    ny, nx = own.z.shape
    width = other.cover.shape[1]
    rest = other.rest.ravel()
    kind = other.kind.ravel()
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
    # Land of part-covered cells, read across a cell's diagonal, and spread by half a cell of the reader.
    reach = other.radius + 2.2 * other.cell + own.cell
    one = np.uint64(1)
    up = np.uint64(width)
    used = 0
    some = np.int64(0)  # no literal, which would be a type of its own to what is called with it
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
            # Two loops: the first runs in vector registers, the second is bound by the look-ups.
            for k in range(m):
                fx = pu + k * fu
                fy = pv + k * fv
                ix = np.floor(fx)
                iy = np.floor(fy)
                across[k] = fx - ix
                along[k] = fy - iy
                cells[k] = np.uint64(np.int64(iy) * width + np.int64(ix))
            for k in range(m):
                i = cells[k]
                i2 = i + up
                tx = across[k]
                low = rest[i] + tx * (rest[i + one] - rest[i])
                high = rest[i2] + tx * (rest[i2 + one] - rest[i2])
                gaps[k] = z[k] + low + along[k] * (high - low) + b0 + k * (b1 + k * b2)
                shares[k] = land[k] if kind[i] == WHOLE else 0.0
                if kind[i] >= ONE_EDGE:
                    points[some] = n + k
                    places[some] = j * nx + lo + k
                    marks[some] = i
                    marks_across[some] = tx
                    marks_along[some] = along[k]
                    some += 1
        rows.first[used] = n
        rows.length[used] = m
        rows.column[used] = lo
        rows.line[used] = j
        rows.xi[used] = (x0 + lo * own.cell - origin_x) / radius
        rows.eta[used] = (y - origin_y) / radius
        used += 1
        n += m
    # Straight edges lie on each other at quarter turns.
    if abs(cos * sin) < TIE and own.strips_x.shape[0] > 0 and other.strips_x.shape[0] > 0:
        _share_strips(own, other, cx, cy, abs(cos) < 0.5, rows, some)
    else:
        _share_edges(own, other, cos, sin, rows, some)
    return used
