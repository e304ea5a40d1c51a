"""What takes wind out of rails and rectangles, and what does not.

Derived: two faces with the same wind lie on each other at every place of a stroke without turning, end for
end too (a half turn leaves 2xy as it is), and so does each pair of three rails.  Slanting strokes to one side
make wind by the law of moments (<2 cx cy>); to both sides in turn they leave it.  A quarter turn makes its
opposite of it.  Every stroke singly where it matters, blocks elsewhere.
"""

import numpy as np
import pytest

from lapwright.integration.estimate import outlooks
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings
from lapwright.metrology.form import measure
from lapwright.modal.reduced_model import Glances
from lapwright.results.findings import foreseen
from lapwright.specification.plate import StartForm
from lapwright.study.read import parse

EVERY_STROKE = Settings(poses=32, fewest_poses=32, most_poses=64, tolerance=1e-18, longest=1e-9)
UM = 1e-6
RAILS = """
parts.A = { rectangle = ["300 mm", "40 mm"], thickness = "40 mm", form = { wind = "2 um" }, cells = 60 }
parts.B = { like = "A", form = { wind = "2 um" } }
parts.C = { like = "A", form = { wind = "2 um" } }
"""
STEP = """
[[steps]]
top = "%s"
bottom = "%s"
grit = "fast"
load = "20 N"
%s
"""


FAST = '[grits.fast]\nsize = "15 um"\nwear = "8e-12 1/Pa"\n'


def ends(text, **more):
    study = parse('edge_margin = "0 %"\nbending = "off"\n' + text + FAST)
    *_, last = lap(
        study.plates, study.steps, rounds=study.rounds, seed=0, margin=study.margin, **more
    )
    return last, {
        name: measure(plate, last.heights[name], study.margin)
        for name, plate in study.plates.items()
    }


LINE = 'stroke = { kind = "line", length = "60 mm"%s }\nstrokes = %d'


@pytest.mark.always("8-end for end")
@pytest.mark.parametrize("turn", ["", 'turn = "180 deg every 10 strokes"'], ids=["", "end for end"])
@pytest.mark.parametrize("slant", [0, 8])
def test_two_rails_keep_the_same_wind(slant, turn):
    """Every stroke singly, the slant to one side and then to the other."""
    steps = "".join(
        STEP % ("A", "B", LINE % (f', direction = "{side * slant} deg"', 40) + "\n" + turn)
        for side in (1, -1)
    )
    last, forms = ends(RAILS + steps, settings=EVERY_STROKE)
    assert last.removed["A"] > 0.1 * UM
    for name in "AB":
        assert forms[name].wind == pytest.approx(2 * UM, rel=0.005)


def test_three_rails_keep_it_too():
    steps = "".join(STEP % (a, b, LINE % ("", 300)) for a, b in ("AB", "BC", "CA"))
    last, forms = ends("rounds = 3\n" + RAILS + steps)
    assert last.removed["A"] > 2 * UM
    for name in "ABC":
        assert forms[name].wind == pytest.approx(2 * UM, rel=0.02)


@pytest.mark.campaign
def test_a_wider_plate_on_which_it_is_laid_at_several_angles_takes_it_out():
    """With the plate's own mark of it, which each angle spreads over another place."""
    plate = (
        'plates.P = { rectangle = ["450 mm", "400 mm"], thickness = "60 mm", cells = 80 }\n'
        'parts.A = { rectangle = ["300 mm", "40 mm"], thickness = "40 mm", form = { wind = "2 um" }, '
        "cells = 54 }\n"
    )
    how = LINE % ("", 1200) + '\nturn = "%s"'
    _, along = ends(plate + STEP % ("A", "P", how % "180 deg every 20 strokes"))
    _, crossing = ends(plate + STEP % ("A", "P", how % "35 deg every 20 strokes"))
    assert abs(crossing["A"].wind) < 0.5 * abs(along["A"].wind)
    assert abs(crossing["A"].wind) < 0.6 * UM


@pytest.mark.campaign
@pytest.mark.parametrize("turned", [False, True])
def test_rectangles_up_to_twice_as_long_as_wide_may_be_crossed(turned):
    """A quarter turn every ten strokes: the wind goes, and the ends go unrubbed, so both end hollow along."""
    pieces = (
        'plates.A = { rectangle = ["300 mm", "200 mm"], thickness = "40 mm", form = { wind = "2 um" }, '
        'cells = 60 }\nplates.B = { like = "A", form = { wind = "2 um" } }\n'
    )
    turn = '\nturn = "90 deg every 10 strokes"' if turned else ""
    how = 'stroke = { kind = "figure-eight", length = "60 mm" }\nstrokes = 4000' + turn
    how += '\nswap_every = "5 min"'
    _, forms = ends(pieces + STEP % ("A", "B", how))
    for name in "AB":
        if turned:
            assert abs(forms[name].wind) < 0.6 * UM
            assert forms[name].bow < -0.5 * UM
        else:
            assert forms[name].wind == pytest.approx(2 * UM, rel=0.02)


CROSSED = """
plates.A = { rectangle = ["%d mm", "100 mm"], thickness = "30 mm", cells = 48 }
plates.B = { like = "A" }
"""
QUARTERS = (
    'stroke = { kind = "line", travel = "1/10" }\nstrokes = 1600\nswap_every = "5 min"\nturn = "%s"'
)


