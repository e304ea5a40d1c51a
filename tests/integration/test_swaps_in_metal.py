"""Plates that change places by metal: when, how much is off by then, and what becomes of the faces.

The outside: what flat discs lose in translation is kappa W v / land area each, exactly (W. Preston's law and
the balance of volumes, `docs/theory.md`); a fading dab removes T_f (1 - exp(-t / T_f)) of its first rate; the
moment law for equal discs (derived, `lapwright.verification.closed_forms`).
"""

import json
from dataclasses import asdict, replace
from itertools import pairwise
from math import log, radians

import numpy as np
import pytest
from lapping_scene import LOAD, NO_MARGIN, SPEED, discs, grit, rate, run, step, swaps

from lapwright.integration.loop import lap
from lapwright.integration.state import Progress
from lapwright.kinematics.schedule import stays, thinning
from lapwright.kinematics.sliding import work_times
from lapwright.metrology.form import forms
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Swap, Turn, Until, Wear

CELLS = 24
DOMED = StartForm(sphere=2e-6)


def metal(**depth):
    return Swap(removed=depth)


def half_difference(plates, moment):
    below, above = (forms(plates[n], moment.heights[n], NO_MARGIN).sphere for n in "BA")
    return 0.5 * (below - above)


def stays_lapped(moments):
    """Of each stay that metal ended: who was on top, how many strokes, and the mean of both that went off."""
    found, begun = [], moments[0]
    for moment in moments:
        if moment.event == "swap":
            off = sum(moment.removed[n] - begun.removed[n] for n in "AB") / 2.0
            found.append((begun.top, moment.clock.strokes - begun.clock.strokes, off))
            begun = moment
    return found


def test_the_same_as_minutes_where_the_wear_is_known():
    """7.2 s at 0.7 strokes a second are 5.04 strokes; the metal of so many: the same five."""
    plates = discs(CELLS)
    a_stroke = rate(plates)  # a second at one stroke a second
    by_time = step(pace=0.7, strokes=20, swap=Swap({"A": 7.2, "B": 7.2}))
    by_metal = replace(by_time, swap=metal(A=5.04 * a_stroke, B=5.04 * a_stroke))
    one, other = run(plates, by_time), run(plates, by_metal)
    assert swaps(one) == swaps(other) == [(5, "B", "A"), (10, "A", "B"), (15, "B", "A")]
    for name in "AB":
        apart = np.abs(one[-1].heights[name] - other[-1].heights[name]).max()
        assert apart <= 1e-4 * one[-1].removed[name]


@pytest.mark.always("turn0-None", "turn0-40.0", "turn2-None")
@pytest.mark.parametrize("fade", [None, 40.0])
@pytest.mark.parametrize("turn", [Turn(), Turn(radians(8.0)), Turn(radians(90.0), 10)])
def test_what_was_asked_is_off_at_every_swap(fade, turn):
    """To half a stroke's metal, on faces that lift at first, with a dab that fades and comes fresh."""
    plates = discs(CELLS, DOMED, StartForm(sphere=1e-6, twist=1e-6))
    asked = {"A": 0.05e-6, "B": 0.0172e-6}
    once = step(time=900.0, swap=metal(**asked), turn=turn, grit=grit(fade=fade), fresh_every=60.0)
    found = stays_lapped(run(plates, once))
    assert [top for top, *_ in found[:3]] == ["A", "B", "A"]
    assert len(found) > 5
    for top, strokes, off in found:
        assert strokes >= 1
        # Turning adds to the speed of rubbing, by 0.2 % in the square here.
        assert off == pytest.approx(asked[top], abs=0.5 * 1.01 * rate(plates))


