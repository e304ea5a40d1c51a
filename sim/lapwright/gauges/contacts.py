"""Where a gauge touches a face, and with what weight each place counts in its reading.

A reading is linear in the heights of the face: the sum of weight x height over the places touched.  That one
sentence is why blind spots, uncertainties and the way back to form are all linear algebra.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.plate.form import StartForm
from lapwright.plate.forms import form_names
from lapwright.plate.outline import Outline

__all__ = ["Contacts", "Heights", "Placement", "shape_of", "touching"]

Array = NDArray[np.float64]
Heights = Callable[[Array, Array], Array]  # heights [m] at points of a face [m]


@dataclass(frozen=True)
class Placement:
    """Where a gauge is set down: its middle `at` (x, y) [m] of the face, turned by `angle` [rad].

    Looking at the face; + is anticlockwise and 0 lies along 3-9.  `along` [m]: where on its own line an
    indicator stands that can be moved (a straightedge's), from the middle.
    """

    at: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0
    along: float = 0.0


@dataclass(frozen=True)
class Contacts:
    """Places `x`, `y` (n,) [m] of a face and their `weight` (n,) [1; of an angle gauge 1/m]."""

    x: Array
    y: Array
    weight: Array

    def of(self, heights: Heights) -> float:
        """What is read off a face of these heights [m; of an angle gauge rad]."""
        return float((self.weight * heights(self.x, self.y)).sum())

    @property
    def rigid(self) -> tuple[float, float, float]:
        """What is read when the face is raised by 1 m, or tilted by 1 rad up along x, or along y."""
        return (
            float(self.weight.sum()),
            float((self.weight * self.x).sum()),
            float((self.weight * self.y).sum()),
        )

    def row(self, outline: Outline) -> Array:
        """What is read for 1 m of each form that is spoken of, in the order of `form_names`, (3,)."""
        return np.array([self.of(shape_of(name, outline)) for name in form_names(outline)])


def touching(place: Placement, points: Array, weight: Array) -> Contacts:
    """Contacts at `points` (n, 2) [m] given in the gauge's own axes, set down at a place."""
    c, s = cos(place.angle), sin(place.angle)
    u, v = points[:, 0], points[:, 1]
    x, y = place.at[0] + c * u - s * v, place.at[1] + s * u + c * v
    return Contacts(x, y, np.asarray(weight, dtype=float))


def shape_of(name: str, outline: Outline) -> Heights:
    """Heights of 1 m of one form."""
    form = StartForm(**{name: 1.0})  # type: ignore[arg-type]
    return lambda x, y: form.at(x, y, outline)
