"""Where in the stroke something lifts: there the layer would have to pull, and the picture is only near.

The pressure is the linear one, on the shapes of the basis; less than nothing somewhere means that the real
top lifts there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.modes.basis import PLANES
from sim.modes.contact import touches
from sim.modes.operator import Operator, load_lines

__all__ = ["Lifting", "Lifts", "lifting"]

Array = NDArray[np.float64]

PULLS = 1e-6  # of the mean pressure
ALL = 0.995  # share of the time that counts as everywhere in the stroke


@dataclass(frozen=True)
class Lifting:
    """What one state of the faces does over the stroke.

    `lifts` (k,): poses in which something lifts; `phase` (k,) [rad] in the stroke and `time_share` (k,) of
    all poses; `least`, `most` (k,): lowest and highest pressure over the mean of the pose.
    """

    lifts: NDArray[np.bool_]
    phase: Array
    time_share: Array
    least: Array
    most: Array

    @property
    def share(self) -> float:
        """Share of the time in which something lifts."""
        return float(self.time_share[self.lifts].sum())

    @property
    def everywhere(self) -> bool:
        """Whether something lifts in as good as every place in the stroke."""
        return self.share >= ALL

    @property
    def phases(self) -> Array:
        """Places in the stroke where something lifts [rad], in order."""
        return np.sort(self.phase[self.lifts])


Lifts = tuple[Lifting, Lifting]  # as the plates come to it, and once they have bedded in


def lifting(
    operator: Operator, stiffness: float, load: float, states: Array, force: float = 1.0
) -> tuple[Lifting, ...]:
    """Look at all instants with the faces as the columns of `states` (n, m) [m]; a Lifting for each.

    `stiffness` [Pa/m], `load` [N], `force` of the hand as a share of the step's own.
    """
    instants = operator.instants
    lines = np.einsum("plk,l->pk", load_lines(operator.bottom, instants), [load, force, load])
    least = np.empty((states.shape[1], instants.share.size))
    most = np.empty_like(least)
    for touch in touches(operator.bottom, operator.top, instants, ends=True):
        gap = states.T @ touch.shapes
        for i, k in enumerate(touch.poses):
            points = slice(touch.start[i], touch.start[i + 1])
            area, planes, squeeze = touch.area[points], touch.shapes[:PLANES, points], gap[:, points]
            carried = planes * area
            wanted = (lines[:, k] - stiffness * (squeeze @ carried.T)).T
            rest = np.linalg.solve(carried @ planes.T, wanted.reshape(PLANES, -1))
            pressure = stiffness * squeeze + rest.T @ planes
            mean = load / float(area.sum())
            least[:, k], most[:, k] = pressure.min(axis=1) / mean, pressure.max(axis=1) / mean
    phase = instants.poses.phase
    return tuple(
        Lifting(low < -PULLS, phase, instants.share, low, high) for low, high in zip(least, most, strict=True)
    )
