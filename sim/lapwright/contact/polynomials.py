"""Polynomials of two places for kernels: moved, turned, summed and added over rows; small dense systems.

A polynomial holds its coefficients in the order of `lapwright.metrology.bending.orders`, to an even degree.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part
from lapwright.contact.equilibrium import add_row

Array = NDArray[np.float64]


@part
def clear(out: Array) -> None:
    """Fill a matrix with nought."""
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[i, k] = 0.0


@part
def clear_row(row: Array) -> None:
    """Fill a row with nought."""
    for i in range(row.shape[0]):
        row[i] = 0.0


@part
def _growing(x: float, out: Array) -> None:
    """1, x, x^2, ..."""
    out[0] = 1.0
    for k in range(1, out.shape[0]):
        out[k] = out[k - 1] * x


@part
def shifted_powers(
    ox: float, oy: float, scale: float, binomial: Array, tables: Array, out: Array
) -> None:
    """Fill (ox + scale x)^i (oy + scale y)^j as powers of x and y, one a row."""
    clear(out)
    at_x, at_y, grown = tables[0], tables[1], tables[2]
    _growing(ox, at_x)
    _growing(oy, at_y)
    _growing(scale, grown)
    for d in range(binomial.shape[0]):
        for j in range(d + 1):
            i = d - j
            row = out[d * (d + 1) // 2 + j]
            for k in range(i + 1):  # the power of x that is left
                along = binomial[i, k] * at_x[i - k]
                for m in range(j + 1):
                    up = binomial[j, m] * at_y[j - m]
                    row[(k + m) * (k + m + 1) // 2 + m] = along * up * grown[k + m]


@part
def turned_powers(cos: float, sin: float, binomial: Array, tables: Array, out: Array) -> None:
    """Fill (cos x + sin y)^i (cos y - sin x)^j as powers of x and y, one a row."""
    clear(out)
    of_cos, of_sin, back = tables[0], tables[1], tables[2]
    _growing(cos, of_cos)
    _growing(sin, of_sin)
    _growing(-sin, back)
    for d in range(binomial.shape[0]):
        first = d * (d + 1) // 2
        for j in range(d + 1):
            i = d - j
            row = out[first + j]
            for k in range(i + 1):  # of the first, the power of y
                a = binomial[i, k] * of_cos[i - k] * of_sin[k]
                for m in range(j + 1):
                    row[first + k + m] += a * binomial[j, m] * of_cos[m] * back[j - m]


@part
def through(form: Array, degree: int, modes: Array, first: int, out: Array) -> None:
    """Add form^T modes to the columns of `out` from `first` on.

    A row of `form` holds powers up to its own degree: what lies beyond is not looked at.
    """
    many = modes.shape[1]
    for d in range(degree + 1):
        stop = (d + 1) * (d + 2) // 2
        for i in range(d * (d + 1) // 2, stop):
            for k in range(stop):
                f = form[i, k]
                if f != 0.0:
                    for m in range(many):
                        out[k, first + m] += f * modes[i, m]


@part
def line_powers(d: Array, eta: float, e: Array) -> None:
    """Coefficients (degree + 1,) in xi, at eta, of a polynomial of both."""
    highest = e.shape[0] - 1
    for i in range(highest + 1):
        total = 0.0
        for j in range(highest - i, -1, -1):
            total = total * eta + d[(i + j) * (i + j + 1) // 2 + j]
        e[i] = total


@part
def along_row(e: Array, x: Array, n: int, v: Array) -> None:
    """Fill v with the polynomial `e` (odd in number) at a row's n places x."""
    i = e.shape[0] - 1
    top = e[i]
    if i >= 6:
        a, b, c, d, f, g = e[i - 1], e[i - 2], e[i - 3], e[i - 4], e[i - 5], e[i - 6]
        for k in range(n):
            at = x[k]
            v[k] = (((((top * at + a) * at + b) * at + c) * at + d) * at + f) * at + g
        i -= 6
    else:
        for k in range(n):
            v[k] = top
    while i >= 4:
        a, b, c, d = e[i - 1], e[i - 2], e[i - 3], e[i - 4]
        for k in range(n):
            at = x[k]
            v[k] = (((v[k] * at + a) * at + b) * at + c) * at + d
        i -= 4
    if i >= 2:
        a, b = e[1], e[0]
        for k in range(n):
            v[k] = (v[k] * x[k] + a) * x[k] + b


