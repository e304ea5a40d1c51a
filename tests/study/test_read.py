"""Study files become SI: the examples of the study language, and every other way of saying things."""

from __future__ import annotations

import datetime
import math
from dataclasses import astuple

import pytest
from study_typed import LONG, SHORTEST, with_step

from lapwright.errors import StudyError
from lapwright.specification.curves import (
    Circle,
    Ellipse,
    FigureEight,
    Line,
    Rosette,
    Still,
    Zigzag,
)
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.rates import read_wear
from lapwright.specification.step import Layer, Observation, Turn, Until
from lapwright.study.objects import tables_of_objects
from lapwright.study.read import load, parse, parse_document
from lapwright.study.source import document_of
from lapwright.study.variants import override


def only_step(extra: str = "", **more):
    return parse(with_step(extra, **more)).steps[0]


def test_shortest_study():
    study = parse(SHORTEST, "first-pair")
    a, b = study.plates["A"], study.plates["B"]
    assert study.title == "First pair"
    assert a.outline == b.outline == Disc(0.16)
    assert (a.thickness, b.thickness) == (0.03, 0.03)
    assert (a.form.sphere, b.form.sphere) == (3e-6, -1e-6)
    assert a.material.name == "grey iron"
    # pi/4 d^2 h rho, by hand: 4.3429 kg at 7200 kg/m3
    assert a.total_mass == pytest.approx(math.pi / 4 * 0.16**2 * 0.03 * 7200, rel=1e-12)
    step = study.steps[0]
    assert (step.top, step.bottom) == ("A", "B")
    assert step.grit.size == 15e-6
    assert step.grit.wear.iron == pytest.approx(0.16e-12 * 15, rel=1e-12, abs=0.0)
    assert step.grit.layer == Layer(0.75e-6, 3000.0)
    assert step.turn == Turn(math.radians(8), 0)
    assert (step.time, step.strokes) == (2400.0, None)
    assert step.fresh_every == 300.0
    # The defaults of the study language.
    assert astuple(step.curve) == pytest.approx(astuple(FigureEight(0.16 / 3, 0.16 / 6)))
    assert step.pace == pytest.approx(40 / 60)
    assert step.walk == Turn()
    assert step.load.force == 0.0
    assert step.hand.steady
    assert (study.seed, study.rounds, study.units, a.cells) == (0, 1, "metric", 128)
    assert study.margin.of(a.outline) == pytest.approx(0.02 * 0.16)
    assert study.text == SHORTEST
    assert study.stem == "first-pair"


def test_what_was_assumed_is_told():
    assumed = parse(SHORTEST).assumed
    assert assumed["steps.1.pace"] == "40 /min"
    assert assumed["steps.1.load"] == "0 N"
    assert assumed["steps.1.hand"] == "steady"
    assert assumed["steps.1.grit.wear"] == "2.4 um/km/kPa"
    assert assumed["steps.1.grit.layer"] == "0.75 um at 3 kPa"
    assert assumed["plates.A.material"] == "grey iron"
    assert assumed["plates.B.cells"] == "128"
    assert assumed["seed"] == "0"
    assert "steps.1.turn" not in assumed
    assert "steps.1.fresh_grit_every" not in assumed
    assert "title" not in assumed


