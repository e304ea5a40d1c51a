"""Strict and kind: every fault is one line that names key, value, what is needed and how to write it."""

from __future__ import annotations

import os

import pytest
from effort import Effort
from study_typed import LONG, SHORTEST, with_step

from lapwright.errors import StudyError
from lapwright.study.read import load, parse


def faults_of(text: str) -> list[str]:
    with pytest.raises(StudyError) as caught:
        parse(text)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.faults)
    return lines


def step(extra: str, **more) -> str:
    return with_step(extra, **more)


def plate(text: str) -> str:
    return with_step(
        plates=f"plates.A = {{ {text} }}\nplates.B = {{ disc = '160 mm', mass = '4 kg' }}"
    )


def grit(text: str) -> str:
    return with_step('grit = "g"', drop="grit", grits=f"[grits.g]\n{text}")


def doubt(text: str) -> str:
    return f"{step('')}\n[[doubts]]\n{text}\n"


WRONG = [
    # how surely forms are known
    (doubt("A = { dome = 0.1 }"), "doubts.1.A.dome: 0.1 has no unit"),
    (doubt('A = { dome = "3 kg" }'), "doubts.1.A.dome: '3 kg' is"),
    (doubt('A = { dome = "2 m" }'), "doubts.1.A.dome: '2 m' is too large: it may be 1 mm at most"),
    (doubt('A = { domes = "0.1 um" }'), "doubts.1.A.domes: unknown key: did you mean dome?"),
    (doubt('A = { bow = "0.1 um" }'), "doubts.1.A.bow: unknown key"),
    (doubt('C = { dome = "0.1 um" }'), "doubts.1.C: unknown key: known here: A and B"),
    (doubt('A = "0.1 um"'), "doubts.1.A: '0.1 um' is not a table: write A = { dome = "),
    (doubt(""), "doubts.1: moves nothing: write A = { dome = "),
    (doubt("A = {}"), "doubts.1: moves nothing: write A = { dome = "),
    # overhang: a share or a length, and one that can be
    (
        step('stroke = { overhang = "60 %" }'),
        "steps.1.stroke.overhang: '60 %' cannot be: from 50 % on every top",
    ),
    (
        step('stroke = { overhang = "3 kg" }'),
        "steps.1.stroke.overhang: '3 kg' is no overhang: write a share",
    ),
    (step("stroke = { overhang = 17 }"), "steps.1.stroke.overhang: 17 has no unit"),
    (
        step('stroke = { overhang = "-1 mm" }'),
        "steps.1.stroke.overhang: '-1 mm' cannot be: ",
    ),
    # bare numbers where a unit is due
    (
        plate("disc = 160, mass = '4 kg'"),
        "plates.A.disc: 160 has no unit: write a number, a space and one of m, cm, mm",
    ),
    (plate("disc = '160', mass = '4 kg'"), "plates.A.disc: '160' has no unit"),
    (step("pace = 40"), 'steps.1.pace: 40 has no unit: write strokes per time, such as "40 /min"'),
    (step("turn = 8"), 'steps.1.turn: 8 has no unit: write "8 deg per stroke"'),
    (step("load = 20"), 'such as "20 N"'),
    (
        step("stroke = { travel = 0.33 }"),
        'steps.1.stroke.travel: 0.33 has no unit: write a share as "33 %"',
    ),
    (step("fresh_grit_every = 5"), 'such as "5 min"'),
    ("edge_margin = 2\n" + step(""), "edge_margin: 2 has no unit"),
    ("edge_margin = '2'\n" + step(""), "edge_margin: '2' has no unit"),
    # unknown keys, with the nearest
    (step('stork = "x"'), "steps.1.stork: unknown key: did you mean stroke?"),
    (
        step('fresh_grit = "5 min"'),
        "steps.1.fresh_grit: unknown key: did you mean fresh_grit_every?",
    ),
    (plate("disk = '160 mm', mass = '4 kg'"), "plates.A.disk: unknown key: did you mean disc?"),
    (
        step("stroke = { kind = 'circle', radios = '3 mm' }"),
        "steps.1.stroke.radios: unknown key: did you mean radius?",
    ),
    ("sed = 3\n" + step(""), "sed: unknown key: did you mean seed?"),
    ("qqqqqq = 3\n" + step(""), "qqqqqq: unknown key: known here: "),
    # missing keys
    (with_step(drop="top"), 'steps.1.top: is missing: write top = "A"'),
    (with_step(drop="grit"), 'steps.1.grit: is missing: write grit = "15 um"'),
    (with_step(drop="time"), "steps.1: needs one of time or strokes: how long the step lasts"),
    (
        plate("disc = '160 mm'"),
        'plates.A.thickness: is missing: write thickness = "30 mm", or mass = "4.4 kg"',
    ),
    (plate("mass = '4 kg'"), "plates.A: needs one of disc, ring or rectangle"),
    ("title = 'x'", "steps: is missing: write [[steps]]"),
    ("title = 'x'", "plates: is missing: write at least two"),
    (grit("wear = '1e-12 1/Pa'"), 'grits.g.size: is missing: write size = "9 um"'),
    # wrong dimensions
    (
        plate("disc = '300 kg', mass = '4 kg'"),
        "plates.A.disc: '300 kg' is not a length (it is a mass): write a number",
    ),
    (step('load = "20 mm"'), "steps.1.load: '20 mm' is not a force (it is a length)"),
    (
        with_step('time = "10 mm"', drop="time"),
        "steps.1.time: '10 mm' is not a time (it is a length)",
    ),
    (
        grit("size = '9 um'\nwear = '3 um'"),
        "grits.g.wear: '3 um' is not a wear constant: write metal lost per way",
    ),
    # values that cannot be
    (
        plate("disc = '160 mm', thickness = '-30 mm'"),
        "plates.A.thickness: '-30 mm' cannot be: it must be more than 0 mm",
    ),
    (
        plate("disc = 'nan mm', mass = '4 kg'"),
        "plates.A.disc: 'nan mm' is not a number that can be",
    ),
    (plate("disc = nan, mass = '4 kg'"), "plates.A.disc: nan has no unit"),
    (plate("disc = inf, mass = '4 kg'"), "plates.A.disc: inf has no unit"),
    (
        plate("disc = '1e9 m', mass = '4 kg'"),
        "plates.A.disc: '1e9 m' is too large: it may be 5 m at most",
    ),
    (plate("disc = '1e999 m', mass = '4 kg'"), "plates.A.disc: '1e999 m' is too large"),
    (
        plate("disc = '160 mm', mass = '4 kg', form = { dome = '3 mm' }"),
        "plates.A.form.dome: '3 mm' is too large",
    ),
    (plate("disc = '160 mm', mass = '4 kg', cells = 4"), "plates.A.cells: 4 cannot be"),
    (
        plate("disc = '160 mm', mass = '4 kg', cells = 2.5"),
        "plates.A.cells: 2.5 is not a whole number",
    ),
    (
        plate("ring = ['50 mm', '80 mm'], mass = '4 kg'"),
        "plates.A.ring: the bore of 80 mm is not smaller than the outside of 50 mm",
    ),
    (
        plate("ring = '80 mm', mass = '4 kg'"),
        "plates.A.ring: '80 mm' is not a pair of lengths (outside, bore)",
    ),
    (
        plate("disc = '160 mm', ring = ['80 mm', '50 mm'], mass = '4 kg'"),
        "plates.A: has disc and ring together",
    ),
    (
        plate(
            "disc = '160 mm', mass = '4 kg', grooves = { pattern = 'square', pitch = '5 mm', width = '5 mm' }"
        ),
        "plates.A.grooves.width: grooves of 5 mm at a pitch of 5 mm leave no land",
    ),
    (
        plate(
            "disc = '160 mm', mass = '4 kg', grooves = { pattern = 'radial', pitch = '5 mm', width = '2 mm' }"
        ),
        "plates.A.grooves.count: is missing: write count = 12",
    ),
    (
        plate(
            "disc = '160 mm', mass = '4 kg', grooves = { pattern = 'sqare', pitch = '5 mm', width = '2 mm' }"
        ),
        "did you mean 'square'?",
    ),
    (
        plate("disc = '160 mm', mass = '4 kg', form = { map = 'A.x3p' }"),
        "plates.A.form.map: 'A.x3p' is not there: look at the name, which goes from the study's folder",
    ),
    (
        plate("disc = '160 mm', mass = '4 kg', form = { bow = '1 um' }"),
        "plates.A.form.bow: is for rectangles",
    ),
    (
        plate("disc = '160 mm', mass = '4 kg', form = 'flat'"),
        "plates.A.form: 'flat' is not a table: write form = { dome",
    ),
    (plate("disc = '160 mm', mass = '4 kg', material = 'gray iron'"), "did you mean 'grey iron'?"),
    (
        plate("disc = '160 mm', mass = '4 kg', density = '7200'"),
        "plates.A.density: '7200' has no unit",
    ),
    (
        step('stroke = { kind = "circle", radius = "20 mm", travel = "1/3" }'),
        "steps.1.stroke: has radius and travel together",
    ),
    (
        step('stroke = { kind = "circle", length = "20 mm" }'),
        'steps.1.stroke.length: does not belong to kind = "circle": its size is radius, travel or overhang',
    ),
    (
        step('stroke = { kind = "still", length = "20 mm" }'),
        'steps.1.stroke.length: does not belong to kind = "still": it has no size',
    ),
    (step('stroke = { kind = "figure eight" }'), "did you mean 'figure-eight'?"),
    (
        step('stroke = { kind = "rosette", radius = "2 mm", ratio = 1.5 }'),
        "steps.1.stroke.ratio: 1.5 is not a whole number",
    ),
    (step('stroke = { travel = "17" }'), "steps.1.stroke.travel: '17' cannot be"),
    (step('stroke = { centre = ["5 mm"] }'), "steps.1.stroke.centre: a list of 1 is no place"),
    (
        step('walk = "3 deg per stroke"\nturn_bottom = "3 deg per stroke"'),
        "steps.1: has walk and turn_bottom together",
    ),
    (step("strokes = 5"), "steps.1: has time and strokes together"),
    (step('load = "-5 N"'), "steps.1.load: '-5 N' cannot be: it must be 0 N or more"),
    (step('load_at = { z = "5 mm" }'), "steps.1.load_at.z: unknown key"),
    (
        step('load_at = { fixed_to = "table" }'),
        "steps.1.load_at.fixed_to: 'table' is not what the point is fixed to",
    ),
    (
        step('swap_every = { A = "5 min" }'),
        "steps.1.swap_every.B: is missing: write how long B stays on top",
    ),
    (
        step('swap_every = { A = "5 min", B = "5 min", C = "5 min" }'),
        "steps.1.swap_every.C: unknown key",
    ),
    (
        step('swap_every = { read = "5 min", on_top = "dish" }'),
        "steps.1.swap_every.on_top: 'dish' is not what goes on top",
    ),
    (
        step('hand = "shaky"'),
        "steps.1.hand: 'shaky' is not a hand: did you mean 'rough'? write 'steady', 'usual' or 'rough'",
    ),
    (step('hand = { amplitude = "90 %" }'), "steps.1.hand.amplitude: '90 %' cannot be"),
    (
        step('until = "0.2 um"'),
        "steps.1.until: '0.2 um' is not a table: write { difference = \"0.2 um\" }",
    ),
    (step("until = { }"), "steps.1.until: is empty"),
    (step("friction = nan"), "steps.1.friction: nan cannot be"),
    (step("note = 3"), "steps.1.note: 3 is not text"),
    (step('pace = "-3 /min"'), "steps.1.pace: '-3 /min' cannot be"),
    ("seed = -1\n" + step(""), "seed: -1 cannot be"),
    ("rounds = 0\n" + step(""), "rounds: 0 cannot be"),
    (
        "units = 'imperial'\n" + step(""),
        "units: 'imperial' is not a language of answers: did you mean 'inch'? write 'metric' or 'inch'",
    ),
    ("edge_margin = '40 %'\n" + step(""), "edge_margin: '40 %' cannot be"),
    ("edge_margin = '3 kg'\n" + step(""), "edge_margin: '3 kg' is no edge margin"),
    # names
    (with_step('top = "a"', drop="top"), "steps.1.top: there is no plate 'a': did you mean A?"),
    (
        with_step('top = "B"', drop="top"),
        "steps.1.bottom: 'B' is the top too: a plate cannot lie on itself",
    ),
    (
        with_step('grit = "corse"', drop="grit", grits="grits.coarse = { size = '9 um' }"),
        "there is no grit 'corse': did you mean coarse?",
    ),
    (plate("like = 'Q'"), "plates.A.like: there is no plate 'Q'"),
    (plate("like = 'A'"), "plates.A.like: goes round in a circle"),
    (
        with_step(plates='plates."a.b" = { disc = "9 mm", mass = "1 kg" }'),
        "leave out dots, slashes",
    ),
    # grit numbers
    (
        with_step('grit = "400 grit"', drop="grit"),
        "steps.1.grit: '400 grit' is 17 um (FEPA F400), 23 um (ANSI CAMI 400) or 35 um (FEPA P400), "
        "by system: write the size",
    ),
    (
        with_step('grit = "#400"', drop="grit"),
        "17 um (FEPA F400), 23 um (ANSI CAMI 400) or 35 um (FEPA P400)",
    ),
    (
        with_step("grit = 400", drop="grit"),
        "17 um (FEPA F400), 23 um (ANSI CAMI 400) or 35 um (FEPA P400)",
    ),
    (
        with_step('grit = "P400"', drop="grit"),
        "is a grade of abrasive paper (FEPA P, about 35 um): write the size",
    ),
    (with_step('grit = "F450"', drop="grit"), "'F450' is not known: did you mean F400?"),
    (
        with_step("grit = 15", drop="grit"),
        "steps.1.grit: 15 has no unit: write a number, a space and one of um",
    ),
    (
        with_step('grit = { size = "6 um" }', drop="grit"),
        "steps.1.grit: what a grit is stands in a table of its own: write [grits.coarse]",
    ),
    (
        with_step('grit = "fine"', drop="grit"),
        "steps.1.grit: there is no grit 'fine': write grit = \"15 um\"",
    ),
    (
        grit("size = '9 um'\nwear = { removed = '2 um' }"),
        'grits.g.wear.in: is missing: write in = "10 min"',
    ),
    (
        grit("size = '9 um'\nwear = { lost = '0.3 g', in = '10 min' }"),
        "grits.g.wear.plate: is missing: write which plate was weighed",
    ),
    (grit("size = '9 um'\nwear = { Q = '1e-12 1/Pa' }"), "grits.g.wear.Q: unknown key"),
    (grit("size = '9 um'\nwear = '1e-3 1/Pa'"), "grits.g.wear: '1e-3 1/Pa' cannot be"),
    (grit("size = '9 um'\nheld = { in = 'Q' }"), "grits.g.held.in: there is no plate 'Q'"),
    (grit("size = '5 mm'"), "grits.g.size: '5 mm' is too large"),
    # words of the shop that have no one size
    (
        plate("disc = '160 mm', mass = '4 kg', form = { dome = '2 tenths' }"),
        '"tenths" are 0.0001 in in one shop and 0.1 mm in the next: write 0.0002 in, 200 uin or 0.2 mm',
    ),
    (
        plate("disc = '160 mm', mass = '4 kg', form = { dome = '2,5 um' }"),
        "has a decimal comma: write '2.5 um' with a point",
    ),
    # steps that cannot work
    (
        step('stroke = { centre = ["500 mm", "0 mm"] }'),
        "steps.1.stroke.centre: lays the top 500 mm away: it never comes to lie on the bottom",
    ),
    (
        step('stroke = { kind = "line", length = "900 mm" }'),
        "steps.1.stroke: travels 900 mm, off the bottom altogether",
    ),
    (with_step("strokes = 900000000", drop="time"), "steps.1.strokes: makes 9e+08 strokes"),
    # shapes of tables
    ("[steps]\ntop = 'A'", "steps: is one table: write [[steps]] with two brackets"),
    ("steps = 3", "steps: 3 is no list of steps"),
    ("plates = 3", "plates: 3 is not a table"),
    ("plates.A = 3", "plates.A: 3 is not a table"),
    (
        with_step(plates='plates.A = { disc = "9 mm", mass = "1 kg" }', drop="bottom"),
        "plates: has one plate",
    ),
    # later parts
    (
        step("[[variants]]\nset = { load = '1 N' }"),
        'variants.1.name: is missing: write name = "short eight"',
    ),
    (
        step("[[variants]]\nname = 'x'\nset = { lod = '1 N' }"),
        "variants.1.set: steps have no key 'lod': did you mean load?",
    ),
    (
        step("[[variants]]\nname = 'x'\nset = { load = '1 kPa' }"),
        "variants.1.set: steps.1.load: '1 kPa' is not a force",
    ),
    (
        step("[[variants]]\nname = 'x'\nstep = 2\nset = { load = '1 N' }"),
        "variants.1.step: 2 cannot be",
    ),
    (step("[sweep]\nload = '1 N'"), "sweep.load: '1 N' is no range: write { from"),
    (
        step("[sweep]\nload = { from = '1 N', to = '2 kgf', steps = 3 }"),
        "are no two numbers with the same unit",
    ),
    (
        step("[sweep]\nload = ['1 N']\npace = ['40 /min']\nnote = 'x'\nturn = ['none']"),
        "sweep: has 3 keys: one or two",
    ),
    (
        step("[sweep]\nstroke.travel = { from = '1 %', to = '2 %', steps = 3 }"),
        "sweep.stroke: { travel = ... } is no range (a key with a dot stands in quotes)",
    ),
    (
        step("[goal]\nhold = '3 h'"),
        'goal: names nothing that is to be reached: write flatness = "0.3 um"',
    ),
    (step("[goal]\nflat = '1 um'"), "goal.flat: unknown key: did you mean flatness?"),
    (step("[goal]\nflatness = 0.3"), "goal.flatness: 0.3 has no unit: write a number, a space and"),
    (step("[goal]\nflatness = '0.3 kg'"), "goal.flatness: '0.3 kg' is not a length"),
    (step("[goal]\ndome = '0 um'"), "goal.dome: '0 um' cannot be: it must be more than 0 um"),
    (step("[goal]\ndome = '1 um'\nplates = ['a']"), "goal.plates: there is no plate 'a'"),
    (
        step("[goal]\ndome = '1 um'\nkeep = { D = { dome = '1 um' } }"),
        "goal.keep.D: unknown key: known here: A and B",
    ),
    (
        step("[goal]\ndome = '1 um'\neffort = { swop = '1 min' }"),
        "goal.effort.swop: unknown key: did you mean swap?",
    ),
    (
        step("[goal]\ndome = '1 um'\neffort = { swap = 2 }"),
        "goal.effort.swap: 2 has no unit: write a number, a space and one of s, min or h, such as",
    ),
    (
        step("[goal]\ndome = '1 um'\neffort = { metal = '1 min' }"),
        "goal.effort.metal: '1 min' says no time for so much metal: write a time for so much metal, such",
    ),
    (
        step("[tune]\nreach = { dome = '1 um', twist = '2 um' }"),
        'tune.reach: stands in [goal] now: write [goal] above [tune], and below it dome = "1 um", twist =',
    ),
    (
        step("[goal]\ndome = '1 um'\n[tune]\nhold = '3 h'"),
        'tune.hold: stands in [goal] now: write there hold = "3 h"',
    ),
    (
        step("[goal]\ndome = '1 um'\n[tune]\nplates = ['A']"),
        'tune.plates: stands in [goal] now: write there plates = ["A"]',
    ),
    (
        step("[goal]\ndome = '1 um'\n[tune]\nkeep = { B = { dome = '1 um' } }"),
        'tune.keep: stands in [goal] now: write there keep = { B = { dome = "1 um" } }',
    ),
    (
        step("[goal]\ndome = '1 um'\n[tune.free]\n'steps.2.load' = ['1 N', '2 N']"),
        "tune.free.steps.2.load: is no key of a step here",
    ),
    (
        step("[goal]\ndome = '1 um'\n[tune.free]\n'steps.1.load' = ['2 N', '1 N']"),
        "'2 N' is not below '1 N': write low first",
    ),
    (
        step("[goal]\nbow = '1 um'"),
        "goal.bow: A is not longer than 1.3:1 and has no bow: write dome, saddle or twist",
    ),
    (
        step("[goal]\ndome = '1 um'\nkeep = { B = { wind = '1 um' } }"),
        "goal.keep.B.wind: B is not longer than 1.3:1 and has no wind: write dome, saddle or twist",
    ),
    (
        step("[goal]\ndome = '1 um'\nwind = '1 um'\nplates = ['A', 'R']").replace(
            "[[steps]]",
            "plates.R = { rectangle = ['0.2 m', '50 mm'], thickness = '30 mm' }\n[[steps]]",
            1,
        ),
        "goal.dome: R is longer than 1.3:1 and has no dome: write bow, crown or wind",
    ),
    (
        step("[gauges.g]\nkind = 'sperometer'"),
        "gauges.g.kind: 'sperometer' is not a kind of gauge: did you mean 'spherometer'?",
    ),
    (
        step("[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = '1 um'"),
        "readings.1.gauge: there is no gauge 'g': there is no [gauges.NAME] here",
    ),
    (
        step(
            "[gauges.g]\nkind = 'spherometer'\n[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = 1.2"
        ),
        "readings.1.value: 1.2 has no unit",
    ),
    (
        step(
            "[gauges.g]\nkind = 'spherometer'\n"
            "[[readings]]\ngauge = 'g'\nplate = 'A'\nvalue = '1 um'\ndate = 'today'"
        ),
        "readings.1.date: 'today' is no date",
    ),
]


