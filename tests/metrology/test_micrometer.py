"""Size and wedge from a micrometer: exact on readings without scatter, and intervals that hold the truth.

Least squares of a plane and its covariance: JCGM 100:2008 (GUM), 5.2 and H.3.
"""

import json
from math import cos, degrees, hypot, pi, radians, sin, sqrt
from pathlib import Path

import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.errors import StudyError
from lapwright.metrology.budget import predict
from lapwright.metrology.contacts import Mapped, Placement
from lapwright.metrology.instruments import Micrometer, near_rim
from lapwright.metrology.micrometer import measured
from lapwright.metrology.reading import Reading
from lapwright.results.gauge import GaugeAnswer
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.wedge import Wedge
from lapwright.study.read import load, parse

UM = 1e-6
RING = Plate(Ring(0.08, 0.05), thickness=0.012, cells=48, name="ring")
OUTLINES = [Ring(0.08, 0.05), Disc(0.16), Rectangle(0.06, 0.04), Rectangle(0.3, 0.04)]


def readings(outline, places, size, by, high, rng=None, sigma=0.0):
    """What a micrometer shows by hand: size, and half the wedge to either side of the middle."""
    slope = by / outline.width_along(high)
    out = []
    for x, y in places:
        value = size + slope * (x * cos(high) + y * sin(high))
        out.append(Reading("mic", "p", value + (rng.normal(0.0, sigma) if rng else 0.0), at=(x, y)))
    return out


def solve(outline, read, **gauge):
    plate = Plate(outline, thickness=0.012, cells=24, name="p")
    return measured(read, {"mic": Micrometer(name="mic", **gauge)}, {"p": plate})["p"]


@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("angles", [(90, 0, 270, 180), (10, 130, 200), (0, 45, 100, 230, 300)])
def test_without_scatter_size_and_wedge_come_back_as_they_were(outline, angles):
    places = [near_rim(outline, angle * pi / 180) for angle in angles]
    one = solve(outline, readings(outline, places, 0.01199, 3.1 * UM, 0.44))
    assert one.thickness.value == pytest.approx(0.01199, abs=1e-14)
    assert one.wedge.value == pytest.approx(3.1 * UM, rel=1e-6)
    assert one.at.value == pytest.approx(0.44, abs=1e-6)
    assert one.told


def test_the_uncertainty_is_that_of_least_squares():
    """Four places a quarter apart: u(size) = s / sqrt(4), u(slope) = s / (r sqrt(2)): GUM H.3, by hand."""
    s, places = 0.4 * UM, [near_rim(RING.outline, k * pi / 2) for k in range(4)]
    one = solve(RING.outline, readings(RING.outline, places, 0.012, 5 * UM, 0.0), repeatability=s)
    assert one.thickness.uncertainty == pytest.approx(s / 2, rel=1e-9)
    assert one.wedge.uncertainty == pytest.approx(s * 0.08 / (0.0325 * sqrt(2)), rel=1e-9)
    assert one.at.uncertainty == pytest.approx(one.wedge.uncertainty / (5 * UM), rel=1e-6)


@pytest.mark.parametrize("deg", [30.0, 70.0])
def test_the_uncertainty_of_a_wedge_knows_that_the_width_turns_with_it(deg):
    """u^2 is the sum of (dw/dr s)^2 over all readings r (GUM, 5.1.2), each moved by itself here."""
    outline, s, h = Rectangle(0.12, 0.06), 0.4 * UM, 1e-3 * UM
    places = [near_rim(outline, 0.4 + k * pi / 3) for k in range(6)]
    read = readings(outline, places, 0.012, 20 * UM, radians(deg))

    def wedge(k, by):
        moved = [one.replace(value=one.value + by * (i == k)) for i, one in enumerate(read)]
        return solve(outline, moved, repeatability=s).wedge

    slopes = [(wedge(k, h).value - wedge(k, -h).value) / (2.0 * h) for k in range(6)]
    assert wedge(0, 0.0).uncertainty == pytest.approx(s * np.linalg.norm(slopes), rel=1e-4)


