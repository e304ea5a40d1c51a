"""What a person with Python is answered is what the command answers: the same JSON, the same words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from comparing import PAIR, crew_at_hand

import lapwright as lw
from lapwright.commands.main import main

WAYS = (
    PAIR
    + """
[[variants]]
name = "short"
set = { "stroke.travel" = "1/6" }
[[variants]]
name = "still longer"
set = { "stroke.travel" = "1/2" }
"""
)
GOAL = (
    PAIR
    + """
[goal]
difference = "2.5 um"
[tune.free]
"steps.1.time" = ["5 min", "20 min", "1 h"]
"""
)
READING = "spherometer A 1.2 um @ 0 deg"


def asked(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[dict, str]:
    """What a command answers, as JSON and in words."""
    assert main([*words, "--json"]) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    told.pop("budget", None)  # what it would take is told before, by the command alone
    return told, err


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("lapwright.commands.compare.crew_of", crew_at_hand)
    monkeypatch.setattr("lapwright.commands.tune.crew_of", crew_at_hand)
    return tmp_path


def same(found: object, answer: tuple[dict, str]) -> None:
    told, words = answer
    assert json.loads(json.dumps(found.to_dict())) == told
    assert found.text() in words


def test_gauge(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "pair.toml").write_text(PAIR)
    found = lw.Study.read("pair.toml").gauge(readings=[READING])
    same(found, asked(["gauge", "pair.toml", "--reading", READING], capsys))
    # Its feet are half way out: by the sagitta a sphere is (80/40)^2 as high at the rim as it reads.
    assert found.estimate.forms("A")["sphere"].value == pytest.approx(4.0 * 1.2e-6, rel=1e-6)
    with pytest.raises(
        lw.LapwrightError, match=r"there is no gauge 'spehrometer'.*did you mean spherometer"
    ):
        lw.Study.read("pair.toml").gauge(readings=["spehrometer A 1 um"])


def test_what_is_shown_of_an_answer_is_its_words_and_nothing_is_worked_out(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (bench / "pair.toml").write_text(PAIR)
    study = lw.Study.read("pair.toml")
    answers = [study.preview(), study.why(), study.bearing(), study.gauge()]

    def worked(*given: object, **more: object) -> None:
        raise AssertionError("worked out once more")

    for where in (
        "contact.average.Pair.average",
        "modal.operator.assemble",
        "integration.loop.lap",
    ):
        monkeypatch.setattr(f"lapwright.{where}", worked)
    for one in answers:
        assert repr(one) == f"<{type(one).__name__}>\n{one.text()}"


@pytest.mark.campaign
def test_compare(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (bench / "ways.toml").write_text(WAYS)
    study = lw.Study.read("ways.toml")
    found = study.compare(samples=2, folder="kept")
    same(found, asked(["compare", "ways.toml", "--samples", "2", "--no-page"], capsys))
    assert "short" in repr(found)
    # What the folder keeps is not lapped again; and nothing is lapped to show what came of it.
    monkeypatch.setattr("lapwright.study.model.Study.states", None)
    assert study.compare(samples=2, folder="kept").to_dict() == found.to_dict()
    with pytest.raises(lw.LapwrightError, match="--samples has changed"):
        study.compare(samples=3, folder="kept")


@pytest.mark.campaign
def test_tune(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "goal.toml").write_text(GOAL)
    found = lw.Study.read("goal.toml").tune()
    told, words = asked(["tune", "goal.toml", "--no-page"], capsys)
    assert told.pop("study") == str(Path("goal-tune/goal-tuned.toml"))
    same(found, ({**told, "study": None}, words))
    assert repr(found).startswith("<Tuning of goal: found, ")


@pytest.mark.often("why")
@pytest.mark.always("preview", "bearing", "gauge")
@pytest.mark.parametrize("answer", ["preview", "why", "bearing", "gauge", "run", "compare"])
def test_text_in_other_units_is_that_of_a_study_in_them(tmp_path: Path, answer: str) -> None:
    """Nothing is worked out anew, and the study that was asked stays as it was."""
    told = []
    for units in ("metric", "inch"):
        (tmp_path / units).mkdir()
        (tmp_path / units / "pair.toml").write_text(f'units = "{units}"\n' + WAYS)
        study = lw.Study.read(tmp_path / units / "pair.toml")
        found = getattr(study, answer)()
        told.append((found.text(), found.text(units="inch"), found.text(units="metric")))
    assert told[0][0] == told[0][2] == told[1][2]
    assert told[1][0] == told[1][1] == told[0][1]
    assert told[0][0] != told[1][0]


def test_units_that_nobody_counts_in_are_refused(tmp_path: Path) -> None:
    (tmp_path / "pair.toml").write_text(PAIR)
    found = lw.Study.read(tmp_path / "pair.toml").preview()
    with pytest.raises(lw.StudyError, match="furlong"):
        found.text(units="furlong")
