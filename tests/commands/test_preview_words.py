"""Every word that preview prints, on every study of configs/ and hostile ones: what a machinist would not say
at the bench is not there, and what is said is true of the JSON beside it."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path

import pytest

from lapwright.commands.main import COMMANDS, main

pytestmark = pytest.mark.usefixtures("glanced")

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
FORBIDDEN = (
    "survivor",
    "eigenvalue",
    "drift",
    "mode",
    "preston",
    "minimum zone",
    "none}",
    "nan",
    "inf ",
)
INCH = """units = "inch"
plates.left = { disc = "6 in", thickness = "1 in", form = { dome = "80 uin", twist = "15 uin" } }
plates.right = { like = "left", form = { dish = "10 uin" } }
[[steps]]
top = "right"
bottom = "left"
grit = "9 um"
stroke = { kind = "circle", overhang = "1 in" }
turn = "90 deg every 10 strokes"
load = "5 lb"
time = "3 h"
[[steps]]
top = "left"
bottom = "right"
grit = "2 um"
stroke = { kind = "line", length = "2.5 in", direction = "30 deg" }
turn = "180 deg every 10 strokes"
time = "40 min"
"""
HOSTILE = """
plates.A = { disc = "160 mm", thickness = "8 mm", form = { dome = "3 um" }, material = "glass" }
[plates.B]
disc = "250.5 mm"
mass = "26 kg"
grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }
[[steps]]
top = "A"
bottom = "B"
grit = "F220"
stroke = { kind = "zigzag", travel = "1/2", width = "100 mm", passes = 300 }
load = "600 N"
time = "30 min"
[[steps]]
top = "B"
bottom = "A"
grit = "5 um"
stroke = { kind = "line", length = "120 mm", direction = "30 deg", centre = ["10 mm", "-5 mm"] }
walk = "-3 deg per stroke"
time = "5 min"
until = { difference = "0.2 um" }
hand = "rough"
[[steps]]
top = "A"
bottom = "B"
grit = "5 um"
stroke = { kind = "still" }
strokes = 300
[[steps]]
top = "A"
bottom = "B"
grit = "5 um"
stroke = { kind = "still" }
turn = "10 deg per stroke"
strokes = 300
"""
STUDIES = {path.stem: path.read_text("utf-8") for path in CONFIGS} | {
    "inch": INCH,
    "hostile": HOSTILE,
}
LONG = {"grooved-pair", "hostile"}


@pytest.fixture(
    scope="module",
    params=[pytest.param(n, marks=pytest.mark.campaign if n in LONG else []) for n in STUDIES],
)
def said(request, tmp_path_factory):
    """(text as typed, words printed, JSON): each study is previewed once, in words and for scripts."""
    text = STUDIES[request.param]
    for found in re.findall(r'map = "([^"]+)"', text):
        pytest.skip(f"needs {found}")
    study = tmp_path_factory.mktemp("preview") / "study.toml"
    study.write_text(text)
    answer, words = previewed(study, "--all", "--json")
    return text, words, json.loads(answer)


def previewed(study, *more):
    """What it prints on both streams; beside JSON, the words stand on the second."""
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(study.parent),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        assert main(["preview", study.name, *more]) == 0
    return out.getvalue(), err.getvalue()


@pytest.mark.campaign
def test_words_beside_the_json_are_those_without_it(tmp_path):
    study = tmp_path / "study.toml"
    study.write_text(INCH)
    alone, nothing = previewed(study)
    assert alone
    assert not nothing
    assert previewed(study, "--json")[1] == alone


@pytest.mark.always(0, 3, 6, 9, 12, 18, 21)
def test_no_word_that_is_not_used_at_the_bench(said):
    _, words, _ = said
    low = words.lower()
    assert not [word for word in FORBIDDEN if word in low]
    assert not re.search(r"\bmode", low)
    assert "None" not in words.replace("none", "")


def test_lines_are_short_enough_to_read(said):
    _, words, _ = said
    assert max(len(line) for line in words.splitlines() if "lapwright" not in line) <= 100


def test_rubbing_times_come_with_their_band(said):
    _, words, _ = said
    flat = " ".join(words.split())
    takes = re.findall(
        r"takes about (\S+) (min|h) \((\S+) to (\S+) (until you weigh|as wear)", flat
    )
    assert len(takes) == flat.count("takes about")
    for about, _, low, high, _ in takes:
        assert float(low) < float(about) < float(high)
        assert float(high) / float(low) == pytest.approx(10.0, rel=0.1)


def test_two_figures_and_no_bare_sign(said):
    text, words, _ = said
    typed = set(re.findall(r"[\d.]+", text))
    for line in words.split("Not said in the study")[0].splitlines():
        if not line.startswith("  ") or re.match(r"  +hand", line):
            continue
        for number in re.findall(r"(?<![\w.])[\d.]+(?= (?:um|uin)\b)", line):
            figures = number.replace(".", "").lstrip("0").rstrip("0" if "." not in number else "")
            assert len(figures) <= 2 or number in typed, line
        assert not re.search(r"(?<![\w.])[-+]\d[\d.]* (?:um|uin|mm|in|deg)\b", line), line


def test_it_names_no_command_that_there_is_not(said):
    _, words, _ = said
    named = set(re.findall(r"lapwright (\w+)", words))
    assert named
    assert named <= set(COMMANDS)


def test_makes_says_what_the_numbers_say(said):
    _, words, answer = said
    blocks = re.split(r"^Step \d+: ", words.split("Not said")[0], flags=re.MULTILINE)[1:]
    for block, step in zip(blocks, answer["steps"], strict=True):
        top, bottom = re.match(r"(\S+) on (\S+),", block).groups()
        half = step["half_difference"]
        made = re.search(r"makes +(\S+) hollow and (\S+) domed, by ([\d.]+) (um|uin) each", block)
        if made is None:
            forms = step["made"] or {}
            if re.search(r"makes +(?:neither|whichever|no change)", block):
                assert half is None or abs(half) < 0.05 * step["removed"]
            for name in forms:
                for key, word in (
                    ("sphere", "goes (domed|hollow) by"),
                    ("bow", r"bow [\d.]+ \w+, (high|hollow)"),
                ):
                    said = re.search(rf"{name} {word}", " ".join(block.split("leaves")[0].split()))
                    if said:
                        assert (said[1] in ("domed", "high")) == (forms[name][key] > 0.0)
            continue
        assert (made[1], made[2]) == ((top, bottom) if half > 0.0 else (bottom, top))
        size = float(made[3]) * (1e-6 if made[4] == "um" else 25.4e-9)
        assert size == pytest.approx(abs(half), rel=0.05)


def test_what_holds_everywhere_is_said_once(said):
    _, words, answer = said
    flat = " ".join(words.split())
    assert flat.count("how fast a dab of grit breaks down") <= 1
    codes = [w["code"] for w in answer["warnings"]]
    assert "no_fade" not in codes or codes.count("no_fade") == len(answer["steps"])
    assert flat.count("weighs") >= 1


@pytest.mark.campaign
def test_swaps_in_metal_where_nothing_rubs_have_no_minutes(tmp_path, monkeypatch, capsys):
    """Once a division by the metal that never goes off."""
    monkeypatch.chdir(tmp_path)
    Path("still.toml").write_text(
        'plates.A = { disc = "160 mm", thickness = "30 mm", cells = 16 }\nplates.B = { like = "A" }\n'
        '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "15 um"\nstroke = { kind = "still" }\n'
        'swap_every = "0.4 um"\ntime = "2 min"\n'
    )
    for command in (["preview"], ["run", "--no-page"]):
        assert main([command[0], "still.toml", *command[1:]]) == 0
    assert main(["report", "still-run", "--card"]) == 0
