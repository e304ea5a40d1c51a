"""A trough with a pip is told as one: run, page, gauge, bands and table do not contradict each other."""

from __future__ import annotations

import re

import numpy as np
import pytest

from lapwright.metrology.form import measure
from lapwright.metrology.profile import profile_of
from lapwright.presentation import words
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.study.read import parse
from lapwright.units import Units

UM = 1e-6
DISC = Plate(Disc(0.16), 0.03, cells=96, name="A")
RING = Plate(Ring(0.08, 0.05), 0.012, cells=64, name="A")
PAIR = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "1 min"
"""


def forms(plate: Plate, of) -> dict:
    """Forms and profile of a round face whose heights [um] follow from the radius [mm]."""
    x, y = plate.grid.mesh()
    z = UM * of(1e3 * np.hypot(x, y))
    return measure(plate, z, parse(PAIR).margin).as_dict() | profile_of(plate, z).as_dict()


def pip(r):
    return 1.9 * (r / 80.0) ** 2 + 1.2 * np.exp(-((r / 20.0) ** 2))


def test_readings_of_a_trough_with_a_pip_by_hand():
    got = forms(DISC, pip)
    # The middle over 40 mm, over the rim, and where the slope is nothing: 1.9/6400 = 1.2/400 exp(-r2/400).
    assert got["middle"] == pytest.approx(UM * (pip(0.0) - pip(40.0)), rel=0.01)
    assert got["inner"] == pytest.approx(UM * (pip(0.0) - pip(80.0)), rel=0.01)
    assert got["feet"] == 0.08
    lowest = np.sqrt(400.0 * np.log(1.2 * 6400 / 1.9 / 400))
    assert -1e3 * got["turn"] == pytest.approx(lowest, abs=2.0)
    told = words.odd(got, 0.3 * UM)
    assert told.startswith("a trough with a pip in the middle, lowest 3")
    assert "hollow 1.4 um overall" in told
    assert "spherometer on 80 mm feet: middle high by 0.70 um" in told
    assert told in words.face(got, 0.3 * UM)
    assert told in " ".join(words.shapes({"A": got}, {"A": 0.3 * UM}))
    assert "28 uin" in words.odd(got, 0.3 * UM, Units.INCH)


@pytest.mark.parametrize(
    ("of", "what"),
    [
        (lambda r: -pip(r), "a crest with a dip in the middle"),
        (lambda r: (r / 80.0) ** 2, ""),
        (lambda r: -2.0 * (r / 80.0) ** 2, ""),
        (lambda r: 0.0 * r, ""),
        # A pip that does not turn the sign of any reading.
        (lambda r: 3.0 * (r / 80.0) ** 2 + 0.1 * np.exp(-((r / 5.0) ** 2)), ""),
    ],
)
def test_what_is_odd_and_what_is_not(of, what):
    told = words.odd(forms(DISC, of), 0.3 * UM)
    assert told.startswith(what) if what else told == ""


def test_what_is_finer_than_the_finish_is_no_shape():
    got = forms(DISC, pip)
    assert words.odd(got, 2.0 * UM) == ""
    assert words.odd(got, 1.0 * UM) != ""


def test_a_ring_is_told_from_bore_to_rim_in_bands():
    got = forms(RING, lambda r: 0.8 * ((r - 34.0) / 7.5) ** 2 * (r > 25.0))
    assert got["middle"] is None
    assert -1e3 * got["turn"] == pytest.approx(34.0, abs=1.0)
    # Half a wave of the yellow helium line, 587.6 nm: 293.8 nm or 11.567 millionths.
    told = words.in_bands(2.0 * 293.8e-9)
    assert told == "flat within 0.59 um (23 uin), 2.0 helium bands"
    line = words.shapes({"r": got}, {"r": None}, bores={"r": 1.0 - (50.0 / 80.0) ** 2})
    number = float(re.search(r"([\d.]+) helium bands", " ".join(line))[1])
    assert number == pytest.approx(got["flatness"] / (587.6e-9 / 2.0), rel=0.05)


def test_a_long_face_is_told_along_its_middle():
    """A hump in the middle of a rail hollow along: the rail's bow and a straightedge go two ways."""
    rail = Plate(Rectangle(0.3, 0.05), 0.02, name="A")
    x, y = rail.grid.mesh()
    z = UM * (1.5 * (x / 0.15) ** 2 + 2.5 * np.exp(-((np.hypot(x, y) / 0.015) ** 2)))
    got = measure(rail, z, parse(PAIR).margin).as_dict() | profile_of(rail, z).as_dict()
    assert got["bow"] < -0.5 * UM
    # The middle over the ends, which stand a tenth in at most (by hand: 2.5 um less 1.5 um at the very ends).
    assert 0.9 * UM < got["line"] < 2.2 * UM
    told = words.odd(got, 0.3 * UM)
    assert told.startswith("uneven along its length: bow hollow ")
    assert told in words.face(got, 0.3 * UM)
    plain = UM * 1.5 * (x / 0.15) ** 2
    even = measure(rail, plain, parse(PAIR).margin).as_dict() | profile_of(rail, plain).as_dict()
    assert words.odd(even, 0.3 * UM) == ""
