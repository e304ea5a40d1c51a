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

from lapwright.errors import DefectiveError

__all__ = ["FADES", "STAYS", "Kernel", "even_kernel", "kernel_of"]

Array = NDArray[np.float64]

STAYS = 1e-9  # of the fastest rate: slower than this never changes
FADES = 1e-7  # of the largest singular value: no less counts as nothing, whatever the rates are
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


def even_kernel(rates: Array, vectors: Array, scale: Array) -> Kernel:
    """Kernel of a matrix of which `matrix * scale / scale[:, None]` is symmetric, by its eigenvectors."""
    fastest = float(np.abs(rates).max())
    if fastest == 0.0:
        return kernel_of(np.zeros((scale.size, scale.size)))
    still = np.abs(rates) < STAYS * fastest
    stays, moves = vectors[:, still], vectors[:, ~still]
    right, left = (np.linalg.qr(part)[0] for part in (stays * scale[:, None], stays / scale[:, None]))
    projection = (stays @ stays.T) * scale[:, None] / scale
    inverse = (moves / rates[~still] @ moves.T) * scale[:, None] / scale
    largest = float(np.abs(rates[still]).max(initial=1e-17 * fastest))
    gap = float(np.abs(rates[~still]).min()) / max(largest, 1e-17 * fastest) if still.any() else np.inf
    return Kernel(right, left, projection, inverse, gap)


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
    # Shapes that are all but out of reach of the other face fade into those that stay: the two counts may
    # part there, and what either calls nothing is nothing.
    found = int((sizes < STAYS * sizes[0]).sum())
    stays = max(zeros, found)
    v, u = right[n - stays :].T, left[:, n - stays :]
    meets = u.T @ v
    least = float(np.linalg.svd(meets, compute_uv=False).min(initial=1.0))
    if (stays and sizes[n - stays] > FADES * sizes[0]) or least < NEAR_DEFECT:
        raise DefectiveError(
            f"this motion leaves {found} shapes alone but {zeros} do not die out: one of them grows with "
            "time, so nothing can be said of what it makes: change the stroke or the turning a little"
        )
    gap = float(rates[stays] / max(rates[stays - 1], 1e-17 * fastest)) if 0 < stays < n else gap
    projection = v @ np.linalg.solve(meets, u.T)
    inverse = np.linalg.inv(matrix - fastest * projection) + projection / fastest
    return Kernel(v, u, projection, inverse, gap)
