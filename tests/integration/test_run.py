"""The time loop: swaps, fresh grit, stopping by gauge, rounds, going on from any moment, and its order."""

import json
from dataclasses import asdict, replace
from itertools import pairwise
from math import exp, radians

import numpy as np
import pytest
import slow_twin
from known_answers import grid_convergence
from lapping_scene import (
    LOAD,
    NO_MARGIN,
    RADIUS,
    SPEED,
    discs,
    grit,
    pair,
    rate,
    run,
    sample,
    step,
    swaps,
)

from lapwright.contact.gang import Gang
from lapwright.contact.placement import mating
from lapwright.contact.sampling import block_sample
from lapwright.errors import TippedError
from lapwright.integration.block import Block
from lapwright.integration.loop import _Work, lap
from lapwright.integration.state import Progress, Settings, State
from lapwright.integration.stopping import Watch
from lapwright.metrology.form import EdgeMargin, forms, measure
from lapwright.specification.curves import Circle, FigureEight
from lapwright.specification.materials import MATERIALS
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Hand, Observation, Swap, Turn, Until, Wear

CELLS = 24
FULL_LAND = (
    3000.0 * SPEED * 1e-12
)  # what flat discs lose a second [m], but for the land's grid error


def test_a_run_tells_its_story():
    plates = discs(CELLS)
    moments = run(plates, step(time=40.0))
    events = [m.event for m in moments]
    assert events[0] == "start"
    assert events[-2:] == ["step", "end"]
    assert set(events[1:-2]) == {"block"}
    assert [m.outcome for m in moments] == [None] * (len(moments) - 1) + ["done"]
    end = moments[-1]
    assert (end.clock.time, end.clock.strokes) == (40.0, 40)
    for name in "AB":
        assert end.removed[name] == pytest.approx(40.0 * rate(plates), rel=1e-8)
        lost = plates[name].heights() - end.heights[name]
        assert (plates[name].land * lost).sum() / plates[name].land.sum() == pytest.approx(
            end.removed[name]
        )
        assert not end.heights[name].flags.writeable
    assert rate(plates) == pytest.approx(FULL_LAND, rel=2e-3)


def test_swaps_fall_on_whole_strokes():
    """Every 7.2 s at 42 strokes a minute is 5.04: every 5 strokes; the last, at the end, is not made."""
    moments = run(discs(CELLS), step(pace=0.7, strokes=20, swap=Swap({"A": 7.2, "B": 7.2})))
    assert swaps(moments) == [(5, "B", "A"), (10, "A", "B"), (15, "B", "A")]


def test_each_plate_stays_on_top_its_own_time():
    moments = run(discs(CELLS), step(time=20.0, swap=Swap({"A": 6.0, "B": 2.0})))
    assert swaps(moments) == [(6, "B", "A"), (8, "A", "B"), (14, "B", "A"), (16, "A", "B")]
    on_top = {"A": 0, "B": 0}
    for before, after in pairwise(moments):
        if after.event == "block":
            on_top[after.top] += after.clock.strokes - before.clock.strokes
    assert on_top == {"A": 16, "B": 4}


def test_at_a_reading_the_more_domed_goes_on_top():
    """A dish on a dome: changed at once; afterwards at every reading the more domed lies on top."""
    plates = discs(CELLS, StartForm(sphere=-1e-6), StartForm(sphere=1e-6))
    one = step(time=1800.0, swap=Swap(read=60.0), grit=grit(kappa=4e-12))
    moments = run(plates, one)
    assert swaps(moments)[0] == (0, "B", "A")
    assert len(swaps(moments)) > 1
    for before, after in pairwise(moments):
        if after.event == "block" and before.clock.strokes % 60 == 0:
            dome = {n: forms(plates[n], before.heights[n], EdgeMargin()).sphere for n in "AB"}
            assert dome[after.top] >= dome[after.bottom]


def test_equal_readings_change_nothing():
    moments = run(discs(CELLS), step(strokes=1, swap=Swap(read=1.0)))
    assert swaps(moments) == []


def test_removal_fades_with_the_dab_and_fresh_grit_renews_it():
    """kappa falls as exp(-t / T_f): a dab of age t has removed T_f (1 - exp(-t / T_f)) at its first rate."""
    plates = discs(CELLS)
    fade = 15.0
    worn = run(plates, step(time=40.0, grit=grit(fade=fade)))
    expected = rate(plates) * fade * (1.0 - exp(-40.0 / fade))
    assert worn[-1].removed["A"] == pytest.approx(expected, rel=1e-8)
    renewed = run(plates, step(time=40.0, grit=grit(fade=fade), fresh_every=10.0))
    assert [m.clock.strokes for m in renewed if m.event == "fresh grit"] == [10, 20, 30]
    unfading = run(plates, step(time=40.0, grit=grit(), fresh_every=7.0))
    assert [m.clock.strokes for m in unfading if m.event == "fresh grit"] == [7, 14, 21, 28, 35]
    expected = 4 * rate(plates) * fade * (1.0 - exp(-10.0 / fade))
    assert renewed[-1].removed["A"] == pytest.approx(expected, rel=1e-8)


