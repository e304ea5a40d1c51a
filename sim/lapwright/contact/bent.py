"""How both bodies give under the pressure of a pose, found together with the plane on which the top rests.

Deflections are polynomials (`lapwright.metrology.bending`): of each body in its own frame, and added up about
the top's centre, in units of its radius.  What is known beforehand is worked out with all of a body's give:
its weight, hands, warmth, and the feet, which carry what statics leaves to them (the mode-acceleration method
of structural dynamics: R. R. Craig, Structural Dynamics, 1981, from memory).  To the pressure, which is to be
found, a body gives by those modes only whose give is felt beside that of the layer.

With F the modes of both bodies and 1, xi, eta, u their amplitudes and the plane, and d = fixed - F u the gaps
change to v = gap + d.m (m the powers).  Cells with v > 0 bear, y = sum(share v m) is the pressure's work, and
u is the least of the convex energy  1/2 a.a + 1/2 sum(share max(0, v)^2) + target.q  (u: a and q), found by
Newton's method on the set in contact, with backtracking as in `equilibrium`.  The plane is then settled there
anew on the bent faces, so that force and moments balance as well as those of bodies that do not bend.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part
from lapwright.contact.equilibrium import LIFTED, OFFSET, WORK, solve_plane
from lapwright.contact.polynomials import (
    add_bent,
    along_row,
    clear,
    clear_row,
    line_powers,
    row_sums,
    share_sums,
    shifted_powers,
    solve_definite,
    span,
    through,
    times,
    times_turned,
    turned_powers,
)
from lapwright.metrology.bending import orders

# Rows of scratch: the bend about the top's centre, and the same in the top's own frame, are answers.
BENDS, BENDS_TOP, FIXED, SHAPE, WORKS, SLOPE, STEP, NOW, BEFORE, FREE = range(10)
TOLERANCE = 1e-8  # of the load, and of the mean squeeze
FLOOR = 1e-6  # the same, where it comes no nearer
CLOSE = 1e-4  # from here one step more comes within the tolerance, its error going by the square
MOST_STEPS = 60
MOST_HALVINGS = 30
RIDGE = 1e-6  # of the land in overlap, while less than a triangle bears
BLOCKS = 32  # across, at least, in which a bend is found; where there are fewer cells, these

Array = NDArray[np.float64]
Rows = NDArray[np.int64]


class Bodies(NamedTuple):
    """Both bodies as they lie, for kernels; powers of places (n,) in each body's own radius.

    `bottom`, `top` (n, modes): what gives under pressure, times the root of stiffness x cell^2 of the pair;
    `bottom` is empty where it lies on a flat bed.  `feet` (n, 3): how the bottom's feet bend it, for force
    and moments on it, beyond these modes.  `lies_bottom`, `lies_top` (n,) [m]: how each is bent by its own
    weight, its feet and its warmth.  `gives` (n, n): all that the top gives, for the `hands` (n,) [m]: their
    work over stiffness x cell^2, in the frame that they turn with; both empty without hands.  `ratio`: radius
    of the top over that of the bottom.
    """

    bottom: Array
    top: Array
    feet: Array
    lies_bottom: Array
    lies_top: Array
    gives: Array
    hands: Array
    ratio: float


class Bending(NamedTuple):
    """Scratch of a thread: matrices and rows of powers and modes, sums, and a row of cells."""

    to_own: Array  # (n, n)
    form: Array  # (n or a few more, modes + 3): F
    pressed: Array  # the same, times products
    hessian: Array
    rows: Array
    products: (
        Array  # (2 degree + 1, 2 degree + 1): sums of shares that bear, by powers of eta and xi
    )
    sums: Array  # (degree + 1, degree + 1)
    share: Array  # (blocks, blocks): of blocks of cells
    gap: Array  # the same
    etas: Array  # (blocks,): places of their rows
    ends: Rows  # (blocks, 2): first column and one past the last of each row
    places: Array  # (blocks,): xi of columns
    before: Array  # (blocks + 1, 2 degree + 1): sums of powers of xi before each column
    line: Array  # (2, width)
    size: Array  # cells of a block
    binomial: Array
    which: Rows  # (n or a few more, 2): powers of x and y
    tables: Array
    along: Array
    work: Array


def bending_scratch(width: int, bodies: Bodies | None) -> Bending | None:
    """Empty scratch for rows of up to `width` cells; None for bodies that keep their shape."""
    if bodies is None:
        return None
    number = len(bodies.lies_top)
    degree = round(((8 * number + 1) ** 0.5 - 3) / 2)
    full = -(-number // 8) * 8  # so that sums are taken eight by eight
    blocks = 2 * BLOCKS
    many = (
        -(-(bodies.bottom.shape[1] + bodies.top.shape[1] + 3) // 4) * 4
    )  # modes of nothing fill up
    binomial = np.zeros((degree + 1, degree + 1))
    for n in range(degree + 1):
        binomial[n, 0] = 1.0
        for k in range(1, n + 1):
            binomial[n, k] = binomial[n - 1, k - 1] + (binomial[n - 1, k] if k < n else 0.0)
    return Bending(
        np.zeros((number, number)),
        np.zeros((full, many)),
        np.zeros((full, many)),
        np.zeros((many, many)),
        np.zeros((FREE + 2, max(number, many))),
        np.zeros((2 * degree + 1, 2 * degree + 1)),
        np.zeros((degree + 1, degree + 1)),
        np.zeros((blocks, blocks)),
        np.zeros((blocks, blocks)),
        np.zeros(blocks),
        np.zeros((blocks, 2), dtype=np.int64),
        np.zeros(blocks),
        np.zeros((blocks + 1, 2 * degree + 1)),
        np.zeros((2, width + BLOCKS + blocks)),
        np.zeros(1),
        binomial,
        np.concatenate([orders(degree), np.zeros((full - number, 2))]).astype(np.int64),
        np.zeros((3, degree + 1)),
        np.zeros(2 * degree + 1),
        np.zeros(WORK),
    )


@part
def _coarse(rows: Rowset, used: int, unit: float, scratch: Bending) -> Any:
    """Gather cells of a pose into blocks, so many that a bend is found well enough; gives how many are used.

    A block holds the share of its cells and the mean of their gaps; blocks of all rows lie on one lattice,
    whose places are put down beside the sums of their powers.
    """
    low, high = rows.column[0], 0
    for r in range(used):
        low = min(low, rows.column[r])
        high = max(high, rows.column[r] + rows.length[r])
    wide, tall = max(1, (high - low) // BLOCKS), max(1, used // BLOCKS)
    columns, lines = (high - low + wide - 1) // wide, (used + tall - 1) // tall
    share, gap, places, before = scratch.share, scratch.gap, scratch.places, scratch.before
    at = rows.xi[0] + (low - rows.column[0] + 0.5 * (wide - 1)) * unit
    for p in range(before.shape[1]):
        before[0, p] = 0.0
    for c in range(columns):
        places[c] = at + c * wide * unit
        grown = 1.0
        for p in range(before.shape[1]):
            before[c + 1, p] = before[c, p] + grown
            grown *= places[c]
    scratch.size[0] = wide * tall
    whole = wide * tall
    share_line, gap_line = scratch.line[0], scratch.line[1]
    for line in range(lines):
        for k in range(columns * wide):
            share_line[k] = 0.0
            gap_line[k] = 0.0
        etas = 0.0
        lower, upper = columns, 0
        for r in range(line * tall, min(line * tall + tall, used)):
            etas += rows.eta[r]
            n = rows.length[r]
            start = rows.column[r] - low
            lower = min(lower, start // wide)
            upper = max(upper, (start + n - 1) // wide + 1)
            gaps = rows.gap[rows.first[r] : rows.first[r] + n]
            shares = rows.share[rows.first[r] : rows.first[r] + n]
            share_sum, gap_sum = share_line[start : start + n], gap_line[start : start + n]
            for k in range(n):
                share_sum[k] += shares[k]
                gap_sum[k] += shares[k] * gaps[k]
        scratch.etas[line] = etas / min(tall, used - line * tall)
        scratch.ends[line, 0], scratch.ends[line, 1] = lower, upper
        for c in range(lower, upper):
            on, gaps_on = 0.0, 0.0
            for k in range(c * wide, c * wide + wide):
                on += share_line[k]
                gaps_on += gap_line[k]
            gap[line, c] = gaps_on / on if on > 0.0 else 0.0
            share[line, c] = 1.0 if on == whole else on / whole
    return lines


@part
def _sums(lines: int, bears: bool, scratch: Bending) -> None:
    """Products of powers over blocks, and the work of the gaps (`bears`: of what bears with SHAPE) there."""
    products, sums = scratch.products, scratch.sums
    clear(products)
    clear(sums)
    degree = sums.shape[0] - 1
    e, along = scratch.tables[0], scratch.along
    d = scratch.rows[SHAPE]
    w, z = scratch.line[0], scratch.line[1]
    for r in range(lines):
        eta = scratch.etas[r]
        start = scratch.ends[r, 0]
        stop = scratch.ends[r, 1]
        n = stop - start
        gaps, shares = scratch.gap[r, start:stop], scratch.share[r, start:stop]
        places = scratch.places[start:stop]
        if bears:
            line_powers(d, eta, e)
            along_row(e, places, n, z)
            for k in range(n):
                v = gaps[k] + z[k]
                w[k] = shares[k] if v > 0.0 else 0.0
                z[k] = w[k] * v
            share_sums(w, n, start, scratch.before, along)
        else:
            for k in range(n):
                z[k] = shares[k] * gaps[k]
            share_sums(shares, n, start, scratch.before, along)
        up = 1.0
        for j in range(2 * degree + 1):
            for i in range(2 * degree + 1):  # more than are asked for, but whole rows
                products[j, i] += up * along[i]
            up *= eta
        row_sums(z, places, n, along[: degree + 1])
        up = 1.0
        for j in range(degree + 1):
            for i in range(degree + 1):
                sums[j, i] += up * along[i]
            up *= eta
    for j in range(2 * degree + 1):
        for i in range(2 * degree + 1):
            products[j, i] *= scratch.size[0]
    for j in range(degree + 1):
        for i in range(degree + 1):
            sums[j, i] *= scratch.size[0]


@part
def _all_bear(lines: int, scratch: Bending) -> bool:
    """Whether every block of land bears with SHAPE."""
    least = np.inf
    e, z = scratch.tables[0], scratch.line[1]
    for r in range(lines):
        start, stop = scratch.ends[r, 0], scratch.ends[r, 1]
        n = stop - start
        gaps, shares = scratch.gap[r, start:stop], scratch.share[r, start:stop]
        line_powers(scratch.rows[SHAPE], scratch.etas[r], e)
        along_row(e, scratch.places[start:stop], n, z)
        for k in range(n):
            v = gaps[k] + z[k]
            least = min(least, v if shares[k] > 0.0 else least)
    return least > 0.0


@part
def _lay_fixed(
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
) -> None:
    """Fill FIXED, how both bodies are bent by what is known beforehand, and `form`."""
    fixed, off, own_hands = scratch.rows[FIXED], scratch.rows[FREE], scratch.rows[FREE + 1]
    form, to_own = scratch.form, scratch.to_own
    n, over = bodies.top.shape
    degree = scratch.binomial.shape[0] - 1
    clear(form)
    clear_row(fixed)
    turned_powers(cos, sin, scratch.binomial, scratch.tables, to_own)
    through(to_own, degree, bodies.top, np.int64(0), form)  # a literal is a type of its own
    for i in range(n):
        off[i] = bodies.lies_top[i]
    if bodies.hands.shape[0] > 0:
        # Work of the hands about the top's centre, then in its own frame, and what the top gives under it.
        clear_row(own_hands)
        turned_powers(hand_cos, -hand_sin, scratch.binomial, scratch.tables, to_own)
        times(to_own, bodies.hands, own_hands)
        turned_powers(cos, sin, scratch.binomial, scratch.tables, to_own)
        works = scratch.rows[WORKS]
        clear_row(works)
        times(to_own, own_hands, works)
        times(bodies.gives, works, off)
    times_turned(to_own, off, fixed)
    lies = 0.0
    for i in range(n):
        off[i] = bodies.lies_bottom[i]
        lies += abs(off[i])
    if lies > 0.0:
        own = radius / bodies.ratio
        shifted_powers(cx / own, cy / own, bodies.ratio, scratch.binomial, scratch.tables, to_own)
        through(to_own, degree, bodies.bottom, over, form)
        for k in range(
            bodies.feet.shape[1]
        ):  # force and moments on the bottom, about its own centre
            on = 0.0
            for m in range(3):
                on += to_own[k, m] * target[m]
            for i in range(n):
                off[i] += bodies.feet[i, k] * on
        times_turned(to_own, off, fixed)
    for i in range(3):
        form[i, form.shape[1] - 3 + i] = 1.0


@part
def _shape(scratch: Bending, n: int, stop: int) -> None:
    """Put fixed - F u into SHAPE, of the first amplitudes only."""
    d, fixed, now, form = scratch.rows[SHAPE], scratch.rows[FIXED], scratch.rows[NOW], scratch.form
    for i in range(n):
        total = fixed[i]
        for m in range(stop):
            total -= form[i, m] * now[m]
        d[i] = total


@part
def _slope(scratch: Bending, n: int, many: int, target: Array) -> Any:
    """Put the energy's slope at u into SLOPE; gives what is out of balance, of the load and the squeeze."""
    slope, y, form, now = scratch.rows[SLOPE], scratch.rows[WORKS], scratch.form, scratch.rows[NOW]
    for m in range(many):
        slope[m] = now[m] if m < many - 3 else target[m - many + 3]
    for i in range(n):
        for m in range(many):
            slope[m] -= form[i, m] * y[i]
    left = 0.0
    scale = scratch.products[0, 0] / target[0]
    for i in range(n):
        off = 0.0
        for m in range(many - 3):
            off += form[i, m] * slope[m]
        left = max(left, abs(off) * scale)
    for i in range(3):
        left = max(left, abs(slope[many - 3 + i]) / target[0])
    return left