@pytest.mark.parametrize(("text", "fragment"), WRONG)
def test_faults(text, fragment):
    lines = faults_of(text)
    assert any(fragment in line for line in lines), lines


def test_all_faults_of_a_file_at_once():
    text = """
    titel = "x"
    [plates.A]
    disc = 160
    thicknes = "30 mm"
    [plates.B]
    like = "a"
    [grits.fine]
    size = "-9 um"
    [[steps]]
    top = "A"
    botom = "B"
    grit = "fine"
    time = "5 kg"
    [[variants]]
    set = { load = 3 }
    """
    keys = [line.partition(": ")[0] for line in faults_of(text)]
    for key in (
        "titel",
        "plates.A.disc",
        "plates.A.thicknes",
        "plates.A.thickness",
        "plates.B.like",
        "grits.fine.size",
        "steps.1.bottom",
        "steps.1.botom",
        "steps.1.time",
        "variants.1.name",
        "variants.1.set",
    ):
        assert key in keys, keys


def test_a_fault_that_was_copied_is_told_once():
    lines = faults_of(
        with_step(plates="plates.A = { disc = '1 kg', mass = '1 kg' }\nplates.B = { like = 'A' }")
    )
    assert [line.partition(":")[0] for line in lines] == ["plates.A.disc"]
    # ... but one that only the copy has is told where it is.
    text = """
    [plates.A]
    disc = "160 mm"
    mass = "4 kg"
    grooves = { pattern = "rings", pitch = "40 mm", width = "2 mm", rim = "30 mm" }
    [plates.B]
    like = "A"
    disc = "50 mm"
    """
    assert any(
        "plates.B.grooves: leave no land" in line for line in faults_of(with_step(plates=text))
    )


