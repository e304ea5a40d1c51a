"""What is printed is current shop English: words that read as translated or out of date are banned.

Looked through are the sentences of the templates, the pages, every text in the program that is no docstring,
and the pages of docs that people write.  The list is that of issues and readings; no source.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import lapwright
from lapwright.presentation.words import sentences

PACKAGE = Path(lapwright.__file__).parent
DOCS = Path(__file__).parents[2] / "docs"
# Made from docstrings, a history, or measurements for those who build the program.
LEFT_OUT = {
    "reference.md",
    "rooms.md",
    "validation.md",
    "changelog.md",
    "numerics.md",
    "nothing-lost.md",
}

BANNED = re.compile(
    r"\b(told|nought|anew|foretells?|foretold|reckon\w*|whoever|anybody|wherein|thereof|lest|upon|"
    r"shall|as much metal|so used|turned as you like|as good as none|of themselves|lies true|"
    r"nothing is said of|cuts on|come so far|not felt|over all it|hangs on how|wears out\. )\b",
    re.IGNORECASE,
)
RIGHT = re.compile(r"(cannot|be) told apart")


def banned(text: str) -> list[str]:
    """The banned words of a text, what is filled in and what is typed left out."""
    plain = re.sub(r"`[^`]*`|\{[^{}]*\}|\(#[^)]*\)", " ", RIGHT.sub(" ", text))
    return [found[0] for found in BANNED.finditer(plain)]


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    """Texts of a module with more than one word, docstrings left out."""
    tree = ast.parse(path.read_text("utf-8"))
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        if node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield from [(node.lineno, node.value)] * (" " in node.value)


def test_no_sentence_reads_as_translated() -> None:
    found = {key: words for key, text in sentences().items() if (words := banned(text))}
    assert not found


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.html")), ids=lambda path: path.name)
def test_no_page_reads_as_translated(path: Path) -> None:
    text = re.sub(
        r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<[^>]*>", " ", path.read_text("utf-8"), flags=re.S
    )
    assert not banned(text)


@pytest.mark.campaign
def test_nothing_that_is_printed_reads_as_translated() -> None:
    found = [
        (f"{path.relative_to(PACKAGE)}:{line}", words)
        for path in sorted(PACKAGE.rglob("*.py"))
        for line, text in texts_of(path)
        if (words := banned(text))
    ]
    assert not found


def test_no_page_of_docs_reads_as_translated() -> None:
    found = [
        (f"{path.name}:{number}", words)
        for path in sorted(DOCS.glob("*.md"))
        if path.name not in LEFT_OUT
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if (words := banned(line))
    ]
    assert not found


@pytest.mark.parametrize(
    "text",
    ["The run is told so.", "set to nought", "so used it is blind", "over all places: nought"],
)
def test_the_list_catches_what_it_is_for(text: str) -> None:
    assert banned(text)
    assert not banned("two waves that cannot be told apart, over all places, `told`, {told}")
