"""What preview warns of: each thing once, when it is so and not when it is not; sizes by hand."""

from __future__ import annotations

import re
from math import log, pi
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm

from lapwright.integration.estimate import outlooks
from lapwright.kinematics.schedule import kappa
from lapwright.metrology.conditions import waiting
from lapwright.presentation.filling import filled
from lapwright.presentation.finding_words import in_words, said_of
from lapwright.results.findings import foreseen
from lapwright.results.warmth import warm_at_the_end
from lapwright.study.read import parse

PLATES = """
plates.A = { disc = "160 mm", thickness = "%s" }
plates.B = { like = "A" }
"""
STEP = """
[[steps]]
top = "A"
bottom = "B"
grit = "%s"
time = "%s"
%s
turn = "8 deg per stroke"
fresh_grit_every = "5 min"
"""


def study(*steps, thick="30 mm", plates=None, head=""):
    told = [STEP % (grit, time, more) for grit, time, more in steps]
    return parse(head + (plates or PLATES % thick) + "".join(told))


def found(one):
    return said_of(foreseen(one, outlooks(one.plates, one.steps)), one)


def lines(one):
    return in_words(foreseen(one, outlooks(one.plates, one.steps)), one)


def codes(one):
    return {(w.code, w.step) for w in found(one)}


def text(one, code):
    (only,) = {w.text for w in found(one) if w.code == code}
    return only


def test_a_calm_study():
    calm = study(("15 um", "20 min", 'load = "20 N"'))
    assert {code for code, _ in codes(calm)} <= {"no_fade", "wait"}


def test_a_grit_more_than_three_times_finer():
    # common practice, no source: three times at the most
    assert ("finer", 2) in codes(study(("30 um", "20 min", ""), ("9 um", "20 min", "")))
    assert ("finer", 2) not in codes(study(("30 um", "20 min", ""), ("10 um", "20 min", "")))
    assert ("finer", 2) not in codes(study(("9 um", "20 min", ""), ("30 um", "20 min", "")))
    # The plates came from a coarse grit two steps ago: what counts is the last one.
    assert ("finer", 3) not in codes(
        study(*((g, "20 min", "") for g in ("30 um", "15 um", "5 um")))
    )


def aside(more, plates=None, time="20 min"):
    stroke = 'stroke = { kind = "circle", radius = "20 mm", centre = ["15 mm", "20 mm"] }'
    return study(("15 um", time, f"{stroke}\n{more}"), plates=plates)


def test_a_stroke_that_stays_on_one_side():
    """25 mm off the middle, by Pythagoras; walked wholly round, its middle is the plate's own."""
    ring = 'plates.B = { disc = "300 mm", thickness = "40 mm" }\n'
    ring += 'parts.A = { ring = ["70 mm", "50 mm"], thickness = "9 mm" }\n'
    said = text(aside("", ring), "one_side")
    assert "one side of B, its middle 25 mm off: a pit" in said
    assert "carry_centre = true" in said
    said = text(aside(""), "one_side")
    assert (
        "side of B, its middle 25 mm off: that side wears deeper, and it stays low until the rest"
        in said
    )
    assert "one side of A and B" in text(aside('swap_every = "5 min"'), "one_side")
    assert ("one_side", 1) in codes(aside('walk = "3 deg per stroke"'))  # the stroke stays behind
    stroke = 'stroke = {{ kind = "circle", radius = "20 mm", centre = ["15 mm", "20 mm"], {} }}'
    for walk, time, one_sided in (
        ("3 deg per stroke", "20 min", False),  # 40 strokes a minute: 2400 degrees
        ("0.9 deg per stroke", "20 min", False),  # twice round
        ("180 deg every 20 strokes", "20 min", False),
        ("3 deg per stroke", "45 s", True),  # a quarter of the way round
    ):
        one = study(("15 um", time, f'walk = "{walk}"\n' + stroke.format("carry_centre = true")))
        assert (("one_side", 1) in codes(one)) == one_sided, walk