def test_a_dab_goes_on_into_the_next_step_unless_another_is_taken():
    plates = discs(CELLS)
    same = grit(fade=15.0)
    twice = run(plates, step(time=20.0, grit=same), step(time=20.0, grit=same))
    assert twice[-1].removed["A"] == pytest.approx(
        rate(plates) * 15.0 * (1 - exp(-40.0 / 15.0)), rel=1e-8
    )
    other = run(
        plates, step(time=20.0, grit=same), step(time=20.0, grit=replace(same, name="other"))
    )
    assert other[-1].removed["A"] == pytest.approx(
        rate(plates) * 30.0 * (1 - exp(-20.0 / 15.0)), rel=1e-8
    )


GAUGES = {  # what stops the work, and the same figure worked out from a State
    "difference": lambda p, z: abs(
        forms(p["A"], z["A"], EdgeMargin()).sphere - forms(p["B"], z["B"], EdgeMargin()).sphere
    ),
    "flatness": lambda p, z: max(measure(p[n], z[n], EdgeMargin()).flatness for n in "AB"),
    "twist": lambda p, z: max(abs(forms(p[n], z[n], EdgeMargin()).twist) for n in "AB"),
    "mating": lambda p, z: mating(p["B"], z["B"], p["A"], z["A"], EdgeMargin()),
}
LIMITS = {"difference": 1.3e-6, "flatness": 1.1e-6, "twist": 0.8e-6, "mating": 0.26e-6}


@pytest.mark.always("difference", "flatness", "mating")
@pytest.mark.parametrize("name", GAUGES)
def test_the_work_stops_when_the_gauge_says_so(name):
    """At the first look at or below the limit, looked at every four strokes at most, and not before."""
    plates = discs(
        CELLS, StartForm(sphere=1e-6, twist=1e-6), StartForm(sphere=-0.6e-6, twist=-0.5e-6)
    )
    fast = grit(kappa=4e-12)
    until = Until(**{name: LIMITS[name]})
    moments = run(plates, step(time=3600.0, grit=fast, turn=Turn(radians(8)), until=until))
    seen = [GAUGES[name](plates, m.heights) for m in moments if m.event in ("start", "block")]
    assert len(seen) > 3
    assert min(seen[:-1]) > LIMITS[name] >= seen[-1]
    assert moments[-1].outcome == "until"
    looks = [m.clock.strokes for m in moments if m.event == "block"]
    assert max(np.diff([0, *looks])) <= 4


def stopped(until, before, after):
    """Whether gauges say stop at the end of a block, by the forms of top and bottom before and after it."""
    plates = discs(CELLS)

    def state(forms):
        shaped = (
            plates[name].replace(form=StartForm(**one))
            for name, one in zip("AB", forms, strict=True)
        )
        return State.before(step(time=1.0), plates, {one.name: one.heights() for one in shaped})

    return Watch(plates, NO_MARGIN).satisfied(until, state(before), state(after))


def test_a_difference_that_passes_through_nought_between_two_looks_stops():
    """Half a micrometre before and less than none after: it was nought on the way."""
    domed, hollow, flat = {"sphere": 0.5e-6}, {"sphere": -0.5e-6}, {}
    until = Until(difference=0.1e-6)
    assert stopped(until, (domed, flat), (hollow, flat))
    assert stopped(until, (flat, domed), (flat, hollow))
    assert not stopped(until, (domed, flat), ({"sphere": 0.3e-6}, flat))


def test_a_twist_either_way_is_a_twist():
    for size in (2e-6, -2e-6):
        for pair_of in (({"twist": size}, {}), ({}, {"twist": size})):
            assert not stopped(Until(twist=1e-6), pair_of, pair_of)
            assert stopped(Until(twist=2.1e-6), pair_of, pair_of)


def test_a_step_that_ran_out_of_time_is_told_though_a_later_one_reached_its_gauge():
    never, at_once = Until(flatness=1e-12), Until(removed=1e-12)
    plates = discs(CELLS, StartForm(sphere=1e-6))
    assert (
        run(plates, step(strokes=2, until=never), step(strokes=9, until=at_once))[-1].outcome
        == "limit"
    )
    assert run(plates, step(strokes=9, until=at_once))[-1].outcome == "until"


