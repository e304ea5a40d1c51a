"""What a rollout takes a planner to believe, against what the book believes of the same spell."""

from dataclasses import replace

import numpy as np
import pytest
from book_scene import FINE, pair_read

from lapwright.optimisation import advise as choice
from lapwright.optimisation import history
from lapwright.optimisation.bench import bench_of, target_of
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.foresight import ENOUGH, WIDER, Belief, Foresight
from lapwright.optimisation.history import Chapter, looked_back
from lapwright.optimisation.rollout import Played, Rollout
from lapwright.optimisation.shop import DAY, one_normal
from lapwright.optimisation.sight import all_readings, sight_of, turned
from lapwright.optimisation.spell import lap_shops, new_day, off_by
from lapwright.study.read import parse

STUDY = pair_read(
    ', cells = 24, form = { dome = "0.3 um" }',
    FINE,
    b='disc = "160 mm", thickness = "45 mm", cells = 24, form = { dish = "0.2 um" }',
).replace("15 um", "9 um")


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(STUDY))


@pytest.fixture(scope="module")
def foresight(bench):
    return Foresight(bench, target_of(bench), "AB")


@pytest.fixture(scope="module")
def known(bench):
    """Both faces known to some tenths of a micrometre, as after a round of readings."""
    sight = sight_of(bench.layout, all_readings(bench), bench.gauges)
    return bench.prior._updated(sight)


def forms(bench):
    return np.vstack([bench.layout.form_rows(name) for name in "AB"])


def spreads(rows, clouds):
    return np.sqrt(np.einsum("kd,mde,ke->mk", rows, clouds, rows))


@pytest.mark.parametrize("again", [False, True])
def test_readings_are_taken_in_as_by_the_information_form(bench, foresight, again):
    """C' = (C^-1 + H' R^-1 H)^-1 (R. Kalman, 1960), of what varies at all."""
    cloud = bench.prior.cloud[0]
    some = np.flatnonzero(cloud.diagonal() > 0.0)
    readings = all_readings(bench)
    sight = sight_of(bench.layout, turned(bench, readings) if again else readings, bench.gauges)
    h = sight.rows[:, some]
    inverse = np.linalg.inv(cloud[np.ix_(some, some)])
    wanted = np.linalg.inv(inverse + h.T @ np.linalg.inv(sight.noise) @ h)
    told = foresight.read(Belief(np.zeros((1, len(cloud))), cloud[None]), None, again)
    got = told.cloud[0][np.ix_(some, some)]
    assert np.sqrt(got.diagonal()) == pytest.approx(np.sqrt(wanted.diagonal()), rel=1e-6)
    assert not told.off.any()


def test_turned_by_a_quarter_a_twist_is_told_without_the_error_of_the_zero(bench, foresight, known):
    """Half the difference of readings a quarter turn apart has no zero in it (reversal, common practice)."""
    layout, usual = bench.layout, all_readings(bench)
    for one, other in zip(usual, turned(bench, usual), strict=True):
        if one.gauge == "tw":
            row, back = (sight_of(layout, [r], bench.gauges).rows[0] for r in (one, other))
            at = layout.quadratic(one.plate)[0]
            assert row[at] == pytest.approx(-back[at], abs=1e-9)
            assert np.abs(row[at]).max() > 0.1
            assert row[layout.zero("tw")] == back[layout.zero("tw")] == 1.0
    belief = Belief.of(known, known.draw(1, np.random.default_rng(1))[0])
    as_it_stood, a_quarter_on = (
        spreads(forms(bench)[[1, 2, 4, 5]], foresight.read(belief, None, again).cloud)
        for again in (False, True)
    )
    assert (a_quarter_on < as_it_stood).all()


def test_a_spell_and_its_readings_leave_as_much_in_doubt_as_in_the_book(bench, foresight, known):
    """The same spell by all members and their clouds, readings taken in by the book."""
    rng, step, layout = np.random.default_rng(3), bench.study.steps[0], bench.layout
    spell = bench.spell(step, (1,))
    before, _ = known.draw(64, rng)
    before[:, layout.day] = DAY * rng.standard_normal(64)
    belief = foresight.another_day(Belief.of(known, before), before)
    ended = lap_shops(spell, before, np.zeros(64, dtype=np.intp))
    after = off_by(layout, step, before, ended, rng)
    lapped = foresight.lapped(spell, belief, before, ended, after)
    read = foresight.read(lapped, rng)
    real = spell.after(new_day(known, layout))
    sight = sight_of(layout, all_readings(bench), bench.gauges)
    expected = real.centre @ sight.rows.T
    told = real.updated(sight.__class__(sight.rows, expected, sight.noise), rng)
    rows = forms(bench)
    for cheap, book in ((lapped, real), (read, told)):
        ratio = np.median(spreads(rows, cheap.cloud), axis=0) / spreads(rows, book.covariance[None])
        assert (ratio > 0.7).all()
        assert (ratio < 1.3).all()
    # What is believed lies as far off the shops as it is said to (64 shops, six forms that go together).
    assert (np.abs(read.off @ rows.T) < 1.96 * spreads(rows, read.cloud)).mean() > 0.88


