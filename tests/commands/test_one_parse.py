"""A study is read once, where it comes in; whatever begins with a run takes the study that was lapped."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from lapwright.commands.main import main
from lapwright.results.runfile import read_run
from lapwright.specification import step
from lapwright.study import read

TEXT = """
title = "Once"
plates.A = { disc = "100 mm", thickness = "20 mm", cells = 16, form = { dome = "2 um" } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn_bottom = "8 deg per stroke"
time = "1 min"
"""


@pytest.fixture
def parses(monkeypatch: pytest.MonkeyPatch) -> Callable[[], tuple[int, int]]:
    """How often a text was read as TOML and a document as a study since this was last asked."""
    count = {"document_of": 0, "parse_document": 0}

    def counted(name: str) -> None:
        was = getattr(read, name)

        def call(*args: object, **more: object) -> object:
            count[name] += 1
            return was(*args, **more)

        monkeypatch.setattr(read, name, call)

    for name in count:
        counted(name)

    def since() -> tuple[int, int]:
        got = count["document_of"], count["parse_document"]
        count.update(document_of=0, parse_document=0)
        return got

    return since


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a run, in the folder that commands work in."""
    monkeypatch.chdir(tmp_path)
    Path("once.toml").write_text(TEXT)
    assert main(["run", "once.toml", "--no-page"]) == 0
    return Path("once-run")


@pytest.mark.campaign
def test_run_reads_its_study_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, parses: Callable[[], tuple[int, int]]
) -> None:
    """Page, card, screen and the second, finer lapping go by what was read at the door."""
    monkeypatch.chdir(tmp_path)
    Path("once.toml").write_text(TEXT)
    assert main(["run", "once.toml", "--fine"]) == 0
    assert parses() == (1, 1)


@pytest.mark.often("words1", "words4")
@pytest.mark.always("words3")
@pytest.mark.parametrize(
    "words",
    [
        ["report", "--force"],
        ["report", "--card"],
        ["gauge"],
        ["bearing"],
        ["report", "--maps", "npy"],
    ],
)
def test_what_begins_with_a_run_reads_no_study(
    run: Path, parses: Callable[[], tuple[int, int]], words: list[str]
) -> None:
    parses()
    assert main([words[0], str(run), *words[1:]]) == 0
    assert parses() == (0, 0)


@pytest.mark.campaign
def test_other_defaults_change_nothing_of_an_old_run(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def shown() -> tuple[str, ...]:
        assert main(["report", str(run), "--force"]) == 0
        assert main(["report", str(run), "--card", "--force"]) == 0
        capsys.readouterr()
        assert main(["bearing", str(run), "--json"]) == 0
        told = capsys.readouterr().out
        json.loads(told)
        return (
            (run / "report.html").read_text("utf-8"),
            (run / "card.html").read_text("utf-8"),
            told,
        )

    before = shown()
    assert "turn the bottom" in before[1].lower(), (
        "a walk that was typed as turn_bottom is told as that"
    )
    lapped = read_run(run / "run.h5").study
    assert read.load("once.toml").steps == lapped.steps
    monkeypatch.setattr(step, "WEAR_PER_SIZE", 2.0 * step.WEAR_PER_SIZE)
    monkeypatch.setattr(step, "DEPTH_PER_SIZE", 2.0 * step.DEPTH_PER_SIZE)
    now, then = read.load("once.toml").steps[0].grit, lapped.steps[0].grit
    assert (now.wear.iron, now.layer.depth) == (2.0 * then.wear.iron, 2.0 * then.layer.depth)
    assert shown() == before
