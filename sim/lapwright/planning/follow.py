"""What a goal may ask for, measured along a full simulation: a column of numbers each."""

from __future__ import annotations

import math
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.mating import mating
from lapwright.lapping.run import Moment
from lapwright.lapping.step import Step
from lapwright.plate.forms import form_names
from lapwright.plate.measure import measure
from lapwright.study.model import Study

__all__ = ["Follower", "turned_by"]

Array = NDArray[np.float64]

FOLLOWED = ("start", "block")


def turned_by(step: Step, strokes: Array) -> Array:
    """Whole turns of the top in the hands and of the person round the bench, after so many strokes (k,)."""
    turned = np.zeros(np.shape(strokes))
    for turn in (step.turn, step.walk):
        if turn.angle != 0.0:
            times = strokes // turn.every if turn.indexed else strokes
            turned = turned + abs(turn.angle) / (2.0 * pi) * times
    return turned


class Follower:
    """Takes moments, keeps columns: `time`, `removed`, `turned`, `swaps`, the forms of plates and pair.

    A form that a plate does not speak of has no column; what cannot be told is nan.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.kept: dict[str, list[float]] = {}
        self.before = 0.0  # turns in the steps that are over
        self.swaps = 0
        self.on_top = study.steps[0].top

    def take(self, moment: Moment) -> None:
        """Measure a moment at which the faces are new."""
        clock = moment.clock
        step = self.study.steps[clock.step - 1]
        if moment.top != self.on_top:
            self.on_top, self.swaps = moment.top, self.swaps + 1
        if moment.event == "step":
            self.before += float(turned_by(step, np.array(clock.strokes)))
        if moment.event not in FOLLOWED:
            return
        plates, margin = self.study.plates, self.study.margin
        self._keep("time", clock.time)
        self._keep("removed", sum(moment.removed.values()) / len(moment.removed))
        self._keep("turned", self.before + float(turned_by(step, np.array(clock.strokes))))
        self._keep("swaps", float(self.swaps))
        domes = {}
        for name, plate in plates.items():
            form = measure(plate, moment.heights[name], margin)
            for key in (*form_names(plate.outline), "flatness"):
                value = getattr(form, key)
                self._keep(f"{name}.{key}", math.nan if value is None else value)
            dome = form.bow if plate.outline.long else form.sphere
            domes[name] = math.nan if dome is None else dome
        pair = [(plates[name], moment.heights[name]) for name in (moment.bottom, moment.top)]
        misfit = mating(*pair[0], *pair[1], margin)
        self._keep("mating", misfit if math.isfinite(misfit) else math.nan)
        self._keep("difference", domes[moment.top] - domes[moment.bottom])

    def _keep(self, key: str, value: float) -> None:
        self.kept.setdefault(key, []).append(float(value))

    def columns(self) -> dict[str, tuple[float, ...]]:
        """All that was kept."""
        return {key: tuple(column) for key, column in self.kept.items()}
