"""Sentences about a step before it is lapped: each true of the numbers it is made from."""

from __future__ import annotations

import re

import pytest

from lapwright.integration.estimate import outlooks
from lapwright.modal.reduced_model import Glances
from lapwright.presentation import beforehand, tables
from lapwright.presentation.staying import leaves
from lapwright.presentation.way_round import makes
from lapwright.results.answer import Preview
from lapwright.study.read import parse
from lapwright.units import Units

STEP = """
[[steps]]
top = "%s"
bottom = "%s"
grit = "15 um"
time = "60 min"
fresh_grit_every = "5 min"
%s
"""
SEEN = "turn = '8 deg per stroke'"


def made(top, bottom, forms=("", ""), more=SEEN, plates=None, glances=False, **how):
    plates = plates or (
        f'plates.A = {{ disc = "160 mm", thickness = "30 mm", form = {{ {forms[0]} }} }}\n'
        f'plates.B = {{ like = "A", form = {{ {forms[1]} }} }}\n'
    )
    study = parse(plates + STEP % (top, bottom, more))
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    if glances:
        how["glance"] = Glances(study.plates).of(step, 1, look)
    return " / ".join(makes(step, study.plates, look, **how)), look


DOMED = ('dome = "3 um"', 'dish = "1 um"')
PAIR_OF_DOMES = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
"""


def test_the_domed_one_on_top_is_the_right_way_round():
    # Travel hollows the top and domes the bottom (the moment law).
    said, look = made("A", "B", DOMED)
    assert said.startswith("A hollow and B domed, by ")
    assert "the right way round: A is the domed one" in said
    assert look.half_difference > 0.0
    assert "they differ by 4.0 um" in said


def test_the_hollow_one_on_top_is_the_wrong_way_round():
    said, _ = made("B", "A", DOMED)
    assert "the wrong way round: A is already the domed one; put A on top" in said


def test_even_swaps_are_said_by_where_they_take_two_unlike_plates():
    """What both share goes, their difference stays (to wear and to fit is linear; model, wear of a pair)."""
    even = SEEN + '\nswap_every = "5 min"'
    said, _ = made("A", "B", DOMED, more=even, brief=True, glances=True)
    assert said == "towards A dome 2.0 um, B dish 2.0 um: equal swaps keep them apart"
    said, _ = made(
        "B", "A", ('dish = "3 um"', 'dish = "1 um"'), more=even, brief=True, glances=True
    )
    assert said == "towards B dome 1.0 um, A dish 1.0 um: equal swaps keep them apart"
    said, _ = made("A", "B", DOMED, more=even, brief=True, glances=True, more_plates=True)
    assert said.startswith("neither goes domed or hollow / so A, the domed one, stays so against B")
    said, _ = made("A", "B", more=even, brief=True, glances=True)
    assert "towards" not in said


def test_two_domes_one_higher():
    said, _ = made("A", "B", ('dome = "3 um"', 'dome = "1 um"'))
    assert "the right way round: A is the more domed one" in said
    said, _ = made("A", "B", ('dish = "3 um"', 'dish = "1 um"'))
    assert "the wrong way round: B is already the less hollow one; put B on top" in said


def test_more_than_enough():
    said, look = made(
        "A", "B", ('dome = "0.3 um"', ""), 'turn = "8 deg per stroke"\nstroke = { travel = "3/8" }'
    )
    assert 2.0 * look.half_difference > 1.3 * 0.3e-6
    assert "stop when they read alike" in said


def test_alike_plates_are_parted_unless_swapped():
    said, _ = made("A", "B")
    assert (
        'they start alike, and this makes them differ: swap_every = "5 min" keeps them alike'
        in said
    )
    said, _ = made("A", "B", more=SEEN + '\nswap_every = "5 min"')
    assert said == "neither goes domed or hollow"


@pytest.mark.parametrize("forms", [("", ""), ("", 'dome = "1 um"'), ('dome = "1 um"', "")])
@pytest.mark.parametrize("stroke", ['travel = "1/3"', 'kind = "line", travel = "1.6"'])
def test_a_part_on_a_plate_is_never_told_to_go_under(forms, stroke):
    said, _ = made("B", "A", plates=SMALL % forms, more=f"stroke = {{ {stroke} }}")
    assert "swap" not in said
    assert "on top" not in said
    assert ("longer stroke" in said or "shorter stroke" in said) == ("the right way" not in said)


def test_a_part_is_told_what_bedding_in_takes_before_what_is_made():
    forms = ("", 'dome = "1 um"')
    travels = 'stroke = { kind = "line", length = "100 mm" }'
    said, _ = made("B", "A", plates=SMALL % forms, more=travels, glances=True)
    assert "the wrong way round" not in said
    size = re.search(
        r"bedding in first takes B from dome 1\.0 um to (?:dome|dish) ([\d.]+) um", said
    )
    assert float(size[1]) < 0.5


def test_a_long_stroke_of_a_part_is_cured_by_a_shorter_one():
    # <r2> of the plate less that of the part: 2400 mm2; a line of 150 mm has <c2> = 1875, of 200 mm 3333 mm2.
    short, _ = made(
        "B", "A", plates=SMALL % ("", ""), more='stroke = { kind = "line", length = "100 mm" }'
    )
    assert short.startswith("A hollow and B domed")
    assert "a longer stroke, or one that goes further over the edge, does less of it" in short
    long, _ = made(
        "B", "A", plates=SMALL % ("", ""), more='stroke = { kind = "line", length = "200 mm" }'
    )
    assert long.startswith("B hollow and A domed")
    assert "a shorter stroke, or one that keeps further inside the edge, does less of it" in long


def test_equal_swaps_cure_nothing():
    swaps = SEEN + '\nswap_every = "5 min"'
    said, _ = made("A", "B", DOMED, swaps)
    assert "equal times on top cure nothing. Keep A on top longer" in said
    said, _ = made("B", "A", DOMED, swaps, more_plates=True)
    assert "lapping three by turns does" in said
    uneven = SEEN + '\nswap_every = { A = "5 min", B = "15 min" }'
    said, _ = made("A", "B", DOMED, uneven)
    assert "the wrong way round" in said
    assert "keep A on top longer" in said


def test_equal_metal_is_not_equal_times():
    said, _ = made("A", "B", DOMED, SEEN + '\nswap_every = "0.2 um"')
    assert "equal metal in both places cures nothing" in said
    assert 'swap_every = { A = "0.6 um", B = "0.2 um" }' in said
    assert "times" not in said


def test_metal_typed_in_um_is_said_in_two_figures_at_an_inch_bench():
    text = PAIR_OF_DOMES + STEP % ("A", "B", 'swap_every = { A = "0.4 um", B = "20 uin" }')
    swap = parse(text).steps[0].swap
    stays = tables.stays_on_top(swap, Units.INCH)  # 0.4 um / 25.4 nm = 15.748 uin
    assert stays == {"A": "16 uin of metal", "B": "20 uin of metal"}
    assert tables.stays_on_top(swap)["A"] == "0.4 um of metal"


@pytest.mark.parametrize(
    ("every", "told"),
    [
        # 60 min at 5 min each: at 5, 10, ... 55 min.
        ("5 min", "swapped every 5 min, 11 times"),
        ("30 min", "swapped every 30 min, once"),
        ("2 h", "swapped every 2 h, which this step is too short for: A stays on top"),
        ("9 um", "swapped every 9 um of metal, which this step is too short for: A stays on top"),
    ],
)
def test_swaps_are_counted(every, told):
    _, look = made("A", "B", DOMED, swap := SEEN + f'\nswap_every = "{every}"')
    study = parse(PAIR_OF_DOMES + STEP % ("A", "B", swap))
    assert told in ", ".join(beforehand.schedule(study.steps[0], look))


def test_swaps_in_metal_are_as_many_as_the_metal_allows_with_the_band_of_the_wear():
    _, look = made("A", "B", DOMED, swap := SEEN + '\nswap_every = "0.2 um"')
    study = parse(PAIR_OF_DOMES + STEP % ("A", "B", swap))
    told = re.search(
        r"about (\d+) times, (\d+) to (\d+)", ", ".join(beforehand.schedule(study.steps[0], look))
    )
    assert abs(int(told[1]) - look.removed / 0.2e-6) <= 1.0
    assert int(told[2]) < int(told[1]) < int(told[3])


def test_readings_choose_the_right_way_by_themselves():
    said, _ = made(
        "A", "B", DOMED, SEEN + '\nswap_every = { read = "5 min", on_top = "more domed" }'
    )
    assert "the right way round without your help" in said


def test_later_steps_say_the_direction_only():
    said, _ = made("B", "A", DOMED, as_they_come=False)
    assert said.startswith("B hollow and A domed, by ")
    assert "way round" not in said


SMALL = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { %s } }
plates.B = { disc = "80 mm", thickness = "20 mm", form = { %s } }
"""


