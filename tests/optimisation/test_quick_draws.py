"""Quick draws: the same draws as those lapped in full, and odds as they give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from comparing import PAIR, THREE, compare
from odds_studies import beside

from lapwright.errors import CannotDoError
from lapwright.optimisation import quick_draws as quick
from lapwright.optimisation.cases import Tolerance, drawn
from lapwright.optimisation.comparison import Comparison, verdict
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.quick_draws import DRAWS, quick_draws, with_quick_draws
from lapwright.presentation.comparison import _made
from lapwright.presentation.comparison_data import as_json, csv_text
from lapwright.presentation.comparison_text import headline, how_sure, rows
from lapwright.study.read import parse

UM, NM = 1e-6, 1e-9
CLEAR = (
    PAIR
    + """
[[variants]]
name = "short"
set = { "stroke.travel" = "1/6" }

[[variants]]
name = "never enough"
set = { "stroke.travel" = "1/6", load = "0 N" }

[[variants]]
name = "swapped by the gauge"
set = { "stroke.travel" = "3/8", load = "40 N", swap_every = { read = "2 min", on_top = "more domed" } }

[[variants]]
name = "swapped by metal"
set = { "stroke.travel" = "3/8", load = "40 N", swap_every = "0.1 um" }
"""
)


@pytest.fixture(scope="module")
def bare() -> Comparison:
    return compare(CLEAR)


@pytest.fixture(scope="module")
def odds(bare: Comparison) -> Comparison:
    return with_quick_draws(bare)


def told(got: Comparison) -> str:
    return " ".join(" ".join(how_sure(got)).split())


@pytest.mark.campaign
def test_each_begins_and_wears_as_the_draw_that_is_lapped_in_full(odds: Comparison) -> None:
    """Starts to the nanometre (what the shapes of a face leave of a dome); metal by Preston's law."""
    for i in odds.quick:
        study, nominal = odds.members[i].study, odds.nominal[i]
        for got in odds.quick[i][::7]:
            full = drawn(study, got.draw, Tolerance())
            for name, plate in full.plates.items():
                begun = nominal.plates[name].before["sphere"] - study.plates[name].form.sphere
                came = got.track[f"{name}.sphere"][0] - begun
                assert came == pytest.approx(plate.form.sphere, abs=0.02 * abs(begun) + 1 * NM)
            wear = full.steps[0].grit.wear.iron / study.steps[0].grit.wear.iron
            # The hand of a draw is unsteady, which makes its path a little longer.
            assert got.removed / nominal.removed == pytest.approx(wear, rel=0.05)


@pytest.mark.campaign
def test_the_odds_are_those_of_a_few_draws_lapped_in_full(odds: Comparison) -> None:
    """The best and the worst of these ways: the same draws, one by one, lapped in full."""
    assert odds.trials == DRAWS
    assert set(odds.quick) == set(odds.ranked)
    first, last = odds.ranked[0], odds.ranked[-1]
    full = compare(CLEAR, samples=2)
    assert full.ranked == odds.ranked
    for k in (1, 2):
        keys = [got._standings[k] for got in (odds, full)]
        assert len({one[first] < one[last] for one in keys}) == 1
    wins, of = odds.wins(first, last)
    assert of == DRAWS
    assert wins + odds.wins(last, first)[0] == DRAWS
    assert sum(odds.best_in(i) for i in odds.quick) == DRAWS


@pytest.mark.campaign
def test_they_are_the_same_to_the_bit_whatever_works(bare: Comparison, odds: Comparison) -> None:
    done: list[int] = []
    assert with_quick_draws(bare, 3, done.append).quick == odds.quick
    assert done == list(range(1, len(odds.quick) + 1))


def test_words_json_and_table_tell_the_odds(odds: Comparison) -> None:
    best, second = odds.ranked[:2]
    wins, of = odds.wins(best, second)
    answer = as_json(odds)
    assert set(answer["odds"]) == {"by", "draws", "of", "wins", "verdict", "why"}
    assert (answer["odds"]["by"], answer["odds"]["of"]) == ("quick", of)
    assert (answer["odds"]["wins"], answer["odds"]["verdict"]) == (wins, verdict(wins, of))
    assert "samples" not in answer
    assert "bands" not in answer["members"][0]
    assert sum(member["best_in"] for member in answer["members"]) == DRAWS
    assert "of 40 quick draws" in rows(odds)[0].sure
    assert "Quick draws" in told(odds)
    assert csv_text(odds).splitlines()[0].split(",")[-3:] == ["best_in", "draws", "trouble"]
    if odds.known(best, second).telling and not odds.known(best, second).lost:
        assert f"Of {of} quick draws" in headline(odds)


def test_one_sentence_never_gainsays_the_odds(odds: Comparison) -> None:
    """Beside "it is better" stands neither that they are alike nor that they may turn out so."""
    for words in (headline(odds), headline(replace(odds, quick={}))):
        assert "be ready" not in words
        if "it is better" in words:
            assert "alike" not in words


