"""[gauges] and [[readings]]: each kind from text to a gauge that reads, and what is refused."""

from math import pi
from pathlib import Path

import pytest
from study_typed import with_step

from lapwright.errors import StudyError
from lapwright.metrology.contacts import Placement
from lapwright.metrology.instruments import Zero
from lapwright.study.gauges import gauge_keys
from lapwright.study.read import parse

EVERY = """
[gauges.s]
kind = "Spherometer"
feet = "ring"
foot_circle = "3 in"
zero = "B"
zero_error = "2 uin"
resolution = "10 uin"
warm_side = "0.9 degF"
soak = "1 h"
support = "rim"
[gauges.t]
kind = "twist gauge"
base = "100 mm"
width = "60 mm"
pad = "8 mm"
[gauges.r]
kind = "repeat reading"
base = "100 mm"
[gauges.e]
kind = "straightedge"
base = "140 mm"
zero = "0.3 um"
[gauges.b]
kind = "bridge"
[gauges.l]
kind = "level"
base = "100 mm"
resolution = "0.01 mm/m"
repeatability = "1 arcsec"
[gauges.a]
kind = "autocollimator"
base = "50 mm"
[gauges.o]
kind = "optical flat"
diameter = "75 mm"
wavelength = "helium"
wedge = "10 arcsec"
wedge_direction = "90 deg"
own = "-0.02 um"
"""


def study(extra):
    return parse(with_step(extra))


def faults(extra):
    with pytest.raises(StudyError) as caught:
        study(extra)
    return str(caught.value).splitlines()


def test_every_kind():
    gauges = study(EVERY).gauges
    assert [g.kind for g in gauges.values()] == [
        "spherometer",
        "twist gauge",
        "repeat reading",
        "straightedge",
        "bridge",
        "level",
        "autocollimator",
        "optical flat",
    ]
    s, t, r, e, _, level, a, o = gauges.values()
    assert (s.feet, s.foot_circle, s.zero) == (
        "ring",
        pytest.approx(0.0762),
        Zero("plate", plate="B"),
    )
    assert s.zero_error == pytest.approx(50.8e-9)
    assert (s.conditions.warm_side, s.conditions.soak, s.conditions.support) == (
        pytest.approx(0.5),
        3600.0,
        "rim",
    )
    assert (t.base, t.width, t.foot.pad) == (0.1, 0.06, 0.008)
    assert (r.zero, a.zero, level.zero) == (Zero("unknown"), Zero("unknown"), Zero())
    assert e.zero == Zero("master", 0.3e-6)
    assert level.resolution == pytest.approx(1e-5)
    assert level.repeatability == pytest.approx(pi / 648000)
    assert (o.wavelength, o.wedge_direction, o.own) == (587.6e-9, pytest.approx(pi / 2), -0.02e-6)
    # a tenth of a band from edge to edge is what an eye tells, if nothing else is said
    assert o.repeatability == pytest.approx(0.05 * 587.6e-9)
    plate = study(EVERY).plates["A"]
    assert all(g.contacts(Placement(), plate.outline).weight.size for g in gauges.values())


def test_readings():
    readings = study(
        EVERY
        + """
        [[readings]]
        gauge = "o"
        plate = "B"
        value = "3.4 bands"
        shape = "dish"
        [[readings]]
        gauge = "l"
        plate = "A"
        value = "-0.02 mm/m"
        at = ["20 mm", "0 mm"]
        [[readings]]
        gauge = "e"
        plate = "A"
        value = "40 uin"
        along = "-20 mm"
        approach = "down"
        date = 2026-02-01
        """
    ).readings
    assert readings[0].value == pytest.approx(-3.4 * 293.8e-9)
    assert (readings[1].value, readings[1].at) == (pytest.approx(-2e-5), (0.02, 0.0))
    assert (readings[2].along, readings[2].approach, readings[2].date.year) == (-0.02, "down", 2026)


@pytest.mark.parametrize(
    ("said", "sign"),
    [
        ('shape = "dome"', 1),
        ('press = "towards"', 1),
        ('press = "away"', -1),
        ('ends = "thin"', 1),
        ('ends = "open"', -1),
    ],
)
def test_dome_or_dish_by_a_press_or_a_wedge(said, sign):
    # tests/metrology/test_fringes.py finds both rules in the gap itself
    text = f"""{EVERY}
        [[readings]]
        gauge = "o"
        plate = "A"
        value = "2 bands"
        {said}
        """
    assert study(text).readings[0].value == pytest.approx(sign * 587.6e-9)


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("'spherometer'", 'gauges.g.foot_circle: is missing: write foot_circle = "80 mm"'),
        ("'twist gauge'", "gauges.g: needs its four feet"),
        ("'twist gauge'\nbase = '1 mm'", "gauges.g: needs its four feet"),
        ("'level'\nbase = '1 m'\nfeet = 3", "gauges.g.feet: unknown key"),
        (
            "'level'\nbase = '1 m'\nresolution = '1 um'",
            "gauges.g.resolution: '1 um' is not an angle",
        ),
        (
            "'bridge'\nball = '3 mm'\npad = '3 mm'",
            "gauges.g.pad: a foot ends in a ball or in a pad",
        ),
        ("'bridge'\nzero = 'C'", "'C' is no plate (plates here are A and B)"),
        ("'bridge'\nwarm_side = '20'", "gauges.g.warm_side: '20' has no unit"),
        (
            "'spherometer'\nfoot_circle = '8 cm'\nfeet = 'two'",
            "'two' is no number of feet",
        ),
        (
            "'optical flat'\ndiameter = '3 in'\nwavelength = 'natrium'",
            "'natrium' is no lamp",
        ),
        (
            "'bridge'\n[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = '3 bands'",
            "readings.1.value: '3 bands': only an optical flat shows bands",
        ),
        (
            "'bridge'\n[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = '1 um'\nshape = 'dish'\nends = 'open'",
            "has shape and ends together: write only one; each tells dome from dish",
        ),
        (
            "'bridge'\n[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = '3 um'\napproach = 'left'",
            "readings.1.approach: 'left' is not how the pointer came to it",
        ),
    ],
)
def test_refused(text, fragment):
    lines = faults(f"[gauges.g]\nkind = {text}")
    assert any(fragment in line for line in lines), lines


def test_every_key_is_shown_in_the_page():
    page = (Path(__file__).resolve().parents[2] / "docs" / "study-files.md").read_text("utf-8")
    assert not [key for key in gauge_keys() if f"`{key}`" not in page and f"\n{key} = " not in page]


def test_a_gauge_that_is_no_name_is_a_fault_in_one_line() -> None:
    """A list where a name is wanted, which nothing can look up."""
    study = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
steps = [{ top = "A", bottom = "B", grit = "15 um", time = "8 min" }]
readings = [{ gauge = [], plate = "A", value = "1 um" }]
"""
    with pytest.raises(StudyError, match=r"readings\.1\.gauge"):
        parse(study)
