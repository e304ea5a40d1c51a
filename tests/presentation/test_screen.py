"""What fits on one screen: `preview` of two steps on 24 lines of 80 columns, `run` in a dozen lines."""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

import pytest

from lapwright.commands.main import main
from lapwright.presentation.screen import _hand
from lapwright.results.answer import Preview
from lapwright.results.findings import KINDS
from lapwright.results.runfile import read_run
from lapwright.study.read import parse

sys.path.insert(0, str(Path(__file__).parents[1]))
from findings_studies import study_text

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
PAIR = """plates.A = { disc = "160 mm", thickness = "30 mm", cells = 16, form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "2 min"
"""
INCHES = """units = "inch"
parts.plate = { rectangle = ["18 in", "12 in"], thickness = "3 in", material = "granite", cells = 24 }
[parts.rail]
rectangle = ["12 in", "2 in"]
thickness = "1.5 in"
material = "steel"
cells = 16
form = { wind = "150 uin", bow = "40 uin" }
[[steps]]
top = "rail"
bottom = "plate"
grit = "9 um"
stroke = { kind = "zigzag", length = "6 in", width = "7 in", passes = 20 }
load = "10 lb"
time = "30 min"
[[steps]]
top = "rail"
bottom = "plate"
grit = "3 um"
stroke = { kind = "line", length = "5 in" }
turn = "180 deg every 10 strokes"
time = "90 min"
"""
LONG = """plates.left_hand_one = { disc = "160 mm", thickness = "30 mm", cells = 16, mass = "26 kg" }
plates.right_hand_one = { like = "left_hand_one", form = { dome = "2 um", twist = "1 um", saddle = "1 um" } }
""" + "".join(
    f"""[[steps]]
top = "{top}"
bottom = "{bottom}"
grit = "{grit} um"
stroke = {{ kind = "zigzag", length = "70 mm", width = "100 mm", centre = ["12 mm", "9 mm"] }}
load = "900 N"
time = "90 min"
liquid = "flooded with kerosene"
swap_every = {{ left_hand_one = "15 min", right_hand_one = "5 min" }}
"""
    for top, bottom, grit in (
        ("left_hand_one", "right_hand_one", 15),
        ("right_hand_one", "left_hand_one", 3),
    )
)


def screen_of(text: str) -> list[str]:
    """All that `preview` prints but the names of files, which may be long."""
    found = Preview(parse(text)).text().splitlines()
    return [*found, "", "All that is to be said:", "Lap the plates:"]


def studies() -> dict[str, str]:
    made = {f"made {k}": study_text(k) for k in range(60) if k % 3 < 2}
    own = {"pair": PAIR, "inches": INCHES, "long": LONG}
    return own | {p.stem: p.read_text("utf-8") for p in CONFIGS} | made


@pytest.mark.always(0, 5, 9, 12, 20, 24, 27, 30)
@pytest.mark.often("inches", "long", "gauge-ends-in-a-carrier", "rail-in-wind")
@pytest.mark.parametrize("name", [n for n in studies() if "made" not in n or int(n[5:]) % 7 == 0])
def test_two_steps_fit_one_screen(name: str) -> None:
    """24 lines of 80 columns, the first size of a terminal (common practice, no source); more steps, more."""
    text = studies()[name]
    lines = screen_of(text)
    more = 5 * max(text.count("[[steps]]") - 2, 0) + max(len(parse(text).plates) - 2, 0)
    assert len(lines) <= 24 + more, "\n".join(lines)
    assert max(map(len, lines)) <= 80


def test_each_step_has_one_line_of_each() -> None:
    lines = screen_of(INCHES)
    for word in ("hand", "cuts", "makes", "leaves"):
        assert sum(line.startswith(f"  {word} ") for line in lines) == 2
    assert sum(line.startswith("! ") for line in lines) <= 4, "three, and how many more there are"


def test_what_cannot_be_comes_first(tmp_path: Path) -> None:
    """Half a disc over the edge tips (statics): said before anything else of the study."""
    stroke = 'stroke = { kind = "line", length = "170 mm" }\ntime'
    lines = screen_of(PAIR.replace("time", stroke, 1))
    assert lines[1].startswith("! A tips off B")


@pytest.mark.campaign
def test_the_gravest_come_first_and_nothing_is_lost() -> None:
    """What hurts a person, ruins the plate, wastes the day: the order of the table; `--all` has every one."""
    order = [kind.harm for kind in KINDS.values() if kind.told != "readings"]
    assert order == sorted(order, key=["person", "plate", "day"].index)
    whole = Preview(parse(LONG), whole=True)
    said = " ".join(whole.text().split())
    texts = [one["text"] for one in whole.to_dict()["warnings"] if one["code"] != "no_fade"]
    assert len(set(texts)) > 4
    assert all(text in said for text in texts)
    short = " ".join(screen_of(LONG))
    more = re.search(r"and (\d+) more to look out for", short)
    assert more is not None
    marked = sum(line.startswith("! ") for line in screen_of(LONG)) - 1
    assert 1 <= marked <= 3


