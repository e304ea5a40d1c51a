"""The work card: true of its run, in words of the bench, and on one sheet of either paper."""

from __future__ import annotations

import html
import json
import math
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from started import PATIENCE

from lapwright.commands.main import main
from lapwright.presentation import words
from lapwright.presentation.batch_text import batch_words
from lapwright.presentation.card import HEIGHT, SIZES, Line, card_html, card_of, card_page, laid_out
from lapwright.presentation.run_view import run_view
from lapwright.presentation.standing import passed
from lapwright.presentation.tables import forms_data
from lapwright.presentation.words import MARK
from lapwright.results.runfile import read_run
from lapwright.study.goal import Goal
from lapwright.study.read import parse

pytestmark = pytest.mark.usefixtures("unsearched")

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the card was not printed to count its pages"
)
VOID = {
    "meta",
    "link",
    "col",
}  # HTML Living Standard, "Void elements" (from memory); those a card uses
FORBIDDEN = re.compile(
    r"survivor|eigen|drift|\bmodes?\b|preston|minimum zone|\bnan\b|\binf\b|[+−]\d|(?<![\d])-\d",
    re.IGNORECASE,
)
READABLE = [
    "disc_pair",
    "coarse_pair",
    "three_plates",
    "ring_on_plate",
    "rail",
    "grooved_pair",
    "six_plates",
]


