"""The turning ring and the plate clutch."""

import known_answers as clutch
import numpy as np
import pytest


@pytest.mark.parametrize(
    ("time", "at_bore", "at_rim", "torque"),
    [  # derived and confirmed independently (order 8, 1e-12): ring 0.5 .. 1
        (1.0, 1.21188147, 0.85378392, 0.763602576),
        (5.0, 1.46619442, 0.75390481, 0.750910283),
        (300.0, 1.5, 0.75, 0.75),
    ],
)
def test_turning_ring(time, at_bore, at_rim, torque):
    facing = clutch.turning_ring(0.5, 1.0, time)
    assert facing.at_bore == pytest.approx(at_bore, rel=5e-9)
    assert facing.at_rim == pytest.approx(at_rim, rel=1e-8)
    assert facing.torque == pytest.approx(torque, rel=1e-9)


def test_turning_ring_against_small_steps():
    r = 0.5 + (np.arange(2000) + 0.5) / 4000
    p = np.ones_like(r)
    for _ in range(2000):
        half = p + 2.5e-4 * ((r * r * p).sum() / r.sum() - r * p)
        p = p + 5e-4 * ((r * r * half).sum() / r.sum() - r * half)
    facing = clutch.turning_ring(0.5, 1.0, 1.0)
    assert facing.at_bore == pytest.approx(p[0], rel=1e-3)
    assert facing.at_rim == pytest.approx(p[-1], rel=1e-3)


def test_plate_clutch_of_the_textbook():
    # Shigley, Mechanical Engineering Design, from memory: OD 250, ID 175 mm, mu 0.3, 4 kN
    worn = clutch.uniform_wear(0.0875, 0.125, 4e3)
    assert worn.at_bore == pytest.approx(194.017e3, rel=3e-6)
    assert 0.3 * worn.torque == pytest.approx(127.5, rel=1e-9)
    new = clutch.uniform_pressure(0.0875, 0.125, 4e3)
    assert new.at_rim == pytest.approx(159.779e3, rel=3e-6)
    assert 0.3 * new.torque == pytest.approx(128.8235, rel=1e-6)


def test_second_plate_clutch():
    # D. J. Grieve, clutch calculation, 2010, published: two faces, 1 MPa at the bore, 140/200 mm, mu 0.5
    force = 1e6 / clutch.uniform_wear(0.07, 0.1, 1.0).at_bore
    assert force == pytest.approx(13_194.69, rel=1e-6)
    assert 2 * 0.5 * clutch.uniform_wear(0.07, 0.1, force).torque == pytest.approx(
        1121.549, rel=1e-6
    )


def test_the_ring_ends_as_the_uniform_wear_clutch():
    worn = clutch.uniform_wear(0.5, 1.0, np.pi * 0.75)  # mean pressure 1
    assert (worn.at_bore, worn.at_rim, worn.torque / (np.pi * 0.75)) == pytest.approx(
        (1.5, 0.75, 0.75)
    )
