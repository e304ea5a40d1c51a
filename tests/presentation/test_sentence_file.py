"""The file of sentences: each is asked for by the program, asks for nothing else, and can be filled in.

What calls `say` gives is read from the source, so that a sentence that is said once in a blue moon is held to
it as well as one that every run prints.
"""

from __future__ import annotations

import ast
import re
import runpy
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from string import Formatter
from typing import NamedTuple

import pytest

import lapwright
from lapwright.presentation import finding_words, gauge_text
from lapwright.presentation.words import say, sentences
from lapwright.results.findings import KINDS
from lapwright.units import METRIC, Text, Units

PACKAGE = Path(lapwright.__file__).parent
DOCS = Path(__file__).parents[2] / "docs"
SENTENCES = sentences()
IN_UNITS = {
    "thickness",
    "size",
    "both",
    "limit",
    "length",
    "mass",
    "force",
    "pressure",
    "temperature",
    "warmer",
    "wear",
}


class Call(NamedTuple):
    """A call of `say`: the keys that it may ask for, and the fields that it gives (None: a mapping)."""

    where: str
    keys: re.Pattern[str]
    fields: frozenset[str] | None


def pattern(node: ast.expr, prefix: str) -> str:
    """What a key may be, as a regular expression."""
    match node:
        case ast.Constant(value=str(text)):
            return re.escape(prefix + text)
        case ast.IfExp(body=one, orelse=other):
            return f"{pattern(one, prefix)}|{pattern(other, prefix)}"
        case ast.JoinedStr(values=parts):
            texts = (part.value if isinstance(part, ast.Constant) else "" for part in parts)
            return re.escape(prefix) + "".join(re.escape(str(text)) or "[^.]+" for text in texts)
        case _:
            raise AssertionError(f"{ast.unparse(node)}: write the key where it is said")


@cache
def calls() -> list[Call]:
    """All calls of `say` in the package."""
    made = []
    rooms = [PACKAGE / room for room in ("presentation", "results")]
    for path in sorted(path for room in rooms for path in room.rglob("*.py")):
        source = path.read_text("utf-8")
        if not re.search(
            r"^def say|presentation.words import .*\bsay\b|\b(words|pair)\.say\(", source, re.M
        ):
            continue  # what is called `say` there is something else
        for node in ast.walk(ast.parse(source)):
            name = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            if isinstance(node, ast.Call) and name in ("say", "words.say", "pair.say"):
                if ast.unparse(node.args[0]) == "f'advice.{key}'":
                    continue  # what `pair.say` asks for
                prefix = "advice." if name == "pair.say" else ""
                given = {word.arg for word in node.keywords}
                fields = None if None in given else frozenset(map(str, given))
                where = f"{path.name}:{node.lineno}"
                made.append(Call(where, re.compile(pattern(node.args[0], prefix)), fields))
    return made


def fields_of(form: str) -> Iterator[tuple[str, str]]:
    """Names in a sentence and what they are said as, those within a wording too."""
    for _, name, how, _ in Formatter().parse(form):
        if name is not None:
            yield name, how or ""
            yield from fields_of(how or "")


def of_finding(key: str) -> bool:
    """Whether a key is that of a finding, which is looked up by its code."""
    return key.startswith("finding.") and key.split(".")[1] in KINDS


def test_every_sentence_is_asked_for() -> None:
    source = (PACKAGE / "presentation" / "finding_words.py").read_text("utf-8")
    source += (PACKAGE / "presentation" / "gauge_text.py").read_text("utf-8")
    for key in SENTENCES:
        if of_finding(key):
            _, _, *variant = key.split(".")
            by_code = not variant or f".{variant[0]}" in source
            assert by_code or any(call.keys.fullmatch(key) for call in calls()), key
        else:
            assert any(call.keys.fullmatch(key) for call in calls()), f"{key}: nobody says it"


def test_every_call_finds_its_sentences() -> None:
    assert len(calls()) > 100
    for call in calls():
        for key in call.keys.pattern.split("|"):
            assert any(re.fullmatch(key, there) for there in SENTENCES), (call.where, key)


def test_a_sentence_asks_for_what_is_given_and_all_that_is_given_is_asked_for() -> None:
    for call in calls():
        if call.fields is None:
            continue
        keys = [key for key in SENTENCES if call.keys.fullmatch(key)]
        asked = {key: {name for name, _ in fields_of(SENTENCES[key])} for key in keys}
        for key, names in asked.items():
            assert names <= call.fields, (call.where, key)
        assert call.fields <= set().union(*asked.values()), (call.where, keys)


@pytest.mark.parametrize("units", Units)
def test_every_sentence_can_be_filled_in(units: Units) -> None:
    for key, form in SENTENCES.items():
        asked = list(fields_of(form))
        parts = {name: "X" if not how or "|" in how else 0.5 for name, how in asked}
        for value in (parts, dict.fromkeys(parts, 0.0) if {how for _, how in asked} else parts):
            text = Text(form, **value).told(units)
            assert text.count("{") == form.count("{{"), key
            assert text == " ".join(text.split()) or text.startswith(" "), key
            assert "None" not in text, key
        said_in_units = IN_UNITS & {how.split()[0] for _, how in asked if how}
        other = Text(form, **parts).told(units.other)
        assert (Text(form, **parts).told(units) != other) == bool(said_in_units), key


def test_every_kind_of_finding_has_a_sentence_and_no_other_has() -> None:
    codes = {key.split(".")[1] for key in SENTENCES if of_finding(key)}
    assert codes == {code for code, kind in KINDS.items() if not kind.sentence}
    reckoned = {*finding_words.RECKONED, *gauge_text.RECKONED}
    assert reckoned <= codes


def test_what_nobody_gave_and_a_key_that_is_not_there_are_errors() -> None:
    with pytest.raises(KeyError, match="top"):
        say("finding.tips", METRIC, bottom="B")
    with pytest.raises(KeyError, match=r"finding\.tip"):
        say("finding.tip")
    with pytest.raises(AttributeError, match="lenght"):
        Text("{far:lenght}", far=1.0).told(METRIC)


def test_of_two_wordings_the_part_decides() -> None:
    form = "{several:a plate|{count} plates} {several:was|were} read"
    assert str(Text(form, several=False, count=1)) == "a plate was read"
    assert str(Text(form, several=True, count=3)) == "3 plates were read"
    assert Text("{far:length echo}", far=0.15875).told(Units.INCH) == "6.25 in"


def test_the_page_of_all_sentences_is_of_this_program() -> None:
    """As docs/make_sentences.py makes it, each sentence once."""
    script = runpy.run_path(str(DOCS / "make_sentences.py"))
    text = script["page"]()
    assert script["PAGE"].read_text("utf-8") == text
    assert text.count("\n| ") == len(SENTENCES) + 2 * text.count("\n## ")
