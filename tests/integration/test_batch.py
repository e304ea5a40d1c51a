"""Batches: many parts on one plate, against one long step, symmetry, volume, and a run that was stopped."""

import json
from dataclasses import replace

import numpy as np
import pytest
from batch_scene import rings

from lapwright.contact.sampling import block_sample, block_samples
from lapwright.errors import StudyError
from lapwright.integration.loads import Loads
from lapwright.integration.state import Progress
from lapwright.integration.stopping import Watch
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.metrology.thickness import thickness_of
from lapwright.presentation.run_view import RunView
from lapwright.results.batch import BatchRecorder, csv_text, out_of_goal
from lapwright.results.record import grit_on
from lapwright.results.recorder import Heading, Recorder, restore, save
from lapwright.results.runfile import read_run, write_run
from lapwright.specification.step import Turn
from lapwright.study.model import Study
from lapwright.study.source import document_of

NO_MARGIN = EdgeMargin(share=0.0, length=None)
HEADING = Heading("test", {})


def study(batch, strokes=40, kappa="1e-12 1/Pa", **more):
    grits = {"fine": {"size": "9 um", "wear": kappa}}
    given = {"cells": 40, "ring_cells": 20, "dressing": 20, "grits": grits}
    return rings(batch, strokes=strokes, **given, **more)


@pytest.fixture(scope="module")
def dressed():
    """Seven parts, two at a time, dressed after every four; its states."""
    batch = {"part": "ring", "count": 7, "together": 2, "scatter": {"dome": "0.3 um"}}
    batch["dress"] = {"with": "dresser", "every": "4 parts"}
    one = study(
        batch, dresser=True, form={"dome": "1 um"}, goal={"flatness": "0.3 um", "plates": ["ring"]}
    )
    return one, list(one.states())


def recorded(one, states):
    recorder = Recorder(one)
    for moment in states:
        recorder.take(moment)
    return recorder


@pytest.mark.campaign
def test_parts_one_after_another_wear_the_plate_like_one_long_step():
    """While nothing changes shape, n parts are a step n times as long: wear is linear (Preston 1927)."""
    apart = list(study({"part": "ring", "count": 5}, kappa="1e-15 1/Pa").states())[-1]
    whole = study({"part": "ring", "count": 1}, kappa="1e-15 1/Pa", strokes=200)
    together = list(whole.states())[-1]
    plate = whole.plates["plate"]
    assert apart.removed["plate"] == pytest.approx(together.removed["plate"], rel=2e-4, abs=0.0)
    one, other = (forms(plate, end.heights["plate"], NO_MARGIN) for end in (apart, together))
    off = together.removed["plate"]
    assert one.sphere == pytest.approx(other.sphere, abs=0.005 * off, rel=0.0)
    assert np.hypot(one.saddle - other.saddle, one.twist - other.twist) < 0.02 * off


@pytest.mark.campaign
def test_three_parts_wear_three_times_as_much_as_one_and_leave_no_saddle():
    """Tops add up (linear while shapes last); three at 120 degrees have no second harmonic (trigonometry)."""
    one = study({"part": "ring", "count": 1}, kappa="1e-15 1/Pa")
    still = replace(one.steps[0], walk=Turn(), carry_centre=False)
    ends = {}
    for number in (1, 2, 3):
        few = study({"part": "ring", "count": number, "together": number}, kappa="1e-15 1/Pa")
        few = replace(few, steps=(still,))
        ends[number] = list(few.states())[-1]
        plate = few.plates["plate"]
    off = {n: end.removed["plate"] for n, end in ends.items()}
    assert off[3] == pytest.approx(3.0 * off[1], rel=1e-3, abs=0.0)

    def saddle(n):
        form = forms(plate, ends[n].heights["plate"], NO_MARGIN)
        return np.hypot(form.saddle, form.twist) / off[n]

    assert saddle(3) < 0.02 * saddle(2)


