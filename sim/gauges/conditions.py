"""How a plate lies and how warm it is while it is read: what that adds to a reading."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from typing import Literal

from sim.plate.bending import beam_sag, self_weight_sag, three_point_sag
from sim.plate.heat import bow, time_constant
from sim.plate.plate import GRAVITY, Plate

__all__ = ["USUAL", "Conditions", "bending", "bow_of_warmth", "sag_of_support"]

Support = Literal["three points", "rim", "bedded"]


@dataclass(frozen=True)
class Conditions:
    """`warm_side` [K]: by how much one face of the plate may be warmer than the other when it is set down.

    `soak` [s]: how long it then lies before it is read.  0.1 K is what is left on a bench by and large
    (common practice, no source).  `support`: three points near the rim, the whole rim, or bedded all over.
    """

    warm_side: float = 0.1
    soak: float = 0.0
    support: Support = "three points"


USUAL = Conditions()


def bow_of_warmth(plate: Plate, conditions: Conditions) -> float:
    """Dome of the face [m] when its side is the warmer one by all that is left after the soak.

    A free plate bends to a ball; of a long one this is the bow.  What is left falls as its warmth does.
    """
    left = conditions.warm_side * exp(-conditions.soak / time_constant(plate))
    return bow(plate, left)


def sag_of_support(plate: Plate, conditions: Conditions) -> float:
    """How far the middle sags under the plate's own weight [m]; of a long one, between its ends."""
    if plate.thickness is None or conditions.support == "bedded":
        return 0.0
    pressure = plate.material.density * GRAVITY * plate.thickness
    if plate.outline.long:
        return beam_sag(plate.material, max(plate.outline.size), plate.thickness, pressure)
    if conditions.support == "rim":
        return self_weight_sag(plate.material, plate.outline.smaller, plate.thickness)
    return three_point_sag(plate.material, plate.outline.smaller, plate.thickness, pressure)


def bending(plate: Plate, conditions: Conditions) -> float:
    """Standard uncertainty of a plate's dome [m] from both; each is uniform within its size."""
    return sqrt((bow_of_warmth(plate, conditions) ** 2 + sag_of_support(plate, conditions) ** 2) / 3.0)
