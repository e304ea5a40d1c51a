"""Studies with a goal, and the whole way to its answer in this process."""

from __future__ import annotations

from typing import Any

from lapwright.optimisation.track import Tuning
from lapwright.optimisation.tune import tuned
from lapwright.optimisation.workers import in_process
from lapwright.study.read import parse

# The ring and plate of the lapping shop: outside half the plate's, bore half its own, circle 0.1 R.
RING = """bending = "off"
title = "Ring off the middle"
plates.plate = { disc = "160 mm", thickness = "30 mm", cells = 48 }
[parts.ring]
ring = ["80 mm", "40 mm"]
thickness = "20 mm"
cells = 32
form = { dome = "1 um" }
[grits.known]
size = "9 um"
wear = { ring = "1e-12 1/Pa", plate = "1e-12 1/Pa" }
layer = { depth = "1 um", pressure = "3 kPa" }
[[steps]]
top = "ring"
bottom = "plate"
grit = "known"
stroke = { kind = "circle", radius = "8 mm", centre = ["40 mm", "0 mm"], carry_centre = true }
pace = "60 /min"
walk = "5 deg per stroke"
load = "5 N"
time = "1 h"
"""
RING_GOAL = """
[goal]
dome = "0.05 um"
plates = ["plate"]
[tune.free]
"steps.1.stroke.centre.x" = ["30 mm", "60 mm"]
"""
# 160 x 30 mm discs, A a dome of 3 um with 1 um twist, B a dish of 1 um; plate and hand 60.3 N: 3 kPa.
_DISCS = """title = "Dome against dish"
edge_margin = "5 %"
plates.A = { disc = "160 mm", thickness = "30 mm", mass = "4.342 kg", form = {F} }
plates.B = { like = "A", form = { dish = "1 um" } }
[grits.known]
size = "4 um"
wear = { A = "1e-12 1/Pa", B = "1e-12 1/Pa" }
layer = { depth = "0.2 um", pressure = "3 kPa" }
""".replace("{F}", '{ dome = "3 um", twist = "1 um" }')
_WALK = 'walk = "3 deg per stroke"\n'
_STEP = """
[[steps]]
top = "{top}"
bottom = "{bottom}"
grit = "known"
stroke = {{ kind = "figure-eight", length = "80 mm", width = "40 mm" }}
pace = "60 /min"
turn = "8 deg per stroke"
walk = "3 deg per stroke"
load = "17.72 N"
time = "{time}"
{more}
"""
EQUAL_SWAPS = _DISCS + _STEP.format(top="A", bottom="B", time="6 h", more='swap_every = "5 min"')
BY_READING = _DISCS + _STEP.format(
    top="A", bottom="B", time="1 h", more='swap_every = { read = "2.5 min", on_top = "more domed" }'
)
OPEN_LOOP = (
    _DISCS
    + _STEP.format(top="A", bottom="B", time="50 min", more="")
    + _STEP.format(top="B", bottom="A", time="2 h", more='swap_every = "15 min"')
)


def standing(text: str) -> str:
    """The same by one who stays where he is: a turn and a walk together take six times as many places."""
    assert _WALK in text
    return text.replace(_WALK, "")


SWAPS_GOAL = """
[goal]
flatness = "0.3 um"
hold = "3 h"
[tune.free]
"steps.1.time" = ["20 min", "80 min"]
"steps.2.swap_every.A" = ["3 min", "20 min"]
"steps.2.swap_every.B" = ["3 min", "20 min"]
"""


def tune(text: str, workers: int = 1, **options: Any) -> Tuning:
    """The whole way from a study's text."""
    with in_process(workers) as crew:
        return tuned(parse(text, "study"), crew, **options)
