"""What plates stand on, where hands press, what is warm: said, refused, kept, and taken into account."""

import json

import numpy as np
import pytest

import lapwright as lw
from lapwright.errors import StudyError
from lapwright.metrology.bending import Elastic, as_read, sag_on_feet
from lapwright.metrology.form import measure
from lapwright.metrology.reading import model_of
from lapwright.study.read import parse
from lapwright.study.resolved import made, plain

UM = 1e-6
PAIR = """
%s
plates.A = { disc = "160 mm", thickness = "%s"%s }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "20 min"
load = "20 N"
turn = "8 deg per stroke"
%s
"""


def study(head="", thick="30 mm", plate="", step=""):
    return parse(PAIR % (head, thick, plate, step))


@pytest.mark.parametrize(
    ("said", "feet"),
    [
        ('"flat bed"', None),
        ('"three feet at 0.7 R"', 3),
        ('"3 feet on 0.7"', 3),
        ('[["60 mm", "0 mm"], ["-30 mm", "52 mm"], ["-30 mm", "-52 mm"]]', 3),
    ],
)
def test_supports_are_read(said, feet):
    plates = study(plate=f", supports = {said}").plates
    assert (plates["A"].feet and len(plates["A"].feet)) == feet
    assert plates["B"].feet is None  # `like` copies what a plate is, not what it stands on


def test_three_feet_stand_at_twelve_four_and_eight():
    feet = np.array(study(plate=', supports = "three feet at 0.7 R"').plates["A"].feet)
    assert np.allclose(np.hypot(*feet.T), 0.056)
    assert np.allclose(feet[0], (0.0, 0.056))


@pytest.mark.parametrize(
    ("said", "what"),
    [
        ('"four feet"', "says no supports: write"),
        ('"two feet at 0.577"', "two feet are for what is longer"),
        ('"three feet at 1.2 R"', "a share lies between 0 and 1"),
        ("3", "has no unit"),
        ('[["60 mm", "0 mm"], ["-30 mm", "0 mm"]]', "is no list of three feet"),
        ('[["60 mm", "0 mm"], ["-30 mm", "0 mm"], ["0 mm", "0 mm"]]', "stand in a line"),
        ('[["90 mm", "0 mm"], ["-30 mm", "52 mm"], ["-30 mm", "-52 mm"]]', "beyond the edge"),
        ('[["60 mm", "0 mm"], ["50 mm", "52 mm"], ["50 mm", "-52 mm"]]', "outside its feet"),
        ('[["60", "0 mm"], ["-30 mm", "52 mm"], ["-30 mm", "-52 mm"]]', "60"),
    ],
)
def test_what_no_plate_can_stand_on_is_refused(said, what):
    with pytest.raises(StudyError) as caught:
        study(plate=f", supports = {said}")
    (fault,) = caught.value.faults
    assert fault.key == "plates.A.supports"
    assert what in fault.message


HANDS = 'hands = [{ at = ["30 mm", "0 mm"], size = "60 mm", share = 0.75 }, { at = ["-30 mm", "0 mm"] }]'


def test_hands_say_where_the_load_acts():
    step = study(step=HANDS).steps[0]
    assert [palm.share for palm in step.load.hands] == pytest.approx([0.75, 0.25])
    assert step.load.at == pytest.approx((0.015, 0.0))


@pytest.mark.parametrize(
    ("more", "key", "what"),
    [
        (HANDS + '\nload_at = { x = "5 mm" }', "steps.1.hands", "has load_at and hands"),
        ('hands = "two"', "steps.1.hands", "is no list of one to eight hands"),
        ('hands = [{ size = "60 mm" }]', "steps.1.hands", "needs the place"),
        (
            'hands = [{ at = ["0 mm", "0 mm"], share = 0.5 }, { at = ["0 mm", "9 mm"], share = 0.4 }]',
            "steps.1.hands",
            "come to 0.9: they must make 1",
        ),
        ('hands = [{ at = ["0 mm", "0 mm"], force = "5 N" }]', "steps.1.hands", "a hand has no"),
        ('warm = { C = "0.1 K" }', "steps.1.warm.C", "unknown key"),
        ('warm = { A = "0.1 mm" }', "steps.1.warm.A", "difference of temperature"),
    ],
)
def test_hands_and_warmth_that_cannot_be_are_refused(more, key, what):
    with pytest.raises(StudyError) as caught:
        study(step=more)
    assert any(fault.key == key and what in fault.message for fault in caught.value.faults)


def test_hands_without_a_load_press_with_nothing():
    with pytest.raises(StudyError, match="press with nothing"):
        parse(PAIR.replace('load = "20 N"\n', "") % ("", "30 mm", "", HANDS))


def test_a_hand_beside_the_top_is_refused():
    with pytest.raises(StudyError, match="hand 1 presses beside A, at 90 mm, 0 mm"):
        study(step='hands = [{ at = ["90 mm", "0 mm"] }]')


def test_faults_of_hands_do_not_hide_others():
    with pytest.raises(StudyError) as caught:
        parse(PAIR.replace('"20 min"', '"20 mm"') % ("", "30 mm", "", 'hands = [{ at = "75 mm" }]'))
    assert {fault.key for fault in caught.value.faults} == {"steps.1.time", "steps.1.hands"}


RAILS = """
plates.A = { rectangle = ["300 mm", "40 mm"], thickness = "20 mm" }
plates.B = { like = "A", supports = "two feet at %s" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "20 min"
load = "20 N"
stroke = { kind = "line", length = "100 mm" }
"""


