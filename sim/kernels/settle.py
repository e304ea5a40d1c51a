"""The top settles on the grit layer: force and two moments over the overlap.

A pose's overlap lies in flat buffers, row after row: `gap[k]` the interference before settling [m],
`share[k]` the product of both land fractions.  Row r holds `count[r]` points from `first[r]`; its points
lie at xi = row_xi[r] + k * step and eta = row_eta[r], in units of the top's radius.

The stored energy  1/2 sum(share * max(0, gap - q.b)^2) + target.q  with b = (1, xi, eta) is convex in
q = (h, a R, b R); `settle` finds its least by Newton's method on the set in contact (semismooth) with
backtracking, begun with everything in contact or from the plane of a neighbour.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.kernels.compile import kernel

__all__ = ["FAILED", "FEW", "SETTLED", "bearing_sums", "loaded_sums", "settle", "stored_energy"]

SETTLED = 0  # force and moments balance
FAILED = 1  # they do not, after MOST_STEPS
FEW = 2  # nothing, or next to nothing, lies on anything

TOLERANCE = 1e-10  # of the load
MOST_STEPS = 60
MOST_HALVINGS = 30
RIDGE = 1e-6  # of the land in overlap: keeps the step finite while less than a triangle bears

Array = NDArray[np.float64]
Rows = NDArray[np.int64]


@kernel
def add_row(sums: Array, eta: float, s0: float, s1: float, g0: float, g1: float, g2: float) -> None:
    """Add a row's sums (share * gap and share, times powers of xi) to the nine sums of a pose."""
    sums[0] += s0
    sums[1] += s1
    sums[2] += s0 * eta
    sums[3] += g0
    sums[4] += g1
    sums[5] += g0 * eta
    sums[6] += g2
    sums[7] += g1 * eta
    sums[8] += g0 * eta * eta


@kernel
def loaded_sums(
    gap: Array,
    share: Array,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    sums: Array,
) -> None:
    """Force, moments and Hessian sums (9,) at q = 0 with everything in contact, pulling allowed."""
    for i in range(9):
        sums[i] = 0.0
    for r in range(first.size):
        xi0 = row_xi[r]
        n = count[r]
        gaps = gap[first[r] : first[r] + n]
        shares = share[first[r] : first[r] + n]
        s0 = 0.0
        s1 = 0.0
        g0 = 0.0
        g1 = 0.0
        g2 = 0.0
        for k in range(n):
            xi = xi0 + k * step
            w = shares[k]
            wv = w * gaps[k]
            s0 += wv
            s1 += wv * xi
            g0 += w
            g1 += w * xi
            g2 += w * xi * xi
        add_row(sums, row_eta[r], s0, s1, g0, g1, g2)


@kernel
def bearing_sums(
    gap: Array,
    share: Array,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    q: Array,
    sums: Array,
) -> None:
    """Force, moments and Hessian sums (9,) over the points that bear at the plane `q`."""
    for i in range(9):
        sums[i] = 0.0
    tilt = q[1]
    for r in range(first.size):
        eta = row_eta[r]
        base = q[0] + q[2] * eta
        xi0 = row_xi[r]
        n = count[r]
        gaps = gap[first[r] : first[r] + n]
        shares = share[first[r] : first[r] + n]
        s0 = 0.0
        s1 = 0.0
        g0 = 0.0
        g1 = 0.0
        g2 = 0.0
        for k in range(n):
            xi = xi0 + k * step
            v = gaps[k] - base - tilt * xi
            w = shares[k] if v > 0.0 else 0.0
            wv = w * v
            s0 += wv
            s1 += wv * xi
            g0 += w
            g1 += w * xi
            g2 += w * xi * xi
        add_row(sums, eta, s0, s1, g0, g1, g2)


