"""Full simulations for a search: whose answer is whose, and the answer with each key a little off."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from threading import Timer
from typing import Any

import pytest
from comparing import PAIR, TURNED

from lapwright.optimisation.criterion import lapped_course
from lapwright.optimisation.design import DesignSpace
from lapwright.optimisation.jobs import RunCache
from lapwright.optimisation.sensitivity import drawn_in, nudges_of
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.track import Candidate, Tuning, constraints_of
from lapwright.optimisation.workers import WorkerPool
from lapwright.study.model import Study
from lapwright.study.read import parse
from lapwright.study.source import document_of

UM = 1e-6


class Backwards:
    """Who has the first job is the last to come back."""

    def __init__(self) -> None:
        self.begun = 0

    def submit(self, work: Callable, function: Callable, jobs: list) -> Future:
        future: Future = Future()
        answer, self.begun = work(function, jobs), self.begun + 1
        Timer(0.3 if self.begun == 1 else 0.0, future.set_result, [answer]).start()
        return future


def test_answers_belong_to_what_was_asked_whoever_is_done_first() -> None:
    short, long = (
        replace(s, text=s.title + "\n[" + s.stem) for s in map(timed, ("1 min", "2 min"))
    )
    bench = RunCache(WorkerPool(Backwards(), 2), None, bool)  # type: ignore[arg-type]
    got = bench.lap([(short, 0), (long, 0), (short, 0)])
    assert [one.time for one in got] == pytest.approx([60.0, 120.0, 60.0])
    assert bench.done == 2


def timed(time: str) -> Study:
    return parse(PAIR.replace("10 min", time), time)


GOAL = """[goal]
dome = "1 um"
plates = ["A"]
[tune.free]
"steps.1.time" = ["5 min", "3 h"]
"steps.1.turn" = ["none", "8 deg per stroke"]
"""


class Told:
    """A bench on which A's dome is 2 um less a nanometre a second, and half as much when it is not turned."""

    def lap(self, studies: list[tuple[Study, int]], tell: Any = None) -> list[Summary]:
        return [self._one(study, draw) for study, draw in studies]

    def _one(self, study: Study, draw: int) -> Summary:
        step = study.steps[0]
        size = 2.0 * UM - 1e-9 * step.time + 0.1 * UM * draw
        dome = size if step.turn.angle else 0.5 * size
        track = {
            "time": (0.0, step.time),
            "removed": (0.0, UM),
            "turned": (0.0, 1.0),
            "swaps": (0.0, 0.0),
            "work": (0.0, step.time),
        }
        return Summary(
            0, draw, "done", time=step.time, track=track | {"A.sphere": (3.0 * UM, dome)}
        )


@pytest.fixture
def answer() -> tuple[DesignSpace, Candidate, Tuning]:
    """The study as it stands, 20 minutes, taken for the answer."""
    text = TURNED.replace("10 min", "20 min") + GOAL
    study = parse(text, "study")
    asked = constraints_of(study.goal, study.plates)
    changes = {"steps.1.time": "20 min", "steps.1.turn": "8 deg per stroke"}
    (summary,) = Told().lap([(study, 0)])
    course = lapped_course(summary, asked, None)
    candidate = Candidate("own", changes, (1,), {}, study, None, False, course, summary)
    return (
        DesignSpace(study, document_of(text), Path()),
        candidate,
        Tuning(study, study.goal, asked, "found"),
    )


def test_a_key_a_tenth_off_is_told_with_its_sign(
    answer: tuple[DesignSpace, Candidate, Tuning],
) -> None:
    space, own, empty = answer
    less, more, still = nudges_of(space, own, Told(), empty.asked, lambda done, of: None)  # type: ignore[arg-type]
    assert (less.value, less.off, more.value, more.off) == ("18 min", -0.1, "22 min", 0.1)
    # Two minutes are 0.12 um of A's dome, of which 0.8 um are left after twenty.
    assert less.change == {"A.dome": pytest.approx(0.12 * UM)}
    assert more.change == {"A.dome": pytest.approx(-0.12 * UM)}
    assert (less.share, more.share) == (pytest.approx(0.92), pytest.approx(0.68))
    assert (still.key, still.value, still.off) == ("steps.1.turn", "none", None)
    assert still.change == {"A.dome": pytest.approx(-0.4 * UM)}


def test_draws_that_reach_the_goal_are_counted(
    answer: tuple[DesignSpace, Candidate, Tuning],
) -> None:
    _, own, empty = answer
    got, high = drawn_in(empty, own, 4, Told(), lambda done, of: None)  # type: ignore[arg-type]
    assert high == pytest.approx(1.17)  # nine in ten: between the two largest
    # 0.9, 1.0, 1.1 and 1.2 um: two are within the micrometre.
    assert (got.samples, got.reached_in, got.failed) == (4, 2, 0)
    band = {band.what: band for band in got.bands}["A.dome"]
    assert 0.9 * UM <= band.low < 1.0 * UM < 1.1 * UM < band.high <= 1.2 * UM