def test_long_study():
    study = parse(LONG)
    a = study.plates["A"]
    assert (study.seed, study.rounds) == (7, 4)
    assert a.mass == 4.4
    assert (a.form.sphere, a.form.twist, a.form.ripple.height) == (2e-6, 1e-6, 3e-7)
    assert (a.grooves.pattern, a.grooves.pitch, a.grooves.width, a.grooves.rim) == (
        "square",
        0.012,
        0.002,
        0.003,
    )
    grit = study.steps[0].grit
    assert (grit.size, grit.wear.iron, grit.layer, grit.fade, grit.held_in) == (
        9e-6,
        1e-12,
        Layer(5e-7, 3000.0),
        480.0,
        None,
    )
    step = study.steps[0]
    assert step.until == Until(difference=2e-7)
    assert step.curve == FigureEight(0.053, 0.027)
    assert step.walk == Turn(math.radians(3), 0)
    assert (step.load.force, step.load.at, step.load.fixed_to) == (20.0, (0.005, 0.0), "hand")
    assert (step.load.push_height, step.load.friction) == (0.015, 0.15)
    assert step.swap.on_top == {"A": 300.0, "B": 300.0}
    usual = {"goal.effort.reading": "5 min", "goal.effort.wash": "15 min"}
    usual |= {"plates.A.supports": "flat bed", "plates.B.supports": "flat bed"}
    assumed = dict(study.assumed)
    assert assumed.pop("bending").startswith("taken into account: ")  # a goal of 0.3 um
    assert assumed == {"steps.1.friction": "0.15", "compare.at": "metal"} | usual


def test_long_study_keeps_the_later_parts():
    study = parse(LONG)
    assert study.variants[0].changes == {"stroke.length": "40 mm", "load": "10 N"}
    first, second = study.swept.axes
    assert first.key == "stroke.overhang"
    assert first.values == (
        "5 %",
        "6.75 %",
        "8.5 %",
        "10.25 %",
        "12 %",
        "13.75 %",
        "15.5 %",
        "17.25 %",
        "19 %",
    )
    assert second.values == ("10 N", "20 N")
    goal, tune = study.goal, study.tuned
    assert (goal.reach, goal.plates, goal.hold) == ({"flatness": 3e-7}, ("A", "B"), 10800.0)
    assert (goal.effort.swap, goal.effort.metal) == (180.0, 60e6)
    assert (tune.least, tune.order) == ("time", True)
    assert goal.keep == {"B": {"dome": 1e-7}}
    assert (tune.free[0].low, tune.free[0].high) == ("5 %", "19 %")
    assert tune.free[2].choices == ("none", "8 deg per stroke", "90 deg every 10 strokes")
    gauge = study.gauges["sph"]
    assert (gauge.kind, gauge.feet, gauge.foot_circle, gauge.ball) == (
        "spherometer",
        3,
        0.08,
        0.003,
    )
    assert (gauge.resolution, gauge.repeatability, gauge.hysteresis) == (1e-7, 5e-8, 1e-7)
    reading = study.readings[0]
    assert (reading.value, reading.at, reading.date) == (
        1.2e-6,
        (0.0, 0.0),
        datetime.date(2026, 1, 31),
    )
    assert reading.temperature == pytest.approx(293.15)


# --- plates ------------------------------------------------------------------------------------


def plate(text: str):
    return parse(
        with_step(
            plates=f"plates.A = {{ {text} }}\nplates.B = {{ disc = '100 mm', mass = '2 kg' }}"
        )
    ).plates["A"]


def test_outlines():
    assert plate('ring = ["80 mm", "50 mm"], mass = "1 kg"').outline == Ring(0.08, 0.05)
    assert plate('rectangle = ["300 mm", "50 mm"], thickness = "30 mm"').outline == Rectangle(
        0.3, 0.05
    )


def test_mass_overrides_thickness():
    assert plate('disc = "160 mm", thickness = "30 mm", mass = "5 kg"').total_mass == 5.0


def test_form_parts_add():
    form = plate(
        'disc = "160 mm", mass = "4 kg", form = { dome = "2 um", dish = "0.5 um", saddle = "-1 um" }'
    ).form
    assert (form.sphere, form.saddle) == (1.5e-6, -1e-6)
    form = plate(
        'rectangle = ["300 mm", "50 mm"], mass = "4 kg", '
        'form = { bow = "2 um", crown = "1 um", wind = "-3 um" }'
    ).form
    assert (form.bow, form.crown, form.wind) == (2e-6, 1e-6, -3e-6)
    ripple = plate(
        'disc = "160 mm", mass = "4 kg", '
        'form = { ripple = { height = "0.3 um", wavelength = "20 mm", angle = "90 deg", seed = 3 } }'
    ).form.ripple
    assert (ripple.height, ripple.wavelength, ripple.angle, ripple.seed) == (
        3e-7,
        0.02,
        math.pi / 2,
        3,
    )


