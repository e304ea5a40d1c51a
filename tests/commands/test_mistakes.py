"""Wrong command lines, as a machinist would type them, answer with the right one: one line, exit code 2."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from study_typed import QUICK

import lapwright
from lapwright.commands.main import COMMANDS, main
from lapwright.commands.options import MEANT

pytestmark = pytest.mark.usefixtures("glanced")

SHORTEST = QUICK.replace("40 min", "4 min")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench with a study, its run, a file of notes and what is no run."""
    place = tmp_path_factory.mktemp("bench")
    (place / "first-pair.toml").write_text(SHORTEST)
    assert (
        main(
            [
                "run",
                str(place / "first-pair.toml"),
                "--out",
                str(place / "first-pair-run"),
                "--no-page",
            ]
        )
        == 0
    )
    (place / "first-pair-run" / "report.html").write_text("<p>a page</p>")
    (place / "two words.toml").write_text(SHORTEST)
    (place / "notes.txt").write_text("hello")
    (place / "bad.h5").write_bytes(b"\x89HDF\r\n\x1a\nnothing more")
    (place / "empty").mkdir()
    return place


WRONG = [
    ("gauges", "no command 'gauges': did you mean gauge?"),
    ("Run first-pair.toml", "did you mean run? Write lapwright run first-pair.toml"),
    ("RUN first-pair.toml", "lapwright run first-pair.toml"),
    ("lap first-pair.toml", "lapwright run first-pair.toml"),
    ("simulate first-pair.toml", "lapwright run first-pair.toml"),
    ("check first-pair.toml", "lapwright preview first-pair.toml"),
    ("previw first-pair.toml", "lapwright preview first-pair.toml"),
    ("open first-pair-run", "lapwright report first-pair-run"),
    ("show first-pair-run", "lapwright report first-pair-run"),
    ("card first-pair-run", "lapwright report first-pair-run --card"),
    ("start", "did you mean new?"),
    ("init", "did you mean new?"),
    ("edit first-pair.toml", "open it in any editor, then lapwright preview first-pair.toml"),
    ("quit", "every command ends by itself"),
    ("first-pair", "did you mean the study first-pair.toml?"),
    (
        "lapwright run first-pair.toml",
        "one lapwright is enough: write lapwright run first-pair.toml",
    ),
    ("zzz", "lapwright -h lists the commands"),
    ("run", "FILE is missing: write lapwright run first-pair.toml (or one of 1 more here)"),
    ("run --resume", "FILE is missing"),
    ("report", "RUN is missing: write lapwright report first-pair-run"),
    ("run first-pare.toml", "did you mean 'first-pair.toml'?"),
    ("first-pare.toml", "did you mean 'first-pair.toml'?"),
    ("run first-pair", "did you mean 'first-pair.toml'?"),
    ("run .", "'.' is a folder: give a study file in it, such as 'first-pair.toml'"),
    ("run empty", "there is none"),
    ("preview first-pair-run/run.h5", "is a run, not a study"),
    ("preview first-pair-run", "lapwright report first-pair-run makes its page again"),
    ("first-pair-run", "is a run, not a study"),
    ("first-pair-run/report.html", "open it in a browser"),
    ("report first-pair-run/report.html", "name the folder that it lies in, first-pair-run"),
    ("report first-pair.toml", "is a study: lap it first with lapwright run first-pair.toml"),
    ("report bad.h5", "is not a whole run file"),
    ("report empty", "there is no run.h5 in empty"),
    ("bearing nowhere.h5", "nowhere.h5"),
    ("preview notes.txt", 'write name = "value"'),
    ("preview first-pair.toml --jsn", "did you mean --json?"),
    ("preview first-pair.toml notes.txt", "preview takes one FILE at a time"),
    ("run two words.toml", "a name with blanks stands in quotes: lapwright run 'two words.toml'"),
    (
        "verify first-pair.toml",
        "first-pair.toml is a study: lapwright preview first-pair.toml says what it means",
    ),
    ("--force run first-pair.toml", "lapwright run first-pair.toml --force"),
    ("--out there run first-pair.toml", "lapwright run first-pair.toml --out there"),
    (
        "preview run first-pair.toml",
        "one command at a time: lapwright preview first-pair.toml, then lapwright run",
    ),
    ("run first-pair.toml --cells 64", "that is said in the study, write cells = 64"),
    ("run first-pair.toml --grit 9um", 'write grit = "15 um" in the step'),
    ("run first-pair.toml --inch", 'write units = "inch"'),
    ("run first-pair.toml -o there", "did you mean --out?"),
    ("run first-pair.toml --output there", "did you mean --out?"),
    ("run first-pair.toml -f", "did you mean --force?"),
    ("run first-pair.toml --out=", "--out is empty"),
    ("run first-pair.toml --threads two", "write 1, 2, ..."),
    ("run first-pair.toml", "first-pair-run is there already: add --force"),
    ("bearing first-pair.toml --step 0", "is not the number of a step"),
    ("bearing first-pair.toml --phase ninety", "write degrees from 0 to 360"),
    ("new --exampel", "did you mean --example?"),
    ("report first-pair-run", "add --force"),
]