def cases(count, rng, wedges):
    for _ in range(count):
        outline = OUTLINES[rng.integers(len(OUTLINES))]
        n = int(rng.integers(3, 9))
        start = rng.uniform(0, 2 * pi)
        angles = start + 2 * pi * (np.arange(n) + rng.uniform(-0.25, 0.25, n)) / n
        places = [near_rim(outline, angle) for angle in angles]
        sigma, step = rng.uniform(0.2, 1.0) * UM, rng.uniform(0.0, 1.0) * UM
        by, high = wedges(rng) * sigma, rng.uniform(-pi, pi)
        read = readings(outline, places, rng.uniform(0.005, 0.03), 0.0, high)
        size = read[0].value
        read = readings(outline, places, size, by, high, rng, sigma)
        if step:
            read = [one.replace(value=round(one.value / step) * step) for one in read]
        yield size, by, high, solve(outline, read, repeatability=sigma, resolution=step)


@pytest.mark.campaign
def test_intervals_hold_the_truth_in_95_of_100():
    """500 random parts, positions, scatters and dials; four standard deviations of 500 draws are 3.9 %."""
    held = np.zeros((500, 3), dtype=bool)
    for k, (size, by, high, one) in enumerate(
        cases(500, np.random.default_rng(1), lambda rng: rng.uniform(20, 60))
    ):
        turned = (one.at.value - high + pi) % (2 * pi) - pi
        held[k] = (
            abs(one.thickness.value - size) <= one.thickness.half,
            abs(one.wedge.value - by) <= one.wedge.half,
            abs(turned) <= one.at.half,
        )
    share = held.mean(axis=0)
    assert (abs(share - 0.95) < 0.039).all(), share


@pytest.mark.campaign
@pytest.mark.often("sides0-2.0", "sides1-30.0")
@pytest.mark.parametrize("deg", [2.0, 30.0, 85.0])
@pytest.mark.parametrize("sides", [(0.3, 0.04), (0.06, 0.04)])
def test_intervals_of_a_rectangle_hold_in_every_direction(sides, deg):
    """The width under a wedge hangs on where it is thick; four deviations of 300 draws are 5 %."""
    outline, rng, held = Rectangle(*sides), np.random.default_rng(4), []
    places = [near_rim(outline, angle) for angle in 0.4 + np.arange(8) * pi / 4]
    for _ in range(300):
        read = readings(outline, places, 0.012, 30 * UM, radians(deg), rng, 0.5 * UM)
        one = solve(outline, read, repeatability=0.5 * UM)
        held.append(abs(one.wedge.value - 30 * UM) <= one.wedge.half)
    assert abs(np.mean(held) - 0.95) < 0.05


@pytest.mark.campaign
def test_scatter_that_four_readings_show_is_known_to_one_free():
    """Said forty times too small: by Student's t of one degree of freedom, 12.7 times its deviation."""
    outline, rng = RING.outline, np.random.default_rng(5)
    places = [near_rim(outline, angle) for angle in np.arange(4) * pi / 2]
    held, told = [], []
    for _ in range(300):
        read = readings(outline, places, 0.012, 0.0, 0.0, rng, 0.5 * UM)
        one = solve(outline, read, repeatability=0.0125 * UM)
        held.append(abs(one.thickness.value - 0.012) <= one.thickness.half)
        told.append(one.told)
    # Where by chance the misfit passes for the scatter that was said, nothing is widened: 2.6 sigma of 40.
    assert np.mean(held) > 0.88
    assert np.mean(told) < 0.12


@pytest.mark.campaign
def test_a_parallel_part_is_rarely_called_wedged():
    """One in twenty, by the chi square of two: scatter alone must not make a wedge."""
    found = [one for *_, one in cases(500, np.random.default_rng(2), lambda rng: 0.0)]
    assert 0.011 < np.mean([one.told for one in found]) < 0.089


@pytest.mark.campaign
def test_a_small_wedge_stays_below_what_is_said():
    """What is not told may be no larger than value and half together, 95 of 100 or more."""
    small = cases(500, np.random.default_rng(3), lambda rng: rng.uniform(0.0, 3.0))
    below = [by <= one.wedge.value + one.wedge.half for _, by, _, one in small if not one.told]
    assert len(below) > 100
    assert np.mean(below) > 0.93


