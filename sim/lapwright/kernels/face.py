"""A face as kernels read it, and scratch for the overlap of a pose."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["BARE", "CORNER", "MIXED", "ONE_EDGE", "PAD", "WHOLE", "Face", "Rowset", "make_rowset"]

BARE, WHOLE, ONE_EDGE, MIXED = range(4)  # between four cells lies: no land; nothing else; one edge; anything
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
    kind: NDArray[np.uint8]  # what the four neighbours from here on are, padded: one of the kinds above
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