def test_a_small_part_within_a_plate_hollows_it():
    # <r2> of the plate 3200, of the part 800 mm2; an eight of 27 mm by 13 has <c2> = 0.549 x 13.3^2 = 98 mm2
    said, look = made("B", "A", plates=SMALL % ("", 'dome = "1 um"'))
    assert look.half_difference is None
    assert said.startswith("A hollow and B domed")
    assert "the wrong way round: B is already the domed one; a longer stroke" in said
    said, _ = made("B", "A", plates=SMALL % ("", 'dish = "1 um"'))
    assert "the right way round: A is the more domed one" in said


def test_of_a_part_on_a_plate_the_sizes_are_told():
    sizes = r"B goes domed by ([\d.]+) um; A goes hollow by ([\d.]+) um, "
    to_the_rim = 'stroke = { kind = "circle", radius = "40 mm" }'
    said, _ = made("B", "A", plates=SMALL % ("", ""), more=to_the_rim, glances=True)
    part, plate = (float(v) for v in re.match(sizes + "once they have bedded in", said).groups())
    # What stays is a dome in a dish of one curve: at the rim of a plate twice as wide four times as high.
    assert plate / part == pytest.approx(4.0, rel=0.06)
    said, look = made("B", "A", plates=SMALL % ("", 'dish = "1 um"'), glances=True)
    # A rim that the part never comes to does not mate with it, and a pit is less of a dish than of a step.
    part, plate = (
        float(v) for v in re.match(sizes + "at the pace at which this step ends", said).groups()
    )
    assert 1.0 < plate / part < 4.0
    assert look.tendency.all_round < 0.0
    assert "bedding in first takes B from dish 1.0 um to dish 0." in said
    assert said.endswith("and the stroke then takes some of that away")
    assert "differ by" not in said


