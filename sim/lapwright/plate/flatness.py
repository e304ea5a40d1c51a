"""Minimum-zone flatness: the least distance of two parallel planes that hold every point.

ISO 1101, ISO 12781-1.

The Chebyshev plane of the points is a linear programme.  Its dual has four rows, so a basis is four points;
each step of the simplex method exchanges one of them for the worst violator, found by one look over all the
points.  On a dome every point is on the hull, which is why no hull is made first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["minimum_zone"]

Array = NDArray[np.float64]

MOST_EXCHANGES = 400
VIOLATION = 1e-13  # of the range of heights


def minimum_zone(x: Array, y: Array, z: Array) -> float:
    """Width of the minimum zone of points (n,) x, y, z [m], measured along z.

    Points on one line have a zone of two parallel lines; points above each other, their range.

    Parameters
    ----------
    x, y, z : array
        Points (n,) [m].

    Returns
    -------
    float
        [m]

    Raises
    ------
    ValueError
        When there are no points, or heights that are not finite.

    """
    x, y, z = (np.ravel(np.asarray(v, dtype=float)) for v in (x, y, z))
    if x.size == 0 or not np.isfinite(z).all():
        raise ValueError("flatness needs points with finite heights")
    middle, reach = z.mean(), float(np.ptp(z))
    if reach == 0.0:
        return 0.0
    size = max(float(np.ptp(x)), float(np.ptp(y)))
    if size == 0.0:
        return reach
    points = np.stack([np.ones_like(x), (x - x.mean()) / size, (y - y.mean()) / size])
    heights = (z - middle) / reach
    corners = _triangle(points)
    if corners is None:
        return float(_programme(points[:2] if np.ptp(x) > 0 else points[::2], heights)) * reach
    width = _exchange(points, heights, corners)
    return float(_programme(points, heights) if width is None else width) * reach


def _triangle(points: Array) -> tuple[int, int, int] | None:
    """Three points far from one line, or None when all lie on one."""
    _, x, y = points
    i = int(np.argmin(x + 0.618 * y))
    j = int(np.argmax(np.hypot(x - x[i], y - y[i])))
    off = (x[j] - x[i]) * (y - y[i]) - (y[j] - y[i]) * (x - x[i])
    k = int(np.argmax(np.abs(off)))
    return (i, j, k) if abs(off[k]) > 1e-9 else None


def _exchange(points: Array, heights: Array, corners: tuple[int, int, int]) -> float | None:
    """Width of the zone by the simplex method on the dual; None when it does not end."""
    i, j, k = corners
    members = np.array([i, i, j, k])
    signs = np.array([1.0, -1.0, 1.0, 1.0])
    for _ in range(MOST_EXCHANGES):
        basis = np.vstack([points[:, members] * signs, np.ones(4)])
        try:
            plane = np.linalg.solve(basis.T, heights[members] * signs)
            weight = np.linalg.solve(basis, np.array([0.0, 0.0, 0.0, 1.0]))
        except np.linalg.LinAlgError:
            return None
        left = heights - (plane[0] + plane[1] * points[1] + plane[2] * points[2])
        worst = int(np.argmax(np.abs(left)))
        if abs(left[worst]) <= plane[3] + VIOLATION:
            return 2.0 * float(np.abs(left[worst]))
        sign = 1.0 if left[worst] > 0.0 else -1.0
        step = np.linalg.solve(basis, np.append(points[:, worst] * sign, 1.0))
        limits = step > 1e-12
        if not limits.any():
            return None
        ratio = np.where(limits, np.maximum(weight, 0.0) / np.where(limits, step, 1.0), np.inf)
        # Among equal ratios the largest pivot leaves: it keeps the basis well away from singular.
        ties = np.nonzero(ratio <= ratio.min() + 1e-14)[0]
        leaving = int(ties[np.argmax(step[ties])])
        members[leaving], signs[leaving] = worst, sign
    return None


def _programme(points: Array, heights: Array) -> float:
    """The same by a general solver: for points on one line, and if the exchange should not end."""
    from scipy.optimize import linprog

    rows = points.shape[0]
    up = np.vstack([points, np.ones(points.shape[1])]).T
    down = np.vstack([-points, np.ones(points.shape[1])]).T
    found = linprog(
        np.append(np.zeros(rows), 1.0),
        A_ub=-np.vstack([up, down]),
        b_ub=-np.concatenate([heights, -heights]),
        bounds=[(None, None)] * (rows + 1),
    )
    return 2.0 * float(found.fun)
