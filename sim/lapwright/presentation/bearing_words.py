"""How the top bears on the bottom, and how often part of it lifts, in words."""

from __future__ import annotations

import math

from lapwright.presentation.words import say
from lapwright.units import METRIC, Units


def bears(
    where: str, top: str, bottom: str, share: float, mean: float, peak: float, units: Units = METRIC
) -> str:
    """How the top bears in one place of the stroke: loaded share of the overlap, pressures [Pa]."""
    key = "all" if share >= 0.9995 else "trace" if share >= 0.995 else "part"
    part = say(f"came.overlap.{key}", share=share)
    names = {"top": top, "bottom": bottom, "where": where}
    return say("came.bears", units, **names, part=part, mean=mean, peak=peak)


def lifting(share: float, before: bool = False) -> str:
    """How often part of the overlap carried nothing, at the end of the run (share of the places).

    `before`: something lifted earlier in the run.
    """
    if not math.isfinite(share):
        return ""
    key = "nothing" if share <= 0.0 else "everywhere" if share >= 1.0 else "part"
    return say(f"came.lifts.{key}", share=share, before=before)
