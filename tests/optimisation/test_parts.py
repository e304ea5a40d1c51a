"""The book of a batch: parts lapped by members against a run, what comes next, and what is refused."""

from types import SimpleNamespace

import numpy as np
import pytest

from lapwright.commands.log import _of_part, _parts
from lapwright.errors import CommandError
from lapwright.optimisation import parts
from lapwright.optimisation.book import Book
from lapwright.optimisation.entry import Entry, entries_of, entry_text
from lapwright.optimisation.parts import PartsPlan, apart, lapped_so_far
from lapwright.presentation.parts_words import plan_next, plan_to_go, plan_told
from lapwright.results.recorder import Recorder
from lapwright.specification.batch import Batch, Dress
from lapwright.study.model import Study
from lapwright.units import METRIC


def study(batch, **changes):
    """Rings going round on a plate that turns, read by a spherometer; small, quick cells."""
    step = {
        "top": "ring",
        "bottom": "plate",
        "grit": "9 um",
        "strokes": 200,
        "stroke": {"kind": "circle", "radius": "8 mm", "centre": ["60 mm", "0 mm"]},
        "turn_bottom": "99 deg per stroke",
        "turn": "63 deg per stroke",
        "load": "10 N",
        "hand": "steady",
    } | changes
    step = {key: value for key, value in step.items() if value is not None}
    plates = {
        "plate": {"disc": "200 mm", "thickness": "30 mm", "cells": 28, "form": {"dome": "0 um"}},
        "ring": {
            "ring": ["50 mm", "30 mm"],
            "mass": "0.3 kg",
            "cells": 16,
            "form": {"dome": "1 um"},
        },
        "dresser": {"ring": ["120 mm", "80 mm"], "mass": "1 kg", "cells": 28},
    }
    sph = {"kind": "spherometer", "feet": 3, "foot_circle": "150 mm", "zero": "flat"}
    steps = [step, step | {"top": "dresser", "stroke": {"kind": "circle", "radius": "12 mm"}}]
    return Study.from_dict(
        {
            "plates": plates,
            "steps": steps if "dress" in batch else steps[:1],
            "gauges": {"sph": sph},
            "batch": {"part": "ring", "count": 12} | batch,
            "goal": {"flatness": "0.5 um", "plates": ["ring"]},
        }
    )


DRESS = {"dress": {"with": "dresser", "step": 2, "when": {"dome": "0.5 um"}}}


@pytest.mark.campaign
def test_members_lap_parts_as_a_run_does(monkeypatch):
    """The band that is believed holds what the engine laps (a run of the same parts, other shapes)."""
    monkeypatch.setattr(parts, "PART_MEMBERS", 48)
    one = study({"count": 4, "together": 2, "scatter": {"dome": "0.1 um"}}, strokes=60)
    recorder = Recorder(one)
    for moment in one.states():
        recorder.take(moment)
    run = recorder.batch.record
    book = Book(one)
    (entry,) = entries_of(entry_text({"parts": 4, "done": typed(book)}), book.study)
    assert entry.parts == 4
    book.add(entry)
    for name, forms in (("plate", run.plate), ("ring", run.forms)):
        band = book.now.form(name, "sphere")
        assert band.low < forms["sphere"][-1] < band.high, name
    off = book.known.centre[book.bench.layout.removed("plate")]
    assert off == pytest.approx(
        run.plate_removed[-1], rel=0.5
    )  # the wear constant has a band of ten


def typed(book):
    """The step of the parts as a log has it."""
    from lapwright.optimisation.book import step_table

    return step_table(book.study.steps[0], book.study.units)


@pytest.mark.parametrize(
    ("batch", "changes", "why"),
    [
        ({"together": 7, "count": 7, "radius": "75 mm", "under": "one weight"},
         {"stroke": {"kind": "circle", "radius": "8 mm"}}, "more than 6 parts under one weight"),
        ({"together": 7}, {"turn_bottom": "90 deg every 10 strokes",
         "stroke": {"kind": "circle", "radius": "8 mm", "centre": ["75 mm", "0 mm"]}}, "fares otherwise"),
    ],
)  # fmt: skip
def test_what_a_book_does_not_follow_is_refused_in_a_line(batch, changes, why):
    with pytest.raises(CommandError, match=why) as refused:
        Book(study(batch, **changes))
    assert "--start NEW" in refused.value.message, "what to do instead"