@part
def _works(scratch: Bending, n: int, bears: bool) -> None:
    """Put the pressure's work into WORKS; `bears` False: from the gaps' work, SHAPE added to them."""
    y, d, which = scratch.rows[WORKS], scratch.rows[SHAPE], scratch.which
    for i in range(n):
        total = scratch.sums[which[i, 1], which[i, 0]]
        if not bears:
            for k in range(n):
                total += (
                    scratch.products[which[i, 1] + which[k, 1], which[i, 0] + which[k, 0]] * d[k]
                )
        y[i] = total


@part
def _step(scratch: Bending, n: int, many: int) -> bool:
    """Put the step to the least of the energy of what bears into STEP; False: there is none."""
    form, pressed, h, which = scratch.form, scratch.pressed, scratch.hessian, scratch.which
    p = scratch.products
    step, slope = scratch.rows[STEP], scratch.rows[SLOPE]
    for i in range(n):
        up, on = which[i, 1], which[i, 0]
        for m in range(many):
            pressed[i, m] = 0.0
        for k in range(0, n, 8):
            a = p[up + which[k, 1], on + which[k, 0]]
            b = p[up + which[k + 1, 1], on + which[k + 1, 0]]
            c = p[up + which[k + 2, 1], on + which[k + 2, 0]]
            d = p[up + which[k + 3, 1], on + which[k + 3, 0]]
            e = p[up + which[k + 4, 1], on + which[k + 4, 0]]
            f = p[up + which[k + 5, 1], on + which[k + 5, 0]]
            g = p[up + which[k + 6, 1], on + which[k + 6, 0]]
            o = p[up + which[k + 7, 1], on + which[k + 7, 0]]
            for m in range(many):
                pressed[i, m] += (
                    (a * form[k, m] + b * form[k + 1, m])
                    + (c * form[k + 2, m] + d * form[k + 3, m])
                    + (e * form[k + 4, m] + f * form[k + 5, m])
                    + (g * form[k + 6, m] + o * form[k + 7, m])
                )
    ridge = 0.0
    while True:
        for j in range(many):
            for m in range(j, many):
                h[j, m] = 0.0
            h[j, j] = 1.0 if j < many - 3 else ridge
            step[j] = -slope[j]
        for i in range(0, n, 8):
            for j in range(many):
                a, b, c, d = form[i, j], form[i + 1, j], form[i + 2, j], form[i + 3, j]
                e, f, g, o = form[i + 4, j], form[i + 5, j], form[i + 6, j], form[i + 7, j]
                for m in range(j, many):
                    h[j, m] += (
                        (a * pressed[i, m] + b * pressed[i + 1, m])
                        + (c * pressed[i + 2, m] + d * pressed[i + 3, m])
                        + (e * pressed[i + 4, m] + f * pressed[i + 5, m])
                        + (g * pressed[i + 6, m] + o * pressed[i + 7, m])
                    )
        if solve_definite(h, step, many):
            return True
        if ridge > 0.0:
            return False
        ridge = RIDGE * scratch.products[0, 0]


