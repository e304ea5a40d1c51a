"""Words, JSON and page of a search for a schedule: true of its numbers, and in a real browser."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pages import CHROMIUM, tried, walked
from tuning_scene import BANDS, REFUSED, SWAPS, UM, course, made, slipped, way

from lapwright.optimisation.track import Constraint, Cost, Lost, Tuning
from lapwright.presentation.pictures.analysis import Mark, Slip, Way, slips, trade_off, ways
from lapwright.presentation.tuning import (
    _best,
    as_json,
    criterion,
    headline,
    in_words,
    marked,
    table,
    tuning_page,
)
from lapwright.presentation.tuning import ways as told_ways
from lapwright.presentation.tuning_notes import (
    asked_for,
    notes,
    place,
    settings,
    sloppy,
    study_text,
)
from lapwright.specification.step import Swap
from lapwright.study.read import parse
from lapwright.units import METRIC, Units

PLACE = Path("swaps-tune/swaps-tuned.toml")


def spoken(got: Tuning) -> str:
    return " ".join(" ".join(in_words(got)).split())


# --- sentences -----------------------------------------------------------------------------------


def test_found_leads_with_metal_and_gives_minutes_their_band() -> None:
    told = headline(made())
    assert told.startswith(
        "Found: A and B flat within 0.30 um. It takes 3.9 um of metal off, about 55 min (17 to 170"
    )
    held = replace(made().goal, hold=10800.0)
    assert "and so to the end of 3 h" in headline(replace(made(), goal=held))
    assert "with 12 turns." in headline(replace(made(), least="turns"))


def test_near_says_how_far_off_and_refused_why() -> None:
    told = headline(made("near"))
    assert told.startswith(
        "Nothing that was tried reaches it. The nearest leaves flatness of A 0.41 um, 1.4 times"
    )
    got = made("refused", refused=(REFUSED,))
    assert headline(got).startswith("That cannot be reached with what may move.")
    assert "No form below 0.12 um can be reached with this grit layer" in spoken(got)


def test_what_is_missed_by_little_is_seen_to_be_missed() -> None:
    """0.3004 um against 0.30 um: in the headline, in the table, of other ways and of a sloppy hand."""
    got = made("near")
    missed = course("simulation", 0.3004, None)
    got = replace(got, candidates=tuple(replace(one, simulated=missed) for one in got.candidates))
    assert re.search(r"leaves flatness of A 0.3004 um, 1.001 times what is asked", headline(got))
    assert next(row for row in table(got) if row[0] == "flatness of A")[-1].startswith("0.3004 um")
    assert all("0.3004 um" in one.lapped for one in told_ways(got))
    slip = slipped("steps.1.time", "49 min", -0.1, 0.3002)
    slip = replace(slip, change={"A.flatness": -0.0002 * UM, "B.flatness": 0.0})
    assert re.search(r"0.3002 um.*, not reached", sloppy(replace(got, sensitivity=(slip,)))[0])


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (
            [Constraint("twist", "A", 0.2 * UM), Constraint("twist", "B", 0.2 * UM)],
            "no twist above 0.20 um on A and B",
        ),
        ([Constraint("dome", "B", 0.1 * UM, kept=True)], "B keeps its dome or dish to within 0.10 um"),
        ([Constraint("difference", None, 0.1 * UM)], "domes that differ by 0.10 um at most"),
        ([Constraint("mating", None, 0.1 * UM)], "a misfit of 0.10 um at most"),
        (
            [Constraint("flatness", "A", 0.1 * UM), Constraint("wind", "A", 1 * UM)],
            "A flat within 0.10 um; no wind above 1.0 um on A",
        ),
    ],
)  # fmt: skip
def test_goals_in_words(asked: list[Constraint], told: str) -> None:
    assert asked_for(asked, METRIC) == told


def test_settings_say_what_was_and_the_order() -> None:
    got = made()
    first, second = settings(got, got.candidates[0])
    assert (first.name, first.now, first.was) == ("step 1, A on top for", "52 min", "15 min")
    assert (second.name, second.now, second.was) == ("step 1, time", "54 min", "1 h")
    turned = replace(got.candidates[0], order=(2, 1))
    assert settings(got, turned)[-1].now == "2 and 1"


@pytest.mark.parametrize(
    ("key", "told"),
    [
        ("steps.1.swap_every", "swap every"),
        ("steps.2.stroke.centre.x", "off the middle, towards 3"),
        ("steps.1.stroke.overhang", "overhang"),
        ("steps.1.fresh_grit_every", "fresh grit every"),
        ("steps.1.load", "load"),
    ],
)
def test_free_keys_have_names(key: str, told: str) -> None:
    assert place(parse(SWAPS, "swaps"), key) == (f"step {key[6]}", told)


def test_both_numbers_stand_beside_what_was_asked_and_typed() -> None:
    head, first, second, when, off, whole, removed = table(made())
    assert head == ("", "at most", "as typed", "forecast", "lapped in full")
    assert first[:3] == ("flatness of A", "0.30 um", "0.78 um")
    # 4 um grit leaves a face bright: a flat tells 0.15 um on it, so none of these is marked.
    assert first[3:] == ("0.24 um", "0.26 um")
    assert second[4] == "0.17 um"
    assert when[2:] == (
        "never",
        "about 52 min, 16 to 160",
        "about 55 min, 17 to 170",
    )
    assert (off[2], off[4]) == ("", "3.9 um")
    # As typed it is never reached: what all of it takes stands below.
    assert (whole[2], removed[2]) == ("about 90 min, 28 to 280", "6.3 um")
    assert not marked(made())
    assert [one.lifts for one in told_ways(made())] == ["yes", "no"]


def test_reached_after_is_when_it_is_there_and_the_whole_stands_beside_it() -> None:
    got = made()
    best = got.candidates[0]
    early = Cost(2400.0, 2.8 * UM, 9.0, 2.0, 2700.0)
    longer = replace(best.simulated, reached_at=2400.0, then=early)
    got = replace(got, candidates=(replace(best, simulated=longer),), least="turns")
    told = {row[0]: row[4] for row in table(got)}
    assert told["reached after"] == "about 40 min, 13 to 130"
    assert (told["metal off by then"], told["metal off in all"]) == ("2.8 um", "3.9 um")
    assert told["whole schedule"] == "about 55 min, 17 to 170"
    assert told_ways(got)[0].reached == "about 40 min, 13 to 130"
    assert "with 12 turns, and is there after 2.8 um, about 40 min, 13 to 130." in headline(got)
    assert as_json(got, PLACE)["candidates"][0]["simulated"]["removed_by_then"] == 2.8 * UM
    unturned = replace(longer, cost=replace(longer.cost, turns=0.0))
    got = replace(got, candidates=(replace(best, simulated=unturned),))
    assert "with no turns" in headline(got)


def test_what_is_refused_offers_nothing() -> None:
    got = made("refused", refused=(REFUSED,))
    assert got.new is None
    said = spoken(got)
    assert "Set in the study" not in said
    assert "Other ways" not in said
    assert "the nearest, in full" in said


def test_the_study_as_typed_is_said_to_be_the_nearest() -> None:
    got = made("near")
    got = replace(got, candidates=(got.begun, *got.candidates))
    assert got.new is None
    assert "The study as it is typed is the nearest; it leaves flatness of A 0.78 um" in headline(
        got
    )
    assert "Set in the study" not in spoken(got)


def test_nothing_to_lap_is_said_and_shown_as_the_faces_come() -> None:
    got = made()
    none = replace(course("simulation", 0.1, 0.0), reached_at=0.0)
    idle = replace(got.begun, simulated=none, operator=none)
    got = replace(got, candidates=(idle,), sensitivity=(), trade_off=())
    assert (
        headline(got)
        == "Found: A and B flat within 0.30 um: the faces are so as they come. Lap nothing."
    )
    assert table(got)[0] == ("", "at most", "as typed", "as they come")
    assert [row[0] for row in table(got)[1:]] == ["flatness of A", "flatness of B"]
    assert not notes(got)
    page = tuning_page(got, PLACE)
    assert not re.search(r'id="(new|notes|trade)"', page)
    assert "Minutes with their band" not in page


def test_what_is_lost_again_is_said_with_metal_first() -> None:
    got = made(lost=Lost("B.flatness", 1920.0, 1.4 * UM))
    (told,) = [one for one in notes(got) if "passes through" in one]
    assert told.startswith(
        "The flatness of B only passes through what is asked: go on, and after 1.4 um more"
    )
    assert "(about 32 min, 10 to 100)" in told
    assert as_json(got, PLACE)["lost"] == {
        "asked": "B.flatness",
        "time": 1920.0,
        "removed": 1.4 * UM,
    }
    assert not [one for one in notes(made()) if "passes through" in one]


def test_keys_without_effect_are_said_not_to_matter() -> None:
    got = made()
    still = tuple(
        replace(one, change={"A.flatness": 0.0, "B.flatness": 0.0})
        if one.key.endswith("A")
        else one
        for one in got.sensitivity
    )
    got = replace(got, sensitivity=still)
    assert "step 1, A on top for: a tenth less or more changes nothing." in sloppy(got)
    assert [one.remark for one in settings(got, got.candidates[0])] == ["changes nothing here", ""]
    assert 'A on top for  "52 min"  was "15 min"  changes nothing here' in "\n".join(in_words(got))
    # Longer on top than the step of 54 min lasts: why, whether or not it was tried.
    above = {"steps.1.swap_every.A": "58 min", "steps.1.time": "54 min"}
    best = way("above", above, got.candidates[0].operator, got.candidates[0].simulated)
    told = [one.remark for one in settings(replace(got, sensitivity=()), best)]
    assert told == ["longer than the step: A stays on top", ""]
    # In metal it is by how much the step takes off: about 1 um in 54 min of this grit (of a band of ten).
    for off, remark in (("30 um", "more than the step: A stays on top"), ("0.01 um", "")):
        deep = way("deep", above, got.candidates[0].operator, got.candidates[0].simulated)
        step = replace(deep.study.steps[0], swap=Swap(removed={"A": float(off[:-3]) * UM, "B": UM}))
        deep = replace(deep, study=replace(deep.study, steps=(step, *deep.study.steps[1:])))
        assert settings(got, deep)[0].remark == remark


def test_steps_are_counted_in_the_new_order() -> None:
    got = made()
    turned = replace(got.candidates[0], order=(2, 1))
    assert settings(got, turned)[0].name == "step 2 (was step 1), A on top for"


def test_lifting_is_said_with_its_share() -> None:
    assert any("Something lifts in 47 % of the time" in told for told in notes(made()))
    calm = made()
    always = replace(calm.candidates[0].simulated, lift_share=0.998)
    best = replace(calm.candidates[0], simulated=always)
    assert any(
        "Something lifts all the time" in told for told in notes(replace(calm, candidates=(best,)))
    )
    best = replace(calm.candidates[0], lifts=False, simulated=course("simulation", 0.26, 55.0))
    assert not any("lifts" in told for told in notes(replace(calm, candidates=(best,))))


@pytest.mark.campaign
def test_a_sloppy_hand_names_what_matters_most_first() -> None:
    told = sloppy(made())
    assert told[0].startswith(
        'step 1, A on top for: a tenth less ("47 min"): flatness of A 0.39 um, not reached;'
    )
    assert 'a tenth more ("57 min"): flatness of A 0.27 um, reached' in told[0]
    assert told[1].startswith("step 1, time:")
    assert told[-1].startswith("The goal is lost in 1 of these 4")
    kept = made(sensitivity=made().sensitivity[1:])
    assert sloppy(kept)[-1] == "None of these 3 loses the goal."
    other = replace(made().sensitivity[0], off=None, trouble="the top tips")
    assert "does not come to its end" in sloppy(made(sensitivity=(other,)))[0]


def ring(saddle: float) -> Tuning:
    """A search in which A was asked for its dome alone, and is 0.5 um from high to low."""
    got = made()
    end = course("simulation", 0.05, 55.0)
    forms = {"A": {**end.forms["A"], "sphere": 0.02 * UM, "saddle": saddle, "flatness": 0.5 * UM}}
    end = replace(end, worst={"A.dome": 0.02 * UM}, forms=forms)
    best = replace(got.candidates[0], simulated=end)
    return replace(
        got, asked=(Constraint("dome", "A", 0.1 * UM),), candidates=(best,), sensitivity=()
    )


def test_a_plate_that_keeps_its_dome_is_told_not_to_be_flat() -> None:
    said = [told for told in notes(ring(0.002 * UM)) if "not flat" in told]
    assert said == [
        "A is not flat for all that: 0.50 um from high to low. It has hardly any saddle or twist "
        "(0.0020 um at most): left are finer waves."
    ]
    uneven = [told for told in notes(ring(0.2 * UM)) if "not flat" in told]
    assert "dome, saddle and twist together do not tell" in uneven[0]
    assert not [told for told in notes(made()) if "not flat" in told]


def test_draws_are_told_with_their_bands_and_those_that_fail() -> None:
    got = made(
        samples=100,
        reached_in=63,
        bands=BANDS,
        failed=4,
        failed_why="the top tips off B at 3 degrees",
    )
    told = " ".join(notes(got))
    assert "Of 100 draws of what is not known (seed 0), the answer reaches the goal in 63." in told
    assert (
        "In 4 of them it does not come to its end (the top tips off B): leave the hand more room."
        in told
    )
    assert "In nine of ten draws the flatness of A is 0.20 um to 1.4 um." in told
    assert "nine in ten draws take about 40 min to 80 min of rubbing" in told
    answer = as_json(got, PLACE)
    assert (answer["samples"], answer["reached_in"], answer["did_not_end"]) == (100, 63, 4)
    assert answer["bands"]["time"] == [2400.0, 4800.0]


def test_json_is_whole_for_scripts() -> None:
    answer = as_json(made("refused", refused=(REFUSED,)), PLACE)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert answer["study"] == str(PLACE)
    assert answer["candidates"][0]["operator"]["reached_at"] == 3120.0
    assert answer["refused"][0]["reachable"] == pytest.approx(0.12 * UM)
    assert answer["as_typed"]["reached_at"] is None
    assert as_json(made(candidates=(), begun=None), None)["study"] is None


def test_the_new_study_has_a_head_and_reads() -> None:
    got = made()
    text = study_text(got, got.candidates[0], PLACE)
    assert '# Set: step 1, A on top for "52 min" (was "15 min").' in text
    assert "# Lap it: lapwright run swaps-tuned.toml" in text
    assert max(len(line) for line in text.splitlines() if line.startswith("#")) <= 110
    assert parse(text, "swaps-tuned").steps[0].time == 3240.0
    near = made("near")
    assert "the goal is not reached" in study_text(near, near.candidates[0], PLACE)


def test_who_asks_in_inches_is_answered_in_them() -> None:
    got = made()
    inch = replace(got, study=replace(got.study, units=Units.INCH))
    assert "A and B flat within 11.811 uin" in headline(inch)
    assert "0.26 um" not in spoken(inch)
    assert "µin" in tuning_page(inch, PLACE)


def test_what_was_asked_and_how_much_was_tried_is_said() -> None:
    told = criterion(made(goal=replace(made().goal, hold=10800.0), least="removed"))
    assert told.startswith(
        "Asked: A and B flat within 0.30 um, held to 3 h; of what reaches it, the least metal."
    )
    assert "4200 schedules were worked out by forecast, 23 lapped in full" in told


# --- pictures and page ---------------------------------------------------------------------------


def test_the_line_of_the_trade_off_is_the_best_for_its_cost() -> None:
    assert _best([(3.0, 2.0), (1.0, 5.0), (2.0, 6.0), (4.0, 2.5)]) == [(1.0, 5.0), (3.0, 2.0)]


def test_pictures_show_goal_answer_and_slips() -> None:
    axes = trade_off(
        [(1.0, 4.0), (2.0, 0.2)], [Mark(2.0, 0.25, "1", True)], 0.3, ("rubbing, min", "flatness")
    ).axes[0]
    assert axes.get_yscale() == "log"
    assert any(np.allclose(line.get_ydata(), 0.3) for line in axes.get_lines())
    assert {text.get_text() for text in axes.texts} >= {"1", "what is asked", "forecast"}
    close = trade_off(
        [(1.0, 0.4)], [Mark(2.0, 0.25, "1", True)], 0.3, ("rubbing, min", "flatness")
    ).axes[0]
    assert close.get_ylim()[0] == 0.0
    along = ways([Way("answer", [(0.0, 5.0), (9.0, 0.0)], 0)]).axes[0]
    assert along.get_ylim()[0] > 0.0
    bars = slips(
        0.8,
        [
            Slip("time", [(-0.1, 0.7, "a"), (0.1, 1.4, "b")]),
            Slip("turn", [(0.0, float("nan"), "c")]),
        ],
    ).axes[0]
    assert bars.get_xlim()[1] > 1.4
    assert {text.get_text() for text in bars.texts} >= {
        "time",
        "turn",
        "the answer",
        "what is asked",
    }


TIPPED = way(
    "far",
    {"steps.1.time": "54 min"},
    course("operator", 0.2, 52.0),
    replace(course("simulation", 9.0, None), trouble="the top tips off", trail=()),
)
CASES = {
    "found": lambda: made(),
    "drawn": lambda: made(samples=100, reached_in=63, bands=BANDS),
    "near": lambda: made("near"),
    "refused": lambda: made("refused", refused=(REFUSED,), sensitivity=(), trade_off=()),
    "alone": lambda: made(candidates=made().candidates[:1], sensitivity=(), begun=None),
    "tipped": lambda: made("near", candidates=(TIPPED,), sensitivity=()),
}


@pytest.mark.always(0, 3)
@pytest.mark.parametrize("case", CASES)
def test_every_case_has_a_page_that_stands_by_itself(case: str) -> None:
    got = CASES[case]()
    page = tuning_page(got, PLACE)
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", page)
    assert "http" not in re.sub(r"http://www\.w3\.org/\S+", "", page)
    sheet = walked(page)
    assert not sheet.faults
    assert not sheet.open
    assert len(sheet.ids) == len(set(sheet.ids))
    assert set(sheet.references) <= set(sheet.ids)
    assert ('id="refused"' in page) == bool(got.refused)
    assert ('id="sloppy"' in page) == bool(got.sensitivity)
    offered = got.outcome != "refused"
    assert ('id="others"' in page) == (offered and len(got.candidates) > 1)
    assert ('id="new"' in page) == offered
    assert "nan" not in re.sub(r"<[^>]*>", " ", page).lower().split()
    assert not re.search(
        r"eigen|survivor|residue|operator|Monte|kappa",
        re.sub(r"<pre>.*?</pre>", "", page, flags=re.S),
    )


@pytest.mark.campaign
@pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)
@pytest.mark.parametrize("more", [{}, {"refused": (REFUSED,), "sensitivity": (), "trade_off": ()}])
def test_the_page_in_a_browser(more: dict, tmp_path: Path) -> None:
    page = tuning_page(made("refused" if more else "found", **more), PLACE)
    seen = tried(page, tmp_path)
    assert seen["faults"] == []
    assert seen["requests"] == []
    assert seen["first"] <= 768, (
        "what to set and both numbers must show without scrolling at 1366 x 768"
    )
    assert seen["over"] <= 0
    # A window of 900: pictures of many need 760, which the column beside their heads does not have.
    beside = tried(page, tmp_path, "--window-size=900,900")
    assert beside["cut"] == [], "no picture may be cut off at a window of 900"
    squeezed = "<style>html { width: 360px; overflow-x: auto; }</style></head>"
    narrow = tried(
        page.replace("</head>", squeezed, 1), tmp_path, "--window-size=500,900", "--force-dark-mode"
    )
    assert narrow["held"] <= 360, (
        "nothing may stick out of a page 360 wide, but inside what scrolls by itself"
    )
