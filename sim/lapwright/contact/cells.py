"""A face as kernels read it, and what two lands have in common: within a cell, beside edges, on strips."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.compile import part

BARE, WHOLE, ONE_EDGE, MIXED = range(
    4
)  # between four cells lies: no land; nothing else; one edge; anything
CORNER = 0.71  # of a cell: no edge farther than this from its middle cuts it
PAD = 2  # empty cells round the gathered maps, so that four neighbours always exist

Array = NDArray[np.float64]
Rows = NDArray[np.int64]
Bits = NDArray[np.uint64]


class Face(NamedTuple):
    """A face as it lies, ready to be worn: own cells (ny, nx), and padded maps for the other to gather."""

    z: Array  # heights [m]
    land: Array  # land fraction
    edges: Array  # (2, ny, nx): x and y of the edge's normal in each cell, 0 where there is none or several
    strips_x: Array  # (n, 2): where strips of land begin and end, in cells from the centre, where the land is
    strips_y: Array  # what lies on such strips both along x and along y; else none
    bits: Bits  # (ny, nx): which of the sub-cells are land, a bit each, lowest row and column first
    begins: Rows  # (ny + 1): where each row begins in `ragged`
    ragged: Rows  # columns of the cells that are partly land
    span: Rows  # (ny, 2): first and one past the last column with land
    rest: Array  # heights less `quadratic`, filled round the land, padded [m]
    cover: Array  # land fraction, padded
    between: Array  # the same at places closer by a whole number than the middles of cells
    kind: NDArray[
        np.uint8
    ]  # what the four neighbours from here on are, padded: one of the kinds above
    circles: Array  # (3,): radii in cells: between the first two all is WHOLE, beyond the last BARE
    begins_between: Rows  # where each row of `kind` begins in `uneven`, and the end of the last
    uneven: Rows  # columns of what is no whole land and not bare
    depth: Array  # how far inside the nearest edge, in cells, padded
    outward: Array  # (2, ...): the way out over the nearest edge, padded
    fine: Bits  # `bits`, padded
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
    begin: Rows  # of a row: the first point, and one past the last, surely on whole land of what is gathered
    stop: Rows
    cell: NDArray[
        np.uint64
    ]  # of one row: where each point falls in the gathered map, and how far into the cell
    across: Array
    along: Array
    # Points where the other's land may end: which they are, own cell, the other's cell and how far into it.
    edge_point: Rows
    edge_place: Rows
    edge_cell: Bits
    edge_across: Array
    edge_along: Array


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
        np.empty(lines, np.int64),
        np.empty(lines, np.int64),
        np.empty(width, np.uint64),
        np.empty(width),
        np.empty(width),
        np.empty(points, np.int64),
        np.empty(points, np.int64),
        np.empty(points, np.uint64),
        np.empty(points),
        np.empty(points),
    )


SUB = 8  # sub-cells along a side of a cell, a bit each


@part
def _counted(bits: Any) -> Any:
    """How many bits are set."""
    bits -= (bits >> np.uint64(1)) & np.uint64(0x5555555555555555)
    bits = (bits & np.uint64(0x3333333333333333)) + (
        (bits >> np.uint64(2)) & np.uint64(0x3333333333333333)
    )
    bits = (bits + (bits >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
    return np.int64((bits * np.uint64(0x0101010101010101)) >> np.uint64(56))


@part
def by_count(a: float, b: float, own: Any, other: Any) -> Any:
    """Share of a cell that is land on both faces, `a` and `b` of it on each, where edges are many.

    Between the least and the most that `a` and `b` can have in common, as the sub-cells `own`, `other` have.
    """
    n_own = _counted(own)
    n_other = _counted(other)
    least = max(n_own + n_other - SUB * SUB, 0)
    most = min(n_own, n_other)
    if least == most:  # a sliver: taken as edges on each other
        return min(a, b)
    low = max(a + b - 1.0, 0.0)
    return low + (min(a, b) - low) * (_counted(own & other) - least) / (most - least)


@part
def in_common(a: float, b: float, along: float) -> float:
    """Share of a cell that is land on both faces, `a` and `b` of it on each.

    `along`: cosine of the angle between their edges.  Edges that face the same way have the smaller land in
    common, edges that face each other what does not fit side by side, edges square to each other the product:
    exact for straight edges.  Between these it goes with the cosine.
    """
    crossing = a * b
    if along >= 0.0:
        return crossing + min(along, 1.0) * (min(a, b) - crossing)
    return crossing + max(along, -1.0) * (crossing - max(a + b - 1.0, 0.0))


@part
def gather_bits(fine: Bits, at_x: float, at_y: float, fu: float, fv: float) -> Any:
    """Sub-cells of one of own's cells that the other's land covers.

    `at_x`, `at_y`: its middle in the other's padded cells; (`fu`, `fv`) one of own's cells along its row.
    """
    bits = np.uint64(0)
    for n in range(SUB * SUB):
        x = (n % SUB + 0.5) / SUB - 0.5
        y = (n // SUB + 0.5) / SUB - 0.5
        u = at_x + x * fu - y * fv + 0.5
        v = at_y + x * fv + y * fu + 0.5
        i = math.floor(u)
        j = math.floor(v)
        if 0 <= i < fine.shape[1] and 0 <= j < fine.shape[0]:
            bit = math.floor((v - j) * SUB) * SUB + math.floor((u - i) * SUB)
            bits |= ((fine[j, i] >> np.uint64(bit)) & np.uint64(1)) << np.uint64(n)
    return bits


@part
def _columns(left: Any, right: Any, shift: int) -> Any:
    """Sub-cells of two cells side by side, from column `shift` (0 to SUB) of the left on."""
    if shift == 0:
        return left
    if shift == SUB:
        return right
    kept = (np.uint64(0xFF) >> np.uint64(shift)) * np.uint64(0x0101010101010101)
    return ((left >> np.uint64(shift)) & kept) | ((right << np.uint64(SUB - shift)) & ~kept)


@part
def shifted_bits(fine: Bits, at_x: float, at_y: float) -> Any:
    """The same as `gather_bits` where cells are alike and lie square, from the four that are met."""
    i = math.floor(at_x)
    j = math.floor(at_y)
    across = math.floor((at_x - i) * SUB + 0.5)
    along = math.floor((at_y - j) * SUB + 0.5)
    low = _columns(fine[j, i], fine[j, i + 1], across)
    high = _columns(fine[j + 1, i], fine[j + 1, i + 1], across)
    if along == 0:
        return low
    if along == SUB:
        return high
    return (low >> np.uint64(SUB * along)) | (high << np.uint64(SUB * (SUB - along)))


@part
def covered(depth: float, x: float, y: float) -> float:
    """Share of a cell on the land side of a straight edge `depth` cells beyond its middle, normal (x, y)."""
    wide = max(abs(x), abs(y))
    narrow = min(abs(x), abs(y))
    beyond = 0.5 * (wide + narrow) - abs(depth)
    if beyond <= 0.0:
        return 1.0 if depth > 0.0 else 0.0
    if beyond >= narrow:
        return 0.5 + depth / wide
    corner = 0.5 * beyond * beyond / (wide * narrow)
    return 1.0 - corner if depth > 0.0 else corner


@part
def _first(strips: Array, x: float) -> int:
    """Which of the strips, in order, is the first that ends beyond x."""
    low = 0
    high = strips.shape[0]
    while low < high:
        middle = (low + high) // 2
        if strips[middle, 1] > x:
            high = middle
        else:
            low = middle + 1
    return low


@part
def on_strips(own: Array, other: Array, at: float, scale: float, cell: float) -> float:
    """How much of own's cell about `cell` both faces' strips of land cover, along one axis.

    Strips (n, 2) begin and end so far from their face's centre, in cells of its own.  The other's centre
    lies at `at`, its cells are `scale` of own's.
    """
    if own.shape[0] == 1 and other.shape[0] == 1:
        low = max(own[0, 0], cell - 0.5, at + scale * other[0, 0])
        high = min(own[0, 1], cell + 0.5, at + scale * other[0, 1])
        alone: float = max(0.0, high - low)
        return alone
    total = 0.0
    for k in range(_first(own, cell - 0.5), own.shape[0]):
        low = max(own[k, 0], cell - 0.5)
        high = min(own[k, 1], cell + 0.5)
        if low >= high:
            break
        for m in range(_first(other, (low - at) / scale), other.shape[0]):
            start = at + scale * other[m, 0]
            if start >= high:
                break
            total += max(0.0, min(high, at + scale * other[m, 1]) - max(low, start))
    return total


TIE = 1e-6  # of a cell


@part
def between_cells(values: Array, i: Any, up: Any, tx: float, ty: float) -> Any:
    """A flat map read `tx`, `ty` of the way from its place i to the next, and to that `up` further on."""
    one = np.uint64(1)
    low = values[i] + tx * (values[i + one] - values[i])
    high = values[i + up] + tx * (values[i + up + one] - values[i + up])
    return low + ty * (high - low)


@part
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


@part
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
            deep = scale * between_cells(depth, i, up, tx, ty)
            if abs(deep) >= CORNER:
                shares[points[e]] = a if deep > 0.0 else 0.0
                continue
            u = between_cells(out_u, i, up, tx, ty)
            v = between_cells(out_v, i, up, tx, ty)
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
            b = between_cells(between, np.uint64(m * wide + k), np.uint64(wide), u, v)
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