@kernel
def stored_energy(
    gap: Array,
    share: Array,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    target: Array,
    q: Array,
) -> float:
    """The energy of the layer and of the load (module docstring), per K cell^2 [m2]."""
    energy: float = target[0] * q[0] + target[1] * q[1] + target[2] * q[2]
    for r in range(first.size):
        base = q[0] + q[2] * row_eta[r]
        for k in range(count[r]):
            v = gap[first[r] + k] - base - q[1] * (row_xi[r] + k * step)
            if v > 0.0:
                energy += 0.5 * share[first[r] + k] * v * v
    return energy


@kernel
def _solve(j: Array, r0: float, r1: float, r2: float, ridge: float, x: Array) -> bool:
    """Solve the symmetric 3 x 3 system with Hessian sums j[3:9] (+ ridge on the diagonal)."""
    a = j[3] + ridge
    b = j[4]
    c = j[5]
    d = j[6] + ridge
    e = j[7]
    f = j[8] + ridge
    if not a > 0.0:
        return False
    l10 = b / a
    l20 = c / a
    d1 = d - l10 * b
    if not d1 > 1e-12 * a:
        return False
    l21 = (e - l20 * b) / d1
    d2 = f - l20 * c - l21 * l21 * d1
    if not d2 > 1e-12 * a:
        return False
    y1 = r1 - l10 * r0
    y2 = r2 - l20 * r0 - l21 * y1
    x[2] = y2 / d2
    x[1] = y1 / d1 - l21 * x[2]
    x[0] = r0 / a - l10 * x[1] - l20 * x[2]
    return True


@kernel
def _unbalance(sums: Array, target: Array) -> float:
    left: float = max(abs(sums[0] - target[0]), abs(sums[1] - target[1]), abs(sums[2] - target[2]))
    return left


@kernel
def settle(
    gap: Array,
    share: Array,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    target: Array,
    warm: bool,
    q: Array,
    work: Array,
) -> Any:
    """Find q (3,) so that force and moments equal `target` (3,) = (W, Mx / R, My / R) / (K cell^2) [m].

    `work` (3, 10) is scratch; work[0] comes in with `loaded_sums`.  `warm`: q comes in as a guess.
    Returns the status; q holds the last plane whatever the status.
    """
    total = work[0, 3]
    sums = work[1]
    trial = work[2]
    dq = np.empty(3)
    old = np.empty(3)
    if not total > 0.0:
        return FEW
    if not warm and not _solve(
        work[0], work[0, 0] - target[0], work[0, 1] - target[1], work[0, 2] - target[2], 0.0, q
    ):
        return FEW
    bearing_sums(gap, share, first, count, row_xi, row_eta, step, q, sums)
    limit = TOLERANCE * target[0]
    error = _unbalance(sums, target)
    for _ in range(MOST_STEPS):
        if error <= limit:
            return SETTLED
        r0 = sums[0] - target[0]
        r1 = sums[1] - target[1]
        r2 = sums[2] - target[2]
        if not _solve(sums, r0, r1, r2, 0.0, dq) and not _solve(sums, r0, r1, r2, RIDGE * total, dq):
            return FAILED
        for i in range(3):
            old[i] = q[i]
            q[i] += dq[i]
        bearing_sums(gap, share, first, count, row_xi, row_eta, step, q, trial)
        left = _unbalance(trial, target)
        if not left <= 0.5 * error:
            # Seldom: the full step did not halve the unbalance, so the convex energy must fall instead.
            slope = r0 * dq[0] + r1 * dq[1] + r2 * dq[2]
            before = stored_energy(gap, share, first, count, row_xi, row_eta, step, target, old)
            pace = 1.0
            for _ in range(MOST_HALVINGS):
                now = stored_energy(gap, share, first, count, row_xi, row_eta, step, target, q)
                if now <= before - 1e-4 * pace * slope:
                    break
                pace *= 0.5
                for i in range(3):
                    q[i] = old[i] + pace * dq[i]
            bearing_sums(gap, share, first, count, row_xi, row_eta, step, q, trial)
            left = _unbalance(trial, target)
        for i in range(9):
            sums[i] = trial[i]
        error = left
    return FAILED
