"""A toy stroke: Pascal's limaçon, the whole file of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.curves import SPAN, Curve
from lapwright.specification.said import Said

Array = NDArray[np.float64]
QUARTER = 0.25  # of the radius


@dataclass(frozen=True)
class Limacon(Curve):
    """Once round (radius + bulge cos phi) (cos phi, sin phi)."""

    kind = "limacon"
    paced = "times round"
    radius: Said[float] = Said(SPAN)
    bulge: Said[float] = Said(SPAN, "a quarter of the radius", None)

    def __post_init__(self) -> None:
        if self.bulge is None:
            object.__setattr__(self, "bulge", QUARTER * self.radius)

    def position(self, phi: Array) -> Array:
        away = self.radius + self.bulge * np.cos(phi)
        return np.stack([away * np.cos(phi), away * np.sin(phi)], axis=-1)

    def velocity(self, phi: Array) -> Array:
        twice = 2.0 * np.asarray(phi)
        return np.stack(
            [
                -self.radius * np.sin(phi) - self.bulge * np.sin(twice),
                self.radius * np.cos(phi) + self.bulge * np.cos(twice),
            ],
            axis=-1,
        )

    @property
    def half_travel(self) -> float:
        return self.radius + self.bulge

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        bulge = more.get("bulge", half * QUARTER / (1.0 + QUARTER))
        return cls(half - bulge, bulge)

    @classmethod
    def least(cls, **more: Any) -> float:
        return float(more.get("bulge", 0.0))

    @property
    def manner(self) -> str:
        return "wider towards the first side"