def test_a_wear_twice_as_large_changes_nothing_but_the_time():
    """Faces at the same metal are the same: twice the wear is half the strokes."""
    plates = discs(CELLS, DOMED, StartForm(sphere=-1e-6))
    tenth = 10.0 * rate(plates)
    ends = []
    for times in (1.0, 2.0):
        fast = grit(kappa=times * 1e-12)
        once = step(strokes=round(400 / times), swap=metal(A=3 * tenth, B=tenth), grit=fast)
        moments = run(plates, once)
        assert [n for _, n, _ in stays_lapped(moments)][:4] == [
            round(k / times) for k in (30, 10, 30, 10)
        ]
        ends.append(moments[-1])
    for name in "AB":
        one, other = (forms(plates[name], end.heights[name], NO_MARGIN) for end in ends)
        assert ends[0].removed[name] == pytest.approx(ends[1].removed[name], rel=1e-6)
        assert other.sphere == pytest.approx(one.sphere, abs=0.003 * ends[0].removed[name])


def test_as_much_metal_in_either_place_keeps_a_dome_against_a_dish():
    """(sphere_B - sphere_A) / 2 grows by 6 <c^2> h / R^2, h the mean of both, and shrinks with B on top."""
    plates = discs(CELLS, DOMED, StartForm(sphere=-1e-6))
    depth = 30.0 * rate(plates)
    for uneven in (1.0, 3.0):
        moments = run(plates, step(strokes=240, swap=metal(A=uneven * depth, B=depth)))
        strokes = {"A": 0, "B": 0}
        for before, after in pairwise(moments):
            if after.event == "block":
                strokes[after.top] += after.clock.strokes - before.clock.strokes
        net = (strokes["A"] - strokes["B"]) * rate(plates)
        assert net == pytest.approx((0.0 if uneven == 1.0 else 0.5) * 240 * rate(plates), abs=1e-12)
        half = [half_difference(plates, moment) for moment in (moments[0], moments[-1])]
        assert half[1] - half[0] == pytest.approx(
            6.0 * 0.33**2 * net, abs=0.01 * 240 * rate(plates)
        )


def test_a_heavier_top_stays_for_fewer_strokes():
    """A is three times as heavy and cuts three times as fast: its stay is a third of B's."""
    plates = discs(CELLS)
    heavy = plates | {"A": replace(plates["A"], mass=3.0 * plates["A"].mass)}
    depth = 60.0 * rate(plates)
    found = stays_lapped(run(heavy, step(strokes=200, swap=metal(A=depth, B=depth))))
    assert [(top, n) for top, n, _ in found] == [
        ("A", 20),
        ("B", 60),
        ("A", 20),
        ("B", 60),
        ("A", 20),
    ]


def test_the_mean_of_both_counts_not_the_top():
    """A wears three times as fast as B: two thirds of the mean's strokes of equal wear, A on top or below."""
    plates = discs(CELLS)
    uneven = grit(wear=Wear(plates={"A": 3e-12, "B": 1e-12}))
    depth = 40.0 * rate(plates)
    once = step(strokes=100, swap=metal(A=depth, B=depth), grit=uneven)
    found = stays_lapped(run(plates, once))
    assert [(top, n) for top, n, _ in found] == [("A", 20), ("B", 20), ("A", 20), ("B", 20)]


def test_a_tired_dab_never_comes_so_far():
    """A dab of 15 s takes off 15 s of its first cut for ever: 14.9 s of it after 75 s, 15.1 never."""
    plates = discs(CELLS)
    tires = grit(fade=15.0)
    for wanted, expected in ((14.9, [round(-15.0 * log(1.0 - 14.9 / 15.0))]), (15.1, [])):
        depth = wanted * rate(plates)
        moments = run(plates, step(strokes=300, swap=metal(A=depth, B=depth), grit=tires))
        assert [m.clock.strokes for m in moments if m.event == "swap"] == expected
        assert moments[-1].outcome == "done"


def test_at_least_a_stroke():
    """Less metal than a stroke takes: they change places after every stroke."""
    plates = discs(CELLS)
    moments = run(plates, step(strokes=4, swap=metal(A=1e-12, B=1e-12)))
    assert swaps(moments) == [(1, "B", "A"), (2, "A", "B"), (3, "B", "A")]