def test_grooves():
    got = plate(
        'disc = "160 mm", mass = "4 kg", grooves = { pattern = "radial", count = 12, width = "2 mm" }'
    ).grooves
    assert (got.pattern, got.count, got.width) == ("radial", 12, 0.002)
    got = plate(
        'disc = "160 mm", mass = "4 kg", grooves = { pattern = "triangle", pitch = "12 mm", width = "2 mm" }'
    ).grooves
    assert (got.pattern, got.pitch) == ("triangle", 0.012)


def test_material_from_table_and_given():
    metal = plate('disc = "160 mm", mass = "4 kg", material = "hardened steel"').material
    assert metal.wear_factor == 0.5  # model, section 3: common practice, no source
    metal = plate(
        'disc = "160 mm", mass = "4 kg", material = "steel", density = "7.8 g/cm3", modulus = "205 GPa", '
        'expansion = "12e-6 1/K", wear_factor = 0.6'
    ).material
    assert (metal.density, metal.modulus, metal.expansion, metal.wear_factor) == (
        7800.0,
        205e9,
        12e-6,
        0.6,
    )
    assert metal.poisson == 0.30


def test_like_copies_everything_but_form_and_note():
    text = """
    [plates.A]
    disc = "160 mm"
    thickness = "30 mm"
    mass = "4.4 kg"
    material = "bronze"
    wear_factor = 2
    cells = 96
    form = { dome = "3 um" }
    grooves = { pattern = "rings", pitch = "12 mm", width = "2 mm" }
    note = "mine"
    [plates.B]
    like = "A"
    [plates.C]
    like = "B"
    ring = ["100 mm", "40 mm"]
    material = "steel"
    grooves = "none"
    """
    plates = parse(with_step(plates=text)).plates
    a, b, c = (plates[name] for name in "ABC")
    assert (b.outline, b.thickness, b.mass, b.material, b.grooves, b.cells) == (
        a.outline,
        a.thickness,
        a.mass,
        a.material,
        a.grooves,
        a.cells,
    )
    assert b.form.sphere == 0.0
    assert b.note == ""
    assert c.outline == Ring(0.1, 0.04)
    assert (c.material.name, c.material.wear_factor) == ("steel", 0.8)
    assert c.grooves is None
    assert c.mass == 4.4


def test_parts_are_plates():
    text = '[plates.A]\ndisc = "160 mm"\nmass = "4 kg"\n[parts.B]\nring = ["60 mm", "40 mm"]\nmass = "1 kg"\n'
    assert list(parse(with_step(plates=text)).plates) == ["A", "B"]


def test_edge_margin_as_share_or_length():
    pair = with_step()
    assert parse('edge_margin = "5 %"\n' + pair).margin.of(Disc(0.16)) == pytest.approx(0.008)
    assert parse('edge_margin = "3 mm"\n' + pair).margin.of(Disc(0.16)) == pytest.approx(0.003)
    assert parse('edge_margin = "0 mm"\n' + pair).margin.of(Disc(0.16)) == 0.0


# --- grits -------------------------------------------------------------------------------------


def grit(text: str, step: str = ""):
    return only_step(f'grit = "g"\n{step}', drop="grit", grits=f"[grits.g]\n{text}\n").grit


