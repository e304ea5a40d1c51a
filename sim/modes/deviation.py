"""How far the linear picture is off where something lifts: the step lapped in full beside it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.errors import LapwrightError
from sim.lapping.step import Wear
from sim.lapping.wear import wear_time
from sim.modes.basis import form_names
from sim.modes.reason import Reason
from sim.plate.measure import EdgeMargin, forms
from sim.plate.plate import Plate

__all__ = ["LONGEST", "Deviation", "deviation"]

Array = NDArray[np.float64]

LONGEST = 3600.0  # s rubbed: longer steps are held to their first hour


@dataclass(frozen=True)
class Deviation:
    """Forms of each plate by name [m] after `time` [s]: `foretold` by the picture and `lapped` in full.

    `trouble`: why it could not be lapped to the end, if so; the forms are then empty.
    """

    time: float
    foretold: Mapping[str, Mapping[str, float]]
    lapped: Mapping[str, Mapping[str, float]]
    trouble: str = ""

    @property
    def largest(self) -> float:
        """Largest difference of any form [m]."""
        return max(
            (
                abs(self.foretold[name][key] - value)
                for name, found in self.lapped.items()
                for key, value in found.items()
            ),
            default=0.0,
        )

    def as_forms(self) -> dict[str, dict[str, float]]:
        """Lapped less foretold, by plate and form [m]."""
        return {
            name: {key: value - self.foretold[name][key] for key, value in found.items()}
            for name, found in self.lapped.items()
        }


def deviation(
    plates: Mapping[str, Plate],
    reason: Reason,
    margin: EdgeMargin,
    *,
    seed: int = 0,
) -> Deviation:
    """Lap the pair of a step from its faces as they come, without swaps, and hold the picture to it."""
    from sim.lapping.run import lap

    step = reason.step
    strokes = min(step.total_strokes, max(1, round(LONGEST * step.pace)))
    alone = replace(step, time=None, strokes=strokes, until=None, swap=None)
    if step.grit.wear.observed is not None:
        # What was observed has been turned into constants already; it is not observed again.
        wear = Wear(plates=dict(zip(reason.names, reason.kappas, strict=True)))
        alone = replace(alone, grit=replace(step.grit, wear=wear, held_in=None))
    pair = {name: plates[name] for name in reason.names}
    time = strokes / step.pace
    every = step.fresh_every or time
    whole, rest = divmod(time, every)
    cut = whole * wear_time(step.grit.fade, 0.0, every) + wear_time(step.grit.fade, 0.0, rest)
    foretold = reason.forms(reason.evolution.after(reason.start, cut), margin)
    try:
        end = deque(lap(pair, [alone], seed=seed, margin=margin), maxlen=1)[0]
    except LapwrightError as trouble:
        return Deviation(time, foretold, {}, str(trouble))
    lapped = {}
    for name in reason.names:
        found = forms(plates[name], end.heights[name], margin)
        lapped[name] = {key: float(getattr(found, key)) for key in form_names(plates[name])}
    return Deviation(time, foretold, lapped)
