"""Which schedule comes first, which are told of, and what is lost by going on."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from comparing import PAIR
from tuning import tune
from tuning_scene import course, made, way

from lapwright.optimisation.advise import _spoilt
from lapwright.optimisation.cases import change, name_of
from lapwright.optimisation.design import DesignSpace, variable_of
from lapwright.optimisation.jobs import Job, run_case
from lapwright.optimisation.seek import Seeker, distinct, ranked, score
from lapwright.optimisation.sensitivity import lost_again
from lapwright.optimisation.surrogate import Surrogate
from lapwright.optimisation.track import Candidate, Constraint, Evaluation, constraints_of
from lapwright.study.model import Free
from lapwright.study.read import parse
from lapwright.study.source import document_of

UM = 1e-6
TIMES = '[tune.free]\n"steps.1.time" = ["5 min", "3 h"]\n'


def named(name: str, flatness: float, minutes: float | None, reached: bool = False) -> Candidate:
    """A schedule of so many minutes that comes to so much flatness of 0.3 um [um]."""
    told = course("simulation", flatness, minutes)
    if not reached and minutes is not None:
        # As long, but never there.
        told = Evaluation(
            told.by,
            None,
            told.share,
            told.worst,
            told.forms,
            told.cost,
            whole=told.whole,
            trail=told.trail,
        )
    return way(
        name, {"steps.1.time": f"{minutes} min"}, course("operator", flatness, minutes), told
    )


def order(*ways: Candidate, begun: Candidate | None = None, least: str = "time") -> list[str]:
    def weigh(one: Evaluation | None) -> float:
        return score(one, least, 1.0, 3600.0) if one is not None else 9.0

    return [one.name for one in ranked(ways, begun, least, weigh)]


def test_of_those_equally_near_the_cheapest_is_first_be_it_as_typed() -> None:
    long, longer, far = (
        named("long", 1.5, 230.0),
        named("longer", 1.49, 240.0),
        named("far", 3.0, 20.0),
    )
    typed = named("as typed", 1.51, 60.0)
    assert order(long, longer, far) == ["long", "longer", "far"]
    assert order(long, longer, far, begun=typed) == ["as typed", "long", "longer", "far"]
    # What is nearer by more than a fiftieth is nearer.
    assert order(long, named("nearer", 1.3, 240.0), begun=typed)[0] == "nearer"
    # Once anything reaches it, what is typed has to be found like the rest.
    assert "as typed" not in order(named("there", 0.2, 90.0, reached=True), long, begun=typed)


@pytest.mark.parametrize("least", ["turns", "swaps"])
def test_of_as_many_turns_or_swaps_the_quickest_is_first(least: str) -> None:
    slow, quick = named("slow", 0.1, 179.0, reached=True), named("quick", 0.29, 152.0, reached=True)
    assert order(slow, quick, least=least) == ["quick", "slow"]


def test_what_differs_in_nothing_that_counts_is_told_once() -> None:
    best, same = named("best", 0.29, 52.2, reached=True), named("same", 0.291, 52.5, reached=True)
    other = named("other", 0.2, 52.2, reached=True)
    tips = named("tips", 0.29, 52.2)
    fell = Evaluation("simulation", None, 1e6, {}, {}, tips.simulated.cost, trouble="the top tips")
    tips = way("tips", {}, tips.operator, fell)
    assert [one.name for one in distinct([best, same, other, tips, tips])] == [
        "best",
        "other",
        "tips",
        "tips",
    ]
    # Another stroke, or another way of turning, is another way.
    assert len(distinct([best, same], kind=lambda one: one.name)) == 2


@pytest.mark.campaign
def test_nothing_is_to_be_lapped_where_the_faces_have_it_as_they_come() -> None:
    # Flat within a tenth of a micrometre by what is typed.
    text = PAIR.replace('dome = "3 um"', 'dome = "0.1 um"').replace(
        'dish = "1 um"', 'dish = "0.1 um"'
    )
    got = tune(text + '[goal]\nflatness = "0.3 um"\n' + TIMES, looks=16)
    assert (got.outcome, got.new, got.simulated, got.tried) == ("found", None, 1, 0)
    (idle,) = got.candidates
    assert (idle.simulated.reached_at, idle.simulated.cost.time, idle.simulated.cost.removed) == (
        0,
        0,
        0,
    )
    assert idle.simulated.worst["A.flatness"] == pytest.approx(0.1 * UM, rel=0.1)
    # What has to be lapped for a given time is searched all the same.
    fixed = '[tune.free]\n"steps.1.swap_every.A" = ["2 min", "4 min"]\n'
    text += 'swap_every = "3 min"\n'
    assert tune(text + '[goal]\nflatness = "2 um"\n' + fixed, looks=16).tried > 0


def test_a_dome_that_passes_through_is_lost_again_when_full_simulation_says_so() -> None:
    goal = '[goal]\ndome = "0.5 um"\nplates = ["A"]\n'
    text = PAIR.replace("10 min", "80 min")
    study = parse(text + goal + TIMES, "study")
    space = DesignSpace(study, document_of(text + goal + TIMES), Path())
    seeker = Seeker(space, Surrogate(study, 4), constraints_of(study.goal, study.plates), 0)
    place = space.start()
    settled = space.settled(space.changes(place), (1,))
    lost = lost_again(seeker, place, settled)
    assert lost is not None
    assert lost.asked == "A.dome"
    # The top goes on from dome to dish: lapped so much longer in full, it is as deep as was allowed.
    seconds = 4800.0 + lost.time
    ended = run_case(Job(0, 0, parse(text.replace("80 min", f"{seconds:.1f} s"), "study"))).summary
    assert ended.plates["A"].forms["sphere"] == pytest.approx(-0.5 * UM, rel=0.1)
    assert ended.removed == pytest.approx(lost.removed * seconds / lost.time, rel=0.05)
    # Held to a time, what comes later does not count.
    held = parse(text + goal.replace("[goal]", '[goal]\nhold = "80 min"') + TIMES, "study")
    space = DesignSpace(held, document_of(text + goal + TIMES), Path())
    assert lost_again(Seeker(space, Surrogate(held, 4), seeker.asked, 0), place, settled) is None


def test_what_only_comes_and_goes_with_the_swaps_is_not_lost() -> None:
    text = PAIR.replace('time = "10 min"', 'time = "80 min"\nswap_every = "3 min"')
    goal = '[goal]\ndome = "2 um"\nplates = ["A"]\n' + TIMES
    study = parse(text + goal, "study")
    space = DesignSpace(study, document_of(text + goal), Path())
    settled = space.settled(space.changes(space.start()), (1,))
    track = Surrogate(study, 4).tell(settled).track
    late = np.abs(track.values["A.sphere"][track.time > 4200.0])
    assert np.ptp(late) > 0.02 * UM  # up while on top, down while below
    middle = [Constraint("dome", "A", float(late.min() + late.max()) / 2.0)]
    assert lost_again(Seeker(space, Surrogate(study, 4), middle, 0), space.start(), settled) is None


@pytest.mark.campaign
def test_keys_that_make_no_difference_keep_what_was_typed() -> None:
    # A lies on top for the whole of the time, so it does not matter how long B would.
    text = PAIR.replace("10 min", "20 min") + 'swap_every = { A = "25 min", B = "4 min" }\n'
    free = '[tune.free]\n"steps.1.swap_every.A" = ["25 min", "60 min"]\n'
    free += '"steps.1.swap_every.B" = ["1 min", "9 min"]\n"steps.1.time" = ["5 min", "24 min"]\n'
    got = tune(text + '[goal]\ndome = "1.8 um"\n' + free, looks=60)
    assert got.outcome == "found"
    changes = got.answer.changes
    assert (changes["steps.1.swap_every.A"], changes["steps.1.swap_every.B"]) == ("25 min", "4 min")
    assert changes["steps.1.time"] != "20 min"


def test_keys_have_one_name_and_steps_their_number_in_the_new_order() -> None:
    study = made().study
    assert name_of("stroke.centre.x", study.steps[0]) == "off the middle, towards 3"
    assert change("stroke.centre.x", "55 mm") == "55 mm off the middle, towards 3"
    assert change("swap_every.A", "15 min", study.steps[0]) == "A on top for 15 min"
    text = Path(__file__).parents[2] / "configs" / "tune-the-swaps.toml"
    document = document_of(text.read_text("utf-8"))
    space = DesignSpace(parse(text.read_text("utf-8"), "swaps"), document, Path())
    changes = space.changes(space.start())
    told = space.spoken(changes, (2, 1))
    assert "step 2 (was step 1) time 60 min" in told
    assert "step 1 (was step 2) time 30 min" in told


def test_bounds_in_two_units_of_one_kind_keep_the_first() -> None:
    metal = variable_of(Free("steps.1.swap_every.A", "0.9 um", "1200 nm"))
    assert (metal.unit, metal.low) == (" um", 0.9)
    assert metal.high == pytest.approx(1.2)
    time = variable_of(Free("steps.1.time", "30 min", "2 h"))
    assert (time.unit, time.low, time.high) == (" min", 30.0, 120.0)


@pytest.mark.parametrize(
    ("piece", "table", "asked", "spoilt"),
    [
        (1.0, 1.5, ("rail",), True),  # the table loses more than the rail gains
        (1.5, 1.0, ("rail",), False),
        (0.01, 0.09, ("rail",), False),  # less than a tenth of a micrometre is nothing
        (1.0, 1.5, ("rail", "table"), False),  # what is asked of the table itself is held elsewhere
        (1.0, 1.5, ("rail", None), False),  # something of the pair
    ],
)
def test_no_table_is_spoilt_for_a_goal_out_of_sight(piece, table, asked, spoilt):
    """What a plate that nobody asks for loses must be won by others; shops hold (rail, table)."""
    columns = {"rail": 0, "table": 1}
    goal = SimpleNamespace(
        asked=[Constraint("flatness", name, 0.3e-6) for name in asked],
        most=np.array([0.3e-6]),
        sizes=lambda _, shops: shops[:, :1],
        value=lambda one, _, shops: shops[:, columns[one.plate]],
    )
    before = 1e-6 * np.array([[3.0, 1.0], [2.0, 0.5]])
    one = SimpleNamespace(
        step=SimpleNamespace(top="rail", bottom="table"),
        shops=before + 1e-6 * np.array([-piece, table]),
    )
    harm = _spoilt(goal, SimpleNamespace(layout=None), one, before)
    assert [(each.asked.plate, each.share) for each in harm] == [("table", 1.0)] * spoilt
    assert [each.by for each in harm] == pytest.approx([1e-6 * table] * spoilt)