def test_wear_in_its_four_ways():
    assert grit('size = "9 um"\nwear = "1 um/km/kPa"').wear.iron == 1e-12
    both = grit('size = "9 um"\nwear = { A = "1e-12 1/Pa", B = "2e-12 1/Pa" }').wear
    assert both.plates == {"A": 1e-12, "B": 2e-12}
    seen = grit('size = "9 um"\nwear = { removed = "2 um", in = "10 min" }').wear.observed
    assert seen == Observation(time=600.0, removed=2e-6)
    seen = grit(
        'size = "9 um"\nwear = { removed = "2 um", in = "10 min", plate = "B" }'
    ).wear.observed
    assert seen == Observation(time=600.0, removed=2e-6, plate="B")
    seen = grit(
        'size = "9 um"\nwear = { lost = "0.3 g", in = "10 min", plate = "A" }'
    ).wear.observed
    assert seen == Observation(time=600.0, lost=3e-4, plate="A")


def test_grit_defaults_and_layer():
    got = grit('size = "9 um"')
    assert got.wear.iron == pytest.approx(
        1.44e-12, rel=1e-12, abs=0.0
    )  # 0.16e-12 1/Pa per um, common practice, no source
    assert got.layer.depth == pytest.approx(0.45e-6)
    assert got.layer.pressure == 3000.0
    assert got.fade is None
    assert grit('size = "9 um"\nlayer = { depth = "1 um" }').layer == Layer(1e-6, 3000.0)
    # Without a depth, as stiff as by default.
    assert grit('size = "9 um"\nlayer = { pressure = "6 kPa" }').layer.stiffness == pytest.approx(
        got.layer.stiffness
    )
    assert grit('size = "9 um"\nheld = { in = "B" }').held_in == "B"


# ISO 8486-2 medians (from memory; to be checked against the standard).
@pytest.mark.parametrize(
    ("name", "um"),
    [
        ("F220", 58),
        ("F240", 44.5),
        ("F280", 36.5),
        ("F320", 29.2),
        ("F360", 22.8),
        ("F400", 17.3),
        ("F500", 12.8),
        ("F600", 9.3),
        ("F800", 6.5),
        ("F1000", 4.5),
        ("F1200", 3.0),
        ("f 400", 17.3),
    ],
)
def test_fepa_f_sizes(name, um):
    assert only_step(f'grit = "{name}"', drop="grit").grit.size == pytest.approx(
        um * 1e-6, rel=1e-12
    )
    assert grit(f'size = "{name}"').size == pytest.approx(um * 1e-6, rel=1e-12)


def test_the_same_grit_typed_differently_is_one_grit():
    # Fresh grit is counted by the grit's name, so it may not depend on spelling.
    names = {
        only_step(f'grit = "{typed}"', drop="grit").grit.name
        for typed in ("15 um", "15um", "0.015 mm", "15 \u00b5m")
    }
    assert names == {"15 um"}


# --- strokes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "curve"),
    [
        ('kind = "circle", radius = "20 mm"', Circle(0.02)),
        ('kind = "ellipse", length = "50 mm", width = "20 mm"', Ellipse(0.05, 0.02)),
        ('kind = "ellipse", length = "50 mm"', Ellipse(0.05, 0.025)),
        ('kind = "line", length = "50 mm"', Line(0.05)),
        ('kind = "figure-eight", length = "53 mm", width = "27 mm"', FigureEight(0.053, 0.027)),
        ('length = "53 mm"', FigureEight(0.053, 0.0265)),
        ('kind = "zigzag", length = "50 mm", width = "30 mm", passes = 8', Zigzag(0.05, 0.03, 8)),
        ('kind = "zigzag", length = "50 mm", width = "30 mm"', Zigzag(0.05, 0.03, 10)),
        (
            'kind = "rosette", radius = "30 mm", small = "5 mm", ratio = -4',
            Rosette(0.03, 0.005, -4),
        ),
        ('kind = "still"', Still()),
        # travel: the full extent along the stroke's direction as a share of the top's width there
        ('kind = "circle", travel = "1/4"', Circle(0.02)),
        ('kind = "line", travel = "25 %"', Line(0.04)),
        ('travel = "1/4"', FigureEight(0.04, 0.02)),
        ('travel = "1/4", width = "5 mm"', FigureEight(0.04, 0.005)),
        ('kind = "rosette", travel = "1/2", ratio = 3', Rosette(0.03, 0.01, 3)),
        ('kind = "rosette", travel = "1/2", small = "4 mm", ratio = 3', Rosette(0.036, 0.004, 3)),
    ],
)
def test_strokes(typed, curve):
    got = only_step(f"stroke = {{ {typed} }}").curve
    assert type(got) is type(curve)
    assert vars(got) == {key: pytest.approx(value, rel=1e-12) for key, value in vars(curve).items()}


