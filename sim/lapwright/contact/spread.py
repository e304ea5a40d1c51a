"""Land fractions spread over the cells of a reader, and at places closer than cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.grooves import SUBCELLS

Array = NDArray[np.float64]

CLOSER = (
    4  # places along a cell at which land with narrow grooves is known, for the other face to read
)


def closer_means(fine: Array, width: float) -> Array:
    """Means of sub-cells over a box `width` cells wide, along the last axis, at places `CLOSER` a cell."""
    number = fine.shape[1] // SUBCELLS
    middle = (np.arange((number - 1) * CLOSER + 1) / CLOSER + 0.5) * SUBCELLS
    run = np.pad(np.cumsum(fine, axis=1), ((0, 0), (1, 0)))

    def upto(x: Array) -> Array:
        x = np.clip(x, 0.0, fine.shape[1])
        k = np.minimum(np.floor(x).astype(int), fine.shape[1] - 1)
        upto_k: Array = run[:, k] + (x - k) * fine[:, k]
        return upto_k

    half = 0.5 * width * SUBCELLS
    return (upto(middle + half) - upto(middle - half)) / (2.0 * half)


def closer(values: Array) -> Array:
    """Values (m, n) read on straight lines at `CLOSER` places a cell along the last axis."""
    share = np.arange(CLOSER) / CLOSER
    steps = values[:, :-1, None] + np.diff(values, axis=1)[:, :, None] * share
    return np.concatenate([steps.reshape(len(values), -1), values[:, -1:]], axis=1)


def box_mean(values: Array, width: float, axis: int) -> Array:
    """Mean over a box `width` cells wide, about every cell, along one axis."""
    reach = int(np.ceil(0.5 * width))
    total = np.zeros(values.shape)
    for k in range(-reach, reach + 1):
        share = min(k + 0.5, 0.5 * width) - max(k - 0.5, -0.5 * width)
        if share > 0.0:
            total += share / width * np.roll(values, k, axis=axis)
    return total