class Sheets(HTMLParser):
    """Classes, open tags, addresses and words of a card."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.classes: set[str] = set()
        self.attributes: set[str] = set()
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        for key, value in attrs:
            self.attributes.add(key)
            if key == "class":
                self.classes |= set(str(value).split())

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)


def walked(text: str) -> Sheets:
    sheets = Sheets()
    sheets.feed(text)
    sheets.close()
    return sheets


def said(text: str) -> str:
    """What a person reads, spaces made plain and the micro sign written as u."""
    return re.sub(r"\s+", " ", " ".join(walked(text).words)).replace("µ", "u")


def lapped(text: str, folder: Path, name: str = "study"):
    """The run of a study, lapped with few cells."""
    study = folder / f"{name}.toml"
    study.write_text(text, encoding="utf-8")
    assert main(["run", str(study), "--out", str(folder / f"{name}-run"), "--no-page"]) in (0, 1)
    return read_run(folder / f"{name}-run" / "run.h5")


PLATE = 'disc = "160 mm", thickness = "30 mm", cells = 24'


def pair(steps: str, plate: str = PLATE, more: str = "") -> str:
    return (
        f'title = "By hand"\n{more}\nplates.A = {{ {plate}, form = {{ dome = "3 um" }} }}\n'
        f'plates.B = {{ like = "A", form = {{ dish = "1 um" }} }}\n{steps}'
    )


def step(
    top: str = "A", bottom: str = "B", grit: str = "15 um", time: str = "10 min", more: str = ""
) -> str:
    return (
        f'[[steps]]\ntop = "{top}"\nbottom = "{bottom}"\ngrit = "{grit}"\ntime = "{time}"\n{more}\n'
    )


# --- what it says ------------------------------------------------------------------------------


def test_card_can_stand_in_a_page(made_run) -> None:
    card = card_html(made_run)
    sheets = walked(card)
    assert sheets.faults == []
    assert sheets.open == []
    assert all(name.startswith("wc-") for name in sheets.classes)
    assert not sheets.attributes & {
        "id",
        "href",
        "src",
        "srcset",
        "action",
        "data",
        "onclick",
        "onload",
    }
    assert "<script" not in card
    for selector in re.findall(
        r"^([^@{}\n][^{}\n]*)\{", card.partition("</style>")[0], re.MULTILINE
    ):
        assert selector.removeprefix("<style>").startswith(".wc-card"), (
            "a style may not leak into the page"
        )
    assert not FORBIDDEN.search(said(card))


@pytest.mark.always(1, 4)
@pytest.mark.parametrize("name", READABLE)
def test_expectations_are_true_of_the_run(make_run, name: str) -> None:
    run = make_run(name)
    card = card_of(run_view(run))
    assert [row.plate for row in card.rows if row.first] == list(run.plates)
    doubts = run_view(run).doubts
    for row in card.rows:
        record = run.plates[row.plate]
        if not row.first:
            continue
        for key, sign, told in (
            ("sphere", 1, "dome"),
            ("sphere", -1, "dish"),
            ("twist", 1, "high at 1:30 and 7:30"),
            ("twist", -1, "high at 10:30 and 4:30"),
            ("wind", 1, "high at the 1:30 and 7:30 corners"),
            ("bow", 1, "high in the middle"),
        ):
            value = float(record.forms[key][0])
            if math.isfinite(value) and told in row.expect.replace("neither dome nor dish", ""):
                assert value * sign > 0
        assert MARK not in row.expect, "before the first grit there is no finish to speak of"
    assert doubts


@pytest.mark.campaign
def test_a_form_that_no_gauge_tells_is_marked(tmp_path: Path) -> None:
    text = pair(step(grit="25 um", time="20 min", more='swap_every = "5 min"'))
    run = lapped(text.replace('"3 um"', '"1.6 um"'), tmp_path)
    card = card_of(run_view(run))
    doubts = run_view(run).doubts
    for row in card.rows:
        size = re.search(r"(?:dome|dish) ([\d.]+) um", row.expect)
        assert size is not None
        assert row.first or (MARK in row.expect) == (
            float(size[1]) * 1e-6 < (doubts[row.plate] or 0.0)
        )
    assert words.REMARK in said(card_html(run))


@pytest.mark.campaign
def test_stops_lead_with_the_metal_of_the_run(tmp_path: Path) -> None:
    run = lapped(pair(step() + step("B", "A", "5 um", "20 min")), tmp_path)
    text = said(card_html(run))
    a = run.plates["A"].removed
    first = float(a[run.event.index("step")])
    # What comes off a 160 mm face of grey iron: pi (80 mm)^2 x 7.2 g/cm3 = 0.1448 g a micrometre.
    grams = 0.1448 * first * 1e6
    stop = re.search(
        r"Stop when ([\d.]+) um is off each face, ([\d.]+) g by weight; about 10 min \((\S+) to",
        text,
    )
    assert stop is not None
    assert float(stop[1]) == pytest.approx(first * 1e6, rel=0.06)
    assert float(stop[2]) == pytest.approx(grams, rel=0.06)
    assert stop[3] == "3.2", "a band of ten: divided by its root"
    assert "1 um off A or B weighs 0.145 g" in text
    assert text.count("until you weigh a plate") == 2


def test_a_step_stops_where_the_run_was_nearest_its_goal(tmp_path: Path) -> None:
    """The dome on top wears to a dish (moment law): flat on the way, so nobody is sent past it."""
    goal = '[goal]\nflatness = "0.3 um"\nplates = ["A"]\n'
    run = lapped(pair(step(time="4 h") + goal), tmp_path)
    flatness, a = run.plates["A"].forms["flatness"], run.plates["A"].removed
    k = int(flatness.argmin())
    text = said(card_html(run))
    stop = re.search(
        r"Stop when ([\d.]+) um is off each.*?Not longer: the flatness of A is ([\d.]+) um then, and "
        r"([\d.]+) um after all 4 h",
        text,
    )
    assert stop is not None, text[text.index("Stop") :][:300]
    told = [float(size) * 1e-6 for size in stop.groups()]
    assert told == pytest.approx([a[k], flatness[k], flatness[-1]], rel=0.06)
    assert "was at its best" not in text, "said once"
    # Where what is asked is reached at the end, the study stands as typed.
    easy = replace(run.study, goal=Goal(flatness=30e-6, plates=("A",)))
    assert passed(run_view(run)) is not None
    assert passed(run_view(replace(run, study=easy))) is None


@pytest.mark.campaign
def test_washing_stands_between_grits_only(tmp_path: Path) -> None:
    twice = lapped(pair(step() + step()), tmp_path, "same")
    assert "WASH" not in said(card_html(twice))
    finer = said(card_html(lapped(pair(step() + step(grit="5 um")), tmp_path, "finer")))
    assert finer.count("WASH") == 1
    assert "WASH before step 2" in finer
    rounds = said(
        card_html(lapped(pair(step() + step(grit="5 um"), more="rounds = 2"), tmp_path, "rounds"))
    )
    assert "WASH off the finer grit before the next round" in rounds


@pytest.mark.campaign
def test_rounds_and_like_steps_are_said_once(tmp_path: Path) -> None:
    like = 'swap_every = "5 min"'
    text = pair(step(more=like) + step("B", "A", more=like), more="rounds = 3")
    run = lapped(text, tmp_path)
    card = card_of(run_view(run))
    assert [block.numbers for block in card.blocks] == [(1, 2)]
    page = said(card_html(run))
    assert "3 rounds of steps 1 to 2" in page
    assert page.count("fresh dab") + page.count("one dab") == 1
    assert [row.when for row in card.rows if not row.first] == [
        f"round {k}" for k in (1, 1, 2, 2, 3, 3)
    ]
    unlike = pair(step(more=like) + step("B", "A", more='swap_every = "2 min"'))
    assert [b.numbers for b in card_of(run_view(lapped(unlike, tmp_path, "unlike"))).blocks] == [
        (1,),
        (2,),
    ]


@pytest.mark.campaign
@pytest.mark.often(*range(0, 21, 2))
@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ('swap_every = { A = "6 min", B = "2 min" }', "A 6 min, then B 2 min, and so on by turns"),
        (
            'swap_every = "0.02 um"',
            "A first; change places every 0.02 um of metal, mean of both; about",
        ),
        (
            'swap_every = { A = "0.06 um", B = "0.02 um" }',
            "A 0.06 um of metal, then B 0.02 um of metal, and so on by turns, mean of both; A about",
        ),
        (
            'swap_every = { read = "5 min", on_top = "more domed" }',
            "read both at the start and every 5 min",
        ),
        (
            'turn = "-90 deg every 10 strokes"',
            "lift and turn the top 90 deg every 10 strokes, clockwise",
        ),
        ('turn = "8 deg per stroke"', "anticlockwise from above: once round in 45 strokes"),
        ('walk = "3 deg per stroke"', "step round the bench, 3 deg a stroke, anticlockwise"),
        (
            'turn_bottom = "3 deg per stroke"',
            "turn the bottom under you, 3 deg a stroke, anticlockwise",
        ),
        # 400 deg at each of 40 strokes a minute are 44.4 turns a minute; 250 deg 27.8 (arithmetic).
        (
            'turn_bottom = "400 deg per stroke"\nturn = "-250 deg per stroke"',
            "plate at 44 rev/min, anticlockwise from above; top at 28 rev/min, clockwise",
        ),
        (
            'turn_bottom = "-400 deg per stroke"',
            "Plate turns at 44 rev/min, clockwise from above",
        ),
        (
            'walk = "-400 deg per stroke"\n'
            'stroke = { kind = "circle", radius = "9 mm", carry_centre = true }',
            "Plate turns at 44 rev/min, anticlockwise from above",
        ),
        ('stroke = { kind = "line", length = "40 mm" }', "straight, 40 mm long, side to side"),
        (
            'stroke = { kind = "line", length = "40 mm", direction = "90 deg" }',
            "away from you and back",
        ),
        (
            'stroke = { kind = "line", length = "40 mm", direction = "45 deg" }',
            "towards 1:30 and back",
        ),
        (
            'stroke = { kind = "circle", radius = "9 mm", centre = ["20 mm", "0 mm"] }',
            "towards 3 o'clock",
        ),
        ('load = "19.6 N"', "20 N by hand, like 2.0 kg laid on it"),
        (
            'load = "10 N"\nload_at = { x = "0 mm", y = "-5 mm" }',
            "5.0 mm off the middle, towards 6 o'clock",
        ),
        # Flat equal discs lift at an overhang of 0.3929 R (derived): 31.4 mm of 160 mm plates.
        (
            'stroke = { travel = "1/3" }',
            "Over the edge by 27 mm at most; it may lift from 31 mm on",
        ),
        (
            'stroke = { kind = "circle", radius = "40 mm" }',
            "IT LIFTS from 31 mm on, mind your fingers",
        ),
        ('fresh_grit_every = "5 min"', "a fresh dab every 5 min"),
        ('note = "Keep B wet & <cool>."', "Note Keep B wet & <cool>."),
    ],
)
def test_orders(tmp_path: Path, typed: str, told: str) -> None:
    assert told in said(card_html(lapped(pair(step(time="4 min", more=typed)), tmp_path)))


@pytest.mark.campaign
def test_a_rail_across_the_edge_lifts_sooner_than_along_it(tmp_path: Path) -> None:
    text = re.sub(
        r"cells = \d+", "cells = 32", (CONFIGS[0].parent / "rail-in-wind.toml").read_text("utf-8")
    )
    # 40 mm wide, carried 5.1 mm over the long edge: the nearest way of lifting is across, not along.
    at = re.search(r"it may lift from ([\d.]+) mm on", said(card_html(lapped(text, tmp_path))))
    assert at is not None
    assert float(at[1]) < 20.0, "half the width"


@pytest.mark.campaign
def test_inches_read_in_inches(tmp_path: Path) -> None:
    plate = 'disc = "18 in", thickness = "3 in", cells = 24'
    page = said(card_html(lapped(pair(step(time="4 min"), plate, 'units = "inch"'), tmp_path)))
    assert "disc 18 in, 3 in thick" in page
    assert "°F" in page
    # pi (9 in)^2 x 3 in of grey iron at 7.2 g/cm3 = 90.1 kg = 199 lb; NIOSH lifting equation: 23 kg.
    assert (
        "A and B weigh 199 lb each, more than the 50.7 lb that one person should lift at best"
        in page
    )


@pytest.mark.campaign
def test_heavy_plates_come_with_a_caution(tmp_path: Path) -> None:
    light = said(card_html(lapped(pair(step(time="2 min")), tmp_path, "light")))
    assert "Lifting: A weighs 4.3 kg (9.6 lb)" in light
    heavy = PLATE.replace('thickness = "30 mm"', 'mass = "14 kg"')
    page = said(card_html(lapped(pair(step(time="2 min"), heavy), tmp_path, "heavy")))
    assert "A and B weigh 14.0 kg each: lift close to the body, with both hands" in page


@pytest.mark.campaign
def test_a_run_that_tipped_is_no_order_to_work(tmp_path: Path) -> None:
    over = step(more='stroke = { kind = "circle", radius = "120 mm" }')
    page = said(card_html(lapped(pair(step(time="2 min") + over), tmp_path)))
    assert "Do not work to this card" in page
    assert "Step 2: A tips off B in this stroke: shorten the stroke" in page
    assert "Stop do not begin: the top tips off" in page


# --- how it lies on paper ----------------------------------------------------------------------

texts = st.text("abc ", min_size=0, max_size=200)


@pytest.mark.campaign
@given(
    st.lists(st.lists(texts, min_size=1, max_size=9), min_size=1, max_size=14),
    st.lists(texts, max_size=60),
)
def test_everything_stands_on_a_sheet_once(blocks: list[list[str]], rows: list[str]) -> None:
    lines = [[Line(text) for text in block] for block in blocks]
    head, foot = [Line("title", 1.6), Line("A")], [Line("mind")]
    sheets = laid_out(head, lines, rows, foot)
    assert [k for s in sheets for k in range(*s.blocks)] == list(range(len(blocks)))
    assert [k for s in sheets for k in range(*s.rows)] == list(range(len(rows)))
    assert [s.head for s in sheets] == [True] + [False] * (len(sheets) - 1)
    assert [s.foot for s in sheets] == [False] * (len(sheets) - 1) + [True]
    assert {s.type for s in sheets} <= set(SIZES)
    for sheet in sheets:
        tall = sum(
            line.height(sheet.type) for block in lines[slice(*sheet.blocks)] for line in block
        )
        assert tall <= HEIGHT or sheet.blocks[1] - sheet.blocks[0] == 1


def test_type_grows_with_the_room() -> None:
    def size(count: int) -> float:
        return laid_out([Line("t")], [[Line("x" * 80)] * count], ["flat"] * 4, [Line("f")])[0].type

    assert size(10) > size(33) > size(40)


def printed(page: str, folder: Path, paper: str) -> int:
    """How many pages a browser makes of a card on a paper."""
    assert page.count("@page { margin: 12mm; }") == 1
    return len(sheets_of(page.replace("margin: 12mm;", f"margin: 12mm; size: {paper};"), folder))


def sheets_of(page: str, folder: Path) -> list[tuple[float, float]]:
    """Width and height of every page that a browser prints [points]."""
    file, pdf = folder / "card.html", folder / "card.pdf"
    file.write_text(page, encoding="utf-8")
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={folder / 'profile'}", "--no-pdf-header-footer",
        f"--print-to-pdf={pdf}", file.as_uri(),
    ]  # fmt: skip
    subprocess.run(command, capture_output=True, timeout=PATIENCE, check=True)
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf.read_bytes())
    assert len(boxes) == len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())) > 0
    return [(float(wide), float(tall)) for wide, tall in boxes]


@pytest.fixture(scope="module")
def ten(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The cards of the studies in configs/, lapped with few cells."""
    folder = tmp_path_factory.mktemp("ten")
    return {
        path.stem: card_page(
            lapped(re.sub(r"cells = \d+", "cells = 32", path.read_text("utf-8")), folder, path.stem)
        )
        for path in CONFIGS
    }


