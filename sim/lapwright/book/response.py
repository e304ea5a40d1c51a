"""How the end of a spell answers to its beginning, learnt from members that were lapped.

A polynomial of third degree in all that the spell hangs on, fitted by kernel ridge regression; its slope at
each member carries that member's cloud.  Source: B. Schoelkopf and A. Smola, Learning with Kernels (2002),
from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["left_out", "slopes"]

Array = NDArray[np.float64]

ORDER = 3
RIDGES = 10.0 ** np.arange(-8.0, 0.0)  # of the mean of the kernel's diagonal


def left_out(gram: Array, outputs: Array, ridges: Array = RIDGES) -> tuple[Array, float]:
    """Weights (m, o) of the ridge that foretells each member best from all others, and its rms error."""
    values, vectors = np.linalg.eigh(gram)
    across = vectors.T @ outputs
    best, found = np.inf, np.zeros_like(outputs)
    for ridge in ridges * gram.diagonal().mean():
        back = 1.0 / (np.maximum(values, 0.0) + ridge)
        weights = vectors @ (back[:, None] * across)
        off = weights / (np.square(vectors) @ back)[:, None]
        error = float(np.sqrt(np.square(off).mean()))
        if error < best:
            best, found = error, weights
    return found, best


def slopes(inputs: Array, outputs: Array) -> Array:
    """Slopes (m, o, a) of outputs (m, o) by inputs (m, a) at each of m members."""
    off = inputs - inputs.mean(axis=0)
    size = float(np.sqrt(np.square(off).sum(axis=1).mean()))
    off = off / size
    base = 1.0 + off @ off.T
    weights, _ = left_out(base**ORDER, outputs - outputs.mean(axis=0))
    # The slope of (1 + x.y)^p by x is p (1 + x.y)^(p - 1) y.
    along = np.einsum("io,ia->ioa", weights, off).reshape(len(off), -1)
    sloped: Array = ORDER * base ** (ORDER - 1) @ along / size
    return sloped.reshape(len(off), outputs.shape[1], off.shape[1])
