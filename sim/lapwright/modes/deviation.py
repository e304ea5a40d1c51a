"""How far the linear picture is off where something lifts: the step lapped in full beside it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.lapping.moment import Clock, Doubt, Moment, frozen
from lapwright.lapping.schedule import cut_time
from lapwright.lapping.step import Step, Wear
from lapwright.modes.basis import form_names
from lapwright.modes.reason import Reason
from lapwright.plate.measure import EdgeMargin, forms
from lapwright.plate.plate import Plate
from lapwright.units import Text

__all__ = ["LONGEST", "Deviation", "deviation"]

LONGEST = 3600.0  # s rubbed: longer steps are held to their first hour
CELLS = 64  # across a plate


@dataclass(frozen=True)
class Deviation:
    """Forms of each plate by name [m] after `time` [s]: `foretold` by the picture and `lapped` in full.

    `trouble`: why it could not be lapped to the end, if so; the forms are then empty.
    """

    time: float
    foretold: Mapping[str, Mapping[str, float]]
    lapped: Mapping[str, Mapping[str, float]]
    trouble: Text | str = ""

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
    """Lap the pair of a step from the faces that it finds, without swaps, and hold the picture to it.

    Plates finer than `CELLS` are lapped at that many, long ones as they are: that costs a nanometre or two.
    """
    from lapwright.lapping.run import lap

    step = _alone(reason)
    pair = {name: _coarser(plates[name]) for name in reason.names}
    time = step.total_strokes / step.pace
    foretold = reason.forms(reason.evolution.after(reason.start, cut_time(step)), margin)
    begin = _begin(plates, pair, reason)
    try:
        end = deque(lap(pair, [step], seed=seed, margin=margin, after=begin), maxlen=1)[0]
    except LapwrightError as trouble:
        return Deviation(time, foretold, {}, trouble.text)
    lapped = {}
    for name, plate in pair.items():
        found = forms(plate, end.heights[name], margin)
        lapped[name] = {key: float(getattr(found, key)) for key in form_names(plate)}
    return Deviation(time, foretold, lapped)


def _alone(reason: Reason) -> Step:
    """The step without swaps and gauges, its first hour at most."""
    step = reason.step
    strokes = min(step.total_strokes, max(1, round(LONGEST * step.pace)))
    alone = replace(step, time=None, strokes=strokes, until=None, swap=None)
    if step.grit.wear.observed is None:
        return alone
    # What was observed has been turned into constants already; it is not observed again.
    wear = Wear(plates=dict(zip(reason.names, reason.kappas, strict=True)))
    return replace(alone, grit=replace(step.grit, wear=wear, held_in=None))


def _coarser(plate: Plate) -> Plate:
    return plate if plate.cells <= CELLS or plate.outline.long else replace(plate, cells=CELLS)


def _begin(plates: Mapping[str, Plate], pair: Mapping[str, Plate], reason: Reason) -> Moment:
    """The moment before the first stroke; faces that are as they came keep what is finer than the picture."""
    starts = np.split(reason.start, [reason.flow.bottom.size])
    heights = {}
    for name, face, start in zip(reason.names, reason.faces, starts, strict=True):
        plate = pair[name]
        heights[name] = plate.heights()
        if not np.array_equal(start, face.start(plates[name])):
            heights[name] = np.where(plate.land > 0.0, face.on(plate.grid, start), 0.0)
    return Moment(
        Clock(grit=reason.step.grit.name),
        "start",
        reason.step.top,
        reason.step.bottom,
        {name: frozen(z.copy()) for name, z in heights.items()},
        dict.fromkeys(pair, 0.0),
        {name: frozen(np.zeros(plate.grid.shape)) for name, plate in pair.items()},
        doubt={name: Doubt(form_names(plate)) for name, plate in pair.items()},
    )
