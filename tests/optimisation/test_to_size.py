"""The book of a part that is lapped to a size: a micrometer's readings, metal left to take, when to stop."""

import numpy as np
import pytest

import lapwright as lw
from lapwright.errors import CommandError, StudyError
from lapwright.optimisation.book import next_study, step_table
from lapwright.optimisation.spell import new_day
from lapwright.presentation.advice import advise as advised
from lapwright.presentation.next_spell import NextAnswer
from lapwright.presentation.run_view import run_view
from lapwright.study.read import parse
from lapwright.study.sizes import refuse_to_size

STUDY = """
plates.P = { disc = "160 mm", thickness = "30 mm", cells = 32, form = FLAT }
parts.Q = { disc = "60 mm", thickness = "12.02 mm", cells = 32, form = FLAT }
gauges.sph = { kind = "spherometer", foot_circle = "40 mm", resolution = "0.1 um", repeatability = "50 nm" }
gauges.mic = { kind = "micrometer", resolution = "0.5 um", repeatability = "0.3 um" }
[[steps]]
top = "Q"
bottom = "P"
grit = "15 um"
stroke = { kind = "circle", radius = "20 mm" }
turn = "8 deg per stroke"
time = "8 min"
hand = "steady"
[goal]
flatness = "4 um"
plates = ["Q"]
thickness = { Q = "12.000 mm" }
""".replace("FLAT", '{ dome = "0 um", saddle = "0 um", twist = "0 um" }')
AROUND = (0, 120, 240)


def micrometer_tables(thick):
    """Readings of a body as thick as that all round."""
    return [
        {"gauge": "mic", "plate": "Q", "value": thick, "angle": f"{angle} deg"} for angle in AROUND
    ]


@pytest.fixture
def book(tmp_path):
    return lw.Book(parse(STUDY, "study"), log=tmp_path / "study.log.toml")


@pytest.mark.always(2, 3)
@pytest.mark.usefixtures("choosing")
@pytest.mark.parametrize(
    ("thick", "why", "says"),
    [
        ("12.0200 mm", "go on", "20 um to take off Q"),
        ("12.0003 mm", "hardly", "Only 0.30 um is left to take off Q"),
        ("12.00005 mm", "reached", "the goal is reached"),
        ("11.9980 mm", "below", "Q is below its size"),
    ],
)
def test_a_part_is_lapped_to_its_size_and_no_further(book, thick, why, says):
    if why == "hardly":  # under 300 N half a minute takes that
        heavy = STUDY.replace("time =", 'load = "300 N"\ntime =')
        book = lw.Book(parse(heavy, "study"), log=book.log)
    book.add({"readings": micrometer_tables(thick)})
    answer = NextAnswer(book)
    left = book.sizing.left["Q"]
    assert left == pytest.approx(float(thick.split()[0]) * 1e-3 - 12e-3, abs=1e-9)
    assert (answer.advice.step is not None) == (why == "go on")
    assert answer.advice.why == ("reached" if why == "reached" else "size")
    text = " ".join(answer.text().split())
    assert says in text
    told = answer.told()["sizes"]["Q"]
    assert told["left"] == left
    assert told["thickness"]["value"] == pytest.approx(left + 12e-3)
    if why == "go on":
        assert answer.advice.metal[2] <= left  # nine in ten


@pytest.mark.campaign
def test_a_size_that_was_lapped_since_is_not_believed_and_raises_no_alarm(book):
    book.add({"readings": micrometer_tables("12.0200 mm")})
    assert set(book.sizing.found) == {"Q"}
    done = {"top": "Q", "bottom": "P", "grit": "15 um", "turn": "8 deg per stroke", "strokes": 40}
    done |= {"stroke": {"kind": "circle", "radius": "20 mm"}}
    book.add({"done": done})
    assert book.sizing.found == {} == book.sizing.left
    assert book.sizing.unmeasured == ("Q",)
    assert book.next().why == "measure"
    after = book.add({"done": done, "readings": micrometer_tables("12.0190 mm")})
    assert after.foretold is None or not after.foretold.alarm
    assert book.sizing.left["Q"] == pytest.approx(19e-6, abs=1e-9)


def test_sizes_of_a_goal_are_read_and_refused_as_those_of_until():
    study = parse(STUDY, "study")
    assert dict(study.goal.thickness) == {"Q": pytest.approx(12e-3)}
    for wrong, told in (
        ('thickness = { Q = "12.1 mm" }', "lapping makes nothing thicker"),
        ('thickness = { R = "12 mm" }', "there is no plate"),
        ("wedge = 0.001", "unit"),
    ):
        with pytest.raises(StudyError, match=told):
            parse(STUDY.replace('thickness = { Q = "12.000 mm" }', wrong))
    smaller = parse(STUDY.replace('{ Q = "12.000 mm" }', '"12.000 mm"'))
    assert dict(smaller.goal.thickness) == {"Q": pytest.approx(12e-3)}
    with pytest.raises(CommandError, match="does not follow thickness"):
        refuse_to_size(study)


