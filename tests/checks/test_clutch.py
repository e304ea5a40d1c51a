"""A ring that turns on a layer (checks 7), through the whole engine."""

import known_answers as exact
import pytest

from lapwright.verification import contact_rows as clutch


@pytest.mark.campaign
def test_rows():
    failed = [row for row in clutch.clutch_rows() if not row.ok]
    assert not failed, failed


@pytest.mark.parametrize(("time", "bore"), [(0.5, 0.3), (2.0, 0.7)])
def test_other_rings_and_times(time, bore):
    # derived and confirmed independently
    got, expected = (
        clutch.turned_ring(time, bore, cells=72, strokes=100),
        exact.turning_ring(bore, 1.0, time),
    )
    assert got.at_bore == pytest.approx(expected.at_bore, rel=6e-3)
    assert got.at_rim == pytest.approx(expected.at_rim, rel=6e-3)
    assert got.torque == pytest.approx(expected.torque, rel=2e-3)
