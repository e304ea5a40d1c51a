"""How hard the top bears in a settled pose: pressures on the bottom's grid, and the highest at the edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part

# Columns of what is told of a pose: the highest pressure [Pa], and the land that bears [cells].
PEAK, BEARS = range(2)
TOLD_COLUMNS = 2
SLIVER = 0.3  # of a cell

Array = NDArray[np.float64]


@part
def _edge_beyond_centre(share: float, normal_x: float, normal_y: float) -> float:
    """How far [cells] beyond a cell's centre a straight edge lies that leaves `share` of the cell.

    Exact for a share of a half and more (R. Scardovelli and S. Zaleski, J. Comput. Phys. 164 (2000) 228, from
    memory); linear below.
    """
    x = abs(normal_x)
    y = abs(normal_y)
    wide = x if x > y else y
    narrow = y if x > y else x
    linear = (share - 0.5) * wide
    if linear <= 0.5 * (wide - narrow):
        return linear
    bare = 1.0 - share if share < 1.0 else 0.0
    return 0.5 * (wide + narrow) - math.sqrt(2.0 * wide * narrow * bare)


@part
def _slope(before: float, here: float, after: float) -> float:
    """Change of pressure from a cell to the next, from the inside where the land ends; 0: bears nothing."""
    total = 0.0
    known = 0.0
    if here > 0.0 and before > 0.0:
        total += here - before
        known += 1.0
    if here > 0.0 and after > 0.0:
        total += after - here
        known += 1.0
    return total / known if known > 0.0 else 0.0


@part
def _peak(pressure: Array, share: Array, low: int, high: int) -> float:
    """Highest pressure in rows `low` to `high` of padded maps, at the land's edge where it is highest there.

    Pressures are known at cell centres; the slope carries them on to where the land ends.  Slivers of
    land are left to their neighbours: the centre of their cell lies too far outside.
    """
    peak = 0.0
    for j in range(low, high):
        for i in range(1, share.shape[1] - 1):
            if not share[j, i] >= SLIVER:
                continue
            here = pressure[j, i]
            normal_x = share[j, i - 1] - share[j, i + 1]
            normal_y = share[j - 1, i] - share[j + 1, i]
            if normal_x != 0.0 or normal_y != 0.0:
                steep = math.hypot(normal_x, normal_y)
                normal_x /= steep
                normal_y /= steep
                outward = normal_x * _slope(pressure[j, i - 1], here, pressure[j, i + 1])
                outward += normal_y * _slope(pressure[j - 1, i], here, pressure[j + 1, i])
                if outward > 0.0:
                    here += outward * _edge_beyond_centre(share[j, i], normal_x, normal_y)
            if here > peak:
                peak = here
    return peak


@part
def press(
    rows: Rowset,
    used: int,
    unit: float,
    q: Array,
    stiffness: float,
    pressure: Array,
    share: Array,
    told: Array,
) -> None:
    """Fill padded maps of pressure [Pa] and land in overlap of a settled pose, and what is told of it."""
    for j in range(share.shape[0]):
        for i in range(share.shape[1]):
            pressure[j, i] = 0.0
            share[j, i] = 0.0
    bears = 0.0
    for r in range(used):
        j = rows.line[r] + 1
        lo = rows.column[r] + 1
        f = rows.first[r]
        base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
        for k in range(rows.length[r]):
            w = rows.share[f + k]
            squeeze = rows.gap[f + k] - base - q[1] * unit * k
            share[j, lo + k] = w
            if w > 0.0 and squeeze > 0.0:
                pressure[j, lo + k] = stiffness * squeeze
                bears += w
    told[PEAK] = _peak(pressure, share, rows.line[0] + 1, rows.line[used - 1] + 2)
    told[BEARS] = bears