def test_a_book_keeps_parts_by_one_name():
    """The study of a book has no copies of the part, and its step lies where the first station is."""
    given, batch = apart(study({"together": 3, "count": 12}))
    assert list(given.plates) == ["plate", "ring", "dresser"]
    assert given.batch is None
    assert batch.together == 3
    assert given.steps[0].centre == pytest.approx((0.06, 0.0))


def test_laps_stand_for_all_loads_of_an_entry():
    for loads in range(1, 60):
        stands = parts._stretches(loads)
        assert sum(stands) == loads
        assert stands[0] == 1
        assert len(stands) <= parts.LAPS


def test_when_a_plate_is_due_is_read_off_a_straight_line():
    """Readings that grow by a tenth a part from 0.2 and from 0.5 reach 1 after 8 and after 5 parts."""
    marks = np.array([0.0, 2.0, 6.0, 10.0])
    reads = np.stack([0.2 + 0.1 * marks, 0.5 + 0.1 * marks], axis=1)
    low, _, high = parts._crossed(marks, reads)
    assert low == pytest.approx(5.0)
    assert high in (pytest.approx(5.0), pytest.approx(8.0))
    assert parts._crossed(marks, 0.01 * reads) is None
    slow = np.stack([0.01 * marks, 0.01 * marks, 0.5 + 0.1 * marks], axis=1)
    assert parts._crossed(marks, slow) == (pytest.approx(5.0), None, None)
    assert parts._crossed(marks, 9.0 * reads)[0] == 0.0


def test_the_first_load_out_lies_between_those_that_are_lapped():
    """Shares that grow evenly pass one in ten on a straight line (closed form)."""
    assert parts.first_out([(1, 0.0), (2, 0.02), (12, 0.22), (30, 1.0)]) == 7  # 0.1 in load 6
    assert parts.first_out([(1, 0.0), (4, 0.1), (5, 0.1), (9, 0.2)]) == 6
    assert parts.first_out([(1, 0.2), (9, 0.3)]) == 1
    assert parts.first_out([(1, 0.0), (2, 1.0)]) == 2
    assert parts.first_out([(1, 0.0), (60, 0.1)]) is None
    rng = np.random.default_rng(5)
    for _ in range(200):
        rate, last = rng.uniform(1e-3, 0.2), int(rng.integers(2, 60))
        loads = np.unique(rng.integers(1, last, 6)).tolist()
        got = parts.first_out([(n, rate * n) for n in (*loads, last)])
        if got is not None and got > loads[0]:
            assert rate * got > 0.1 - 1e-12
            assert rate * (got - 1) <= 0.1 + 1e-12


def plan(monkeypatch, left, due=None, out=None, marks=(0, 4, 8)):
    """What is chosen, four together, of a plate not read yet and never dressed."""
    monkeypatch.setattr(parts, "_forms", lambda *_: THEN)
    bench = SimpleNamespace(layout=None)
    states = [np.zeros((2, 3))] * len(marks)
    return parts._chosen(
        bench, Batch("ring", 40, 4), SimpleNamespace(bottom="plate"), marks, states, due, out,
        40 - left, left, None, 1, False, 0.0, lambda _: 0.0,
    )  # fmt: skip


def test_the_last_parts_are_lapped_though_they_are_no_whole_load(monkeypatch):
    """Two are left of loads of four, and nothing speaks against them: by counting."""
    last = plan(monkeypatch, 2, marks=(0, 4))
    assert (last.why, last.parts) == ("lap", 2)
    assert plan(monkeypatch, 2, due=(3.0, 4.0, 5.0), marks=(0, 4)).parts == 2  # due after them
    assert plan(monkeypatch, 6).parts == 6
    assert plan(monkeypatch, 6, due=(5.0, 6.0, 7.0)).parts == 4
    assert plan(monkeypatch, 6, out=5).parts == 4  # the second load is out
    assert plan(monkeypatch, 6, out=1).why == "read"
    assert plan(monkeypatch, 30).parts == 8  # no further than it was looked


