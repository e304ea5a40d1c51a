"""`lapwright compare` as a person types it: words, exit codes, folders, going on, Ctrl-C, the page."""

from __future__ import annotations

import json
import os
import re
import signal
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from comparing import PAIR, THREE, TURNED, crew_at_hand
from started import ended, program, run, under_way, wait_until

from lapwright.commands import compare as comparing
from lapwright.commands.main import main
from lapwright.commands.terminal import Tally
from lapwright.errors import CommandError
from lapwright.optimisation.cases import Tolerance
from lapwright.optimisation.work import tolerance_of
from lapwright.results.runfile import read_run

FIELD = PAIR + (
    '[sweep]\n"stroke.travel" = ["1/8", "1/4", "3/8"]\nload = { from = "0 N", to = "20 N", steps = 3 }\n'
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "three.toml").write_text(THREE)
    (tmp_path / "pair.toml").write_text(PAIR)
    return tmp_path


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A folder with a finished comparison, drawn a few times; and what was said of it."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "three.toml").write_text(THREE)
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(StringIO()) as said:
        patch.setattr(comparing, "crew_of", crew_at_hand)
        patch.chdir(folder)
        assert main(["compare", "three.toml", "--samples", "3"]) == 0
    return folder / "three-compare", said.getvalue()


@pytest.mark.campaign
def test_words_say_the_order_and_what_to_type_next(done: tuple[Path, str]) -> None:
    folder, said = done
    assert said.startswith("Pair\n\nBest: ")
    for told in (
        "Best first, by flatness",
        "short",
        "did not come to its end",
        "tips",
        "compare.html",
        "of 3",
    ):
        assert told in said
    next_ = re.search(r"Lap the best alone: lapwright (run .*)", said)
    assert next_
    assert (folder.parent / next_[1].split()[1]).is_file()
    assert max(map(len, said.splitlines())) <= 200
    assert not re.search(r"eigen|survivor|residue|Monte|CSV|kappa", said)


def test_the_folder_holds_page_table_studies_and_runs(done: tuple[Path, str]) -> None:
    folder, _ = done
    assert {p.name for p in folder.iterdir()} == {
        ".lapwright",
        "compare.html",
        "compare.csv",
        "plan.json",
        "members",
        "work.part",
    }
    runs = sorted((folder / "members").glob("*.h5"))
    assert len(runs) == 3
    run = read_run(runs[0])
    assert run.study_text == (folder / "members" / f"{runs[0].stem}.toml").read_text("utf-8")
    assert run.outcome == "done"
    assert not list(folder.rglob("*.tmp"))


