"""Broken studies by the thousand: always a StudyError of one-line faults, never a traceback, never a hang."""

from __future__ import annotations

import copy
import tomllib

import pytest
from effort import Effort
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from study_typed import LONG, SHORTEST

from lapwright.errors import StudyError
from lapwright.study.model import Study
from lapwright.study.read import parse, parse_document

MANY = pytest.mark.parametrize("number", [50, pytest.param(400, marks=pytest.mark.long)])
MOST_CALLS = 200_000  # of functions written in Python, to read a study or refuse it


def tried(check, number: int, *drawn) -> None:
    """So many examples of what is drawn."""
    quiet = settings(max_examples=number, deadline=None, suppress_health_check=list(HealthCheck))
    quiet(given(*drawn)(check))()


def outcome(read, source) -> Study | list[str]:
    """What came of it, with everything checked that must hold for every study whatever."""
    error = None
    study = None
    with Effort(builtins=False) as effort:
        try:
            study = read(source)
        except StudyError as caught:
            error = caught
    assert effort.calls < MOST_CALLS
    if error is None:
        assert isinstance(study, Study)
        assert study.steps
        return study
    assert 0 < len(error.faults) < 50
    for fault in error.faults:
        assert fault.message
        assert len(str(fault)) < 700
        for part in (fault.key, fault.message):
            assert part.isprintable()
            assert "Traceback" not in part
    assert len(str(error).splitlines()) == len(error.faults)
    return [str(fault) for fault in error.faults]


def documents() -> st.SearchStrategy[dict]:
    return st.sampled_from([SHORTEST, LONG]).map(tomllib.loads)


TRICKY = (
    "nan mm|inf um|-1 mm|0 mm|1e308 m|1e-320 um|400 grit|5 tenths|2,5 um|12|% %|1/0|-0 %|deg per stroke|"
    "1e9 deg per stroke|8 deg every 0 strokes|1 / / 2|\u201c3 mm\u201d|\x00|A|B|steady|"
    "figure-eight|F400|still|none"
)
# All that can be written in UTF-8; asked for as that, each letter of Unicode is encoded to see.
LETTERS = st.characters(exclude_categories=["Cs"])
ODD_TEXTS = st.one_of(
    st.text(LETTERS, max_size=30),
    st.sampled_from([*TRICKY.split("|"), "x" * 500, "1" * 400]),
    st.builds(
        lambda number, unit: f"{number} {unit}",
        st.floats(allow_nan=True, allow_infinity=True),
        st.sampled_from(
            [
                "mm",
                "um",
                "N",
                "min",
                "deg",
                "%",
                "/min",
                "kPa",
                "deg per stroke",
                "1/Pa",
                "kg",
                "parsec",
            ]
        ),
    ),
)
ODD = st.recursive(
    st.one_of(
        st.none().map(lambda _: False),
        st.booleans(),
        st.integers(),
        st.integers(min_value=10**30, max_value=10**31),
        st.floats(),
        st.dates(),
        st.times(),
        ODD_TEXTS,
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.text(LETTERS, max_size=8), inner, max_size=3),
    ),
    max_leaves=5,
)


def places(value, path=()):
    """Every place in a document."""
    out = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            out += places(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            out += places(inner, (*path, index))
    return out


def at(document, path):
    for key in path:
        document = document[key]
    return document


@pytest.mark.campaign
@MANY
def test_one_value_is_replaced(number):
    def check(data, document):
        path = data.draw(st.sampled_from(places(document)))
        at(document, path[:-1])[path[-1]] = data.draw(ODD)
        outcome(parse_document, document)

    tried(check, number, st.data(), documents())


@pytest.mark.campaign
@MANY
def test_several_keys_are_dropped_renamed_or_moved(number):
    def check(data, document):
        for _ in range(data.draw(st.integers(1, 4))):
            path = data.draw(st.sampled_from(places(document) or [()]))
            if not path:
                break
            parent = at(document, path[:-1])
            value = parent.pop(path[-1])
            deed = data.draw(st.sampled_from(["drop", "rename", "move", "double"]))
            if deed == "rename" and isinstance(parent, dict):
                parent[data.draw(st.text(LETTERS, max_size=12))] = value
            elif deed in ("move", "double"):
                spots = [p for p in [(), *places(document)] if isinstance(at(document, p), dict)]
                at(document, data.draw(st.sampled_from(spots)))[str(path[-1])] = copy.deepcopy(
                    value
                )
                if deed == "double" and isinstance(parent, dict):
                    parent[path[-1]] = value
        outcome(parse_document, document)

    tried(check, number, st.data(), documents())


@MANY
def test_letters_are_changed(number):
    def check(data, text):
        for _ in range(data.draw(st.integers(1, 5))):
            start = data.draw(st.integers(0, len(text)))
            length = data.draw(st.integers(0, 6))
            put = data.draw(
                st.one_of(
                    st.text(LETTERS, max_size=6), st.sampled_from(list("\"\u201c\u201d'{}[]=,.#\n"))
                )
            )
            text = text[:start] + put + text[start + length :]
        outcome(parse, text)

    tried(check, number, st.data(), st.sampled_from([SHORTEST, LONG]))


@MANY
def test_lines_are_shuffled_and_nested(number):
    def check(data):
        lines = data.draw(st.permutations(LONG.splitlines()))
        kept = lines[: data.draw(st.integers(0, 25))]
        deep = data.draw(
            st.sampled_from(["", "x = " + "[" * 80, "x = " + "{ a = " * 80, "[" + "a." * 80 + "a]"])
        )
        outcome(parse, "\n".join([*kept, deep]))

    tried(check, number, st.data())


@MANY
def test_anything_at_all(number):
    def check(text):
        outcome(parse, text)

    tried(
        check,
        number,
        st.one_of(
            st.text(LETTERS, max_size=200),
            st.binary(max_size=200).map(lambda data: data.decode("latin-1")),
        ),
    )


@pytest.mark.always("text0")
@pytest.mark.parametrize("text", [SHORTEST, LONG])
def test_each_line_left_out(text):
    lines = text.splitlines()
    for gone in range(len(lines)):
        outcome(parse, "\n".join(lines[:gone] + lines[gone + 1 :]))