def test_the_work_stops_when_enough_is_removed():
    plates = discs(CELLS)
    wanted = 10.4 * rate(plates)
    moments = run(plates, step(time=600.0, until=Until(removed=wanted)))
    gone = [sum(m.removed.values()) / 2 for m in moments if m.event == "block"]
    assert gone[-2] < wanted <= gone[-1]
    assert moments[-1].outcome == "until"
    both = Until(removed=wanted, twist=-1.0)  # a twist below nothing never comes: both must hold
    assert run(plates, step(time=30.0, until=both))[-1].outcome == "limit"


def test_rounds_go_through_the_steps_again():
    plates = discs(CELLS)
    there, back = step(strokes=6), step(top="B", bottom="A", strokes=4)
    moments = run(plates, there, back, rounds=3)
    told = [
        (m.clock.round, m.clock.step, m.clock.strokes, m.top) for m in moments if m.event == "step"
    ]
    assert told == [(r, s, n, t) for r in (1, 2, 3) for s, n, t in ((1, 6, "A"), (2, 4, "B"))]
    assert moments[-1].clock.time == pytest.approx(30.0)
    assert moments[-1].removed["A"] == pytest.approx(30.0 * rate(plates), rel=1e-8)


def busy():
    """Swaps, fresh grit, fade, scatter, turning, an index, a gauge and rounds in a few strokes."""
    hand = Hand(amplitude=0.1, centre=0.002, direction=0.08, pace=0.1, memory=5.0)
    curve = FigureEight(0.053, 0.027)
    one = step(
        curve=curve, strokes=11, turn=Turn(radians(8)), swap=Swap({"A": 4.0, "B": 3.0}), hand=hand,
        grit=grit(fade=20.0, kappa=2e-11), fresh_every=5.0,
    )  # fmt: skip
    two = step(
        curve=curve, top="B", bottom="A", strokes=9, turn=Turn(radians(90), 2), swap=Swap(read=3.0),
        until=Until(removed=2e-6), hand=hand,
    )  # fmt: skip
    return discs(20, StartForm(sphere=2e-6, twist=1e-6), StartForm(saddle=1e-6)), (one, two)


@pytest.mark.campaign
def test_going_on_from_any_moment_gives_the_same_bits():
    plates, steps = busy()
    whole = run(plates, *steps, rounds=2, seed=5)
    assert {"start", "block", "swap", "fresh grit", "step", "end"} == {m.event for m in whole}
    # Each event there is, and every third moment.
    events = {m.event: number for number, m in enumerate(whole[:-1])}
    for number in sorted({*events.values(), *range(0, len(whole) - 1, 3)}):
        moment = whole[number]
        written = Progress(**json.loads(json.dumps(asdict(moment.clock))))
        rest = run(plates, *steps, rounds=2, seed=5, after=replace(moment, clock=written))
        assert [m.clock for m in rest] == [m.clock for m in whole[number + 1 :]]
        assert (rest[-1].event, rest[-1].outcome) == (whole[-1].event, whole[-1].outcome)
        for name in "AB":
            assert np.array_equal(rest[-1].heights[name], whole[-1].heights[name])
            assert rest[-1].removed[name] == whole[-1].removed[name]
    assert run(plates, *steps, rounds=2, seed=5, after=whole[-1]) == []


@pytest.mark.campaign
def test_threads_give_the_same_bits():
    plates, steps = busy()
    one, two = (run(plates, *steps, seed=5, threads=n)[-1] for n in (1, 2))
    assert one.clock == two.clock
    assert all(np.array_equal(one.heights[n], two.heights[n]) for n in "AB")


@pytest.mark.campaign
def test_seeds():
    """The same seed gives the same bits, another hand's scatter another face; a steady hand
    hardly differs."""
    plates, steps = busy()
    first, again, other = (run(plates, *steps, seed=s)[-1].heights["A"] for s in (5, 5, 6))
    assert np.array_equal(first, again)
    assert np.abs(first - other).max() > 5e-9
    still = [replace(s, hand=Hand()) for s in steps[:1]]
    first, other = (run(plates, *still, seed=s)[-1] for s in (5, 6))
    assert not np.array_equal(first.heights["A"], other.heights["A"])
    for name in "AB":
        a, b = (forms(plates[name], m.heights[name], EdgeMargin()) for m in (first, other))
        for key in ("sphere", "saddle", "twist"):
            assert getattr(a, key) == pytest.approx(getattr(b, key), abs=0.01 * first.removed["A"])