@pytest.mark.often("A4")
@needs_chromium
@pytest.mark.campaign
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_studies_print_on_one_page_each(ten: dict[str, str], tmp_path: Path, paper: str) -> None:
    assert len(ten) >= 10
    assert all(page.count('<div class="wc-sheet"') == 1 for page in ten.values())
    # All in one document, a page each; one by one only to name the culprit.
    bodies = [page.partition("<body>")[2].partition("</body>")[0] for page in ten.values()]
    first = next(iter(ten.values()))
    together = "<div style='break-after: page'></div>".join(bodies)
    if printed(first.replace(bodies[0], together), tmp_path, paper) != len(ten):
        assert {
            name: printed(page, tmp_path, paper) for name, page in ten.items()
        } == dict.fromkeys(ten, 1)


@needs_chromium
@pytest.mark.long
def test_what_does_not_fit_goes_on_and_says_so(tmp_path: Path) -> None:
    steps = "".join(
        step(grit=f"{30 - 3 * k} um", time="2 min", more=f'turn = "{k + 4} deg per stroke"')
        for k in range(8)
    )
    page = card_page(lapped(pair(steps), tmp_path))
    sheets = page.count('<div class="wc-sheet"')
    assert sheets > 1
    assert [f"{k} of {sheets}" in said(page) for k in range(1, sheets + 1)] == [True] * sheets
    assert printed(page, tmp_path, "A4") == printed(page, tmp_path, "letter") == sheets


