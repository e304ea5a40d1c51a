"""One pose: where the top comes to rest on the grit layer, and how hard it bears where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.kernels import settle as solver
from sim.kernels import wear as loops
from sim.lapping.average import Pair, Sample

__all__ = ["Contact", "settle"]

Array = NDArray[np.float64]

SLIVER = 0.3  # of a cell


@dataclass(frozen=True)
class Contact:
    """The top at rest in one pose.

    `height` h [m] and `tilt` (a, b) [rad] of the plane h + a xi + b eta from the top's centre, by which the
    layer is squeezed less; `pressure` (ny, nx) [Pa] on the bottom's grid in the bench frame; `share` (ny, nx)
    the product of both land fractions; `load` [N]; `cell` [m].
    """

    height: float
    tilt: tuple[float, float]
    pressure: Array
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

    @property
    def peak(self) -> float:
        """Highest pressure [Pa], at the edge of the land where it is highest there.

        Pressures are known at cell centres; the slope carries them on to where the land ends.  Slivers of
        land are left to their neighbours: the centre of their cell lies too far outside.
        """
        padded = np.pad(self.share, 1)
        normal_x = padded[1:-1, :-2] - padded[1:-1, 2:]
        normal_y = padded[:-2, 1:-1] - padded[2:, 1:-1]
        steep = np.hypot(normal_x, normal_y)
        slope_x, slope_y = (_slope(self.pressure, self.share, axis) for axis in (1, 0))
        one = np.where(steep > 0.0, steep, 1.0)
        outward = (normal_x * slope_x + normal_y * slope_y) / one
        beyond = _edge_beyond_centre(self.share, normal_x / one, normal_y / one)
        at_edge = self.pressure + np.maximum(outward, 0.0) * beyond
        return float(np.where(self.share >= SLIVER, at_edge, 0.0).max())


def _edge_beyond_centre(share: Array, normal_x: Array, normal_y: Array) -> Array:
    """How far [cells] beyond a cell's centre a straight edge lies that leaves `share` of the cell.

    Exact for a share of a half and more (R. Scardovelli and S. Zaleski, J. Comput. Phys. 164 (2000) 228, from
    memory); linear below.
    """
    wide = np.maximum(np.abs(normal_x), np.abs(normal_y))
    narrow = np.minimum(np.abs(normal_x), np.abs(normal_y))
    linear = (share - 0.5) * wide
    corner = 0.5 * (wide + narrow) - np.sqrt(2.0 * wide * narrow * np.maximum(1.0 - share, 0.0))
    cut: Array = np.where(linear > 0.5 * (wide - narrow), corner, linear)
    return cut


def _slope(pressure: Array, share: Array, axis: int) -> Array:
    """Change of pressure from a cell to the next along `axis`, from the inside where the land ends."""
    bears = (share > 0.0) & (pressure > 0.0)
    ahead = np.diff(pressure, axis=axis)
    both = np.diff(bears.astype(int), axis=axis) == 0
    both &= np.take(bears, range(1, bears.shape[axis]), axis=axis)
    ahead = np.where(both, ahead, 0.0)
    pad_after = [(0, 0), (0, 0)]
    pad_after[axis] = (0, 1)
    pad_before = [(0, 0), (0, 0)]
    pad_before[axis] = (1, 0)
    total = np.pad(ahead, pad_after) + np.pad(ahead, pad_before)
    known = np.pad(both.astype(float), pad_after) + np.pad(both.astype(float), pad_before)
    slope: Array = total / np.maximum(known, 1.0)
    return slope


def settle(pair: Pair, z_bottom: Array, z_top: Array, sample: Sample, pose: int = 0) -> Contact:
    """Let the top settle in one pose of a sample; maps (ny, nx) [m] as looking at the faces.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        When there is no solution; names the pose.

    """
    row = pair.pose_rows(sample)[pose]
    bottom = pair.laid_bottom.face(z_bottom)
    top = pair.laid_tops[0].face(z_top)
    radius = top.radius
    rows = loops.make_rowset(bottom.z.shape[0], bottom.z.shape[1], bottom.z.size)
    theta = row[loops.THETA]
    cx, cy = row[loops.C_X], row[loops.C_Y]
    used = loops.gather(bottom, top, cx, cy, np.cos(theta), np.sin(theta), cx, cy, radius, rows)
    first, count = rows.first[:used], rows.length[:used]
    xi, eta, unit = rows.xi[:used], rows.eta[:used], bottom.cell / radius
    q = np.zeros(3)
    work = np.zeros((3, 10))
    solver.loaded_sums(rows.gap, rows.share, first, count, xi, eta, unit, work[0])
    target = row[loops.LOAD : loops.LOAD + 3].copy()
    status = solver.settle(rows.gap, rows.share, first, count, xi, eta, unit, target, False, q, work)
    report = np.zeros((sample.share.size, loops.REPORT_COLUMNS))
    report[pose, loops.STATUS] = status
    report[pose, loops.OVERLAP] = work[0, 3]
    pair.check(sample, report)
    pressure, share = np.zeros(bottom.z.shape), np.zeros(bottom.z.shape)
    for r in range(used):
        line = slice(rows.column[r], rows.column[r] + count[r])
        points = slice(first[r], first[r] + count[r])
        plane = q[0] + q[1] * (xi[r] + unit * np.arange(count[r])) + q[2] * eta[r]
        share[rows.line[r], line] = rows.share[points]
        squeeze = np.where(rows.share[points] > 0.0, rows.gap[points] - plane, 0.0)
        pressure[rows.line[r], line] = pair.stiffness * np.maximum(0.0, squeeze)
    return Contact(
        float(q[0]), (float(q[1] / radius), float(q[2] / radius)), pressure, share, pair.load, bottom.cell
    )