def test_very_many_faults_are_counted_not_listed():
    calls = []
    for number in (1_000, 10_000):
        with Effort() as effort:
            lines = faults_of("\n".join(f"key{n} = 1" for n in range(number)))
        assert len(lines) < 50
        assert lines[-1].startswith("and ")
        calls.append(effort.calls)
    assert calls[1] < 11.0 * calls[0], "no more for each of many than for each of few"


MOST_CALLS = 20_000  # of functions, to refuse a study: ten times what the worst of these takes


# --- what TOML itself refuses ----------------------------------------------------------------------

SYNTAX = [
    ("title = \u201cFirst pair\u201d", "line 1: curly quotes (\u201c) in "),
    ("a = 1\ntitle = \u2018First pair\u2019", "line 2: curly quotes (\u2018)"),
    ('plates.A = { disc = "160 mm", form = { dome = 2,5 } }', "line 1: a decimal comma in "),
    ("x = 2,5", "line 1: a decimal comma in 'x = 2,5': write a point"),
    ('title = "First pair\nseed = 3', "line 1: a missing quote in 'title = \"First pair'"),
    ('title = First pair"', "line 1: a missing quote"),
    (
        "title = First pair",
        "line 1: a missing quote in 'title = First pair': put the value between quotes: \"First pair\"",
    ),
    (
        "seed = 3\ndisc = 160 mm",
        "line 2: a missing quote in 'disc = 160 mm': put the value between quotes: \"160 mm\"",
    ),
    ("form = { dome = 2 um }", 'put the value between quotes: "2 um"'),
    ("title: 'x'", "line 1: a colon"),
    ("seed = 1\nseed = 2", "line 2: the same key twice in 'seed = 2'"),
    ("[plates.A]\n[plates.A]", "line 2: the same table twice"),
    ("[steps]\n[[steps]]", "line 2: a heading that was said before in another form in '[[steps]]'"),
    ("[[steps]\n", "line 1: a heading without its end"),
    ("x = [1, 2", "line 1: a list without its end"),
    ("form = { a = 1\n}", "line 1: a table without its end in 'form = { a = 1'"),
    ('x = "\\q"', "line 1: a backslash in a text"),
    ("hello", "line 1: no = after the name"),
    ("x = " + "[" * 1000, "line 1: more than 60 brackets within brackets"),
    ("x = " + "{a=" * 1000, "line 1: more than 60 brackets within brackets"),
    ("a" + ".a" * 50_000 + " = 1", "line 1: a key of more than 60 names"),
    ("x = " + "1" * 5000, "a number of thousands of digits"),
]


