"""The top settles on the grit layer: force and two moments over the overlap.

A pose's overlap lies in flat buffers, row after row: `gap[k]` the interference before settling [m],
`share[k]` what of the cell is land on both faces.  Row r of `used` holds `count[r]` points from `first[r]`;
they lie at xi = row_xi[r] + k * step and eta = row_eta[r], in units of the top's radius.

The stored energy  1/2 sum(share * max(0, gap - q.b)^2) + target.q  with b = (1, xi, eta) is convex in
q = (h, a R, b R); `settle` finds its least by Newton's method on the set in contact (semismooth) with
backtracking, begun with everything in contact or from the plane of a neighbour.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part

SETTLED = 0  # force and moments balance
FAILED = 1  # they do not, after MOST_STEPS
FEW = 2  # nothing, or next to nothing, lies on anything

# Columns of a report: status of settling, share of the land in overlap that bears nothing, factor on
# the load gathered by the top, land in overlap [cells], the plane (h, a R, b R) from column PLANE on, what
# is added to the bottom and to the top, summed with 1, x, y, x^2, xy, y^2 (as each lies, in units of R), and
# from OFFSET on the plane less that at which everything would be loaded.
STATUS, LIFTED, FACTOR, OVERLAP, PLANE = range(5)
OF_BOTTOM, OF_TOP, OFFSET = 7, 13, 19
BENT = 22  # how far both faces together bend, from the highest place to the lowest [m]
SUMS = (
    23  # of a top that is held: force, moments and second moments (9,) at the plane at which it is
)
REPORT_COLUMNS = 32

TOLERANCE = 1e-10  # of the load
MOST_STEPS = 60
MOST_HALVINGS = 30
RIDGE = 1e-6  # of the land in overlap: keeps the step finite while less than a triangle bears
LEAST_LIFTED = 1e-9  # of the land in overlap: less than this is round-off

LAND = 3  # of the sums of a pose: force and moments (3), second moments of the land that bears (6)
WORK = (
    5,
    9,
)  # shape of the scratch for a pose: sums with everything loaded, two sets more, a step, a plane
PULLING = -np.inf  # everything is loaded, and what lies apart pulls

Array = NDArray[np.float64]
Rows = NDArray[np.int64]


@part
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


@part
def bearing_sums(
    gap: Array,
    share: Array,
    used: int,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    q: Array,
    least: float,
    sums: Array,
) -> None:
    """Force, moments and Hessian sums (9,) at the plane `q` over the points squeezed by more than `least`.

    `least` 0: the points that bear; PULLING: all of them.
    """
    for i in range(9):
        sums[i] = 0.0
    tilt = q[1]
    for r in range(used):
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
            w = shares[k] if v > least else 0.0
            wv = w * v
            s0 += wv
            s1 += wv * xi
            g0 += w
            g1 += w * xi
            g2 += w * xi * xi
        add_row(sums, eta, s0, s1, g0, g1, g2)


@part
def sum_rows(rows: Rowset, used: int, unit: float, plane: Array, loaded: Array) -> None:
    """Sums (9,) of a laid pose with everything loaded at the plane 0, which `plane` (3,) is then."""
    for i in range(3):
        plane[i] = 0.0
    bearing_sums(
        rows.gap,
        rows.share,
        used,
        rows.first,
        rows.length,
        rows.xi,
        rows.eta,
        unit,
        plane,
        PULLING,
        loaded,
    )


@part
def solve_plane(j: Array, r0: float, r1: float, r2: float, ridge: float, x: Array) -> bool:
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


@part
def _unbalance(sums: Array, target: Array) -> float:
    left: float = max(abs(sums[0] - target[0]), abs(sums[1] - target[1]), abs(sums[2] - target[2]))
    return left


@part
def settle(
    gap: Array,
    share: Array,
    used: int,
    first: Rows,
    count: Rows,
    row_xi: Array,
    row_eta: Array,
    step: float,
    target: Array,
    warm: bool,
    report: Array,
    work: Array,
) -> Any:
    """Find q (3,) so that force and moments equal `target` (3,) = (W, Mx / R, My / R) / (K cell^2) [m].

    `work` (WORK) is scratch; work[0] comes in with the sums of everything loaded at q = 0.  `warm`: the
    `report` comes in with that of a neighbour, to begin as far from the plane at which everything is loaded
    as it ended (the plane itself moves with all that is worn off; where nothing lifts it is the answer).  The
    report goes out filled, with the last plane whatever the status.  Returns the status.
    """
    loaded = work[0]
    sums = work[1]
    trial = work[2]
    dq = work[3]
    old = work[4]
    q = report[PLANE : PLANE + 3]
    offset = report[OFFSET : OFFSET + 3]
    guessed = warm and report[LIFTED] > 0.0
    total = loaded[LAND]
    report[STATUS] = FEW
    report[LIFTED] = 1.0
    report[FACTOR] = 1.0
    report[OVERLAP] = total
    if not total > 0.0:
        return FEW
    if not solve_plane(
        loaded, loaded[0] - target[0], loaded[1] - target[1], loaded[2] - target[2], 0.0, q
    ):
        return FEW
    from_h = q[0]
    from_a = q[1]
    from_b = q[2]
    if guessed:
        for i in range(3):
            q[i] += offset[i]
    report[STATUS] = FAILED
    limit = TOLERANCE * target[0]
    error = np.inf
    pace = 1.0
    halvings = 0
    steps = 0
    while True:
        bearing_sums(gap, share, used, first, count, row_xi, row_eta, step, q, 0.0, trial)
        left = _unbalance(trial, target)
        # Seldom: the full step did not halve the unbalance, so the convex energy must fall instead.  Where it
        # still falls at the end of a halved step, half of all that this direction can gain is gained.
        if (
            steps > 0
            and not left <= 0.5 * error
            and halvings < MOST_HALVINGS
            and not (
                (trial[0] - target[0]) * dq[0]
                + (trial[1] - target[1]) * dq[1]
                + (trial[2] - target[2]) * dq[2]
                >= 0.0
            )
        ):
            pace *= 0.5
            halvings += 1
            for i in range(3):
                q[i] = old[i] + pace * dq[i]
            continue
        for i in range(9):
            sums[i] = trial[i]
        error = left
        if error <= limit:
            report[STATUS] = SETTLED
            break
        steps += 1
        r0 = sums[0] - target[0]
        r1 = sums[1] - target[1]
        r2 = sums[2] - target[2]
        if steps > MOST_STEPS or not (
            solve_plane(sums, r0, r1, r2, 0.0, dq)
            or solve_plane(sums, r0, r1, r2, RIDGE * total, dq)
        ):
            break
        pace = 1.0
        halvings = 0
        for i in range(3):
            old[i] = q[i]
            q[i] += dq[i]
    offset[0] = q[0] - from_h
    offset[1] = q[1] - from_a
    offset[2] = q[2] - from_b
    lifted = 1.0 - sums[LAND] / total
    report[LIFTED] = lifted if lifted > LEAST_LIFTED else 0.0
    return int(report[STATUS])


@part
def settle_rows(
    rows: Rowset, used: int, unit: float, target: Array, warm: bool, report: Array, work: Array
) -> Any:
    """`settle` a laid pose."""
    return settle(
        rows.gap,
        rows.share,
        used,
        rows.first,
        rows.length,
        rows.xi,
        rows.eta,
        unit,
        target,
        warm,
        report,
        work,
    )
