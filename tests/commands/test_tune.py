"""`lapwright tune` as a person types it: words, exit codes, the new study, going on, Ctrl-C, the page."""

from __future__ import annotations

import json
import os
import re
import shlex
import signal
import subprocess
import tomllib
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from comparing import PAIR, RING, crew_at_hand
from started import ROOT, ended, program, run, under_way, wait_until

from lapwright.commands import tune as tuning
from lapwright.commands.main import main
from lapwright.study.read import load

GOAL = (
    PAIR.replace("cells = 24", "cells = 16").replace('"10 min"', '"40 min"')
    + """swap_every = { A = "6 min", B = "4 min" }

[goal]
flatness = "2 um"

[tune.free]
"steps.1.swap_every.A" = ["6 min", "9 min", "12 min"]
"""
)
TWIST = (
    GOAL.replace('dome = "3 um"', 'dome = "1 um", twist = "1 um"')
    .replace('dish = "1 um"', 'twist = "1 um"')
    .replace('flatness = "2 um"', 'twist = "0.2 um"')
)
SPARED = (
    RING.replace("10 min", "30 min")
    + """
[goal]
dome = "2 um"
plates = ["ring"]
keep = { plate = { dome = "0.1 um" } }

[tune.free]
"steps.1.stroke.centre" = ["30 mm", "40 mm", "47 mm"]
"""
)
KEYS = {"outcome", "study", "goal", "candidates", "sensitivity", "refused"}


