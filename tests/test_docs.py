"""The pages keep their word: every example loads as it stands, every link leads somewhere."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType
from typing import NamedTuple
from urllib.parse import unquote

import pytest

from lapwright.commands.main import COMMANDS
from lapwright.specification.curves import KINDS
from lapwright.study.plates import OUTLINES
from lapwright.study.read import ROOT_KEYS, parse
from lapwright.study.steps import STEP_KEYS

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])

BLOCK = re.compile(r"^```toml *(.*?)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")

PAIR = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
"""
STEP = """
[[steps]]
top = "%s"
bottom = "%s"
grit = "15 um"
stroke = { kind = "circle", radius = "5 mm" }
time = "10 min"
"""


class Example(NamedTuple):
    page: str
    kind: str
    text: str


EXAMPLES = [
    Example(page.name, *found) for page in PAGES for found in BLOCK.findall(page.read_text("utf-8"))
]


def _whole(example: Example) -> str:
    """The example as a whole study: `plates` lack a step, `steps` lack the pair."""
    if example.kind == "study":
        return example.text
    if example.kind == "steps":
        return PAIR + example.text
    document = tomllib.loads(example.text)
    names = [*document.get("parts", {}), *document.get("plates", {})]
    return example.text + STEP % (names[0], names[-1])


def test_pages_have_examples() -> None:
    assert {e.page for e in EXAMPLES} >= {"README.md", "study-files.md"}


@pytest.mark.parametrize(
    "example", EXAMPLES, ids=lambda e: f"{e.page}-{e.text.splitlines()[0][:30]}"
)
def test_examples_load(example: Example) -> None:
    assert example.kind in ("study", "plates", "steps"), "say in the fence what the example is"
    study = parse(_whole(example), maps=False)  # the maps that examples name are not there
    assert study.plates
    assert study.steps


def test_the_first_page_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    assert re.findall(r"^\| `lapwright (\w+)", readme, re.MULTILINE) == list(COMMANDS)


def _keys(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(_keys, value.values())) if value else set()
    return set().union(*map(_keys, value)) if isinstance(value, list) and value else set()


def test_every_key_is_shown_by_an_example() -> None:
    shown = set().union(
        *(_keys(tomllib.loads(e.text)) for e in EXAMPLES if e.page == "study-files.md")
    )
    assert set(ROOT_KEYS) | set(STEP_KEYS) | set(OUTLINES) <= shown
    text = (ROOT / "docs" / "study-files.md").read_text("utf-8")
    assert not [kind for kind in KINDS if f"`{kind}`" not in text]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"^```.*?^```$", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    lost = []
    for link in LINK.findall(text):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, heading = unquote(link).partition("#")
        target = (page.parent / path).resolve() if path else page
        if not target.exists() or (heading and heading not in _headings(target)):
            lost.append(link)
    assert not lost


def _headings(page: Path) -> set[str]:
    """Headings as links name them."""
    titles = re.findall(r"^#+ +(.*)$", page.read_text("utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def test_pictures_are_small() -> None:
    large = [p.name for p in (ROOT / "docs" / "pictures").iterdir() if p.stat().st_size > 200_000]
    assert not large


def _rooms() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_rooms", ROOT / "docs" / "make_rooms.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_rooms_are_listed_as_they_are() -> None:
    made = _rooms()
    assert made.PAGE.read_text("utf-8") == made.page(), "run docs/make_rooms.py"
    assert made.DEVELOPERS.read_text("utf-8") == made.developers(), "run docs/make_rooms.py"


def test_paths_that_developers_read_are_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"\b(?:sim|tests|docs|benchmarks)/[\w/]+\.(?:py|md)\b", text))
    assert not [path for path in named if not (ROOT / path).is_file()]