@pytest.mark.campaign
def test_what_hurts_is_never_cut_short() -> None:
    whole = " ".join(" ".join(screen_of(LONG)).split())
    told = Preview(parse(LONG)).to_dict()["warnings"]
    for code in ("too_heavy", "overhang"):
        text = next(one["text"] for one in told if one["code"] == code)
        assert text in whole


@pytest.mark.campaign
@pytest.mark.parametrize(
    "text", [PAIR, INCHES.replace("30 min", "1 min").replace("90 min", "1 min")]
)
def test_a_run_is_told_in_a_dozen_lines(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_text(text)
    assert main(["run", "s.toml", "--no-page"]) == 0
    short = capsys.readouterr().out.splitlines()
    assert len(short) <= 12, "\n".join(short)
    assert max(map(len, short)) <= 100
    assert main(["run", "s.toml", "--no-page", "--resume", "--all"]) == 0
    whole = " ".join(capsys.readouterr().out.split())
    run = read_run("s-run/run.h5")
    care = [one for one in run.lines(whole=True) if one.startswith("Take care: ")]
    assert care or "inch" not in text
    assert all(" ".join(one.split()) in whole for one in care)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ('turn = "-137.5 deg every 10 strokes"', "turned 137.5 deg clockwise every 10"),
        ('turn = "7.5 deg per stroke"', "turned 7.5 deg a stroke"),
        ('turn_bottom = "-3 deg per stroke"', "B turned 3 deg clockwise a stroke"),
        # 400 deg at each of 40 strokes a minute: 44.4 turns a minute (arithmetic).
        ('turn_bottom = "400 deg per stroke"', "B turned at 44 rev/min"),
    ],
)
def test_a_turn_is_said_back_as_it_was_typed(typed: str, told: str) -> None:
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm" }\nplates.B = { like = "A" }\n'
        f'[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "9 um"\ntime = "5 min"\n{typed}\n'
    )
    under = study.turns_bottom(1)
    assert told in _hand(study.steps[0], study.ahead[0], study.units, under)


@pytest.mark.parametrize("name", ["pair", "quarter-turns", "straight-stroke"])
def test_nothing_is_cut_short_while_lines_are_free(name: str) -> None:
    """A study of one step has lines to spare: what one line cannot hold goes on in the next."""
    text = studies()[name]
    lines = screen_of(text)
    assert not [line for line in lines if line.endswith(" ...")]
    assert sum(line.startswith("  leaves ") for line in lines) == 1


@pytest.mark.parametrize(
    ("centre", "bore", "said"), [(60, 0, "40 mm across"), (60, 20, "10 mm"), (30, 0, "")]
)
def test_a_middle_that_is_never_rubbed_is_named(centre: int, bore: int, said: str) -> None:
    """A 60 mm disc on a circle of 10 mm radius about a place 60 mm out comes within 20 mm of the middle."""
    plate = f'ring = ["240 mm", "{bore} mm"]' if bore else 'disc = "240 mm"'
    text = f"""plates.P = {{ {plate}, thickness = "30 mm", cells = 32 }}
plates.R = {{ disc = "60 mm", thickness = "10 mm", cells = 16 }}
[[steps]]
top = "R"
bottom = "P"
grit = "9 um"
stroke = {{ kind = "circle", radius = "10 mm", centre = ["{centre} mm", "0 mm"] }}
turn_bottom = "400 deg per stroke"
time = "5 min"
"""
    found = re.findall(
        r"([^,;:]*(?:, [^,;:]* across,)?) is never rubbed", " ".join(screen_of(text))
    )
    assert bool(found) is bool(said)
    assert said in "".join(found)


def test_the_overhang_that_is_said_goes_with_the_edge_that_lifts(capsys, tmp_path):
    """A board at its corner: 6 (cx/2)/(L - cx) + 6 (cy/2)/(W - cy) stays below 1, so nothing lifts.

    (Flat rectangles, the load at the top's centre: combined bending, any handbook, from memory.)  Its 30 mm
    over the end once stood beside the 23 mm at which the pose nearest to lifting does lift.
    """
    text = """plates.A = { rectangle = ["240 mm", "60 mm"], thickness = "25 mm", cells = 48 }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "figure-eight", length = "60 mm", width = "15 mm" }
time = "2 min"
"""
    worst = 0.0
    for k in range(1, 90):
        phi = 2.0 * math.pi * k / 360.0
        cx, cy = 30.0 * math.sin(phi), abs(7.5 * math.sin(2.0 * phi))
        worst = max(worst, 3.0 * cx / (240.0 - cx) + 3.0 * cy / (60.0 - cy))
    assert worst < 1.0
    path = tmp_path / "board.toml"
    path.write_text(text)
    assert main(["preview", str(path)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    over, lifts = re.findall(r"over by (\d+) mm \(flat faces lift at (\d+) mm\)", shown)[0]
    assert int(over) < int(lifts)