# Equal discs hang out by the way their centres are apart, whatever the path.
@pytest.mark.parametrize(
    ("typed", "curve"),
    [
        ('kind = "circle", overhang = "17 %"', Circle(0.0272)),
        ('kind = "circle", overhang = "27 mm"', Circle(0.027)),
        ('kind = "line", overhang = "10 %", direction = "30 deg"', Line(0.032)),
        ('kind = "line", overhang = "10 %", centre = ["6 mm", "0 mm"]', Line(0.02)),
        ('overhang = "10 %"', FigureEight(0.032, 0.016)),
        (
            'kind = "rosette", overhang = "10 %", small = "4 mm", ratio = 5',
            Rosette(0.012, 0.004, 5),
        ),
    ],
)
def test_strokes_by_overhang(typed, curve):
    got = only_step(f"stroke = {{ {typed} }}").curve
    assert type(got) is type(curve)
    assert vars(got) == {key: pytest.approx(value, rel=1e-6) for key, value in vars(curve).items()}


def test_overhang_counts_the_walk_with_a_carried_centre():
    # A ring of 80 mm on a plate of 160 mm: out by 46 mm and by a circle of 8 mm it reaches 46 + 8 + 40 mm,
    # which is 14 mm over the rim.
    a = 'plates.A = { ring = ["80 mm", "40 mm"], mass = "1 kg" }'
    plates = a + '\nplates.B = { disc = "160 mm", mass = "4 kg" }'
    text = 'stroke = { kind = "circle", overhang = "14 mm", centre = ["46 mm", "0 mm"], carry_centre = true }'
    step = only_step(text + '\nwalk = "4 deg per stroke"', plates=plates)
    assert step.curve.radius == pytest.approx(0.008, rel=1e-6)


def test_travel_takes_the_width_along_the_direction():
    a = 'plates.A = { rectangle = ["300 mm", "50 mm"], mass = "3 kg" }'
    plates = a + '\nplates.B = { disc = "400 mm", mass = "9 kg" }'
    along = only_step('stroke = { kind = "line", travel = "10 %" }', plates=plates).curve
    across = only_step(
        'stroke = { kind = "line", travel = "10 %", direction = "90 deg" }', plates=plates
    ).curve
    assert (along.length, across.length) == (pytest.approx(0.03), pytest.approx(0.005))


def test_where_the_stroke_lies():
    step = only_step(
        'stroke = { direction = "20 deg", centre = ["5 mm", "-3 mm"], carry_centre = true }'
    )
    assert step.direction == pytest.approx(math.radians(20))
    assert step.centre == (0.005, -0.003)
    assert step.carry_centre


# --- turning, load, swaps, lengths, hand ---------------------------------------------------------


def test_turns_and_walks():
    assert only_step('turn = "90 deg every 10 strokes"').turn == Turn(math.pi / 2, 10)
    assert only_step('turn = "none"').turn == Turn()
    step = only_step('turn_bottom = "3 deg per stroke"')
    assert step.walk == Turn(-math.radians(3), 0)
    assert step.carry_centre


