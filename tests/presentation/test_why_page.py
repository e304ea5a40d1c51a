"""The page of `why` is one sound file with nothing from outside, and a browser finds no fault with it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pages import CHROMIUM, FOREIGN, tried, walked

from lapwright.commands.main import main

PAIR = """title = "<b>Pair</b> & more"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 32, form = { dome = "4 um" } }
plates."B & <i>" = { like = "A", form = { dish = "1 um" } }
[[steps]]
top = "A"
bottom = "B & <i>"
grit = "15 um"
stroke = { kind = "line", length = "50 mm" }
swap_every = "5 min"
time = "20 min"
[[steps]]
top = "B & <i>"
bottom = "A"
grit = "5 um"
turn = "8 deg per stroke"
time = "20 min"
"""
RAILS = """title = "Rails"
plates.A = { rectangle = ["300 mm", "50 mm"], thickness = "30 mm", cells = 48, form = { wind = "2 um" } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "line", length = "60 mm" }
time = "10 min"
"""
RING = """title = "Ring"
plates.plate = { disc = "160 mm", thickness = "30 mm", cells = 48 }
parts.ring = { ring = ["80 mm", "40 mm"], thickness = "20 mm", cells = 32, form = { dome = "1 um" } }
[[steps]]
top = "ring"
bottom = "plate"
grit = "15 um"
stroke = { kind = "circle", radius = "8 mm", centre = ["46 mm", "0 mm"], carry_centre = true }
walk = "4 deg per stroke"
time = "10 min"
"""
STUDIES = {"pair": PAIR, "rails": RAILS, "ring": RING}


@pytest.fixture(
    scope="module",
    params=[
        "rails",
        pytest.param("pair", marks=pytest.mark.campaign),
        pytest.param("ring", marks=pytest.mark.long),
    ],
)
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("why")
    (folder / "study.toml").write_text(STUDIES[request.param])
    assert main(["why", str(folder / "study.toml"), "--out", str(folder / "out")]) == 0
    return (folder / "out" / "why.html").read_text("utf-8")


@pytest.mark.always("rails")
def test_tags_balance_and_ids_are_single(page: str) -> None:
    sheet = walked(page)
    assert sheet.faults == []
    assert sheet.open == []
    assert len(sheet.ids) == len(set(sheet.ids))
    assert set(sheet.references) <= set(sheet.ids)
    assert {a[1:] for a in sheet.addresses if a.startswith("#")} <= set(sheet.ids)


def test_nothing_is_fetched_from_outside(page: str) -> None:
    sheet = walked(page)
    assert all(a.startswith(("data:", "#")) for a in sheet.addresses)
    assert "http" not in re.sub(r"<pre>.*?</pre>", "", page, flags=re.S)
    assert len(sheet.scripts) == 1
    assert ".part > details" in sheet.scripts[0], "the one that folds parts"


def test_every_word_is_one_of_the_bench(page: str) -> None:
    sheet = walked(page)
    assert not FOREIGN.search(" ".join([*sheet.seen, *sheet.labels]))


def test_pictures_are_there_and_said_for_those_who_do_not_see_them(page: str) -> None:
    steps = len(re.findall(r"<h3>It makes</h3>", page))
    assert page.count('<svg class="pic"') == 2 * steps
    labels = [label for label in walked(page).labels if label.startswith("Stay: ")]
    assert len(labels) == steps
    assert all("Go: " in label and "halves every" in label for label in labels)
    # what stays is set apart, and the rest comes in order of the metal that halves it
    assert page.count("Stay for ever") == page.count("Go, the fastest first") == steps


def test_errors_go_in_order(page: str) -> None:
    for label in walked(page).labels:
        if label.startswith("Stay: "):
            for group in label.split(". Go: "):  # what one plate alone has is told before the rest
                depths = [float(n) for n in re.findall(r"halves every ([\d.]+) um", group)]
                assert group.startswith("Stay: ") or depths == sorted(depths)


def test_the_page_is_not_large(page: str) -> None:
    assert len(page) < 2_500_000


@pytest.mark.campaign
@pytest.mark.often("pair")
@pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)
def test_page_in_a_browser(page: str, tmp_path: Path) -> None:
    for size in ("--window-size=1366,768", "--window-size=500,900"):
        seen = tried(page, tmp_path, size)
        assert seen["faults"] == []
        assert seen["requests"] == []
        assert seen["over"] <= 0, "nothing may stick out sideways"
