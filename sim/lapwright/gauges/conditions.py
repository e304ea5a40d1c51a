"""How a plate lies and how warm it is while it is read: what that adds to a reading."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, sqrt

from lapwright.gauges.sizes import SOAK, TEMPERATURE, WARMTH
from lapwright.plate.bending import beam_sag, self_weight_sag, three_point_sag
from lapwright.plate.heat import AIR, bow, difference, time_constant, waiting
from lapwright.plate.plate import Plate
from lapwright.said import Frozen, Said
from lapwright.study.table import choice
from lapwright.units import GRAVITY

__all__ = [
    "USUAL",
    "Conditions",
    "bending",
    "bow_of_cooling",
    "bow_of_warmth",
    "sag_of_support",
    "standing",
]

SUPPORTS = ("three points", "rim", "bedded")


@dataclass(frozen=True)
class Conditions(Frozen):
    """`warm_side` [K]: by how much one face of the plate may be warmer than the other when it is set down.

    `soak` [s]: how long it then lies before it is read.  0.1 K is what is left on a bench by and large
    (common practice, no source).  `support`: three points near the rim, the whole rim, or bedded all over.
    `room` [K]: how warm the bench, the air and the gauge are; usually 20 degC, at which sizes hold (ISO 1).
    """

    warm_side: Said[float] = Said(WARMTH, "0.1 K")
    soak: Said[float] = Said(SOAK, default=0.0)
    support: Said[str] = Said(choice(SUPPORTS, "how a plate lies"), "three points")
    room: Said[float] = Said(TEMPERATURE, "293.15 K")


USUAL = Conditions()


def bow_of_warmth(plate: Plate, conditions: Conditions) -> float:
    """Dome of the face [m] when its side is the warmer one by all that is left after the soak.

    A free plate bends to a ball; of a long one this is the bow.  What is left falls as its warmth does.
    """
    left = conditions.warm_side * exp(-conditions.soak / time_constant(plate))
    return bow(plate, left)


def bow_of_cooling(plate: Plate, conditions: Conditions, temperature: float | None) -> float:
    """Dome of the face [m], or dish, of a plate read at `temperature` [K] in a room that is not as warm.

    That a whole plate is evenly warm bends nothing; but all that it gives to the room may leave it through
    one side, and then its faces differ by q h / k.  None: it was as warm as the room.
    """
    if temperature is None:
        return 0.0
    power = AIR * plate.outline.area * abs(temperature - conditions.room)
    return bow(plate, difference(plate, power))


def standing(plate: Plate, conditions: Conditions, dome: float) -> float:
    """How much longer [s] a plate must stand until warmth of one side makes no more than a `dome` [m].

    A difference of the faces by itself evens out within a minute; what keeps it up is that the plate as a
    whole is not yet as warm as the bench, so its own cooling in still air is what takes the time.

    Raises
    ------
    ValueError
        When the dome is not above nought: no time is long enough.

    """
    if not dome > 0.0:
        raise ValueError(f"a plate never stands until warmth makes no more than {dome} m")
    now = bow_of_warmth(plate, conditions)
    return waiting(plate, now, dome)


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


def bending(plate: Plate, conditions: Conditions, temperature: float | None = None) -> float:
    """Standard uncertainty of a plate's dome [m] from all of it; each is uniform within its size."""
    sizes = (
        bow_of_warmth(plate, conditions),
        bow_of_cooling(plate, conditions, temperature),
        sag_of_support(plate, conditions),
    )
    return hypot(*sizes) / sqrt(3.0)
