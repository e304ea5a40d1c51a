"""What lies on the plate in a load of a batch: members lap it as a run does, and the book goes through it."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.form import forms
from lapwright.optimisation import parts
from lapwright.optimisation.book import Book, next_study, step_table
from lapwright.optimisation.entry import entries_of, entry_text
from lapwright.optimisation.lain import Lain, alike, name_of
from lapwright.results.recorder import Recorder
from lapwright.study.model import Study

CIRCLE = {"kind": "circle", "radius": "8 mm"}
OFF = CIRCLE | {"centre": ["60 mm", "0 mm"]}
TURNED = {"turn": "63 deg per stroke", "turn_bottom": "99 deg per stroke"}
SMALL = {"ring": ["30 mm", "12 mm"], "mass": "0.15 kg", "cells": 16, "form": {"dome": "1 um"}}
UNDER = {"together": 3, "radius": "60 mm", "under": "one weight"}
LAID = {
    "in a carrier": (
        {"together": 2, "radius": "20 mm", "carrier": "carrier"},
        {"stroke": {"kind": "circle", "radius": "6 mm", "centre": ["45 mm", "0 mm"]}} | TURNED,
        ("ring",),
    ),
    "keeping their places": (
        {"together": 2}, {"stroke": OFF, "turn": "63 deg per stroke"}, ("ring", "ring 2"),
    ),
    "at unlike distances": (
        {"together": 2, "stations": [["60 mm", "0 mm"], ["-40 mm", "0 mm"]]},
        {"stroke": OFF} | TURNED,
        ("ring", "ring 2"),
    ),
    "under one weight": (UNDER, {"stroke": CIRCLE, "load": "30 N"} | TURNED, ("ring",)),
    "under one that is not turned": (
        UNDER, {"stroke": CIRCLE, "load": "30 N"}, ("ring", "ring 2", "ring 3"),
    ),
}  # fmt: skip


def study(batch, step, count=6, ring=None, strokes=150, **more):
    """Rings on a plate, with wear and layer given; small, quick cells."""
    step = {
        "top": "ring", "bottom": "plate", "grit": "nine", "strokes": strokes, "load": "10 N",
    } | step  # fmt: skip
    plates = {
        "plate": {"disc": "200 mm", "thickness": "30 mm", "cells": 32},
        "ring": ring or {"ring": ["50 mm", "30 mm"], "mass": "0.3 kg", "cells": 16, "form": {"dome": "1 um"}},
        "carrier": {"ring": ["110 mm", "80 mm"], "mass": "0.8 kg", "cells": 28, "form": {"dome": "0 um"}},
    }  # fmt: skip
    return Study.from_dict(
        {
            "grits": {
                "nine": {"size": "9 um", "wear": "4e-12 1/Pa", "layer": {"depth": "0.5 um"}}
            },
            "plates": plates,
            "gauges": {"sph": {"kind": "spherometer", "feet": 3, "foot_circle": "150 mm", "zero": "flat"}},
            "steps": [step],
            "batch": {"part": "ring", "count": count} | batch,
            "goal": {"flatness": "0.5 um", "plates": ["ring"]},
        }
        | more
    )  # fmt: skip


def truth(book):
    """One shop that is just what the study says (1, size), and what lies on its plate."""
    layout = book.bench.layout
    shop = book.bench.prior.centre[None].copy()
    for grit in layout.layers:
        shop[:, layout.layer(grit)] = 0.0
    step = next(one for one in book.study.steps if book.batch.laps(one))
    return shop, Lain(book.bench, book.batch, step, (1,), False)


@pytest.mark.campaign
@pytest.mark.parametrize("how", LAID)
def test_a_member_that_is_the_truth_foretells_what_a_run_gives(how, monkeypatch):
    """Against the engine, load after load, on cells and places of its own: a tenth of what changed."""
    batch, step, names = LAID[how]
    one = study(batch, step, ring=SMALL if "carrier" in batch else None)
    recorder = Recorder(one)
    for moment in one.states():
        recorder.take(moment)
    book = Book(one)
    layout, usual = book.bench.layout, book.bench.layout.face("ring")
    shop, lain = truth(book)
    assert lain.parts == names
    monkeypatch.setattr(lain, "_new", lambda number, _: book.bench.prior.centre[None, usual])
    begun, off = shop.copy(), 0.0
    rng = np.random.default_rng(1)
    for _ in range(book.batch.loads):
        shop, also = lain.laid(shop, rng)
        shop = lain.lap(shop, np.zeros(1, dtype=np.intp), also)
        off += shop[0, layout.removed("plate")]
    assert off == pytest.approx(recorder.batch.record.plate_removed[-1], rel=0.02)
    for name in lain.names:
        run = forms(one.plates[name], np.asarray(moment.heights[name]), one.margin)
        rows = layout.form_rows(name)
        came = rows @ (begun[0] if name in lain.onward else shop[0] * 0.0 + begun[0])
        if name in lain.parts:
            came = layout.form_rows("ring") @ begun[0]
        changed = abs(run.sphere - came[0])
        assert rows[0] @ shop[0] == pytest.approx(run.sphere, abs=0.1 * changed + 5e-9), name


def test_of_four_under_one_weight_a_thicker_one_bears_more():
    """K A t / 4 more of four small parts in a square, the one across as much more, the others less (statics).

    docs/theory.md, parts under one weight: derived there by hand.
    """
    dot = {"disc": "6 mm", "mass": "0.01 kg", "cells": 16, "form": {"dome": "0 um"}}
    under = {
        "together": 4,
        "radius": "60 mm",
        "under": "one weight",
        "scatter": {"thickness": "1 nm"},
    }
    still = {"stroke": {"kind": "circle", "radius": "3 mm"}, "load": "20 N"}
    book = Book(study(under, still, count=4, ring=dot, strokes=1))
    shop, lain = truth(book)
    thicker = 0.2e-6
    also = np.array(
        [[thicker, 0.0, 0.0, 0.0]]
    )  # read as what lies above the first: it alone is thicker
    ended = lain.lap(shop, np.zeros(1, dtype=np.intp), also)
    off = ended[0, [book.bench.layout.removed(name) for name in lain.parts]]
    plate = book.study.plates["ring"]
    stiffness = lain.step.grit.layer.stiffness
    more = stiffness * plate.land_area * thicker / 4.0
    total = 20.0 + 4.0 * plate.weight
    assert more < 0.9 * total / 4.0, "all bear"
    share = 1.0 + more / (total / 4.0) * np.array([1.0, -1.0, 1.0, -1.0])
    assert off / off.mean() == pytest.approx(share, rel=0.01)


def test_parts_at_one_distance_fare_alike_only_where_they_go_round():
    for how, (batch, step, names) in LAID.items():
        one = study(batch, step, ring=SMALL if "carrier" in batch else None)
        groups = alike(one.batch, one.steps[0])
        assert tuple(one.batch.names[own[0]] for own in groups) == names, how
        assert sorted(k for own in groups for k in own) == list(range(one.batch.together))
        last = one.batch.count
        assert name_of(one.batch, groups, last) == names[(last - 1) % len(names)]


@pytest.mark.campaign
@pytest.mark.parametrize("how", ["in a carrier", "keeping their places", "under one weight"])
def test_the_book_goes_on_through_such_a_batch(how, monkeypatch):
    """What is read of plate and part narrows what is believed; an entry taken back leaves nothing behind."""
    monkeypatch.setattr(parts, "PART_MEMBERS", 24)
    batch, step, names = LAID[how]
    book = Book(study(batch, step, ring=SMALL if "carrier" in batch else None, strokes=60))

    done = step_table(book.study.steps[0], book.study.units)
    reading = {"gauge": "sph", "plate": "plate", "value": "-0.1 um"}
    text = entry_text({"parts": 6, "done": done})
    (entry,) = entries_of(text, book.study)
    book.add(entry)
    for name in (*names, "plate", *(["carrier"] if "carrier" in batch else [])):
        assert book.known.centre[book.bench.layout.removed(name)] > 0.0, name
    before, known = book.now.form("plate", "sphere"), book.known
    (read,) = entries_of(entry_text({"readings": [reading]}), book.study)
    book.add(read)
    after = book.now.form("plate", "sphere")
    assert after.high - after.low < 0.8 * (before.high - before.low)
    assert book.undo()
    assert book.known is known


@pytest.mark.parametrize("how", LAID)
def test_the_next_parts_are_a_study_of_their_own(how):
    """As many as advised, new as the study says, where they lay, on the plate as it is believed."""
    batch, step, _ = LAID[how]
    one = study(batch, step, count=12, ring=SMALL if "carrier" in batch else None)
    book = Book(one)
    found = next_study(book, book.study.steps[0], 6)
    assert found.batch == replace(one.batch, count=6)
    assert (found.steps[0].centre, found.steps[0].offset) == (one.steps[0].centre, (0.0, 0.0))
    assert found.plates["ring"].form == one.plates["ring"].form
    assert found.goal == one.goal
