"""Where flat faces begin to lift, asked two ways: along the stroke, and over the edge that counts.

A rectangle of width b on a wider face lifts when the load's line leaves the middle third of what bears (the
core of a section, any handbook of mechanics): with half of b - overhang beyond the edge at a quarter of b.
"""

from dataclasses import replace
from math import pi, radians

import numpy as np
import pytest

from lapwright.integration.estimate import outlook
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import outwards
from lapwright.kinematics.overlap import overlap
from lapwright.specification.curves import Circle, FigureEight, Line, Still, Zigzag
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Load, Step, Turn, Wear

GRIT = Grit("15 um", 15e-6, Wear(1e-12), Layer(1e-6))
PLATE = Plate(Rectangle(0.4, 0.2), 0.03, name="plate")
RAIL = Plate(Rectangle(0.24, 0.04), 0.03, name="rail")


def ahead(top, bottom, curve, **more):
    step = Step(
        top=top.name, bottom=bottom.name, grit=GRIT, curve=curve, pace=1.0, time=600.0, **more
    )
    return outlook({top.name: top, bottom.name: bottom}, step)


@pytest.mark.parametrize("direction", [0.0, 0.5 * pi])
def test_a_rail_stroked_along_and_across_lifts_over_its_long_side(direction):
    curve = Zigzag(0.10, 0.17, 40) if direction == 0.0 else Zigzag(0.17, 0.10, 40)
    got = ahead(RAIL, PLATE, curve, direction=direction)
    # It stays 30 mm within the plate along, and hangs 5 mm out of it across.
    assert got.edge.at.overhang == pytest.approx(0.005, abs=2e-4)
    assert got.edge.limits.lift.overhang == pytest.approx(0.25 * 0.04, rel=1e-3)
    assert got.edge.limits.lift.share == pytest.approx(0.25, rel=1e-3)
    assert got.edge.limits.tip.overhang == pytest.approx(0.5 * 0.04, rel=1e-3)
    assert not got.lifts
    # Along the stroke itself, as before.
    assert got.lift_off_overhang == pytest.approx(0.06 if direction == 0.0 else 0.01, rel=1e-3)


def test_a_rail_that_goes_too_far_aside_lifts_though_its_ends_stand():
    got = ahead(RAIL, PLATE, Zigzag(0.10, 0.185, 40))
    assert got.edge.at.overhang == pytest.approx(0.0125, abs=2e-4)
    assert got.edge.at.overhang < got.lift_off_overhang
    assert got.lifts
    # Far over its end it stands all the same: 30 mm are an eighth of its length.
    far = ahead(RAIL, PLATE, Zigzag(0.22, 0.10, 40))
    assert far.overhang == pytest.approx(0.03, abs=1e-3)
    assert not far.lifts


def flat_least(top, bottom, c, theta=0.0):
    return overlap(top.outline, bottom.outline, c, theta).pressure(1.0, c).least


def unlike(above, below, poses):
    """Places of the top (x, y, angle) in which the two outlines lie unlike each other.

    Each of these outlines is its own image when turned half round, so a place and the one right opposite are
    alike.  A round top is the same however far it is turned; between round outlines the distance is all.
    """
    found = set()
    for x, y, angle in zip(poses.cx, poses.cy, poses.theta, strict=True):
        x, y, angle = (round(float(v), 12) + 0.0 for v in (x, y, angle % pi))
        if not isinstance(above, Rectangle):
            angle = 0.0
            if not isinstance(below, Rectangle):
                x, y = round(float(np.hypot(x, y)), 12), 0.0
        found.add(max((x, y, angle), (-x + 0.0, -y + 0.0, angle)))
    return found


CASES = {
    "discs": (Disc(0.16), Disc(0.16), Circle, 0.03),
    "a small disc": (Disc(0.08), Disc(0.16), lambda s: Line(2.0 * s), 0.06),
    "squares": (Rectangle(0.1, 0.1), Rectangle(0.1, 0.1), lambda s: Line(2.0 * s), 0.025),
    "squares, a circle": (Rectangle(0.1, 0.1), Rectangle(0.1, 0.1), Circle, 0.025),
    "rails": (Rectangle(0.24, 0.04), Rectangle(0.24, 0.04), Circle, 0.008),
    "rails, an eight": (
        Rectangle(0.24, 0.04),
        Rectangle(0.24, 0.04),
        lambda s: FigureEight(4.0 * s, s),
        0.015,
    ),
    "a rail on a disc": (Rectangle(0.24, 0.04), Disc(0.3), Circle, 0.06),
    "a disc on a box": (Disc(0.1), Rectangle(0.3, 0.2), lambda s: Zigzag(2.0 * s, s, 40), 0.08),
    "a ring": (Ring(0.08, 0.04), Disc(0.16), Circle, 0.055),
    "rings": (Ring(0.08, 0.04), Ring(0.16, 0.06), Circle, 0.01),
}


