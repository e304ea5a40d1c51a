"""The page is one sound, self-contained file, whatever the run holds."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from pages import FOREIGN, walked
from scipy.interpolate import RegularGridInterpolator

from lapwright.presentation import pictures
from lapwright.presentation.page import render, write_page
from lapwright.presentation.run_view import run_view
from lapwright.results.record import FORM_KEYS
from tests.presentation.conftest import DISC, record, run_of, step_text, study_text


@pytest.fixture(scope="module")
def page(made_name: str, page_of) -> str:
    return page_of(made_name)


def test_tags_balance_and_ids_are_single(page: str) -> None:
    sheet = walked(page)
    assert sheet.faults == []
    assert sheet.open == []
    assert len(sheet.ids) == len(set(sheet.ids))
    assert set(sheet.references) <= set(sheet.ids)
    own = [a[1:] for a in sheet.addresses if a.startswith("#")]
    assert set(own) <= set(sheet.ids)


def test_nothing_is_fetched_from_outside(page: str) -> None:
    sheet = walked(page)
    assert all(a.startswith(("data:", "#")) for a in sheet.addresses), sheet.addresses
    for text in (*sheet.styles, sheet.scripts[0], sheet.scripts[2]):
        assert not re.search(
            r"https?:|//[a-z]|@import|fetch\(|XMLHttpRequest|WebSocket|import\(", text
        )
        assert all(u.startswith(("#", "data:")) for u in re.findall(r"url\(['\"]?([^)'\"]*)", text))
    # With its colon: the four letters alone turn up in a megabyte of base64 now and then.
    assert not re.search(r"https?:", re.sub(r"<pre>.*?</pre>", "", page, flags=re.S))


def test_script_is_sound(page: str) -> None:
    """No full parser of scripts here: brackets pair up outside strings, comments and patterns."""
    scripts = walked(page).scripts
    assert len(scripts) == 3
    json.loads(scripts[1])
    code = scripts[0] + scripts[2]
    bare = re.sub(r'"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'|//[^\n]*', "", code)
    stack: list[str] = []
    for mark in re.findall(r"[][(){}]", bare):
        if mark in "([{":
            stack.append({"(": ")", "[": "]", "{": "}"}[mark])
        else:
            assert stack, "a bracket closes that was not opened"
            assert stack.pop() == mark
    assert stack == []


def test_words_on_the_page_are_those_of_the_bench(page: str) -> None:
    sheet = walked(re.sub(r"<pre>.*?</pre>", "", page, flags=re.S))
    for text in (*sheet.seen, *sheet.labels):
        assert not FOREIGN.search(text), text
        assert not re.search(r"(?<![\w.])[-−]\d", text), text  # no bare signed number


def test_page_and_pictures_are_written_whole(made_name: str, written) -> None:
    place = written(made_name)
    assert place.name == "report.html"
    assert place.stat().st_size < 3_000_000
    assert {p.name for p in place.parent.iterdir()} <= {
        "report.html",
        "faces.png",
        "sections.png",
        "history.png",
    }
    assert (
        (place.parent / "faces.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    )  # PNG, ISO/IEC 15948


@pytest.mark.campaign
def test_no_picture_is_drawn_twice_and_the_page_says_the_same_twice(
    make_run, tmp_path: Path, monkeypatch
) -> None:
    """A page waits for its pictures and for little else: each is made once, put down once in each kind."""
    # Not the page of all tests, which another may have had written with less of a search for what comes next.
    (tmp_path / "once").mkdir()
    once = write_page(make_run("disc_pair"), tmp_path / "once").read_text("utf-8")
    made: list[str] = []
    put: list[tuple[int, str]] = []

    def counting(name: str):
        draw = getattr(pictures, name)

        def counted(*args):
            made.append(name)
            return draw(*args)

        return counted

    names = ["faces", "sections", "history", "stroke", "bearings", "metal", "fringes_of"]
    for name in names:
        monkeypatch.setattr(pictures, name, counting(name))
    save = Figure.savefig

    def saved(self: Figure, *args, **more):
        put.append((id(self), more["format"]))
        return save(self, *args, **more)

    monkeypatch.setattr(Figure, "savefig", saved)
    again = write_page(make_run("disc_pair"), tmp_path).read_text("utf-8")
    assert made == names
    assert {kind for _, kind in put} == {"png", "svg"}
    assert len(put) == len(set(put)) <= 3 + len(names)
    assert again == once


def test_parts_stand_in_order(page_of) -> None:
    page = page_of("disc_pair")
    parts = re.findall('<section class="part" id="(.*?)">', page)
    assert len(parts) > 9
    assert (parts[0], parts[-1]) == ("done", "study"), "what was typed stands below all answers"
    first = page.index('<section class="part"')
    assert page.index("<h1>") < page.index('<figure class="faces">') < first


def test_parts_fold_but_for_the_course_and_the_cautions(page_of) -> None:
    """Every part is one line until it is wanted, in print all are open; no caution is folded away."""
    page = page_of("disc_pair")
    parts = re.findall(r'<section class="part" id="([^"]+)"><details( open)?><summary><h2>', page)
    assert len(parts) == page.count('<section class="part"')
    assert {name for name, opened in parts if opened} == {"history", "cautions"}
    printed = page[page.index("@media print") :].partition("</style>")[0]
    assert ".part > details::details-content { content-visibility: visible" in printed
    assert "beforeprint" in page


@pytest.mark.campaign
def test_names_with_reserved_characters_stay_text(page_of) -> None:
    page = page_of("strange_names")
    sheet = walked(page)
    assert sheet.faults == []
    assert '<b>"A"' not in page
    assert "<i>" not in page
    said = " ".join(" ".join(sheet.seen).split())
    assert '<b>"A" & $x_1$</b>' in said
    assert len(sheet.scripts) == 3  # the study's own "</pre><script>" made none


def told(page: str, part: str) -> str:
    """Words of one part of the page, as a person reads them."""
    begin = page.index(f'id="{part}"')
    inside = page[begin:].partition('<section class="part"')[0]
    return " ".join(" ".join(walked("<div " + inside).seen).replace("\u202f", " ").split())


@pytest.mark.campaign
def test_first_screen_says_what_came_out_what_next_and_what_to_mind(page_of) -> None:
    page = page_of("coarse_pair")
    first = page[page.index('id="result"') : page.index('<figure class="faces">')]
    assert first.index("<h1>") < first.index("<b>Next</b>")
    assert first.count("<b>Next</b>") == 1
    assert first.count("<b>Take care</b>") == 1  # one dab of grit for 40 minutes
    assert "One dab" in first


@pytest.mark.parametrize(
    "name",
    [
        "disc_pair",
        pytest.param("coarse_pair", marks=pytest.mark.campaign),
        "rail",
        pytest.param("ring_on_plate", marks=pytest.mark.campaign),
        pytest.param("three_plates", marks=pytest.mark.long),
    ],
)
def test_a_flat_shows_half_a_wave_a_band(make_run, page_of, name: str) -> None:
    """587.6 nm: 293.80 nm a band (checks page, 21)."""
    run = make_run(name)
    words = told(page_of(name), "flat")
    grit = {"disc_pair": 4, "coarse_pair": 15, "rail": 9, "ring_on_plate": 9, "three_plates": 9}[
        name
    ]
    assert ("too grey" in words) == (grit > 5)
    assert "0.29 µm" in words or "12 µin" in words

    # Once for each grit that lapped them last, what fringes need of the finish and what a ball reads of it.
    grits = {f.grit for f in run_view(run).faces}
    assert words.count("The finish on") == len(grits)
    assert ("bright enough" in words) == any(g <= 5e-6 for g in grits)
    assert words.count("too small for a gauge to be sure of") == len(grits)


@pytest.mark.campaign
def test_each_face_is_drawn_under_a_flat() -> None:
    """A dome of 2 um: 2 um over 293.80 nm are 6.8 bands from the middle to the rim (checks page, 21)."""
    both = {"size": (0.16, 0.16), "lost": 12.0, "entries": 5, "frames": 2, "cells": 128}
    records = [
        record("A", start=(3, 0, 0), end=(2, 0, 0), **both),
        record("B", start=(0, 0, 0), end=(0, 0, 0), **both),
    ]
    said = told(
        render(run_of(records, study_text({"A": DISC, "B": DISC}, [step_text("A", "B", "3 um")]))),
        "flat",
    )
    assert "A: the flat lying on" in said
    assert "B: the flat lying on" in said
    assert "6.8 bands, domed by 2.0" in said


def test_the_work_card_stands_in_the_page(page_of) -> None:
    page = page_of("disc_pair")
    assert 'class="wc-card"' in page
    assert "work card" in told(page, "card").lower()


def test_a_rail_bows_and_is_not_hollow(page_of) -> None:
    words = told(page_of("rail"), "metal")
    assert "face hollow" not in words
    assert "face domed" not in words


@pytest.mark.campaign
@pytest.mark.often("tipped-the top tips off")
@pytest.mark.parametrize(
    ("outcome", "says"),
    [
        ("until", "The gauge said stop."),
        ("tipped", "the top tips off"),
        ("limit", "Time ran out before the gauge said stop."),
        ("interrupted", "stopped before its end"),
    ],
)
def test_outcome_stands_in_the_headline(page_of, outcome: str, says: str) -> None:
    page = page_of(outcome)
    assert says in page[page.index("<h1>") : page.index("</h1>")]


def test_nothing_known_is_said_so(page_of) -> None:
    page = page_of("one_square")
    assert "stopped before its end" in page
    assert "not measured" in " ".join(walked(page).labels)


@pytest.mark.parametrize(
    "name",
    [
        "disc_pair",
        "rail",
        pytest.param("ring_on_plate", marks=pytest.mark.campaign),
        *(
            pytest.param(name, marks=pytest.mark.long)
            for name in ("three_plates", "grooved_pair", "six_plates")
        ),
    ],
)
def test_slider_shows_the_saved_surfaces(make_run, page_of, name: str) -> None:
    """Bytes turned back into heights agree with the run: levelled, to the page's resolution."""
    run = make_run(name)
    data = json.loads(walked(page_of(name)).scripts[1])
    said = run_view(run)
    limit = data["limit"]
    assert len(data["plates"]) == len(run.plates)
    for plate, face in zip(data["plates"], said.faces, strict=True):
        frames = len(face.record.frame_time)
        z = np.frombuffer(base64.b64decode(plate["z"]), np.uint8).reshape(
            frames, plate["ny"], plate["nx"]
        )
        assert len(data["told"]) == len(plate["words"]) == len(plate["low"]) == frames
        left, right, low, high = plate["cells"]
        x = left + (np.arange(plate["nx"]) + 0.5) * (right - left) / plate["nx"]
        y = low + (np.arange(plate["ny"]) + 0.5) * (high - low) / plate["ny"]
        X, Y = np.meshgrid(x, y)
        for k, levelled in ((0, face.levelled[0]), (frames - 1, face.levelled[1])):
            got = plate["low"][k] + z[k] * (plate["span"][k] / 255)
            grid = (face.record.y * 1e3, face.record.x * 1e3)
            true = RegularGridInterpolator(grid, levelled * 1e6, bounds_error=False)((Y, X))
            there = np.isfinite(true)
            assert there.mean() > 0.25
            assert np.abs(got - true)[there].max() < 0.03 * limit


@pytest.mark.campaign
def test_table_has_every_form_in_both_units(page_of) -> None:
    page = page_of("coarse_pair")
    text = " ".join(" ".join(walked(page).seen).split())
    # A: 30 um dome, 12 um twist; 30 um = 1181 uin and 12 um = 472 uin (1 uin = 25.4 nm).
    assert re.search(r"dome or dish dome 30 1200 dish 6\.0 240", text)
    assert re.search(r"high at 1:30 and 7:30 12 470", text)
    assert "3.2" in text  # edge margin: 2 % of 160 mm
    assert set(FORM_KEYS) >= {"sphere", "edge"}