@pytest.mark.parametrize(("text", "fragment"), SYNTAX)
def test_syntax(text, fragment):
    with Effort() as effort:
        lines = faults_of(text)
    assert fragment in lines[0]
    assert effort.calls < MOST_CALLS


def test_several_beginners_mistakes_are_told_together():
    lines = faults_of("title = \u201cx\u201d\nseed = 3\ndisc = 160 mm\nform = { dome = 2,5 }\n")
    assert [line.partition(":")[0] for line in lines] == ["line 1", "line 3", "line 4"]


def test_sound_lines_are_not_accused():
    # An apostrophe, a comma, a hash and curly quotes inside sound text are nothing to complain of.
    text = 'title = "Joe\'s pair, 2,5 \u201cround\u201d # x"  # don\u2019t\nseed = = 3'
    lines = faults_of(text)
    assert len(lines) == 1
    assert lines[0].startswith("line 2:")


# --- files -----------------------------------------------------------------------------------------


def line_of(path) -> str:
    with Effort() as effort, pytest.raises(StudyError) as caught:
        load(path)
    assert effort.calls < MOST_CALLS
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_files_that_are_no_study(tmp_path):
    assert "is a folder: give a study file in it" in line_of(tmp_path)
    (tmp_path / "pair.toml").write_text(SHORTEST)
    assert "did you mean" in line_of(tmp_path / "piar.toml")
    assert "pair.toml" in line_of(tmp_path / "piar.toml")
    assert "pair.toml" in line_of(tmp_path / "pair")
    assert "there is no file" in line_of(tmp_path / "no" / "such.toml")
    (tmp_path / "binary.toml").write_bytes(bytes(range(256)))
    assert "is not text" in line_of(tmp_path / "binary.toml")
    (tmp_path / "run.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    assert "is a run file, not a study" in line_of(tmp_path / "run.h5")
    (tmp_path / "wide.toml").write_text(SHORTEST, encoding="utf-16")
    assert "save it again as UTF-8" in line_of(tmp_path / "wide.toml")
    (tmp_path / "latin.toml").write_bytes("seed = 1\ndisc = '3 \u00b5m'".encode("latin-1"))
    assert "line 2 has a letter that is not UTF-8" in line_of(tmp_path / "latin.toml")
    assert "cannot be read" in line_of("nul\0name")
    assert "cannot be read" in line_of("x" * 5000)
    (tmp_path / "empty.toml").write_text("")
    with pytest.raises(StudyError, match="plates: is missing"):
        load(tmp_path / "empty.toml")


def test_a_huge_file_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.toml"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    assert "is 50.0 MB large: a study file is a page of text" in line_of(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_a_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.toml")
    assert "is not a file of text" in line_of(tmp_path / "pipe.toml")


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything"
)
def test_an_unreadable_file(tmp_path):
    path = tmp_path / "secret.toml"
    path.write_text(SHORTEST)
    path.chmod(0)
    assert "may not be read by you" in line_of(path)


def test_the_long_study_has_no_fault():
    assert parse(LONG).title == "Everything"
