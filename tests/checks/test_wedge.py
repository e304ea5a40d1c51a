"""Thickness and wedge of a part, against statics and symmetry.

Eccentric compression: S. Timoshenko, Strength of Materials (1930), from memory; parallelism: ISO 1101, from
memory.
"""

from dataclasses import replace
from math import atan2, cos, degrees, hypot, pi, radians, sin

import numpy as np
import pytest

from lapwright.errors import CommandError, StudyError
from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.thickness import at_size, thickness_of
from lapwright.optimisation.askable import check_goal
from lapwright.specification.outline import Disc, Outline, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Load, Step, Turn, Until
from lapwright.specification.wedge import Wedge
from lapwright.study.read import parse
from lapwright.study.sizes import load_against
from lapwright.verification import closed_forms as exact
from lapwright.verification.scenes import NO_MARGIN, disc, last, plain_grit, start_step
from lapwright.verification.thickness_rows import ASIDE, FORCE, PART, wedged


@pytest.mark.parametrize("outline", [Disc(0.08), Ring(0.08, 0.05)], ids=["disc", "ring"])
def test_load_off_the_middle_laps_a_wedge_as_statics_has_it(outline: Outline) -> None:
    got, off = wedged(outline)
    closed = exact.wedge_of_load(ASIDE, PART, 0.5 * outline.bore)
    assert got.wedge / off == pytest.approx(closed, rel=2e-3)


def test_a_face_worn_down_at_one_side_is_thin_there() -> None:
    """Lower by a micrometre at 3 o'clock and higher by one at 9: 2 um thicker at 9, by plane geometry."""
    plain = Plate(Disc(0.16), thickness=0.03, cells=48, name="A")
    worn = plain.heights() - 1e-6 * plain.grid.mesh()[0] / 0.08
    got = thickness_of(plain, worn, NO_MARGIN)
    assert got.wedge == pytest.approx(2e-6, rel=1e-9)
    assert abs(got.at) == pytest.approx(pi)
    assert got.mean == pytest.approx(0.03, abs=1e-12)
    # One that was 2 um thicker at 3 o'clock is even then.
    assert thickness_of(plain.replace(wedge=Wedge(2e-6, 0.0)), worn, NO_MARGIN).wedge < 1e-12


def test_what_is_thick_at_3_oclock_is_pressed_at_9_from_above() -> None:
    """Eccentric compression of a disc: metal goes by 1 + 4 e x / R^2, so that e = slope R^2 / (4 metal)."""
    top = Plate(Disc(0.16), mass=2.0, thickness=0.03, cells=64, name="A")
    step = start_step(load=Load(30.0))
    at = load_against(Wedge(1e-6, 0.0), top, step, 2e-6)
    share = 30.0 / (30.0 + top.weight)
    assert at[0] == pytest.approx(-(1e-6 / 0.16) * 0.08**2 / (4.0 * 2e-6 * share), rel=3e-3)
    assert at[1] == pytest.approx(0.0, abs=1e-12)


def test_a_size_that_names_no_plate_is_that_of_the_smaller() -> None:
    large = Plate(Disc(0.16), thickness=0.03, cells=24, name="A")
    small = Plate(Disc(0.06), thickness=0.0119, cells=24, name="B")
    faces = {one.name: one.heights() for one in (large, small)}
    for pair_of in ((large, small), (small, large)):
        assert at_size(Until(thickness={"": 0.012}), pair_of, faces, NO_MARGIN)
        assert not at_size(Until(thickness={"": 0.0118}), pair_of, faces, NO_MARGIN)


@pytest.mark.parametrize("hour", [12.0, 4.5, 9.0])
def test_part_is_thin_where_it_was_pressed_seen_from_the_other_side(hour: float) -> None:
    # Pressed towards 2 as seen from above is pressed towards 10 looking at its face: it stays thick at 4.
    above = radians(90.0 - 30.0 * hour)
    thick, _ = wedged(high=above)
    pressed = -cos(above), sin(above)
    apart = thick.at - atan2(-pressed[1], -pressed[0])
    assert hypot(cos(apart) - 1.0, sin(apart)) < 1e-3


def test_finer_cells_come_nearer_to_statics() -> None:
    closed = exact.wedge_of_load(ASIDE, PART)
    off = [abs(got.wedge / metal - closed) for got, metal in (wedged(cells=24), wedged(cells=64))]
    assert off[1] < 0.5 * off[0]


@pytest.mark.campaign
def test_turned_part_under_a_hand_of_the_bench_stays_parallel() -> None:
    load = Load(FORCE, (ASIDE, 0.0), "bench")
    whole, off = wedged(load=load, turn=Turn(2.0 * pi / 360.0))
    half, _ = wedged(load=load, turn=Turn(pi / 360.0))
    quarters, _ = wedged(load=load, turn=Turn(0.5 * pi, 90))
    closed = exact.wedge_of_load(ASIDE, PART)
    assert max(whole.wedge, quarters.wedge) < 2e-3 * off
    # Over half a turn the mean of the directions is 2/pi long (mean of a sine over its half wave).
    assert half.wedge / off == pytest.approx(2.0 / pi * closed, rel=4e-3)


def test_turning_takes_nothing_from_a_wedge_by_a_load_that_turns_with_the_part() -> None:
    turned, off = wedged(turn=Turn(2.0 * pi / 360.0))
    assert turned.wedge / off == pytest.approx(exact.wedge_of_load(ASIDE, PART), rel=4e-3)


