"""Polynomials of two places for kernels: moved, turned, added to gaps; and small dense systems.

A polynomial holds `POWERS` coefficients in the order of `lapwright.metrology.bending.orders`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Rowset
from lapwright.contact.compile import part
from lapwright.metrology.bending import DEGREE

POWERS = (DEGREE + 1) * (DEGREE + 2) // 2

Array = NDArray[np.float64]


@part
def clear(out: Array) -> None:
    """Fill a matrix with nought."""
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[i, k] = 0.0


@part
def _growing(x: float, out: Array) -> None:
    """1, x, x^2, ..."""
    out[0] = 1.0
    for k in range(1, DEGREE + 1):
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
    for d in range(DEGREE + 1):
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
    for d in range(DEGREE + 1):
        first = d * (d + 1) // 2
        for j in range(d + 1):
            i = d - j
            row = out[first + j]
            for k in range(i + 1):  # of the first, the power of y
                a = binomial[i, k] * of_cos[i - k] * of_sin[k]
                for m in range(j + 1):
                    row[first + k + m] += a * binomial[j, m] * of_cos[m] * back[j - m]


@part
def through(form: Array, between: Array, work: Array, out: Array) -> None:
    """Add form^T between form to `out`; `work` is scratch.

    A row of `form` holds powers up to its own degree: what lies beyond is not looked at.
    """
    for i in range(POWERS):
        for k in range(POWERS):
            work[i, k] = 0.0
        for d in range(DEGREE + 1):
            stop = (d + 1) * (d + 2) // 2
            for j in range(d * (d + 1) // 2, stop):
                b = between[i, j]
                for k in range(stop):
                    work[i, k] += b * form[j, k]
    for d in range(DEGREE + 1):
        stop = (d + 1) * (d + 2) // 2
        for i in range(d * (d + 1) // 2, stop):
            for j in range(stop):
                f = form[i, j]
                if f != 0.0:
                    for k in range(POWERS):
                        out[j, k] += f * work[i, k]


@part
def line_powers(d: Array, eta: float, e: Array) -> None:
    """Coefficients (DEGREE + 1,) in xi, at eta, of a polynomial of both."""
    for i in range(DEGREE + 1):
        total = 0.0
        for j in range(DEGREE - i, -1, -1):
            total = total * eta + d[(i + j) * (i + j + 1) // 2 + j]
        e[i] = total


@part
def add_bent(rows: Rowset, used: int, unit: float, bent: Array, e: Array) -> None:
    """Add a polynomial (POWERS,) [m] to the gaps."""
    for r in range(used):
        line_powers(bent, rows.eta[r], e)
        e0, e1, e2, e3, e4, e5, e6 = e[0], e[1], e[2], e[3], e[4], e[5], e[6]
        xi0 = rows.xi[r]
        n = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + n]
        for k in range(n):
            x = xi0 + k * unit
            gaps[k] += e0 + x * (e1 + x * (e2 + x * (e3 + x * (e4 + x * (e5 + x * e6)))))


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
                for i in range(DEGREE, -1, -1):
                    v = v * x + e[i]
                low = min(low, v)
                high = max(high, v)
    return high - low if high > low else 0.0


@part
def times(a: Array, x: Array, out: Array) -> None:
    """Put a x into out."""
    for i in range(POWERS):
        total = 0.0
        for k in range(POWERS):
            total += a[i, k] * x[k]
        out[i] = total


@part
def times_turned(a: Array, x: Array, out: Array) -> None:
    """Add a^T x to out."""
    for k in range(POWERS):
        for i in range(POWERS):
            out[i] += a[k, i] * x[k]


@part
def solve_four(a: Array, b: Array) -> bool:
    """Solve a x = b for four right sides in place, by elimination with the largest pivot of each column."""
    n = a.shape[0]
    for k in range(n):
        best = k
        for i in range(k + 1, n):
            if abs(a[i, k]) > abs(a[best, k]):
                best = i
        if not abs(a[best, k]) > 0.0:
            return False
        if best != k:
            for j in range(k, n):
                a[k, j], a[best, j] = a[best, j], a[k, j]
            for j in range(4):
                b[k, j], b[best, j] = b[best, j], b[k, j]
        for i in range(k + 1, n):
            f = a[i, k] / a[k, k]
            if f != 0.0:
                for j in range(k + 1, n):
                    a[i, j] -= f * a[k, j]
                for j in range(4):
                    b[i, j] -= f * b[k, j]
    for i in range(n - 1, -1, -1):
        for j in range(4):
            total = b[i, j]
            for k in range(i + 1, n):
                total -= a[i, k] * b[k, j]
            b[i, j] = total / a[i, i]
    return True


@part
def solve_three(m: Array, r: Array, q: Array) -> bool:
    """Solve the 3 x 3 system of m (3, 3), nearly symmetric, by Cramer's rule."""
    a, b, c = m[0, 0], m[0, 1], m[0, 2]
    d, e, f = m[1, 0], m[1, 1], m[1, 2]
    g, h, i = m[2, 0], m[2, 1], m[2, 2]
    whole = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    if not abs(whole) > 1e-14 * abs(a) ** 3:
        return False
    q[0] = (r[0] * (e * i - f * h) - b * (r[1] * i - f * r[2]) + c * (r[1] * h - e * r[2])) / whole
    q[1] = (a * (r[1] * i - f * r[2]) - r[0] * (d * i - f * g) + c * (d * r[2] - r[1] * g)) / whole
    q[2] = (a * (e * r[2] - r[1] * h) - b * (d * r[2] - r[1] * g) + r[0] * (d * h - e * g)) / whole
    return True