@pytest.mark.campaign
def test_none_where_they_do_not_follow_and_that_is_said(
    bare: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    until = CLEAR.replace('time = "10 min"', 'time = "1 min"\nuntil = { flatness = "0.01 um" }')
    got = with_quick_draws(replace(bare, members=compare(until).members))
    assert (dict(got.quick), dict(got.unquick)) == ({}, {-1: "until"})
    assert "No quick draws: they do not follow a step that a gauge ends." in told(got)
    assert as_json(got)["odds"]["why"] == {"all": "until"}
    kept = with_quick_draws(
        replace(bare, nominal=tuple(replace(n, track={}) for n in bare.nominal))
    )
    assert dict(kept.unquick) == {-1: "kept"}

    def fails(*_: object) -> None:
        raise CannotDoError("no")

    monkeypatch.setattr(quick, "quick_draws", fails)
    failed = with_quick_draws(bare)
    assert dict(failed.unquick) == dict.fromkeys(failed.ranked, "failed")
    assert "does not settle" in told(failed)


@pytest.mark.campaign
@pytest.mark.filterwarnings("error")
def test_a_way_that_takes_nothing_off_is_passed_over_and_said_so() -> None:
    """A top that is held still never rubs; before, its shares of no metal were 0 / 0."""
    still = '\n[[variants]]\nname = "still"\nset = { stroke = { kind = "still" }, turn = "none" }\n'
    one = '\n[[variants]]\nname = "%s"\nset = { time = "%s" }\n'
    bare = compare(PAIR + one % ("as is", "2 min") + one % ("longer", "3 min") + still)
    got = with_quick_draws(bare)
    assert dict(got.unquick) == {2: "nothing"}
    assert set(got.quick) == {0, 1}
    assert "No quick draws of still: it takes nothing off." in told(got)
    assert as_json(got)["odds"]["why"] == {"still": "nothing"}
    assert [made for _, made, _ in _made(got, 2)] == ["nothing to speak of"]


@pytest.mark.campaign
def test_large_shapes_that_tell_another_face_are_not_believed(bare: Comparison) -> None:
    """A way of which lapping in full gave three times the flatness: no odds of it, and its name is said."""
    i = bare.ranked[0]
    track = {
        k: tuple(3 * v for v in c) if "flatness" in k else c
        for k, c in bare.nominal[i].track.items()
    }
    nominal = list(bare.nominal)
    plates = {
        name: replace(ended, forms={**ended.forms, "flatness": 3 * ended.forms["flatness"]})
        for name, ended in nominal[i].plates.items()
    }
    nominal[i] = replace(nominal[i], track=track, plates=plates)
    got = with_quick_draws(replace(bare, nominal=tuple(nominal)))
    assert got.unquick.get(i) == "far"
    assert not got.drawn(i)
    assert f"No quick draws of {bare.members[i].name}: its large shapes alone" in told(got)


def test_one_that_tips_leaves_the_odds_of_the_others() -> None:
    got = with_quick_draws(compare(THREE))
    assert set(got.quick) == {0, 2}
    assert sum(got.best_in(i) for i in (0, 2)) == DRAWS


def test_the_study_as_it_stands_is_told_near_to_what_lapping_gave(bare: Comparison) -> None:
    """Degree 4 against cells: the worst flatness at the end within a tenth, or 0.1 um."""
    for i in bare.ranked:
        found = quick_draws(bare.members[i].study, bare.nominal[i], Tolerance(), 2)
        for name in "AB":
            of = f"{name}.flatness"
            lapped, large = bare.nominal[i].track[of][-1], found[0].track[of][-1]
            assert large == pytest.approx(lapped, rel=0.1, abs=0.1 * UM)


def test_half_a_draw_more_is_no_surer() -> None:
    """29 of 40 or more, 11 or fewer (binomial, p = 1/2: 0.0032 to either side); 28.5 is not 29."""
    for wins, said in (
        (29.0, "better"),
        (28.5, "no_telling"),
        (11.5, "no_telling"),
        (11.0, "worse"),
    ):
        assert verdict(wins, 40) == said
    assert verdict(19.0, 19) == "few"


@pytest.mark.campaign
def test_what_python_takes() -> None:
    study = parse(THREE.replace("cells = 24", "cells = 16").replace("10 min", "2 min"))
    assert study.compare(samples=0).trials == 0
    got = study.compare()
    assert (got.trials, got.samples) == (DRAWS, 0)
    assert np.isfinite(got.wins(*got.ranked[:2])[0])


@pytest.mark.campaign
@pytest.mark.often("101")
@pytest.mark.parametrize("number", [101, 116])
def test_of_random_comparisons_quick_draws_agree_with_full_ones(number: int) -> None:
    """docs/design/odds.py does so for thirty and more, and writes the table of docs/compare.md."""
    found = beside(number, 2)
    assert found is not None
    assert found.full.samples == 2
    for quick_ones, full in found.pairs():
        assert quick_ones == pytest.approx(full, rel=0.12, abs=0.05 * UM)
        if abs(full[0] - full[1]) > 0.1 * max(full):
            assert (quick_ones[0] < quick_ones[1]) == (full[0] < full[1])
    for got in found.full.nominal:
        for ended in got.plates.values():
            for form, (low, high) in ended.by_layer.items():
                assert low <= ended.forms[form] <= high


def test_draws_nearer_than_the_programs_own_error_are_for_neither(
    odds: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    best, second = odds.ranked[:2]
    wins, of = odds.wins(best, second)
    assert wins > 0.5 * of
    monkeypatch.setattr(Criterion, "error", lambda *_: 1.0)  # a metre: nothing is further apart
    assert odds.wins(best, second) == (0.5 * of, of)
    assert verdict(0.5 * of, of) == "no_telling"
    assert "take them as alike" in headline(odds)
