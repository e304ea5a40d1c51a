"""How flat many faces are at once: the least range of heights over all tilts, looked for on ever finer grids.

A planner asks it of a hundred thousand faces; what is asked of one face and must be exact is
`metrology.flatness`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.compile import kernel

Array = NDArray[np.float64]


@kernel
def least_ranges(
    z: Array, x: Array, y: Array, tilts: Array, levels: int, work: Array, best: Array
) -> None:
    """From the range of heights `z` (m, n) [m] as they lie to the least that a tilt leaves: `best` (m,) [m].

    `x`, `y` (n,): the places; `tilts` (2, k): looked at about the best so far, in shares of a step that is a
    quarter of the range at first and 0.4 of itself in each of `levels`.  Room to work in: `work` (5, k).
    """
    a, b, low, high, at = work[0], work[1], work[2], work[3], work[4]
    for i in range(z.shape[0]):
        least = best[i]
        step = 0.25 * least
        at[0] = 0.0
        at[1] = 0.0
        for _ in range(levels):
            for t in range(tilts.shape[1]):
                a[t] = at[0] + step * tilts[0, t]
                b[t] = at[1] + step * tilts[1, t]
                low[t] = np.inf
                high[t] = -np.inf
            for p in range(x.size):
                height = z[i, p]
                for t in range(tilts.shape[1]):
                    v = height + a[t] * x[p] + b[t] * y[p]
                    low[t] = v if v < low[t] else low[t]
                    high[t] = v if v > high[t] else high[t]
            first = 0
            for t in range(tilts.shape[1]):
                if high[t] - low[t] < high[first] - low[first]:
                    first = t
            least = high[first] - low[first]
            at[0] = a[first]
            at[1] = b[first]
            step *= 0.4
        best[i] = least
