"""The highest pressure: against its slow twin, and many poses at once against one by one."""

from dataclasses import replace

import numpy as np
import pytest
from lapping_scene import RADIUS, discs, pair, sample, step

from lapwright.contact.pressure import bearing, peaks, settle
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Turn


def edge_beyond_centre(share, normal_x, normal_y):
    """How far a straight edge lies beyond a cell's centre (Scardovelli and Zaleski 2000, from memory)."""
    wide = np.maximum(np.abs(normal_x), np.abs(normal_y))
    narrow = np.minimum(np.abs(normal_x), np.abs(normal_y))
    linear = (share - 0.5) * wide
    corner = 0.5 * (wide + narrow) - np.sqrt(2.0 * wide * narrow * np.maximum(1.0 - share, 0.0))
    return np.where(linear > 0.5 * (wide - narrow), corner, linear)


def slope(pressure, share, axis):
    """Mean of the differences to those neighbours along `axis` that bear as well."""
    total, known = np.zeros(share.shape), np.zeros(share.shape)
    for way in (1, -1):
        other = np.roll(np.pad(pressure, 1), -way, axis)[1:-1, 1:-1]
        both = (pressure > 0.0) & (other > 0.0)
        total += np.where(both, way * (other - pressure), 0.0)
        known += both
    return total / np.maximum(known, 1.0)


def highest(pressure, share):
    """Highest pressure, carried on by its slope to the edge of the land; whole arrays, as it is defined."""
    wide = np.pad(share, 1)
    normal_x, normal_y = wide[1:-1, :-2] - wide[1:-1, 2:], wide[:-2, 1:-1] - wide[2:, 1:-1]
    steep = np.hypot(normal_x, normal_y)
    one = np.where(steep > 0.0, steep, 1.0)
    outward = (normal_x * slope(pressure, share, 1) + normal_y * slope(pressure, share, 0)) / one
    beyond = edge_beyond_centre(share, normal_x / one, normal_y / one)
    return np.where(share >= 0.3, pressure + np.maximum(outward, 0.0) * beyond, 0.0).max()


TOPS = {
    "an equal disc": {},
    "a finer grid": {"cells": 50},
    "grooved": {"grooves": Grooves("square", 0.02, 0.004)},
    "a ring": {"outline": Ring(2 * RADIUS, 0.06)},
    "a square": {"outline": Rectangle(0.1, 0.07)},
    "a small disc": {"outline": Disc(0.09)},
}


@pytest.mark.parametrize("kind", TOPS)
def test_peaks_are_those_of_the_slow_twin(kind):
    plates = discs(40, StartForm(2e-6, 1e-6, -1e-6), StartForm(1e-6, -2e-6, 1e-6))
    a, b = replace(plates["A"], **TOPS[kind]), plates["B"]
    both = pair({"A": a, "B": b}, layer=3e-7)
    at = sample(step(turn=Turn(0.3)), np.arange(7) / 7)
    every = peaks(both, b.heights(), a.heights(), at)
    lifted = 0
    for k in range(7):
        one = settle(both, b.heights(), a.heights(), at, k)
        lifted += one.contact_share < 0.99
        assert one.peak == every[k]
        assert one.peak == pytest.approx(highest(one.pressure, one.share), rel=1e-12)
    assert lifted  # or the test says little


@pytest.mark.campaign
def test_the_worst_place_of_a_step_is_the_worst_of_its_places():
    """As found pose by pose: none of 240 places of the first stroke bears harder."""
    plates = discs(24, StartForm(2e-6, 1e-6))
    one = step(centre=(0.01, 0.0), time=600.0)
    worst = bearing(plates, one)
    phases = 2.0 * np.pi * np.arange(0, 240, 5) / 240
    assert worst.pressure_peak == pytest.approx(
        bearing(plates, one, phase=worst.phase).pressure_peak, rel=1e-9
    )
    assert max(
        bearing(plates, one, phase=p).pressure_peak for p in phases
    ) <= worst.pressure_peak * (1 + 1e-9)