def test_loads():
    assert only_step('load = "2 kgf"').load.force == pytest.approx(2 * 9.80665)
    study = parse(with_step('load = "5 lb"'))
    assert study.steps[0].load.force == pytest.approx(5 * 4.4482216152605)
    assert study.assumed["steps.1.load"] == "22.2 N"
    load = only_step(
        'load = "10 N"\nload_at = { x = "5 mm", fixed_to = "bench" }\npush_height = "8 mm"\nfriction = 0.2'
    ).load
    assert (load.at, load.fixed_to, load.push_height, load.friction) == (
        (0.005, 0.0),
        "bench",
        0.008,
        0.2,
    )


def test_swaps_in_four_ways():
    assert only_step('swap_every = "5 min"').swap.on_top == {"A": 300.0, "B": 300.0}
    assert only_step('swap_every = { A = "15 min", B = "5 min" }').swap.on_top == {
        "A": 900.0,
        "B": 300.0,
    }
    assert only_step('swap_every = { read = "2.5 min", on_top = "more domed" }').swap.read == 150.0
    assert only_step('swap_every = "0.4 um"').swap.removed == {"A": 0.4e-6, "B": 0.4e-6}
    each = only_step('swap_every = { A = "0.6 um", B = "8 uin" }').swap
    assert (each.removed, each.on_top) == ({"A": 0.6e-6, "B": 8 * 2.54e-8}, {})


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (
            '{ A = "0.6 um", B = "5 min" }',
            'metal for one plate and time for the other: say both alike, { A = "0.6 um", B = "0.2 um" }',
        ),
        ('"5 m"', "min"),  # minutes, mistyped: no depth of metal
        ('"3 mm"', "1 mm at most"),
        ('"0 um"', "more than 0 um"),
        ('{ A = "0.6 um" }', "steps.1.swap_every.B"),
    ],
)
def test_swaps_in_metal_are_refused_in_a_line(typed, told):
    with pytest.raises(StudyError) as refused:
        parse(with_step(f"swap_every = {typed}"))
    (line,) = str(refused.value).splitlines()
    assert told in line
    assert "steps.1.swap_every" in line


def test_swaps_in_metal_come_back_from_a_file():
    """Written by the one writer of studies, read by the one reader; Step takes the same texts."""
    for swap in ("0.4 um", {"A": "0.6 um", "B": "0.2 um"}):
        step = only_step('swap_every = "5 min"').replace(swap_every=swap)
        (table,) = tables_of_objects({"steps": [step]})["steps"]
        typed = ", ".join(f'{name} = "{text}"' for name, text in table["swap_every"].items())
        assert only_step(f"swap_every = {{ {typed} }}").swap == step.swap
        assert step.swap.removed["A"] == (0.4e-6 if isinstance(swap, str) else 0.6e-6)


def test_lengths_of_a_step():
    assert only_step("strokes = 800", drop="time").strokes == 800
    step = only_step(
        'until = { flatness = "0.3 um", twist = "1 um", mating = "0.1 um", removed = "5 um" }'
    )
    assert (step.until.flatness, step.until.twist, step.until.mating, step.until.removed) == (
        3e-7,
        1e-6,
        1e-7,
        5e-6,
    )
    # both limits beside an until: the one that is over first
    assert only_step('until = { twist = "1 um" }\nstrokes = 100').strokes == 100
    assert only_step('until = { twist = "1 um" }\nstrokes = 100000').time == 600.0
    study = parse(with_step('until = { twist = "1 um" }', drop="time"))
    assert study.steps[0].time == 4 * 3600.0
    assert study.assumed["steps.1.time"] == "4 h at most"


def test_hands():
    assert only_step('hand = "steady"').hand.steady
    usual = only_step('hand = "usual"\nstroke = { kind = "circle", radius = "20 mm" }').hand
    rough = only_step('hand = "rough"\nstroke = { kind = "circle", radius = "20 mm" }').hand
    assert (usual.amplitude, usual.pace, usual.centre) == (0.10, 0.10, pytest.approx(0.002))
    assert (rough.amplitude, rough.pace, rough.centre) == (0.25, 0.25, pytest.approx(0.005))
    own = only_step(
        'hand = { amplitude = "10 %", centre = "2 mm", direction = "5 deg", pace = "10 %", memory = 5 }'
    ).hand
    assert (own.amplitude, own.centre, own.direction, own.pace, own.memory) == (
        0.1,
        0.002,
        pytest.approx(math.radians(5)),
        0.1,
        5.0,
    )


