"""Variants and sweeps become studies of their own, which `run` takes."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from comparing import PAIR, THREE, TURNED

from lapwright.optimisation.cases import axis_number, cases_of, with_cells
from lapwright.study.model import Axis
from lapwright.study.read import parse
from lapwright.study.source import document_of
from lapwright.study.write import written

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))

SWEEP = (
    PAIR
    + '[sweep]\n"stroke.travel" = ["1/6", "1/3"]\nload = { from = "0 N", to = "20 N", steps = 3 }\n'
)


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.stem)
def test_a_document_written_down_reads_the_same(path: Path) -> None:
    document = document_of(path.read_text("utf-8"))
    assert tomllib.loads(written(document, "a note\nof two lines")) == document


def test_awkward_values_are_written_as_toml_has_them() -> None:
    document = {
        "title": 'quotes " and \\ and \n\t\x7f\x01 µ',
        "date": datetime.date(2026, 1, 31),
        "empty": [],
        "mixed": [1, [2.5, "x"], {"a b": True}],
        "grits": {"two words": {"size": "9 um"}, "x": {"wear": {"A": "1", "B": "2"}}},
        "steps": [
            {"a.b": 1e-9, "c": 0.1234567890123},
            {"n": 10**18, "none": {}, "x": {"off": False, "no": 0}},
        ],
    }
    assert tomllib.loads(written(document)) == document


def test_a_sweep_is_every_pair_of_values_in_the_order_typed() -> None:
    study = parse(SWEEP, "pair")
    members = cases_of(study, document_of(SWEEP))
    assert [m.place for m in members] == [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2)]
    assert members[4].name == "travel 1/3, load 10 N"
    assert members[4].changes == {"stroke.travel": "1/3", "load": "10 N"}
    assert members[4].study.steps[0].load.force == 10.0
    assert members[4].study.steps[0].curve.length == pytest.approx(0.16 / 3)
    again = parse(members[4].text, "again")
    assert again.steps == members[4].study.steps
    assert again.swept is None
    assert len({m.stem for m in members}) == 6


def test_a_member_keeps_what_the_person_wrote() -> None:
    text = "# mine\n" + SWEEP.replace('load = "20 N"', 'load = "20 N"  # by hand')
    for member in cases_of(parse(text, "pair"), document_of(text)):
        assert "\n# mine\n" in member.text
        assert "  # by hand\n" in member.text
        assert "sweep" not in member.text


def test_variants_change_only_the_step_that_they_name() -> None:
    text = TURNED + TURNED[TURNED.index("[[steps]]") :]
    text += '[[variants]]\nname = "heavy/end"\nstep = 2\nset = { load = "30 N", turn = "none" }\n'
    (member,) = cases_of(parse(text, "pair"), document_of(text))
    assert [step.load.force for step in member.study.steps] == [20.0, 30.0]
    assert [step.turn.angle == 0.0 for step in member.study.steps] == [False, True]
    assert "/" not in member.stem


def test_a_member_that_means_nothing_says_why_and_leaves_the_others() -> None:
    # Ends of a range are checked when the file is read, what lies between only when it is used.
    text = PAIR + '[sweep]\nturn = ["none", "8 deg per stroke"]\n'
    study = parse(text, "pair")
    document = document_of(text)
    broken = study.swept.__class__(
        None, (Axis("turn", ("none", "8 deg per glass", "9 deg per stroke")),)
    )
    given = {each.name: getattr(study, each.name) for each in fields(study)} | {"swept": broken}
    members = cases_of(study.__class__(**given), document)
    assert [m.study is None for m in members] == [False, True, False]
    assert "turn" in members[1].trouble


def test_coarser_cells_keep_the_proportions() -> None:
    text = PAIR.replace("cells = 24", "cells = 64").replace('like = "A"', 'like = "A", cells = 48')
    study = parse(text, "pair")
    coarse = parse(written(with_cells(document_of(text), study, 32)), "coarse")
    assert {name: plate.cells for name, plate in coarse.plates.items()} == {"A": 32, "B": 24}
    assert coarse.plates["B"].outline == study.plates["B"].outline


@pytest.mark.parametrize(
    ("values", "numbers"),
    [
        (("5 %", "8.5 %", "-2e1 %"), [5.0, 8.5, -20.0]),
        (("10 mm", "1 in"), None),
        (("none", "8 deg per stroke"), None),
        (("1/6", "1/3"), None),
        (("5 min",), None),
        ((100, 200), [100.0, 200.0]),
    ],
)
def test_numbers_along_an_axis(values: tuple, numbers: list | None) -> None:
    assert axis_number(Axis("key", values)) == numbers


def test_names_typed_twice_stay_apart() -> None:
    text = PAIR + '[sweep]\nload = ["10 N", "10 N"]\n'
    members = cases_of(parse(text, "pair"), document_of(text))
    assert len({m.name for m in members}) == 2


def test_variants_come_before_the_sweep() -> None:
    text = THREE + '[sweep]\nload = ["10 N", "20 N"]\n'
    members = cases_of(parse(text, "pair"), document_of(text))
    assert [m.name for m in members] == [
        "as usual",
        "over the edge",
        "short",
        "load 10 N",
        "load 20 N",
    ]