def test_it_is_as_sure_of_the_goal_as_draws_of_the_same_belief_are(bench, foresight, known):
    """Chances of 9 shops by 300 draws each, from domes of nothing to one of all that the goal allows.

    Of that belief as wide as it is taken to be: spread `WIDER` times.
    """
    rng, layout = np.random.default_rng(4), bench.layout
    cloud, shops = 0.05 * known.covariance, np.zeros((9, layout.size))
    at, back = layout.quadratic("A")
    shops[:, at] = np.linspace(0.0, 0.3e-6, 9)[:, None] * (back @ [1.0, 0.0, 0.0])
    belief = Belief(np.zeros_like(shops), np.repeat(cloud[None], 9, axis=0))
    told = foresight.chance(shops, belief)
    draws = one_normal(np.zeros(layout.size), WIDER**2 * cloud).draw(300, rng)[0]
    wanted = np.array([foresight.goal.reached(layout, shop + draws).mean() for shop in shops])
    near = told > 0.0  # where the middle itself is nearly out of the goal nothing is reckoned
    assert (wanted[~near] < ENOUGH).all()
    assert np.abs(told - wanted)[near].max() < 0.12
    high = np.maximum(told, wanted) > 0.9
    assert np.abs(told - wanted)[high].max() < 0.04
    assert told.max() > ENOUGH > told[near].min()


def test_the_rule_reads_again_where_that_alone_keeps_it_from_saying_stop(bench, monkeypatch):
    """Faces that are flat, known no better than a gauge tells: one more round costs a reading, no metal."""
    goal = target_of(bench)
    rule = Rollout(bench, goal, bench.study.steps)
    shops = np.zeros((6, bench.layout.size))
    chances = iter([np.full(6, 0.9), np.full(6, 0.97), np.full(6, 0.97)])
    monkeypatch.setattr(rule.foresight, "chance", lambda *_: next(chances))
    belief = Belief(np.zeros_like(shops), np.repeat(bench.prior.cloud, 6, axis=0))
    rates, rng = np.full((1, 2), 1e-9), np.random.default_rng(5)
    out = rule.play(shops, np.zeros(6, dtype=np.intp), "A", 0, rates, rng, belief)
    assert not out.spells.any()
    assert out.cost == pytest.approx(np.full(6, 2.0 * goal.effort.reading))


def test_what_was_is_believed_as_all_readings_since_have_it(bench, known, monkeypatch):
    """Two entries with a linear spell between them: the joint normal distribution, conditioned at once."""
    monkeypatch.setattr(history, "DRAWN", 4000)
    rng, size = np.random.default_rng(6), bench.layout.size
    start, face = known.covariance, bench.layout.face("A")
    jump, luck = np.eye(size), np.zeros((size, size))
    jump[face, face] *= 0.6
    luck[face, face] = np.diag(np.full(face.stop - face.start, (0.02e-6) ** 2))
    after = one_normal(jump @ known.centre, jump @ start @ jump.T + luck)
    after = replace(after, link=start @ jump.T)
    sight = sight_of(bench.layout, all_readings(bench), bench.gauges)
    sight = replace(sight, value=after.centre @ sight.rows.T + 0.1e-6)
    done = Entry(done=bench.study.steps[0])
    past = [Chapter(Entry(), known, known), Chapter(done, after, after._updated(sight))]
    then, now = looked_back(past, rng)
    seen = sight.rows @ jump
    spread = seen @ start @ seen.T + sight.rows @ luck @ sight.rows.T + sight.noise
    gain = np.linalg.solve(spread, seen @ start).T
    middle = known.centre + gain @ (sight.value - after.centre @ sight.rows.T)
    left = np.sqrt(np.diag(forms(bench) @ (start - gain @ seen @ start) @ forms(bench).T))
    assert np.abs((then - middle).mean(axis=0) @ forms(bench).T / left).max() < 0.08
    assert (then @ forms(bench).T).std(axis=0) == pytest.approx(left, rel=0.06)
    # What was lost is told far better than either face is known.
    twist = forms(bench)[2]
    assert ((now - then) @ twist).std() < 0.8 * np.hypot((now @ twist).std(), (then @ twist).std())


def test_many_small_losses_are_no_better_than_one_large_one(bench):
    """Five spells of 0.04 um each, known to 0.01 um: after two of them nothing more may be lost."""
    goal, layout, rng = target_of(bench), bench.layout, np.random.default_rng(7)
    at, back = layout.quadratic("A")

    def domed(size):
        shops = np.zeros((40, layout.size))
        sizes = size + 0.01e-6 * rng.standard_normal(40)
        shops[:, at] = sizes[:, None] * (back @ [1.0, 0.0, 0.0])
        return shops

    past = [domed((0.5 + 0.04 * k) * 1e-6) for k in range(6)]
    assert goal.worse(layout, past[0], past[1]) == 0.0
    assert goal.spared(layout, np.array(past[:2])).worse(layout, past[1], past[2]) < 0.1
    for spells in (3, 4, 5):
        aim = goal.spared(layout, np.array(past[:spells]))
        assert aim.worse(layout, past[spells - 1], past[spells]) > 0.5
    # Better than at its best nothing was lost, however often it was read.
    aim = goal.spared(layout, np.array([*past[:3], domed(0.4e-6)]))
    assert aim.spare == pytest.approx([0.1e-6] * 2)


@pytest.mark.usefixtures("hasty")
def test_what_other_shops_do_not_confirm_is_not_advised(bench, known, monkeypatch):
    """Reading again that leaves some form worse in the shops that tell, or that gains nothing there."""
    play = choice.Play(bench, target_of(bench), known, {}, None, {}, (1,))
    shops = np.zeros((4, bench.layout.size))
    none = Played(np.zeros(4, bool), np.zeros(4), np.zeros(4, int), np.zeros(4), shops)
    for outs in ([], [none]):
        monkeypatch.setattr(choice.Play, "read", lambda *_, outs=outs: outs)
        on = shops, np.zeros(4, dtype=np.intp)
        assert choice._go_on(play, [(None, none)], (on, on), 0.0, ()) is None
