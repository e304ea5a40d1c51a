"""The glossary holds words that the program says; the page of what cannot be known, numbers that it holds."""

from __future__ import annotations

import contextlib
import html
import io
import json
import math
import re
from pathlib import Path

import pytest
from tuning_scene import made

from lapwright.commands.main import COMMANDS, main
from lapwright.integration.loop import lap
from lapwright.limits import BAND
from lapwright.metrology.conditions import rim_sag, thermal_bow
from lapwright.metrology.form import measure
from lapwright.presentation.tuning import as_json, in_words
from lapwright.specification.curves import KINDS
from lapwright.specification.materials import MATERIALS
from lapwright.specification.step import DEPTH_PER_SIZE, HANDS, WEAR_PER_SIZE
from lapwright.study.plates import OUTLINES
from lapwright.study.read import ROOT_KEYS, parse_document
from lapwright.study.source import document_of
from lapwright.study.steps import STEP_KEYS
from lapwright.study.variants import override

pytestmark = pytest.mark.usefixtures("glanced")

ROOT = Path(__file__).resolve().parents[1]
GLOSSARY = (ROOT / "docs" / "glossary.md").read_text("utf-8")
KNOW = (ROOT / "docs" / "what-it-cannot-know.md").read_text("utf-8")
ROWS = [
    [cell.strip() for cell in line.strip().strip("|").split("|")]
    for line in GLOSSARY.splitlines()
    if line.startswith("| ") and not line.startswith(("| the program says", "| ---"))
]
IRON = MATERIALS["grey iron"]
UM = 1e-6

# Of all studies here those that say between them what any says.
TELLING = ("first-pair", "flooded-pair", "rail-on-two-feet", "straight-stroke")
THIRD = """
title = "Everything has a word"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um", ripple = "0.3 um" }, cells = 32 }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "5 min"
stroke = { kind = "still" }
hand = "usual"
"""


def heard(*words: str) -> str:
    """What a command prints, on both streams."""
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        contextlib.suppress(SystemExit),
    ):
        main(list(words))
    return out.getvalue() + err.getvalue()


def read(page: str) -> str:
    """What a person reads on a page."""
    bare = re.sub(r"<(style|script|pre)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]*>", " ", bare))


def keys(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(keys, value.values()))
    return set().union(*map(keys, value)) if isinstance(value, list) else set()


# As flat as a gauge can tell, and bright enough for bands: the finish of a fine grit.
FINE = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "0.05 um" }, cells = 32 }
plates.B = { like = "A" }
steps = [{ top = "A", bottom = "B", grit = "2 um", turn = "8 deg per stroke", time = "5 min" }]
"""


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Everything that the program says of its studies, and the keys that it reads."""
    folder = tmp_path_factory.mktemp("said")
    parts = [heard(name, "-h") for name in COMMANDS] + [
        heard("preview", str(ROOT / "configs" / f"{name}.toml"), "--all") for name in TELLING
    ]
    study = folder / "still.toml"
    study.write_text(THIRD, encoding="utf-8")
    parts.append(heard("preview", str(study), "--all"))
    for name in ("first-pair", "rail-in-wind"):
        study = folder / f"{name}.toml"
        text = (ROOT / "configs" / f"{name}.toml").read_text("utf-8")
        study.write_text(re.sub(r"cells = \d+", "cells = 32", text), encoding="utf-8")
        run = str(folder / f"{name}-run")
        parts += [
            heard("run", str(study), "--out", run, "--no-page"),
            heard("bearing", run),
            heard("report", run),
            heard("report", run, "--card"),
        ]
        for page in ("report.html", "card.html"):
            parts.append(read((folder / f"{name}-run" / page).read_text("utf-8")))
    fine = folder / "fine.toml"
    fine.write_text(FINE, encoding="utf-8")
    parts.append(heard("run", str(fine), "--out", str(folder / "fine-run"), "--no-page", "--all"))
    parts.append(heard("gauge", str(ROOT / "configs" / "seal-ring-of-carbon.toml")))
    parts += in_words(made("near"))
    parts += [*ROOT_KEYS, *STEP_KEYS, *OUTLINES, *KINDS, *HANDS]
    return re.sub(r"\s+", " ", " ".join(parts)).lower()


@pytest.mark.campaign
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_the_program_says_the_words_of_the_glossary(said: str, row: list[str]) -> None:
    assert len(row) == 5
    unsaid = [
        w for w in row[0].split("; ") if not re.search(rf"\b{re.escape(w.lower())}s?\b", said)
    ]
    assert not unsaid
    assert row[1], "every word is explained"


@pytest.mark.campaign
def test_the_keys_of_the_glossary_are_in_the_json(tmp_path: Path) -> None:
    study = tmp_path / "first-pair.toml"
    text = (ROOT / "configs" / "first-pair.toml").read_text("utf-8")
    study.write_text(re.sub(r"cells = \d+", "cells = 32", text), encoding="utf-8")
    known: set[str] = set()
    for words in (["run", str(study), "--out", str(tmp_path / "r"), "--no-page"],
                  ["preview", str(study), "--all"],
                  ["bearing", str(tmp_path / "r")]):  # fmt: skip
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
            assert main([*words, "--json"]) == 0
        known |= keys(json.loads(out.getvalue()))
    known |= keys(as_json(made(), None))
    named = {key for row in ROWS for key in re.findall(r"`(\w+)`", row[4])}
    assert named
    assert named <= known


# --- what cannot be known ----------------------------------------------------------------------


