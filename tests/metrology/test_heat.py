"""Heat of rubbing against conduction solved step by step and textbook forms."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.conditions import (
    AIR,
    bow,
    difference,
    rubbing_power,
    share_of_heat,
    time_constant,
    waiting,
    warm_up,
)
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate

IRON = Plate(Disc(0.25), thickness=0.04, name="A")
STEEL = replace(IRON, name="B", material=MATERIALS["steel"])


def test_power_is_work_against_friction():
    # 63 N at 0.17 m/s and friction 0.15, by hand
    assert rubbing_power(0.15, 63.0, 0.17) == pytest.approx(1.60650)


@pytest.mark.parametrize(
    ("plate", "want"), [(IRON, 2.050781e-6), (STEEL, 2.246094e-6)], ids=["iron", "steel"]
)
def test_bow_of_one_degree(plate, want):
    # kappa = alpha dT / h, 250 x 40 mm, 1 K (derived; Timoshenko, free plate)
    assert bow(plate, 1.0) == pytest.approx(want, rel=1e-6)


def test_a_bar_bows_over_its_length_and_a_square_over_its_diagonal():
    bar = Plate(Rectangle(0.05, 0.3), thickness=0.04, name="R")
    assert bow(bar, 1.0) == pytest.approx(2.050781e-6 * (0.3 / 0.25) ** 2, rel=1e-6)
    square = Plate(Rectangle(0.25, 0.25), thickness=0.04, name="S")
    assert bow(square, 1.0) == pytest.approx(2.0 * 2.050781e-6, rel=1e-6)


def test_the_thickness_follows_from_the_mass():
    by_mass = Plate(Disc(0.25), mass=IRON.total_mass, name="A")
    assert bow(by_mass, 1.0) == pytest.approx(bow(IRON, 1.0), rel=1e-12)
    assert time_constant(by_mass) == pytest.approx(time_constant(IRON), rel=1e-12)


def conducted(plate, power, seconds, layers=40):
    """Temperatures (layers,) [K above the room] from back to face: slices, one step after another.

    Heat flows in at the face and out at back and sides by the same coefficient of air; explicit differences.
    """
    metal, h = plate.material, plate.thickness
    thin = h / layers
    area, edge = plate.outline.area, np.pi * plate.outline.size[0] * thin
    between = metal.conductivity * area / thin
    capacity = metal.density * metal.heat_capacity * area * thin
    out = np.full(layers, AIR * edge)
    out[0] += AIR * area
    t, dt = np.zeros(layers), 0.4 * capacity / (2.0 * between)
    for _ in range(int(seconds / dt)):
        flow = between * np.diff(t)
        heat = -out * t
        heat[:-1] += flow
        heat[1:] -= flow
        heat[-1] += power
        t = t + dt * heat / capacity
    return t


@pytest.mark.campaign
def test_against_conduction_step_by_step():
    power, seconds = 2.0, 1800.0
    t = conducted(IRON, power, seconds)
    assert warm_up(IRON, power, seconds) == pytest.approx(t.mean(), rel=0.01)
    # The first moment of the temperature over the thickness is what bows a plate: 12 alpha / h^3 times it.
    h = IRON.thickness
    z = (np.arange(t.size) + 0.5) / t.size * h - 0.5 * h
    curvature = 12.0 * IRON.material.expansion / h**3 * (t * z).sum() * h / t.size
    bowed = curvature * 0.25**2 / 8.0
    most = bow(IRON, difference(IRON, power))
    assert 0.5 * most < bowed < most  # between all of the heat soaked up and all of it led through
    # It bows as soon as heat has gone through the thickness once: h^2 / diffusivity is two minutes.
    early = conducted(IRON, power, 120.0)
    assert 12.0 * IRON.material.expansion / h**3 * (early * z).sum() * h / t.size > 0.9 * curvature


def test_warm_up_ends_where_the_air_takes_all():
    skin = np.pi * 0.125**2 + np.pi * 0.25 * 0.04
    assert warm_up(IRON, 2.0, 1e9) == pytest.approx(2.0 / (AIR * skin), rel=1e-12)
    assert warm_up(IRON, 2.0, 1.0) == pytest.approx(2.0 / (IRON.total_mass * 500.0), rel=1e-3)


def test_waiting_ends_where_it_is_cool_enough():
    wait = waiting(IRON, 2.0, 0.5)
    assert 2.0 * np.exp(-wait / time_constant(IRON)) == pytest.approx(0.5, rel=1e-12)
    assert waiting(IRON, 0.4, 0.5) == 0.0
    assert waiting(IRON, 2.0, 0.5, 2.0 * AIR) == pytest.approx(0.5 * wait, rel=1e-12)


def test_heat_is_shared_by_how_well_each_soaks_it_up():
    assert share_of_heat(IRON, IRON) == 0.5
    glass = replace(IRON, name="G", material=MATERIALS["glass"])
    # sqrt(k rho c): grey iron 13 416, glass 1414 W s^1/2 / (m2 K)
    assert share_of_heat(IRON, glass) == pytest.approx(13416.4 / (13416.4 + 1414.2), rel=1e-4)
    assert share_of_heat(IRON, glass) + share_of_heat(glass, IRON) == pytest.approx(1.0)


def test_every_metal_conducts():
    assert all(
        0.1 < m.conductivity < 500.0 and 100.0 < m.heat_capacity < 1000.0
        for m in MATERIALS.values()
    )
