"""One pose, or many: where the top comes to rest on the grit layer, and how hard it bears where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.kernels import bear as loops
from lapwright.kernels.settle import PLANE, REPORT_COLUMNS
from lapwright.lapping.average import Pair, Sample

__all__ = ["Contact", "peaks", "settle"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Contact:
    """The top at rest in one pose.

    `height` h [m] and `tilt` (a, b) [rad] of the plane h + a xi + b eta from the top's centre, by which the
    layer is squeezed less; `pressure` (ny, nx) [Pa] on the bottom's grid in the bench frame, and `peak` the
    highest [Pa], at the edge of the land where it is highest there; `share` (ny, nx) of each cell that is
    land on both faces; `load` [N]; `cell` [m].
    """

    height: float
    tilt: tuple[float, float]
    pressure: Array
    peak: float
    share: Array
    load: float
    cell: float

    @property
    def overlap(self) -> float:
        """Land in overlap [m2]."""
        return float(self.share.sum()) * self.cell**2

    @property
    def mean(self) -> float:
        """Load over the land in overlap [Pa]."""
        return self.load / self.overlap

    @property
    def contact_share(self) -> float:
        """Part of the land in overlap that bears."""
        return float(self.share[self.pressure > 0.0].sum() / self.share.sum())


def settle(pair: Pair, z_bottom: Array, z_top: Array, sample: Sample, pose: int = 0) -> Contact:
    """Let the top settle in one pose of a sample; maps (ny, nx) [m] as looking at the faces.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        When there is no solution; names the pose.

    """
    told, reports, pressure, share = _borne(pair, z_bottom, z_top, sample, np.array([pose]))
    radius = pair.top.outline.radius
    height, a, b = reports[pose, PLANE : PLANE + 3]
    return Contact(
        float(height),
        (float(a / radius), float(b / radius)),
        pressure,
        float(told[0, loops.PEAK]),
        share,
        pair.load,
        pair.bottom.grid.cell,
    )


def peaks(pair: Pair, z_bottom: Array, z_top: Array, sample: Sample) -> Array:
    """Highest pressure [Pa] in each pose of a sample, (n,); otherwise as `settle`.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        At the first pose that has no solution, naming it.

    """
    told, _, _, _ = _borne(pair, z_bottom, z_top, sample, np.arange(sample.share.size))
    peak: Array = told[:, loops.PEAK].copy()
    return peak


def _borne(
    pair: Pair, z_bottom: Array, z_top: Array, sample: Sample, poses: NDArray[np.intp]
) -> tuple[Array, Array, Array, Array]:
    """What is told of these poses, reports of all, and the pressure and share of the last of them."""
    told = np.zeros((poses.size, loops.TOLD_COLUMNS))
    some = np.zeros((poses.size, REPORT_COLUMNS))
    bottom, top = pair.laid_bottom.face(z_bottom), pair.laid_tops[0].face(z_top)
    rows = pair.pose_rows(sample)[poses]
    pressure, share = loops.bear(bottom, top, pair.stiffness, rows, told, some)
    reports = np.zeros((sample.share.size, REPORT_COLUMNS))
    reports[poses] = some
    pair.check(sample, reports)
    return told, reports, pressure, share