def test_a_plate_lying_aside_is_left_alone():
    plates = discs(CELLS, StartForm(sphere=1e-6))
    plates["C"] = replace(plates["A"], name="C", form=StartForm(twist=1e-6))
    moments = run(plates, step(strokes=20, swap=Swap({"A": 5.0, "B": 5.0})))
    for moment in moments:
        assert np.array_equal(moment.heights["C"], plates["C"].heights())
        assert not moment.pressure_speed["C"].any()
    last = moments[-1]
    assert last.removed["C"] == 0.0
    assert last.removed["A"] > 0.0


def test_what_was_seen_to_go_goes():
    """An observation of wear, read back: the depth seen goes in the time seen, fade included."""
    plates = discs(CELLS)
    for fade in (None, 20.0):
        seen = grit(wear=Wear(observed=Observation(time=30.0, removed=2e-6)), fade=fade)
        end = run(plates, step(time=30.0, grit=seen))[-1]
        assert sum(end.removed.values()) / 2 == pytest.approx(2e-6, rel=1e-6)
    first = Wear(observed=Observation(time=30.0, removed=2e-6))
    turning = step(
        time=30.0, grit=grit(wear=first), turn=Turn(radians(8)), curve=FigureEight(0.053, 0.027)
    )
    end = run(plates, turning)[-1]
    assert sum(end.removed.values()) / 2 == pytest.approx(2e-6, rel=5e-3)


def test_grams_seen_to_go_go():
    """0.3 g off plate A of hardened steel, B of grey iron worn as the materials' factors say; then both."""
    plates = discs(CELLS)
    steel = MATERIALS["hardened steel"]
    plates["A"] = replace(plates["A"], material=steel)
    seen = grit(wear=Wear(observed=Observation(time=30.0, lost=0.3e-3, plate="A")))
    end = run(plates, step(time=30.0, grit=seen))[-1]
    volume = end.removed["A"] * plates["A"].land_area
    assert volume * steel.density == pytest.approx(0.3e-3, rel=1e-6)
    assert end.removed["B"] / end.removed["A"] == pytest.approx(1.0 / steel.wear_factor, rel=1e-6)
    seen = grit(wear=Wear(observed=Observation(time=30.0, lost=0.3e-3)))
    end = run(plates, step(time=30.0, grit=seen))[-1]
    lost = sum(end.removed[n] * plates[n].land_area * plates[n].material.density for n in "AB")
    assert lost == pytest.approx(0.3e-3, rel=1e-6)


def test_a_plate_that_holds_the_grit_wears_a_tenth_wherever_it_lies():
    plates = discs(CELLS)
    held = grit(held_in="B")
    end = run(plates, step(strokes=20, grit=held, swap=Swap({"A": 5.0, "B": 10.0})))[-1]
    assert end.removed["A"] == pytest.approx(20.0 * rate(plates), rel=1e-8)
    assert end.removed["B"] == pytest.approx(2.0 * rate(plates), rel=1e-8)


def test_constants_follow_the_plate_not_its_place():
    plates = discs(CELLS)
    own = grit(wear=Wear(plates={"A": 3e-12, "B": 1e-12}))
    end = run(plates, step(strokes=20, grit=own, swap=Swap({"A": 5.0, "B": 10.0})))[-1]
    assert end.removed["A"] == pytest.approx(60.0 * rate(plates), rel=1e-8)
    assert end.removed["B"] == pytest.approx(20.0 * rate(plates), rel=1e-8)


def test_an_error_leaves_the_last_good_state():
    plates = discs(CELLS)
    good, bad = step(strokes=5), step(strokes=5, centre=(0.09, 0.0))
    moments = []
    with pytest.raises(
        TippedError, match=r"^step 2, stroke 1: A tips off B .*off centre"
    ) as caught:
        moments.extend(lap(plates, [good, bad]))
    assert caught.value.key == "steps.2"
    assert moments[-1].event == "step"
    assert moments[-1].removed["A"] == pytest.approx(5.0 * rate(plates), rel=1e-8)


def test_blocks_converge_with_the_fourth_power_of_their_length():
    """Half an hour in 4, 8, 16 blocks on the same poses; order 4 (GCI, NASA/NPARC, checks 30)."""
    plates = discs(CELLS, StartForm(sphere=0.2e-6), StartForm(saddle=0.2e-6))
    step_ = step(time=1e6)
    layer = pair(plates)
    chosen = sample(step_, np.arange(32) / 32)

    def after(blocks):
        work = _Work(plates, (step_,), 1, 0, EdgeMargin(), 1, Settings(), None)
        moment = State.before(work.steps[0], work.plates)
        for _ in range(blocks):
            block = Block.fourth_order(
                Gang((layer,)), moment, [chosen], (1e-12, 1e-12), 1800.0 / blocks, range(8)
            )
            moment = block.applied(moment, moment.clock)
        assert block.lift_share == 0.0
        return forms(plates["B"], moment.heights["B"], NO_MARGIN).sphere

    coarse, medium, fine = (after(n) for n in (4, 8, 16))
    assert grid_convergence(fine, medium, coarse).order == pytest.approx(4.0, abs=0.35)