def test_a_stroke_a_little_off_the_middle():
    """A tenth of the half width is what the hand does anyway (common practice, no source)."""
    circle = 'stroke = {{ kind = "circle", radius = "20 mm", centre = ["{} mm", "0 mm"] }}'
    assert ("one_side", 1) not in codes(study(("15 um", "20 min", circle.format("7.9"))))
    assert ("one_side", 1) in codes(study(("15 um", "20 min", circle.format("8.1"))))
    rail = 'plates.B = { rectangle = ["400 mm", "100 mm"], thickness = "40 mm" }\n'
    rail += 'plates.A = { rectangle = ["150 mm", "60 mm"], thickness = "40 mm" }\n'
    along = 'stroke = {{ kind = "line", length = "30 mm", centre = ["{}"] }}'
    for place, one_sided in (("19 mm", "0 mm"), False), (("0 mm", "6 mm"), True):
        one = study(("15 um", "20 min", along.format('", "'.join(place))), plates=rail)
        assert (("one_side", 1) in codes(one)) == one_sided, place


def test_pits_of_the_last_grit():
    # 15 um leaves 7.5 um; at 60 strokes a minute and 63 N a 9 um grit takes off some 5 um an hour
    short = study(("15 um", "20 min", ""), ("9 um", "10 min", ""))
    assert ("pits", 2) in codes(short)
    off = outlooks(short.plates, short.steps)[1].removed
    said = text(short, "pits")
    assert "7.5 um deep" in said
    told = [float(v) for v in re.findall(r"([\d.]+) um", said.split("takes off")[1])]
    assert told == pytest.approx([1e6 * off, 1e6 * off / 10**0.5, 1e6 * off * 10**0.5], rel=0.06)
    assert ("pits", 2) not in codes(study(("15 um", "20 min", ""), ("9 um", "20 h", "")))
    # A second step with the same fine grit goes on cutting: only what is left at the end counts.
    twice = study(("15 um", "20 min", ""), ("9 um", "10 min", ""), ("9 um", "10 min", ""))
    assert ("pits", 2) not in codes(twice)
    assert ("pits", 3) in codes(twice)
    assert ("pits", 3) not in codes(
        study(("15 um", "20 min", ""), ("9 um", "10 min", ""), ("9 um", "20 h", ""))
    )


def test_a_stroke_longer_than_a_misfit_lives():
    slow = 'stroke = { kind = "zigzag", travel = "1/3", passes = 2000 }'
    one = study(("15 um", "3 h", slow))
    look = outlooks(one.plates, one.steps)[0]
    # tau = mean squeeze / sum of both removal rates (model, section 5); 2000 strokes at 40 /min are 50 min
    rate = sum(look.removed_from.values()) / look.time
    assert look.tau == pytest.approx(look.squeeze / rate, rel=0.01)
    assert (("long_stroke", 1) in codes(one)) == (look.tau < 3000.0)
    assert ("long_stroke", 1) in codes(one)
    assert ("long_stroke", 1) not in codes(
        study(("15 um", "3 h", 'stroke = { kind = "zigzag", travel = "1/3" }'))
    )


def test_plates_of_one_figure_bend_in_one_line():
    thin = study(("15 um", "20 min", 'load = "20 N"'), thick="10 mm")
    assert re.match(
        r"plates bend .*, A by up to [\d.]+ um: the run laps them bent", text(thin, "bends")
    )  # B lies on a flat bed
    assert len([w for w in found(thin) if w.code == "bends"]) == 1
    assert ("bends", 1) not in codes(study(("15 um", "20 min", 'load = "20 N"')))
    stiff = study(("15 um", "20 min", 'load = "20 N"'), thick="10 mm", head='bending = "off"\n')
    assert "still treats them as rigid" in text(stiff, "bending")
    assert not stiff.steps[0].bends


def test_what_holds_for_three_plates_by_turns_is_said_once_of_all():
    plates = PLATES % "10 mm" + 'plates.C = { like = "A" }\n'
    texts = []
    for top, bottom in ("AB", "BC", "CA"):
        step = STEP.replace('top = "A"\nbottom = "B"', f'top = "{top}"\nbottom = "{bottom}"')
        texts.append(step % ("15 um", "20 min", 'load = "20 N"'))
    three = parse(plates + "".join(texts))
    (line,) = [line for line in lines(three) if "laps them bent" in line]
    assert "carried, A, B and C by up to 0.23 um" in line
    each = [re.search(r"carried, (\w) by", w.text)[1] for w in found(three) if w.code == "bends"]
    assert each == ["A", "B", "C"]  # a script still reads it step by step: what lies on top bends


