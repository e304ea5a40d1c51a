"""Studies as the tests type them."""

from __future__ import annotations

SHORTEST = """
title = "First pair"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "40 min"
fresh_grit_every = "5 min"
"""

QUICK = SHORTEST.replace('dome = "3 um" } }', 'dome = "3 um" }, cells = 32 }')

LONG = """
title = "Everything"
seed = 7
units = "metric"
rounds = 4
edge_margin = "2 %"

[plates.A]
disc = "160 mm"
thickness = "30 mm"
material = "grey iron"
mass = "4.4 kg"
form = { dome = "2 um", saddle = "0 um", twist = "1 um", ripple = "0.3 um" }
grooves = { pattern = "square", pitch = "12 mm", width = "2 mm", angle = "0 deg", rim = "3 mm" }
cells = 128
note = "..."

[plates.B]
like = "A"

[grits.coarse]
size = "9 um"
wear = "1e-12 1/Pa"
layer = { depth = "0.5 um", pressure = "3 kPa" }
fade = "8 min"
held = "loose"

[[steps]]
top = "A"
bottom = "B"
grit = "coarse"
time = "20 min"
until = { difference = "0.2 um" }
stroke.kind = "figure-eight"
stroke.length = "53 mm"
stroke.width = "27 mm"
stroke.direction = "0 deg"
stroke.centre = ["0 mm", "0 mm"]
pace = "40 /min"
turn = "8 deg per stroke"
walk = "3 deg per stroke"
load = "20 N"
load_at = { x = "5 mm", y = "0 mm", fixed_to = "hand" }
push_height = "15 mm"
swap_every = "5 min"
fresh_grit_every = "5 min"
hand = "steady"
liquid = "smeared"
note = "..."

[[variants]]
name = "short eight"
step = 1
set = { "stroke.length" = "40 mm", load = "10 N" }

[sweep]
step = 1
"stroke.overhang" = { from = "5 %", to = "19 %", steps = 9 }
load = ["10 N", "20 N"]

[goal]
flatness = "0.3 um"
plates = ["A", "B"]
hold = "3 h"
keep = { B = { dome = "0.1 um" } }
effort = { swap = "3 min", metal = "1 min per um" }

[tune]
least = "time"

[tune.free]
"steps.1.stroke.overhang" = ["5 %", "19 %"]
"steps.1.swap_every.A" = ["2 min", "30 min"]
"steps.1.turn" = ["none", "8 deg per stroke", "90 deg every 10 strokes"]
order = true

[gauges.sph]
kind = "spherometer"
feet = 3
foot_circle = "80 mm"
ball = "3 mm"
zero = "flat"
resolution = "0.1 um"
repeatability = "0.05 um"
hysteresis = "0.1 um"

[[readings]]
date = 2026-01-31
gauge = "sph"
plate = "A"
value = "1.2 um"
angle = "0 deg"
at = ["0 mm", "0 mm"]
temperature = "20 degC"
note = ""
"""


def with_step(extra: str = "", *, plates: str = "", drop: str = "", grits: str = "") -> str:
    """A small pair with `extra` lines in its only step; lines that begin with `drop` left out."""
    step = ['top = "A"', 'bottom = "B"', 'grit = "15 um"', 'time = "10 min"']
    lines = [line for line in step if not drop or not line.startswith(drop)]
    plates = (
        plates or 'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }'
    )
    return "\n".join([plates, grits, "[[steps]]", *lines, extra])
