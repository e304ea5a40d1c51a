"""Batches compared: what puts ways in order against each run by itself, keys of a batch, draws."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from lapwright.errors import CommandError, StudyError
from lapwright.optimisation.batch_search import GRID, BatchSearch
from lapwright.optimisation.cases import cases_of, drawn
from lapwright.optimisation.design import DesignSpace
from lapwright.optimisation.summary import Summary
from lapwright.presentation.comparison_data import as_json, csv_text
from lapwright.presentation.comparison_text import in_words
from lapwright.results.recorder import Recorder
from lapwright.study.model import Study
from lapwright.study.source import document_of


def document(**more):
    """Five rings on a plate that turns, dressed after every second; small, quick cells."""
    step = {
        "top": "ring",
        "bottom": "plate",
        "grit": "fine",
        "strokes": 20,
        "stroke": {"kind": "circle", "radius": "8 mm"},
        "turn_bottom": "99 deg per stroke",
        "turn": "63 deg per stroke",
    }
    plates = {
        "plate": {"disc": "200 mm", "thickness": "30 mm", "cells": 32},
        "ring": {"ring": ["50 mm", "30 mm"], "mass": "0.3 kg", "cells": 16},
        "dresser": {"ring": ["120 mm", "80 mm"], "mass": "1 kg", "cells": 32},
    }
    plates["ring"]["form"] = {"dome": "1 um"}
    batch = {"part": "ring", "count": 5, "together": 2, "radius": "60 mm"}
    batch |= {"scatter": {"dome": "0.3 um"}, "dress": {"step": 2, "every": "2 parts"}}
    return {
        "plates": plates,
        "grits": {"fine": {"size": "9 um", "wear": "1e-12 1/Pa"}},
        "steps": [step, {**step, "top": "dresser", "strokes": 10}],
        "batch": batch,
        **more,
    }


def first(written):
    """The first way of a study."""
    study = Study.from_dict(written)
    return cases_of(study, document_of(study.text))[0]


@pytest.fixture(scope="module")
def compared():
    """How many together, and how far out they lie: four ways."""
    swept = {"step": 1, "batch.together": [1, 2], "batch.radius": ["45 mm", "70 mm"]}
    return Study.from_dict(document(sweep=swept, goal={"flatness": "0.25 um"})).compare(samples=2)


@pytest.mark.campaign
def test_ways_are_in_order_by_parts_out_then_the_worst_then_the_plate(compared):
    """Each lapped anew by itself, and every part held to the goal by hand."""
    keys = []
    for member, summary in zip(compared.members, compared.nominal, strict=True):
        recorder = Recorder(member.study)
        for moment in member.study.states():
            recorder.take(moment)
        flat = recorder.batch.record.forms["flatness"]
        parts = summary.parts
        assert parts.out == int((flat > 0.25e-6).sum())
        assert parts.worst["flatness"] == flat.max()
        assert parts.number["flatness"] == int(np.argmax(flat)) + 1
        assert parts.dressings == len(recorder.batch.record.dressings.after)
        error = 2.0 * parts.error["flatness"]
        keys.append((parts.out, flat.max(), error, summary.plates["plate"].forms["flatness"]))
        assert Summary.of_plain(summary.plain()).parts == parts
    assert len({key[:2] for key in keys}) == 4
    ranked = [keys[i] for i in compared.order]
    for (out, flat, error, plate), (out2, flat2, error2, plate2) in pairwise(ranked):
        alike = abs(flat2 - flat) <= np.hypot(error, error2)
        assert out < out2 or (out == out2 and (flat < flat2 or (alike and plate <= plate2)))


@pytest.mark.campaign
def test_worst_parts_that_differ_by_less_than_the_error_are_alike(compared):
    """Then the plate that is left tells; further apart the worst part does."""
    first = compared.nominal[compared.order[0]]
    size, error = first.parts.worst["flatness"], first.parts.error["flatness"]

    def with_(more, plate):
        worst = {**first.parts.worst, "flatness": size + more}
        flat = {**first.plates["plate"].forms, "flatness": plate}
        ended = replace(first.plates["plate"], forms=flat)
        parts = replace(first.parts, worst=worst)
        return replace(first, parts=parts, plates={**first.plates, "plate": ended})

    assert error > 0.0
    near, far = with_(2.5 * error, 1e-7), with_(9.0 * error, 1e-7)
    usual = with_(0.0, 2e-7)
    criterion = compared.criterion
    assert criterion.order([usual, near]) == (1, 0)
    assert criterion.order([usual, far]) == (0, 1)
    assert criterion.better(near, usual) == 1.0
    assert criterion.better(far, usual) == 0.0


@pytest.mark.campaign
def test_draws_differ_in_their_parts_and_are_counted(compared):
    for i in range(4):
        within = [got.parts.out == 0 for got in compared.draws[i]]
        assert compared.all_within(i) == sum(within)
        assert len({got.parts.worst["sphere"] for got in compared.draws[i]}) == 2


@pytest.mark.campaign
def test_words_json_and_table_say_them(compared):
    text = "\n".join(in_words(compared))
    assert "2 together" in text
    assert "parts out of the goal" in text
    assert "dressed 2 times" in text
    assert "ring 2:" not in text  # faces of single parts are told part by part, not as an end
    told = as_json(compared)["members"]
    assert [one["batch"]["lapped"] for one in told] == [5] * 4
    head, *rows = csv_text(compared).splitlines()
    at = head.split(",").index("out_of_goal")
    assert [int(row.split(",")[at]) for row in rows] == [one["batch"]["out"] for one in told]


def test_every_part_is_drawn_like_its_kind_and_the_rest_alike_whatever_lies_together():
    one, two = (Study.from_dict(document()) for _ in range(2))
    document_of_one = document()
    document_of_one["batch"]["together"] = 1
    one = drawn(Study.from_dict(document_of_one), 3)
    two = drawn(two, 3)
    assert two.plates["ring 2"].form == two.plates["ring"].form == one.plates["ring"].form
    assert two.plates["dresser"].form == one.plates["dresser"].form
    assert two.plates["ring"].form.sphere != 1e-6


def test_stations_make_way_and_dressing_by_number_for_dressing_by_gauge():
    written = document(sweep={"batch.together": [3]})
    written["batch"]["stations"] = ["0 deg", "90 deg"]
    study = first(written).study
    assert study.batch.stations == ()
    assert study.batch.together == 3
    swept = document(sweep={"batch.dress.when": [{"dome": "0.1 um"}]})
    dress = first(swept).study.batch.dress
    assert dress.every is None
    assert dict(dress.when) == {"dome": 0.1e-6}


@pytest.mark.parametrize(
    ("swept", "words"),
    [
        ({"batch.togethr": [1, 2]}, "did you mean together"),
        ({"batch.together": [1, 99]}, "99"),
        ({"batch.radius": ["60 mm", "9 kg"]}, "9 kg"),
        ({"batch.dress.ever": ["2 parts"]}, "ever"),
    ],
)
def test_keys_and_values_that_no_batch_has_are_refused(swept, words):
    with pytest.raises(StudyError, match=words):
        Study.from_dict(document(sweep=swept))


def test_a_batch_that_is_not_there_cannot_be_swept():
    bare = {key: value for key, value in document().items() if key != "batch"}
    with pytest.raises(StudyError, match="no \\[batch\\] to change"):
        Study.from_dict({**bare, "sweep": {"batch.together": [1, 2]}})


@pytest.mark.long
def test_tune_keeps_all_parts_within_the_goal_and_is_no_worse_than_as_typed():
    """The answer lapped anew by itself; among what was typed, the coarse places and their neighbours."""
    free = {"batch.dress.every": ["1 parts", "5 parts"], "batch.together": [1, 2]}
    written = document(goal={"flatness": "0.3 um"}, tune={"free": free})
    study = Study.from_dict(written)
    got = study.tune()
    answer, begun = got.answer, got.begun
    recorder = Recorder(answer.study)
    for moment in answer.study.states():
        recorder.take(moment)
    flat = recorder.batch.record.forms["flatness"]
    assert answer.simulated.ok == bool((flat <= 0.3e-6).all())
    assert answer.simulated.share == pytest.approx(flat.max() / 0.3e-6)
    if begun.ok:
        assert answer.simulated.cost.time <= begun.simulated.cost.time
    else:
        assert answer.ok or answer.summary.parts.out <= begun.summary.parts.out
    assert got.tried > 3
    assert "coarse plates" in "\n".join(got.lines())


def test_of_more_ways_than_are_looked_at_every_choice_comes_up_alike():
    """Three by nine choices with a number: no two values of a key differ by more than one in how often."""
    turns = [f"{n} deg per stroke" for n in range(40, 49)]
    together = [1, 2, 3]
    free = {"batch.together": together, "steps.1.turn": turns, "batch.radius": ["60 mm", "70 mm"]}
    study = Study.from_dict(document(goal={"flatness": "0.3 um"}, tune={"free": free}))
    space = DesignSpace(study, document_of(study.text), Path())
    search = BatchSearch.__new__(BatchSearch)
    search.space = space
    grid = np.array(search._grid())
    assert len(grid) == GRID
    for column, knob in zip(grid.T, space.knobs, strict=True):
        _, often = np.unique(column, return_counts=True)
        assert len(often) == (len(knob.choices) or 5)
        assert np.ptp(often) <= 1


@pytest.mark.parametrize("tune", [{"least": "swaps"}, {"order": True}])
def test_what_a_batch_cannot_be_tuned_by_is_refused(tune):
    free = {"batch.together": [1, 2]} | {k: v for k, v in tune.items() if k == "order"}
    table = {"free": free} | {k: v for k, v in tune.items() if k == "least"}
    study = Study.from_dict(document(goal={"flatness": "0.3 um"}, tune=table))
    with pytest.raises(CommandError, match="of a batch"):
        study.tune()
