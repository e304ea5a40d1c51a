"""`log` and `next` at the bench: two unread plates in a practice shop, typed through."""

import json

import pytest

from lapwright.commands.main import main

STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
gauges.sph = { kind = "spherometer", foot_circle = "110 mm", resolution = "0.05 um", repeatability = "20 nm" }
gauges.tw = { kind = "twist gauge", foot_circle = "120 mm", resolution = "0.05 um", repeatability = "20 nm" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "8 min"
turn = "8 deg per stroke"
"""


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.toml").write_text(STUDY, "utf-8")
    return tmp_path


def test_a_day_at_the_bench_in_a_practice_shop(bench, capsys, choosing):
    shop = {"hasty": "1", "whole": "3"}[choosing]  # in 3 come readings that were not foretold
    assert main(["log", "mine.toml", "--shop", shop]) == 0
    said = capsys.readouterr().out
    assert "Now. A" in said
    assert "As foretold?" not in said
    assert "Next. " in said
    assert (
        main(["log", "mine.toml", "--done", "step 1, 200 strokes", "--shop", shop, "--json"]) == 0
    )
    told = json.loads(capsys.readouterr().out)
    assert set(told["now"]) == {"A", "B"}
    assert 0.0 < told["foretold"]["tail"] <= 1.0
    log = (bench / "mine.log.toml").read_text("utf-8")
    assert log.count("[[spells]]") == 2
    assert f"practice shop {shop}" in log
    assert "strokes = 200" in log
    assert main(["log", "mine.toml", "--undo"]) == 0
    assert (bench / "mine.log.toml").read_text("utf-8").count("[[spells]]") == 1


@pytest.mark.usefixtures("hasty")
def test_a_study_without_gauges_is_read_and_replayed_with_usual_ones(bench, capsys):
    bare = "".join(
        line for line in STUDY.splitlines(keepends=True) if not line.startswith("gauges.")
    )
    # It is flat enough at once, so that nothing has to be chosen.
    (bench / "mine.toml").write_text(bare + '[tune]\nreach = { flatness = "20 um" }\n', "utf-8")
    assert main(["log", "mine.toml", "--done", "step 1, 200 strokes", "--shop", "3", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["usual_gauges"]
    assert told["foretold"] is not None
    log = (bench / "mine.log.toml").read_text("utf-8")
    assert (
        log.count("[[spells.readings]]") == 10
    )  # on each plate a spherometer, and two gauges turned two ways
    assert main(["next", "mine.toml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == told
    assert main(["log", "mine.toml", "--reading", "spherometer A 0.3 um"]) == 0
    assert "usual ones are taken: spherometer, three feet" in capsys.readouterr().out


@pytest.mark.usefixtures("hasty")
def test_plates_that_nobody_read_are_read_before_anything_is_advised(bench, capsys):
    assert main(["log", "mine.toml", "--done", "step 1, 200 strokes"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Next. Read first: " in said
    assert "dome (sph on " in said
    assert "Stop" not in said
    assert main(["next", "mine.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["next"] is None
    assert told["why"] == "read"
    first = told["read"][0]
    assert first["gauge"] == "sph"
    assert first["within"]["then"] < first["within"]["now"]
    assert main(["log", "mine.toml", "--done", "as advised"]) == 2
    assert "the advice was to read first" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--done", "step 4, 10 min"], "there is no step 4"),
        (["--done", "as usual"], "not understood"),
        (["--reading", "sph C 0.2 um"], "there is no plate 'C'"),
        (["--lost", "A"], "write plate and mass"),
        (["--undo"], "no entry to take back"),
        ([], "nothing was done or read"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_written(
    bench, capsys, words, complaint
):
    assert main(["log", "mine.toml", *words]) == 2
    said = capsys.readouterr().err
    assert complaint in said
    assert not (bench / "mine.log.toml").exists()
