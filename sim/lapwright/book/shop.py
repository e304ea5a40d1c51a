"""What a shop is: every quantity that is not known of a set of plates, in one vector.

Faces are coefficients of `modes.basis` to `DEGREE` over the land, planes left out; constants stand as
logarithms of factors on what the study says, so that all of it is normal before anything is read.
Settled: this layout is what the filter, the readings and the planner share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.step import Grit, Step
from lapwright.modes.basis import PLANES, Basis, basis_of
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.plate import Plate

__all__ = ["DEGREE", "Layout", "layout_of"]

Array = NDArray[np.float64]

DEGREE = 6


@dataclass(frozen=True)
class Layout:
    """Where each quantity stands in a shop's vector (size,).

    In this order: `faces` by plate [m], `wears` (grit, material) and `layers` (grit) as logarithms of
    factors, `zeros` of gauges [m, rad], the factor of the day, the metal that the last spell took [m].
    """

    plates: Mapping[str, Plate]
    margin: EdgeMargin
    wears: tuple[tuple[str, str], ...]
    layers: tuple[str, ...]
    gauges: tuple[str, ...]

    @cached_property
    def bases(self) -> Mapping[str, Basis]:
        """Shapes of each face."""
        return {name: basis_of(plate, DEGREE) for name, plate in self.plates.items()}

    @cached_property
    def _starts(self) -> Mapping[str, int]:
        at, found = 0, {}
        for name, basis in self.bases.items():
            found[name] = at
            at += basis.size - PLANES
        for name, count in (("wears", len(self.wears)), ("layers", len(self.layers))):
            found[f" {name}"] = at
            at += count
        for name, count in (("zeros", len(self.gauges)), ("day", 1), ("removed", len(self.plates))):
            found[f" {name}"] = at
            at += count
        found[" size"] = at
        return found

    @property
    def size(self) -> int:
        """How many quantities."""
        return self._starts[" size"]

    def face(self, plate: str) -> slice:
        """Coefficients of a face without its planes."""
        first = self._starts[plate]
        return slice(first, first + self.bases[plate].size - PLANES)

    def wear(self, grit: str, material: str) -> int:
        """How fast a grit cuts a metal: logarithm of the factor on what the study says."""
        return self._starts[" wears"] + self.wears.index((grit, material))

    def layer(self, grit: str) -> int:
        """How far a grit's layer gives: logarithm of the factor on what the study says."""
        return self._starts[" layers"] + self.layers.index(grit)

    def zero(self, gauge: str) -> int:
        """Error of a gauge's zero [m, rad]."""
        return self._starts[" zeros"] + self.gauges.index(gauge)

    @property
    def day(self) -> int:
        """Logarithm of how much faster all grits cut on this day."""
        return self._starts[" day"]

    def removed(self, plate: str) -> int:
        """Metal that the last spell took off a plate [m]."""
        return self._starts[" removed"] + list(self.plates).index(plate)

    @property
    def passing(self) -> slice:
        """What every spell begins anew: the day's factor and the metal removed."""
        return slice(self.day, self.size)

    def form_rows(self, plate: str) -> Array:
        """Rows (3, size): the named forms of a plate [m] are rows @ shop."""
        rows = np.zeros((3, self.size))
        rows[:, self.face(plate)] = self.bases[plate].form_rows(self.margin)[:, PLANES:]
        return rows

    def quadratic(self, plate: str) -> tuple[NDArray[np.intp], Array]:
        """Where a face's three quadratic coefficients stand, and the matrix (3, 3) from forms to them."""
        first = self.face(plate).start
        rows = self.bases[plate].form_rows(self.margin)[:, PLANES : PLANES + 3]
        return np.arange(first, first + 3), np.asarray(np.linalg.inv(rows), dtype=np.float64)

    def heights(self, plate: str, shops: Array) -> Array:
        """Coefficients (m, size of the basis) [m] of a face in shops (m, size), planes nought."""
        own = shops[:, self.face(plate)]
        return np.concatenate([np.zeros((len(own), PLANES)), own], axis=1)


def layout_of(
    plates: Mapping[str, Plate], steps: Sequence[Step], margin: EdgeMargin, gauges: Sequence[str]
) -> Layout:
    """The layout for plates, for the grits of some steps and for gauges, each in the order of first use."""
    grits: dict[str, Grit] = {}
    wears: dict[tuple[str, str], None] = {}
    for step in steps:
        grits.setdefault(step.grit.name, step.grit)
    materials = dict.fromkeys(plate.material.name for plate in plates.values())
    wears = dict.fromkeys((grit, material) for grit in grits for material in materials)
    return Layout(plates, margin, tuple(wears), tuple(grits), tuple(gauges))