def test_parts_are_counted_and_a_dressing_begins_anew():
    one = study(DRESS)
    lapped, dresses = (Entry(done=step) for step in one.steps)
    six = Entry(done=lapped.done, parts=6)
    assert lapped_so_far([six, six], one.batch) == (12, 12)
    assert lapped_so_far([six, dresses, six, Entry()], one.batch) == (12, 6)


THEN = {
    "sphere": (-6e-7, -4e-7, -2e-7),
    "saddle": (-1e-7, 0.0, 1e-7),
    "flatness": (1e-7, 3e-7, 5e-7),
}
PLAN = PartsPlan("lap", None, 9, 3, 38, 38, (9.4, 14.0, 21.0), 20, THEN)


@pytest.mark.parametrize(
    ("why", "parts_", "words"),
    [
        ("lap", 9, "Lap 9 more parts like ring"),
        ("read", 0, "Read plate first"),
        ("dress", 0, "Dress plate now"),
        ("out", 0, "Lap no more"),
        ("done", 0, "No part is left"),
    ],
)
def test_what_comes_next_is_said(why, parts_, words):
    from dataclasses import replace

    plan = replace(PLAN, why=why, parts=parts_, step=study(DRESS).steps[0])
    said = plan_next(plan, METRIC)
    assert words in said
    assert ("hollow 0.4" in said) == (why != "out")
    to_go = plan_to_go(plan)
    assert to_go.startswith("3 parts are lapped, 38 are left.")
    assert ("due for dressing after 14 more (9 to 21)" in to_go) == (why in ("lap", "out"))
    if why == "lap":
        open_ = replace(plan, due=(9.0, 14.0, None))
        assert "after 14 more (9 to more than 38)" in plan_to_go(open_)
        assert "later than the 38" in plan_to_go(replace(plan, due=(9.0, None, None)))
        assert "20 of 100" not in plan_to_go(plan)
        assert "60 of 100" in plan_to_go(replace(plan, chance=0.6))
    told = plan_told(plan)
    assert told["then"]["sphere"]["middle"] == -0.4e-6
    assert told["parts"] == parts_


def book_of(*entries, together=3):
    """What the command asks of a book."""
    batch = Batch("ring", 12, together, dress=Dress(2, every=6))
    steps = [SimpleNamespace(top="ring"), SimpleNamespace(top="dresser")]
    study = SimpleNamespace(steps=steps)
    return SimpleNamespace(
        batch=batch, entries=entries, study=study, part_name=lambda number: "ring"
    )


def test_how_many_parts_were_done_is_read():
    empty, six = book_of(), book_of(Entry(parts=6))
    assert _parts("10 parts", empty) == (10, "step 1")
    assert _parts("6 parts, 15 min", six) == (6, "step 1, 15 min")
    assert _parts("step 2", six) == (0, "step 2")
    for text, book, why in (
        ("7 parts", six, "6 parts of 12 are left"),
        ("step 1", empty, "says no number of parts"),
        ("3 parts", SimpleNamespace(batch=None), "has no"),
    ):
        with pytest.raises(CommandError, match=why):
            _parts(text, book)


def test_a_part_is_read_by_its_number_while_it_is_of_the_last_load():
    """Three together: of seven parts the last load holds the seventh alone, of six 4 to 6."""
    assert _of_part("sph ring-6 0.3 um", 6, book_of()) == "sph ring 0.3 um"
    assert _of_part("sph ring 4 0.3 um", 0, book_of(Entry(parts=6))) == "sph ring 0.3 um"
    assert _of_part("sph plate 0.3 um", 6, book_of()) == "sph plate 0.3 um"
    for number, done in ((3, 6), (6, 7), (8, 7)):
        with pytest.raises(CommandError, match="last load"):
            _of_part(f"sph ring-{number} 0.3 um", done, book_of())


def test_readings_of_a_plate_that_was_lapped_since_do_not_count():
    step = SimpleNamespace(top="ring", bottom="plate")
    read = SimpleNamespace(done=None, readings=[SimpleNamespace(plate="plate")])
    lapped = SimpleNamespace(done=step, readings=[])
    assert parts._read([lapped, read], "plate")
    assert not parts._read([read, lapped], "plate")
