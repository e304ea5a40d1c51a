"""The hunt for a schedule: what is worth lapping, what laps teach, and which answer is the best."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from comparing import PAIR

from lapwright.optimisation.criterion import lapped_course
from lapwright.optimisation.design import DesignSpace, variable_of
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.track import Candidate, Evaluation, Nudge, Tuning, constraints_of
from lapwright.optimisation.tune import SurrogateOptimizer
from lapwright.study.model import Free, Study
from lapwright.study.read import parse
from lapwright.study.source import document_of

UM = 1e-6
GOAL = """[goal]
dome = "1 um"
plates = ["A"]
[tune.free]
"steps.1.time" = ["5 min", "35 min"]
"""


def lapped(time: float, dome: float, swaps: float = 0.0) -> Summary:
    """A made-up simulation: A's dome [um] falls to `dome` in a straight line."""
    track = {
        "time": (0.0, time),
        "removed": (0.0, UM),
        "turned": (0.0, 1.0),
        "swaps": (0.0, swaps),
        "work": (0.0, 0.0),
    }
    values = {"A.sphere": (3.0 * UM, dome * UM), "A.flatness": (3.0 * UM, dome * UM)}
    return Summary(0, 0, "done", time=time, track=track | values)


class Bench:
    """On which A keeps half a micrometre more than the operator could say."""

    done = 0

    def lap(self, studies: list[tuple[Study, int]], tell: Any = None) -> list[Summary]:
        return [lapped(study.steps[0].time, 0.5) for study, _ in studies]


@pytest.fixture
def hunt() -> SurrogateOptimizer:
    study = parse(PAIR + GOAL, "study")
    asked = constraints_of(study.goal, study.plates)
    empty = Tuning(study, study.goal, asked, "refused")
    space = DesignSpace(study, document_of(PAIR + GOAL), Path())
    made = SurrogateOptimizer(empty, space, Bench(), lambda stage, done, of: None)  # type: ignore[arg-type]
    made._begin()
    made.found.clear()  # the study as it stands is one of them, where it lies within the bounds
    return made


def course(hunt: SurrogateOptimizer, *made: float) -> Evaluation:
    return lapped_course(lapped(*made), hunt.asked, None)


def find(hunt: SurrogateOptimizer, name: str, *made: float) -> None:
    """As if this had been lapped."""
    study, got = hunt.empty.study, lapped(*made)
    candidate = Candidate(name, {}, (), {}, study, None, False, course(hunt, *made), got)
    hunt.found.append((np.array([float(len(hunt.found))]), candidate))


def test_the_cheapest_that_reaches_is_the_best_and_of_those_alike_the_least_swapped(
    hunt: SurrogateOptimizer,
) -> None:
    find(hunt, "misses by far", 500.0, 3.0)
    find(hunt, "long", 1200.0, 0.5)
    find(hunt, "many swaps", 1000.0, 0.4, 4.0)
    find(hunt, "the same as long", 1201.0, 0.501, 3.0)
    find(hunt, "few swaps", 1003.0, 0.5, 2.0)
    find(hunt, "misses", 500.0, 1.5)
    got = hunt._answer(())
    assert [one.name for one in got.candidates] == [
        "few swaps",
        "many swaps",
        "long",
        "misses",
        "misses by far",
    ]
    assert got.outcome == "found"


def test_nothing_that_reaches_is_near_with_the_nearest_first(hunt: SurrogateOptimizer) -> None:
    hunt.begun = None
    find(hunt, "far", 500.0, 3.0)
    find(hunt, "near", 900.0, 1.2)
    got = hunt._answer(())
    assert ([one.name for one in got.candidates], got.outcome) == (["near", "far"], "near")


def test_only_what_promises_more_is_lapped(hunt: SurrogateOptimizer) -> None:
    find(hunt, "misses", 1000.0, 1.3)
    assert hunt._promises(course(hunt, 1000.0, 1.1))
    assert hunt._promises(course(hunt, 2000.0, 0.9))
    assert not hunt._promises(course(hunt, 900.0, 1.4))
    find(hunt, "reaches", 1000.0, 0.9)
    assert hunt._promises(course(hunt, 900.0, 0.9))
    assert not hunt._promises(course(hunt, 1100.0, 0.1))
    assert not hunt._promises(course(hunt, 900.0, 1.1))


