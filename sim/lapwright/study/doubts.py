"""The least form that a gauge of a study, or a usual one, tells on its plates."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lapwright.kinematics.schedule import last_grit
from lapwright.metrology.finish import unsure_below

if TYPE_CHECKING:
    from lapwright.study.model import Study


def doubt_at_end(study: Study, name: str | None = None) -> float:
    """The same of a plate at the end, by its last grit; of all plates the least; 0: none was lapped."""
    if name is None:
        doubts = [doubt_at_end(study, each) for each in study.plates]
        return min(filter(None, doubts), default=0.0)
    grit = last_grit(study.steps, name)
    return 0.0 if grit is None else doubt_on(study, name, grit)


def doubt_on(study: Study, name: str, grit: float) -> float:
    """The least form [m] that a gauge of the study, or a usual one, tells on a plate lapped with grit [m]."""
    return unsure_below(study.plates[name], study.gauges.values(), grit)