def test_the_study_of_a_member_is_one_that_run_takes(done: tuple[Path, str], capsys: Any) -> None:
    folder, _ = done
    study = folder / "members" / "3-short.toml"
    out = folder.parent / "alone"
    assert main(["run", str(study), "--out", str(out), "--no-page", "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    run = read_run(folder / "members" / "3-short.h5")
    # The same engine on the same study: the same bits.
    for name, record in run.plates.items():
        assert alone["plates"][name]["flatness"] == record.forms["flatness"][-1]
        assert alone["plates"][name]["removed"] == record.removed[-1]


def test_the_page_stands_by_itself(done: tuple[Path, str]) -> None:
    page = (done[0] / "compare.html").read_text("utf-8")
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", page)
    assert "http" not in re.sub(r"http://www\.w3\.org/\S+", "", page)
    assert "$" not in re.sub(r"<pre>.*?</pre>", "", page, flags=re.S)
    for part in ("result", "faces", "cuts", "histories", "makes", "sure", "cautions", "study"):
        assert f'id="{part}"' in page
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert "from " in page
    assert not re.search(r"eigen|survivor|kappa|Monte", page)


def test_a_folder_that_is_there_is_left_alone(
    done: tuple[Path, str], capsys: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(done[0].parent)
    before = (done[0] / "compare.csv").read_bytes()
    assert main(["compare", "three.toml"]) == 2
    assert "--force" in capsys.readouterr().err
    assert (done[0] / "compare.csv").read_bytes() == before


def test_resume_of_a_whole_one_says_the_same_again(
    done: tuple[Path, str], capsys: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(done[0].parent)
    table = (done[0] / "compare.csv").read_bytes()
    assert main(["compare", "three.toml", "--samples", "3", "--resume", "--no-page"]) == 0
    assert (done[0] / "compare.csv").read_bytes() == table
    assert capsys.readouterr().out.splitlines()[2] == done[1].splitlines()[2]


def test_resume_refuses_what_has_changed(
    done: tuple[Path, str], capsys: Any, monkeypatch: Any
) -> None:
    monkeypatch.chdir(done[0].parent)
    assert main(["compare", "three.toml", "--resume"]) == 2
    assert "--samples has changed" in capsys.readouterr().err
    study = Path("three.toml")
    try:
        study.write_text(THREE.replace("1/6", "1/5"))
        assert main(["compare", "three.toml", "--samples", "3", "--resume"]) == 2
        assert "the study has changed" in capsys.readouterr().err
    finally:
        study.write_text(THREE)


@pytest.fixture
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparing, "crew_of", crew_at_hand)


@pytest.mark.campaign
@pytest.mark.usefixtures("in_this_process")
def test_a_study_with_nothing_to_compare_is_told_how(bench: Path, capsys: Any) -> None:
    assert main(["compare", "pair.toml"]) == 2
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 1
    assert not (bench / "pair-compare").exists()
    # What it says to write works as it stands, each on a line of its own.
    parts = re.findall(
        r'\[\[variants\]\]|name = ".*?"|set = \{.*?\}|\[sweep\]|"stroke.travel" = \[.*?\]', told
    )
    assert len(parts) == 5
    for k, part in enumerate((parts[:3], parts[3:])):
        (bench / f"told{k}.toml").write_text(PAIR + "\n".join(part) + "\n")
        assert main(["compare", f"told{k}.toml", "--no-page"]) == 0


@pytest.mark.parametrize(
    "words",
    [
        ["--samples", "1"],
        ["--samples", "many"],
        ["--cells", "8"],
        ["--cells", "64"],
        ["--workers", "0"],
        ["--workers", "2", "--cluster", "x"],
        ["--resume", "--force"],
        ["--form-tolerance", "10"],
        ["--at", "halfway"],
        ["--form-tolerance", "200 %"],
    ],
)
def test_a_wrong_command_is_refused_in_one_line(bench: Path, capsys: Any, words: list[str]) -> None:
    assert main(["compare", "three.toml", *words]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not (bench / "three-compare").exists()


def test_tolerances_as_they_are_typed() -> None:
    assert tolerance_of("10 %") == Tolerance()
    assert tolerance_of("5%").share == 0.05
    assert tolerance_of("0 %") == Tolerance(0.0, 0.0)
    assert tolerance_of("0.2 um") == Tolerance(0.0, 0.2e-6)
    with pytest.raises(CommandError):
        tolerance_of("a tenth")


@pytest.mark.usefixtures("in_this_process")
def test_all_failed_is_exit_one(bench: Path, capsys: Any) -> None:
    (bench / "far.toml").write_text(
        PAIR
        + '[[variants]]\nname = "far"\nset = { stroke = { kind = "circle", radius = "79.9 mm" } }\n'
    )
    assert main(["compare", "far.toml", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["members"][0]["outcome"] == "tipped"
    assert (bench / "far-compare" / "compare.html").is_file()


@pytest.mark.campaign
@pytest.mark.usefixtures("in_this_process")
def test_two_keys_make_a_field_and_coarse_cells_are_said(bench: Path, capsys: Any) -> None:
    (bench / "field.toml").write_text(FIELD)
    assert main(["compare", "field.toml", "--cells", "16", "--json", "--out", "else where"]) == 0
    out = capsys.readouterr()
    answer = json.loads(out.out)
    assert len(answer["members"]) == 9
    assert answer["cells"] == 16
    assert "16 cells" in out.err
    page = (bench / "else where" / "compare.html").read_text("utf-8")
    assert 'id="swept"' in page
    assert "travel" in page
    assert "coarser plates, 16 cells across" in page
    # What is compared with each other stands in the order of the table, the best first.
    for name in ("cuts", "histories"):
        start = page.index(f'id="{name}"')
        ranks = re.findall(r">(\d)\. ", page[start : page.index("<section", start)])
        assert ranks == list("123456789"), name


LONG = TURNED.replace("cells = 24", "cells = 48").replace("10 min", "4 h") + (
    '[sweep]\nload = { from = "0 N", to = "20 N", steps = 6 }\n'
)


def workers_of(pid: int) -> list[int]:
    """Children of a process, and theirs."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, fields = stat.read_text().rsplit(")", 1)
        except OSError:
            continue
        if int(fields.split()[1]) == pid and fields.split()[0] != "Z":
            child = int(name.split("(")[0])
            found += [child, *workers_of(child)]
    return found


def gone(pids: list[int]) -> bool:
    def state(pid: int) -> str:
        try:
            return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except OSError:
            return "Z"

    return all(state(pid) == "Z" for pid in pids)


@pytest.mark.often("False")
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to look for children in")
@pytest.mark.campaign
@pytest.mark.parametrize("whole_group", [True, False])
def test_ctrl_c_leaves_nothing_behind_and_it_goes_on(bench: Path, whole_group: bool) -> None:
    (bench / "long.toml").write_text(LONG)
    work = bench / "long-compare" / "work.part"
    command = program("compare", "long.toml", "--workers", "2", "--no-page")
    with under_way(command, start_new_session=True) as running:
        wait_until(
            lambda: work.exists() and work.stat().st_size,
            "the first is lapped and written down",
            running,
        )
        started = workers_of(running.pid)
        assert len(started) >= 2
        if whole_group:
            os.killpg(running.pid, signal.SIGINT)
        else:
            os.kill(running.pid, signal.SIGINT)
        said, told = ended(running)
    assert running.returncode == 1
    assert "of 6 lapped" in told
    assert "Traceback" not in told
    assert "--resume" in said
    wait_until(lambda: gone(started), "its workers are gone")
    there = work.read_bytes()
    assert there.endswith(b"\n")
    if not whole_group:
        return
    shell = said.split("lapwright ", 1)[1].split()
    whole = run(*shell, "--workers", "2", "--no-page", "--json", folder=bench)
    assert whole.returncode == 0, whole.stderr
    assert work.read_bytes().startswith(there)  # done once, not done again
    assert len(json.loads(whole.stdout)["members"]) == 6


def test_the_tally_says_how_far_it_is(capsys: Any) -> None:
    tally = Tally(40, 10, begun=0.0, bar=True)
    assert tally.line(10, 60.0) == f"[{'#' * 15}{'.' * 15}] lapped 20 of 40, about 2 min to go"
    assert tally.line(0, 60.0).endswith("lapped 10 of 40")
    quiet = Tally(40, bar=False)
    quiet.show(1)
    assert capsys.readouterr().err == ""
