"""Which plate to weigh, after how long, and where a balance tells nothing; grams by hand."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from lapwright.integration.estimate import outlooks
from lapwright.limits import limit_of
from lapwright.presentation.way_round import fine_scales, weighing
from lapwright.study.read import parse
from lapwright.units import METRIC, Units

STEP = """
[[steps]]
top = "A"
bottom = "B"
grit = "{}"
turn = "8 deg per stroke"
time = "40 min"
load = "20 N"
"""
PAIR = 'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n'


def told(text, units=METRIC):
    study = parse(text)
    looks = outlooks(study.plates, study.steps)
    return weighing(study.plates, list(zip(study.steps, looks, strict=True)), units), study, looks


def test_a_small_depth():
    # 1 um off a 160 mm iron face is 0.145 g (pi 0.08^2 x 1e-6 x 7200); 40 uin 0.147 g
    assert 1e3 * pi * 0.08**2 * 1e-6 * 7200.0 == pytest.approx(0.145, rel=0.002)
    said, _, _ = told(PAIR + STEP.format("15 um"))
    assert said.startswith(
        "1 um off A weighs 0.145 g: weigh A before and after ten minutes".replace("ten", "10")
    )
    said, _, _ = told(PAIR + STEP.format("15 um"), Units.INCH)
    assert said.startswith("40 uin off A weighs 0.147 g")


def test_the_lightest_plate_is_weighed():
    ring = 'plates.B = { disc = "250 mm", thickness = "40 mm" }\n'
    ring += 'parts.A = { ring = ["80 mm", "50 mm"], thickness = "20 mm" }\n'
    said, _, _ = told(ring + STEP.format("15 um"))
    assert "weigh A, the lightest, before" in said
    assert 'plate = "A"' in said
    grams = 1e3 * pi * (0.040**2 - 0.025**2) * 1e-6 * 7200.0
    assert f"weighs {grams:.3g} g" in said


@pytest.mark.parametrize(("grit", "enough"), [("15 um", True), ("0.5 um", False)])
def test_what_a_balance_does_not_tell(grit, enough):
    """A balance tells a hundred-thousandth of what lies on it (common practice, no source)."""
    thick = 'plates.A = { disc = "160 mm", thickness = "60 mm" }\nplates.B = { like = "A" }\n'
    said, study, looks = told(thick + STEP.format(grit))
    off = looks[0].removed_from["A"] / looks[0].time  # m/s
    minutes = (
        limit_of("balance") * study.plates["A"].total_mass / (off * 60.0 * pi * 0.08**2 * 7200.0)
    )
    assert (minutes <= 120.0) == enough
    assert ("too little to weigh" in said) != enough
    if enough:
        spell = float(said.split("before and after ")[1].split()[0])
        assert minutes <= spell <= max(10.0, 2.0 * minutes)
    else:
        assert 'removed = "..."' in said


def test_nothing_is_said_of_a_grit_that_was_weighed():
    seen = '[grits.fine]\nsize = "9 um"\nwear = { removed = "2 um", in = "10 min" }\n'
    assert told(PAIR + seen + STEP.format("fine"))[0] is None


@pytest.mark.parametrize(("across", "mass"), [(0.16, "4.3 kg"), (0.3, "15 kg")])
def test_a_plate_wants_a_scale_that_shows_what_it_loses_or_a_dimple(across, mass):
    """A shop's scale shows a five-thousandth of what lies on it (common practice, no source)."""
    said, study, looks = told(PAIR.replace("160 mm", f"{1e3 * across} mm") + STEP.format("15 um"))
    assert f"That wants a scale that carries {mass}" in said
    assert "dimple" in said
    spell = float(said.split("before and after ")[1].split()[0])
    lost = looks[0].removed_from["A"] / looks[0].time * 60.0 * spell  # [m]
    grams = lost * 1e3 * pi * (0.5 * across) ** 2 * 7200.0
    step = float(said.split("shows ")[1].split()[0])
    assert 0.2 * 0.1 * grams <= step <= 0.1 * grams * (1.0 + 1e-9)
    assert study.plates["A"].total_mass == pytest.approx(
        pi * (0.5 * across) ** 2 * 0.03 * 7200.0, rel=0.02
    )


def test_a_loss_that_a_usual_scale_hides_names_the_scale_that_shows_it():
    """A tenth of 0.084 g is 0.0084, so 0.005 g; of 0.003 g 0.0002 g (1, 2, 5: common practice, no source)."""
    study = parse(PAIR + STEP.format("15 um"))
    pad = study.plates["A"]  # pi (80 mm)^2 x 30 mm x 7.2 g/cm3: 4.34 kg
    seal = replace(pad, mass=0.028, thickness=None)
    said = fine_scales({"A": (pad, 0.084), "B": (pad, 0.084)}, METRIC)
    assert said == "That wants a scale that carries 4.3 kg and shows 0.005 g."
    said = fine_scales({"A": (pad, 0.084), "seal": (seal, 0.003)}, METRIC)
    assert "for A one that carries 4.3 kg and shows 0.005 g" in said
    assert "for seal one that carries 28 g and shows 0.0002 g" in said
    assert fine_scales({"A": (pad, 1.5)}, METRIC) == ""
    assert fine_scales({}, METRIC) == ""
