"""Maps from one set of evenly spaced points to another: means over areas, or a smooth curve between points.

Each axis is done by itself.  A target takes a few neighbouring points with a share each; the sums are made
in a fixed order, so that the answer does not depend on the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEWEST_POINTS", "Shares", "boxes", "cubic", "curve_means", "resampled"]

Array = NDArray[np.float64]

FEWEST_POINTS = 4  # along an axis, for a curve between points


@dataclass(frozen=True)
class Shares:
    """Target j takes `share[j]` (n, k) of the k points from `first[j]` (n,) on."""

    first: NDArray[np.intp]
    share: Array

    def touched(self) -> Shares:
        """Equal shares, summing to 1, of the points that are used at all; nothing where none is."""
        used = (np.abs(self.share) > 1e-12).astype(float)
        return Shares(self.first, used / np.maximum(used.sum(axis=1, keepdims=True), 1.0))


def boxes(start: float, step: float, count: int, centres: Array, width: float) -> Shares:
    """Mean over targets `width` [m] wide, of `count` points that each stand for `step` [m] round themselves.

    The shares of a target sum to the part of it that the points cover.
    """
    k = min(ceil(width / step - 1e-9) + 1, count)
    low = (centres - 0.5 * width - start) / step + 0.5  # in points, counted from the edge of the first
    first = np.clip(np.floor(low + 1e-9).astype(np.intp), 0, count - k)
    left = first[:, None] + np.arange(k)
    high = low + width / step
    overlap = np.minimum(left + 1.0, high[:, None]) - np.maximum(left, low[:, None])
    share: Array = np.clip(overlap, 0.0, None) * (step / width)
    share[share < 1e-9] = 0.0  # a hair over the border is round-off
    return Shares(first, share)


def cubic(start: float, step: float, count: int, places: Array) -> Shares:
    """Keys' cubic curve (a = -1/2) through at least four points; exact on quadratics, the ends included.

    It goes on for half a step beyond the outermost points; farther out there is nothing (shares 0).
    Source: R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153-1160, from memory; the polynomial is tested.
    """
    p = (places - start) / step
    i = np.clip(np.floor(p).astype(np.intp), 0, count - 2)
    u = p - i
    w0 = u * (-0.5 + u * (1.0 - 0.5 * u))
    w1 = 1.0 + u * u * (-2.5 + 1.5 * u)
    w2 = u * (0.5 + u * (2.0 - 1.5 * u))
    w3 = u * u * (-0.5 + 0.5 * u)
    nothing = np.zeros_like(u)
    # Beyond an end stands a point that the quadratic through the last three foretells: 3, -3, 1 of them.
    inside = np.stack([w0, w1, w2, w3], 1)
    begin = np.stack([w1 + 3.0 * w0, w2 - 3.0 * w0, w3 + w0, nothing], 1)
    end = np.stack([nothing, w0 + w3, w1 - 3.0 * w3, w2 + 3.0 * w3], 1)
    share = np.where((i == 0)[:, None], begin, np.where((i == count - 2)[:, None], end, inside))
    there = (p >= -0.5 - 1e-9) & (p <= count - 0.5 + 1e-9)
    return Shares(np.clip(i - 1, 0, count - 4), share * there[:, None])


def curve_means(start: float, step: float, count: int, centres: Array, width: float) -> Shares:
    """Mean over targets `width` [m] wide of the cubic curve: midpoint rule, pieces of half a step at most.

    Of a quadratic it is the height in the middle and, everywhere the same, what the curvature adds to a mean.
    """
    pieces = 2 * ceil(width / step)
    off = ((np.arange(pieces) + 0.5) / pieces - 0.5) * width
    fine = cubic(start, step, count, (centres[:, None] + off).ravel())
    begin = fine.first.reshape(-1, pieces)
    k = min(int(np.ptp(begin, axis=1).max()) + 4, count)
    first = np.minimum(begin.min(axis=1), count - k)
    share = np.zeros((centres.size, k))
    target = np.repeat(np.arange(centres.size), pieces)
    for i in range(4):
        np.add.at(share, (target, fine.first + i - first[target]), fine.share[:, i] / pieces)
    return Shares(first, share)


def _along(shares: Shares, z: Array) -> Array:
    """Resample the first axis of z (m, c): (n, c)."""
    k = shares.share.shape[1]
    out = np.empty((shares.first.size, z.shape[1]))
    for j, (first, share) in enumerate(zip(shares.first, shares.share, strict=True)):
        np.einsum("k,kc->c", share, z[first : first + k], out=out[j])
    return out


def resampled(z: Array, rows: Shares, columns: Shares) -> Array:
    """A map (m, c) on the targets of both axes, (len rows, len columns)."""
    return np.ascontiguousarray(_along(columns, np.ascontiguousarray(_along(rows, z).T)).T)