# On either side of where it begins to lift; further from it by hand.
FURTHER = [pytest.param(share, marks=pytest.mark.long) for share in (0.6, 0.9, 1.1, 1.5)]


@pytest.mark.always(*range(0, 120, 12), *range(7, 120, 12))
@pytest.mark.parametrize("share", [0.97, 1.03, *FURTHER])
@pytest.mark.parametrize("angle", [0.0, 0.4])
@pytest.mark.parametrize("name", CASES)
def test_it_lifts_where_flat_faces_pull_in_some_place_of_the_step(name, angle, share):
    above, below, curve, size = CASES[name]
    top, bottom = Plate(above, 0.03, name="top"), Plate(below, 0.03, name="bottom")
    turn = Turn(angle, 1) if angle else Turn()
    step = Step(
        top="top",
        bottom="bottom",
        grit=GRIT,
        curve=curve(share * size),
        pace=1.0,
        time=60.0,
        turn=turn,
    )
    got = outlook({"top": top, "bottom": bottom}, step)
    poses = Motion(step).poses(
        np.arange(60.0)[:, None].repeat(24, 1).ravel() + np.tile(np.arange(24) / 24, 60)
    )
    least = min(flat_least(top, bottom, (x, y), t) for x, y, t in unlike(above, below, poses))
    if abs(got.edge.room) > 0.02 * size:
        assert got.lifts == (least < 0.0), (got.edge, least)


@pytest.mark.parametrize("name", CASES)
def test_places_that_are_alike_pull_alike(name):
    """What `unlike` leaves out is no other case."""
    above, below, curve, size = CASES[name]
    step = Step(
        top="t", bottom="b", grit=GRIT, curve=curve(size), pace=1.0, time=60.0, turn=Turn(0.4, 1)
    )
    poses = Motion(step).poses(np.linspace(0.1, 40.3, 30))
    top, bottom = Plate(above, 0.03, name="top"), Plate(below, 0.03, name="bottom")
    every = [
        flat_least(top, bottom, (float(x), float(y)), float(t))
        for x, y, t in zip(poses.cx, poses.cy, poses.theta, strict=True)
    ]
    left = [flat_least(top, bottom, (x, y), t) for x, y, t in unlike(above, below, poses)]
    for least in every:
        assert min(abs(least - other) for other in left) <= 1e-6 * max(1.0, abs(least))


def test_two_rings_lift_over_their_bores_long_before_the_edge():
    ring = Plate(Ring(0.08, 0.04), 0.02, name="ring")
    wide = Plate(Ring(0.16, 0.06), 0.03, name="plate")
    got = ahead(ring, wide, Circle(0.006))
    assert got.edge.limits.lift.overhang < 0.0
    assert flat_least(ring, wide, (0.999 * got.edge.limits.lift.apart, 0.0)) > 0.0
    assert flat_least(ring, wide, (1.001 * got.edge.limits.lift.apart, 0.0)) < 0.0
    assert not got.lifts
    assert ahead(ring, wide, Circle(0.012)).lifts


def test_a_load_turned_with_the_top_lifts_on_its_own_side():
    disc = Plate(Disc(0.16), 0.03, name="A")
    other = replace(disc, name="B")
    load = Load(force=40.0, at=(0.02, 0.0), fixed_to="hand")
    got = ahead(disc, other, Line(0.05), load=load)
    plain = ahead(disc, other, Line(0.05), load=Load(force=40.0))
    assert got.edge.limits.lift.overhang < plain.edge.limits.lift.overhang - 0.004


def test_outwards_is_over_the_nearest_edge_that_counts():
    assert np.hypot(*outwards(Disc(0.1), Disc(0.1), (0.0, 0.0))) == 1.0  # all ways are alike
    assert outwards(Disc(0.1), Disc(0.1), (0.0, 0.02)) == pytest.approx((0.0, 1.0))
    assert outwards(Rectangle(0.24, 0.04), Rectangle(0.4, 0.2), (0.09, 0.085)) == pytest.approx(
        (0.0, 1.0)
    )
    assert outwards(
        Rectangle(0.24, 0.04), Rectangle(0.4, 0.2), (-0.17, 0.0), radians(0.0)
    ) == pytest.approx((-1.0, 0.0))


def test_standing_still_in_the_middle_has_limits_too():
    disc = Plate(Disc(0.16), 0.03, name="A")
    got = ahead(disc, replace(disc, name="B"), Still(), turn=Turn(0.1))
    assert got.edge.limits.lift.overhang == pytest.approx(0.3929023 * 0.08, rel=1e-6)
    assert not got.lifts