def test_fewer_than_three_places_leave_it_open():
    outline = RING.outline
    opposite = [near_rim(outline, 0.0), near_rim(outline, pi)]
    one = solve(outline, readings(outline, opposite, 0.012, 3 * UM, 0.0))
    assert one.thickness.value == pytest.approx(0.012, abs=1e-14)  # the middle of two is known
    assert one.wedge is None
    assert one.at is None
    for places in ([near_rim(outline, 1.0)], [near_rim(outline, 0.0), near_rim(outline, 1.5)]):
        one = solve(outline, readings(outline, places, 0.012, 3 * UM, 0.0))
        assert one.thickness is None
        assert one.wedge is None


def test_of_an_unknown_zero_only_the_wedge_is_known():
    outline = RING.outline
    places = [near_rim(outline, k * pi / 2) for k in range(4)]
    one = solve(outline, readings(outline, places, 0.0123, 3 * UM, 1.0), zero="unknown")
    assert one.thickness is None
    assert one.wedge.value == pytest.approx(3 * UM, rel=1e-6)


def test_readings_that_contradict_each_other_widen_what_is_said():
    """The ratio of Birge (1932, from memory): one reading 20 um off among eight of 0.5 um."""
    outline = RING.outline
    places = [near_rim(outline, k * pi / 4) for k in range(8)]
    read = readings(outline, places, 0.012, 3 * UM, 1.0)
    read[0] = read[0].replace(value=read[0].value + 20 * UM)
    one = solve(outline, read, repeatability=0.5 * UM)
    assert one.stretch > 5
    assert one.thickness.half > 5 * 1.96 * 0.5 * UM / sqrt(8)


def test_an_error_of_the_zero_is_in_the_size_and_not_in_the_wedge():
    outline = RING.outline
    places = [near_rim(outline, k * pi / 2) for k in range(4)]
    read = readings(outline, places, 0.012, 3 * UM, 1.0)
    with_it = solve(outline, read, repeatability=UM, zero_error=2 * UM)
    without = solve(outline, read, repeatability=UM)
    assert with_it.thickness.uncertainty == pytest.approx(hypot(0.5, 2.0) * UM, rel=1e-9)
    assert with_it.wedge.uncertainty == pytest.approx(without.wedge.uncertainty, rel=1e-9)


def test_it_shows_the_wedge_that_a_part_comes_with_at_the_hours_of_its_face():
    """Thick at 3 o'clock is + x looking at the face, no mirror: there 12.012 and opposite 12.008 mm."""
    plate = Plate(
        Ring(0.08, 0.05), thickness=0.012, cells=48, name="p", wedge=Wedge("4 um", "3:00")
    )
    faces = {"p": Mapped(plate, plate.heights())}
    for degree, up in ((0, 1), (90, 0), (180, -1), (270, 0)):
        at = near_rim(plate.outline, degree * pi / 180)
        shown = predict(Micrometer(name="mic"), faces, "p", Placement(at)).value
        assert shown == pytest.approx(0.012 + up * 2 * UM * 0.0325 / 0.04, abs=1e-10)


# --- in a study --------------------------------------------------------------------------------

STUDY = """
title = "Ring"
plates.table = { disc = "160 mm", thickness = "30 mm", cells = 24 }
parts.ring = { ring = ["80 mm", "50 mm"], thickness = "12.006 mm", cells = 24 }
gauges.mic = { kind = "micrometer", repeatability = "0.4 um" }
[[steps]]
top = "ring"
bottom = "table"
grit = "15 um"
until = { thickness = "11.990 mm" }
time = "8 h"
"""


def line(value, where):
    return f'[[readings]]\ngauge = "mic"\nplate = "ring"\nvalue = "{value}"\n{where}\n'


FOUR = [("12.0000", 3), ("12.0010", 12), ("11.9980", 9), ("11.9970", 6)]


