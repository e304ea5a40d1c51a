"""What was asked along the time: from when on it is reached, over what it must hold, and what it cost."""

from __future__ import annotations

import numpy as np
import pytest

from lapwright.optimisation.seek import SpaceMapping, score
from lapwright.optimisation.track import Constraint, TimeSeries, constraints_of, evaluation_of
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate
from lapwright.study.goal import Goal

UM = 1e-6
TIME = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
FLAT = Constraint("flatness", "A", 1.0 * UM)


def track(sizes: list[float], **more: list[float]) -> TimeSeries:
    """A.flatness [um] at each quarter of 100 s; a micrometre removed, four turns, swaps at 50 and 100 s."""
    values = {"A.flatness": UM * np.array(sizes)} | {
        key: UM * np.array(v) for key, v in more.items()
    }
    return TimeSeries(
        TIME, TIME / 100.0 * UM, TIME / 25.0, np.array([0.0, 0.0, 1.0, 1.0, 2.0]), TIME, values
    )


@pytest.mark.parametrize(
    ("sizes", "reached"),
    [
        ([3.0, 2.0, 1.5, 0.5, 0.2], 62.5),  # half way from 1.5 to 0.5
        ([3.0, 0.5, 0.5, 1.5, 0.5], 87.5),  # what was reached and lost again does not count
        ([0.9, 0.8, 0.5, 0.4, 0.2], 0.0),
        ([3.0, 0.5, 0.5, 0.5, 1.1], None),
    ],
)
def test_reached_at_is_from_when_on_it_stays_so(sizes: list[float], reached: float | None) -> None:
    got = evaluation_of(track(sizes), [FLAT], None, "operator")
    assert got.reached_at == (None if reached is None else pytest.approx(reached))
    assert got.share == pytest.approx(sizes[-1])
    assert got.worst == {"A.flatness": pytest.approx(sizes[-1] * UM)}
    assert got.cost.time == 100.0


def test_the_worst_of_all_that_is_asked_counts() -> None:
    asked = [FLAT, Constraint("dome", "A", 0.5 * UM)]
    domes = {"A.sphere": [-2.0, -2.0, -2.0, -1.0, -0.1]}
    got = evaluation_of(track([0.9, 0.9, 0.9, 0.9, 0.1], **domes), asked, None, "operator")
    assert got.reached_at == pytest.approx(
        75.0 + 25.0 / 1.8
    )  # from twice the limit to a fifth of it
    assert got.share == pytest.approx(0.2)
    assert got.worst == {"A.flatness": pytest.approx(0.1 * UM), "A.dome": pytest.approx(0.1 * UM)}


def test_held_it_counts_over_the_second_half_and_no_later() -> None:
    sizes = [3.0, 1.5, 0.5, 0.8, 9.0]
    got = evaluation_of(track(sizes), [FLAT], 75.0, "operator")
    assert got.reached_at == pytest.approx(37.5)
    assert got.share == pytest.approx(0.8)
    assert got.cost.time == pytest.approx(37.5)  # what was done until then
    assert evaluation_of(track(sizes), [FLAT], 100.0, "operator").reached_at is None
    earlier = evaluation_of(track([0.1, 0.9, 0.3, 0.2, 0.1]), [FLAT], 100.0, "operator")
    assert earlier.share == pytest.approx(0.3)


def test_what_is_kept_is_how_far_it_moved() -> None:
    kept = Constraint("dome", "A", 0.5 * UM, kept=True)
    got = evaluation_of(
        track([0.0] * 5, **{"A.sphere": [-2.0, -2.0, -2.0, -2.0, -2.4]}), [kept], None, "operator"
    )
    assert got.share == pytest.approx(0.8)
    assert got.worst == {"keep.A.dome": pytest.approx(0.4 * UM)}


@pytest.mark.parametrize(("time", "swaps"), [(49.0, 0.0), (50.0, 1.0), (60.0, 1.0), (100.0, 2.0)])
def test_cost_is_what_was_done_until_then(time: float, swaps: float) -> None:
    cost = track([1.0] * 5).cost(time)
    assert (cost.time, cost.swaps) == (time, swaps)
    assert cost.of("removed") == pytest.approx(time / 100.0 * UM)
    assert cost.of("turns") == pytest.approx(time / 25.0)


def test_the_way_ends_where_it_must_be_held_to() -> None:
    way = evaluation_of(track([3.0, 2.0, 1.0, 0.5, 0.2]), [FLAT], 60.0, "operator").trail
    assert [time for time, _ in way] == [0.0, 25.0, 50.0, 60.0]
    assert way[-1][1] == pytest.approx(0.8)  # between 1.0 at 50 s and 0.5 at 75 s


def test_what_is_asked_of_whom() -> None:
    plates = {
        "A": Plate(Disc(0.16), thickness=0.03, name="A"),
        "R": Plate(Rectangle(0.3, 0.05), thickness=0.03, name="R"),
    }
    goal = Goal(dome=UM, bow=2 * UM, mating="3 um", plates=["A", "R"], keep={"R": {"wind": "4 um"}})
    assert {one.key: one.limit / UM for one in constraints_of(goal, plates)} == {
        "A.dome": pytest.approx(1.0),
        "R.bow": pytest.approx(2.0),
        "mating": pytest.approx(3.0),
        "keep.R.wind": pytest.approx(4.0),
    }


def test_reached_is_better_than_not_then_less_cost_then_sooner_then_closer() -> None:
    def of(sizes: list[float], hold: float | None = None) -> float:
        return score(evaluation_of(track(sizes), [FLAT], hold, "operator"), "swaps", 1.0, 100.0)

    never, nearly = of([3.0] * 5), of([1.1] * 5)
    late, soon, closer = (
        of([3.0, 3.0, 3.0, 3.0, 0.9]),
        of([3.0, 0.9, 0.9, 0.9, 0.9]),
        of([3.0, 0.9, 0.9, 0.9, 0.8]),
    )
    fewer = of([3.0, 0.9, 0.9, 0.9, 0.9], 100.0)  # held: no swap until it is reached
    assert never > nearly > 1.0 > late > soon > closer > fewer


class Line:
    """A space of one key."""

    def distance(self, one: np.ndarray, other: np.ndarray) -> float:
        return float(abs(one - other).max())


def test_offsets_put_the_operator_right_where_it_was_lapped() -> None:
    offsets = SpaceMapping(Line())  # type: ignore[arg-type]
    told, lapped = track([3.0, 2.0, 1.0, 0.5, 0.2]), track([3.0, 2.2, 1.4, 1.0, 0.9])
    here = np.array([0.3])
    assert offsets.put_right(here, told) is told
    offsets.add(here, lapped, told)
    np.testing.assert_allclose(
        offsets.put_right(here, told).values["A.flatness"],
        lapped.values["A.flatness"],
        atol=1e-9 * UM,
    )
    offsets.add(np.array([0.8]), told, told)  # there the operator is right
    nearer = (
        offsets.put_right(np.array([0.4]), told).values["A.flatness"] - told.values["A.flatness"]
    )
    # Inverse squares of 0.1 and 0.4: sixteen parts of one, one of the other.
    np.testing.assert_allclose(
        nearer, UM * np.array([0.0, 0.2, 0.4, 0.5, 0.7]) * 16.0 / 17.0, atol=1e-3 * UM
    )
