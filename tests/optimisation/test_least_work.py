"""`least = "work"`: rubbing, handling and metal, against every choice of a small problem lapped in full."""

from __future__ import annotations

import math

import pytest
from tuning import tune

from lapwright.integration.loop import lap
from lapwright.optimisation.summary import Follower
from lapwright.study.read import parse

UM = 1e-6
SWAP, WASH, READING, METAL = 240.0, 900.0, 300.0, 30e6  # [s, s, s, s/m]
PAIR = """edge_margin = "0 %"
bending = "off"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24, form = { dome = "1 um" } }
plates.B = { disc = "160 mm", thickness = "100 mm", cells = 24, form = { dish = "0.4 um" } }
grits.g = { size = "9 um", wear = "3e-12 1/Pa", layer = { depth = "0.3 um" } }
[[steps]]
top = "A"
bottom = "B"
grit = "g"
turn = "8 deg per stroke"
time = "30 min"
swap_every = { A = "6 min", B = "2 min" }
[goal]
flatness = "0.9 um"
effort = { swap = "4 min", metal = "30 s per um" }
"""
FREE = """
[tune]
least = "%s"
[tune.free]
"steps.1.swap_every.A" = ["3 min", "6 min", "20 min"]
"steps.1.time" = ["20 min", "30 min", "40 min"]
"""


def by_hand(study):
    """Work [s] from the events of a lapping, and whether its end is flat enough."""
    follower = Follower(study)
    tops, last = [], None
    for last in lap(study.plates, study.steps, margin=study.margin):
        follower.take(last)
        if not tops or tops[-1] != last.top:
            tops.append(last.top)
    columns = follower.columns()
    heavy = {name: max(1.0, plate.total_mass / 12.0) for name, plate in study.plates.items()}
    metal = sum(last.removed.values()) / len(last.removed)
    swaps = sum(SWAP * heavy[name] for name in tops[1:])
    flat = max(columns[f"{name}.flatness"][-1] for name in "AB")
    return last.clock.time + swaps + METAL * metal, flat, columns["work"][-1]


@pytest.fixture(scope="module")
def every():
    found = {}
    for stay in ("3 min", "6 min", "20 min"):
        for time in ("20 min", "30 min", "40 min"):
            text = PAIR.replace('A = "6 min"', f'A = "{stay}"').replace("30 min", time)
            found[stay, time] = by_hand(parse(text))
    return found


@pytest.mark.campaign
def test_work_is_rubbing_swaps_by_weight_and_metal(every) -> None:
    for hand, _, column in every.values():
        assert column == pytest.approx(hand)
    assert len({round(hand) for hand, *_ in every.values()}) == len(every)


@pytest.mark.campaign
def test_the_answer_is_the_least_work_of_all_that_reach_the_goal(every) -> None:
    answer = tune(PAIR + FREE % "work").answer
    assert answer is not None
    assert answer.ok
    assert answer.simulated is not None
    best = min(work for work, flat, _ in every.values() if flat <= 0.9 * UM)
    assert answer.simulated.cost.work == pytest.approx(best, rel=0.005)


def test_readings_that_choose_the_top_and_washing_are_work_too() -> None:
    swapped = PAIR.replace(
        '{ A = "6 min", B = "2 min" }', '{ read = "7 min", on_top = "more domed" }'
    )
    finer = swapped[swapped.index("[[steps]]") : swapped.index("[goal]")].replace('"g"', '"3 um"')
    study = parse(swapped.replace("[goal]", finer + "[goal]"))
    hand, _, column = by_hand(study)
    # Read at the start of each step and every 7 of its 30 min.
    assert column == pytest.approx(hand + 2 * math.ceil(30 / 7) * READING + WASH)
