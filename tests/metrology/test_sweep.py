"""Gauges walked over a whole face: what a repeat-reading gauge and a swept indicator tell of it."""

from dataclasses import dataclass

import numpy as np
import pytest

from lapwright.metrology.contacts import Shaped, wave_reading
from lapwright.metrology.instruments import Bridge, RepeatReading
from lapwright.metrology.reading import grid_places, repeat_reading, swept_flatness
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm

UM = 1e-6
DISC = Plate(Disc(0.16), thickness=0.03, name="A")


@dataclass(frozen=True)
class Waved:
    """Waves along 3-9 of one wavelength [m], 1 um high over their mean."""

    plate: Plate
    wavelength: float

    def at(self, x, y):
        return UM * np.cos(2 * np.pi * x / self.wavelength) + 0 * y


def test_a_dome_repeats_everywhere_and_is_still_not_flat():
    # GGG-P-463c: a repeat reading is no flatness; three pads in line read a constant on a constant curvature
    got = repeat_reading(RepeatReading(base=0.06), Shaped(DISC, StartForm(sphere=3 * UM)))
    assert got.places > 100
    assert got.size < 1e-15
    assert swept_flatness(Bridge(), Shaped(DISC, StartForm(sphere=3 * UM))).size > 2.5 * UM


def test_a_twist_does_not_repeat():
    """At 45 and at 135 degrees it reads plus and minus half its share: r^2 / R^2 with r half the base."""
    got = repeat_reading(RepeatReading(base=0.08), Shaped(DISC, StartForm(twist=1 * UM)))
    assert got.size == pytest.approx(0.25 * UM, rel=1e-12)


def test_a_wave_is_read_as_its_closed_form_says():
    # derived: A (1 - cos(pi L / wavelength)) on a crest, minus that in a trough
    plate = Plate(Rectangle(0.15, 0.15), thickness=0.03, name="S")
    step = 0.15 / 15
    got = repeat_reading(RepeatReading(base=0.02), Waved(plate, 4 * step))
    assert got.size == pytest.approx(2 * wave_reading(UM, 4 * step, 0.02), rel=1e-9)


def test_a_grid_swept_over_a_saddle():
    # x^2 - y^2 on a square: its minimum zone is level (Chebyshev), as high as from 3-9 to 12-6 of the grid
    square = Plate(Rectangle(0.15, 0.15), thickness=0.03, name="S")
    got = swept_flatness(Bridge(), Shaped(square, StartForm(saddle=1 * UM)))
    reach = 0.07 / square.outline.radius
    assert got.places == 225
    assert got.size == pytest.approx(UM * reach**2, rel=1e-9)


def test_what_is_not_land_is_not_stood_on():
    ring = Plate(Ring(0.16, 0.08), thickness=0.03, name="R")
    assert all(0.04 < np.hypot(*at) < 0.08 for at in grid_places(ring.outline, 0.0))
    grooved = Plate(Disc(0.16), thickness=0.03, grooves=Grooves("square", 0.02, 0.004), name="G")
    whole = swept_flatness(Bridge(), Shaped(DISC, StartForm()))
    assert swept_flatness(Bridge(), Shaped(grooved, StartForm())).places < whole.places
    assert repeat_reading(RepeatReading(base=0.3), Shaped(DISC, StartForm())) is None
