"""What is noticed is said alike on screen, page, card and to scripts; and what a run alone can show."""

from __future__ import annotations

import html
import json
import re

import numpy as np
import pytest
from findings_studies import study_text

from lapwright.errors import LapwrightError
from lapwright.presentation.account import asides, in_words
from lapwright.presentation.card import card_html
from lapwright.presentation.filling import filled
from lapwright.presentation.finding_words import RECKONED
from lapwright.presentation.gauge_text import RECKONED as OF_READINGS
from lapwright.presentation.run_view import run_view
from lapwright.results.answer import Preview
from lapwright.results.findings import KINDS, noticed
from lapwright.results.record import best
from lapwright.study.read import parse

# By what a reader knows each sentence again; written here a second time, so that one that is lost is missed.
PHRASES = {
    "tips": "tips off",
    "seesaws": "tips on its feet",
    "overhang": "it can rock, tip and pinch",
    "too_heavy": "one person should lift at best (NIOSH)",
    "carbide": "cobalt-bonded carbide",
    "lead": "contain lead, which is poisonous",
    "silica": "granite dust contains quartz",
    "graphite": "carbon and graphite dust",
    "heavy": "lift close to the body",
    "kerosene": "kerosene and its vapour burn",
    "nothing_rubs": "so nothing is lapped",
    "pits_left": "they are still there",
    "high_pressure": "may be squeezed out",
    "low_pressure": "may float on the grit",
    "cuts_not": "next to nothing, and how much is a guess",
    "which_abrasive": "not every grit cuts",
    "takes_up": "brush and wash it before every finer grit",
    "not_held": "is too hard to hold grit",
    "liquid": "cannot rock freely",
    "no_turn": "the top is never turned",
    "crossed": "both come out hollow lengthwise",
    "one_side": "stays on one side of",
    "finer": "times finer than",
    "best_passed": "was at its best with",
    "one_dab": "one dab of grit does not last longer than",
    "long_stroke": "in which a misfit dies",
    "bending": "still treats them as rigid",
    "bends": "the run laps them bent",
    "heat": "domes while you lap",
    "wait": "warmer than the room at the end",
}
# The metal that went tells of pits; that a constant is not known is no news after a run.
BEFORE_ALONE = {"pits", "no_fade"}
OF_GAUGES = {
    *("odd_reading", "in_groove", "no_side", "sum_only"),
    *("one_step", "not_at_room", "apart", "one_place"),
}


def test_every_kind_has_a_place() -> None:
    assert set(RECKONED) < set(KINDS) - OF_GAUGES
    assert set(OF_READINGS) < OF_GAUGES
    assert {code for code, kind in KINDS.items() if kind.told == "readings"} == OF_GAUGES
    assert {code for code, kind in KINDS.items() if kind.told == "before"} == BEFORE_ALONE
    assert set(PHRASES) | BEFORE_ALONE | OF_GAUGES == set(KINDS)


def read(page: str) -> str:
    """What a person reads, whatever the type is set like."""
    bare = html.unescape(
        re.sub(r"<[^>]*>", " ", re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL))
    )
    return re.sub(r"\s+", " ", bare).lower()


def lapped(text: str):
    study = parse(text, "study")
    return study, study.run()


# Short ones with every kind that is found in any, and one in which nothing is; the rest by hand.
TELLING = (1, 4, 6, 7, 8, 9, 11, 12, 14, 15, 23, 24, 26, 27, 31, 33, 36, 43, 54, 55)
SIXTY = [pytest.param(k, marks=[] if k in TELLING else pytest.mark.long) for k in range(60)]


