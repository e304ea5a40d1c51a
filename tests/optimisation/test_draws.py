"""What is drawn at random: from the seed alone, the same for every member, within its bands."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from comparing import PAIR, RING

from lapwright.commands.gauge import write_start
from lapwright.limits import BAND, LAYER_BAND, SCATTER
from lapwright.metrology.contacts import Shaped
from lapwright.metrology.least_squares import estimate_as_they_lay
from lapwright.metrology.reading import Reading
from lapwright.optimisation.cases import Tolerance, cases_of, drawn, drawn_in_words
from lapwright.optimisation.design import DesignSpace
from lapwright.specification.plate import StartForm
from lapwright.study.model import Study
from lapwright.study.read import load, parse
from lapwright.study.source import document_of

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
    assert (
        drawn(study, 3) == drawn(parse(PAIR, "again"), 3)
        or drawn(study, 3).steps == drawn(study, 3).steps
    )
    assert drawn(study, 3).plates == drawn(study, 3).plates
    assert drawn(study, 3).plates != drawn(study, 4).plates
    assert drawn(study, 3).plates != drawn(replace(study, seed=1), 3).plates


def test_members_differ_by_what_was_changed_and_not_by_luck() -> None:
    one = parse(PAIR, "one")
    other = parse(
        PAIR.replace('load = "20 N"', 'load = "40 N"\nstroke = { travel = "1/2" }'), "other"
    )
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
    given = (
        np.array([drawn(study, k, Tolerance(0.0, 0.5e-6)).plates["B"].form.sphere for k in MANY])
        + 1e-6
    )
    assert 0.48e-6 < np.abs(given).max() <= 0.5e-6


def test_a_rail_speaks_of_bow_crown_and_wind() -> None:
    text = PAIR.replace('disc = "160 mm"', 'rectangle = ["300 mm", "50 mm"]').replace("dome", "bow")
    form = (
        drawn(parse(text.replace('dish = "1 um"', 'crown = "1 um"'), "rails"), 1).plates["A"].form
    )
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


# A spherometer, whose master's error (0.1 um) is in all its readings, and a twist gauge that is turned.
READ = (
    PAIR
    + """
[gauges.sph]
kind = "spherometer"
foot_circle = "80 mm"
zero_error = "0.1 um"
resolution = "0.05 um"
repeatability = "0.05 um"
soak = "4 h"

[gauges.four]
kind = "twist gauge"
foot_circle = "100 mm"
zero = "unknown"
resolution = "0.05 um"
repeatability = "0.05 um"
soak = "4 h"
"""
)
PLACES = [("sph", "A", 0.0), ("sph", "A", 0.0), ("sph", "B", 0.0), ("sph", "B", 0.0)]
PLACES += [("four", name, angle) for name in "AB" for angle in (0.0, math.pi / 2)]
TERMS = [(name, form) for name in "AB" for form in ("sphere", "twist")]
UM = 1e-6


def read_off(study, truth, rng):
    """What gauges show of true faces, height by height at their feet, with scatter as was said of them."""
    zero = {"sph": 0.1 * UM * rng.standard_normal(), "four": 3 * UM * rng.standard_normal()}
    out = []
    for gauge, name, angle in PLACES:
        place = Reading(gauge, name, angle=angle).place
        contacts = study.gauges[gauge].contacts(place, study.plates[name].outline)
        shown = contacts.of(Shaped(study.plates[name], truth[name]).at)
        shown += zero[gauge] + 0.05 * UM * rng.standard_normal()
        out.append(Reading(gauge, name, round(shown / (0.05 * UM)) * 0.05 * UM, angle))
    return tuple(out)


@pytest.mark.campaign
def test_draws_hold_the_truth_as_often_as_they_say() -> None:
    """Of 200 pairs of true faces, read with scatter as budgeted, 95 in 100 lie in the draws' 95 % intervals.

    So does the difference of the domes, in which the master's error falls out: drawn one by one it would be
    wider by half at least.
    """
    study = parse(READ, "read")
    held, apart, alone = [], [], []
    for case in range(200):
        rng = np.random.default_rng(case)
        truth = {
            name: StartForm(sphere=3 * UM * rng.standard_normal(), twist=UM * rng.standard_normal())
            for name in "AB"
        }
        found = estimate_as_they_lay(
            read_off(study, truth, rng), study.gauges, study.plates
        ).doubts()
        assert list(found.terms) == TERMS
        some = np.array([list(found.drawn(rng).values()) for _ in range(1000)])
        true = np.array([getattr(truth[name], form) for name, form in TERMS])
        low, high = np.quantile(some, (0.025, 0.975), axis=0)
        held += ((low <= true) & (true <= high)).tolist()
        low, high = np.quantile(some[:, 0] - some[:, 2], (0.025, 0.975))
        apart.append(low <= true[0] - true[2] <= high)
        wide = math.hypot(*(some[:, k].std() for k in (0, 2)))
        alone.append((high - low) / (2 * 1.96 * wide))
    assert 0.92 <= np.mean(held) <= 0.98
    assert 0.92 <= np.mean(apart) <= 0.98
    assert max(alone) < 0.7


@pytest.mark.campaign
def test_a_study_with_readings_draws_what_they_say_in_every_member() -> None:
    text = READ + '[[variants]]\nname = "long"\nset = { time = "20 min" }\n'
    text += """
