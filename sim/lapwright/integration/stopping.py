"""Stopping and swapping by what a gauge would show."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import mating
from lapwright.integration.state import State
from lapwright.metrology.form import EdgeMargin, Form, forms, measure
from lapwright.metrology.thickness import to_size
from lapwright.specification.plate import Plate
from lapwright.specification.step import Until

Array = NDArray[np.float64]


def _dome(form: Form) -> float:
    """How domed a face is [m]: the sphere, or the bow of a long one."""
    dome = form.sphere if form.sphere is not None else form.bow
    return dome if dome is not None else 0.0


def _twist(form: Form) -> float:
    twist = form.twist if form.twist is not None else form.wind
    return abs(twist) if twist is not None else 0.0


def on_top_by_reading(
    plates: Mapping[str, Plate],
    top: str,
    bottom: str,
    heights: Mapping[str, Array],
    margin: EdgeMargin,
) -> str:
    """The plate that goes on top: the more domed; where they read the same nothing changes."""
    above, below = (_dome(forms(plates[n], heights[n], margin)) for n in (top, bottom))
    return bottom if below > above else top


def satisfied(
    until: Until, plates: Mapping[str, Plate], before: State, state: State, margin: EdgeMargin
) -> bool:
    """Whether every gauge that is watched says stop at `state`, the end of a block that began at `before`.

    A difference that has changed its sign since has passed through zero on the way.  Metal counts from the
    start of the step.
    """
    names = (state.bottom, state.top)
    off = sum(state.removed[n] for n in names) - state.clock.off_before
    if until.removed is not None and off / 2.0 < until.removed:
        return False
    quick = [forms(plates[n], state.heights[n], margin) for n in names]
    if until.difference is not None:
        difference = _dome(quick[1]) - _dome(quick[0])
        under, over = (_dome(forms(plates[n], before.heights[n], margin)) for n in names)
        if abs(difference) > until.difference and difference * (over - under) >= 0.0:
            return False
    if until.twist is not None and max(_twist(form) for form in quick) > until.twist:
        return False
    if until.mating is not None:
        bottom, top = (plates[n] for n in names)
        if (
            mating(bottom, state.heights[names[0]], top, state.heights[names[1]], margin)
            > until.mating
        ):
            return False
    if not to_size(until, [plates[name] for name in names], state.heights, margin):
        return False
    if until.flatness is not None:
        for name in names:
            flatness = measure(plates[name], state.heights[name], margin).flatness
            if flatness is None or flatness > until.flatness:
                return False
    return True
