"""How many candidate schedules a second a search looks at: from what is typed to how far off it is."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import tuning

from lapwright.optimisation.design import DesignSpace
from lapwright.optimisation.seek import Seeker
from lapwright.optimisation.surrogate import Surrogate
from lapwright.optimisation.track import constraints_of
from lapwright.optimisation.tune import DEGREE
from lapwright.study.read import parse
from lapwright.study.source import document_of

__all__ = ["schedules"]

Line = tuple[str, str, str, bool | None]

REPEATS = 7
# Two steps and swaps that make ten blocks at most.
TEN_BLOCKS = tuning.OPEN_LOOP + tuning.SWAPS_GOAL.replace(
    '["3 min", "20 min"]', '["14 min", "20 min"]'
)
ORDERED = TEN_BLOCKS + "order = true\n"
STROKES = (
    tuning.OPEN_LOOP
    + """
[goal]
flatness = "0.3 um"
[tune.free]
"steps.2.stroke.length" = ["40 mm", "90 mm"]
"steps.1.time" = ["20 min", "80 min"]
"""
)
UNEQUAL = tuning.RING + tuning.RING_GOAL
RAIL = """plates.A = { rectangle = ["400 mm", "200 mm"], thickness = "40 mm", cells = 64 }
plates.B = { rectangle = ["240 mm", "40 mm"], thickness = "40 mm", cells = 64, form = { bow = "3 um" } }
[[steps]]
top = "B"
bottom = "A"
grit = "15 um"
stroke = { kind = "line", length = "60 mm" }
turn = "180 deg every 10 strokes"
fresh_grit_every = "5 min"
time = "30 min"
[goal]
bow = "0.5 um"
plates = ["B"]
[tune.free]
"steps.1.stroke.length" = ["20 mm", "100 mm"]
"steps.1.time" = ["10 min", "80 min"]
"""


def rate(text: str, number: int) -> tuple[float, float]:
    """Schedules a second of processor time, in the median and at most."""
    study = parse(text, "study")
    space = DesignSpace(study, document_of(text), Path())
    assert study.goal is not None
    seeker = Seeker(space, Surrogate(study, DEGREE), constraints_of(study.goal, study.plates), 0)
    rng = np.random.default_rng(1)
    seeker(np.full(space.size, 0.5))  # grids, rulers and shapes made once
    rates = []
    for _ in range(REPEATS):
        places = rng.random((number, space.size))
        begun = time.process_time()
        for place in places:
            seeker(place)
        rates.append(number / (time.process_time() - begun))
    return statistics.median(rates), max(rates)


def schedules() -> Iterator[Line]:
    """Yield rows: what, measured, target, met."""
    for what, text, number, target in (
        ("times and swaps move, ten blocks", TEN_BLOCKS, 300, 1000.0),
        ("times, swaps and the order move, ten blocks", ORDERED, 300, 1000.0),
        (f"the stroke moves, an equal pair, degree {DEGREE}", STROKES, 20, 30.0),
        (f"the stroke moves, a ring on a plate, degree {DEGREE}", UNEQUAL, 20, 15.0),
        (
            f"the stroke moves, a rail on a plate, degree {DEGREE}",
            RAIL,
            20,
            28.0,
        ),  # once 36 ms each
    ):
        usual, most = rate(text, number)
        yield (
            f"candidate schedules a second, {what}",
            f"{usual:.0f} (most {most:.0f})", f"{target:.0f}", usual >= target,
        )  # fmt: skip