@pytest.mark.parametrize(("line", "answer"), WRONG, ids=[line for line, _ in WRONG])
def test_a_wrong_line_answers_with_the_right_one(
    line: str,
    answer: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(folder)
    before = sorted(p.name for p in folder.rglob("*"))
    words = line.split()
    assert main(words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1, "one line"
    assert told.err.startswith("lapwright: ")
    assert answer in told.err
    assert main([*words, "--json"]) == 2
    message = json.loads(capsys.readouterr().out)["error"]["message"]
    assert answer.replace(" --json", "") in message.replace(" --json", "")
    assert sorted(p.name for p in folder.rglob("*")) == before, "nothing is left behind"


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (
            ["run first-pair.toml"],
            "leave out the quotes round it all: write lapwright run first-pair.toml",
        ),
        ([""], "the first word is empty"),
        (["run", ""], "is empty"),
        (["run", "first pair.toml"], "did you mean 'first-pair.toml'?"),
    ],
)
def test_quotes_in_the_wrong_place(
    words: list[str],
    answer: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(folder)
    assert main(words) == 2
    assert answer in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [["help"], ["-h"], ["--help"], ["-help"], ["?"], ["-?"], ["help", "me"], ["--hlep"], ["/?"]],
)
def test_help_is_found_in_any_spelling(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 0
    assert "lapwright COMMAND FILE" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        ["help", "run"],
        ["run", "-help"],
        ["run", "--hlep"],
        ["run", "help"],
        ["-h", "run"],
        ["run", "?"],
    ],
)
def test_help_of_one_command_too(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "usage: lapwright run" in told
    assert "example:" in told


@pytest.mark.parametrize("word", ["--version", "version", "-v", "-V", "-version"])
def test_version_in_any_spelling(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([word]) == 0
    assert capsys.readouterr().out == f"lapwright {lapwright.__version__}\n"


def test_the_welcome_types_only_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    told = capsys.readouterr().out
    assert len(told.splitlines()) <= 10
    named = [
        line.split("lapwright ")[1].split()[0]
        for line in told.splitlines()[1:]
        if "  lapwright " in line
    ]
    assert named[0] == "new"
    assert set(named) <= set(COMMANDS)
    assert ("why" in named) == ("why" in COMMANDS)
    assert "Times are guesses until you weigh a plate; shapes are not." in told
    for line in told.splitlines():
        assert len(line) <= 100


def test_words_of_other_benches_lead_to_commands() -> None:
    assert set(MEANT) <= set(COMMANDS)
    every = [way for ways in MEANT.values() for way in ways.split()]
    assert len(every) == len(set(every))
    assert not set(every) & set(COMMANDS)


def test_a_reader_who_leaves_an_error_is_no_second_error() -> None:
    words = f"{sys.executable} -m lapwright nonsense --json | head -c 1; echo ${{PIPESTATUS[0]}}"
    told = subprocess.run(
        ["bash", "-c", words],
        capture_output=True,
        text=True,
        env={
            **os.environ,
            "PYTHONPATH": str(Path(lapwright.__file__).parent.parent),
            "PYTHONUNBUFFERED": "1",
        },
        check=True,
    )
    assert "Traceback" not in told.stderr
    assert told.stdout.splitlines()[-1].endswith("2")
