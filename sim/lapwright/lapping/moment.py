"""Where the work stands: the Clock, and the Moment that holds all there is to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["Clock", "Doubt", "Moment", "frozen"]

Array = NDArray[np.float64]

ROUND = ("sphere", "bow", "crown")  # forms that run round with a top without a change
STEP_SHARE = 0.3  # of the difference between orders, which is the error of the lower; the higher one is kept


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
    poses: float = 0.0
    closed: bool = False
    gauged: bool = False
    ran_out: bool = False
    off_before: float = 0.0


@dataclass(frozen=True)
class Doubt:
    """How sure the forms `names` of one plate are: scalars only, so that they are written and read exactly.

    `sampled` [m2]: sum of the squares of what each block's poses leave open, which is as likely to be one way
    as the other; `stepped` [m]: sum of what each block's step leaves open, which goes the same way; `ordered`
    [m]: what is missed of the order of the strokes, by blocks that hold the faces still over whole turns.
    """

    names: tuple[str, ...]
    sampled: tuple[float, ...] = (0.0, 0.0, 0.0)
    stepped: tuple[float, ...] = (0.0, 0.0, 0.0)
    ordered: float = 0.0

    def after(self, sampled: Array, stepped: Array, ordered: float = 0.0) -> Doubt:
        """With one more block, whose poses leave `sampled`, whose step leaves `stepped` open (3,) [m]."""
        # One block tells each form by a single difference; half of what all three tell steadies it.
        square = 0.5 * sampled**2 + 0.5 * float((sampled**2).mean())
        return Doubt(
            self.names,
            tuple(float(a + b) for a, b in zip(self.sampled, square, strict=True)),
            tuple(float(a + b) for a, b in zip(self.stepped, stepped, strict=True)),
            self.ordered + ordered,
        )

    def errors(self) -> dict[str, float]:
        """Error of each form [m]."""
        return {
            name: sqrt(square) + STEP_SHARE * abs(step) + (self.ordered if name not in ROUND else 0.0)
            for name, square, step in zip(self.names, self.sampled, self.stepped, strict=True)
        }


@dataclass(frozen=True)
class Moment:
    """One moment of the work; maps (ny, nx) as looking at the faces, read-only.

    `event`: "start", "block", "swap", "fresh grit", "step" (a step has ended) or "end".
    `heights` [m], `removed` mean depth of land worn off since the run began [m], `pressure_speed` mean
    over the last block [Pa m/s].  `lift_share`: share of the last block in which part of the overlap bore
    nothing.  `scale_error`: largest departure from 1 of the factor on the top's load.  `doubt`: of the forms
    of each plate, by poses and by steps.  `outcome`: on "end" only.
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
    doubt: Mapping[str, Doubt] = field(default_factory=dict)
    outcome: str | None = None

    @property
    def error(self) -> dict[str, dict[str, float]]:
        """How far each form of each plate, at margin 0, may be off by poses and steps together [m]."""
        return {name: doubt.errors() for name, doubt in self.doubt.items()}


def frozen(values: Array) -> Array:
    """Make an array read-only."""
    values.setflags(write=False)
    return values