def test_what_a_load_presses_into_the_plate_does_not_add_up_load_by_load():
    """A plate that is stopped anywhere is worn alike all round by and by, though each load is half a turn.

    Of n vectors at golden shares of a turn, doubled, the sum is at most 1/sin(pi (2 golden mod 1)) = 1.48 of
    one (geometric series), so a saddle that one load leaves is there once and not n times after n.
    """
    one = study({"part": "ring", "count": 10}, kappa="1e-15 1/Pa", strokes=1)
    quarter = replace(one.steps[0], walk=Turn(np.radians(90.0)), turn=Turn())
    one = replace(one, steps=(quarter,))
    plate, left, before = one.plates["plate"], [], np.zeros(2)
    for moment in one.states():
        if moment.event != "step":
            continue
        form = forms(plate, moment.heights["plate"], NO_MARGIN)
        now = np.array([form.saddle, form.twist])
        left.append(np.hypot(*(now - before)))
        before = now
    assert np.hypot(*before) < 1.5 * np.median(left)
    assert np.ptp(left) < 0.1 * np.median(left)  # each by itself leaves as much as any other


def test_dressings_begin_apart_and_what_is_set_by_hand_begins_as_it_is_said():
    """Every thirteenth load is nearly a whole turn on, so dressings are counted by themselves."""
    batch = {"part": "ring", "count": 60, "together": 2}
    batch["dress"] = {"with": "dresser", "every": "26 parts"}
    one = study(batch, dresser=True)
    loads = Loads(one.batch, one.plates, one.steps, 0, Watch(one.plates, NO_MARGIN))
    dressed = [
        loads.begins(one.steps[1], Progress(step=2, round=13 * n, dressings=n))[0]
        for n in (1, 2, 3)
    ]
    apart = np.abs(np.exp(1j * np.diff([*dressed, dressed[0]])) - 1.0)
    assert apart.min() > 0.5
    by_hand = replace(one.steps[0], walk=Turn(np.radians(90.0), every=10))
    assert loads.begins(by_hand, Progress(round=2)) == (0.0, 0.0)


@pytest.mark.parametrize("walk", [0.0, 99.0])
def test_tops_that_differ_by_their_places_share_out_their_poses_once(walk):
    """Each by itself has the same poses, shares and moments, to the bit."""
    one = study({"part": "ring", "count": 3, "together": 3})
    step = replace(one.steps[0], walk=Turn(np.radians(walk)))
    moves = [Motion(one.batch.station(step, k), (1, 2)) for k in range(3)]
    assert moves[0].shares_with(moves[1]) == (walk > 0.0)
    given = 0, 40, 64, (0.3, 0.7), 2
    both = zip(
        block_samples(moves, [9.0] * 3, *given, [True] * 3),
        [block_sample(move, 9.0, *given, True) for move in moves],
        strict=True,
    )
    for got, wanted in both:
        for name in ("share", "check", "moments", "hands"):
            assert np.array_equal(getattr(got, name), getattr(wanted, name)), name
        assert np.array_equal(got.poses.cx, wanted.poses.cx)
        assert np.array_equal(got.poses.vx, wanted.poses.vx)


@pytest.mark.campaign
def test_what_rubs_off_balances(dressed):
    """Metal by volume: with one wear constant for all, the plate loses what the tops lose (Preston 1927).

    Tops that do not turn match to round-off; of those that do, each face sums its own cells' speeds.
    """
    one, states = dressed
    straight = replace(one.steps[0], walk=Turn(), turn=Turn(), carry_centre=False)
    unturned = replace(one, steps=(straight,), batch=replace(one.batch, dress=None))
    for study_, end, off in (
        (one, states[-1], 1e-3),
        (unturned, list(unturned.states())[-1], 1e-9),
    ):
        volume = {n: end.removed[n] * plate.land_area for n, plate in study_.plates.items()}
        tops = sum(part for name, part in volume.items() if name != "plate")
        assert volume["plate"] / tops == pytest.approx(1.0, abs=off, rel=0.0)


