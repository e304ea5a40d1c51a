"""Inch studies are said in inches, pounds and degF: preview, rests, wedges, cautions, for random jobs."""

from __future__ import annotations

import re

import numpy as np
import pytest

from lapwright.presentation.filling import filled
from lapwright.presentation.page import masses_words
from lapwright.study.read import parse
from lapwright.units import Text, Units

STUDY = """
units = "inch"
plates.A = {{ disc = "{wide} in", thickness = "1.25 in", form = {{ dome = "{dome} uin" }} }}
plates.R = {{ {part}, thickness = "0.5 in", wedge = {{ by = "120 uin", high = "3:00" }} }}
[[steps]]
top = "R"
bottom = "A"
grit = "{grit}"
load = "{load} lb"
load_at = {{ x = "0.2 in", y = "0.1 in", fixed_to = "top" }}
turn = "{turn}"
time = "{time} min"
fresh_grit_every = "5 min"
"""
# A grit is sold by its um, gauges' figures stand in both units, and newtons beside pounds force.
BESIDE = re.compile(
    r"grit [\w ]*?\d+ um|\d+ um grit|\([\d.]+ (?:um|N|kg)\)|[\d.]+ g\b|load [\d.]+ N"
)
METRIC_UNITS = re.compile(r"\d ?(?:mm|um|kPa|kg|degC|N)\b")
FIGURES = re.compile(r"\d+\.\d{5,}|\d{4,}\.?\d* %")


@pytest.mark.always("2", "4", "5")
@pytest.mark.parametrize("seed", range(6))
def test_no_other_units_and_no_endless_figures(seed: int) -> None:
    dice = np.random.default_rng(seed)
    part = ['ring = ["2.5 in", "1.75 in"]', 'disc = "3 in"', 'rectangle = ["4 in", "1 in"]'][
        seed % 3
    ]
    study = parse(
        STUDY.format(
            wide=dice.choice([6.25, 8, 12]),
            dome=round(dice.uniform(5, 200)),
            part=part,
            grit=dice.choice(["15 um", "F400", "9 um"]),
            load=round(dice.uniform(1, 12), 1),
            turn="180 deg every 10 strokes" if "rect" in part else "8 deg per stroke",
            time=round(dice.uniform(5, 400)),
        ),
        "study",
    )
    said = " ".join(study.preview(whole=True).lines())
    cautions = re.sub(r"1 mW|405 nm", "", filled("cautions.html", study=study))
    for text in (said, cautions):
        left = BESIDE.sub("", text)
        assert not METRIC_UNITS.search(left), METRIC_UNITS.search(left)
        assert not FIGURES.search(text), FIGURES.search(text)


def test_what_is_lifted_weighs_pounds_at_an_inch_bench() -> None:
    """pi/4 x (200 mm)^2 x 25.4 mm x 7.2 g/cm3 = 5.745 kg; a pound is 0.45359237 kg (NIST SP 811, B.8)."""
    study = parse(
        'units = "inch"\nplates.old = { disc = "200 mm", thickness = "1 in" }\n'
        'plates.new = { like = "old", mass = "9 oz" }\n[[steps]]\ntop = "old"\nbottom = "new"\n'
        'grit = "15 um"\ntime = "5 min"\n'
    )
    assert masses_words(study.plates, study.units) == "old 13 lb, new 9.0 oz"


def test_what_is_less_than_can_be_told_is_not_about_that() -> None:
    for how in ("cuts about {off:size} off", "cuts at most about {off:size} off"):
        assert Text(how, off=1e-10).told(Units.INCH) == "cuts less than 0.02 uin off"
    assert Text("cuts about {off:size}", off=1e-6).told(Units.INCH) == "cuts about 39 uin"
