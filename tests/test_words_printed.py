"""Every word the program prints on the studies of configs/ is one a machinist would use at the bench.

Read are the preview, the reasons, the run, the bearing, both pages and the work card, at a coarse size.  The
study's own text, its notes and `--json` are exempt.  The rules are those of the words for screens and pages:
no term of theory, no bare signed form, no more than two figures of a form in prose, no minutes that stand
alone, and no form that no gauge is sure of without the remark that says so.
"""

from __future__ import annotations

import contextlib
import io
import re
from functools import lru_cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from tuning_scene import BANDS, REFUSED, made

from lapwright.commands.main import main
from lapwright.presentation.card import card_html
from lapwright.presentation.page import render
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tuning import in_words, tuning_page
from lapwright.presentation.words import typeset
from lapwright.results.record import Run
from lapwright.results.runfile import read_run
from lapwright.specification.step import Step
from lapwright.study.doubts import doubt_at_end
from lapwright.study.read import load

pytestmark = pytest.mark.usefixtures("glanced")

CONFIGS = Path(__file__).parents[1] / "configs"
# Discs and a rail as a campaign; a ring on a plate, strokes that never turn and others by hand.
TWO = ("first-pair", "rail-in-wind")
MORE = (
    "even-swaps-keep-the-dish",
    "grooved-pair",
    "never-swapped",
    "quarter-turns",
    "rings-over-the-rim",
    "straight-stroke",
    "three-plates",
    "three-plates-quarter-turn",
)
TEN = (
    *(pytest.param(name, marks=pytest.mark.campaign) for name in TWO),
    *(pytest.param(name, marks=pytest.mark.long) for name in MORE),
)
GAUGE = "as far as a gauge can tell"
REMARK = "too small for a gauge to be sure of"

FOREIGN = re.compile(
    r"survivor|eigen|\bdrift|\bmodes?\b|preston|minimum zone|\bnan\b|\binf(inity)?\b", re.I
)
SIGNED = re.compile(r"(?<![\w.:/])[-+−±]\s?\d[\d.]*\s?(um|uin|nm)\b")
FORM = re.compile(r"(?<![\d.])(\d[\d.]*)\s?(um|uin|nm)\b(?!/)")
TIME = re.compile(r"(?<![\d.])(\d[\d.]*)\s?(min|h)\b")
# Waits and intervals of practice, which do not hang on how fast the grit cuts.
FIXED_TIME = re.compile(
    r"every 5 min|every 10 min|ten minutes|after 10 min|a minute|warm|cool|wait|settle", re.I
)
BANDED = re.compile(r"about [\d.]+ (min|h)(?:,| \() ?[\d.]+ to [\d.]+")


# --- what is printed ---------------------------------------------------------------------------


