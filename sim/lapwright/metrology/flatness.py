"""Minimum-zone flatness, and the grades of surface plates that a face would reach.

Minimum-zone flatness: the least distance of two parallel planes that hold every point.

ISO 1101, ISO 12781-1.

The Chebyshev plane of the points is a linear programme.  Its dual has four rows, so a basis is four points;
each step of the simplex method exchanges one of them for the worst violator, found by one look over all the
points.  On a dome every point is on the hull, which is why no hull is made first.

Flatness grades of surface plates: which a face would reach, by which standard and by which rule of it.

The limits are for the whole face; what a repeat-reading gauge may show is a limit of its own in these
standards, which is not given here: no copy that could be read holds its table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, hypot
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.outline import Outline, Rectangle
from lapwright.units import INCH, MICROINCH

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
    solution = linprog(
        np.append(np.zeros(rows), 1.0),
        A_ub=-np.vstack([up, down]),
        b_ub=-np.concatenate([heights, -heights]),
        bounds=[(None, None)] * (rows + 1),
    )
    return 2.0 * float(solution.fun)


ASME = "GGG-P-463c / ASME B89.3.7"
ISO = "ISO 8512-2"
DIN = "DIN 876"

# Printed limits of grade AA [microinch] by size [in], which depart from the formula.  18 x 18, 24 x 36 and
# 48 x 72 read in a published copy of GGG-P-463c; the others in the excerpt that a calibration laboratory
# publishes, which agrees with those.  The standard lists more sizes: those are taken by the formula here.
LISTED = {
    (12, 12): 50.0,
    (12, 18): 50.0,
    (18, 18): 50.0,
    (18, 24): 75.0,
    (24, 36): 100.0,
    (36, 48): 200.0,
    (48, 72): 350.0,
    (48, 96): 500.0,
}
NEAR = INCH / 16.0  # a side is a listed one within this: 48 in are also typed as 1219 mm


@dataclass(frozen=True)
class Grade:
    """One grade of one standard: `limit` [m] by the `rule`, and whether the flatness is within it.

    `size` [m] is what the rule goes by: the diagonal ("diagonal"), the longer side ("longer side"), or of a
    round face its outside diameter ("diameter").
    """

    standard: str
    grade: str
    rule: Literal["table", "formula"]
    size: float
    size_of: Literal["diagonal", "longer side", "diameter"]
    limit: float
    passes: bool


def grades(outline: Outline, flatness: float) -> tuple[Grade, ...]:
    """Every grade known here, the finest of each standard first, for a face of `flatness` [m].

    `flatness` is the width of the minimum zone inside the edge margin.  Granite plates are the subject of
    the standards; of a round face the outside diameter stands for the diagonal and for the longer side
    (ASME's own rule; our reading of ISO 8512-2 and DIN 876, which speak of rectangles).

    Parameters
    ----------
    outline : Outline
        Of the working face.
    flatness : float
        [m].

    Returns
    -------
    tuple of Grade
        Each with the flatness that it allows [m] and whether the face keeps it.

    Raises
    ------
    ValueError
        When the flatness is negative or no number.

    """
    if not flatness >= 0.0:
        raise ValueError(f"a flatness of {flatness} m cannot be graded: it is 0 or more")
    return tuple(
        Grade(standard, grade, rule, size, size_of, limit, flatness <= limit)
        for standard, grade, rule, size, size_of, limit in _limits(outline)
    )


_Line = tuple[
    str,
    str,
    Literal["table", "formula"],
    float,
    Literal["diagonal", "longer side", "diameter"],
    float,
]


def _limits(outline: Outline) -> Iterator[_Line]:
    """Standard, grade, rule, the size it goes by [m], which size that is, and the limit [m]."""
    long, short = max(outline.size), min(outline.size)
    square = isinstance(outline, Rectangle)
    across = hypot(long, short) if square else long
    size_of: Literal["diagonal", "diameter"] = "diagonal" if square else "diameter"
    listed = _listed(short, long) if square else None
    # GGG-P-463c (1973), ASME B89.3.7 (2013): 40 + D^2/25 microinch, D in inches; A twice, B four times.
    finest = (40.0 + (across / INCH) ** 2 / 25.0 if listed is None else listed) * MICROINCH
    for grade, times in (("AA", 1.0), ("A", 2.0), ("B", 4.0)):
        yield ASME, grade, "formula" if listed is None else "table", across, size_of, times * finest
    # ISO 8512-2:1990: 0.003 l + 2.5 um, l the diagonal in mm rounded up to 100.  Grade 0 alone: no copy
    # that could be read holds the factors of grades 1 to 3.
    rounded = 100.0 * ceil(across * 10.0 - 1e-9)
    yield ISO, "0", "formula", across, size_of, (0.003 * rounded + 2.5) * 1e-6
    # DIN 876: um, L the longer side in mm.
    for grade, least, share in (("0", 4.0, 250.0), ("1", 10.0, 100.0), ("2", 20.0, 50.0)):
        limit = (least + long * 1e3 / share) * 1e-6
        yield DIN, grade, "formula", long, "longer side" if square else "diameter", limit


def _listed(short: float, long: float) -> float | None:
    """The printed limit of grade AA [microinch] of a size that the table lists."""
    for (a, b), limit in LISTED.items():
        if abs(short - a * INCH) <= NEAR and abs(long - b * INCH) <= NEAR:
            return limit
    return None
