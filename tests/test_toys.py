"""A stroke, a gauge, a finding and a command more: each is one file (in `toys`) and one line in one table.

Nothing else is told of them here.  What stood in a second table of the package would be missed somewhere on
the way: read from a study, looked at beforehand, lapped, kept, drawn, told on screen, page, card and as JSON.
"""

from __future__ import annotations

import html
import json
import re
import sys
from dataclasses import astuple
from math import pi
from pathlib import Path

import numpy as np
import pytest
from toys import few_strokes, hum
from toys.foot_level import FootLevel
from toys.limacon import Limacon

from lapwright.commands import main as command_line
from lapwright.commands.main import main
from lapwright.errors import StudyError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import overhangs
from lapwright.metrology import instruments
from lapwright.results import findings
from lapwright.results.runfile import read_run
from lapwright.specification import curves
from lapwright.specification.curves import path_length
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.study.read import load, parse

pytestmark = pytest.mark.usefixtures("glanced")

PAIR = """
title = "Toys"
plates.A = { disc = "100 mm", thickness = "20 mm", cells = 20, form = { dome = "2 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
"""
STEP = """
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
load = "20 N"
turn = "8 deg per stroke"
strokes = 60
"""
STROKE = PAIR + STEP + 'stroke = { kind = "limacon", travel = "30 %", bulge = "2 mm" }\n'
DOME, RADIUS = 2e-6, 0.05  # [m], of plate A


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def limacon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(curves.KINDS, "limacon", Limacon)