@part
def add_bent(
    rows: Rowset,
    used: int,
    unit: float,
    bent: Array,
    e: Array,
    x: Array,
    v: Array,
    sums: Array,
) -> None:
    """Add a polynomial [m] to the gaps and fill `sums` (9,) of everything loaded at the plane 0."""
    for i in range(sums.shape[0]):
        sums[i] = 0.0
    for r in range(used):
        n = rows.length[r]
        line_powers(bent, rows.eta[r], e)
        xi = rows.xi[r]
        for k in range(n):
            x[k] = xi + k * unit
        along_row(e, x, n, v)
        gaps = rows.gap[rows.first[r] : rows.first[r] + n]
        shares = rows.share[rows.first[r] : rows.first[r] + n]
        s0 = 0.0
        s1 = 0.0
        g0 = 0.0
        g1 = 0.0
        g2 = 0.0
        for k in range(n):
            gap = gaps[k] + v[k]
            gaps[k] = gap
            at = x[k]
            w = shares[k]
            s0 += w * gap
            s1 += w * gap * at
            g0 += w
            g1 += w * at
            g2 += w * at * at
        add_row(sums, rows.eta[r], s0, s1, g0, g1, g2)


@part
def span(rows: Rowset, used: int, unit: float, bent: Array, e: Array) -> Any:
    """Highest less lowest place [m] of a polynomial over the land in overlap, every fourth row and cell."""
    low = np.inf
    high = -np.inf
    for r in range(0, used, 4):
        line_powers(bent, rows.eta[r], e)
        first = rows.first[r]
        for k in range(0, rows.length[r], 4):
            if rows.share[first + k] > 0.0:
                x = rows.xi[r] + k * unit
                v = 0.0
                for i in range(e.shape[0] - 1, -1, -1):
                    v = v * x + e[i]
                low = min(low, v)
                high = max(high, v)
    return high - low if high > low else 0.0


@part
def share_sums(w: Array, n: int, first: int, before: Array, out: Array) -> None:
    """Fill `out` with sums of w times powers of x over a row, from sums of powers before each column.

    Summed by parts: only where w changes is anything to be done, which in whole land is at the ends.
    """
    many = out.shape[0]
    for p in range(many):
        out[p] = 0.0
    off = 0.0
    for k in range(n):
        off += abs(w[k] - 1.0)
    low, high = 0, n
    if off < n:
        while low < n and w[low] != 1.0:
            off -= abs(w[low] - 1.0)
            low += 1
        while high > low and w[high - 1] != 1.0:
            high -= 1
            off -= abs(w[high] - 1.0)
    if off > 1e-9:  # not whole between its ends
        low = high = n
    last = 0.0
    k = 0
    while k <= n:
        now = w[k] if k < n else 0.0
        if now != last:
            change = last - now
            at = before[first + k]
            for p in range(many):
                out[p] += change * at[p]
            last = now
        k = high if k == low and high > low else k + 1


@part
def row_sums(w: Array, x: Array, n: int, out: Array) -> None:
    """Fill `out` with sums of w times 1, x, x^2, ... to an even power, over n places; w is written over."""
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
def times_turned(a: Array, x: Array, out: Array) -> None:
    """Add a^T x to out."""
    for k in range(a.shape[0]):
        f = x[k]
        if f != 0.0:
            for i in range(a.shape[1]):
                out[i] += a[k, i] * f


@part
def times(a: Array, x: Array, out: Array) -> None:
    """Add a x to out."""
    for i in range(a.shape[0]):
        total = 0.0
        for k in range(a.shape[1]):
            total += a[i, k] * x[k]
        out[i] += total


@part
def solve_definite(h: Array, g: Array, m: int) -> bool:
    """Solve h x = g in place by elimination; h (m, m) symmetric, its upper half written over.

    False: h is not positive definite.
    """
    for k in range(m):
        scale = h[k, k]
        for i in range(k):
            scale += h[i, k] * h[i, k] / h[i, i]
        if not h[k, k] > 1e-13 * scale:
            return False
        for i in range(k + 1, m):
            f = h[k, i] / h[k, k]
            for j in range(i, m):
                h[i, j] -= f * h[k, j]
            g[i] -= f * g[k]
    for i in range(m - 1, -1, -1):
        total = g[i]
        for k in range(i + 1, m):
            total -= h[i, k] * g[k]
        g[i] = total / h[i, i]
    return True
