"""Bending of plates against published sizes (checks 24 and 25)."""

import numpy as np
import pytest

from lapwright.metrology.conditions import (
    beam_sag,
    pressed_sag,
    rim_sag,
    self_weight_sag,
    thermal_bow,
    three_point_sag,
)
from lapwright.specification.materials import MATERIALS, Material
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate

IRON, STEEL = MATERIALS["grey iron"], MATERIALS["steel"]


@pytest.mark.parametrize(
    ("metal", "want"), [(STEEL, 2.246094e-6), (IRON, 2.050781e-6)], ids=lambda m: str(m)
)
def test_thermal_bow(metal, want):
    # Timoshenko, free plate: alpha dT D^2 / (8 h), 250 x 40 mm, 1 K
    assert thermal_bow(metal, 0.25, 0.04, 1.0) == pytest.approx(want, rel=1e-6)


@pytest.mark.parametrize(
    ("metal", "want"), [(STEEL, 38.9105e-9), (IRON, 71.482e-9)], ids=lambda m: str(m)
)
def test_self_weight(metal, want):
    # published for 250 x 40 mm on a simply supported rim, g 9.80665
    assert self_weight_sag(metal, 0.25, 0.04) == pytest.approx(
        want, rel=2e-6 if metal is STEEL else 1e-5
    )


def test_under_the_pressure_of_lapping():
    # model, section 2: 3 kPa on 160 mm of iron bends 30 mm by 30 nm, 10 mm by 0.82 um
    assert rim_sag(IRON, 0.16, 0.03, 3000.0) == pytest.approx(30e-9, rel=0.02)
    assert rim_sag(IRON, 0.16, 0.01, 3000.0) == pytest.approx(0.82e-6, rel=0.01)


def test_three_rim_supports():
    # Timoshenko prints 0.0362 P a^2 / D at Poisson 0.25, P the whole load (from memory)
    metal = Material("of D = 1", 1.0, 12.0 * (1.0 - 0.25**2), 0.25, 0.0, 1.0)
    load = 2.0
    got = three_point_sag(metal, 2.0, 1.0, load / np.pi)
    assert got == pytest.approx(0.0362 * load, rel=2e-4)
    # three points carry less well than the whole rim
    assert got > rim_sag(metal, 2.0, 1.0, load / np.pi)


def test_rim_sag_solves_the_plate_equation():
    # D lap lap w = p with w = 0 and no moment at the rim: shot from w(r) = A + B r^2 + p r^4 / 64 D by hand
    a, h, pressure = 0.08, 0.01, 3000.0
    nu, rigidity = STEEL.poisson, STEEL.modulus * h**3 / (12.0 * (1.0 - STEEL.poisson**2))
    fourth = pressure / (64.0 * rigidity)
    # radial moment ~ w'' + nu w'/r = 2 (1 + nu) B + (12 + 4 nu) fourth r^2 = 0 at a; then A from w(a) = 0
    second = -(12.0 + 4.0 * nu) * fourth * a**2 / (2.0 * (1.0 + nu))
    first = -second * a**2 - fourth * a**4
    assert rim_sag(STEEL, 2.0 * a, h, pressure) == pytest.approx(first, rel=1e-12)


def test_a_bar_on_its_ends():
    """5 q L^4 / (384 E I), I = b t^3 / 12, any handbook of strength of materials, from memory."""
    length, thickness, breadth, pressure = 0.3, 0.02, 0.05, 3000.0
    metal = MATERIALS["steel"]
    inertia = breadth * thickness**3 / 12.0
    want = 5.0 * pressure * breadth * length**4 / (384.0 * metal.modulus * inertia)
    assert beam_sag(metal, length, thickness, pressure) == pytest.approx(want, rel=1e-12)


def test_a_plate_under_the_pressure_of_lapping_by_its_outline():
    disc = Plate(Disc(0.16), thickness=0.01, name="A")
    assert pressed_sag(disc, 3000.0) == pytest.approx(0.82e-6, rel=0.01)  # model, section 2
    bar = Plate(Rectangle(0.05, 0.3), thickness=0.02, name="R")
    assert pressed_sag(bar, 3000.0) == beam_sag(bar.material, 0.3, 0.02, 3000.0)
    assert pressed_sag(Plate(Disc(0.16), mass=4.4, name="B"), 3000.0) is None