def typed(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command in this process, and the work as well."""
    with (
        pytest.MonkeyPatch.context() as patch,
        redirect_stdout(StringIO()) as out,
        redirect_stderr(StringIO()) as err,
    ):
        patch.setattr(tuning, "crew_of", crew_at_hand)
        patch.chdir(folder)
        code = main(["tune", *words])
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "goal.toml").write_text(GOAL)
    (tmp_path / "pair.toml").write_text(PAIR)
    return tmp_path


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A bench with a finished search, drawn a few times; and what was said of it."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "goal.toml").write_text(GOAL)
    found = typed(folder, "goal.toml", "--samples", "2")
    assert found.returncode == 0, found.stderr
    return folder, found.stdout


@pytest.fixture(scope="module")
def answer(done: tuple[Path, str]) -> dict[str, Any]:
    """The same as JSON: gone on with, so that nothing is lapped again."""
    there = (done[0] / "goal-tune" / "work.part").stat().st_mtime_ns
    found = typed(done[0], "goal.toml", "--samples", "2", "--resume", "--json")
    assert found.returncode == 0, found.stderr
    assert (done[0] / "goal-tune" / "work.part").stat().st_mtime_ns == there
    return json.loads(found.stdout)


@pytest.mark.campaign
def test_words_say_what_to_set_and_both_numbers(done: tuple[Path, str]) -> None:
    folder, said = done
    assert said.startswith("Pair\n\nFound: A and B flat within 2.0 um. It takes ")
    for told in (
        "Set in the study:",
        'A on top for  "',
        'was "6 min"',
        "Asked: A and B flat within 2.0 um; of what reaches it, the least time.",
        "as typed",
        "by forecast",
        "lapped in full",
        "A sloppy hand:",
        "until you weigh a plate",
        "Of 2 draws of what is not known",
        "tune.html",
    ):
        assert told in re.sub(r"\n(?=\S)", " ", said), told
    lap = re.search(r"Lap it: +lapwright (run .*)", said)
    assert lap
    assert (folder / shlex.split(lap[1])[1]).is_file()
    assert max(map(len, said.splitlines())) <= 120


def test_the_folder_holds_page_study_and_what_is_needed_to_go_on(done: tuple[Path, str]) -> None:
    folder = done[0] / "goal-tune"
    assert {p.name for p in folder.iterdir()} == {
        ".lapwright",
        "tune.html",
        "goal-tuned.toml",
        "plan.json",
        "members",
        "work.part",
    }
    assert not list(folder.rglob("*.tmp"))
    for path in (folder / "members").iterdir():
        assert load(path).steps


def test_json_is_what_scripts_are_promised(done: tuple[Path, str], answer: dict[str, Any]) -> None:
    assert set(answer) >= KEYS
    assert answer["outcome"] == "found"
    assert answer["of"] == "goal"
    assert (done[0] / answer["study"]).is_file()
    assert answer["goal"]["reach"] == {"flatness": 2e-6}
    assert answer["goal"]["plates"] == ["A", "B"]
    best = answer["candidates"][0]
    assert set(best) >= {"set", "operator", "simulated", "reached_at"}
    assert set(best["set"]) == {"steps.1.swap_every.A"}
    assert best["reached_at"] == best["simulated"]["reached_at"] > 0.0
    assert best["simulated"]["share"] <= 1.0
    assert {nudge["key"] for nudge in answer["sensitivity"]} <= set(best["set"])
    assert answer["refused"] == []
    assert answer["samples"] == 2
    assert "NaN" not in json.dumps(answer)


@pytest.mark.long
def test_two_processes_find_the_same_to_the_last_bit(
    done: tuple[Path, str], answer: dict[str, Any]
) -> None:
    words = ("goal.toml", "--samples", "2", "--out", "two-tune", "--json", "--workers", "2")
    found = run("tune", *words, folder=done[0])
    assert found.returncode == 0, found.stderr
    two = json.loads(found.stdout)
    assert {**two, "study": answer["study"], "budget": answer["budget"]} == answer


def test_the_new_study_runs_to_the_numbers_that_were_promised(
    done: tuple[Path, str], answer: dict[str, Any], capsys: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(done[0])
    text = Path(answer["study"]).read_text("utf-8")
    assert text.startswith("# Written by lapwright tune from goal.toml.")
    best = answer["candidates"][0]
    head = text[: text.index("title = ")]
    assert all(line.startswith("# ") for line in head.splitlines())
    assert best["set"]["steps.1.swap_every.A"] in head
    step = tomllib.loads(text)["steps"][0]
    assert step["swap_every"]["A"] == best["set"]["steps.1.swap_every.A"]
    assert main(["run", answer["study"], "--out", "alone", "--no-page", "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    # The same engine on the same study: the same bits.
    for name in "AB":
        assert alone["plates"][name]["flatness"] == best["simulated"]["plates"][name]["flatness"]


def test_the_page_stands_by_itself(done: tuple[Path, str]) -> None:
    page = (done[0] / "goal-tune" / "tune.html").read_text("utf-8")
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", page)
    assert "http" not in re.sub(r"http://www\.w3\.org/\S+", "", page)
    for part in ("result", "trade", "way", "sloppy", "notes", "cautions", "new", "study"):
        assert f'id="{part}"' in page, part
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_a_folder_that_is_there_is_left_alone(
    done: tuple[Path, str], answer: dict[str, Any], capsys: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(done[0])
    before = Path(answer["study"]).read_bytes()
    assert main(["tune", "goal.toml"]) == 2
    assert "--force" in capsys.readouterr().err
    assert main(["tune", "goal.toml", "--samples", "4", "--resume"]) == 2
    assert "--samples has changed" in capsys.readouterr().err
    assert Path(answer["study"]).read_bytes() == before


def test_a_study_without_a_goal_is_told_how(bench: Path, capsys: Any) -> None:
    assert main(["tune", "pair.toml"]) == 2
    told = capsys.readouterr().err
    assert not (bench / "pair-tune").exists()
    assert len(told.splitlines()) == 1
    # What it says to write works as it stands, each on a line of its own.
    lines = re.findall(r'\[[a-z.]+\](?=[ ,])|flatness = ".*?"|"steps\.[^"]*" = \[.*?\]', told)
    assert len(lines) == 5
    (bench / "told.toml").write_text(PAIR + "\n".join(lines) + "\n")
    assert len(load(bench / "told.toml").tuned.free) == 2
    (bench / "bare.toml").write_text(PAIR + '\n[goal]\nflatness = "2 um"\n')
    assert main(["tune", "bare.toml", "--json"]) == 2
    said = capsys.readouterr()
    error = json.loads(said.out)["error"]
    assert (error["key"], len(error["message"].splitlines())) == ("tune.free", 1)
    assert len(said.err.splitlines()) == 1
    assert "[tune.free]" in said.err


@pytest.mark.parametrize(
    "words",
    [
        ["--samples", "1"],
        ["--cells", "64"],
        ["--workers", "0"],
        ["--workers", "2", "--cluster", "x"],
        ["--resume", "--force"],
        ["--form-tolerance", "10"],
    ],
)
def test_a_wrong_command_is_refused_in_one_line(bench: Path, capsys: Any, words: list[str]) -> None:
    assert main(["tune", "goal.toml", *words]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not (bench / "goal-tune").exists()


@pytest.mark.campaign
def test_a_twist_without_turning_is_refused_with_the_missing_key(bench: Path) -> None:
    (bench / "twist.toml").write_text(TWIST)
    found = typed(bench, "twist.toml", "--json", "--workers", "1")
    assert found.returncode == 1, found.stderr
    answer = json.loads(found.stdout)
    assert answer["outcome"] == "refused"
    assert answer["error"]["code"] == "stays"
    assert answer["error"]["key"] == "steps.1.turn"
    assert 'write turn = "8 deg per stroke"' in answer["error"]["message"]
    # Equal twists mate at every place of a stroke that never turns (model of the project, section 6).
    assert answer["refused"][0]["reachable"] == pytest.approx(1e-6, rel=0.05)
    assert len(answer["error"]["message"].splitlines()) == 1
    # Nothing is offered that gains nothing.
    assert answer["study"] is None
    assert {path.name for path in (bench / "twist-tune").iterdir()} == {
        ".lapwright",
        "tune.html",
        "plan.json",
        "work.part",
    }
    assert "lapwright run" not in found.stderr
    assert "That cannot be reached with what may move." in " ".join(found.stderr.split())


@pytest.mark.long
def test_a_ring_is_lapped_where_it_spares_the_plate(bench: Path) -> None:
    """Unequal in outline, wear and mass; the plate keeps its dome, and is told not to be flat."""
    (bench / "ring.toml").write_text(SPARED)
    found = typed(bench, "ring.toml", "--workers", "1", "--json")
    assert found.returncode == 0, found.stderr
    best = json.loads(found.stdout)["candidates"][0]
    assert best["set"] == {"steps.1.stroke.centre": "47 mm"}
    plate = best["simulated"]["plates"]["plate"]
    assert abs(plate["sphere"]) <= 0.1e-6
    assert plate["flatness"] > 0.1e-6
    said = " ".join(found.stderr.split())
    assert "plate is not flat for all that" in said
    assert "rings about the middle" in said
    assert 'off the middle "47 mm" was "30 mm"' in said
    centre = tomllib.loads((bench / "ring-tune" / "ring-tuned.toml").read_text("utf-8"))["steps"][
        0
    ]["stroke"]
    assert centre["centre"] == ["47 mm", "0 mm"]


@pytest.mark.campaign
def test_a_rail_has_a_goal_of_its_own(bench: Path) -> None:
    text = (ROOT / "configs" / "rail-out-of-wind.toml").read_text("utf-8")
    text = text.replace("cells = 100", "cells = 40").replace("cells = 60", "cells = 24")
    text = text.replace('["80 mm", "160 mm"]', '["90 mm", "120 mm", "150 mm"]')
    text = re.sub(r'"steps.1.stroke.width".*\n', "", text)
    text = text.replace('["5 min", "2 h"]', '["10 min", "25 min", "60 min"]')
    (bench / "rail.toml").write_text(text)
    found = typed(bench, "rail.toml", "--workers", "1", "--json", "--no-page")
    assert found.returncode == 0, found.stderr
    answer = json.loads(found.stdout)
    best = answer["candidates"][0]
    assert best["simulated"]["worst"]["rail.wind"] <= 0.6e-6
    assert best["simulated"]["worst"]["rail.bow"] <= 0.4e-6
    assert best["simulated"]["worst"]["keep.plate.bow"] <= 1e-6
    assert "no wind above 0.60 um on rail" in " ".join(found.stderr.split())
    assert not (bench / "rail-tune" / "tune.html").exists()


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="no SIGINT for one process")
def test_ctrl_c_keeps_what_is_done_and_it_goes_on(bench: Path) -> None:
    (bench / "long.toml").write_text(
        GOAL.replace("cells = 16", "cells = 40").replace(
            '40 min"', '2 h"\nturn = "8 deg per stroke"'
        )
    )
    work = bench / "long-tune" / "work.part"
    with under_way(program("tune", "long.toml", "--workers", "1", "--no-page")) as running:
        wait_until(
            lambda: work.exists() and work.stat().st_size,
            "the first is lapped and written down",
            running,
        )
        running.send_signal(signal.SIGINT)
        said, told = ended(running)
    assert running.returncode == 1, told
    assert re.search(r"stopped with [1-9]\d* lapped in full; what is done is in safety", told)
    assert "Traceback" not in told
    there = work.read_bytes()
    assert there
    assert not (bench / "long-tune" / "long-tuned.toml").exists()
    shell = shlex.split(said.split("lapwright tune ", 1)[1])
    assert "--resume" in shell
    whole = typed(bench, *shell, "--no-page", "--json")
    answer = json.loads(whole.stdout)
    assert answer["candidates"]
    assert work.read_bytes().startswith(there)  # done once, not done again
    assert (bench / answer["study"]).is_file()