@pytest.mark.campaign
def test_every_part_comes_anew_and_the_plate_goes_on(dressed):
    one, states = dressed
    laid = [moment for moment in states if moment.event in ("start", "laid")]
    assert [moment.clock.parts for moment in laid] == [2, 4, 6, 7]
    for moment in laid:
        first = moment.clock.parts - one.batch.number(moment.clock.round) + 1
        part, _ = one.batch.part_of(one.plates["ring"], first, one.seed)
        level = moment.heights["ring"] - part.heights()
        assert np.ptp(level[part.land > 0.0]) < 1e-18
        # All are as thick as is said, whatever their form: its mean height is no thickness.
        thick = thickness_of(
            one.plates["ring"].replace(thickness=0.01), moment.heights["ring"], NO_MARGIN
        )
        assert thick.mean == pytest.approx(0.01, abs=1e-15)
    spheres = {
        m.clock.parts: forms(one.plates["ring"], m.heights["ring"], NO_MARGIN).sphere for m in laid
    }
    assert len({round(1e12 * sphere) for sphere in spheres.values()}) == 4
    off = [moment.removed["plate"] for moment in states]
    assert (np.diff(off) >= 0.0).all()


@pytest.mark.campaign
def test_dressing_comes_when_it_is_due_and_not_after_the_last(dressed):
    one, states = dressed
    record = recorded(one, states).batch.record
    assert record.dressings.after.tolist() == [4]
    assert states[-1].clock.dressings == 1
    due = study(
        {
            "part": "ring",
            "count": 4,
            "dress": {"with": "dresser", "when": {"flatness": "0.01 nm"}},
        },
        dresser=True,
    )
    assert recorded(due, due.states()).batch.record.dressings.after.tolist() == [1, 2, 3]


@pytest.mark.campaign
def test_the_table_tells_of_each_part(dressed, tmp_path):
    one, states = dressed
    run = recorded(one, states).run(HEADING, "done", 0.0)
    record = run.batch
    assert record.number.tolist() == list(range(1, 8))
    assert record.load.tolist() == [1, 1, 2, 2, 3, 3, 4]
    assert record.station.tolist() == [1, 2, 1, 2, 1, 2, 1]
    ring = one.plates["ring"]
    assert record.removed.sum() == pytest.approx(
        sum(states[-1].removed[name] for name in one.batch.names), rel=1e-9, abs=0.0
    )
    assert record.forms["sphere"][-1] == forms(ring, states[-1].heights["ring"], one.margin).sphere
    out = out_of_goal(record, one)
    assert out.tolist() == (record.forms["flatness"] > 0.3e-6).tolist()
    told = json.loads(json.dumps(run.told()["batch"], default=float))
    assert told["out_of_goal"] == out.sum()
    assert len(told["parts"]) == 7
    assert len(csv_text(record).splitlines()) == 8
    write_run(run, tmp_path / "run.h5")
    again = read_run(tmp_path / "run.h5")
    assert again.study.batch == one.batch
    table = record.table()
    assert all(np.array_equal(values, table[n]) for n, values in again.batch.table().items())
    assert again.batch.dressings.after.tolist() == [4]
    # Each station's part has had the same grit: what no gauge tells on one it tells on none.
    assert {grit_on(run, name) for name in one.batch.names} == {9e-6}


@pytest.mark.campaign
def test_a_stopped_batch_goes_on_to_the_same_bits(dressed, tmp_path):
    one, states = dressed
    whole = recorded(one, states).run(HEADING, "done", 0.0)
    middle = next(k for k, m in enumerate(states) if m.event == "block" and m.clock.parts == 6)
    from lapwright.results.recorder import heading

    save(tmp_path / "part.h5", recorded(one, states[: middle + 1]), heading(), 0.0)
    begun = restore(tmp_path / "part.h5", one).recorder
    for moment in one.states(begun.last):
        begun.take(moment)
    end = begun.run(HEADING, "done", 0.0)
    for name, values in whole.batch.table().items():
        assert np.array_equal(values, end.batch.table()[name]), name
    assert np.array_equal(whole.plates["plate"].frames[-1], end.plates["plate"].frames[-1])
    assert isinstance(begun.batch, BatchRecorder)