@pytest.mark.campaign
@needs_chromium
def test_the_page_prints_its_card_on_one_upright_sheet(page_of, tmp_path: Path) -> None:
    sheets = sheets_of(page_of("disc_pair"), tmp_path)
    assert sum(tall > wide for wide, tall in sheets) == 1


# --- the command -------------------------------------------------------------------------------


@pytest.mark.campaign
def test_the_command_writes_the_card_and_keeps_what_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lapped(pair(step(time="2 min")), tmp_path)
    folder = tmp_path / "study-run"
    capsys.readouterr()
    assert main(["report", str(folder), "--card"]) == 0
    told = capsys.readouterr().out
    assert "card.html" in told
    assert "print" in told
    assert not (folder / "report.html").exists(), "the card alone was asked for"
    (folder / "card.html").write_text("mine")
    assert main(["report", str(folder), "--card"]) == 2
    assert (folder / "card.html").read_text() == "mine"
    capsys.readouterr()
    assert main(["report", str(folder / "run.h5"), "--card", "--force", "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    assert Path(got["card"]).read_text("utf-8").startswith("<!doctype html>")


def test_names_are_text_not_markup(tmp_path: Path) -> None:
    name = '<b>"A" & $x'
    text = (
        pair(step(time="2 min")).replace('"A"', f"'{name}'").replace("plates.A", f"plates.'{name}'")
    )
    page = card_page(lapped(text, tmp_path))
    assert "<b>&quot;" not in page
    assert html.escape(name, quote=False) in page.replace("&#34;", '"')


# --- a batch -----------------------------------------------------------------------------------

PARTS = """
title = "Rings"
plates.plate = { ring = ["200 mm", "60 mm"], thickness = "30 mm", cells = 24 }
[parts.ring]
ring = ["50 mm", "30 mm"]
thickness = "10 mm"
cells = 16
form = { dome = "1 um" }
[parts.dresser]
like = "ring"
thickness = "40 mm"
[[steps]]
top = "ring"
bottom = "plate"
grit = "9 um"
stroke = { kind = "circle", radius = "5 mm", centre = ["65 mm", "0 mm"] }
turn_bottom = "400 deg per stroke"
turn = "250 deg per stroke"
load = "10 N"
time = "30 s"
[[steps]]
top = "dresser"
bottom = "plate"
grit = "9 um"
stroke = { kind = "circle", radius = "5 mm", centre = ["65 mm", "0 mm"] }
turn_bottom = "400 deg per stroke"
turn = "250 deg per stroke"
time = "30 s"
[batch]
part = "ring"
count = %d
together = 3
scatter = { dome = "0.2 um" }
dress = { with = "dresser", every = "3 parts", step = 2 }
"""


@pytest.mark.campaign
@pytest.mark.often("6")
@pytest.mark.parametrize("count", [6, 15])
def test_a_batch_is_laid_loaded_and_read_part_by_part(tmp_path: Path, count: int) -> None:
    """Of few parts each has its row; of many those of the first load, and the plate before its dressing.

    Three evenly round a clock lie four hours apart (geometry).
    """
    run = lapped(PARTS % count, tmp_path)
    card = card_of(run_view(run))
    first, second = ({order.word: order.text for order in block.lines} for block in card.blocks)
    assert "65 mm off the middle: towards 3 o'clock, 11 o'clock and 7 o'clock" in first["Lay"]
    assert "10 N on each" in first["Press"]
    assert "each" not in second["Press"]
    assert "Lay" not in second
    assert {"On top"}.isdisjoint(first)
    read = [(row.when, row.plate) for row in card.rows]
    numbered = [plate for _, plate in read if re.fullmatch(r"no\. \d+", plate)]
    assert numbered == [f"no. {k}" for k in range(1, (count if count == 6 else 3) + 1)]
    assert read.index(("after 3", "plate")) == read.index(("load 1", "no. 3")) + 1
    assert read[read.index(("after 3", "plate")) + 1] == ("dressed", "plate")
    assert "then dress it" in card.rows[read.index(("after 3", "plate"))].expect
    assert sum(note.whole.startswith("ring") for note in card.head) == 1, "they are alike"
    page = card_page(run)
    assert page.count('<div class="wc-sheet"') == 1
    # A face before and after are those of two parts, and of which is said beside each.
    view = run_view(run)
    assert [view.called("ring 2", after) for after in (False, True)] == [
        "ring no. 2",
        f"ring no. {count - 1}",
    ]
    assert view.called("plate", after=True) == "plate"
    assert f"Before is of ring no. 2, after of ring no. {count - 1}" in " ".join(
        forms_data(view)["notes"]
    )


@pytest.mark.parametrize(("twist", "reached"), [("2 um", True), ("1 nm", False)])
def test_what_is_asked_stands_above_the_steps(twist: str, reached: bool) -> None:
    """And that it is missed, where it is: nobody should work to a card to learn that afterwards."""
    asked = f'[goal]\nflatness = "9 um"\ntwist = "{twist}"\n'
    plates = f'plates.A = {{ {PLATE}, form = {{ twist = "0.5 um" }} }}\nplates.B = {{ {PLATE} }}\n'
    step = '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "15 um"\ntime = "1 min"\n'
    run = parse(plates + asked + step).run()
    told = [note.text for note in card_of(run_view(run)).head if note.lead == "Goal:"]
    assert len(told) == 1
    assert told[0].startswith("A and B flat within 9.0 um; no twist above")
    assert ("is not reached" in told[0]) is not reached


def test_a_plate_that_is_hollow_round_a_pip_is_called_so_on_screen_and_card() -> None:
    """Rings that run between rim and middle dig a trough: its sphere is a dish, a gauge there reads high.

    And a plate that a machine turns has its own caution (common practice, no source).
    """
    whole = PARTS % 3
    (text, _, rest), dresser = whole.partition('[[steps]]\ntop = "dresser"'), "[parts.dresser]"
    text = text.replace(whole[whole.index(dresser) : whole.index("[[steps]]")], "")
    text += rest[rest.index("[batch]") :].partition("\ndress")[0]
    for was, now in (
        ('ring = ["200 mm", "60 mm"]', 'disc = "300 mm"'),
        ('"65 mm"', '"90 mm"'),
        ("cells = 24", "cells = 48"),
        ("30 s", "40 min"),
    ):
        text = text.replace(was, now)
    run = parse(text).run()
    view = run_view(run)
    card = card_of(view)
    reads = [row for row in card.rows if row.plate == "plate"][-1]
    assert "a trough with a pip in the middle" in reads.expect
    assert "a trough with a pip in the middle" in " ".join(batch_words(view))
    assert any("Stop the plate first, gloves off." in note.text for note in card.foot)
