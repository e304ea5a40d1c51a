"""Loads that stand for others: against every load lapped, closed forms, and a run that was stopped."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from batch_scene import rings

from lapwright.errors import StudyError
from lapwright.integration.leaps import Leaps
from lapwright.integration.loads import Loads
from lapwright.integration.state import Settings, Trend
from lapwright.integration.stopping import Watch
from lapwright.kinematics.motion import Motion
from lapwright.presentation.batch_before import before_words
from lapwright.presentation.pictures.small_multiples import Panel, cuts
from lapwright.presentation.run_view import run_view
from lapwright.results.budget import Rehearsal, _rehearse
from lapwright.results.recorder import Heading, Recorder, heading, lapped, restore, save
from lapwright.results.runfile import read_run, write_run
from lapwright.specification.step import Turn
from lapwright.study.model import Study

HEADING = Heading("test", {})


def study(batch, strokes=120, **more):
    return rings(batch, cells=28, ring_cells=16, strokes=strokes, dressing=100, **more)


MANY = {"part": "ring", "count": 47, "together": 3, "average": True, "scatter": {"dome": "0.3 um"}}


def recorded(one, states):
    recorder = Recorder(one)
    for moment in states:
        recorder.take(moment)
    return recorder


@pytest.fixture(scope="module")
def averaged():
    """Rings three together, the plate not dressed; its states."""
    one = study(MANY, form={"dome": "1 um"}, goal={"flatness": "0.3 um", "plates": ["ring"]})
    return one, list(one.states())


@pytest.fixture(scope="module")
def both(averaged):
    """Its parts, and the same lapped one by one."""
    one, states = averaged
    given = study(MANY | {"average": False}, form={"dome": "1 um"})
    return recorded(one, states).batch.record, recorded(given, given.states()).batch.record


def leaps(one):
    return Leaps(Loads(one.batch, one.plates, one.steps, one.seed, Watch(one.plates, one.margin)))


@pytest.mark.campaign
def test_each_part_has_its_row_and_what_is_counted_adds_up(averaged, both):
    one, states = averaged
    record, whole = both
    assert record.number.tolist() == list(range(1, 48))
    for name in ("load", "station", "thicker"):
        assert np.array_equal(getattr(record, name), getattr(whole, name)), name
    assert record.time == pytest.approx(whole.time, rel=1e-12)
    assert record.came["sphere"] == pytest.approx(whole.came["sphere"], rel=1e-12)
    assert record.averaged > 12
    assert (np.asarray(record.lapped) == 1).sum() == 47 - record.averaged
    end = states[-1]
    assert end.clock.parts == 47
    assert end.clock.time == pytest.approx(one.lasts, rel=1e-12)
    assert record.removed.sum() == pytest.approx(
        sum(end.removed[name] for name in one.batch.names), rel=2e-3
    )


@pytest.mark.campaign
def test_parts_are_as_sure_as_is_printed(both):
    """Nineteen of twenty within twice the error, against every load lapped (the same program, no leap)."""
    record, whole = both
    stood = np.asarray(record.lapped) == 0
    for key in ("sphere", "saddle", "twist"):
        off = np.abs(record.forms[key] - whole.forms[key])[stood]
        assert (off <= 2.0 * record.error[key][stood]).mean() >= 0.95, key
        assert record.error[key][stood].max() < 0.05e-6  # and it is worth something
    off = np.abs(record.forms["flatness"] - whole.forms["flatness"])[stood]
    assert (off <= 2.0 * record.flat_error[stood]).mean() >= 0.95
    off = np.abs(record.plate["sphere"] - whole.plate["sphere"])
    assert off.max() < 0.01 * np.ptp(whole.plate["sphere"])


@pytest.mark.campaign
def test_a_stopped_run_goes_on_to_the_same_bits(averaged, tmp_path):
    """From each kind of moment while a load stands for others: a promise of our own."""
    one, states = averaged
    whole = recorded(one, states).run(HEADING, "done", 0.0)
    standing = [k for k, m in enumerate(states) if m.clock.stands > 1]
    kinds = {states[k].event: k for k in standing}
    assert {"laid", "block", "step", "averaged"} <= set(kinds)
    for k in kinds.values():
        save(tmp_path / "part.h5", recorded(one, states[: k + 1]), heading(), 0.0)
        begun = restore(tmp_path / "part.h5", one).recorder
        for moment in one.states(begun.last):
            begun.take(moment)
        end = begun.run(HEADING, "done", 0.0)
        for name, values in whole.batch.table().items():
            assert np.array_equal(values, end.batch.table()[name], equal_nan=True), name
        assert np.array_equal(whole.plates["plate"].frames[-1], end.plates["plate"].frames[-1])


@pytest.mark.campaign
def test_what_was_averaged_is_told(averaged, tmp_path):
    one, states = averaged
    run = recorded(one, states).run(HEADING, "done", 0.0)
    told = json.loads(json.dumps(run.told()))["batch"]  # plain numbers all through
    assert told["averaged"] == run.batch.averaged == sum(not p["lapped"] for p in told["parts"])
    write_run(run, tmp_path / "run.h5")
    again = read_run(tmp_path / "run.h5")
    assert again.batch.averaged == run.batch.averaged
    assert np.array_equal(again.batch.flat_error, run.batch.flat_error, equal_nan=True)
    words = "\n".join(run.lines())
    assert f"{47 - run.batch.averaged} of them were lapped" in words
    assert any("some loads stand for others" in line for line in one.preview().lines())


@pytest.mark.campaign
def test_few_loads_a_finer_run_and_what_is_said_are_heeded():
    few = study({"part": "ring", "count": 50})
    many = study({"part": "ring", "count": 303, "together": 3})
    assert not few.batch.averages(few.steps)
    assert many.batch.averages(many.steps)
    assert not replace(many.batch, average=False).averages(many.steps)
    dress = {"with": "dresser", "every": "9 parts"}
    batch = {"part": "ring", "count": 303, "together": 3, "average": True, "dress": dress}
    often = study(batch, dresser=True)
    assert not often.batch.averages(often.steps)
    assert any("changes nothing" in line for line in often.preview().lines())
    with pytest.raises(StudyError, match="average"):
        study(MANY | {"average": "yes"})


@pytest.mark.campaign
@pytest.mark.often("27-None", "24-18")
@pytest.mark.parametrize(
    ("count", "every"), [(27, None), (30, None), (33, None), (24, 18), (42, 24)]
)
def test_what_is_promised_before_is_what_is_done(count, every):
    """Loads stand for others just where that was said: no source, a promise of our own."""
    batch = MANY | {"count": count}
    if every:
        batch["dress"] = {"with": "dresser", "every": f"{every} parts"}
    one = study(batch, dresser=bool(every), strokes=8)
    laid = [m.clock.stands for m in one.states() if m.event in ("start", "laid")]
    promised = any("some loads stand for others" in line for line in before_words(one))
    assert promised == (max(laid) > 1)
    if promised:
        assert laid[: one.batch.alone] == [1] * one.batch.alone
        assert laid[one.batch.alone] > 1
        assert one.batch.about_lapped == pytest.approx(len(laid), abs=2)


def test_many_loads_that_are_all_lapped_are_told_and_a_reading_may_ask_often():
    dress = {"with": "dresser", "every": "3 parts"}
    often = study({"part": "ring", "count": 303, "together": 3, "dress": dress}, dresser=True)
    assert any("Every load is lapped" in line for line in before_words(often))
    read = {"with": "dresser", "when": {"dome": "0.1 um"}}
    some = study({"part": "ring", "count": 303, "together": 3, "dress": read}, dresser=True)
    assert any("fewer than about 6" in line for line in before_words(some))


def test_the_time_foretold_counts_the_loads_that_are_lapped():
    """Of 101 loads some 17 are lapped, so a moment is a larger share of it all."""
    many = study({"part": "ring", "count": 303, "together": 3})
    shares = {}
    for average in (True, False):
        found = Rehearsal(dict(many.plates))
        one = replace(many, batch=replace(many.batch, average=average))
        _rehearse(one, Settings(), found)
        shares[average] = found.share / found.moments if found.share < 1.0 else 1.0
    assert shares[True] > 2.0 * shares[False]


@pytest.mark.campaign
def test_parts_that_a_gauge_stops_each_come_to_their_size():
    """Six that come unlike: the size itself, to what a look (4 strokes) takes off."""
    plates = {
        "plate": {"disc": "200 mm", "thickness": "30 mm", "cells": 24},
        "ring": {"ring": ["50 mm", "30 mm"], "thickness": "10 mm", "cells": 16},
    }
    step = {
        "top": "ring",
        "bottom": "plate",
        "grit": "fine",
        "strokes": 160,
        "until": {"thickness": {"ring": "9.9995 mm"}},
        "stroke": {"kind": "circle", "radius": "8 mm", "centre": ["60 mm", "0 mm"]},
        "turn_bottom": "99 deg per stroke",
        "turn": "63 deg per stroke",
    }
    batch = {"part": "ring", "count": 40, "average": True, "scatter": {"dome": "0.3 um"}}
    given = {
        "plates": plates,
        "grits": {"fine": {"size": "9 um", "wear": "1e-10 1/Pa"}},
        "steps": [step],
    }
    many = Study.from_dict(given | {"batch": batch})
    assert any("stops each part" in line for line in before_words(many))
    assert not many.batch.averages(many.steps)
    run = lapped(Study.from_dict(given | {"batch": batch | {"count": 6}}))
    off = run.batch.removed
    strokes = np.diff(run.batch.time, prepend=0.0) / 1.5  # 40 a minute
    look = 4.0 * off / strokes
    assert (off >= 0.5e-6 - 1e-12).all()
    assert (off <= 0.5e-6 + look).all()
    assert run.outcome == "until"
    short = given | {"steps": [step | {"strokes": 8}], "batch": batch | {"count": 3}}
    words = lapped(Study.from_dict(short)).lines()
    assert any("time ran out" in line for line in words)


@pytest.mark.campaign
def test_the_plate_is_dressed_when_it_is_due_though_loads_stand_for_others():
    dress = {"with": "dresser", "every": "26 parts"}
    one = study(
        MANY | {"count": 54, "together": 2, "dress": dress}, dresser=True, form={"dome": "1 um"}
    )
    record = recorded(one, one.states()).batch.record
    assert record.dressings.after.tolist() == [26, 52]
    assert record.number.tolist() == list(range(1, 55))
    # The last load before a dressing stands for itself.
    assert np.asarray(record.lapped)[[24, 25, 50, 51, 52, 53]].all()
    assert record.averaged > 0


def test_leaps_are_right_where_the_change_changes_evenly():
    """Loads that each wear off a + b n: sum of an arithmetic series (closed form)."""
    wave = lambda n: (3.0 + 0.1 * n, -2.0 + 0.05 * n)  # noqa: E731
    trend, missed = Trend(), ()
    for n in (*range(1, 11), 12, 16, 20):
        trend, missed = trend.after(wave(n), n, 4)
        if n > 2:
            assert missed == pytest.approx((0.0, 0.0), abs=1e-12)
    stands = 4
    along = trend.along(stands)
    got = [(stands - 1) * (now + more) for now, more in zip(trend.slope, along, strict=True)]
    wanted = np.sum([wave(n) for n in range(21, 20 + stands)], axis=0)
    assert got == pytest.approx(wanted.tolist(), rel=1e-12)
    bent, missed = trend.after((9.0, 0.0), 24, 4)
    assert bent.off[0] == pytest.approx(0.0)  # no leap came before it
    bent, _ = replace(trend, leap=3).after((9.0, 0.0), 24, 4)
    assert bent.off[0] == pytest.approx(1.5 * missed[0])


def test_a_part_that_lies_close_on_a_dish_is_domed_by_the_share_of_their_squares(averaged):
    """z = a r^2 is a dish of R^2 a over the plate; what lies close on it is a dome of r^2 a (geometry)."""
    one, _ = averaged
    jumps, plate, ring = leaps(one), one.plates["plate"], one.plates["ring"]
    waves = jumps.waves["plate"]
    assert waves.all_round
    x, y = np.meshgrid(plate.grid.x, plate.grid.y)
    dish = np.array(waves.of(0.5 * (x * x + y * y)))
    sphere, saddle, twist = jumps.on_parts @ dish
    assert sphere == pytest.approx(0.5 * ring.outline.radius**2, rel=1e-3)
    assert np.hypot(saddle, twist) < 1e-3 * sphere
    assert (waves.shapes @ dish)[0] == pytest.approx(-0.5 * plate.outline.radius**2, rel=1e-3)


def test_what_differs_round_a_turned_plate_is_not_carried_on(averaged):
    """A saddle (second order) goes, what is the same all round stays; on a plate that stands all stays."""
    one, _ = averaged
    plate = one.plates["plate"]
    x, y = np.meshgrid(plate.grid.x, plate.grid.y)
    round_, saddle = (
        np.where(plate.land > 0.0, z, 0.0) for z in (np.hypot(x, y) ** 3, x * x - y * y)
    )
    waves = leaps(one).waves["plate"]
    assert waves.evened(round_) == pytest.approx(round_, abs=1e-3 * round_.max())
    assert np.abs(waves.evened(saddle)).max() < 1e-9 * np.abs(saddle).max() + 1e-12
    still = replace(one, steps=(replace(one.steps[0], walk=Turn(), carry_centre=False),))
    assert leaps(still).waves["plate"].evened(saddle) is saddle


def test_how_far_a_leap_may_be_off_is_a_share_of_what_one_load_takes(averaged, monkeypatch):
    """The metal off a part is that of its own load, however many its load stands for (by counting)."""
    one, states = averaged
    jumps, seen = leaps(one), []
    monkeypatch.setattr(Leaps, "_ahead", lambda self, state, missed, worn, off: seen.append(off))
    due = [moment for moment in states if jumps.due(moment)]
    for moment in due:
        jumps.leapt(moment)
    assert max(moment.clock.stands for moment in due) > 1
    of_one = [m.removed["ring"] - m.begun.removed["ring"] for m in due]
    assert seen == pytest.approx(of_one, rel=1e-9)


def test_a_part_that_keeps_its_place_wears_a_saddle_that_goes_on(averaged):
    """One who walks round a part 60 mm off the middle leaves it there: its wear stays there (geometry)."""
    one, _ = averaged
    kept = replace(one.steps[0], carry_centre=False)
    assert leaps(one).waves["plate"].turned
    assert not leaps(replace(one, steps=(kept,))).waves["plate"].turned
    on_its_place = Motion(one.batch.station(kept, 0), (1, 0, 0), (0.0, 0.0)).poses(np.arange(99.0))
    assert np.hypot(on_its_place.cx - 0.06, on_its_place.cy).max() < 0.009  # the stroke's 8 mm
    # In the middle it is the same all round, carried or not.
    middle = replace(kept, centre=(0.0, 0.0))
    single = replace(one.batch, together=1)
    assert single.goes_round(middle)
    assert not single.goes_round(replace(middle, walk=Turn()))
    assert not single.goes_round(replace(middle, walk=Turn(1.0, every=10)))
    assert not one.batch.goes_round(replace(middle, centre=(0.06, 0.0)))


def test_small_cuts_of_a_batch_lay_its_part_where_it_lies():
    """A 50 mm ring, 60 mm off the middle of a 200 mm plate: the metal lies where the study says."""
    view = run_view(lapped(study({"part": "ring", "count": 2}, strokes=20, form={"dome": "1 um"})))
    flat = SimpleNamespace(plates={f.name: SimpleNamespace(profile=[0.0] * 9) for f in view.faces})
    figure = cuts([Panel("one way", view, flat)])
    below, above = (
        line.get_xdata()[np.isfinite(line.get_ydata())] for line in figure.axes[-1].lines
    )
    assert 0.5 * (above[0] + above[-1]) == pytest.approx(0.0, abs=1.0)
    assert 0.5 * (below[0] + below[-1]) == pytest.approx(-60.0, abs=1.0)
    assert np.ptp(below) == pytest.approx(200.0, rel=0.1)  # but for its margin
    low, high = figure.axes[-1].get_xlim()
    assert low < below[0]
    assert high > above[-1]
    assert any("through both middles" in text.get_text() for text in figure.texts)