def test_heat_of_rubbing_by_hand():
    hot = study(("3 um", "60 min", 'load = "100 N"\npace = "120 /min"'))
    look = outlooks(hot.plates, hot.steps)[0]
    watts = 0.15 * look.load * look.speed
    # alpha q D^2 / (8 k): grey iron 10.5e-6 1/K and 50 W/(m K), half of the heat into each of two alike
    bow = 10.5e-6 * 0.5 * watts / (pi * 0.08**2) * 0.16**2 / (8.0 * 50.0)
    said = text(hot, "heat")
    assert float(re.search(r"about ([\d.]+) W", said)[1]) == pytest.approx(watts, rel=0.05)
    assert float(re.search(r"A and B by up to ([\d.]+) um", said)[1]) == pytest.approx(
        1e6 * bow, rel=0.06
    )
    assert bow > 0.1 * look.squeeze
    # A coarse grit gives by so much more that the same bow does not matter.
    assert ("heat", 1) not in codes(study(("58 um", "60 min", "")))


def test_how_long_to_wait_by_hand():
    one = study(("5 um", "60 min", 'load = "20 N"'))
    look = outlooks(one.plates, one.steps)[0]
    mass, area, rim = pi * 0.08**2 * 0.03 * 7200.0, pi * 0.08**2, pi * 0.16 * 0.03
    tau = mass * 500.0 / (10.0 * (area + rim))
    half = 0.5 * 0.15 * look.load * look.speed
    warm = half / (10.0 * (area + rim)) * (1.0 - 2.718281828 ** (-3600.0 / tau))
    # 0.1 um, the step of the finest micrometers, of 30 mm of iron; what the plate gives to the air through
    # its back makes one face colder by 10 h / k only, and bows it by less than that can show.
    left = 0.1e-6 / (10.5e-6 * 0.03)
    assert 10.0 * left * 0.03 / 50.0 * 10.5e-6 * 0.16**2 / (8.0 * 0.03) < 0.5 * look.squeeze
    said = text(one, "wait")
    assert float(re.search(r"about ([\d.]+) degC", said)[1]) == pytest.approx(warm, rel=0.06)
    low, high = (float(v) for v in re.search(r"for ([\d.]+) to ([\d.]+) hours", said).groups())
    assert low <= tau * log(warm / left) / 3600.0 <= high
    thick = float(re.search(r"read up to ([\d.]+) um too thick", said)[1])
    assert thick == pytest.approx(1e6 * 10.5e-6 * warm * 0.03, rel=0.06), (
        "expansion of 30 mm of iron"
    )
    # Two plates that lapped each other are equally warm: a comparator between them need not wait.
    assert "before you believe a size. Until then you can still compare" in said
    assert ("wait", 1) not in codes(study(("58 um", "2 min", "")))
    inch = study(("5 um", "60 min", 'load = "20 N"'), head='units = "inch"\n')
    fahrenheit = float(re.search(r"about ([\d.]+) degF", text(inch, "wait"))[1])
    assert fahrenheit == pytest.approx(1.8 * warm, rel=0.06)


def test_a_plate_cools_as_one_lump():
    """Conduction in 20 layers beside m c / (h A): a lump where h L / k < 0.1 (Incropera 5.2, from memory)."""
    plate = study(("5 um", "60 min", "")).plates["A"]
    iron, thick, layers = plate.material, 0.03, 20
    skin = pi * 0.08**2 + pi * 0.16 * thick
    through_back = 10.0 * skin / (pi * 0.08**2)  # all of its skin as if it were its back [W/(m2 K)]
    assert through_back * thick / iron.conductivity < 0.1
    step, holds = thick / layers, iron.density * iron.heat_capacity
    flow = np.diff(np.eye(layers), axis=0) * iron.conductivity / step
    out = np.vstack([np.zeros(layers), flow, -through_back * np.eye(layers)[-1]])
    warm = expm(np.diff(out, axis=0) / (step * holds) * waiting(plate, 1.0, 0.25)) @ np.ones(layers)
    assert warm.mean() == pytest.approx(0.25, rel=0.02)