def test_hours_angles_and_the_line_say_the_same():
    hours = STUDY + "".join(line(f"{v} mm", f'angle = "{h}:00"') for v, h in FOUR)
    typed = [f"mic ring {v} mm @ {(3 - h) * 30} deg" for v, h in FOUR]
    one = GaugeAnswer(parse(hours)).measured["ring"]
    other = GaugeAnswer(parse(STUDY), readings=typed).measured["ring"]
    assert one.thickness == other.thickness
    assert one.wedge == other.wedge
    # 12:00 over 6:00 by 4 um and 3:00 over 9:00 by 2 um: thick between 12 and 1 o'clock, by hand
    assert degrees(one.at.value) == pytest.approx(63.43, abs=0.01)
    assert one.wedge.value == pytest.approx(hypot(4, 2) * UM * 80 / 65, rel=1e-6)


def test_it_says_size_wedge_and_what_is_left():
    text = STUDY + "".join(line(f"{v} mm", f'angle = "{h}:00"') for v, h in FOUR)
    said = " ".join(" ".join(GaugeAnswer(parse(text)).lines()).split())
    assert "ring: 11.999 mm thick, give or take 0.39 um; 5.5 um thicker at 1" in said
    assert "9.0 um left to take to 11.990 mm" in said
    told = json.loads(json.dumps(GaugeAnswer(parse(text)).told()["estimate"], default=list))["ring"]
    assert told["thickness"]["value"] == pytest.approx(0.011999)
    assert set(told["wedge_at"]) == {"value", "uncertainty", "half"}
    few = STUDY + line("12.0 mm", 'angle = "3:00"')
    said = " ".join(" ".join(GaugeAnswer(parse(few)).lines()).split())
    assert "size not known" in said
    assert "wedge not known" in said


@pytest.mark.parametrize(
    ("text", "needed"),
    [
        (line("12.0 mm", ""), "angle"),
        (line("12.0 mm", 'angle = "3:00"\nat = ["30 mm", "0 mm"]'), "write only one"),
        (line("12.0", 'angle = "3:00"'), "value"),
        (line("-12.0 mm", 'angle = "3:00"'), "value"),
        (line("3 bands", 'angle = "3:00"'), "value"),
        (line("12.0 mm", 'angle = "25:00"'), "hour"),
        (line("12.0 mm", 'angle = "3:00"\nalong = "3 mm"'), "along"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(text, needed):
    with pytest.raises(StudyError) as trouble:
        parse(STUDY + text)
    assert "\n" not in str(trouble.value).strip()
    assert needed in str(trouble.value)


def test_it_is_not_zeroed_on_another_plate():
    with pytest.raises(StudyError, match="gauge block"):
        parse(STUDY.replace('"0.4 um"', '"0.4 um", zero = "table"'))


def test_a_study_begins_with_what_was_measured(tmp_path):
    """Thickness and wedge are written, and the form that was typed is kept: a micrometer saw none of it."""
    typed = STUDY.replace('"12.006 mm", cells', '"12.006 mm", form = { dome = "1 um" }, cells')
    path, out = tmp_path / "ring.toml", tmp_path / "start.toml"
    path.write_text(typed + "".join(line(f"{v} mm", f'angle = "{h}:00"') for v, h in FOUR[:3]))
    assert main(["gauge", str(path), "--start", str(out)]) == 0
    ring, found = load(out).plates["ring"], GaugeAnswer(load(path)).measured["ring"]
    assert ring.thickness == pytest.approx(found.thickness.value, abs=1e-9)
    assert ring.wedge.by == pytest.approx(found.wedge.value, abs=1e-9)
    assert ring.wedge.high == pytest.approx(found.at.value, abs=1e-3)
    assert ring.form.sphere == pytest.approx(UM)


@pytest.mark.parametrize("value", ["12.0035 um", "120.035 mm", "0.0035 mm"])
def test_a_reading_in_another_unit_is_refused(value, capsys):
    study = str(Path(__file__).parents[2] / "configs" / "ring-to-size-and-parallel.toml")
    assert main(["gauge", study, "--reading", f"mic ring {value} @ 90 deg"]) == 2
    assert "check the unit" in capsys.readouterr().err
