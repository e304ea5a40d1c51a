"""Where the work stands: the Clock, and the Moment that holds all there is to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["Clock", "Moment", "frozen"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Clock:
    """Where the work stands; scalars only, so that it can be written down and read back exactly."""

    step: int = 1
    round: int = 1
    strokes: int = 0
    block: int = 0
    time: float = 0.0
    grit: str = ""
    grit_age: float = 0.0
    swapped_at: int = 0
    read_at: int = -1
    stride: float = 0.0
    closed: bool = False
    gauged: bool = False
    ran_out: bool = False
    off_before: float = 0.0


@dataclass(frozen=True)
class Moment:
    """One moment of the work; maps (ny, nx) as looking at the faces, read-only.

    `event`: "start", "block", "swap", "fresh grit", "step" (a step has ended) or "end".
    `heights` [m], `removed` mean depth of land worn off since the run began [m], `pressure_speed` mean
    over the last block [Pa m/s].  `lift_share`: share of the last block in which part of the overlap bore
    nothing.  `scale_error`: largest departure from 1 of the factor on the top's load.  `sampling_error` [m]:
    rms difference that the two halves of the last block's poses make.  `error` [m]: how far each form of each
    plate, at margin 0, may be off by sampling and step together.  `outcome`: on "end" only.
    """

    clock: Clock
    event: str
    top: str
    bottom: str
    heights: Mapping[str, Array]
    removed: Mapping[str, float]
    pressure_speed: Mapping[str, Array]
    lift_share: float = 0.0
    scale_error: float = 0.0
    sampling_error: float = 0.0
    error: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    outcome: str | None = None


def frozen(values: Array) -> Array:
    """Make an array read-only."""
    values.setflags(write=False)
    return values
