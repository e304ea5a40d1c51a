"""Rings about the middle of a face in which no place needs to be looked up: whole land, and none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

INSIDE = 1e-6  # of a cell: round-off does not leave what is known to be whole
PARTS = 3  # of a block along each side, where one edge passes


def rings_of(kind: NDArray[np.uint8], depth: Array, clear: float) -> Array:
    """Radii (3,) in cells: between the first two lies nothing but whole land, beyond the last no land.

    Of all rings of whole land the widest.  `kind` (ny, nx) of the blocks between four cells, `depth` (ny, nx)
    of the cells inside the nearest edge; `clear` [cells]: so far from a single edge it does not matter.
    """
    from lapwright.contact.cells import BARE, MIXED, ONE_EDGE, WHOLE

    mixed = np.pad(kind == MIXED, 1)
    beside = mixed[1:-1, :-2] | mixed[1:-1, 2:] | mixed[:-2, 1:-1] | mixed[2:, 1:-1]
    one_edge = (kind == ONE_EDGE) & ~beside
    y, x = np.nonzero(one_edge)
    own_near, own_far = _reach(y, x, kind.shape, PARTS)
    corners = _inside(depth, y, x)
    around = np.stack([corners[:, i : PARTS + i, j : PARTS + j] for i in (0, 1) for j in (0, 1)])
    other = (kind != WHOLE) & ~one_edge
    y, x = np.nonzero(other)
    near, far = (distance.ravel() for distance in _reach(y, x, kind.shape, 1))
    unsure, some = around.min(axis=0) < clear, around.max(axis=0) > -clear
    nearest, farthest = np.append(own_near[unsure], near), np.append(own_far[unsure], far)
    ends = np.append(own_far[some], far[kind[other] != BARE])
    order = np.argsort(nearest, kind="stable")
    nearest, farthest = nearest[order], farthest[order]
    inner = np.append(0.0, np.maximum.accumulate(farthest)[:-1])
    widest = int(np.argmax(nearest - inner))
    return np.array(
        [inner[widest] + INSIDE, nearest[widest] - INSIDE, ends.max(initial=0.0) + INSIDE]
    )


def _reach(
    y: NDArray[np.intp], x: NDArray[np.intp], shape: tuple[int, ...], parts: int
) -> tuple[Array, Array]:
    """Least and largest distance from the middle of each part of blocks, (n, parts, parts)."""
    steps = (np.arange(parts) + 0.5) / parts
    half = 0.5 / parts
    v, u = (
        np.abs(at[:, None] + steps - 0.5 * (size - 1))
        for at, size in zip((y, x), shape, strict=True)
    )
    near = np.sqrt(
        np.maximum(v - half, 0.0)[:, :, None] ** 2 + np.maximum(u - half, 0.0)[:, None, :] ** 2
    )
    far = np.sqrt((v + half)[:, :, None] ** 2 + (u + half)[:, None, :] ** 2)
    return near, far


def _inside(depth: Array, y: NDArray[np.intp], x: NDArray[np.intp]) -> Array:
    """Depth at the corners of the parts of blocks, read between four cells; (n, parts + 1, parts + 1)."""
    t = np.arange(PARTS + 1) / PARTS
    low = depth[y, x, None] + t * (depth[y, x + 1] - depth[y, x])[:, None]
    high = depth[y + 1, x, None] + t * (depth[y + 1, x + 1] - depth[y + 1, x])[:, None]
    found: Array = low[:, None, :] + t[:, None] * (high - low)[:, None, :]
    return found
