"""What forms two plates have after a time, from what they have now: some tens of microseconds a guess."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.basis import Basis, form_names
from lapwright.modes.evolution import Evolution
from lapwright.modes.picture import Picture
from lapwright.plate.measure import EdgeMargin

__all__ = ["Predictor", "predictor_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Predictor:
    """One pair under one step; `rows` (6, n): the form errors of the bottom, then of the top.

    A state is the stacked coefficients (n,) [m] of bottom and top, or columns of many (n, k).  Times are in
    seconds at a fresh dab's cut (`wear_time` of the law of wear).
    """

    bottom: Basis
    top: Basis
    evolution: Evolution
    margin: EdgeMargin
    rows: Array
    spreads: tuple[Array, Array]

    def start(self, z_bottom: Array, z_top: Array) -> Array:
        """State of two maps (ny, nx) [m], each as looking at the face."""
        return np.concatenate([self.bottom.project(z_bottom), self.top.project(z_top)])

    def after(self, state: Array, time: float) -> Array:
        """State after `time` [s]."""
        return self.evolution.after(state, time)

    def forms(self, state: Array) -> Array:
        """Form errors [m] of the bottom, then of the top (6,); names: `form_names` of each plate."""
        return self.rows @ state

    def named(self, state: Array) -> tuple[dict[str, float], dict[str, float]]:
        """Form errors [m] of bottom and top by name."""
        values = self.forms(state)
        one, two = form_names(self.bottom.plate), form_names(self.top.plate)
        below = dict(zip(one, map(float, values[: len(one)]), strict=True))
        return below, dict(zip(two, map(float, values[len(one) :]), strict=True))

    def rms(self, state: Array) -> tuple[float, float]:
        """Root mean square about the plane [m] of bottom and top."""
        parts = np.split(state, [self.bottom.size])
        low, high = (
            sqrt(max(0.0, float(part @ spread @ part)))
            for part, spread in zip(parts, self.spreads, strict=True)
        )
        return low, high

    def maps(self, state: Array) -> tuple[Array, Array]:
        """Both faces as maps (ny, nx) [m]."""
        return self.bottom.surface(state[: self.bottom.size]), self.top.surface(state[self.bottom.size :])


def predictor_of(
    picture: Picture,
    number: int,
    margin: EdgeMargin = EdgeMargin(),  # noqa: B008 (frozen)
    top: str | None = None,
    bottom: str | None = None,
) -> Predictor:
    """Solve step `number` of a picture; top and bottom as it begins when None."""
    flow = picture.flow(number, top, bottom)
    below, above = flow.bottom.form_rows(margin), flow.top.form_rows(margin)
    rows = np.zeros((below.shape[0] + above.shape[0], flow.drive.size))
    rows[: below.shape[0], : flow.bottom.size] = below
    rows[below.shape[0] :, flow.bottom.size :] = above
    spreads = flow.bottom.spread(margin), flow.top.spread(margin)
    solved = picture.evolution(number, top, bottom)
    return Predictor(flow.bottom, flow.top, solved, margin, rows, spreads)