@pytest.mark.campaign
@pytest.mark.parametrize("length", [150, 200])
def test_what_quarter_turns_cost_is_told_as_the_engine_laps_it(length):
    """Flat pieces, so what comes is the cost alone: hollow lengthwise on both, and gone by half turns."""
    quarters = CROSSED % length + STEP % ("A", "B", QUARTERS % "90 deg every 10 strokes")
    _, forms = ends(quarters)
    study = parse('edge_margin = "0 %"\nbending = "off"\n' + quarters + FAST)
    ahead = outlooks(study.plates, study.steps)
    glance = Glances(study.plates, margin=study.margin).of(study.steps[0], 1, ahead[0])
    assert glance is not None
    for name in "AB":
        assert forms[name].bow < -0.3 * UM
        assert glance.mark[name]["bow"] == pytest.approx(forms[name].bow, rel=0.06)
    crossed = [one for one in foreseen(study, ahead) if one.code == "crossed"]
    assert [one.numbers["ends"] for one in crossed] == [pytest.approx((length - 100) / 2e3)]
    halves = STEP % ("A", "B", (QUARTERS % "180 deg every 10 strokes").replace("1600", "3200"))
    turned = parse(CROSSED % length + halves + FAST)
    seen = foreseen(turned, outlooks(turned.plates, turned.steps))
    assert "crossed" not in {one.code for one in seen}
    _, after = ends(quarters + halves)
    for name in "AB":
        assert abs(after[name].bow) < 0.4 * abs(forms[name].bow)


BOARDS = """
plates.A = { rectangle = ["400 mm", "100 mm"], thickness = "30 mm", cells = 64 }
plates.B = { like = "A" }
"""


def lopsided(plate):
    """A form that no half turn leaves as it is: high at one end, and lower at one corner of it."""
    x, y = plate.grid.mesh()
    u, v = x / 0.2, y / 0.05
    heights = UM * np.where(plate.land > 0.0, u**3 + 0.5 * u * v**2 + 0.3 * u**2 * v, 0.0)
    return plate.replace(form=StartForm(measured=(heights, plate.grid.cell)))


def tilted_shape(plate, heights):
    """Share of the odd shapes of `lopsided` in a face, by least squares with planes and even shapes."""
    x, y = plate.grid.mesh()
    on = plate.land >= 1.0
    u, v = x[on] / 0.2, y[on] / 0.05
    odd = u**3 + 0.5 * u * v**2 + 0.3 * u**2 * v
    shapes = np.stack([odd, np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    return float(np.linalg.lstsq(shapes, heights[on], rcond=None)[0][0])


@pytest.mark.campaign
@pytest.mark.parametrize("turn", ["none", "180 deg every 10 strokes"])
def test_a_board_of_four_to_one_that_is_not_alike_end_for_end(turn):
    """Blocks beside every stroke singly; and what a half turn does to an odd form.

    Derived: turned end for end an odd form lies on the bottom by turns as it is and as its opposite, so what
    the two wear into each other of it cancels: both keep half of it at most as a flat one meets it.
    """
    how = 'stroke = { kind = "line", length = "80 mm", direction = "10 deg" }\nstrokes = 80\n'
    how += f'turn = "{turn}"'
    study = parse('edge_margin = "0 %"\nbending = "off"\n' + BOARDS + STEP % ("A", "B", how) + FAST)
    plates = {"A": lopsided(study.plates["A"]), "B": study.plates["B"]}
    ended = [
        list(lap(plates, study.steps, seed=0, margin=study.margin, settings=settings))[-1]
        for settings in (Settings(), EVERY_STROKE)
    ]
    off = ended[1].removed["A"]
    assert off > 0.1 * UM
    for name in "AB":
        forms = [measure(plates[name], one.heights[name], study.margin) for one in ended]
        for form in ("bow", "crown", "wind"):
            quick, singly = (getattr(one, form) for one in forms)
            assert quick == pytest.approx(singly, abs=0.005 * off)
        odd = [tilted_shape(plates[name], one.heights[name]) for one in ended]
        assert odd[0] == pytest.approx(odd[1], abs=0.005 * off)
    mark = tilted_shape(plates["B"], ended[1].heights["B"])
    if turn == "none":
        # Face down its high end lies over the other end of the bottom, and sinks in there.
        assert mark > 0.05 * UM
    else:
        assert abs(mark) < 0.003 * UM


@pytest.mark.campaign
def test_boards_of_four_to_one_are_not_to_be_crossed():
    """Derived: crossed they share a quarter of their faces, and only their middles are rubbed."""
    quarters = BOARDS + STEP % ("A", "B", QUARTERS % "90 deg every 10 strokes")
    study = parse('edge_margin = "0 %"\nbending = "off"\n' + quarters + FAST)
    ahead = outlooks(study.plates, study.steps)
    crossed = [one for one in foreseen(study, ahead) if one.code == "crossed"]
    assert [one.numbers["ends"] for one in crossed] == [pytest.approx(0.15)]
    _, forms = ends(quarters)
    for name in "AB":
        assert forms[name].bow < -0.5 * UM  # hollow lengthwise
