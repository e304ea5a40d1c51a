"""A toy gauge: a level on two feet, the whole file of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from lapwright.metrology.conditions import FINE_SLOPE, SIZE_SLOPE, SPAN
from lapwright.metrology.contacts import Contacts, Placement, touching
from lapwright.metrology.instruments import Gauge, Zero, zeroed
from lapwright.specification.outline import Outline
from lapwright.specification.said import Said


@dataclass(frozen=True, kw_only=True)
class FootLevel(Gauge):
    """Reads the slope from one foot to the other, `stride` [m] apart."""

    kind: ClassVar[str] = "two-foot level"
    angular: ClassVar[bool] = True
    stride: Said[float] = Said(SPAN, example='"60 mm" (from foot to foot)')
    resolution: Said[float] = Said(FINE_SLOPE, default=0.0)
    repeatability: Said[float] = Said(FINE_SLOPE, default=0.0)
    hysteresis: Said[float] = Said(FINE_SLOPE, default=0.0)
    zero: Said[Zero] = Said(zeroed(SIZE_SLOPE), "flat")
    zero_error: Said[float] = Said(FINE_SLOPE, default=0.0)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        points = np.array([[-0.5 * self.stride, 0.0], [0.5 * self.stride, 0.0]])
        return touching(place, points, np.array([-1.0, 1.0]) / self.stride)