@part
def _find(
    rows: Rowset, used: int, unit: float, target: Array, report: Array, scratch: Bending
) -> bool:
    """Find u and add what bends to the gaps; `work[0]` comes to hold the sums that `settle` asks for."""
    n, many = scratch.to_own.shape[0], scratch.form.shape[1]
    now, before, step = scratch.rows[NOW], scratch.rows[BEFORE], scratch.rows[STEP]
    slope, loaded = scratch.rows[SLOPE], scratch.work[0]
    lines = _coarse(rows, used, unit, scratch)
    clear_row(now)
    error, left = np.inf, np.inf
    halvings, steps = 0, 0
    found = False
    while True:
        _shape(scratch, n, many)
        if steps == 1 and _all_bear(lines, scratch):
            found = True  # all was taken as loaded, and is
            break
        _sums(lines, steps > 0, scratch)
        if not scratch.products[0, 0] > 0.0:
            break
        _works(scratch, n, steps > 0)
        left = _slope(scratch, n, many, target)
        gain = 0.0
        for m in range(many):
            gain += slope[m] * step[m]
        if steps > 0 and (left <= TOLERANCE or (left <= FLOOR and left > 0.5 * error)):
            found = True  # or as near as round-off lets it come
            break
        if steps > 1 and not left <= 0.5 * error and halvings < MOST_HALVINGS and gain > 0.0:
            halvings += 1
            for m in range(many):
                step[m] *= 0.5
                now[m] = before[m] + step[m]
            continue
        halvings = 0
        error = left
        steps += 1
        if steps > MOST_STEPS or not _step(scratch, n, many):
            break
        for m in range(many):
            before[m] = now[m]
            now[m] += step[m]
        if steps > 1 and left <= CLOSE:
            found = True
            break
    _shape(scratch, n, many - 3)
    d, bends = scratch.rows[SHAPE], scratch.rows[BENDS]
    for i in range(n):
        bends[i] = d[i]
    add_bent(rows, used, unit, d, scratch.tables[0], scratch.line[0], scratch.line[1], loaded)
    q = scratch.work[3]
    # Where something lifts `settle` begins as far from the plane at which all is loaded as here.
    report[LIFTED] = 0.0
    if steps > 1 and solve_plane(
        loaded, loaded[0] - target[0], loaded[1] - target[1], loaded[2] - target[2], 0.0, q
    ):
        report[LIFTED] = 1.0
        for m in range(3):
            report[OFFSET + m] = now[many - 3 + m] - q[m]
    return found


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
    report: Array,
    scratch: Bending,
) -> Any:
    """Find how both bodies bend in a pose, BENDS of `scratch` [m] about the top's centre; add it to the gaps.

    Gives its span over the land in overlap [m]; -1: not found.  `rows` as laid, `target` as of `settle`;
    (`cx`, `cy`) [m] and (`cos`, `sin`) place the top, (`hand_cos`, `hand_sin`) the hands.  `report` comes to
    tell `settle` where to begin, the sums of everything loaded stand in `work[0]`.
    """
    clear_row(scratch.rows[BENDS])
    if used == 0:
        return -1.0
    _lay_fixed(bodies, cx, cy, cos, sin, hand_cos, hand_sin, radius, target, scratch)
    if not _find(rows, used, unit, target, report, scratch):
        return -1.0
    return span(rows, used, unit, scratch.rows[BENDS], scratch.tables[0])


@part
def turned_back(scratch: Bending, cos: float, sin: float) -> None:
    """Put what bends into BENDS_TOP, in the frame of a top turned by (cos, sin)."""
    out = scratch.rows[BENDS_TOP]
    turned_powers(cos, -sin, scratch.binomial, scratch.tables, scratch.to_own)
    clear_row(out)
    times_turned(scratch.to_own, scratch.rows[BENDS], out)