@pytest.fixture
def foot_level(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(instruments.KINDS, "two-foot level", FootLevel)


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What a command says, with its lines run together."""
    capsys.readouterr()
    assert main(list(words)) == 0, capsys.readouterr().err
    return re.sub(r"\s+", " ", capsys.readouterr().out)


def page_text(path: Path) -> str:
    """What a person reads on a page."""
    bare = re.sub(r"<(style|script).*?</\1>", " ", path.read_text("utf-8"), flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", bare)))


# --- a stroke ------------------------------------------------------------------------------------


def test_the_toy_stroke_is_a_limacon() -> None:
    """A cardioid, which is a limaçon with bulge = radius, is 8 radii round (from memory)."""
    assert path_length(Limacon(0.01, 0.01)) == pytest.approx(0.08, rel=1e-6)
    curve, phi, h = Limacon(0.02, 0.004), np.linspace(0.0, 2.0 * pi, 41), 1e-5
    slope = (curve.position(phi + h) - curve.position(phi - h)) / (2.0 * h)
    assert curve.velocity(phi) == pytest.approx(slope, abs=1e-10)


def test_a_toy_stroke_is_sized_as_any_other(limacon: None) -> None:
    (step,) = parse(STROKE, "toys").steps
    assert astuple(step.curve) == pytest.approx(astuple(Limacon(0.013, 0.002)))
    (step,) = parse(PAIR + STEP + 'stroke = { kind = "limacon" }', "toys").steps
    assert step.curve.half_travel == pytest.approx(0.1 / 6.0)  # a third of the top, as usual
    assert step.curve.bulge == pytest.approx(0.25 * step.curve.radius)
    own = 'stroke = { kind = "limacon", radius = "12 mm" }'
    assert parse(PAIR + STEP + own, "toys").steps[0].curve == Limacon(0.012, 0.003)


def test_a_toy_stroke_hangs_out_as_far_as_is_said(limacon: None) -> None:
    study = parse(PAIR + STEP + 'stroke = { kind = "limacon", overhang = "12 %" }', "toys")
    (step,) = study.steps
    poses = Motion(step).poses(np.linspace(0.0, 60.0, 60_001))
    at = np.stack([poses.cx, poses.cy], axis=1)
    outline = study.plates["A"].outline
    out = overhangs(outline, study.plates["B"].outline, at, poses.theta)[1]
    assert out.max() == pytest.approx(0.12, abs=1e-5)


def test_sizes_of_a_toy_stroke_are_refused_elsewhere_and_others_in_it(limacon: None) -> None:
    with pytest.raises(StudyError, match='bulge: does not belong to kind = "circle"'):
        parse(PAIR + STEP + 'stroke = { kind = "circle", bulge = "2 mm" }', "toys")
    with pytest.raises(StudyError, match="width: does not belong"):
        parse(PAIR + STEP + 'stroke = { kind = "limacon", width = "2 mm" }', "toys")
    with pytest.raises(StudyError, match="did you mean 'limacon'"):
        parse(PAIR + STEP + 'stroke = { kind = "limason" }', "toys")


def test_a_toy_stroke_from_python_stands_in_a_file(limacon: None) -> None:
    plates = parse(PAIR + STEP, "toys").plates
    rest = {"top": "A", "bottom": "B", "grit": "15 um", "strokes": 60}
    said = {"kind": "limacon", "travel": "30 %", "bulge": "2 mm"}
    one = Study(plates=plates, steps=[Step(**rest, stroke=said)])
    assert one.steps[0].curve == parse(STROKE, "toys").steps[0].curve
    two = Study(plates=plates, steps=[Step(**rest, curve=Limacon(0.012, 0.003))])
    assert two.steps[0].curve == Limacon(0.012, 0.003)


@pytest.mark.campaign
def test_a_toy_stroke_is_lapped_and_told_of(
    limacon: None, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("toys.toml").write_text(STROKE)
    assert "limacon 30 mm across" in told(capsys, "preview", "toys.toml")
    (step,) = json.loads(told(capsys, "preview", "toys.toml", "--json"))["steps"]
    assert step["overhang"] == pytest.approx(0.015)  # equal discs: as far as the middle is out
    run = json.loads(told(capsys, "run", "toys.toml", "--json"))
    assert run["outcome"] == "done"
    assert "limacon 30 mm across" in page_text(Path("toys-run/report.html"))
    assert read_run(Path("toys-run/run.h5")).study.steps == load(Path("toys.toml")).steps
    told(capsys, "report", "toys-run", "--card")
    card = page_text(Path("toys-run/card.html"))
    assert "wider towards the first side; 40 times round a minute" in card


# --- a gauge -------------------------------------------------------------------------------------

LEVEL = '[gauges.lv]\nkind = "two-foot level"\nstride = "30 mm"\nresolution = "1 arcsec"\n'


def test_a_toy_gauge_says_what_it_cannot_do_without(foot_level: None) -> None:
    with pytest.raises(StudyError, match=r'stride: is missing: write stride = "60 mm" \(from foot'):
        parse(PAIR + STEP + '[gauges.lv]\nkind = "two-foot level"\n', "toys")


def test_a_toy_gauge_shows_the_slope_of_a_dome(
    foot_level: None, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A dome of h over a radius R slopes by 2 h x / R^2 at x; a parabola's chord, as its middle does."""
    Path("toys.toml").write_text(PAIR + STEP + LEVEL)
    assert "lv on A" in told(capsys, "gauge", "toys.toml")
    words = ("gauge", "toys.toml", "--plate", "A", "--place", "0 deg at 20 mm, 0 mm")
    (one,) = json.loads(told(capsys, *words, "--json"))["readings"]
    assert one["value"] == pytest.approx(-2.0 * DOME * 0.02 / RADIUS**2, rel=0.02)  # coarse cells
    by_kind = (*words, "--with", "two-foot level", "--json")
    assert len(json.loads(told(capsys, *by_kind))["readings"]) == 1


def test_a_toy_gauge_is_read_and_kept_with_a_run(
    foot_level: None, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reading = (
        '[[readings]]\ngauge = "lv"\nplate = "A"\nvalue = "-32 urad"\nat = ["20 mm", "0 mm"]\n'
    )
    Path("toys.toml").write_text(PAIR + STEP + LEVEL + reading)
    found = json.loads(told(capsys, "gauge", "toys.toml", "--json"))["estimate"]
    assert "A" in found["plates"] if "plates" in found else "A" in found
    told(capsys, "run", "toys.toml", "--json", "--no-page")
    assert "lv on A" in told(capsys, "gauge", "toys-run")
    assert read_run(Path("toys-run/run.h5")).study.gauges == load(Path("toys.toml")).gauges


# --- a finding -----------------------------------------------------------------------------------


@pytest.mark.campaign
def test_a_toy_finding_is_told_everywhere(
    monkeypatch: pytest.MonkeyPatch, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(findings.KINDS, "few_strokes", few_strokes.KIND)
    Path("toys.toml").write_text(PAIR + STEP)
    mass = load(Path("toys.toml")).plates["A"].total_mass
    words = f"60 strokes of A on B hardly mark A and B ({mass:.2g} kg)"
    assert words in told(capsys, "preview", "toys.toml")
    warnings = json.loads(told(capsys, "preview", "toys.toml", "--json"))["warnings"]
    assert {"code": "few_strokes", "step": 1, "text": words} in warnings
    run = json.loads(told(capsys, "run", "toys.toml", "--json"))
    mine = [one for one in run["findings"] if one["code"] == "few_strokes"]
    assert [(one["step"], one["plate"]) for one in mine] == [(1, "A"), (1, "B")]
    assert mine[0]["numbers"] == {"strokes": 60, "mass": pytest.approx(mass)}
    assert words in page_text(Path("toys-run/report.html"))


def test_a_toy_finding_of_readings_is_told(
    monkeypatch: pytest.MonkeyPatch, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(findings.KINDS, "read_once", few_strokes.OF_READINGS)
    Path("toys.toml").write_text(PAIR + STEP)
    words = ("gauge", "toys.toml", "--reading", "spherometer A 0.5 um @ 0 deg")
    assert "A was read once: read it again." in told(capsys, *words)
    codes = [one["code"] for one in json.loads(told(capsys, *words, "--json"))["findings"]]
    assert "read_once" in codes


# --- a command -----------------------------------------------------------------------------------


def test_a_toy_command_is_run_and_helps(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "lapwright.commands.hum", hum)  # where its file would lie
    monkeypatch.setitem(command_line.COMMANDS, "hum", "hums")
    assert told(capsys, "hum", "--loud") == "HUM "
    assert json.loads(told(capsys, "hum", "--json")) == {"hum": "hum"}
    assert "hum loudly" in told(capsys, "hum", "-h")
    assert "hum hums" in told(capsys, "-h")
    assert main(["humm"]) == 2
    assert "hum" in capsys.readouterr().err
