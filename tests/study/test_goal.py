"""What is to be reached: read, made in Python, written, and of studies from before there was a [goal]."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from comparing import PAIR

import lapwright as lw
from lapwright.errors import StudyError
from lapwright.study.goal import renewed_data, renewed_text
from lapwright.study.read import parse
from lapwright.study.resolved import made, plain

UM = 1e-6
GOAL = """[goal]
flatness = "0.3 um"
difference = "1 um"
plates = ["A"]
hold = "3 h"
keep = { B = { dome = "0.1 um" } }
effort = { swap = "90 s", metal = "30 s per um" }

[tune]
least = "removed"

[tune.free]
"steps.1.time" = ["5 min", "1 h"]
"""
OLD = """[tune]
reach = { flatness = "0.3 um", difference = "1 um" }   # as the drawing has it
plates = ["A"]
hold = "3 h"
keep = { B = { dome = "0.1 um" } }
least = "removed"

[tune.free]
"steps.1.time" = ["5 min", "1 h"]
"""


def test_a_goal_is_in_si_and_says_what_it_took_as_usual() -> None:
    study = parse(PAIR + GOAL)
    goal = study.goal
    assert goal is not None
    assert goal.reach == {"flatness": pytest.approx(0.3 * UM), "difference": pytest.approx(UM)}
    assert (goal.plates, goal.hold, goal.keep) == (("A",), 10800.0, {"B": {"dome": 0.1 * UM}})
    assert (goal.effort.swap, goal.effort.reading, goal.effort.wash) == (90.0, 300.0, 900.0)
    assert goal.effort.metal * UM == pytest.approx(30.0)
    assumed = {k: v for k, v in study.assumed.items() if k.startswith("goal.")}
    assert assumed == {"goal.effort.reading": "5 min", "goal.effort.wash": "15 min"}
    assert parse(PAIR + '[goal]\ndome = "1 um"\n').goal.plates == ("A", "B")


@pytest.mark.parametrize(
    ("typed", "work"),
    [("1 min per um", 60e6), ("60 s/um", 60e6), ("1 h per mm", 3.6e6), ("0 min per um", 0.0)],
)
def test_what_metal_costs_is_read_in_many_ways(typed: str, work: float) -> None:
    assert lw.Goal(dome=UM, effort={"metal": typed}).effort.metal == pytest.approx(work)


def test_a_heavy_top_costs_more_to_swap_by_its_weight() -> None:
    """12 kg and in proportion above it: common practice, no source."""
    effort = lw.Goal(dome=UM).effort
    assert [effort.swap_of(mass) for mass in (4.0, 12.0, 18.0, 24.0)] == [
        120.0,
        120.0,
        180.0,
        240.0,
    ]


def test_a_goal_made_in_python_is_written_and_read(tmp_path: Path) -> None:
    goal = lw.Goal(
        flatness="0.3 um",
        difference=UM,
        plates=["A"],
        hold="3 h",
        keep={"B": {"dome": "0.1 um"}},
        effort={"swap": "90 s", "metal": "30 s per um"},
    )
    bare = parse(PAIR + GOAL[GOAL.index("[tune]") :])
    study = bare.replace(goal=goal)
    assert study.goal == goal == parse(PAIR + GOAL).goal
    study.write(tmp_path / "pair.toml")
    assert '[goal]\nflatness = "0.3 um"\n' in (tmp_path / "pair.toml").read_text("utf-8")
    again = lw.Study.read(tmp_path / "pair.toml")
    assert (again.goal, again.tuned) == (goal, bare.tuned)
    plates, steps = study.plates, study.steps
    assert lw.Study(plates, steps, goal=goal, tuned=bare.tuned).goal == goal
    assert lw.Study(plates, steps, goal={"dome": "1 um"}).goal.reach == {"dome": pytest.approx(UM)}


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"flatness": "0.3"}, "Goal.flatness: '0.3' has no unit"),
        ({"flat": "0.3 um"}, "Goal has no flat: did you mean flatness?"),
        ({"dome": "1 um", "plates": "A"}, "Goal.plates: 'A' is no list of plates"),
        ({"dome": "1 um", "keep": {"B": "1 um"}}, "says no forms of a plate"),
        ({"dome": "1 um", "effort": {"swap": "2 um"}}, "Effort.swap: '2 um' is not a time"),
        ({"dome": "1 um", "effort": {"metal": 3}}, None),
    ],
)
def test_a_goal_of_python_is_refused_in_one_line(keys: dict, says: str | None) -> None:
    if says is None:
        assert lw.Goal(**keys).effort.metal == 3.0  # a number is in SI
        return
    with pytest.raises(lw.StudyError) as told:
        lw.Goal(**keys)
    assert says in str(told.value)
    assert len(str(told.value).splitlines()) == 1


def test_the_text_of_before_is_put_as_it_is_written_now() -> None:
    now = parse(renewed_text(PAIR + OLD))
    wanted = parse(PAIR + GOAL.replace('effort = { swap = "90 s", metal = "30 s per um" }\n', ""))
    assert (now.goal, now.tuned) == (wanted.goal, wanted.tuned)
    assert renewed_text(PAIR) == PAIR
    assert renewed_text(PAIR + GOAL) == PAIR + GOAL


def test_the_resolved_study_of_before_is_read_with_the_goal_that_it_had() -> None:
    """As a run file held it: reach, plates, hold, keep, least, free and order in one record."""
    study = parse(PAIR + GOAL.replace('effort = { swap = "90 s", metal = "30 s per um" }\n', ""))
    data, arrays = plain(study)
    goal, tuned = data.pop("goal"), data.pop("tuned")
    old = {
        "is": "Tune",
        "reach": study.goal.reach,
        **{key: tuned[key] for key in ("least", "free", "order")},
    }
    old |= {key: goal[key] for key in ("plates", "hold", "keep")}
    again = made(renewed_data(json.loads(json.dumps({**data, "goal": old}))), arrays)
    assert again == study
    bare, arrays = plain(parse(PAIR))
    bare.pop("tuned")
    assert made(renewed_data(bare), arrays) == parse(PAIR)
    assert made(renewed_data(plain(study)[0])) == study


def test_what_is_asked_may_be_said_in_bands_of_light() -> None:
    band = 293.8e-9
    said = """[goal]
