"""What is drawn at random: from the seed alone, the same for every member, within its bands."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from comparing import PAIR, RING

from lapwright.limits import BAND, SCATTER
from lapwright.planning.draws import LAYER_BAND, Tolerance, drawn, drawn_in_words
from lapwright.study.read import parse

MANY = range(1, 401)
KNOWN = (
    PAIR.replace('grit = "15 um"', 'grit = "mine"')
    + """
[grits.mine]
size = "15 um"
wear = { removed = "2 um", in = "10 min" }
layer = { depth = "1 um" }
"""
)


def test_draw_nought_is_the_study_as_it_stands() -> None:
    study = parse(PAIR, "pair")
    assert drawn(study, 0) is study


def test_a_draw_depends_on_seed_and_number_alone() -> None:
    study = parse(PAIR, "pair")
    assert drawn(study, 3) == drawn(parse(PAIR, "again"), 3) or drawn(study, 3).steps == drawn(study, 3).steps
    assert drawn(study, 3).plates == drawn(study, 3).plates
    assert drawn(study, 3).plates != drawn(study, 4).plates
    assert drawn(study, 3).plates != drawn(replace(study, seed=1), 3).plates


def test_members_differ_by_what_was_changed_and_not_by_luck() -> None:
    one = parse(PAIR, "one")
    other = parse(PAIR.replace('load = "20 N"', 'load = "40 N"\nstroke = { travel = "1/2" }'), "other")
    for k in (1, 2, 3):
        a, b = drawn(one, k), drawn(other, k)
        assert a.plates == b.plates
        assert a.seed == b.seed
        assert a.steps[0].grit == b.steps[0].grit
    assert b.steps[0].load.force == 40.0
    # Another grit moves with the same luck: the guess is one, whatever the size.
    fine = drawn(parse(PAIR.replace("15 um", "9 um"), "fine"), 1)
    coarse = drawn(one, 1)
    nine, fifteen = fine.steps[0].grit, coarse.steps[0].grit
    assert nine.wear.iron / fifteen.wear.iron == pytest.approx(9 / 15)
    assert nine.layer.depth / fifteen.layer.depth == pytest.approx(9 / 15)


def test_guesses_fill_their_bands_evenly_in_proportion() -> None:
    study = parse(PAIR, "pair")
    usual = study.steps[0].grit
    some = [drawn(study, k).steps[0].grit for k in MANY]
    wear = np.log([g.wear.iron / usual.wear.iron for g in some]) / math.log(BAND)
    assert np.abs(wear).max() <= 1.0
    # An even spread over -1..1 has a standard deviation of 1/sqrt(3); 400 draws know it to 3 %.
    assert wear.std() == pytest.approx(1 / math.sqrt(3), rel=0.1)
    assert abs(wear.mean()) < 0.1
    depth = np.array([g.layer.depth / usual.layer.depth for g in some])
    assert LAYER_BAND[0] <= depth.min() < 0.45
    assert 2.7 < depth.max() <= LAYER_BAND[1]
    assert abs(np.corrcoef(wear, np.log(depth))[0, 1]) < 0.15


def test_what_was_weighed_scatters_little_and_what_was_given_stays() -> None:
    study = parse(KNOWN, "known")
    seen = np.array([drawn(study, k).steps[0].grit.wear.observed.removed for k in MANY]) / 2e-6
    assert 1 / SCATTER <= seen.min() < 0.7
    assert 1.43 < seen.max() <= SCATTER
    assert {drawn(study, k).steps[0].grit.layer.depth for k in (1, 2, 3)} == {1e-6}


def test_all_ways_of_saying_wear_have_the_same_luck() -> None:
    """Given, weighed or seen to go: in one draw each is more, or less, in the same proportion."""
    given = "2.4e-12 1/Pa"
    ways = {
        f'"{given}"': lambda wear: wear.iron / 2.4e-12,
        f'{{ A = "{given}", B = "4e-12 1/Pa" }}': lambda wear: wear.plates["B"] / 4e-12,
        '{ removed = "2 um", in = "10 min" }': lambda wear: wear.observed.removed / 2e-6,
        '{ lost = "0.3 g", in = "10 min", plate = "A" }': lambda wear: wear.observed.lost / 0.3e-3,
    }
    for k in (1, 2, 3):
        factors = []
        for said, factor in ways.items():
            study = parse(KNOWN.replace('{ removed = "2 um", in = "10 min" }', said), "known")
            factors.append(factor(drawn(study, k).steps[0].grit.wear))
        assert factors == pytest.approx([factors[0]] * 4, rel=1e-12)
        assert factors[0] != pytest.approx(1.0, abs=1e-3)


def test_each_draw_has_a_hand_of_its_own() -> None:
    study = parse(PAIR, "pair")
    assert len({drawn(study, k).seed for k in range(20)}) == 20


def test_start_forms_stay_within_their_tolerance() -> None:
    study = parse(PAIR, "pair")
    some = [drawn(study, k) for k in MANY]
    dome = np.array([s.plates["A"].form.sphere for s in some]) - 3e-6
    twist = np.array([s.plates["A"].form.twist for s in some])
    assert 0.28e-6 < dome.max() <= 0.3e-6  # 10 %
    assert -0.3e-6 <= dome.min() < -0.28e-6
    assert 0.09e-6 < np.abs(twist).max() <= 0.1e-6  # the floor
    assert abs(np.corrcoef(dome, twist)[0, 1]) < 0.15
    exact = drawn(study, 1, Tolerance(0.0, 0.0))
    assert exact.plates == study.plates
    given = np.array([drawn(study, k, Tolerance(0.0, 0.5e-6)).plates["B"].form.sphere for k in MANY]) + 1e-6
    assert 0.48e-6 < np.abs(given).max() <= 0.5e-6


def test_a_rail_speaks_of_bow_crown_and_wind() -> None:
    text = PAIR.replace('disc = "160 mm"', 'rectangle = ["300 mm", "50 mm"]').replace("dome", "bow")
    form = drawn(parse(text.replace('dish = "1 um"', 'crown = "1 um"'), "rails"), 1).plates["A"].form
    assert form.sphere == form.saddle == form.twist == 0.0
    assert form.bow != 3e-6
    assert form.wind != 0.0


def test_no_hand_is_steady_unless_the_study_says_so() -> None:
    assert drawn(parse(PAIR, "pair"), 1).steps[0].hand.amplitude == 0.10
    steady = parse(PAIR + 'hand = "steady"\n', "machine")
    assert drawn(steady, 1).steps[0].hand.steady
    rough = parse(PAIR + 'hand = "rough"\n', "rough")
    assert drawn(rough, 1).steps[0].hand == rough.steps[0].hand


def test_the_words_say_what_was_drawn() -> None:
    guess = " ".join(drawn_in_words((parse(PAIR, "pair"),), Tolerance(), "0.10 um"))
    assert "band of ten" in guess
    assert "no hand is steady" in guess
    assert "within 10 %" in guess
    known = " ".join(drawn_in_words((parse(KNOWN, "known"),), Tolerance(0.0, 0.0), "nothing"))
    assert "weighed" in known
    assert "band of ten" not in known
    assert "exactly as typed" in known


def test_ring_and_plate_keep_their_ratio_of_wear() -> None:
    study = parse(RING, "ring")
    some = drawn(study, 5)
    assert some.plates["ring"].material == study.plates["ring"].material
    assert some.plates["ring"].form.sphere != study.plates["ring"].form.sphere
