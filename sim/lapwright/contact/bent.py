"""How both bodies give under the pressure of a pose, found together with the plane on which the top rests.

Deflections are polynomials to `DEGREE` (`lapwright.metrology.bending`): of each body in its own frame, and
added up about the top's centre, in units of its radius.  A pose asks of the pressure no more than its work on
each power, so that bodies of any shape cost what these sums cost.

With v = gap + d.m (m the powers, d what bends less the plane q) cells with v > 0 bear, the pressure's work is
y = sum(share v m), and d = fixed - G y - q with G the compliance of both bodies.  That is the least of the
convex energy  1/2 y.G y + 1/2 sum(share max(0, v)^2) + target.q, found by Newton's method on the set in
contact, with backtracking as in `equilibrium`.  The plane is then settled there anew on the bent faces, so
that force and moments balance as well as those of bodies that do not bend.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part
from lapwright.contact.equilibrium import (
    LIFTED,
    PLANE,
    REPORT_COLUMNS,
    WORK,
    settle_rows,
    sum_rows,
)
from lapwright.contact.lay import read_only
from lapwright.contact.polynomials import (
    POWERS,
    add_bent,
    clear,
    line_powers,
    shifted_powers,
    solve_four,
    solve_three,
    span,
    through,
    times,
    times_turned,
    turned_powers,
)
from lapwright.metrology.bending import DEGREE, Elastic, orders
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.specification.supports import Palm

if TYPE_CHECKING:
    from lapwright.contact.placement import PlacedPlate

TWICE = 2 * DEGREE
PRODUCTS = (TWICE + 1) * (TWICE + 2) // 2
# Rows of scratch that hold an answer: the bend about the top's centre, the same in its own frame; one to use.
BENDS, BENDS_TOP, SCRATCH = 12, 13, 10
TOLERANCE = 1e-8  # of the load, and of the mean squeeze
FLOOR = 1e-6  # the same, where it comes no nearer
MOST_STEPS = 60
MOST_HALVINGS = 30
RIDGE = 1e-6  # of the land in overlap, while less than a triangle bears

Array = NDArray[np.float64]
Rows = NDArray[np.int64]


class Bodies(NamedTuple):
    """Both bodies as they lie, for kernels; powers of places in each body's own radius.

    `bottom`, `top` (POWERS, POWERS): deflection per work, times stiffness x cell^2 of the pair; `bottom` is
    empty where it lies on a flat bed.  `lies_bottom`, `lies_top` (POWERS,) [m]: how each is bent by its own
    weight, its feet and its warmth.  `hands` (POWERS,) [m]: work of the hands over stiffness x cell^2, in the
    frame that they turn with.  `ratio`: radius of the top over that of the bottom.
    """

    bottom: Array
    top: Array
    lies_bottom: Array
    lies_top: Array
    hands: Array
    ratio: float


class Bending(NamedTuple):
    """Scratch of a thread: matrices (POWERS, POWERS) and rows (POWERS,), sums, and a row of cells."""

    to_own: Array
    gives: Array
    matrix: Array
    pairs: Array
    right: Array
    products: Array
    sums: Array
    rows: Array
    line: Array
    binomial: Array
    which: Rows
    tables: Array
    report: Array
    work: Array


def bending_scratch(width: int) -> Bending:
    """Empty scratch for rows of up to `width` cells."""
    square = (POWERS, POWERS)
    binomial = np.zeros((DEGREE + 1, DEGREE + 1))
    for n in range(DEGREE + 1):
        binomial[n, 0] = 1.0
        for k in range(1, n + 1):
            binomial[n, k] = binomial[n - 1, k - 1] + (binomial[n - 1, k] if k < n else 0.0)
    i, j = orders(DEGREE).T
    degree, along = i[:, None] + i + j[:, None] + j, j[:, None] + j
    return Bending(
        np.zeros(square),
        np.zeros(square),
        np.zeros(square),
        np.zeros(square),
        np.zeros((POWERS, 4)),
        np.zeros(PRODUCTS),
        np.zeros(POWERS),
        np.zeros((14, POWERS)),
        np.zeros((3, width)),
        binomial,
        (degree * (degree + 1) // 2 + along).astype(np.int64),
        np.zeros((3, DEGREE + 1)),
        np.zeros(REPORT_COLUMNS),
        np.zeros(WORK),
    )


@part
def _sums(
    rows: Rowset, used: int, unit: float, d: Array, everything: bool, scratch: Bending
) -> None:
    """Products of powers (PRODUCTS,) over the cells that bear with d, and the gaps' work (POWERS,) there."""
    products, sums = scratch.products, scratch.sums
    for i in range(PRODUCTS):
        products[i] = 0.0
    for i in range(POWERS):
        sums[i] = 0.0
    e = scratch.rows[10]
    along = scratch.rows[11]
    least = -np.inf if everything else 0.0
    for r in range(used):
        eta = rows.eta[r]
        line_powers(d, eta, e)
        e0, e1, e2, e3, e4, e5, e6 = e[0], e[1], e[2], e[3], e[4], e[5], e[6]
        xi0 = rows.xi[r]
        n = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + n]
        shares = rows.share[rows.first[r] : rows.first[r] + n]
        w, z, x = scratch.line[0], scratch.line[1], scratch.line[2]
        for k in range(n):
            at = xi0 + k * unit
            v = gaps[k] + e0 + at * (e1 + at * (e2 + at * (e3 + at * (e4 + at * (e5 + at * e6)))))
            bears = shares[k] if v > least else 0.0
            x[k] = at
            w[k] = bears
            z[k] = bears * gaps[k]
        _row_sums(w, x, n, along[: TWICE + 1])
        for i in range(TWICE + 1):
            up = along[i]
            for j in range(TWICE + 1 - i):
                products[(i + j) * (i + j + 1) // 2 + j] += up
                up *= eta
        _row_sums(z, x, n, along[: DEGREE + 1])
        for i in range(DEGREE + 1):
            up = along[i]
            for j in range(DEGREE + 1 - i):
                sums[(i + j) * (i + j + 1) // 2 + j] += up
                up *= eta


@part
def _row_sums(w: Array, x: Array, n: int, out: Array) -> None:
    """Fill `out` with sums of w times 1, x, x^2, ... to an even power, over n cells; w is written over."""
    highest = out.shape[0] - 1
    for i in range(0, highest, 2):
        even = 0.0
        odd = 0.0
        for k in range(n):
            once = w[k] * x[k]
            even += w[k]
            odd += once
            w[k] = once * x[k]
        out[i] = even
        out[i + 1] = odd
    last = 0.0
    for k in range(n):
        last += w[k]
    out[highest] = last


@part
def _all_bear(rows: Rowset, used: int, unit: float, d: Array, e: Array) -> bool:
    """Whether every cell of land bears with d."""
    least = np.inf
    for r in range(used):
        line_powers(d, rows.eta[r], e)
        e0, e1, e2, e3, e4, e5, e6 = e[0], e[1], e[2], e[3], e[4], e[5], e[6]
        xi0 = rows.xi[r]
        n = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + n]
        shares = rows.share[rows.first[r] : rows.first[r] + n]
        for k in range(n):
            x = xi0 + k * unit
            v = gaps[k] + e0 + x * (e1 + x * (e2 + x * (e3 + x * (e4 + x * (e5 + x * e6)))))
            least = min(least, v if shares[k] > 0.0 else least)
    return least > 0.0


@part
def _spread(products: Array, which: Rows, out: Array) -> None:
    """Sums of two powers, by the numbers of both, from those of all products."""
    for i in range(POWERS):
        for k in range(POWERS):
            out[i, k] = products[which[i, k]]


@part
def bend(
    rows: Rowset,
    used: int,
    unit: float,
    bodies: Bodies,
    cx: float,
    cy: float,
    cos: float,
    sin: float,
    hand_cos: float,
    hand_sin: float,
    radius: float,
    target: Array,
    scratch: Bending,
    bent: Array,
) -> Any:
    """Find how both bodies bend in a pose, `bent` (POWERS,) [m] about the top's centre; add it to the gaps.

    Gives its span over the land in overlap [m]; -1: not found.  `rows` as laid, `target` as of `settle`;
    (`cx`, `cy`) [m] and (`cos`, `sin`) place the top, (`hand_cos`, `hand_sin`) the hands.
    """
    gives, matrix, right, pairs = scratch.gives, scratch.matrix, scratch.right, scratch.pairs
    rows_ = scratch.rows
    fixed, y, d, dy, does, before = rows_[0], rows_[1], rows_[2], rows_[3], rows_[4], rows_[5]
    off, small, q, old_q = rows_[6], rows_[7], rows_[8], rows_[9]
    clear(gives)
    for i in range(POWERS):
        fixed[i] = 0.0
        small[i] = 0.0
        y[i] = 0.0
        dy[i] = 0.0
        q[i] = 0.0
        old_q[i] = 0.0
    turned_powers(cos, sin, scratch.binomial, scratch.tables, scratch.to_own)
    if sin == 0.0 and cos > 0.0:
        for i in range(POWERS):
            for k in range(POWERS):
                gives[i, k] = bodies.top[i, k]
    else:
        through(scratch.to_own, bodies.top, matrix, gives)
    for i in range(POWERS):
        off[i] = bodies.lies_top[i]
    times_turned(scratch.to_own, off, fixed)
    # Work of the hands on the powers about the top's centre, and what the top gives under it.
    turned_powers(hand_cos, -hand_sin, scratch.binomial, scratch.tables, scratch.to_own)
    for i in range(POWERS):
        off[i] = bodies.hands[i]
    times(scratch.to_own, off, small)
    times(gives, small, off)
    for i in range(POWERS):
        fixed[i] += off[i]
    lies = 0.0
    for i in range(POWERS):
        off[i] = bodies.lies_bottom[i]
        lies += abs(off[i])
    if bodies.bottom.shape[0] > 0 or lies > 0.0:
        own = radius / bodies.ratio
        shifted_powers(
            cx / own, cy / own, bodies.ratio, scratch.binomial, scratch.tables, scratch.to_own
        )
        if bodies.bottom.shape[0] > 0:
            through(scratch.to_own, bodies.bottom, matrix, gives)
        times_turned(scratch.to_own, off, fixed)
    add_bent(rows, used, unit, fixed, scratch.rows[SCRATCH])
    # Everything bears, as it did in the pose before; or else what bears of bodies that keep their shape.
    everything = not scratch.report[LIFTED] > 0.0
    for i in range(POWERS):
        d[i] = 0.0
    if not everything:
        sum_rows(
            rows,
            used,
            unit,
            q,
            scratch.work[0],
        )
        settle_rows(
            rows,
            used,
            unit,
            target,
            everything,  # no: the plane is not warm; a flag written as a constant compiles it all again
            scratch.report,
            scratch.work,
        )
        everything = not scratch.report[LIFTED] > 0.0
        for i in range(3):
            q[i] = scratch.report[PLANE + i]
            d[i] = -q[i]
    error = np.inf
    halvings = 0
    steps = 0
    found = False
    while True:
        _sums(rows, used, unit, d, everything and steps == 0, scratch)
        sums = scratch.sums
        overlap = scratch.products[0]
        if not overlap > 0.0:
            break
        _spread(scratch.products, scratch.which, pairs)
        # What the pressure does now, and how far from what was taken.
        times(pairs, d, does)
        left = 0.0
        for i in range(POWERS):
            does[i] += sums[i]
            off[i] = does[i] - y[i]
        times(gives, off, small)
        slope = 0.0
        for i in range(POWERS):
            left = max(left, abs(small[i]) * overlap / target[0])
            slope -= small[i] * dy[i]
        for i in range(3):
            left = max(left, abs(does[i] - target[i]) / target[0])
            slope -= (does[i] - target[i]) * (q[i] - old_q[i])
        if steps > 0 and left <= FLOOR and left > 0.5 * error:
            found = True  # as near as round-off lets it come
            break
        if steps > 0 and not left <= 0.5 * error and halvings < MOST_HALVINGS and slope > 0.0:
            halvings += 1
            for i in range(POWERS):
                dy[i] *= 0.5
                y[i] = before[i] + dy[i]
            for i in range(3):
                q[i] = old_q[i] + 0.5 * (q[i] - old_q[i])
        else:
            error = left
            if steps > 0 and error <= TOLERANCE:
                found = True
                break
            steps += 1
            if steps > MOST_STEPS:
                break
            halvings = 0
            for i in range(POWERS):
                before[i] = y[i]
            for i in range(3):
                old_q[i] = q[i]
            # (1 + G P) d = -G s - q, with P the products and s the gaps' work of what bears.
            times(gives, sums, small)
            for i in range(POWERS):
                for k in range(POWERS):
                    matrix[i, k] = 0.0
                for m in range(POWERS):
                    g = gives[i, m]
                    for k in range(POWERS):
                        matrix[i, k] += g * pairs[m, k]
                matrix[i, i] += 1.0
                right[i, 0] = -small[i]
                for j in range(3):
                    right[i, 1 + j] = 1.0 if i == j else 0.0
            if not solve_four(matrix, right):
                break
            # Force and moments: s + P (d0 - d1 q) = target.
            for i in range(3):
                for j in range(4):
                    total = 0.0
                    for k in range(POWERS):
                        total += pairs[i, k] * right[k, j]
                    if j == 0:
                        small[i] = sums[i] + total - target[i]
                    else:
                        matrix[i, j - 1] = total
            if not solve_three(matrix, small, q):
                for i in range(3):
                    matrix[i, i] += RIDGE * overlap
                if not solve_three(matrix, small, q):
                    break
            for i in range(POWERS):
                d[i] = right[i, 0]
                for j in range(3):
                    d[i] -= right[i, 1 + j] * q[j]
            times(pairs, d, y)
            for i in range(POWERS):
                y[i] += sums[i]
                dy[i] = y[i] - before[i]
        times(gives, y, small)
        for i in range(POWERS):
            d[i] = -small[i] - (q[i] if i < 3 else 0.0)
        # Everything was taken as loaded, and is: nothing is left to be found, but for round-off.
        if everything and steps == 1:
            if _all_bear(rows, used, unit, d, scratch.rows[SCRATCH]):
                times(pairs, d, does)
                for i in range(POWERS):
                    off[i] = does[i] + sums[i] - y[i]
                times(gives, off, small)
                left = 0.0
                for i in range(POWERS):
                    left = max(left, abs(small[i]) * overlap / target[0])
                if left <= TOLERANCE:
                    found = True
                    break
            scratch.report[LIFTED] = 1.0
    times(gives, y, small)
    for i in range(POWERS):
        d[i] = -small[i]
        bent[i] = fixed[i] + d[i]
    if not found:
        return -1.0
    add_bent(rows, used, unit, d, scratch.rows[SCRATCH])
    return span(rows, used, unit, bent, scratch.rows[SCRATCH])


@part
def turned_back(bent: Array, cos: float, sin: float, scratch: Bending, out: Array) -> None:
    """The same polynomial in the frame of a top turned by (cos, sin)."""
    turned_powers(cos, -sin, scratch.binomial, scratch.tables, scratch.to_own)
    for i in range(POWERS):
        out[i] = 0.0
    times_turned(scratch.to_own, bent, out)


@dataclass(frozen=True)
class Flexure:
    """How the bodies of a step bend.

    `feet` (k, 2) [m] under the bottom, looking at its face; None: a flat bed, on which it does not bend.
    `force` [N] of the hands, each pressing as said; `warm` [K]: face over back, of bottom and top.
    """

    bottom: Plate
    top: Plate
    feet: tuple[tuple[float, float], ...] | None = None
    force: float = 0.0
    hands: tuple[Palm, ...] = ()
    warm: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def of(cls, step: Step, bottom: Plate, top: Plate) -> Flexure | None:
        """How the bodies of a step bend; None where it takes them as rigid.

        Parameters
        ----------
        step : Step
        bottom, top : Plate
            As they lie now.

        Returns
        -------
        Flexure or None

        """
        if not step.bends:
            return None
        warm = step.warm.get(bottom.name, 0.0), step.warm.get(top.name, 0.0)
        return cls(bottom, top, bottom.feet, step.load.force, step.load.hands, warm)

    def bodies(
        self, laid_bottom: PlacedPlate, laid_top: PlacedPlate, stiffness: float, cell: float
    ) -> Bodies:
        """As kernels read them, on a layer of `stiffness` [Pa/m] and cells of `cell` [m] of the bottom.

        Parameters
        ----------
        laid_bottom, laid_top : PlacedPlate
            How both lie.
        stiffness : float
            [Pa/m]
        cell : float
            [m]

        Returns
        -------
        Bodies

        """
        per_cell = stiffness * cell**2
        bottom, top = Elastic(self.bottom, DEGREE), Elastic(self.top, DEGREE)
        lies, none = laid_bottom.lay_powers(DEGREE), np.zeros((0, 0))
        over = laid_top.lay_powers(DEGREE)
        lies_bottom, gives = bottom.warm(self.warm[0]), none
        if self.feet is not None:
            on_feet = bottom.on(np.asarray(self.feet))
            lies_bottom = lies_bottom - on_feet @ bottom.weight
            gives = lies.T @ on_feet @ lies * per_cell
        # The weight, and a hand that is not said to press anywhere, lie evenly over the top and turn with it.
        spread = top.weight if self.hands else top.weight + self.force * top.even
        lies_top = top.warm(self.warm[1]) + top.compliance @ spread
        pressed = [
            self.force * (hand.share or 0.0) * top.pressed(hand.at, hand.size)
            for hand in self.hands
        ]
        hands = np.sum(pressed, axis=0) if pressed else np.zeros(POWERS)
        return Bodies(
            read_only(gives),
            read_only(over.T @ top.compliance @ over * per_cell),
            read_only(lies.T @ lies_bottom),
            read_only(over.T @ lies_top),
            read_only(hands / per_cell),
            float(top.radius / bottom.radius),
        )