def near(text: str, value: float) -> bool:
    """A number of the page is the value, to the digits shown (at most one off in the last)."""
    digits = len(text.partition(".")[2])
    return abs(float(text) - value) <= 1.01 * 10.0**-digits or abs(float(text) / value - 1.0) < 0.03


def test_constants_of_the_page_are_those_of_the_code() -> None:
    wear = re.search(
        r"it is ([\d.]+) um for a km of rubbing under 1 kPa for each\s+um of grit", KNOW
    )
    assert wear is not None
    # 1e-12 1/Pa is 1 um for a km under 1 kPa.
    assert float(wear[1]) == pytest.approx(WEAR_PER_SIZE * UM * 1e12)
    assert f"{DEPTH_PER_SIZE} of the grit size under 3 kPa" in KNOW
    assert "times or divided by 3.2" in KNOW
    assert near("3.2", BAND)
    listed = {
        n: float(f)
        for n, f in re.findall(
            r"(hardened steel|stainless|bronze|aluminium|carbide|alumina|glass) ([\d.]+)", KNOW
        )
    }
    by_name = {name: m.wear_factor for name, m in MATERIALS.items()}
    assert len(listed) == 7
    for name, factor in listed.items():
        assert any(
            known.startswith(name) and value == factor for known, value in by_name.items()
        ), name
    assert HANDS == {"steady": 0.0, "usual": 0.10, "rough": 0.25}
    assert '`"usual"` lets them scatter by 10 %, `"rough"` by 25 %' in KNOW


def test_bending_heat_and_weight_of_the_page() -> None:
    # Thin plates and the free plate: S. Timoshenko (from memory); `lapwright.metrology.conditions` is checked
    # against published numbers of its own.
    sags = re.search(
        r"sags (\d+) nm at 30 mm thickness, ([\d.]+) um at 20 mm, ([\d.]+) um at 10 mm", KNOW
    )
    assert sags is not None
    assert near(sags[1], rim_sag(IRON, 0.16, 0.03, 3e3) * 1e9)
    for number, thickness in ((sags[2], 0.02), (sags[3], 0.01)):
        assert near(number, rim_sag(IRON, 0.16, thickness, 3e3) / UM)
    bows = re.search(
        r"160 x 30 mm iron plate bows it by ([\d.]+) um; through one of 250 x 40 mm by ([\d.]+) um",
        KNOW,
    )
    assert bows is not None
    assert near(bows[1], thermal_bow(IRON, 0.16, 0.03, 1.0) / UM)
    assert near(bows[2], thermal_bow(IRON, 0.25, 0.04, 1.0) / UM)
    grams = re.search(r"1 um off the face of a 160 mm iron plate is ([\d.]+) g", KNOW)
    assert grams is not None
    assert near(grams[1], math.pi * 0.08**2 * UM * IRON.density * 1e3)


def ends(
    changes: list[tuple[int | None, dict]], grits: dict, seed: int = 0
) -> tuple[float, float, float]:
    """Metal off, dome of A and of B [um] at the end of the first pair with changes, at 48 cells."""
    document = document_of((ROOT / "configs" / "first-pair.toml").read_text("utf-8"))
    document["seed"] = seed
    document["grits"] = grits
    document["plates"]["A"]["cells"] = 48
    for step, change in changes:
        document = override(document, step, change)
    study = parse_document(document)
    *_, last = lap(
        study.plates, study.steps, rounds=study.rounds, seed=study.seed, margin=study.margin
    )
    a, b = (measure(study.plates[n], last.heights[n], study.margin).sphere for n in "AB")
    assert a is not None
    assert b is not None
    return last.removed["A"] / UM, a / UM, b / UM


def form(text: str) -> tuple[float, float]:
    """The least and the most of "hollow 0.22 to 0.29 um" as signed forms [um]."""
    got = re.fullmatch(r"(hollow|domed) ([\d.]+)(?: to ([\d.]+))? um", text)
    assert got is not None, text
    sign = 1.0 if got[1] == "domed" else -1.0
    low, high = sorted((sign * float(got[2]), sign * float(got[3] or got[2])))
    return low, high


def within(value: float, text: str) -> bool:
    low, high = form(text)
    slack = 0.02 + 0.05 * max(abs(low), abs(high))  # two figures, and the coarser grid
    return low - slack <= value <= high + slack


def table(first: str) -> list[list[str]]:
    """A row of the page's tables, by its first cell."""
    return [
        [c.strip() for c in x.strip("|").split("|")]
        for x in KNOW.splitlines()
        if x.startswith(f"| {first} |")
    ]


@pytest.mark.campaign
@pytest.mark.always(1, 2)
@pytest.mark.parametrize(
    ("row", "factor"),
    [("as taken", 1.0), ("3.2 times slower", 1 / BAND), ("3.2 times faster", BAND)],
)
def test_minutes_that_are_wrong_leave_other_shapes(row: str, factor: float) -> None:
    grits = {
        n: {"size": f"{s} um", "wear": f"{0.16e-12 * s * factor:.6g} 1/Pa"}
        for n, s in (("c", 15), ("f", 5))
    }
    metal, a, b = ends([(1, {"grit": "c"}), (2, {"grit": "f"})], grits)
    ((_, off, said_a, said_b),) = table(row)
    assert near(off.removesuffix(" um"), metal)
    assert within(a, said_a)
    assert within(b, said_b)


@pytest.mark.long
@pytest.mark.parametrize("hand", ["usual", "rough"])
def test_a_hand_that_scatters_hollows_the_top_more(hand: str) -> None:
    _, a, b = ends([(None, {"hand": hand})], {}, seed=1)
    ((_, said_a, said_b),) = table(hand)
    assert within(a, said_a)
    assert within(b, said_b)