WEDGED = (
    STUDY.replace('"12.02 mm"', '"12.02 mm", wedge = { by = "5 um", high = "12:00" }')
    .replace("time =", 'load = "40 N"\nload_at = { y = "3 mm", fixed_to = "top" }\ntime =')
    .replace("[goal]", '[goal]\nwedge = { Q = "1 um" }')
)


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_the_load_goes_to_the_side_that_is_thick_now(tmp_path):
    """Thick at 6 o'clock as it was measured, though it came thick at 12: laid face down 6 stays at 6."""
    book = lw.Book(parse(WEDGED, "study"), log=tmp_path / "study.log.toml")
    around = {0: "12.0120 mm", 90: "12.0100 mm", 180: "12.0120 mm", 270: "12.0140 mm"}
    book.add(
        {
            "readings": [
                {"gauge": "mic", "plate": "Q", "value": thick, "angle": f"{angle} deg"}
                for angle, thick in around.items()
            ]
        }
    )
    assert book.sizing.wedged == ("Q",)
    answer = NextAnswer(book)
    step = answer.advice.step
    assert step is not None
    assert step.load.at[0] == pytest.approx(0.0, abs=1e-4)
    assert step.load.at[1] < -1e-3
    assert "Press" in answer.text()
    ahead = next_study(book, step)
    assert ahead.plates["Q"].thickness == pytest.approx(12.012e-3, abs=1e-7)
    assert ahead.plates["Q"].wedge.by == pytest.approx(4e-6 / 0.9, rel=0.02)  # read at nine tenths
    assert ahead.plates["Q"].wedge.high == pytest.approx(-0.5 * np.pi, abs=0.05)


@pytest.mark.usefixtures("hasty")
def test_readings_of_the_study_and_a_typed_size_count_until_it_is_lapped(tmp_path):
    log = tmp_path / "study.log.toml"
    assert lw.Book(parse(STUDY, "study"), log=log).sizing.left["Q"] == pytest.approx(20e-6)
    assert lw.Book(parse(STUDY, "study"), log=log).next().why != "reached"
    rows = "".join(
        f'[[readings]]\ngauge = "mic"\nplate = "Q"\nvalue = "12.015 mm"\nangle = "{angle} deg"\n'
        for angle in AROUND
    )
    read = lw.Book(parse(STUDY.replace("[[steps]]", rows + "[[steps]]"), "study"), log=log)
    assert read.sizing.left["Q"] == pytest.approx(15e-6, abs=1e-9)


@pytest.mark.campaign
def test_who_asks_for_a_size_alone_is_not_told_that_the_faces_are_flat():
    """A table that comes hollow by far more than is usual does not matter to a goal without forms."""
    alone = STUDY.replace('flatness = "4 um"\n', "").replace('time = "8 min"', 'time = "2 min"')
    run = parse(alone.replace('{ dome = "0 um"', '{ dome = "-9 um"', 1), "study").run()
    advice = advised(run_view(run))
    assert advice is not None
    assert "flat within" not in advice.text
    assert "above its size" in advice.text


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize("times", [0.5, 2.0])
def test_metal_off_by_micrometer_teaches_how_fast_the_grit_cuts(tmp_path, times):
    """So many times the metal that was to be expected, told to a tenth of it, is so many times the wear."""
    study = parse(STUDY.replace("time =", 'load = "200 N"\ntime ='), "study")
    book = lw.Book(study, log=tmp_path / "study.log.toml")
    book.add({"readings": micrometer_tables("12.0200 mm")})
    before = book.now.wear("15 um", "Q")
    ahead = book.bench.spell(study.steps[0], (2,), True).after(
        new_day(book.known, book.bench.layout)
    )
    layout = book.bench.layout
    off = times * float(ahead.centre[layout.removed("Q")])
    done = step_table(study.steps[0], study.units)
    chapter = book.add({"done": done, "readings": micrometer_tables(f"{12.02 - 1e3 * off:.5f} mm")})
    after = book.now.wear("15 um", "Q")
    assert off > 3e-6
    assert not chapter.foretold.alarm
    assert after.low < times * before.middle < after.high
    assert after.middle / before.middle == pytest.approx(times, rel=0.25)
    assert after.high / after.low < 0.5 * before.high / before.low


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_a_short_spell_that_brings_forms_nearer_stays_above_the_size_too(tmp_path):
    """A part domed by far more than the goal, 1 um above its size: no spell may take ten times that."""
    domed = STUDY.replace('thickness = "12.02 mm", cells = 32, form = { dome = "0 um"', "@")
    domed = domed.replace("@", 'thickness = "12.02 mm", cells = 32, form = { dome = "6 um"')
    domed = domed.replace('"4 um"', '"0.5 um"').replace("time =", 'load = "100 N"\ntime =')
    book = lw.Book(parse(domed, "study"), log=tmp_path / "study.log.toml")
    book.add({"readings": micrometer_tables("12.0010 mm")})
    step, layout = book.next().step, book.bench.layout
    if step is not None:
        after = book.bench.spell(step, (2,), True).after(new_day(book.known, layout))
        assert float(after.centre[layout.removed("Q")]) < book.sizing.left["Q"]


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_a_plate_at_its_size_does_not_hold_up_the_others(tmp_path):
    """Q is at its size, R on the same plate is domed: R is lapped on."""
    third = 'parts.R = { like = "Q", form = { dome = "6 um", saddle = "0 um", twist = "0 um" } }\n'
    step = STUDY[STUDY.index("[[steps]]") : STUDY.index("[goal]")]
    text = STUDY.replace("[[steps]]", third + "[[steps]]", 1).replace("[goal]", step + "[goal]")
    first, _, rest = text.rpartition('top = "Q"')
    text = f'{first}top = "R"{rest}'.replace('"4 um"\nplates = ["Q"]', '"1 um"\nplates = ["R"]')
    book = lw.Book(parse(text, "study"), log=tmp_path / "study.log.toml")
    book.add({"readings": micrometer_tables("11.99995 mm")})
    step_to_do = book.next().step
    assert step_to_do is not None
    assert "R" in (step_to_do.top, step_to_do.bottom)
