"""How fast a step cuts and for how long each plate lies on top, told beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from lapwright.lapping.motion import Motion
from lapwright.lapping.rubbing import rubbing, sampled
from lapwright.lapping.schedule import stroke_period
from lapwright.lapping.step import Grit, Step, strokes_in
from lapwright.lapping.wear import kappa, kappa_from_observation, settled, wear_time
from lapwright.plate.plate import Plate

__all__ = ["rates", "work_times"]

MOST_SWAPS = 20_000


def rates(plates: Mapping[str, Plate], step: Step, observed_in: Step, motion: Motion) -> dict[str, float]:
    """Wear constants of both plates with a fresh dab [1/Pa]; an observation is turned into them first."""
    top, bottom = plates[step.top], plates[step.bottom]
    grit: Grit = step.grit
    seen = grit.wear.observed
    if seen is not None:
        above, under = plates[observed_in.top], plates[observed_in.bottom]
        there = replace(observed_in, time=None, strokes=strokes_in(seen.time, observed_in.pace))
        moved = Motion(there, motion.key)
        work = rubbing(moved, moved.poses(sampled(moved)), above, under).work
        mean = {plate.name: work / plate.land_area for plate in (above, under)}
        grit = replace(grit, wear=kappa_from_observation(seen, observed_in.grit, plates, mean))
    low, high = kappa(settled(grit, plates), bottom, top)
    return {bottom.name: low, top.name: high}


def work_times(step: Step, grit_age: float) -> dict[str, float]:
    """Time at a fresh dab's cut that each plate spends on top [s]; halves where readings decide."""
    total = step.total_strokes
    every = stroke_period(step.fresh_every, step.pace)
    fade = step.grit.fade

    def done(strokes: float) -> float:
        """Time at a fresh dab's cut up to a stroke."""
        if not every or fade is None:
            return wear_time(fade, grit_age, strokes / step.pace)
        dabs, rest = divmod(strokes, every)
        return dabs * wear_time(fade, 0.0, every / step.pace) + wear_time(fade, 0.0, rest / step.pace)

    whole = done(total)
    if step.swap is None:
        return {step.top: whole, step.bottom: 0.0}
    if step.swap.read is not None:
        return {step.top: 0.5 * whole, step.bottom: 0.5 * whole}
    stay, other = (strokes_in(step.swap.on_top[name], step.pace) for name in (step.top, step.bottom))
    if total / (stay + other) > MOST_SWAPS:
        share = stay / (stay + other)
        return {step.top: share * whole, step.bottom: (1.0 - share) * whole}
    swaps = np.arange(0, total, stay + other)
    first = sum(done(min(float(s) + stay, total)) - done(float(s)) for s in swaps)
    return {step.top: first, step.bottom: whole - first}