def test_wedge_stays_under_an_even_load_and_thickness_goes_down_by_the_metal_off() -> None:
    wedge = Wedge("6 um", "1:30")
    part = replace(disc("A", 32), thickness=0.012, wedge=wedge)
    end = last((part, disc("B", 32)), start_step(0.2))
    now = thickness_of(part, end.heights["A"], NO_MARGIN)
    assert now.wedge == pytest.approx(6e-6, rel=1e-6)
    assert degrees(now.at) == pytest.approx(45.0, abs=1e-4)
    assert now.mean == pytest.approx(0.012 - end.removed["A"], abs=1e-15)


def test_form_and_tilt_of_a_map_are_no_wedge() -> None:
    plate = Plate(Disc(0.1), 0.02, form=StartForm(sphere=3e-6, twist=2e-6), cells=32)
    begun = thickness_of(plate, plate.heights(), EdgeMargin())
    assert begun.wedge < 1e-18
    assert begun.mean == 0.02
    # A plane of 5 um on the disc, laid on the face as it is worn: that much thicker at 12 o'clock.
    tilted = plate.heights() + 5e-6 * plate.grid.y[:, None] / 0.1
    now = thickness_of(plate, tilted, EdgeMargin())
    assert now.wedge == pytest.approx(5e-6, rel=1e-9)
    assert degrees(now.at) == pytest.approx(90.0)


def test_parallelism_is_the_range_over_the_back() -> None:
    # Of a flat face it is the wedge as far as the face goes inside its margin (ISO 1101, from memory).
    plate = Plate(Rectangle(0.08, 0.04), 0.02, wedge=Wedge(8e-6, 0.0), cells=64)
    inside = EdgeMargin(share=None, length=0.005)
    now = thickness_of(plate, plate.heights(), inside)
    assert now.wedge == pytest.approx(8e-6, rel=1e-12)
    assert now.parallelism == pytest.approx(8e-6 * 70.0 / 80.0, rel=0.02)


@pytest.mark.parametrize(
    ("high", "by"), [(0.0, 80.0), (0.5 * pi, 40.0), (radians(30.0), 80.0 * cos(pi / 6.0) + 20.0)]
)
def test_wedge_of_a_rectangle_is_told_corner_to_corner(high: float, by: float) -> None:
    plate = Plate(Rectangle(0.08, 0.04), 0.02, wedge=Wedge(4e-6, high))
    now = thickness_of(plate, plate.heights(), EdgeMargin())
    slope = 4e-6 / (1e-3 * by)
    assert now.slopes == pytest.approx((slope * cos(high), slope * sin(high)), abs=1e-15)
    corners = [now.over(x, y) for x in (-0.04, 0.04) for y in (-0.02, 0.02)]
    assert np.ptp(corners) == pytest.approx(4e-6, rel=1e-6)


@pytest.mark.long
def test_until_stops_at_the_size_and_not_before() -> None:
    part = replace(disc("A", 24), thickness=0.012)
    plates = part, disc("B", 24)
    step = Step(
        "A", "B", plain_grit(), start_step().curve, pace=1.0, time=3600.0,
        until={"thickness": {"A": "11.9995 mm"}},
    )  # fmt: skip
    end = last(plates, step)
    rate = end.removed["A"] / end.clock.strokes
    assert end.outcome == "until"
    assert 0.0 <= end.removed["A"] - 0.5e-6 <= 4.0 * rate  # looked at every four strokes
    both = replace(step, until={"thickness": {"A": "11.9995 mm"}, "wedge": {"A": "1 nm"}})
    assert last((replace(part, wedge=Wedge(2e-6, 0.0)), plates[1]), both).outcome == "limit"


TO_SIZE = """
plates.ring = { ring = ["80 mm", "50 mm"], thickness = "12.006 mm", wedge = { by = "4 um", high = "3:00" } }
plates.table = { disc = "160 mm", thickness = "30 mm" }
[[steps]]
top = "ring"
bottom = "table"
grit = "15 um"
until = { thickness = "12.000 mm", wedge = { ring = "0.5 um" } }
[goal]
flatness = "0.3 um"
[tune.free]
"steps.1.load" = ["10 N", "30 N"]
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"12.000 mm"', '"12.010 mm"', "lapping makes nothing thicker"),
        ('"12.000 mm"', "12", "has no unit"),
        ('"12.000 mm"', '{ rng = "12.000 mm" }', "there is no plate 'rng'"),
        ('"12.000 mm"', "{ ring = 12 }", "has no unit"),
        ('disc = "160 mm"', 'ring = ["80 mm", "50 mm"]', "write whose"),
        ('high = "3:00"', 'high = "25:00"', "is no hour"),
        ('by = "4 um"', 'by = "15 mm"', "too large"),
        (', high = "3:00"', "", "high"),
    ],
)
def test_sizes_that_cannot_be_are_refused_in_one_line(old: str, new: str, said: str) -> None:
    with pytest.raises(StudyError) as caught:
        parse(TO_SIZE.replace(old, new, 1), "ring")
    assert said in str(caught.value)
    assert len(str(caught.value).splitlines()) <= 2


def test_the_smaller_plate_is_meant_where_none_is_named() -> None:
    until = parse(TO_SIZE, "ring").steps[0].until
    assert until is not None
    assert until.thickness == {"ring": 0.012}
    assert until.wedge == {"ring": 0.5e-6}


def test_a_search_refuses_a_step_that_stops_at_a_size() -> None:
    with pytest.raises(CommandError, match="does not follow thickness"):
        check_goal(parse(TO_SIZE, "ring"))
