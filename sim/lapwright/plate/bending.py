"""How a plate bends under its own weight and under a difference of temperature: thin-plate closed forms.

Sources: S. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 1959 (from memory).
The simulator itself takes plates as rigid; these sizes tell when that is not good enough.
"""

from __future__ import annotations

from math import pi

from lapwright.plate.material import Material
from lapwright.plate.plate import Plate
from lapwright.units import GRAVITY

__all__ = ["beam_sag", "pressed_sag", "rim_sag", "self_weight_sag", "thermal_bow", "three_point_sag"]


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


def three_point_sag(material: Material, diameter: float, thickness: float, pressure: float) -> float:
    """Sag of the centre [m] on three equally spaced rim supports: 0.0362038 P a^2 / D at Poisson 0.25.

    P is the whole load; Timoshenko prints 0.0362 (from memory).
    """
    a = 0.5 * diameter
    return 0.0362038 * pressure * pi * a**2 * a**2 / _rigidity(material, thickness)


def thermal_bow(material: Material, diameter: float, thickness: float, difference: float) -> float:
    """Rise of the centre over the rim [m] of a free disc, one side `difference` [K] warmer: that side out."""
    return material.expansion * difference / thickness * diameter**2 / 8.0
