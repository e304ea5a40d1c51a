"""Ways judged at the same metal off: by what each was on its way there, whatever its minutes."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace
from itertools import pairwise

import pytest
from comparing import PAIR, compare
from hypothesis import given
from hypothesis import strategies as st

from lapwright.errors import CommandError, StudyError
from lapwright.optimisation.comparison import Comparison, compared
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.equal_metal import with_metal_off
from lapwright.optimisation.summary import Ended, Parts, Summary
from lapwright.presentation.comparison_data import as_json, csv_text
from lapwright.presentation.comparison_text import headline, in_words, rows
from lapwright.study.model import asked_at
from lapwright.study.read import parse

UM, NM = 1e-6, 1e-9
KNOWN = PAIR.replace('grit = "15 um"', 'grit = "g"').replace('time = "10 min"', 'time = "20 min"')
KNOWN += '[grits.g]\nsize = "15 um"\nwear = "2.4e-12 1/Pa"\nlayer = { depth = "0.75 um" }\n'
KNOWN += '[grits.slow]\nsize = "15 um"\nwear = "1.2e-12 1/Pa"\nlayer = { depth = "0.75 um" }\n'
WAYS = (
    KNOWN
    + """
[[variants]]
name = "as written"
set = { time = "8 min" }

[[variants]]
name = "longer"
set = { time = "34 min" }

[[variants]]
name = "half as fast, twice as long"
set = { grit = "slow", time = "16 min" }