@pytest.mark.parametrize(("at", "tips"), [("0.577", False), ("0.24", False), ("0.21", True)])
def test_a_bottom_tips_on_feet_too_close(at, tips):
    """Statics: 36.95 N at 50 mm and 16.95 N in the middle lie 34.3 mm out, 0.2285 of half the length."""
    one = parse(RAILS % at)
    weight = one.plates["A"].weight
    assert (weight + 20.0) * 50.0 / (2.0 * weight + 20.0) == pytest.approx(34.3, abs=0.1)
    codes = {finding.code for finding in one.preview().findings}
    assert ("seesaws" in codes) is tips


def test_all_of_it_is_written_and_read_again():
    one = study('bending = "on"', plate=', supports = "three feet at 0.7 R"', step=HANDS)
    again = lw.Study(plates=one.plates, steps=one.steps, bending="on")
    text = again.text
    back = parse(text)
    assert back.steps[0].load == one.steps[0].load
    assert back.plates["A"].feet == one.plates["A"].feet
    assert back.steps[0].bends
    data, arrays = plain(one)
    assert made(json.loads(json.dumps(data)), arrays) == one


@pytest.mark.parametrize(
    ("head", "thick", "bends"),
    [
        ("", "30 mm", False),  # bends by 0.02 um; the layer gives by 0.8
        ("", "5 mm", True),
        ('goal.flatness = "0.3 um"', "30 mm", True),  # 0.02 um is more than 2 % of it
        ('goal.flatness = "3 um"', "30 mm", False),
        ('bending = "on"', "30 mm", True),
        ('bending = "off"', "5 mm", False),
    ],
)
def test_bodies_bend_where_it_matters(head, thick, bends):
    assert study(head, thick).steps[0].bends is bends


def test_a_gauge_that_reads_much_finer_asks_for_it():
    gauge = '\n[gauges.fine]\nkind = "spherometer"\nfeet = 3\nfoot_circle = "80 mm"\nresolution = "%s"\n'
    assert parse(PAIR % ("", "30 mm", "", "") + gauge % "0.1 um").steps[0].bends
    assert not parse(PAIR % ("", "30 mm", "", "") + gauge % "5 um").steps[0].bends


def test_a_face_is_read_as_it_hangs_on_its_feet():
    """Timoshenko's plate on three points of its rim hangs by 0.0362 P a^2 / D (from memory), thin."""
    plate = study(thick="3 mm", plate=', supports = "three feet at 1 R"').plates["A"]
    x, y = np.array([0.0, 0.0]), np.array([0.0, 0.0799])
    sag = sag_on_feet(plate, x, y)
    nu = plate.material.poisson
    rigidity = plate.material.modulus * 0.003**3 / (12.0 * (1.0 - nu**2))
    assert sag[1] - sag[0] == pytest.approx(0.0362 * plate.weight * 0.08**2 / rigidity, rel=0.05)
    free = plate.heights()
    assert np.ptp(as_read(plate, free)[plate.land > 0.5]) > 0.9 * (sag[1] - sag[0])


def test_readings_of_a_plate_on_feet_tell_its_free_face():
    """What the gauge is foretold to show of a flat plate, read back, is a flat plate."""
    text = PAIR % ("", "6 mm", ', supports = "three feet at 1 R"', "")
    text += '\n[gauges.sph]\nkind = "spherometer"\nfeet = 3\nfoot_circle = "140 mm"\n'
    one = parse(text)
    shown = next(r for r in one.gauge().to_dict()["readings"] if r["plate"] == "A")
    assert shown["value"] < -0.1 * UM  # hangs in the middle
    entry = '[[readings]]\ngauge = "sph"\nplate = "A"\nvalue = "%.9f um"\nangle = "0 deg"\n'
    told = parse(text + entry % (1e6 * shown["value"])).gauge().to_dict()["estimate"]["A"]["forms"]
    assert abs(told["sphere"]) < 0.02 * UM


@pytest.mark.parametrize(
    ("a", "b"), [("three feet at 1 R", "flat bed"), ("flat bed", "three feet at 1 R")]
)
def test_what_readings_take_for_granted_is_what_is_foretold_of_flat_plates(a, b):
    """Foretold from the faces as they hang, taken off readings by the other way: the two must be one."""
    text = PAIR % ("", "6 mm", f', supports = "{a}"', "")
    text = text.replace('{ like = "A" }', f'{{ like = "A", supports = "{b}" }}')
    text += '\n[gauges.sph]\nkind = "spherometer"\nfeet = 3\nfoot_circle = "140 mm"\nzero = "B"\n'
    text += '[[readings]]\ngauge = "sph"\nplate = "A"\nvalue = "0 um"\nangle = "0 deg"\n'
    one = parse(text)
    shown = next(r for r in one.gauge().to_dict()["readings"] if r["plate"] == "A")["value"]
    (taken,) = model_of(one.readings, one.gauges, one.plates).offset
    assert abs(shown) > 0.1 * UM
    assert taken == pytest.approx(shown, rel=0.02)


@pytest.mark.campaign
def test_a_warm_face_goes_domed_and_is_lapped_hollow():
    """0.5 K through 30 mm of iron domes 160 mm by 0.56 um (Timoshenko, check 24); so much goes hollow."""
    cold = study('bending = "on"', step='swap_every = "2 min"')
    warm = study('bending = "on"', step='swap_every = "2 min"\nwarm = { A = "0.5 K", B = "0.5 K" }')
    dome = []
    for one in (cold, warm):
        one = one.replace(steps=[one.steps[0].replace(time="2 h")])
        plates = {n: p.replace(cells=32) for n, p in one.plates.items()}
        *_, last = one.replace(plates=plates).states()
        dome.append(
            np.mean([measure(p, last.heights[n], one.margin).sphere for n, p in plates.items()])
        )
    bow = Elastic(cold.plates["A"], 6).warm(0.5)
    want = (bow[3] + bow[5]) / 2.0
    assert dome[1] - dome[0] == pytest.approx(want, rel=0.15)