def test_stays_told_beforehand_are_those_of_the_time_loop():
    """Flat discs in translation, whose rate is exact: with and without fade and fresh grit, to a stroke."""
    plates = discs(CELLS)
    depth = {"A": 25.3 * rate(plates), "B": 10.2 * rate(plates)}

    def thins(top, bottom):
        return thinning(plates[bottom], plates[top], (1e-12, 1e-12), LOAD * SPEED)

    assert thins("A", "B") == pytest.approx(rate(plates), rel=1e-12)
    for fade, fresh in ((None, None), (30.0, 20.0), (100.0, None)):
        once = step(strokes=130, swap=metal(**depth), grit=grit(fade=fade), fresh_every=fresh)
        told = [(stay.first, stay.top) for stay in stays(once, thins=thins)]
        seen = [(0, "A"), *((n, top) for n, top, _ in swaps(run(plates, once)))]
        assert told == seen
        assert len(told) > 2
        speeds = {name: rate(plates) for name in "AB"}
        times, number = work_times(once, 0.0, speeds)
        assert number == len(seen) - 1
        whole, _ = work_times(replace(once, swap=None), 0.0, speeds)
        assert sum(times.values()) == pytest.approx(whole["A"], rel=1e-12)


def test_however_many_they_are_a_stay_is_a_stroke_at_least():
    """A tenth and three tenths of a stroke of metal: each stays for one, be the step short or long."""
    plates = discs(CELLS)
    swap = metal(A=0.1 * rate(plates), B=0.3 * rate(plates))
    for strokes in (200, 200_000):
        times, number = work_times(
            step(strokes=strokes, swap=swap), 0.0, {name: rate(plates) for name in "AB"}
        )
        assert times["A"] == pytest.approx(times["B"], rel=1e-9)
        assert number == strokes - 1


@pytest.mark.parametrize(
    ("strokes", "a", "b"), [(100, 7, 3), (101, 7, 3), (107, 7, 3), (5, 7, 3), (20, 5, 5)]
)
def test_swaps_by_time_are_counted_as_the_stays_are(strokes, a, b):
    plates = discs(CELLS)
    once = step(strokes=strokes, swap=Swap({"A": float(a), "B": float(b)}))
    _, number = work_times(once, 0.0, {name: rate(plates) for name in "AB"})
    assert number == len(list(stays(once))) - 1


def test_metal_counts_anew_in_each_step_and_round():
    plates = discs(CELLS)
    once = step(strokes=25, swap=metal(A=20 * rate(plates), B=20 * rate(plates)))
    moments = run(plates, once, once, rounds=2)
    assert [(m.clock.round, m.clock.step, m.clock.strokes) for m in moments if m.event == "swap"] == [
        (1, 1, 20), (1, 2, 20), (2, 1, 20), (2, 2, 20)
    ]  # fmt: skip


@pytest.mark.campaign
def test_going_on_from_any_moment_gives_the_same_bits():
    plates = discs(20, DOMED, StartForm(saddle=1e-6))
    once = step(
        time=60.0, swap=metal(A=0.006e-6, B=0.003e-6), turn=Turn(radians(8.0)), fresh_every=15.0,
        grit=grit(fade=20.0), until=Until(flatness=1e-9),
    )  # fmt: skip
    whole = run(plates, once)
    assert sum(m.event == "swap" for m in whole) > 3
    one_of_each = {moment.event: moment for moment in whole[:-1]}.values()
    for moment in (*one_of_each, *whole[:-1:9]):
        written = Progress(**json.loads(json.dumps(asdict(moment.clock))))
        rest = list(lap(plates, (once,), after=replace(moment, clock=written)))
        assert rest[-1].clock == whole[-1].clock
        for name in "AB":
            assert np.array_equal(rest[-1].heights[name], whole[-1].heights[name])