flatness = "1 band"
keep = { B = { dome = "2 bands of helium light" } }
"""
    pair = PAIR.replace("[[steps]]", '[[steps]]\nuntil = { flatness = "3 bands" }', 1)
    study = parse(pair + said)
    assert study.goal is not None
    assert study.goal.reach == {"flatness": pytest.approx(band)}
    assert study.goal.keep == {"B": {"dome": pytest.approx(2.0 * band)}}
    assert study.steps[0].until.flatness == pytest.approx(3.0 * band)
    assert lw.Goal(flatness="1 band").flatness == study.goal.flatness


def test_a_goal_of_size_without_any_plate_says_that_plates_are_missing() -> None:
    with pytest.raises(StudyError) as caught:
        parse('[goal]\nthickness = "30 mm"\nwedge = { A = "1 um" }\n')
    assert [fault.key for fault in caught.value.faults] == ["plates", "steps"]


def test_a_key_of_the_only_step_needs_no_number() -> None:
    """As in a sweep; where there are two steps it is asked for."""
    asked = '[goal]\nflatness = "0.5 um"\n[tune.free]\n"stroke.overhang" = ["5 %", "19 %"]\n'
    one = parse(PAIR + asked)
    assert [free.key for free in one.tuned.free] == ["steps.1.stroke.overhang"]
    again = PAIR + PAIR[PAIR.index("[[steps]]") :] + asked
    with pytest.raises(StudyError, match="is no key of a step here: write"):
        parse(again)