# --- files and changed documents -----------------------------------------------------------------


def test_load_takes_the_stem(tmp_path):
    path = tmp_path / "my pair.toml"
    path.write_bytes("\ufeff".encode() + SHORTEST.replace("\n", "\r\n").encode())
    study = load(path)
    assert (study.stem, study.title) == ("my pair", "First pair")


def test_override_leaves_the_document_alone_and_takes_the_other_way_out():
    document = document_of(LONG)
    changed = override(
        document, 1, {"stroke.travel": "1/4", "load": "5 N", "swap_every.A": "9 min"}
    )
    assert document == document_of(LONG)
    step = parse_document(changed).steps[0]
    assert astuple(step.curve) == pytest.approx(astuple(FigureEight(0.04, 0.02)))
    assert step.load.force == 5.0
    assert step.swap.on_top == {"A": 540.0, "B": 300.0}


def test_override_moves_one_side_of_a_centre():
    document = document_of(
        with_step('stroke = { kind = "circle", radius = "8 mm", centre = ["20 mm", "1 mm"] }')
    )
    for key, centre in (
        ("stroke.centre.y", (0.020, 0.004)),
        ("stroke.centre.x", (0.004, 0.001)),
        ("stroke.centre", (0.004, 0.001)),
    ):
        assert parse_document(override(document, 1, {key: "4 mm"})).steps[
            0
        ].centre == pytest.approx(centre)
    whole = parse_document(override(document, 1, {"stroke.centre": ["4 mm", "5 mm"]})).steps[0]
    assert whole.centre == pytest.approx((0.004, 0.005))
    bare = override(document, 1, {"stroke": {"kind": "circle", "radius": "8 mm"}})
    assert parse_document(override(bare, 1, {"stroke.centre.y": "5 mm"})).steps[0].centre == (
        0.0,
        0.005,
    )
    with pytest.raises(ValueError, match="no 'z'"):
        override(document, 1, {"stroke.centre.z": "4 mm"})


def test_override_of_kind_time_and_walk():
    document = document_of(
        with_step('stroke = { length = "40 mm", width = "20 mm" }\nwalk = "3 deg per stroke"')
    )
    step = parse_document(
        override(document, None, {"stroke.kind": "circle", "stroke.radius": "9 mm"})
    ).steps[0]
    assert step.curve == Circle(0.009)
    step = parse_document(override(document, None, {"strokes": 50})).steps[0]
    assert (step.time, step.strokes) == (None, 50)
    step = parse_document(override(document, None, {"turn_bottom": "3 deg per stroke"})).steps[0]
    assert step.walk == Turn(-math.radians(3), 0)


def test_override_of_a_step_that_is_not_there():
    with pytest.raises(ValueError, match="there is no step 2: steps are 1 to 1"):
        override(document_of(SHORTEST), 2, {"load": "1 N"})


def test_faults_are_a_study_error_with_exit_code_two():
    with pytest.raises(StudyError) as caught:
        parse("title = 3")
    assert caught.value.exit_code == 2


def test_defaults_of_a_grit_are_said_in_the_units_of_the_study():
    # 0.16 um/km/kPa for each um of 15 um grit; 0.05 x 15 um under 3 kPa; inch, foot and psi by definition
    got = parse('units = "inch"\n' + SHORTEST).assumed
    assert read_wear(got["steps.1.grit.wear"]) == pytest.approx(2.4e-12, rel=5e-3, abs=0.0)
    assert got["steps.1.grit.wear"].endswith("uin/ft/psi")
    assert got["steps.1.grit.layer"] == "29.5 uin at 0.435 psi"