def test_nothing_is_answered_unchecked(
    hunt: SurrogateOptimizer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no schedule stands a sloppy hand and each round, the last too, brings two that are cheaper."""
    slip = Nudge("steps.1.time", "9 min", -0.1, 1.2, None, {})

    def checked(best: Candidate) -> Candidate:
        return hunt._put(best, replace(best, slips=(slip,), steady=False))

    def rounds(most: int = 0) -> None:
        for _ in range(2):
            find(hunt, f"no. {len(hunt.found)}", 1000.0 - 50.0 * len(hunt.found), 0.9)

    monkeypatch.setattr(hunt, "_tidy", lambda: None)
    monkeypatch.setattr(hunt, "_checked", checked)
    monkeypatch.setattr(hunt, "_rounds", rounds)
    monkeypatch.setattr(hunt.space, "typed_out", lambda changes: changes)
    monkeypatch.setattr(hunt.seeker, "slipped", lambda changes, order, most: 1.0)
    rounds()
    hunt._stand()
    answer = hunt._answer(()).answer
    assert (answer.steady, answer.slips) == (False, (slip,))
    assert all(one.steady is not None for _, one in hunt.found)


def test_a_place_that_does_not_stand_is_not_proposed_behind_the_best(
    hunt: SurrogateOptimizer, monkeypatch: pytest.MonkeyPatch
) -> None:
    places = [np.array([u]) for u in (0.1, 0.3, 0.5)]
    hunt.seeker.seen = list(zip((0.2, 0.3, 0.4), places, strict=True))
    hunt.seeker.sound = 0.2  # so much has the first, which was asked when it was seen
    monkeypatch.setattr(hunt.seeker, "_unsound", lambda place: float(place[0] == 0.3))
    assert [float(place[0]) for place in hunt.seeker.best(3, below=1.0)] == [0.1, 0.5]


def test_what_is_lost_by_going_on_is_told_of_what_was_drawn_or_checked_since(
    hunt: SurrogateOptimizer,
) -> None:
    find(hunt, "reaches", 600.0, 0.9)
    best = hunt.found[0][1]
    lost = hunt._lost(best)
    assert lost is not None
    assert hunt._lost(replace(best, sure=True)) == lost


def test_what_was_lapped_puts_the_operator_right(hunt: SurrogateOptimizer) -> None:
    place = np.array([0.5])  # 20 minutes, of a study of ten
    before = hunt.seeker.told(place).values["A.sphere"][-1]
    assert abs(before - 0.5 * UM) > 0.2 * UM
    hunt._lap([place])
    after = hunt.seeker.told(place)
    assert after.values["A.sphere"][0] == pytest.approx(3.0 * UM, abs=0.02 * UM)
    assert after.values["A.sphere"][-1] == pytest.approx(0.5 * UM, abs=0.02 * UM)
    (found,) = hunt._answer(()).candidates
    assert found.simulated.worst == {"A.dome": pytest.approx(0.5 * UM)}


def test_the_trade_off_has_what_was_lapped_beside_what_was_told(hunt: SurrogateOptimizer) -> None:
    find(hunt, "one", 500.0, 1.0)
    find(hunt, "steeper", 500.0, 0.5)
    points = [point for point in hunt._answer(()).trade_off if point.by == "simulation"]
    assert points
    for point in points:
        if point.cost <= 500.0:  # the least of all at each cost: the steeper of the lines
            assert point.share == pytest.approx(3.0 - 2.5 * point.cost / 500.0)
            assert point.flatness == pytest.approx(point.share * UM)


def test_minutes_are_those_of_a_clock() -> None:
    """From 20 min on nobody sets tenths, from 2 min on nobody hundredths (common practice, no source)."""
    free = variable_of(Free("steps.1.time", "1 min", "90 min"))
    told = {free.text((minutes - 1.0) / 89.0) for minutes in (1.26, 2.34, 19.96, 40.2, 90.0)}
    assert told == {"1.3 min", "2.3 min", "20 min", "40 min", "90 min"}
    narrow = variable_of(Free("steps.1.time", "30.2 min", "30.4 min"))
    assert narrow.text(0.5) == "30.3 min"  # no whole minute is within the bounds
