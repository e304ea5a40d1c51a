"""Many pairs of faces under one motion: each settles in every pose, and what it wears is told in shapes.

Faces are sums of a few shapes, whose values at the contact points of every pose are the same for all; so a
pair costs two products with a small matrix and the settling between them.  The layer pushes and never pulls.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.compile import kernel, part

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

ENOUGH = 1e-6  # of the load: force and moments balance
MOST_STEPS = 60
MOST_HALVINGS = 30
RIDGE = 1e-6  # of the land in overlap: keeps a step finite while less than a triangle bears


@part
def _sums(gap: Array, area: Array, x: Array, y: Array, plane: Array, sums: Array) -> None:
    """Force and moments (3) and their slopes (6) over the points that bear, with the rest plane added."""
    s0 = 0.0
    s1 = 0.0
    s2 = 0.0
    g0 = 0.0
    g1 = 0.0
    g2 = 0.0
    g3 = 0.0
    g4 = 0.0
    g5 = 0.0
    a = plane[0]
    b = plane[1]
    c = plane[2]
    for k in range(gap.size):
        v = gap[k] + a + b * x[k] + c * y[k]
        w = area[k] if v > 0.0 else 0.0
        wx = w * x[k]
        wy = w * y[k]
        s0 += w * v
        s1 += wx * v
        s2 += wy * v
        g0 += w
        g1 += wx
        g2 += wy
        g3 += wx * x[k]
        g4 += wx * y[k]
        g5 += wy * y[k]
    sums[0] = s0
    sums[1] = s1
    sums[2] = s2
    sums[3] = g0
    sums[4] = g1
    sums[5] = g2
    sums[6] = g3
    sums[7] = g4
    sums[8] = g5


@part
def _step(s: Array, t0: float, t1: float, t2: float, ridge: float, step: Array) -> bool:
    """Newton's step towards the sums t (3); False where the slopes do not bear it."""
    a = s[3] + ridge
    if not a > 0.0:
        return False
    l10 = s[4] / a
    l20 = s[5] / a
    d1 = s[6] + ridge - l10 * s[4]
    if not d1 > 1e-12 * a:
        return False
    l21 = (s[7] - l20 * s[4]) / d1
    d2 = s[8] + ridge - l20 * s[5] - l21 * l21 * d1
    if not d2 > 1e-12 * a:
        return False
    r0 = t0 - s[0]
    r1 = t1 - s[1] - l10 * r0
    r2 = t2 - s[2] - l20 * r0 - l21 * r1
    step[2] = r2 / d2
    step[1] = r1 / d1 - l21 * step[2]
    step[0] = r0 / a - l10 * step[1] - l20 * step[2]
    return True


@part
def _settle(
    gap: Array,
    area: Array,
    x: Array,
    y: Array,
    target: Array,
    land: float,
    plane: Array,
    work: Array,
) -> bool:
    """Find the rest plane at which force and moments are `target` (3,), from where `plane` comes in.

    Newton's method on the points that bear, halved where the unbalance does not fall and the convex energy
    would rise.
    """
    sums = work[0]
    trial = work[1]
    step = work[2]
    old = work[3]
    _sums(gap, area, x, y, plane, sums)
    left = max(abs(sums[0] - target[0]), abs(sums[1] - target[1]), abs(sums[2] - target[2]))
    for _ in range(MOST_STEPS):
        if left <= ENOUGH * target[0]:
            return True
        if not (
            _step(sums, target[0], target[1], target[2], 0.0, step)
            or _step(sums, target[0], target[1], target[2], RIDGE * land, step)
        ):
            return False
        for j in range(3):
            old[j] = plane[j]
        pace = 1.0
        before = left
        for _ in range(MOST_HALVINGS):
            for j in range(3):
                plane[j] = old[j] + pace * step[j]
            _sums(gap, area, x, y, plane, trial)
            left = max(
                abs(trial[0] - target[0]), abs(trial[1] - target[1]), abs(trial[2] - target[2])
            )
            uphill = 0.0
            for j in range(3):
                uphill += (trial[j] - target[j]) * step[j]
            if left <= 0.5 * before or uphill <= 0.0:
                break
            pace *= 0.5
        for j in range(9):
            sums[j] = trial[j]
    return bool(left <= ENOUGH * target[0])


@part
def _squeeze(face: Array, shapes: Array, gap: Array) -> None:
    """Add shapes (s, n) times coefficients (s,), four at a time: the sum itself is then seldom fetched."""
    size, n = shapes.shape
    whole = size - size % 4
    for j in range(0, whole, 4):
        z0 = face[j]
        z1 = face[j + 1]
        z2 = face[j + 2]
        z3 = face[j + 3]
        for p in range(n):
            gap[p] += (
                z0 * shapes[j, p]
                + z1 * shapes[j + 1, p]
                + z2 * shapes[j + 2, p]
                + z3 * shapes[j + 3, p]
            )
    for j in range(whole, size):
        z0 = face[j]
        for p in range(n):
            gap[p] += z0 * shapes[j, p]


