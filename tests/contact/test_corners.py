"""Corner cases: touching circles, partners that wear by material, gauges that are passed by."""

from math import pi

import numpy as np
import pytest
from lapping_scene import LOAD, discs, grit, step

from lapwright.errors import NoOverlapError, TippedError
from lapwright.integration.loop import lap
from lapwright.kinematics.overlap import overlap
from lapwright.specification.curves import Circle, Line, Still, Zigzag
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import Disc, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Observation, Until, Wear


def end(plates, *steps, **more):
    return list(lap(plates, list(steps), **more))[-1]


def test_a_zigzag_takes_off_what_its_path_says():
    """F. W. Preston 1927, from memory: kappa F times the path, one stroke out and back 2 L and a little."""
    plates = discs(cells=32)
    got = end(plates, step(curve=Zigzag(0.03, 0.004, 200.0), strokes=600))
    path = 600 * 2 * 0.03
    assert got.removed["A"] == pytest.approx(1e-12 * LOAD * path / plates["A"].land_area, rel=2e-3)


@pytest.mark.parametrize("travel", [0.0299, 0.03, 0.0301])
def test_circles_that_touch_from_inside_still_overlap(travel):
    """A disc just inside a ring: its area less the part over the bore, by the lens of two circles."""
    radius, bore, c = 0.02, 0.05, 0.04 + travel
    lens = 0.0
    if c < radius + bore:
        a = np.arccos((c**2 + radius**2 - bore**2) / (2 * c * radius))
        b = np.arccos((c**2 + bore**2 - radius**2) / (2 * c * bore))
        sides = (
            (-c + radius + bore) * (c + radius - bore) * (c - radius + bore) * (c + radius + bore)
        )
        lens = radius**2 * a + bore**2 * b - 0.5 * np.sqrt(sides)
    got = overlap(Disc(2 * radius), Ring(0.2, 2 * bore), (c, 0.0)).area
    assert got == pytest.approx(pi * radius**2 - lens, rel=1e-6)


def test_equal_rings_rub_in_circles_that_make_bore_and_rim_touch():
    ring = Plate(Ring(0.16, 0.1), mass=4.0, cells=48, name="A")
    plates = {"A": ring, "B": Plate(Ring(0.16, 0.1), mass=4.0, cells=48, name="B")}
    got = end(plates, step(curve=Circle(0.03), strokes=4))
    assert got.removed["A"] > 0.0


def test_a_plate_that_wear_was_not_given_for_wears_by_material_whatever_it_meets():
    plates = {
        n: Plate(Disc(0.16), mass=4.0, cells=24, material=MATERIALS[m], name=n)
        for n, m in {"B": "grey iron", "T": "grey iron", "C": "bronze", "D": "glass"}.items()
    }
    cut = grit(wear=Wear(plates={"B": 1e-12, "T": 3e-12}))
    on_b = end(plates, step(top="C", bottom="B", grit=cut, strokes=5)).removed["C"]
    on_t = end(plates, step(top="C", bottom="T", grit=cut, strokes=5)).removed["C"]
    apart = end(plates, step(top="C", bottom="D", grit=cut, strokes=5)).removed
    assert on_b == pytest.approx(on_t, rel=1e-6)
    assert apart["C"] == pytest.approx(on_b, rel=1e-6)
    # factors of the table: glass 3, bronze 1.5 (common practice, no source)
    assert apart["D"] == pytest.approx(2.0 * apart["C"], rel=1e-6)


def test_wear_seen_on_one_pair_serves_another():
    plates = discs(cells=24) | {
        n: Plate(Disc(0.16), mass=4.0, cells=24, name=n) for n in ("C", "D")
    }
    seen = grit(wear=Wear(observed=Observation(60.0, removed=1e-7)))
    got = end(plates, step(grit=seen, time=60.0), step(top="C", bottom="D", grit=seen, time=60.0))
    assert got.removed["A"] == pytest.approx(1e-7, rel=0.02)
    weight = plates["C"].weight / LOAD
    assert got.removed["C"] == pytest.approx(1e-7 * weight, rel=0.02)


@pytest.mark.campaign
def test_a_difference_that_passes_zero_between_two_looks_stops_the_step():
    plates = discs(cells=32, top=StartForm(sphere=0.3e-6))
    got = end(plates, step(time=3600.0, until=Until(difference=0.0)))
    assert got.outcome == "until"
    assert got.clock.strokes < 3600


@pytest.mark.campaign
def test_metal_to_be_removed_counts_from_the_start_of_the_step():
    plates = discs(cells=24)
    goal = Until(removed=0.1e-6)
    got = end(plates, step(strokes=400), step(strokes=3600, until=goal))
    first = end(plates, step(strokes=400))
    assert got.outcome == "until"
    assert np.mean([got.removed[n] - first.removed[n] for n in "AB"]) == pytest.approx(
        0.1e-6, rel=0.1
    )


def test_a_top_over_the_bore_tips_and_one_far_away_does_not_lie_on_it():
    plates = {
        "A": Plate(Disc(0.04), mass=0.3, cells=32, name="A"),
        "B": Plate(Ring(0.16, 0.1), mass=4.0, cells=64, name="B"),
    }
    with pytest.raises(TippedError, match="over the land"):
        end(plates, step(curve=Circle(0.045), strokes=2))
    with pytest.raises(NoOverlapError, match="does not lie on"):
        end(discs(cells=24), step(curve=Still(), centre=(0.3, 0.0), strokes=2))
    assert end(plates, step(curve=Line(0.01), centre=(0.065, 0.0), strokes=2)).outcome == "done"
