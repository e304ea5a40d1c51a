"""Stopping and swapping by what a gauge would show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import mating
from lapwright.integration.state import State
from lapwright.metrology.bending import as_read
from lapwright.metrology.form import EdgeMargin, Form, forms, measure
from lapwright.metrology.thickness import at_size
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


@dataclass(frozen=True)
class Watch:
    """Gauges that decide in a run: they read faces as these lie on the feet of their plates."""

    plates: Mapping[str, Plate]
    margin: EdgeMargin

    @cached_property
    def sags(self) -> dict[str, Array]:
        """What the faces of plates that stand on feet gain there (ny, nx) [m], by name."""
        on_feet = {name: plate for name, plate in self.plates.items() if plate.feet is not None}
        return {n: as_read(plate, np.zeros(plate.grid.shape)) for n, plate in on_feet.items()}

    def _form(self, name: str, state: State) -> Form:
        return forms(self.plates[name], self.face(name, state), self.margin)

    def face(self, name: str, state: State) -> Array:
        """A face as it lies on the feet of its plate, heights (ny, nx) [m]."""
        z = state.heights[name]
        return z + self.sags[name] if name in self.sags else z

    def on_top(self, state: State) -> str:
        """The plate that goes on top: the more domed; where they read the same nothing changes."""
        above, below = (_dome(self._form(name, state)) for name in (state.top, state.bottom))
        return state.bottom if below > above else state.top

    def satisfied(self, until: Until, before: State, state: State) -> bool:
        """Whether every gauge says stop at `state`, the end of a block that began at `before`.

        A difference that has changed its sign since has passed through zero on the way.  Metal counts from
        the start of the step.  How the pair mates, and how thick it is, hangs on no feet.
        """
        plates, margin = self.plates, self.margin
        names = (state.bottom, state.top)
        off = sum(state.removed[n] for n in names) - state.clock.off_before
        if until.removed is not None and off / 2.0 < until.removed:
            return False
        quick = [self._form(name, state) for name in names]
        if until.difference is not None:
            difference = _dome(quick[1]) - _dome(quick[0])
            under, over = (_dome(self._form(name, before)) for name in names)
            if abs(difference) > until.difference and difference * (over - under) >= 0.0:
                return False
        if until.twist is not None and max(_twist(form) for form in quick) > until.twist:
            return False
        if until.mating is not None:
            bottom, top = ((plates[name], state.heights[name]) for name in names)
            if mating(*bottom, *top, margin) > until.mating:
                return False
        if not at_size(until, [plates[name] for name in names], state.heights, margin):
            return False
        if until.flatness is not None:
            for name in names:
                flatness = measure(plates[name], self.face(name, state), margin).flatness
                if flatness is None or flatness > until.flatness:
                    return False
        return True