def coarse(name: str, folder: Path) -> Path:
    """The study with few cells: every number of cells is cut down, nothing else is touched."""
    text = (CONFIGS / f"{name}.toml").read_text("utf-8")
    text = re.sub(r"cells = (\d+)", lambda m: f"cells = {max(24, int(m[1]) // 3)}", text)
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def spoken(*words: str) -> str:
    """What a command says on both streams; it must do what it was asked."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(list(words))
    assert code == 0, err.getvalue()
    return out.getvalue() + "\n" + err.getvalue()


class Prose(HTMLParser):
    """What a person reads on a page, in pieces: a paragraph, an item, a cell, a word in a picture, a "
    "label."""

    BLOCKS = frozenset(
        {"p", "li", "td", "th", "h1", "h2", "text", "caption", "dt", "dd", "figcaption", "output"}
    )
    SKIPPED = frozenset({"style", "script", "pre", "dl"})

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[tuple[str, str]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        label = dict(attrs).get("aria-label")
        if label:
            self.pieces.append(("label", label))
        if tag in (
            "br",
            "input",
            "meta",
            "link",
            "hr",
            "path",
            "use",
            "image",
            "rect",
            "line",
            "circle",
        ):
            return
        self.open.append(tag)
        if tag in self.BLOCKS:
            self.pieces.append((tag, ""))

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not data.strip() or self.SKIPPED & set(self.open):
            return
        inside = next((t for t in reversed(self.open) if t in self.BLOCKS), "other")
        if self.pieces and self.pieces[-1][0] == inside:
            self.pieces[-1] = (inside, f"{self.pieces[-1][1]} {data}")
        else:
            self.pieces.append((inside, data))


def plain(text: str) -> str:
    """Words with their units as they are typed at a keyboard."""
    text = (
        re.sub(r"[\u202f\u00a0\u2009]", " ", text)
        .replace("µ", "u")
        .replace("μ", "u")
        .replace("×", "x")
    )
    return re.sub(r"\s+", " ", text).strip()


def page_pieces(page: str) -> list[tuple[str, str]]:
    walker = Prose()
    walker.feed(page)
    return [(tag, plain(text)) for tag, text in walker.pieces if text.strip()]


def lines(text: str) -> list[tuple[str, str]]:
    return [("line", plain(line)) for line in text.splitlines() if line.strip()]


def sentences(text: str) -> list[tuple[str, str]]:
    """Sentences of wrapped text, each by itself: none lives by the remark of another."""
    whole = re.sub(r"\n  (?=\S)", " ", text)
    return [one for _, line in lines(whole) for one in lines(re.sub(r"\. (?=[A-Z])", ".\n", line))]


@lru_cache(maxsize=12)
def _printed(name: str, folder: Path) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    file = str(coarse(name, folder))
    made = folder / f"{name}-run"
    said = {
        "preview": lines(spoken("preview", file)),
        "run": sentences(spoken("run", file, "--out", str(made), "--no-page")),
    }
    said["bearing"] = lines(spoken("bearing", str(made)))
    reasons = spoken("why", file, "--out", str(folder / f"{name}-why"))
    said["why"] = lines(
        re.sub(r"\n {16,}", " ", reasons)
    )  # sentences as they were before they were wrapped
    said["why page"] = page_pieces((folder / f"{name}-why" / "why.html").read_text("utf-8"))
    run = read_run(made / "run.h5")
    page = render(run)
    (made / "report.html").write_text(page, encoding="utf-8")
    said["page"] = page_pieces(page)
    said["card"] = page_pieces(card_html(run))
    return tuple((where, tuple(pieces)) for where, pieces in said.items())


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("words")


def steps_of(run: Run) -> tuple[Step, ...]:
    return run.study.steps


Piece = tuple[str, str, str]  # where, what kind of piece, the words


@pytest.fixture(scope="module", params=TEN)
def printed(request: pytest.FixtureRequest, room: Path) -> tuple[Run, list[Piece]]:
    """The run of a study, and every piece of prose that the program prints on it."""
    got = _printed(request.param, room)
    run = read_run(room / f"{request.param}-run" / "run.h5")
    return run, [(where, kind, text) for where, pieces in got for kind, text in pieces]


# --- the rules ---------------------------------------------------------------------------------


def test_studies_are_the_ten() -> None:
    assert len({*TWO, *MORE}) == 10
    assert {*TWO, *MORE} <= {path.stem for path in CONFIGS.glob("*.toml")}


@pytest.mark.campaign
def test_everything_is_read(printed) -> None:
    _, pieces = printed
    for where in ("preview", "why", "why page", "run", "bearing", "page", "card"):
        assert sum(len(text) for place, _, text in pieces if place == where) > 150, where


def test_no_word_of_theory(printed) -> None:
    _, pieces = printed
    for where, _, text in pieces:
        assert not FOREIGN.search(text), (where, text)


def test_no_bare_signed_form(printed) -> None:
    _, pieces = printed
    for where, _, text in pieces:
        assert not SIGNED.search(text), (where, text)


def typed_numbers(run: Run) -> set[str]:
    """Numbers that the person typed himself, as typed: they come back as they are."""
    return set(re.findall(r"\d+(?:\.\d+)?", run.study_text))


def figures(number: str) -> int:
    """Significant figures of a number in words; zeros at the end of a whole number are none."""
    digits = number.replace(".", "").lstrip("0")
    return len(digits if "." in number else digits.rstrip("0"))


WAVES = {"587.6", "405"}  # [nm] of lights: no forms


def test_forms_have_two_figures_in_prose(printed) -> None:
    run, pieces = printed
    for where, kind, text in pieces:
        for number, unit in FORM.findall(text):
            if number in typed_numbers(run) | WAVES or kind in ("td", "th"):
                continue
            assert figures(number) <= 2, (where, kind, number + unit, text)


def test_no_minutes_without_a_band(printed) -> None:
    """A time stands with its band, or is one that the person typed, or a wait that no wear decides."""
    run, pieces = printed
    typed: set[float] = set()
    for step in steps_of(run):
        typed |= {step.total_strokes / step.pace, step.fresh_every or 0.0}
        typed |= set(step.swap.on_top.values() if step.swap else ())
    for where, kind, text in pieces:
        rest = BANDED.sub(" ", re.sub(r'"[^"]*"', " ", text))  # what may be typed stands in quotes
        for number, unit in TIME.findall(rest):
            seconds = float(number) * (60.0 if unit == "min" else 3600.0)
            known = any(abs(seconds - t) <= 0.006 * t for t in typed)
            assert known or FIXED_TIME.search(text), (where, kind, number + unit, text)


SHAPE = re.compile(
    r"\b(?:dome|dish|domed|hollow|bow|crown|wind|flat within|high at [\d: and]+ by|[A-Z] by|"
    r"(?:the )?(?:1:30|10:30)[\w: ]* by) (?:[A-Z]\w* )?(\d[\d.]*) (um|uin)\b"
)


# What is asked where a study asks for nothing: no size of a face.
# From where to where a form lies by the grit layer: the remark is that of the size which it belongs to.
BY_LAYER = re.compile(r"anywhere from [^;.]*? \S+ \S+ to [^;]*? depending on the grit layer")
USUAL_GOAL = re.compile(r"flat within [\d.]+ \w+ \(taken, as the study has no \[goal\]\)")


def test_a_form_that_no_gauge_tells_has_the_remark(printed) -> None:
    """What is told of the faces after lapping: on the first screen, in the run's own words, on the card."""
    run, pieces = printed
    said = run_view(run)
    doubt = min(f for f in said.doubts.values() if f is not None)
    marked = any("†" in text and REMARK in text for where, _, text in pieces if where == "page")
    seen, when = 0, ""
    for where, kind, text in pieces:
        # Words in a picture come line by line: those under "A before" are of the face as it came.
        title = re.search(r"\b(before|after)$", text) if kind == "text" else None
        when = title[1] if title else when if kind == "text" else ""
        if where not in ("run", "page") or "before" in text or when == "before":
            continue
        if text.startswith("What it leaves"):
            continue  # what the stroke alone would leave: nobody reads that
        for number, unit in SHAPE.findall(BY_LAYER.sub("", USUAL_GOAL.sub("", text))):
            size = float(number) * (1e-6 if unit == "um" else 25.4e-9)
            seen += 1
            if float(number) in {float(n) for n in typed_numbers(run)}:
                continue  # how the face came, as the person said it
            if size < doubt * (1 - 0.05):
                assert REMARK in text or GAUGE in text or ("†" in text and marked), (
                    where,
                    kind,
                    text,
                )
    if said.study is not None:
        assert seen or "flat" in " ".join(text for _, _, text in pieces)


def test_the_study_itself_is_quoted_verbatim(printed, room: Path) -> None:
    run, _ = printed
    page = (room / f"{run.study_stem}-run" / "report.html").read_text("utf-8")
    quoted = unescape(re.search(r"<pre>(.*?)</pre>", page, re.S)[1])  # type: ignore[index]
    assert quoted == run.study_text
    assert load(room / f"{run.study_stem}.toml").text == run.study_text


@pytest.mark.parametrize(
    ("rule", "wrong"),
    [
        (FOREIGN, "one survivor is left"),
        (FOREIGN, "this mode dies"),
        (FOREIGN, "by Preston's law"),
        (SIGNED, "sphere -0.8 um"),
        (SIGNED, "A +3 um"),
    ],
)
def test_the_rules_catch_what_they_are_for(rule: re.Pattern[str], wrong: str) -> None:
    assert rule.search(wrong)
    assert figures("0.1234") == 4
    assert figures("1200") == 2
    assert figures("0.80") == 2
    assert BANDED.sub(" ", "in 40 min") == "in 40 min"
    assert SHAPE.search("A is hollow 0.25 um")
    assert typeset("3 um") != plain(typeset("3 um"))


# --- the search for a schedule -------------------------------------------------------------------

# By hand: with another study, what a search finds would be another number in the same sentence.
SEARCHES = {
    "found": made(
        samples=100, reached_in=63, bands=BANDS, failed=3, failed_why="the top tips off B"
    ),
    "near": made("near"),
    "refused": made("refused", refused=(REFUSED,)),
}


@pytest.mark.parametrize("case", SEARCHES)
def test_a_search_speaks_as_one_does_at_the_bench(case: str) -> None:
    got = SEARCHES[case]
    typed = got.study.text + "".join(
        value for way in got.candidates for value in way.changes.values()
    )
    known = {float(number) for number in {*re.findall(r"\d+(?:\.\d+)?", typed), *WAVES}} | {
        0.12,
        0.1,
    }
    page = page_pieces(tuning_page(got, Path("swaps-tuned.toml")))
    assert sum(len(text) for _, text in page) > 1500
    for kind, text in [("line", plain(" ".join(in_words(got)))), *page]:
        assert not FOREIGN.search(text), text
        assert not re.search(r"operator|residue|monte|\bnone\b(?! of)", text, re.I), text
        assert not SIGNED.search(text), text
        for number, _ in FORM.findall(text):
            assert float(number) in known or figures(number) <= 2, (kind, number, text)
        rest = BANDED.sub(" ", re.sub(r'"[^"]*"', " ", text))
        if "nine in ten draws take" not in text and kind != "text":  # a band of its own; an axis
            for number, _ in TIME.findall(rest):
                assert float(number) in known or re.search(r"about [\d.]+ min \d+ to", text), (
                    kind,
                    text,
                )
    doubt = doubt_at_end(got.study) / 1e-6
    assert 0.05 < doubt < 0.5
    for kind, text in page:
        # Every size that lapping came to and no gauge is sure of has its mark.
        if kind in ("td", "li") and "um" in text and "grit layer" not in text:
            for number, unit, mark in re.findall(r"(\d[\d.]*) (um)(\u2020?)", text):
                fine = unit == "um" and float(number) < 0.95 * doubt and float(number) not in known
                assert not fine or mark, text