def test_warmth_goes_on_from_step_to_step():
    once = study(("5 um", "60 min", ""))
    twice = study(("5 um", "60 min", ""), ("5 um", "60 min", ""))
    warm = [float(re.search(r"about ([\d.]+) degC", text(s, "wait"))[1]) for s in (once, twice)]
    assert warm[0] < warm[1] < 2.0 * warm[0]
    rounds = study(("5 um", "60 min", ""), head="rounds = 2\n")
    assert float(re.search(r"about ([\d.]+) degC", text(rounds, "wait"))[1]) == pytest.approx(
        warm[1], rel=0.03
    )


PARTS = (Path(__file__).parents[2] / "configs" / "seal-rings-on-a-turning-plate.toml").read_text()


@pytest.mark.campaign
def test_parts_of_a_batch_get_warm_each_by_itself():
    """Each load comes from the bench; three at once warm the plate three times as much as one (energy)."""

    def warm(count, together):
        text = PARTS.replace("count = 50", f"count = {count}").replace("together = 3", together)
        some = parse(text.replace('"6 parts"', '"1000 parts"'))
        return warm_at_the_end(some, some.ahead)[0]

    few, many = (warm(count, "together = 3") for count in (3, 30))
    assert many["ring"] == pytest.approx(few["ring"])
    assert many["plate"] > 2.0 * few["plate"]
    assert few["plate"] == pytest.approx(3.0 * warm(1, "together = 1")["plate"], rel=0.01)


def test_the_last_of_many_loads_are_followed():
    """Sixty loads, the plate dressed once, after the 51st: what dresses it is warm then (by counting)."""
    text = PARTS.replace("count = 50", "count = 180").replace("6 parts", "153 parts")
    some = parse(text)
    warm, last = warm_at_the_end(some, some.ahead)
    assert last["dresser"] == 2
    assert warm["dresser"] > 0.0
    never = parse(text.replace("153 parts", "180 parts"))
    assert "dresser" not in warm_at_the_end(never, never.ahead)[1]


def test_where_nothing_rubs():
    still = parse(
        PLATES % "30 mm"
        + '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "9 um"\nstrokes = 9\nstroke.kind = "still"'
    )
    assert ("nothing_rubs", 1) in codes(still)
    assert ("no_turn", 1) not in codes(still)


def test_the_gravest_first_and_what_holds_for_all_once():
    one = study(
        ("15 um", "20 min", 'stroke = { kind = "line", overhang = "30 %" }'),
        ("15 um", "20 min", ""),
        thick="9 mm",
    )
    told = lines(one)
    assert told[0].startswith("step 1: A hangs over the edge by 48 mm")
    bends = [line for line in told if "laps them bent" in line]
    assert [line[:7] for line in bends] == [
        "step 1:",
        "step 2:",
    ]  # farther over the edge bends more
    # What is not known of a grit is in the list of what is taken; scripts have the warning.
    assert {("no_fade", 1), ("no_fade", 2)} <= codes(one)
    assert not [line for line in told if "how fast a dab" in line]


def test_sludge_of_what_is_bonded_with_cobalt_is_a_hazard_no_other():
    """NTP, 12th Report on Carcinogens: cobalt-tungsten carbide; silicon carbide has no cobalt."""
    for material, hazard in (("carbide", True), ("silicon carbide", False), ("grey iron", False)):
        assert (("carbide", 1) in codes(of_material(material))) == hazard


def of_material(material: str, grit: str = "15 um", head: str = ""):
    """A of a material on B of grey iron; `head`: the table of a grit."""
    plates = PLATES.replace("}", f', material = "{material}" }}', 1) % "30 mm"
    plates = plates.replace('like = "A"', 'like = "A", material = "grey iron"')
    return study((grit, "20 min", ""), plates=plates + head)


@pytest.mark.parametrize(
    ("material", "code"),
    [
        # From memory, all three: lead, 29 CFR 1910.1025; respirable crystalline silica, 29 CFR 1910.1053 and
        # IARC Monographs 100C (granite holds quartz, glass is no crystal); graphite, NIOSH Pocket Guide.
        ("leaded bronze", "lead"),
        ("bronze", None),
        ("granite", "silica"),
        ("glass", None),
        ("carbon", "graphite"),
        ("tungsten carbide", "carbide"),
        ("alumina", None),
    ],
)
def test_cautions_fit_the_material(material: str, code: str | None) -> None:
    hazards = {"carbide", "lead", "silica", "graphite"}
    one = of_material(material)
    assert {c for c, _ in codes(one)} & hazards == ({code} if code else set())
    # At the end of every page stand those of its own materials, no others.
    end = filled("cautions.html", study=one)
    phrases = {
        "carbide": "cobalt",
        "lead": "contain lead",
        "silica": "quartz",
        "graphite": "graphite",
    }
    assert {c for c, words in phrases.items() if words in end} == ({code} if code else set())


