"""Land of both faces where that of the one that is read may end: beside edges, on strips, in corners."""

from __future__ import annotations

import numpy as np

from lapwright.contact.cells import (
    CORNER,
    MIXED,
    ONE_EDGE,
    Face,
    Rowset,
    by_count,
    covered,
    gather_bits,
    in_common,
    on_strips,
    shifted_bits,
)
from lapwright.contact.compile import kernel

TIE = 1e-6  # of a cell


@kernel
def share_strips(
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
def share_edges(own: Face, other: Face, cos: float, sin: float, rows: Rowset, some: int) -> None:
    """Fill the shares of the `some` points where the other's land may end.

    Beside a straight edge the other's share of a cell follows from how deep the cell lies inside the edge,
    elsewhere it is read between four places.
    """
    width = other.cover.shape[1]
    zero, one, up = np.uint64(0), np.uint64(1), np.uint64(width)
    size, size_own = other.cover.size, own.land.size
    land, bits = own.land.reshape(size_own), own.bits.reshape(size_own)
    normal_x, normal_y = own.edges[0].reshape(size_own), own.edges[1].reshape(size_own)
    cover, depth, kind = (
        other.cover.reshape(size),
        other.depth.reshape(size),
        other.kind.reshape(size),
    )
    out_u, out_v = other.outward[0].reshape(size), other.outward[1].reshape(size)
    shares, points, places = rows.share, rows.edge_point, rows.edge_place
    cells, across, along = rows.edge_cell, rows.edge_across, rows.edge_along
    fine = other.fine
    scale = other.cell / own.cell
    # Only at a quarter turn may straight edges lie on each other for long.
    square = abs(cos * sin) < TIE
    on_cells = square and abs(scale - 1.0) < 1e-12
    upright = on_cells and cos > 0.5 and abs(sin) < TIE
    between = other.between.reshape(other.between.size)
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