[[variants]]
name = "short stroke"
set = { "stroke.travel" = "1/6", time = "50 min" }
"""
)


@pytest.fixture(scope="module")
def ways() -> Comparison:
    return compare(WAYS)


def judged(got: Comparison, at: float | str) -> Comparison:
    return replace(got, at=at)


def worst(summary: Summary) -> float:
    return Criterion().figure(summary)


def test_minutes_and_wear_neither_flatter_nor_penalise(ways: Comparison) -> None:
    """The same stroke on the same faces: with the same metal off it is the same face (Preston, 1927)."""
    assert ways.judged.why == "least"
    assert ways.judged.metal == min(got.removed for got in ways.nominal)
    alike = [worst(ways.there(i)) for i in range(3)]
    # Half the wear twice as long has the same rates and metal; the longer has other blocks of strokes.
    assert alike == pytest.approx([alike[0]] * 3, rel=0.01)
    ends = [worst(ways.nominal[i]) for i in (0, 1)]
    assert max(alike) - min(alike) < 0.2 * abs(ends[1] - ends[0])
    for i in range(4):
        assert ways.there(i).removed == pytest.approx(ways.judged.metal, rel=1e-9)


def test_what_is_told_between_two_moments_is_what_a_run_so_long_comes_to(ways: Comparison) -> None:
    """Lapped anew for as many strokes as that, which is another run with an end of its own."""
    for i in (1, 3):
        then = ways.there(i)
        minutes = then.time / 60.0
        assert then.time < 0.9 * ways.nominal[i].time
        shorter = "" if i == 1 else ', "stroke.travel" = "1/6"'
        way = f'set = {{ time = "{minutes:.4f} min"{shorter} }}'
        anew = compare(KNOWN + f'[[variants]]\nname = "x"\n{way}\n').nominal[0]
        assert anew.removed == pytest.approx(then.removed, rel=0.005)
        for name in "AB":
            for key in ("flatness", "sphere", "saddle", "twist"):
                told, found = (one.plates[name].forms[key] for one in (then, anew))
                assert told == pytest.approx(found, rel=0.02, abs=15 * NM), (i, name, key)


def test_at_the_end_those_who_take_off_more_are_judged_as_they_end(ways: Comparison) -> None:
    got = judged(ways, "end")
    assert (got.judged.metal, got.judged.why) == (None, "asked")
    assert got.placed == got.nominal
    figures = [worst(got.nominal[i]) for i in got.order]
    assert figures == pytest.approx(sorted(figures), abs=1 * NM)  # as near is alike
    assert "Each is judged at its own end, as you asked" in " ".join(
        "\n".join(in_words(got)).split()
    )


def test_one_that_never_comes_there_is_said_so_and_comes_last(ways: Comparison) -> None:
    most = sorted(got.removed for got in ways.nominal)
    got = judged(ways, 0.5 * (most[1] + most[2]))
    short = {i for i in range(4) if ways.nominal[i].removed < got.judged.metal}
    assert len(short) == 2
    assert set(got.order[-2:]) == short
    assert not short & set(got.ranked)
    assert all(got.placed[i] is None for i in short)
    assert all(row.then.startswith("never has") == (row.index in short) for row in rows(got))
    assert [member["at"] is None for member in as_json(got)["members"]] == [
        False,
        False,
        True,
        True,
    ]
    far = judged(ways, 2.0 * most[-1])
    assert (far.judged.metal, far.judged.why) == (None, "never")
    assert "none of them takes" in "\n".join(in_words(far))


def test_command_json_and_table_say_where(ways: Comparison) -> None:
    told = as_json(ways)
    assert set(told["at"]) == {"metal", "why", "of"}
    assert told["at"]["metal"] == ways.judged.metal
    best = told["members"][0]
    assert set(best["at"]) == {"time", "removed", "plates"}
    assert max(plate["flatness"] for plate in best["at"]["plates"].values()) == worst(
        ways.there(ways.order[0])
    )
    head, *rows = csv.reader(io.StringIO(csv_text(ways)))
    numbers = [row[k] for row in rows for k, name in enumerate(head) if name.endswith("_m")]
    assert all(math.isfinite(float(number)) for number in numbers if number)
    assert any(numbers)
    assert head[head.index("removed_m") + 1] == "judged removed_m"
    assert "um off" in headline(ways)
    ended = judged(ways, "end")
    assert "judged removed_m" not in csv_text(ended).splitlines()[0]
    assert all(member["at"] is None for member in as_json(ended)["members"])


GOAL = '[goal]\nflatness = "%s"\n'


@pytest.mark.always(0, 3)
@pytest.mark.parametrize(
    ("more", "step", "why"),
    [
        (GOAL % "20 um", "", "goal"),  # reached as they come
        (GOAL % "0.01 um", "", "least"),  # by none of them
        (GOAL % "0.01 um" + 'hold = "5 min"\n', "", "hold"),
        ("", 'until = { flatness = "0.01 um" }\n', "until"),
        ('[compare]\nat = "end"\n', "", "asked"),
        ('[compare]\nat = "0.02 um"\n', "", "typed"),
        ('[compare]\nat = "90 um"\n', "", "never"),
    ],
)
def test_where_an_end_is_what_decides_each_is_judged_at_its_own(
    more: str, step: str, why: str
) -> None:
    text = PAIR.replace('time = "10 min"\n', f'time = "2 min"\n{step}')
    text += '[[variants]]\nname = "one"\nset = { load = "10 N" }\n[[variants]]\nname = "two"\nset = {}\n'
    got = compare(text + more)
    assert got.judged.why == why
    assert (got.judged.metal is None) == (why not in ("least", "typed"))
    told = " ".join("\n".join(in_words(got)).split())
    assert ("judged at its own end" in told) == (got.judged.metal is None)


def test_a_way_that_takes_nothing_off_leaves_all_at_their_ends(ways: Comparison) -> None:
    still = ways.nominal[0]
    track = {**still.track, "removed": tuple(0.0 for _ in still.track["removed"])}
    got = compared(ways.study, ways.members, [replace(still, track=track), *ways.nominal[1:]])
    assert (got.judged.metal, got.judged.why) == (None, "nothing")
    assert f"{ways.members[0].name} takes nothing off" in " ".join("\n".join(in_words(got)).split())


LASTING = [
    '[sweep]\ntime = ["1 min", "3 min"]\n',
    '[[variants]]\nname = "one"\nset = {}\n[[variants]]\nname = "two"\nset = { time = "3 min" }\n',
    '[[variants]]\nname = "one"\nset = { strokes = 30 }\n'
    '[[variants]]\nname = "two"\nset = { time = "3 min" }\n',
]


@pytest.mark.parametrize("ways", LASTING)
def test_ways_that_differ_only_in_how_long_they_last_are_judged_at_their_ends(ways: str) -> None:
    """They are one until the shortest is over, by what they are: there none is better than another."""
    got = compare(PAIR.replace("10 min", "1 min") + ways)
    assert (got.judged.metal, got.judged.why) == (None, "length")
    assert got.placed == got.nominal
    ends = [worst(one) for one in got.nominal]
    assert abs(ends[1] - ends[0]) > 100 * NM
    assert got.order[0] == ends.index(min(ends))
    told = " ".join("\n".join(in_words(got)).split())
    assert "Each is judged at its own end: they differ only in how long they last." in told
    assert as_json(got)["at"] == {"metal": None, "why": "length", "of": None}
    assert judged(got, 0.01 * UM).judged.why == "typed"


def test_ways_that_differ_in_more_than_their_length_or_in_nothing_are_judged_at_the_same_metal(
    ways: Comparison,
) -> None:
    also = [replace(ways.members[0], text=ways.members[0].text), ways.members[0]]
    twice = compared(
        ways.study, also, [replace(ways.nominal[0], member=i) for i in range(len(also))]
    )
    assert twice.judged.why == ways.judged.why == "least"


def test_where_a_study_says_it() -> None:
    study = parse(WAYS + '[compare]\nat = "2 um"\n')
    assert study.at == pytest.approx(2 * UM)
    assert study.replace(at="end").at == "end"
    assert parse(WAYS).at == "metal"
    with pytest.raises(StudyError, match=r"compare\.at: 'halfway' cannot be"):
        parse(WAYS + '[compare]\nat = "halfway"\n')
    with pytest.raises(CommandError, match="at: 'halfway' cannot be"):
        study.compare(at="halfway")
    inch = parse(WAYS.replace('title = "Pair"', 'title = "Pair"\nunits = "inch"'))
    assert asked_at("80 millionths", inch.units) == pytest.approx(80 * 25.4 * NM)


def test_metal_that_stands_still_is_met_at_its_first_moment() -> None:
    ended = Ended({"flatness": 1.0}, {}, {}, {}, {}, 0.0, 3.0, (), ())
    track = {
        "time": (0.0, 1.0, 2.0, 3.0),
        "removed": (0.0, 1.0, 1.0, 3.0),
        "A.flatness": (4.0, 3.0, 2.0, 1.0),
    }
    got = Summary(0, 0, "done", {"A": ended}, track=track)
    for metal, flat, time in ((1.0, 3.0, 1.0), (2.0, 1.5, 2.5), (3.0, 1.0, 3.0), (0.0, 4.0, 0.0)):
        then = with_metal_off(got, metal)
        assert then is not None
        assert (then.plates["A"].forms["flatness"], then.time) == (flat, time)
        assert then.removed == pytest.approx(metal)
    assert with_metal_off(got, 3.1) is None


# --- the order of batches ------------------------------------------------------------------------


def batch(flat: float, error: float, out: int, plate: float) -> Summary:
    ended = Ended({"flatness": plate}, {}, {}, {}, {}, 0.0, 0.0, (), ())
    parts = Parts("ring", "P", 4, out, 0, 0.0, {"flatness": flat}, {}, {"flatness": error}, {})
    return Summary(0, 0, "done", {"P": ended}, parts=parts)


batches = st.lists(
    st.builds(
        batch,
        st.integers(1, 60).map(lambda n: n * 20 * NM),
        st.integers(0, 10).map(lambda n: n * 10 * NM),
        st.integers(0, 1),
        st.integers(1, 9).map(lambda n: n * 100 * NM),
    ),
    min_size=2,
    max_size=7,
)


@given(batches)
def test_no_batch_stands_above_one_that_is_clearly_better(some: list[Summary]) -> None:
    """Were "alike" carried from one to the next, A alike B alike C would lay C above A that beats it."""
    criterion = Criterion()
    order = criterion.order(some)
    assert sorted(order) == list(range(len(some)))
    best = min(some, key=lambda got: (got.parts.out, criterion.figure(got)))
    first = some[order[0]]
    assert first.parts.out == best.parts.out
    assert criterion.figure(first) == criterion.figure(best) or criterion.as_good(best, first)
    keys = criterion.standing(some)
    for one, other in pairwise(order):
        assert keys[one] <= keys[other]
        a, b = some[one], some[other]
        if not criterion.as_good(best, b):
            assert (a.parts.out, criterion.figure(a)) <= (b.parts.out, criterion.figure(b)) or (
                criterion.as_good(best, a)
            )


@given(batches)
def test_what_is_better_is_better_than_all_that_is_worse(some: list[Summary]) -> None:
    """Of one comparison the order is one of keys: better than a second, and that than a third, is better."""
    keys = Criterion().standing(some)
    beats = {(i, j) for i, a in enumerate(keys) for j, b in enumerate(keys) if a < b}
    for i, j in beats:
        assert (j, i) not in beats
        assert all((i, k) in beats for j2, k in beats if j2 == j)


def test_alike_the_best_only() -> None:
    """Error 0.1 um: 1.0 and 1.2 um are alike, 1.2 and 1.4 um too, 1.0 and 1.4 um are not."""
    some = [batch(1.4 * UM, 0.1 * UM, 0, 0.1 * UM), batch(1.2 * UM, 0.1 * UM, 0, 0.2 * UM)]
    some.append(batch(1.0 * UM, 0.1 * UM, 0, 0.3 * UM))
    assert Criterion().order(some) == (1, 2, 0)
    assert Criterion().order(some[:2]) == (0, 1)