def test_parts_under_one_weight_lose_what_they_bear():
    """Statics: a load two fifths of the way to the first of three parts gives it 0.6 and the others 0.2 each.

    Rings of 50/30 mm take up part of the moment themselves: (R^2 + r^2)/2 over the square of their circle's
    radius, 6 %; wear goes by the load (Preston 1927), all going the same way.
    """
    batch = {"part": "ring", "count": 3, "together": 3, "radius": "60 mm", "under": "one weight"}
    one = study(batch, kappa="1e-15 1/Pa", strokes=4)
    document = typed(one)
    step = document["steps"][0]
    del step["turn"], step["turn_bottom"]
    step["stroke"] = {"kind": "circle", "radius": "8 mm"}
    step["load"] = "30 N"
    step["load_at"] = {"x": "24 mm", "y": "0 mm", "fixed_to": "top"}
    one = Study.from_dict(document)
    *_, end = one.states()
    off = np.array([end.removed[name] for name in one.batch.names])
    own, hand = 3.0 * 0.3 * 9.80665, 30.0
    lever = (own / 3.0 + hand * np.array([0.6, 0.2, 0.2])) / (own + hand)
    arm = 1.0 + 0.5 * (0.025**2 + 0.015**2) / 0.06**2
    wanted = (own + hand) / 3.0 + hand * 0.4 * np.array([2.0, -1.0, -1.0]) / 3.0 / arm
    assert off / off.sum() == pytest.approx(lever, abs=0.03)
    assert off / off.sum() == pytest.approx(wanted / (own + hand), abs=0.003)
    assert end.removed["plate"] * one.plates["plate"].land_area == pytest.approx(
        off.sum() * one.plates["ring"].land_area, rel=1e-3
    )


@pytest.mark.parametrize(
    ("batch", "words"),
    [
        ({"count": 4, "together": 3}, "write count = 6"),
        ({"count": 3, "together": 3, "carrier": "dresser"}, "leave one of them out"),
    ],
)
def test_what_one_weight_cannot_lie_on_is_refused(batch, words):
    given = {"part": "ring", "radius": "60 mm", "under": "one weight"}
    with pytest.raises(StudyError, match=words):
        study(given | batch, dresser="carrier" in batch)


def test_a_goal_of_size_for_parts_of_a_batch_is_refused():
    """Nothing follows how thick each part comes out: it is said in a line and not passed over."""
    given = typed(study({"part": "ring", "count": 4}))
    given["plates"]["ring"]["thickness"] = "10 mm"
    given["goal"] = {"thickness": {"ring": "9.99 mm"}}
    with pytest.raises(StudyError, match="not followed from part to part"):
        Study.from_dict(given)


def test_a_part_that_hangs_under_the_weight_is_named():
    """Removed a hundredth of what the others lose: it did not touch (Preston 1927: no load, no wear)."""
    batch = {"part": "ring", "count": 3, "together": 3, "radius": "60 mm", "under": "one weight"}
    given = typed(study(batch, kappa="1e-15 1/Pa", strokes=1))
    given["steps"][0]["stroke"] = {"kind": "circle", "radius": "8 mm"}
    one = Study.from_dict(given)
    run = recorded(one, one.states()).run(HEADING, "done", 0.0)
    assert not any("hung under" in line for line in run.lines())
    thin = replace(run.batch, removed=run.batch.removed * np.array([1.0, 0.01, 1.0]))
    assert any("weight: 2." in line for line in replace(run, batch=thin).lines())


def test_a_cut_shows_the_part_where_it_lies():
    """On its circle by the radius, as by the middle of the stroke: two spellings of one place."""
    by_stroke = typed(study({"part": "ring", "count": 1}, strokes=1))
    by_circle = json.loads(json.dumps(by_stroke))
    del by_circle["steps"][0]["stroke"]["centre"]
    by_circle["batch"]["radius"] = "60 mm"
    for given in (by_stroke, by_circle):
        one = Study.from_dict(given)
        view = RunView(recorded(one, one.states()).run(HEADING, "done", 0.0), ())
        assert view.middle == pytest.approx((0.06, 0.0))


