"""The book against hidden shops: does it hold the truth as often as it says, and does it find mishaps?"""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from book_scene import USUAL, pair_read

from lapwright.errors import TippedError
from lapwright.metrology.reading import Reading
from lapwright.optimisation.bench import bench_of
from lapwright.optimisation.book import PracticeShop
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.history import chapters, mishaps, seen_in, taken_in
from lapwright.specification.curves import Circle
from lapwright.specification.step import Turn
from lapwright.study.read import parse

STUDY = pair_read(', cells = 24, form = { dome = "2 um" }', USUAL)
ALL = tuple(
    [Reading("sph", plate) for plate in "AB"]
    + [Reading("tw", plate, angle=angle) for plate in "AB" for angle in (0.0, 0.25 * pi)]
)


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(STUDY))


def spells(bench, shop, count, wrong=None):
    """Entries of a shop: read, then `count` spells of 8 min, A and B on top in turn, all read after each.

    `wrong`: the spell (from 1) in which the hands do not do what is written down.
    """
    yield shop.read(Entry(readings=ALL))
    step = bench.study.steps[0]
    for number in range(1, count + 1):
        step = replace(step, top=step.bottom, bottom=step.top)
        shop.lap(replace(step, turn=Turn()) if number == wrong else step)
        yield shop.read(Entry(done=step, readings=ALL))


def quantities(bench):
    """Rows on a shop's vector of what is told: forms of both plates, wear, layer."""
    layout = bench.layout
    wear, layer = np.zeros(layout.size), np.zeros(layout.size)
    wear[layout.wear(*layout.wears[0])], layer[layout.layer(layout.layers[0])] = 1.0, 1.0
    return np.vstack([*(layout.form_rows(name) for name in "AB"), wear, layer])


@pytest.fixture(scope="module", params=[4, pytest.param(16, marks=pytest.mark.long)])
def shops(request, bench):
    """Hidden shops, two spells each: how far the truth is from what is believed, over its spread."""
    rows, off, tails = quantities(bench), [], []
    for seed in range(request.param):
        shop, known, own = PracticeShop(bench, seed), bench.prior, []
        for number, entry in enumerate(spells(bench, shop, 2), 1):
            chapter = taken_in(bench, number, known, entry)
            known = chapter.known
            tails.append(chapter.foretold.tail)
            spread = np.sqrt(np.diag(rows @ known.covariance @ rows.T))
            own.append((rows @ shop.truth - rows @ known.centre) / spread)
        off.append(own)
    return np.array(off), np.array(tails)


@pytest.mark.campaign
def test_the_truth_lies_as_far_off_as_is_said(shops):
    """In standard deviations: mean square 1 (chi-squared; of 24 numbers a shop about 3 are independent)."""
    off, _ = shops
    assert 0.6 < np.square(off).mean() < 1.5
    # Of so many independent ones 95 in 100, within two and a half standard deviations (binomial law).
    assert (np.abs(off) < 1.96).mean() > 0.95 - 2.48 * np.sqrt(0.95 * 0.05 / (3 * len(off)))
    assert np.abs(off[:, -1].mean(axis=0)).max() < 4.0 / np.sqrt(len(off))


@pytest.mark.campaign
def test_alarms_are_as_seldom_as_is_said(shops):
    """Tails of what was foretold are spread evenly: a mean of one half, few below 1 in 100."""
    _, tails = shops
    assert 0.35 < tails.mean() < 0.65
    assert (tails < 0.01).sum() <= 3


@pytest.mark.long
def test_a_top_that_was_not_turned_is_found_out(bench):
    """Twist of 4 um under a fast grit: an alarm, and this cause the likeliest of all."""
    shop = PracticeShop(bench, 3)
    at, back = bench.layout.quadratic("A")
    shop.truth[at] += back @ np.array([0.0, 0.0, 4e-6])
    shop.truth[bench.layout.wear(*bench.layout.wears[0])] = 1.0
    *_, last = chapters(bench, list(spells(bench, shop, 2, wrong=2)))
    assert last.foretold.alarm
    assert max(last.better, key=last.better.get) == ("top not turned", "")
    assert last.likely["top not turned", ""] > 0.5


@pytest.mark.campaign
def test_a_step_that_tips_is_refused_and_a_mishap_that_would_tip_is_none(bench):
    step = bench.study.steps[0]
    with pytest.raises(TippedError, match="tips off"):
        taken_in(bench, 1, bench.prior, Entry(done=replace(step, curve=Circle(0.09)), readings=ALL))
    near = Entry(done=replace(step, curve=Circle(0.07), strokes=20, time=None), readings=ALL[:1])
    chapter = taken_in(bench, 1, bench.prior, near)
    causes = list(mishaps(bench, 1, near, bench.prior, chapter.before, seen_in(bench, near)))
    kinds = {cause.kind for cause in causes}
    assert "stroke a third longer" not in kinds
    assert kinds >= {"top not turned", "plates changed", "grit far slower", "zero moved"}


@pytest.mark.campaign
def test_a_log_is_replayed_to_the_bit_on_any_threads(bench):
    entries = list(spells(bench, PracticeShop(bench, 5), 1))
    *_, one = chapters(bench, entries)
    *_, two = chapters(replace(bench, threads=3), entries)
    assert np.array_equal(one.known.mean, two.known.mean)
    assert np.array_equal(one.known.cloud, two.known.cloud)
