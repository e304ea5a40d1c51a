"""Spells in which plates change places, the rule that goes on from there, and the luck of a hand."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.reading import Reading
from lapwright.optimisation import advise as choice
from lapwright.optimisation import spell as lapped
from lapwright.optimisation import tried
from lapwright.optimisation.bench import bench_of, target_of
from lapwright.optimisation.book import PracticeShop
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.rollout import Played, Rollout, as_likely, by_turns, moves_of
from lapwright.optimisation.shop import DAY, one_normal
from lapwright.optimisation.spell import HANDS, OF_A_KIND, lap_shops
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc
from lapwright.specification.step import Swap
from lapwright.study.read import parse

UM = 1e-6
STUDY = """
edge_margin = "0 %"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24, form = { dome = "0.2 um" } }
plates.B = { disc = "160 mm", thickness = "45 mm", cells = 24, form = { dish = "0.2 um" } }
gauges.sph = { kind = "spherometer", foot_circle = "80 mm", resolution = "0.1 um" }
[[steps]]
top = "B"
bottom = "A"
grit = "15 um"
time = "30 min"
turn = "8 deg per stroke"
"""
HAND = np.zeros(1, dtype=np.intp)


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(STUDY))


def plain(bench):
    """One shop that is as typed, and nothing of it in doubt."""
    shop = bench.prior.centre
    shop[bench.layout.day] = 0.0
    return shop


def apart(bench, shops):
    """Half the difference of the two domes [m]."""
    one, other = (bench.layout.form_rows(name)[0] for name in "AB")
    return 0.5 * (shops @ (one - other))


def test_a_stroke_moves_dome_against_dish_as_two_solutions_of_the_model_had_it():
    """Flat discs, R 80 mm, a circle of 0.33 R: +387 and -1952 nm at 1791.5 nm off each (our model's page)."""
    moves = moves_of(Circle(0.33 * 0.08), Disc(0.16))
    assert moves == pytest.approx(0.5 * (387.0 + 1952.0) / 1791.5, rel=0.01)


def test_each_lies_on_top_for_so_long_that_a_dome_and_its_dish_meet(bench):
    """By the moment law, for any layer: the domes of A and of B come together, and longer the more domed."""
    goal, shops = target_of(bench), np.repeat(plain(bench)[None], 2, axis=0)
    rule = Rollout(bench, goal, bench.study.steps)
    whole = replace(bench.study.steps[0], time=1800.0)
    pair = {frozenset("AB"): rule}
    found = list(by_turns(bench, pair, [whole], shops, None))
    assert found
    assert apart(bench, shops)[0] == pytest.approx(0.2 * UM, rel=0.02)
    for step in found:
        assert step.swap.on_top["A"] > step.swap.on_top["B"]
        assert step.time == pytest.approx(sum(step.swap.on_top.values()))
        ended = lap_shops(bench.spell(step, (1,)), shops, np.zeros(2, dtype=np.intp))
        assert abs(apart(bench, ended)[0]) < 0.05 * UM
    # Lapped as typed, the dish on top all the time, they end further from each other.
    worse = lap_shops(bench.spell(whole, (1,)), shops, np.zeros(2, dtype=np.intp))
    assert apart(bench, worse)[0] > 0.3 * UM


BY_TURNS = {
    "once": ({"A": 600.0, "B": 1200.0}, "B"),
    "there and back": ({"A": 600.0, "B": 600.0}, "A"),
    "cut short": ({"A": 2400.0, "B": 600.0}, "A"),
}


@pytest.mark.parametrize("way", BY_TURNS)
def test_after_a_spell_by_turns_the_plate_is_on_top_that_lay_there_last(bench, monkeypatch, way):
    """Who lies on top as the spell ends is not charged for; counted by hand: A first, in turn for so long."""
    on_top, ends = BY_TURNS[way]
    step = replace(bench.study.steps[0], top="A", bottom="B", time=1800.0, strokes=None)
    last = replace(step, swap=Swap(on_top=on_top))
    goal, shops = target_of(bench), np.repeat(plain(bench)[None], 2, axis=0)
    rule = Rollout(bench, goal, bench.study.steps)
    found = [*by_turns(bench, {frozenset("AB"): rule}, [step], shops, last)]
    assert {one.top for one in found} == {ends}
    none = Played(np.ones(2, bool), np.zeros(2), np.zeros(2, int), np.zeros(2), shops)
    monkeypatch.setattr(tried, "rates_of", lambda *_: None)
    monkeypatch.setattr(Rollout, "play", lambda *_, **__: none)

    def cost(top):
        one = replace(step, top=top, bottom="B" if top == "A" else "A")
        way = choice.Tried(one, 0, 600.0, shops, 0.0, rule)
        return tried.played_on(goal, way, shops, np.zeros(2), last, None).cost[0]

    other = "A" if ends == "B" else "B"
    mass = bench.layout.plates[other].total_mass
    assert cost(other) - cost(ends) == pytest.approx(goal.effort.swap_of(mass))


def test_plates_of_which_one_is_much_the_larger_never_change_places():
    text = STUDY.replace('plates.B = { disc = "160 mm"', 'plates.B = { disc = "260 mm"')
    bench = bench_of(parse(text.replace('top = "B"\nbottom = "A"', 'top = "A"\nbottom = "B"')))
    step = replace(bench.study.steps[0], time=1800.0)
    rule = Rollout(bench, target_of(bench), bench.study.steps)
    assert not list(by_turns(bench, {frozenset("AB"): rule}, [step], plain(bench)[None], None))


def test_of_chances_that_a_few_shops_tell_apart_the_cheaper_may_be_taken():
    """Counts of paired successes: two of 48 are no difference, twelve of 48 are one (normal law)."""
    all_of_them, fewer = np.ones(48, dtype=bool), np.ones(48, dtype=bool)
    fewer[:1] = False
    assert as_likely(fewer, all_of_them)
    fewer[:12] = False
    assert not as_likely(fewer, all_of_them)


def test_another_grit_is_advised_only_where_it_saves_more_than_luck(bench):
    """Of 48 paired costs that scatter by 20 min a mean of 10 min is sure, one of 1 min is not."""
    here, shops = bench.study.steps[0], plain(bench)[None]
    finer = replace(here, grit=replace(here.grit, name="3 um", size=3e-6))
    rule = Rollout(bench, target_of(bench), bench.study.steps)
    luck = 1200.0 * np.random.default_rng(1).standard_normal(48)
    luck -= luck.mean()

    def advised(saved, last):
        pairs = []
        for step, cost in ((here, 9000.0 + luck), (finer, np.full(48, 9000.0 - saved))):
            played = Played(np.ones(48, bool), cost, np.ones(48, int), np.ones(48), shops)
            pairs.append((choice.Tried(step, 0, 600.0, shops, 0.0, rule), played))
        return choice._cheapest(pairs, last).step.grit.name

    assert advised(60.0, here) == here.grit.name
    assert advised(600.0, here) == "3 um"
    assert advised(60.0, None) == "3 um"
    assert advised(60.0, finer) == "3 um"


@pytest.mark.campaign
@pytest.mark.parametrize("kind", [1, 3])
def test_how_a_hand_chanced_to_scatter_is_in_doubt(bench, monkeypatch, kind):
    """Shops lapped by the same kind of hand on other days have domes as far off as is said, on eight days.

    Nothing else is in doubt here; without this doubt they would end any number of standard deviations off.
    """
    monkeypatch.setattr(lapped, "MEMBERS", 64)
    monkeypatch.setattr(
        lapped, "discrepancy", lambda layout, *_: np.zeros((64, layout.size, layout.size))
    )
    step = replace(bench.study.steps[0], time=600.0)
    shop = plain(bench)
    known = one_normal(shop, np.diag(np.square(np.where(shop == 0.0, 1e-12, 1e-9 * np.abs(shop)))))
    known.cloud[:, bench.layout.day, bench.layout.day] = (1e-6 * DAY) ** 2
    rng = np.random.default_rng(5)
    known = replace(
        known.members(rng, 64), hand=np.full(64, kind) + len(HANDS) * (np.arange(64) % OF_A_KIND)
    )
    told = bench.spell(step, (1,), any_hand=True).after(known)
    rows = np.vstack([bench.layout.form_rows(name)[0] for name in "AB"])
    spread = np.sqrt(np.diag(rows @ told.covariance @ rows.T))
    off = [
        (lap_shops(bench.spell(step, (9, day), True), shop[None], HAND + kind)[0] - told.centre)
        @ rows.T
        for day in range(8)
    ]
    assert 0.4 < np.square(off).sum() / (len(off) * np.square(spread).sum()) < 2.5
    assert (np.abs(off) < 1.96 * spread).mean() > 0.8


def test_a_gauge_of_a_practice_shop_is_rounded_once():
    """Set down again on one face a gauge that scatters by a fortieth of its division shows the same one.

    A face flat but for its dome, in the middle of a division: 3 in 10 of a division of scatter, as rounding
    by itself would have it, puts 1 reading in 12 beside it (normal law), and none of 100 in one such test of
    6000.
    """
    text = STUDY.replace('resolution = "0.1 um"', 'resolution = "4 um", repeatability = "0.1 um"')
    shop = PracticeShop(bench_of(parse(text)), 3)
    shop.truth[:] = 0.0
    again = [shop.read(Entry(readings=(Reading("sph", "A"),))) for _ in range(100)]
    assert [one.readings[0].value for one in again] == [0.0] * 100
