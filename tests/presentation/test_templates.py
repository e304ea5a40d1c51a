"""The folder of templates: each is filled with real answers, and what is put in is text, never HTML."""

from __future__ import annotations

import html
from dataclasses import replace
from pathlib import Path

import pytest
from comparing import crew_at_hand
from jinja2 import UndefinedError
from tuning_scene import made

import lapwright
from lapwright.commands import compare
from lapwright.commands.main import main
from lapwright.modal.chart import Chart, axes_of
from lapwright.optimisation.advise import Advice
from lapwright.optimisation.book import Book, next_study
from lapwright.presentation import play_page
from lapwright.presentation.card import card_page
from lapwright.presentation.filling import filled, templates
from lapwright.presentation.next_page import next_page
from lapwright.presentation.next_spell import NextAnswer
from lapwright.presentation.page import render
from lapwright.presentation.tuning import tuning_page
from lapwright.specification.wedge import Wedge
from lapwright.study.read import parse

FOLDER = Path(lapwright.__file__).parent / "presentation" / "templates"
PAIR = """title = "<script>alert(1)</script> & 20 um"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" }, cells = 16 }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "2 min"

[[variants]]
name = "<b>longer</b>"
set = { time = "3 min" }
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, make_run) -> tuple[set[str], dict[str, str]]:
    """Which templates were asked for while every kind of page was made, and the pages."""
    templates.cache_clear()
    loader, asked = templates().loader, set()
    read = loader.get_source

    def noted(environment, name):
        asked.add(name)
        return read(environment, name)

    loader.get_source = noted
    folder = tmp_path_factory.mktemp("every")
    study = folder / "pair.toml"
    study.write_text(PAIR)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compare, "crew_of", crew_at_hand)
        for command, *more in (("compare",), ("why", "--degree", "4")):
            assert main([command, str(study), "--out", str(folder / command), *more]) == 0
    pages = {
        name: (folder / name / f"{name}.html").read_text("utf-8") for name in ("compare", "why")
    }
    run = make_run("disc_pair")
    plates = {name: replace(p, wedge=Wedge("1 um")) for name, p in run.study.plates.items()}
    run = replace(run, study=replace(run.study, plates=plates))
    pages |= {
        "run": render(run),
        "card": card_page(run),
        "tune": tuning_page(made(), Path("new.toml")),
        "next": _next_page(),
        "play": _play_page(),
    }
    templates.cache_clear()
    return asked, pages


def _next_page() -> str:
    """What a book says before anything is read, with the study's own step as the next spell."""
    book = Book(parse(PAIR, "pair"))
    advice = Advice(book.study.steps[0], "go on", 0.8, 0.1, (600.0,) * 3, (1.0,) * 3)
    study = next_study(book, book.study.steps[0])
    return next_page(NextAnswer(book, advice), study, "lapwright run pair-next/next.toml")


def _play_page() -> str:
    """The page to play with, without its table, which takes long."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(play_page, "chart_of", lambda kind, *_: Chart(kind, axes_of(kind), {}))
        return play_page.play_page(play_page.strokes_of(parse(PAIR, "pair")))


# That of sentences is not filled in by jinja2: `test_sentence_file`.
PAGES = sorted(path.name for path in FOLDER.iterdir() if path.suffix != ".toml")


@pytest.mark.parametrize("name", PAGES)
def test_every_template_is_filled(written, name: str) -> None:
    assert name in written[0], "a template that no page asks for"


@pytest.mark.parametrize("name", ["compare", "why", "play"])
def test_what_a_person_typed_stays_text(written, name: str) -> None:
    page = written[1][name]
    assert "<script>alert" not in page
    assert "<b>longer" not in page
    assert "<title><script>alert(1)</script> & 20\u202fµm: lapwright" in html.unescape(page)
    assert PAIR in html.unescape(page), "the study stands there as it was typed"


def test_nothing_of_a_template_is_left_on_a_page(written) -> None:
    for name, page in written[1].items():
        assert not [mark for mark in ("{{", "{%", "{#", "Undefined") if mark in page], name


def test_what_nobody_gave_is_an_error() -> None:
    with pytest.raises(UndefinedError, match="'care' is undefined"):
        filled("asides.html", start=[], next=[])