def test_rails_speak_along_and_across():
    rails = 'plates.A = { rectangle = ["300 mm", "50 mm"], thickness = "30 mm" }\nplates.B = { like = "A" }\n'
    said, look = made("A", "B", plates=rails, more='stroke = { kind = "line", length = "60 mm" }')
    # The stroke goes along 3-9: across it there is no travel, and equal rails differ in nothing.
    assert look.tendency.across == 0.0
    assert said.startswith("along 3-9 A hollow and B high in the middle; along 12-6 neither")


@pytest.mark.parametrize(
    ("stroke", "told"),
    [
        ('travel = "3/8"', "(travels 3/8 of A)"),
        ('kind = "circle", radius = "16 mm"', "(travels 1/5 of A)"),
        ('kind = "line", length = "160 mm"', "(travels the width of A)"),
        ('kind = "line", length = "68.6 mm"', "(travels 43 % of A)"),
        ('kind = "line", length = "200 mm"', "(travels 1.2 times the width of A)"),
    ],
)
def test_travel_as_a_share(stroke, told):
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n'
        + STEP % ("A", "B", f"stroke = {{ {stroke} }}")
    )
    look = outlooks(study.plates, study.steps)[0]
    assert told in beforehand.hand(study.steps[0], study.plates, look)[0]