[[readings]]
gauge = "sph"
plate = "A"
value = "0.5 um"

[[readings]]
gauge = "sph"
plate = "B"
value = "-0.25 um"
"""
    study = parse(text, "read")
    (member,) = cases_of(study, document_of(text))
    found = estimate_as_they_lay(study.readings, study.gauges, study.plates)
    faces = [drawn(study, k).plates for k in MANY]
    assert [drawn(member.study, k).plates for k in MANY[:40]] == faces[:40]
    some = [[plates[name].form.sphere for name in "AB"] for plates in faces]
    # 400 draws know a mean to a twentieth of its standard deviation, and that to a twenty-eighth: three each.
    for name, row in zip("AB", np.array(some).T, strict=True):
        said = found.form(name, "sphere")
        assert row.mean() == pytest.approx(said.value, abs=0.15 * said.uncertainty)
        assert row.std() == pytest.approx(said.uncertainty, rel=0.11)
    covariance = found.covariance()[np.ix_([0, 3], [0, 3])]
    assert np.corrcoef(np.array(some).T)[0, 1] == pytest.approx(
        covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]), abs=0.1
    )
    # What no gauge saw is as before, and whoever wants the faces exactly as typed gets them so.
    twist = np.array([plates["A"].form.twist for plates in faces])
    assert 0.09 * UM < np.abs(twist).max() <= 0.1 * UM
    assert drawn(study, 1, Tolerance(0.0, 0.0)).plates == study.plates
    words = " ".join(drawn_in_words((study,), Tolerance(), "0.10 um"))
    assert "Start forms that readings fix: about what they say" in words
    assert "Other start forms: within 10 %" in words


def test_what_tune_laps_is_drawn_as_read_too() -> None:
    text = READ + '[[readings]]\ngauge = "sph"\nplate = "A"\nvalue = "0.5 um"\n'
    text += '[goal]\ndome = "1 um"\n[tune.free]\n"steps.1.time" = ["5 min", "20 min"]\n'
    study = parse(text, "read")
    _, lapped = DesignSpace(study, document_of(text), Path()).parsed(
        {"steps.1.time": "9 min"}, (1,)
    )
    assert drawn(lapped, 3).plates == drawn(study, 3).plates


def test_doubts_that_are_typed_move_forms_together() -> None:
    text = PAIR + '[[doubts]]\nA = { dome = "0.3 um" }\nB = { dome = "-0.6 um" }\n'
    study = parse(text, "typed")
    some = np.array([[drawn(study, k).plates[name].form.sphere for name in "AB"] for k in MANY])
    python = Study(
        study.plates, study.steps, doubts=[{"A": {"dome": "0.3 um"}, "B": {"dome": "-0.6 um"}}]
    )
    assert python.doubts == study.doubts == Study.replace(python, seed=2).doubts
    off = some - [3 * UM, -UM]
    np.testing.assert_allclose(off[:, 1], -2.0 * off[:, 0], atol=1e-15)
    assert off[:, 0].std() == pytest.approx(0.3 * UM, rel=0.11)


def test_a_start_from_readings_keeps_what_they_leave_open(tmp_path: Path) -> None:
    """The file says the same covariance, and the same forms to a thousandth of their doubt."""
    study = parse(READ, "read")
    rng = np.random.default_rng(7)
    truth = {"A": StartForm(sphere=120 * UM, twist=UM), "B": StartForm(sphere=-2 * UM)}
    found = estimate_as_they_lay(read_off(study, truth, rng), study.gauges, study.plates)
    write_start(tmp_path / "start.toml", study, found)
    start = load(tmp_path / "start.toml")
    doubts = found.doubts()
    moves = np.array([[cause.get(term, 0.0) for cause in start.doubts] for term in doubts.terms])
    size = np.sqrt((doubts.moves**2).sum(axis=1))
    off = (moves @ moves.T - doubts.moves @ doubts.moves.T) / np.outer(size, size)
    assert np.abs(off).max() < 3e-3
    for (name, form), value, sure in zip(doubts.terms, doubts.value, size, strict=True):
        assert abs(getattr(start.plates[name].form, form) - value) <= 1e-3 * sure
