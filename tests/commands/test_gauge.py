"""`lapwright gauge` as a person and as a script use it."""

import json

import pytest

from sim.cli import main
from sim.study.read import load

STUDY = """
title = "First pair"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um", ripple = "0.1 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
[[steps]]
top = "A"
bottom = "B"
grit = "3 um"
turn = "8 deg per stroke"
strokes = 20
"""
GAUGES = """
[gauges.sph]
kind = "spherometer"
foot_circle = "80 mm"
resolution = "0.1 um"
repeatability = "0.05 um"
warm_side = "0 K"
support = "bedded"
[gauges.four]
kind = "twist gauge"
foot_circle = "80 mm"
repeatability = "0.05 um"
"""
READINGS = """
[[readings]]
gauge = "sph"
plate = "A"
value = "0.8 um"
[[readings]]
gauge = "four"
plate = "A"
value = "0.1 um"
"""


@pytest.fixture
def study(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def write(text=STUDY + GAUGES):
        (tmp_path / "pair.toml").write_text(text)
        return "pair.toml"

    return write


def said(capsys, *words, code=0):
    assert main(["gauge", *words]) == code
    got = capsys.readouterr()
    return got.out if code == 0 else got.err


def test_what_a_gauge_would_show(study, capsys):
    file = study(STUDY.replace(', ripple = "0.1 um"', "") + GAUGES)
    text = said(capsys, file, "--with", "sph", "--plate", "A")
    # on half the plate a quarter of 3 um
    assert "middle high by 0.75 um (30 uin)" in text
    assert "it shows 0.25 of the whole plate's dome: multiply by 4.0" in text
    assert "blind to saddle and twist" in text
    assert "four" not in text
    assert "the pointer's scatter" in said(capsys, file, "--with", "sph", "--budget")


def test_usual_gauges_where_the_study_has_none(study, capsys):
    text = said(capsys, study(STUDY))
    for kind in ("spherometer, three feet", "twist gauge", "straightedge", "optical flat"):
        assert f"{kind} on A" in text


def test_json(study, capsys):
    got = json.loads(said(capsys, study(STUDY + GAUGES + READINGS), "--json"))
    first = got["readings"][0]
    assert {"gauge", "plate", "angle", "value", "uncertainty", "ratio", "blind"} <= set(first)
    assert (first["gauge"], first["plate"], first["ratio"]) == ("sph", "A", pytest.approx(0.25))
    assert first["blind"] == ["saddle", "twist"]
    # step 0.1 um, scatter 0.05 um: squares add (JCGM 100)
    assert first["uncertainty"] == pytest.approx((0.05e-6**2 + 0.1e-6**2 / 12) ** 0.5)
    form = got["estimate"]["A"]
    assert form["forms"] == {
        "sphere": pytest.approx(3.2e-6),
        "saddle": None,
        "twist": pytest.approx(0.4e-6),
    }
    assert form["order"] == 2
    assert form["covariance"][0][0] > 0
    assert form["covariance"][1] == [None, None, None]


def test_readings_on_the_command_line(study, capsys):
    readings = ["--reading", "sph A 0.8 um @ 0 deg", "--reading", "sph B -0.3 um"]
    text = said(capsys, study(), *readings)
    assert "A: domed by 3.2 um (130 uin)" in text
    assert "B: dished by 1.2 um" in text
    assert "lay A on top, and keep it there longer" in text
    assert "twist not seen" in text


def test_a_run_begins_with_what_was_read(study, capsys):
    file = study(STUDY + GAUGES + READINGS)
    said(capsys, file, "--start", "measured.toml")
    form = load("measured.toml").plates["A"].form
    assert (form.sphere, form.twist, form.saddle) == (pytest.approx(3.2e-6), pytest.approx(0.4e-6), 0.0)
    # waves cannot be read with these gauges and stay as written; a file is never written over
    assert form.ripple is not None
    assert "is there already" in said(capsys, file, "--start", "measured.toml", code=2)


def test_bands_are_drawn(study, capsys, tmp_path):
    said(capsys, study(), "--out", "bands.png")
    assert (tmp_path / "bands.png").read_bytes().startswith(b"\x89PNG")


def test_the_faces_of_a_run(study, capsys):
    assert main(["run", study()]) == 0
    capsys.readouterr()
    text = said(capsys, "pair-run", "--with", "spherometer")
    assert "faces at the end of the run" in text
    assert "middle high by" in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--with", "spere"], "there is no gauge 'spere'"),
        (["--reading", "sph C 1 um"], "write GAUGE PLATE SIZE @ ANGLE"),
        (["--reading", "sph A 1"], "has no unit"),
        (["--start", "x.toml"], "--start needs readings"),
        (["--plate", "C"], "there is no plate 'C'"),
    ],
)
def test_refused(study, capsys, words, message):
    assert message in said(capsys, study(), *words, code=2)