def test_what_was_typed_is_said_back_as_typed():
    assert tables.echoed(0.1255) == "125.5 mm"
    assert tables.echoed(0.160) == "160 mm"
    assert tables.echoed(0.16 / 3.0) == "53 mm"
    assert tables.echoed(6.25 * 0.0254, Units.INCH) == "6.25 in"
    assert tables.echoed(0.160, Units.INCH) == "6.3 in"


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (
            "",
            "it never takes out a dome in a dish, the same twist in both, and high at 3 and 9 on high at 12",
        ),
        (SEEN, "it never takes out a dome in a dish: "),
        ('stroke = { kind = "line", travel = "1/4" }', "ridges along the stroke (3 to 9 o'clock)"),
        (
            'stroke = { kind = "line", travel = "1/4", direction = "60 deg" }',
            "ridges along the stroke (1 to 7 o'clock)",
        ),
        (
            'stroke = { kind = "line", travel = "1/4", direction = "135 deg" }',
            "(4:30 to 10:30 o'clock)",
        ),
        ('stroke = { kind = "still" }\nturn = "8 deg per stroke"', "rings about the middle"),
        ('turn = "180 deg every 10 strokes"', "with the top turned only half round"),
        ('stroke = { kind = "still" }', "nothing rubs"),
    ],
)
def test_what_a_stroke_never_takes_out(more, told):
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n'
        + STEP % ("A", "B", more)
    )
    look = outlooks(study.plates, study.steps)[0]
    assert told in " ".join(leaves(study.steps[0], study.plates, look))


def _glanced(plates, more):
    study = parse(plates + STEP % ("A", "B", more))
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    return study, step, look, Glances(study.plates).of(step, 1, look)


EQUAL = (
    'plates.A = { disc = "160 mm", thickness = "30 mm", cells = 64 }\nplates.B = { like = "A" }\n'
)


def test_ridges_that_the_swaps_take_out_are_not_said_to_stay():
    slanting = (
        'stroke = { kind = "line", travel = "1/3", direction = "30 deg" }\nswap_every = "5 min"'
    )
    study, step, look, glance = _glanced(EQUAL, slanting)
    said = " ".join(leaves(step, study.plates, look, glance=glance))
    assert "ridges" not in said
    assert "high at 3 and 9 on high at 12 and 6" in said
    straight = slanting.replace("30 deg", "0 deg")
    study, step, look, glance = _glanced(EQUAL, straight)
    said = " ".join(leaves(step, study.plates, look, glance=glance))
    assert "ridges along the stroke (3 to 9 o'clock)" in said
    assert (
        "nor a dome in a dish, the same twist in both, and high at 3 and 9 on high at 12 and 6"
        in said
    )


def test_what_goes_only_slowly_is_told():
    crawl = 'stroke = { kind = "circle", travel = "1/3" }\nturn = "%s"'
    study, step, look, glance = _glanced(EQUAL, crawl % "1 deg every 1000 strokes")
    *_, said = leaves(step, study.plates, look, glance=glance)
    slow = "it hardly touches the same twist in both, or high at 3 and 9 on high at 12 and 6"
    assert said == slow  # halved by more metal than anybody takes off, so no depth is named
    assert glance is not None
    assert min(glance.lingering.values()) > 100e-6
    study, step, look, glance = _glanced(EQUAL, crawl % "90 deg every 10 strokes")
    assert "hardly touches" not in " ".join(leaves(step, study.plates, look, glance=glance))


def test_the_twist_that_a_slanting_stroke_makes_is_told():
    """Checks page, 6: <2 cx cy> of a line at 30 degrees is not nought, and no swap turns it back."""
    slanting = 'stroke = { kind = "line", travel = "1/3", direction = "30 deg" }'
    study, step, look, glance = _glanced(EQUAL, slanting)
    said, *_ = makes(step, study.plates, look, glance=glance)
    assert said.count("high at 10:30 and 4:30 by") == 2
    study, step, look, glance = _glanced(EQUAL, slanting + '\nswap_every = "5 min"')
    said, *_ = makes(step, study.plates, look, glance=glance)
    assert said.startswith("neither goes domed or hollow; but A high at 10:30 and 4:30 by")