@part
def _project(wear: Array, shapes: Array, worn: Array) -> None:
    """Add the products of wear (n,) with each shape (s, n) to those of other poses (s,)."""
    size, n = shapes.shape
    whole = size - size % 4
    for j in range(0, whole, 4):
        t0 = 0.0
        t1 = 0.0
        t2 = 0.0
        t3 = 0.0
        for p in range(n):
            w = wear[p]
            t0 += w * shapes[j, p]
            t1 += w * shapes[j + 1, p]
            t2 += w * shapes[j + 2, p]
            t3 += w * shapes[j + 3, p]
        worn[j] += t0
        worn[j + 1] += t1
        worn[j + 2] += t2
        worn[j + 3] += t3
    for j in range(whole, size):
        t0 = 0.0
        for p in range(n):
            t0 += wear[p] * shapes[j, p]
        worn[j] += t0


@part
def _all_points(
    face: Array, seen: Array, half: int, tops: int, ends: Ints, gap: Array, worn: Array, add: bool
) -> None:
    """Squeeze at the points of all tops of a pose, or (`add`) what it wears of each shape.

    `seen`: the shapes of `half` of a bottom and of one top at the points of each, top after top; `ends`
    (tops + 1,): where the points of each end.  `face`, `worn`: of the bottom and of all tops.
    """
    size = face.size
    own = (size - half) // tops
    both = half + own
    first = ends[0]
    for p in range(ends[tops] - first if not add else 0):
        gap[p] = 0.0
    for j in range(tops):
        low = ends[j] - first
        high = ends[j + 1] - first
        shapes = seen[low * both : high * both].reshape(both, high - low)
        there = gap[low:high]
        if tops == 1:  # in one go
            if add:
                _project(there, shapes, worn)
            else:
                _squeeze(face, shapes, there)
            continue
        top = half + j * own
        if add:
            _project(there, shapes[:half], worn[:half])
            _project(there, shapes[half:], worn[top : top + own])
        else:
            _squeeze(face[:half], shapes[:half], there)
            _squeeze(face[top : top + own], shapes[half:], there)


@kernel
def wear_crowd(
    faces: Array,
    half: int,
    shapes: Array,
    start: NDArray[np.int64],
    area: Array,
    rub: Array,
    x: Array,
    y: Array,
    target: Array,
    stiffness: Array,
    plane: Array,
    gaps: Array,
    work: Array,
    aim: Array,
    lifted: Array,
    worn: Array,
) -> int:
    """Sums over poses and points of squeeze x `rub` x shape, for each of m pairs; how many did not settle.

    `faces` (m, s) [m]: stacked coefficients, `half` of them of the bottom, the others of one top, or of as
    many as `start` has parts in a pose; `shapes`: the values of those of the bottom and of one top at its
    points, pose after pose and top after top, (shapes, points) each.  Top j of pose k has points start[k tops
    + j] to start[k tops + j + 1] of `area` (n,) [m2], `rub`
    (n,) and the places `x`, `y` (n,) by which a plane is told.  `target` (k, 3) [N]: force and moments on the
    planes 1, x, y; `stiffness` (m,) [Pa/m]; `plane` (m, k, 3) [m]: to begin with and as found.  Room to work
    in: `gaps`, as long as the most points of a pose, `work` (4, 9) and `aim` (3,).  Filled:
    `lifted` (m,) land that does not bear over all land in overlap, mean over the poses; `worn` (m, s).
    """
    pairs, size = faces.shape
    poses = target.shape[0]
    tops = (start.size - 1) // poses
    both = half + (size - half) // tops
    failed = 0
    for i in range(pairs):
        lifted[i] = 0.0
        for j in range(size):
            worn[i, j] = 0.0
    for k in range(poses):
        ends = start[k * tops : (k + 1) * tops + 1]
        first = ends[0]
        n = ends[tops] - first
        land = 0.0
        for p in range(n):
            land += area[first + p]
        if not land > 0.0:
            failed += pairs
            continue
        own_area = area[first : first + n]
        own_rub = rub[first : first + n]
        own_x = x[first : first + n]
        own_y = y[first : first + n]
        seen = shapes[first * both : (first + n) * both]
        gap = gaps[:n]
        for i in range(pairs):
            _all_points(faces[i], seen, half, tops, ends, gap, worn[i], False)
            for j in range(3):
                aim[j] = target[k, j] / stiffness[i]
            rest = plane[i, k]
            if not _settle(gap, own_area, own_x, own_y, aim, land, rest, work):
                failed += 1
            idle = 0.0
            for p in range(n):
                v = gap[p] + rest[0] + rest[1] * own_x[p] + rest[2] * own_y[p]
                if v < 0.0:
                    idle += own_area[p]
                    v = 0.0
                gap[p] = v * own_rub[p]
            lifted[i] += idle / (land * poses)
            _all_points(faces[i], seen, half, tops, ends, gap, worn[i], True)
    return failed