@pytest.mark.parametrize(
    ("abrasive", "material", "left"),
    [
        # By hand from Knoop hardness (CRC Handbook, from memory): alumina 2100, silicon carbide 2480, boron
        # carbide 2750, diamond 7000, tungsten carbide 1880; a grain cuts what it is 1.2 times as hard as
        # (Pintaude 2010).
        ("alumina", "hardened steel", 1.0),
        ("alumina", "carbide", 0.1),
        ("alumina", "alumina", 0.01),
        ("alumina", "silicon carbide", 0.01),
        ("silicon carbide", "carbide", 1.0),
        ("silicon carbide", "silicon carbide", 0.01),
        ("boron carbide", "alumina", 1.0),
        ("boron carbide", "silicon carbide", 0.1),
        ("diamond", "silicon carbide", 1.0),
        ("diamond", "carbide", 1.0),
    ],
)
def test_a_grit_that_does_not_cut_is_told_and_takes_next_to_nothing(
    abrasive: str, material: str, left: float
) -> None:
    grit = '[grits.g]\nsize = "9 um"\nwear = "1 um/km/kPa"\n'
    usual = of_material(material, "g", grit)
    named = of_material(material, "g", f'{grit}abrasive = "{abrasive}"\n')
    assert (("cuts_not", 1) in codes(named)) == (left < 1.0)
    assert ("which_abrasive", 1) not in codes(named)
    for name, share in (("A", left), ("B", 1.0)):
        off = [kappa(s.steps[0].grit, s.plates[name], s.plates[name])[0] for s in (usual, named)]
        assert off[1] / off[0] == pytest.approx(share)


def test_where_not_every_kind_cuts_it_is_asked_which() -> None:
    for material in ("carbide", "alumina", "silicon carbide"):
        assert ("which_abrasive", 1) in codes(of_material(material))
    for material in ("grey iron", "hardened steel", "carbon", "glass"):
        assert ("which_abrasive", 1) not in codes(of_material(material))


def test_soft_faces_take_up_loose_grit_but_not_what_is_held_in_them() -> None:
    """Common practice, no source: soft laps are charged, and soft parts keep grit that nobody wants."""
    for material, soft in (("carbon", True), ("bronze", True), ("tin", True), ("glass", False)):
        assert (("takes_up", 1) in codes(of_material(material))) == soft
    held = '[grits.g]\nsize = "3 um"\nabrasive = "diamond"\nheld = { in = "A" }\n'
    assert ("takes_up", 1) not in codes(of_material("tin", "g", held))


@pytest.mark.parametrize(
    ("material", "holds"),
    [("grey iron", True), ("tin", True), ("copper", True), ("carbide", False), ("glass", False)],
)
def test_only_what_is_far_softer_than_grains_holds_them(material: str, holds: bool) -> None:
    """Common practice, no source: laps are charged that are of cast iron, copper or tin."""
    held = '[grits.g]\nsize = "3 um"\nabrasive = "diamond"\nheld = { in = "A" }\n'
    assert (("not_held", 1) in codes(of_material(material, "g", held))) != holds


def test_whoever_lies_below_weighs_as_much():
    """23 kg (NIOSH lifting equation), 12 kg: of any plate that has to be laid down, each by its name."""
    below = 'plates.A = { disc = "160 mm", mass = "4 kg" }\nplates.B = { disc = "160 mm", mass = "%s" }\n'
    for mass, code in (("23.1 kg", "too_heavy"), ("22.9 kg", "heavy"), ("11.9 kg", None)):
        one = study(("15 um", "20 min", ""), plates=below % mass)
        assert {c for c, _ in codes(one)} & {"too_heavy", "heavy"} == ({code} if code else set())
    assert text(study(("15 um", "20 min", ""), plates=below % "24 kg"), "too_heavy").startswith(
        "B weighs 24.0 kg"
    )
