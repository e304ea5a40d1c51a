"""Small symmetric systems, solved the same to the bit on any number of threads.

A linear-algebra library splits its sums over threads, and its last bits with them; answers must not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lapwright.kernels.compile import kernel

__all__ = ["gram", "solve_positive"]

Array = NDArray[np.float64]


@kernel
def _gram(rows: Array, out: Array) -> None:
    n, m = rows.shape
    for i in range(n):
        for j in range(i + 1):
            total = 0.0
            for k in range(m):
                total += rows[i, k] * rows[j, k]
            out[i, j] = total
            out[j, i] = total


def gram(rows: Array) -> Array:
    """Products (n, n) of each of n rows (n, m) with each."""
    out = np.empty((len(rows), len(rows)))
    _gram(rows, out)
    return out


@kernel
def _solve_positive(matrix: Array, out: Array) -> None:
    """Solve for the right sides that `out` comes in with; the matrix is written over."""
    n = matrix.shape[0]
    for j in range(n):
        for i in range(j, n):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                matrix[j, j] = math.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for r in range(out.shape[0]):
        for i in range(n):
            total = out[r, i]
            for k in range(i):
                total -= matrix[i, k] * out[r, k]
            out[r, i] = total / matrix[i, i]
        for i in range(n - 1, -1, -1):
            total = out[r, i]
            for k in range(i + 1, n):
                total -= matrix[k, i] * out[r, k]
            out[r, i] = total / matrix[i, i]


def solve_positive(matrix: Array, right: Array) -> Array:
    """Solve a positive definite system (n, n) for right sides (r, n), by Cholesky's method; (r, n).

    The matrix is written over.  Where it is not positive definite the answer holds no number.
    """
    out = np.array(right, dtype=float, order="C")
    _solve_positive(matrix, out)
    return out