def test_a_block_tells_how_fast_both_faces_go_down():
    """A mismatch dies by the wear of both (`docs/theory.md`): of flat discs each by its constant."""
    plates = discs(CELLS)
    state = State.before(step(time=1.0), plates)
    given = [sample(step(), (np.arange(32) + 0.5) / 32.0)], (1e-12, 3e-12), 10.0, tuple(range(8))
    block = Block.fourth_order(Gang((pair(plates),)), state, *given)
    assert block.removal_rate == pytest.approx(4.0 * rate(plates), rel=1e-6)


@pytest.mark.campaign
def test_a_block_equals_the_slow_twins():
    """One stroke by the fourth-order step, again with whole-array NumPy: both faces to 1e-8 of what went."""
    plates = discs(20, StartForm(sphere=2e-6, twist=1e-6), StartForm(saddle=1e-6))
    one = step(strokes=1, turn=Turn(radians(8)), grit=grit(kappa=1e-9))
    settings = Settings(poses=12, fewest_poses=12, most_poses=12)
    end = run(plates, one, settings=settings)[-1]
    work = _Work(plates, (one,), 1, 0, EdgeMargin(), 1, settings, None)
    moment = State.before(work.steps[0], work.plates)
    chosen = block_sample(work._motion(moment.clock), LOAD, 0, 1, 12, work._shift(moment.clock))
    poses = chosen.poses
    target = np.array([LOAD / (3e9 * plates["B"].grid.cell ** 2), 0.0, 0.0])
    rows = [
        {
            "cx": poses.cx[i], "cy": poses.cy[i], "theta": poses.theta[i], "vx": poses.vx[i],
            "vy": poses.vy[i], "spin": poses.spin[i], "weight": chosen.share[i], "target": target,
        }
        for i in range(12)
    ]  # fmt: skip

    def rates(z_bottom, z_top):
        bottom, top, _ = slow_twin.wear(
            (z_bottom, plates["B"].land, plates["B"].grid.cell, RADIUS, plates["B"].edges),
            (
                z_top[:, ::-1],
                plates["A"].land[:, ::-1],
                plates["A"].grid.cell,
                RADIUS,
                slow_twin.turned_over(plates["A"].edges),
            ),
            3e9,
            rows,
        )
        land = np.maximum(plates["B"].land, 1e-300)
        return 1e-9 * bottom / land, 1e-9 * top[:, ::-1] / land

    z = moment.heights["B"], moment.heights["A"]

    def moved(*shares):
        return rates(
            *(
                y - sum(w * k[i] for w, k in zip(shares, stages, strict=True))
                for i, y in enumerate(z)
            )
        )

    # R. H. Merson 1957 (from memory).
    stages = [rates(*z)]
    stages.append(moved(1 / 3))
    stages.append(moved(1 / 6, 1 / 6))
    stages.append(moved(1 / 8, 0, 3 / 8))
    stages.append(moved(1 / 2, 0, -3 / 2, 2))
    for name, start, a, b, _, d, e in zip("BA", z, *stages, strict=True):
        lost = (a + 4.0 * d + e) / 6.0
        assert start - end.heights[name] == pytest.approx(lost, abs=1e-8 * lost.max())
        assert np.abs(b - a).max() > 1e-3 * a.max()  # the second settling matters


def test_the_starting_case_comes_out():
    """Two flat discs, circle of 0.33 R, an hour: computed independently of this program (conventions page):
    bottom sphere +387 nm, top -1952 nm at margin 0, 1791.5 nm removed from each, within 1 %."""
    plates = discs(128)
    end = run(plates, step(time=3600.0, curve=Circle(0.33 * RADIUS)))[-1]
    sphere = {n: forms(plates[n], end.heights[n], NO_MARGIN).sphere for n in "AB"}
    assert sphere["B"] == pytest.approx(387e-9, rel=0.01)
    assert sphere["A"] == pytest.approx(-1952e-9, rel=0.01)
    assert end.removed["A"] == pytest.approx(1791.5e-9, rel=0.01)
    assert end.scale_error < 1e-3
