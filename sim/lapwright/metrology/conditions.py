"""How a plate lies and how warm it is while it is read; the sizes that gauges show.

How a plate bends under its own weight and under a difference of temperature: thin-plate closed forms.

Sources: S. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 1959 (from memory).
The simulator itself takes plates as rigid; these sizes tell when that is not good enough.

Heat of rubbing: how much, how far plates bow while it runs, how warm they get, how long to let them stand.

Plain conduction and convection of a plate that is heated evenly on its face.  Coefficients of air and the
conductivities of `lapwright.specification.plate` are handbook values from memory: take all of it to within a
factor of two.  The bow is Timoshenko's free plate, kappa = alpha dT / h (`lapwright.metrology.conditions`).

Readers of the sizes that gauges have and show, with their limits: text to SI and back.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, expm1, hypot, log, pi, sqrt
from types import MappingProxyType
from typing import Any

from lapwright.specification.materials import Material
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import (
    ANGLE,
    DIFFERENCE,
    LENGTH,
    SMALL,
    TIME,
    find,
    quantity,
    read_text,
    take_apart,
)
from lapwright.specification.rates import Reader, read_temperature
from lapwright.specification.said import Frozen, RefusedError, Said, listed, shown
from lapwright.specification.table import choice, whole
from lapwright.units import GRAVITY, HELIUM


def _rigidity(material: Material, thickness: float) -> float:
    return material.modulus * thickness**3 / (12.0 * (1.0 - material.poisson**2))


def rim_sag(material: Material, diameter: float, thickness: float, pressure: float) -> float:
    """Sag of the centre [m] of a disc on a simply supported rim under uniform `pressure` [Pa]."""
    a = 0.5 * diameter
    nu = material.poisson
    return (5.0 + nu) * pressure * a**4 / (64.0 * (1.0 + nu) * _rigidity(material, thickness))


def beam_sag(material: Material, length: float, thickness: float, pressure: float) -> float:
    """Sag of the middle [m] of a bar on its two ends under uniform `pressure` [Pa]: 5 q L^4 / (384 E I)."""
    return 5.0 * pressure * length**4 / (32.0 * material.modulus * thickness**3)


def pressed_sag(plate: Plate, pressure: float) -> float | None:
    """About how far [m] a plate bends under the pressure of lapping; None when its thickness is not known.

    The worst that the layer can ask for: held at the rim (a long one at its ends), pressed all over.
    """
    if plate.thickness is None:
        return None
    if plate.outline.long:
        return beam_sag(plate.material, max(plate.outline.size), plate.thickness, pressure)
    return rim_sag(plate.material, plate.outline.smaller, plate.thickness, pressure)


def self_weight_sag(material: Material, diameter: float, thickness: float) -> float:
    """Sag of the centre [m] of a disc on a simply supported rim under its own weight."""
    return rim_sag(material, diameter, thickness, material.density * GRAVITY * thickness)


def three_point_sag(
    material: Material, diameter: float, thickness: float, pressure: float
) -> float:
    """Sag of the centre [m] on three equally spaced rim supports: 0.0362038 P a^2 / D at Poisson 0.25.

    P is the whole load; Timoshenko prints 0.0362 (from memory).
    """
    a = 0.5 * diameter
    return 0.0362038 * pressure * pi * a**2 * a**2 / _rigidity(material, thickness)


def thermal_bow(material: Material, diameter: float, thickness: float, difference: float) -> float:
    """Rise of the centre over the rim [m] of a free disc, one side `difference` [K] warmer: that side out."""
    return material.expansion * difference / thickness * diameter**2 / 8.0


# Still air, convection and radiation together [W/(m2 K)] (handbook value, from memory).
AIR = 10.0


def rubbing_power(friction: float, load: float, speed: float) -> float:
    """Heat made by rubbing [W]: friction x load [N] x speed [m/s]; nearly all the work goes into heat."""
    return friction * load * speed


def share_of_heat(plate: Plate, other: Plate) -> float:
    """Part of the heat that goes into `plate`: by sqrt(conductivity x density x heat capacity) of both.

    Two bodies that touch in passing share heat so (J. C. Jaeger 1942, from memory); halves for one metal.
    """
    here, there = (
        sqrt(p.material.conductivity * p.material.density * p.material.heat_capacity)
        for p in (plate, other)
    )
    return here / (here + there)


def _thickness(plate: Plate) -> float:
    """Thickness [m], from the mass where it is not given."""
    return plate.thickness or plate.total_mass / (plate.outline.area * plate.material.density)


def difference(plate: Plate, power: float) -> float:
    """Face warmer than back [K] while `power` [W] flows in at the face and out at the back: q h / k.

    The most there can be; while the plate still soaks up the heat it bows half as much.
    """
    return power / plate.outline.area * _thickness(plate) / plate.material.conductivity


def bow(plate: Plate, warmer: float) -> float:
    """Rise of the middle over the rim (of a long plate: its ends) [m], the face `warmer` [K] than the back.

    Curvature alpha dT / h over the widest way across: S. Timoshenko, free plate, from memory.
    """
    across = max(plate.outline.size)
    if isinstance(plate.outline, Rectangle) and not plate.outline.long:
        across = 2.0 * plate.outline.radius
    return thermal_bow(plate.material, across, _thickness(plate), warmer)


def _skin(plate: Plate) -> float:
    """Back and sides [m2], which give heat to the air; the other plate or the bench covers the face."""
    width, height = plate.outline.size
    edge = 2.0 * (width + height) if isinstance(plate.outline, Rectangle) else pi * width
    return plate.outline.area + edge * _thickness(plate)


def time_constant(plate: Plate, air: float = AIR) -> float:
    """Time in which a warm plate loses all but 37 % of its warmth to the air [s]: m c / (U A)."""
    return plate.total_mass * plate.material.heat_capacity / (air * _skin(plate))


def warm_up(plate: Plate, power: float, time: float, air: float = AIR) -> float:
    """How much warmer than the room a plate gets [K], `power` [W] flowing into it for `time` [s]."""
    return power / (air * _skin(plate)) * -expm1(-time / time_constant(plate, air))


def waiting(plate: Plate, warm: float, left: float, air: float = AIR) -> float:
    """Time to stand in air until a plate `warm` [K] above the room is only `left` [K] above it [s]."""
    return 0.0 if warm <= left else time_constant(plate, air) * log(warm / left)


MOST_READ = 1e-3  # [m]: more than is wrong with any face that is lapped
# Usual lamps [m]: sodium (mean of the D lines), yellow helium line, helium-neon laser, common laser diodes.
LAMPS: Mapping[str, float] = MappingProxyType(
    {
        "sodium": 589.3e-9,
        "helium": HELIUM,
        "helium-neon": 632.8e-9,
        "green diode": 520e-9,
        "green laser": 532e-9,
        "violet diode": 405e-9,
    }
)

_SLOPE = replace(
    ANGLE,
    units={**ANGLE.units, "mm/m": 1e-3, "um/m": 1e-6, "in/ft": 1.0 / 12.0, "thou/ft": 1e-3 / 12.0},
    offered="arcsec, urad, um/m, mm/m or in/ft",
    usual="arcsec",
)

SPAN = quantity(LENGTH, above="0 mm", most="5 m")
BALL = quantity(LENGTH, least="0 mm", most="100 mm")
FINE = quantity(SMALL, least="0 um", most="1 mm")
FINE_SLOPE = quantity(_SLOPE, least="0 deg", most="1 deg")
READ = quantity(LENGTH, least="-1 mm", most="1 m")  # of any gauge, a micrometer too
SIZE = quantity(SMALL, least="-1 mm", most="1 mm")
SIZE_SLOPE = quantity(_SLOPE, least="-1 deg", most="1 deg")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
WEDGE = quantity(_SLOPE, least="0 deg", most="1 deg")
ALONG = quantity(LENGTH, least="-3 m", most="3 m")
SOAK = quantity(TIME, least="0 s", most="1000 h")


def _kelvin(value: float) -> str:
    return f"{value!r} K"


WARMTH = Reader(quantity(DIFFERENCE, least="0 K", most="100 K"), _kelvin)
TEMPERATURE = Reader(read_temperature, _kelvin)

_wave = quantity(SMALL, least="100 nm", most="20 um")


def _wavelength(value: Any) -> float:
    """A lamp by name, or any wavelength."""
    if isinstance(value, str) and value.strip().lower() in LAMPS:
        return LAMPS[value.strip().lower()]
    try:
        return _wave(value)
    except RefusedError as trouble:
        if isinstance(value, str) and not re.search(r"\d", value):
            how = f"write a wavelength such as 589.3 nm, or one of {listed(LAMPS)}"
            raise RefusedError(f"{shown(value)} is no lamp known here: {how}", "choice") from None
        raise trouble


WAVELENGTH = Reader(_wavelength, _wave.typed)


def FEET(value: Any) -> int | str:  # noqa: N802 (a reader, as the others here)
    """A number of feet, or a ring."""
    if isinstance(value, str) and value.strip().lower() == "ring":
        return "ring"
    if isinstance(value, str):
        raise RefusedError(f'{shown(value)} is no number of feet: write 3, or "ring"', "type")
    return whole(3, 12, "a number of feet")(value)


def bands_in(value: Any) -> float | None:
    """How many bands a text tells of; None where it is a size."""
    apart = take_apart(read_text(value, "a reading")) if isinstance(value, str) else None
    counts = dict.fromkeys(("band", "bands", "fringe", "fringes"), 1.0)
    return apart[0] if apart is not None and find(apart[1].lower(), counts) else None


def _value(value: Any) -> float:
    """What a gauge showed [m], or [rad] where that is what the text says."""
    if bands_in(value) is not None:
        how = "give the reading as a table beside its gauge, or its height"
        raise RefusedError(
            f"{shown(value)}: how high a band is, only its optical flat knows: {how}", "type"
        )
    apart = take_apart(read_text(value, "a reading")) if isinstance(value, str) else None
    angular = apart is not None and apart[1] and find(apart[1], _SLOPE.units)
    return SIZE_SLOPE(value) if angular else READ(value)


VALUE = Reader(_value, str)


def DATE(value: Any) -> datetime.date:  # noqa: N802
    """A day."""
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    if isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value.strip())
        except ValueError:
            pass
    raise RefusedError(
        f"{shown(value)} is no date: write year-month-day, such as 2026-01-31", "type"
    )


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
    if plate.thickness is None or plate.feet is not None or conditions.support == "bedded":
        return 0.0  # what feet do is reckoned with, and is no doubt
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
