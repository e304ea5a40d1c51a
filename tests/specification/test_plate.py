"""Plates and what they are made of."""

import dataclasses

import numpy as np
import pytest

from lapwright.errors import StudyError
from lapwright.specification.grooves import Grooves
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate


def test_mass_from_outline_thickness_and_density():
    # by hand: pi/4 x 0.16^2 x 0.03 m3 of 7200 kg/m3; standard gravity (CGPM 1901)
    plate = Plate(Disc(0.16), 0.03, name="A")
    assert plate.total_mass == pytest.approx(4.3429, rel=1e-4)
    assert plate.weight == pytest.approx(4.3429 * 9.80665, rel=1e-4)
    assert Plate(Ring(0.08, 0.05), 0.02, MATERIALS["steel"], name="A").total_mass == pytest.approx(
        0.48087, rel=1e-4
    )


def test_grooves_are_not_taken_off_the_mass_and_a_given_mass_wins():
    grooves = Grooves("square", 0.012, 0.002)
    assert (
        Plate(Disc(0.16), 0.03, grooves=grooves, name="A").total_mass
        == Plate(Disc(0.16), 0.03, name="A").total_mass
    )
    assert Plate(Disc(0.16), 0.03, mass=4.4, name="A").total_mass == 4.4
    assert Plate(Disc(0.16), mass=4.4, name="A").total_mass == 4.4
    with pytest.raises(StudyError, match=r"thickness: is missing: write .* or mass"):
        Plate(Disc(0.16), name="A")


def test_one_micron_off_an_iron_face_is_0_145_g():
    # model, section 3
    plate = Plate(Disc(0.16), 0.03, name="A")
    assert plate.mass_per_depth * 1e-6 == pytest.approx(0.145e-3, rel=3e-3)


def test_grooves_wear_nothing_off():
    # by hand: of each pitch of 12 mm 10 mm are left, both ways, on a square without edges cut off
    grooves = Grooves("square", 0.012, 0.002)
    plate = Plate(Rectangle(0.12, 0.12), 0.03, grooves=grooves, name="A")
    left = 7200.0 * 0.12**2 * (10.0 / 12.0) ** 2
    assert plate.mass_per_depth == pytest.approx(left, rel=1e-3)


def test_maps_are_frozen():
    plate = Plate(Disc(0.16), 0.03, cells=32, name="A")
    with pytest.raises(ValueError, match="read-only"):
        plate.land[0, 0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        plate.cells = 64
    assert hash(plate) == hash(Plate(Disc(0.16), 0.03, cells=32, name="A"))


def test_constants_of_iron_and_steel():
    # as published with the self-weight and thermal examples (checks 24, 25)
    iron, steel = MATERIALS["grey iron"], MATERIALS["steel"]
    assert (iron.modulus, iron.poisson, iron.density, iron.expansion) == (
        110e9,
        0.26,
        7200.0,
        10.5e-6,
    )
    assert (steel.modulus, steel.poisson, steel.density, steel.expansion) == (
        210e9,
        0.30,
        7850.0,
        11.5e-6,
    )


def test_wear_factors():
    # common practice, no source
    want = {
        "grey iron": 1.0,
        "hardened steel": 0.5,
        "stainless": 0.7,
        "bronze": 1.5,
        "aluminium": 2.0,
        "carbide": 0.1,
        "alumina": 0.3,
        "glass": 3.0,
    }
    assert {name: MATERIALS[name].wear_factor for name in want} == want


@pytest.mark.parametrize("metal", MATERIALS.values(), ids=lambda m: m.name)
def test_every_material_is_possible_and_says_where_it_is_from(metal):
    assert MATERIALS[metal.name] is metal
    assert metal.source
    assert 0.0 < metal.poisson < 0.5
    assert 1000.0 < metal.density < 20000.0
    assert 1e9 < metal.modulus < 1e12
    assert 0.0 < metal.expansion < 5e-5
    # speed of sound in a rod, km/s: between lead's 1.2 and diamond's 17 (handbooks, from memory)
    assert 1200.0 < np.sqrt(metal.modulus / metal.density) < 17000.0
