"""Where in the stroke something lifts: there the layer would have to pull, and the picture is only near.

The pressure is the linear one, on the shapes of the basis; less than nothing somewhere means that the real
top lifts there.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.basis import PLANES
from lapwright.modes.contact import touches
from lapwright.modes.evolution import Evolution
from lapwright.modes.operator import Operator, load_lines

__all__ = ["Lifting", "Lifts", "Watch", "lifting", "share_of"]

Array = NDArray[np.float64]

PULLS = 1e-6  # of the mean pressure
EARLY = (1 / 64, 1 / 16, 1 / 4)  # of the first spell: where one looks on the way
MOST_LOOKS = 16
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
        return 1.0 if self.lifts.all() else float(self.time_share[self.lifts].sum())

    @property
    def everywhere(self) -> bool:
        """Whether something lifts in as good as every place in the stroke."""
        return self.share >= ALL

    @property
    def phases(self) -> Array:
        """Places in the stroke where something lifts [rad], in order."""
        return np.sort(self.phase[self.lifts])


Lifts = tuple[Lifting, ...]  # as the plates come to it first, by the end of the step last, the way between


class Watch:
    """Faces followed through the spells of a step, to tell whether something lifts in it.

    The one place that answers this: `preview` and `why` both ask here.  While nothing lifts the picture is
    what a run does, so it tells truly when something first does; from then on its shares are near.
    """

    def __init__(self) -> None:
        self._states: dict[Hashable, list[tuple[int, Array]]] = {}  # when, in order, and how the faces are
        self._last: dict[Hashable, tuple[int, Array]] = {}
        self._spells = 0

    def lap(self, placement: Hashable, solved: Evolution, start: Array, cut: float) -> Array:
        """State (n,) after a spell of `cut` [s] from `start` (n,) [m], of one on the other."""
        states = self._states.setdefault(placement, [])
        on_the_way = EARLY if not states else ()
        self._spells += 1
        states += [(self._spells, z) for z in (start, *(solved.after(start, t * cut) for t in on_the_way))]
        ended: Array = solved.after(start, cut)
        self._last[placement] = self._spells, ended
        return ended

    def lifts(self, look: Callable[[Any, Array], Lifts]) -> dict[Any, Lifts]:
        """What lifts in each placement; `look` tells it of columns of states (n, k).

        Once something lifts the faces are no longer quite those of the picture, so that what another
        placement would do with them later is left out.
        """
        seen = {}
        for placement, states in self._states.items():
            some = np.unique(np.rint(np.linspace(0, len(states) - 1, MOST_LOOKS)).astype(int))
            looked = [*(states[k] for k in some), self._last[placement]]
            found = look(placement, np.stack([z for _, z in looked], axis=1))
            seen[placement] = [(when, one) for (when, _), one in zip(looked, found, strict=True)]
        lifted = [(when, p) for p, ones in seen.items() for when, one in ones if one.share > 0.0]
        first, which = min(lifted, key=lambda item: item[0], default=(self._spells, None))
        told = {}
        for placement, ones in seen.items():
            before = [one for when, one in ones if when <= first or placement == which]
            told[placement] = tuple(before or [one for _, one in ones])
        return told


def share_of(lifts: Lifts) -> float:
    """Share of the time in which something lifts, at its worst in a step."""
    return max(state.share for state in lifts)


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
        gap, plane = touch.squeezes(states), touch.planes
        for i, k in enumerate(touch.poses):
            points = slice(touch.start[i], touch.start[i + 1])
            area, planes, squeeze = touch.area[points], plane[:, points], gap[:, points]
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