@pytest.mark.parametrize(("away", "stands"), [(120.0, True), (140.0, False)])
def test_a_weight_that_tips_is_told_before_it_is_lapped(away, stands):
    """Three rings of 50 mm at 60 mm: opposite one their tangent lies 60/2 + 25 = 55 mm from the middle.

    Their own weight, 8.8 N in the middle, makes 55 mm to 55 (1 + 8.8/7) = 124 mm for a load of 7 N (statics).
    """
    batch = {"part": "ring", "count": 3, "together": 3, "radius": "60 mm", "under": "one weight"}
    given = typed(study(batch))
    at = {"x": f"-{away} mm", "y": "0 mm", "fixed_to": "top"}
    given["steps"][0] |= {
        "load": "7 N",
        "load_at": at,
        "stroke": {"kind": "circle", "radius": "8 mm"},
    }
    if stands:
        one = Study.from_dict(given)
        assert any("by itself" in line for line in one.bearing().lines())
        return
    with pytest.raises(StudyError, match="tips"):
        Study.from_dict(given)


def typed(one):
    """A study as a file has it, to be changed."""
    return json.loads(json.dumps(document_of(one.text)))


@pytest.mark.campaign
def test_a_place_said_by_the_circle_is_looked_at_like_one_said_by_the_stroke():
    """Two spellings of one batch: what is foreseen of the first part is the same, over the edge too."""
    by_stroke = typed(study({"part": "ring", "count": 4, "together": 2}))
    by_stroke["steps"][0]["stroke"]["centre"] = ["90 mm", "0 mm"]
    by_circle = json.loads(json.dumps(by_stroke))
    del by_circle["steps"][0]["stroke"]["centre"]
    by_circle["batch"]["radius"] = "90 mm"
    looks = [Study.from_dict(one).preview().to_dict() for one in (by_stroke, by_circle)]
    assert looks[0]["steps"] == looks[1]["steps"]
    assert [w["code"] for w in looks[0]["warnings"]] == [w["code"] for w in looks[1]["warnings"]]
    assert looks[0]["steps"][0]["overhang"] > 0.0


FOUR_CLOSE = [["20 mm", "0 mm"], ["0 mm", "20 mm"], ["-20 mm", "0 mm"], ["0 mm", "-20 mm"]]


@pytest.mark.parametrize(
    ("batch", "order", "wear", "words"),
    [
        ({"together": 4, "stations": FOUR_CLOSE}, [0, 1], None, "on each other"),
        ({}, [0, 1, 0], None, "cannot dress"),
        ({}, [0, 1], {"removed": "2 um", "in": "10 min", "plate": "plate"}, "weigh one of them"),
    ],
)
def test_what_would_be_lapped_wrongly_is_refused(batch, order, wear, words):
    dress = {"with": "dresser", "every": "2 parts", "step": 2}
    two = {"part": "ring", "count": 4, "together": 2, "dress": dress}
    document = typed(study(two, dresser=True))
    document["batch"] |= batch
    document["steps"] = [document["steps"][k] for k in order]
    document["grits"]["fine"]["wear"] = wear or "1e-12 1/Pa"
    with pytest.raises(StudyError, match=words):
        Study.from_dict(document)


@pytest.mark.always("9-7")
@pytest.mark.parametrize(("count", "every"), [(9, 1), (9, 4), (9, 7), (8, 3), (7, 2)])
def test_how_long_a_batch_rubs_counts_dressings_as_they_come(count, every):
    batch = {"part": "ring", "count": count, "together": 3}
    batch["dress"] = {"with": "dresser", "every": f"{every} parts"}
    one = study(batch, dresser=True, strokes=1)
    *_, last = one.states()
    assert one.batch.dress.times(one.batch) == last.clock.dressings
