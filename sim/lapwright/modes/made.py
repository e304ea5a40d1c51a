"""What a stroke makes of both faces: one number for `preview`, `why` and the page of a run.

Where the whole of both faces is rubbed, all but a few pairs die, and what is poured into those is made for
ever: the drift, P0 b.  Where land stays that is hardly rubbed, a pit deepens in it; P0 b then hangs on how
fine the shapes are (docs/numerics.md), and a run never comes to it.  There the pace is told at which both
faces move on as the step ends, exp(A t) b, which is as sure as the forms themselves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.evolution import Evolution
from lapwright.modes.operator import Operator

__all__ = ["bedded", "made"]

Array = NDArray[np.float64]


def made(operator: Operator, evolution: Evolution, time: float) -> Array:
    """What both faces gain (n,) [m/s] once bedded in; with land that never is, after `time` [s] from flat."""
    return evolution.pace(time) if operator.leaves_land else evolution.drift


def bedded(operator: Operator, evolution: Evolution, time: float) -> Array:
    """The same, with what dies so slowly that nobody waits for it counted as staying (n,) [m/s]."""
    return evolution.pace(time) if operator.leaves_land else evolution.bedded_drift
