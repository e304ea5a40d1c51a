"""The page of `next` is one sound file with nothing from outside, whatever was written into the log."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pages import CHROMIUM, FOREIGN, tried, walked

from lapwright.metrology.reading import Reading
from lapwright.optimisation.advise import Advice
from lapwright.optimisation.book import Book, next_study
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.sight import ToRead
from lapwright.presentation.next_page import _faces, next_page
from lapwright.presentation.next_spell import NextAnswer
from lapwright.study.read import parse

STUDY = """title = "<b>Pair</b> & more"
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates."B & <i>" = { like = "A" }
gauges.sph = { kind = "spherometer", foot_circle = "110 mm", resolution = "0.05 um", repeatability = "20 nm" }
gauges.tw = { kind = "twist gauge", foot_circle = "120 mm", resolution = "0.05 um", repeatability = "20 nm" }
[[steps]]
top = "A"
bottom = "B & <i>"
grit = "15 um"
strokes = 300
turn = "8 deg per stroke"
"""
NOTE = "</td><script>alert(1)</script> ${x} {{ study }} 0.3 um"


@pytest.fixture(scope="module")
def book() -> Book:
    made = Book(parse(STUDY, "mine"))
    readings = (Reading("sph", "A", 0.7e-6), Reading("tw", "B & <i>", -0.4e-6))
    made.add(Entry(readings=readings, date=datetime.date(2026, 3, 2)))
    step = made.study.steps[0]
    late = (Reading("sph", "A", 0.5e-6), Reading("sph", "B & <i>", -0.1e-6))
    made.add(Entry(step, readings=late, note=NOTE, lost={"A": 1e-5}))
    return made


STEP, READ, STOP = "step", "read", "stop"


@pytest.fixture(scope="module", params=[STEP, READ, STOP])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def answer(book: Book, kind: str) -> NextAnswer:
    step = replace(book.study.steps[0], strokes=250)
    asked = ToRead(Reading("tw", "A", 0.0), ("A", "twist"), 1e-6, 0.3e-6)
    advice = {
        STEP: Advice(step, "go on", 0.8, 0.1, (600.0, 900.0, 1200.0), (1.0, 2.0, 3.0)),
        READ: Advice(None, "read", 0.1, 0.1, read=(asked,)),
        STOP: Advice(None, "reached", 0.97, 0.97),
    }[kind]
    return NextAnswer(book, advice)


@pytest.fixture(scope="module")
def page(book: Book, answer: NextAnswer) -> str:
    step = answer.advice.step
    study = None if step is None else next_study(book, step)
    return next_page(answer, study, "lapwright run mine-next/next.toml")


def seen(page: str) -> str:
    text = " ".join(walked(page).seen).replace("\u202f", " ").replace("µ", "u")
    return re.sub(r"\s+", " ", text)


@pytest.mark.campaign
def test_tags_balance_and_ids_are_single(page: str) -> None:
    sheet = walked(page)
    assert sheet.faults == []
    assert sheet.open == []
    assert len(sheet.ids) == len(set(sheet.ids))
    assert set(sheet.references) <= set(sheet.ids)


@pytest.mark.campaign
def test_nothing_is_fetched_and_one_script_folds(page: str) -> None:
    sheet = walked(page)
    assert all(a.startswith(("data:", "#")) for a in sheet.addresses)
    assert "http" not in page
    assert len(sheet.scripts) == 1
    assert ".part > details" in sheet.scripts[0], "the one that folds parts"
    assert not re.search(r"fetch|XMLHttp|import|https?:", sheet.scripts[0])
    assert not FOREIGN.search(" ".join([*sheet.seen, *sheet.labels]))


@pytest.mark.campaign
def test_whatever_was_typed_is_shown_as_it_was_typed(page: str) -> None:
    assert NOTE in seen(page)
    assert "<b>Pair</b> & more" in seen(page)
    assert "B & <i>" in seen(page)


@pytest.mark.campaign
def test_first_screen_says_it_all_and_the_log_follows(page: str, kind: str) -> None:
    first = page[page.index("<section") : page.index("</section>")]
    heads = ["Now.", "As forecast?", "Learnt.", "To go."] + ["Next."] * (kind != STOP)
    assert sorted(re.findall(r'<p class="told"><b>(.*?)</b>', first)) == sorted(heads)
    assert "<svg" in first
    headline = re.sub(r"<.*?>|\s+", " ", re.search("<h1>(.*?)</h1>", first)[1]).strip()  # type: ignore[index]
    assert headline.startswith(
        {STEP: "Next: A on B", READ: "Read first: tw on A", STOP: "The goal is reached"}[kind]
    )
    log = page[page.index('<table class="log">') :]
    assert log.count('<th scope="row">') >= 2
    assert "2026-03-02" in log
    assert "A lost 0.010 g" in seen(page)


@pytest.mark.campaign
def test_the_card_holds_the_one_spell_or_what_to_read(
    book: Book, answer: NextAnswer, page: str, kind: str
) -> None:
    card = seen(page[page.index('<div class="wc-card">') : page.index('id="history"')])
    assert ("after 250 strokes" in card) is (kind == STEP)
    # Where to stop is told by metal too, and there are boxes for both weights where a balance tells the loss.
    assert bool(re.search(r"after 250 strokes, .*?; about [\d.]+ um off A", card)) is (kind == STEP)
    assert ("A's weight before" in card) == ("A's weight after" in card)
    if kind == STEP:
        told = answer.told()["next"]
        assert {*told["weigh"]} == {*re.findall(r"(\w)'s weight before", card)}
        for name, weigh in told["weigh"].items():
            # 7200 kg/m3 of grey iron on the land, and a scale that shows a tenth of it at least.
            land = book.study.plates[name].land_area
            assert weigh["lost"] == pytest.approx(7200.0 * land * told["removed"][name], rel=0.02)
            assert weigh["shows"] <= 0.1001 * weigh["lost"]
    assert ("tw on A" in card) is (kind == READ)
    assert ("The goal is reached: lap no more" in card) is (kind == STOP)
    assert ("next.toml" in seen(page)) is (kind == STEP)


@pytest.mark.campaign
def test_faces_are_hatched_where_they_are_not_known_and_ringed_where_to_read(
    book: Book, page: str, kind: str
) -> None:
    """Half the goal of 0.3 um is not known by a few readings: least far out, where nobody touched it."""
    assert "hatched: not known within 0.15 um" in seen(page)
    assert ("rings: read here next" in seen(page)) == (kind == READ)
    assert ("rings: least known here" in seen(page)) == (kind != READ)
    asked = ToRead(Reading("tw", "A", 0.0), ("A", "twist"), 1e-6, 0.3e-6)
    read = (asked,) if kind == READ else ()
    faces = _faces(NextAnswer(book, Advice(None, "read", 0.1, 0.1, read=read)))
    for face in faces:
        x, y = face.plate.grid.mesh()
        far = np.hypot(x, y)
        assert face.unsure[(far > 70e-3) & (far < 76e-3)].all()  # the margin begins at 76.8 mm
        assert not face.unsure[far > 78e-3].any()
        if read and face.plate.name == "A":  # the feet of the gauge, 60 mm out
            assert np.hypot(*face.wanted.T) == pytest.approx([60e-3] * 4)
        elif read:
            assert not len(face.wanted), "nobody asks to read it"
        else:
            (place,) = face.wanted
            assert np.hypot(*place) > 60e-3
    # Three feet 55 mm out and the middle between them, for the last entry of each.
    assert [len(face.read) for face in faces] == [4, 4]


def test_each_reading_is_drawn_on_the_form_that_it_tells(book: Book) -> None:
    from lapwright.presentation.next_page import _read

    entry = book.chapters[0]
    drawn = {
        (plate, form): list(_read(book, entry, plate, form))
        for plate in book.study.plates
        for form in range(3)
    }
    # A twist gauge that is not turned reads twist alone (docs/gauges.md).
    assert {key for key, points in drawn.items() if points} == {("A", 0), ("B & <i>", 2)}
    # Three feet at 55 mm of 80 read the height of a dome as its share by radius squared.
    assert drawn["A", 0] == pytest.approx([0.7e-6 * (80.0 / 55.0) ** 2], rel=1e-3)


@pytest.mark.campaign
def test_a_ring_has_a_page_too() -> None:
    """Over its bore there is nothing to believe: the cut has two pieces."""
    ring = STUDY.replace('disc = "160 mm"', 'ring = ["160 mm", "40 mm"]')
    page = next_page(
        NextAnswer(Book(parse(ring, "ring")), Advice(None, "reached", 0.97, 0.97)), None
    )
    assert walked(page).faults == []


@pytest.mark.campaign
@pytest.mark.often("step")
@pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)
def test_page_in_a_browser(page: str, tmp_path: Path) -> None:
    for size in ("--window-size=1366,768", "--window-size=500,900"):
        got = tried(page, tmp_path, size)
        assert got["faults"] == []
        assert got["requests"] == []
        assert got["over"] <= 0