def test_the_mark_of_the_layer_is_near_the_squeeze():
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n'
        + STEP % ("A", "B", SEEN)
    )
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    # 4.34 kg on 201 cm2 press 2.12 kPa; 0.75 um at 3 kPa
    assert look.squeeze == pytest.approx(0.75e-6 * 2118.0 / 3000.0, rel=1e-3)
    glance = Glances(study.plates).of(step, 1, look)
    assert glance is not None
    said = leaves(step, study.plates, look, glance=glance)[0]
    sizes = [1e-6 * float(v) for v in re.findall(r"hollow by about ([\d.]+) um", said)]
    told = sorted(-forms["sphere"] for forms in glance.mark.values())
    assert all(min(abs(size / v - 1.0) for size in sizes) < 0.06 for v in told)
    # Both hollow by 0.5 to 1 of the squeeze (conventions of the model, 7), once bedded in
    assert all(0.2 * look.squeeze < size < look.squeeze for size in told)
    assert said.startswith("the mark of the grit layer by the end of this step, ")
    assert "up to about 0.53 um" in leaves(step, study.plates, look)[0]


def test_a_rim_that_is_never_rubbed():
    study = parse(SMALL % ("", "") + STEP % ("B", "A", SEEN))
    look = outlooks(study.plates, study.steps)[0]
    said = " ".join(leaves(study.steps[0], study.plates, look))
    assert look.overhang < 0.0
    assert f"the outermost {1e3 * -look.overhang:.0f} mm of A" in said


def test_a_force_typed_in_kilograms_has_three_figures():
    # 60 kg under the standard gravity: 588.399 N
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm", form = { dish = "3 um" } }\n'
        'plates.B = { like = "A", form = { dish = "1 um" } }\n'
        + STEP
        % ("A", "B", 'load = "60 kg"')
    )
    (step,), (look,) = study.steps, outlooks(study.plates, study.steps)
    assert "your hand adds 588 N:" in beforehand.press(step, study.plates, look)


@pytest.mark.parametrize(
    ("way", "told"),
    [("0 deg", "20 % of its length"), ("90 deg", "20 % of its breadth")],
)
def test_an_overhang_of_a_rail_is_told_by_the_side_that_it_is_a_share_of(
    way: str, told: str
) -> None:
    """A fifth of 200 mm over the end, or of 50 mm over the long side (arithmetic)."""
    size = {"0 deg": "80 mm", "90 deg": "20 mm"}[way]
    study = parse(
        'plates.A = { rectangle = ["200 mm", "50 mm"], thickness = "30 mm" }\nplates.B = { like = "A" }\n'
        '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "9 um"\ntime = "5 min"\n'
        f'stroke = {{ kind = "line", length = "{size}", direction = "{way}" }}\n'
    )
    _, edge = beforehand.hand(study.steps[0], study.plates, study.ahead[0])
    assert told in edge


@pytest.mark.parametrize(
    ("time", "fresh", "said"),
    [
        ("20 min", "5 min", ""),
        (
            "4 h",
            "5 min",
            "14400 strokes, which nobody does at one go: 48 spells of 5 min, 300 strokes each",
        ),
        (
            "2 h",
            "1 h",
            "7200 strokes, which nobody does at one go: 12 spells of 10 min, 600 strokes each",
        ),
    ],
)
def test_work_that_nobody_does_at_one_go_is_parted_by_rests(time, fresh, said):
    """Nobody strokes for longer than ten minutes without a rest (common practice, no source)."""
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n[[steps]]\n'
        f'top = "A"\nbottom = "B"\ngrit = "9 um"\npace = "60 /min"\ntime = "{time}"\n'
        f'fresh_grit_every = "{fresh}"\n'
    )
    told = " ".join(beforehand.rests(study.steps[0], study.ahead[0]))
    assert told.startswith(said) if said else not told
    if said:
        assert ("at the fresh dab" in told) == (fresh == "5 min")
    shown = " ".join(Preview(study, whole=True).text().split())
    assert (said in shown) if said else ("spells of" not in shown)