@pytest.mark.often("4", "7", "9", "12", "15", "26", "31", "36", "54")
@pytest.mark.always("24")
@pytest.mark.parametrize("index", SIXTY)
def test_what_preview_notices_is_on_page_and_card(index: int) -> None:
    try:
        study, run = lapped(study_text(index))
    except LapwrightError:
        pytest.skip("it tips at its first stroke")
    before = {(f.code, f.step, f.plate) for f in Preview(study).findings}
    told = json.loads(json.dumps(run.to_dict()["findings"], allow_nan=False))
    after = {(f["code"], f["step"], f["plate"]) for f in told}
    assert {one for one in before if one[0] not in BEFORE_ALONE} <= after
    assert not BEFORE_ALONE & {code for code, *_ in after}
    places = {
        "screen": read(" ".join(in_words(run))),
        "page": read(filled("asides.html", **asides(run_view(run)))),
    }
    codes = {code for code, *_ in after}
    for where, words in places.items():
        for code, phrase in PHRASES.items():
            assert (phrase.lower() in words) == (code in codes), (where, code)
    # On paper there is room for three at most, the gravest; the rest is counted, and fewer than three stand
    # there only where a third would have asked for a second sheet.
    card = card_html(run)
    ranked = [code for code in KINDS if code in PHRASES]
    on_card = [code for code in ranked if PHRASES[code].lower() in read(card)]
    assert on_card == [code for code in ranked if code in codes][: len(on_card)]
    lines = sum(line.startswith("Take care") for line in in_words(run))
    more = re.search(r"(\d+) more to take care of", read(card))
    shown = lines - (int(more[1]) if more else 0)
    assert shown == min(lines, 3) or (shown < 3 and card.count('<div class="wc-sheet"') == 1)
    assert shown >= any(KINDS[code].harm == "person" for code in codes)
    assert len(on_card) == len(codes) or shown < lines


@pytest.mark.parametrize(
    ("flatness", "finish", "at"),
    [
        ((3.0, 1.0, 0.5, 0.9), 0.0, 2),
        ((3.0, 0.5, 0.6, 0.66), 0.0, 1),  # a third worse than it was
        ((3.0, 0.5, 0.6, 0.64), 0.0, None),  # less than a third: not clearly
        ((3.0, 1.0, 0.7, 0.5), 0.0, None),  # best at the end
        ((0.5, 1.0, 2.0, 3.0), 0.0, None),  # best as it came: nothing was passed on the way
        ((3.0, 0.5, 0.6, 0.7), 0.6, None),  # half the finish is not told apart
        ((3.0, 0.5, 0.6, 0.9), 0.6, 1),
        ((3.0, 0.5, np.nan, 0.9), 0.0, None),
        ((3.0, 0.5), 0.0, None),
    ],
)
def test_a_face_past_its_best(flatness: tuple[float, ...], finish: float, at: int | None) -> None:
    assert best(np.array(flatness), finish) == at


PAIR = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" }, cells = 16 }
plates.B = { like = "A" }
"""
STEP = '[[steps]]\ntop = "A"\nbottom = "B"\nturn = "8 deg per stroke"\ngrit = "%s"\ntime = "%s"\n'


def test_the_best_point_passed_is_a_finding_with_its_place_in_the_history() -> None:
    """The dome on top wears to a dish (moment law): on the way it was flat."""
    study, run = lapped(PAIR + STEP % ("15 um", "4 h"))
    (one,) = [f for f in noticed(run, study) if f.code == "best_passed" and f.plate == "A"]
    flatness = run.history["A.flatness"]
    k = int(np.argmin(flatness))
    assert one.numbers["flatness"] == flatness[k] < flatness[-1] == one.numbers["at_the_end"]
    assert one.numbers["time"] == run.history["time"][k]
    assert one.step == 1


@pytest.mark.campaign
def test_pits_that_are_left_are_told_by_the_metal_that_went() -> None:
    """Half the grain (common practice) less what the finer step took off, by the run's own history."""
    study, run = lapped(PAIR + STEP % ("15 um", "2 min") + STEP % ("9 um", "2 min"))
    found = {f.plate: f for f in noticed(run, study) if f.code == "pits_left"}
    since = {name: run.history[f"{name}.removed"] for name in "AB"}
    first = max(k for k in range(len(run.step)) if run.step[k] == 1)
    for name in "AB":
        assert found[name].numbers["depth"] == pytest.approx(7.5e-6)
        assert found[name].numbers["removed"] == pytest.approx(since[name][-1] - since[name][first])
    # The same grit to the end, and no pits are deeper than its own.
    study, run = lapped(PAIR + STEP % ("15 um", "2 min"))
    assert not [f for f in noticed(run, study) if f.code == "pits_left"]
