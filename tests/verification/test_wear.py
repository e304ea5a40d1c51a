"""The law of wear."""

import pytest

from lapwright.verification import closed_forms as wear


def test_mismatch_time():
    # derived and confirmed independently: K = 5e9, kappa sum 1e-12, v = 0.2
    assert wear.mismatch_time(1e-12, 5e9, 0.2) == pytest.approx(1000.0)


def test_one_preston_unit_is_a_micrometre_per_kilometre_and_kilopascal():
    # the unit of the model page: 1e-12 1/Pa; over 1 m2 at 1 kPa along 1 km
    assert wear.lost_volume(1e-12, 1e3, 1e3) == pytest.approx(1e-6)
