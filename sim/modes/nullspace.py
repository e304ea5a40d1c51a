"""What a matrix leaves alone: its null space, the projection on it and the group inverse.

For dz/dt = A z + b with semisimple zero eigenvalues, V and U bases of the right and left null vectors:
P0 = V (U^T V)^-1 U^T pours b into what stays, and the group inverse D (A D = D A = I - P0, D P0 = 0) gives
the state -D b that the rest comes to (S. L. Campbell and C. D. Meyer, Generalized Inverses of Linear
Transformations, 1979, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.errors import DefectiveError

__all__ = ["STAYS", "Kernel", "kernel_of"]

Array = NDArray[np.float64]

STAYS = 1e-9  # of the fastest rate: slower than this never changes
NEAR_DEFECT = 1e-6  # smallest cosine between left and right null vectors that can be divided by


@dataclass(frozen=True)
class Kernel:
    """Null space of a matrix (n, n), m vectors.

    `right`, `left` (n, m) orthonormal; `projection` P0 (n, n); `inverse`: the group inverse (n, n);
    `gap`: least rate that is not zero over the largest that counts as zero.
    """

    right: Array
    left: Array
    projection: Array
    inverse: Array
    gap: float


def kernel_of(matrix: Array, eigenvalues: Array | None = None) -> Kernel:
    """Split off what `matrix` leaves alone; its `eigenvalues`, where they are known already.

    Raises
    ------
    DefectiveError
        When the null space of the square is larger than that of the matrix.

    """
    n = matrix.shape[0]
    rates = np.sort(np.abs(np.linalg.eigvals(matrix) if eigenvalues is None else eigenvalues))
    fastest = float(rates[-1])
    if fastest == 0.0:
        return Kernel(np.eye(n), np.eye(n), np.eye(n), np.zeros((n, n)), np.inf)
    zeros = int((rates < STAYS * fastest).sum())
    gap = float(rates[zeros] / max(rates[zeros - 1], 1e-17 * fastest)) if zeros else np.inf
    left, sizes, right = np.linalg.svd(matrix)
    found = int((sizes < STAYS * sizes[0]).sum())
    v, u = right[n - found :].T, left[:, n - found :]
    meets = u.T @ v
    least = float(np.linalg.svd(meets, compute_uv=False).min(initial=1.0))
    if zeros != found or least < NEAR_DEFECT:
        raise DefectiveError(
            f"this motion leaves {found} shapes alone but {zeros} do not die out: one of them grows with "
            "time, so nothing can be said of what it makes: change the stroke or the turning a little"
        )
    projection = v @ np.linalg.solve(meets, u.T)
    inverse = np.linalg.inv(matrix - fastest * projection) + projection / fastest
    return Kernel(v, u, projection, inverse, gap)
