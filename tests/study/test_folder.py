"""Whose an output folder is: nothing of a person's is written over or taken away; one command at a time.

There is no outside source: the promise is our own.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from started import SURROUNDINGS, under_way, wait_until

from lapwright.errors import CannotDoError, CommandError, LapwrightError, RunFileError
from lapwright.files import LOCK, MARK, locked, opened, taken


def fill(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"what is in {name}")


def test_a_folder_of_a_persons_is_refused_and_stays_as_it_is(tmp_path: Path) -> None:
    fill(tmp_path, "work/job.txt", "members/club.txt")
    for again in (False, True):
        with (
            pytest.raises(CommandError, match="did not write") as told,
            taken(tmp_path, "compare", again),
        ):
            pytest.fail("it was taken")
        assert "--force" not in told.value.message
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["club.txt", "job.txt", "members", "work"]


def test_only_what_the_mark_names_is_taken_away(tmp_path: Path) -> None:
    place = tmp_path / "out"
    with taken(place, "compare", again=False) as folder:
        folder.claim(["a.csv", "members/1.toml"])
        fill(place, "a.csv", "members/1.toml", "members/mine.txt", "notes.txt")
    with taken(place, "compare", again=True) as folder:
        assert folder.files == ("a.csv", "members/1.toml")
        folder.clear()
    assert sorted(p.relative_to(place).as_posix() for p in place.rglob("*") if p.is_file()) == [
        MARK,
        "members/mine.txt",
        "notes.txt",
    ]


def test_what_a_person_put_there_is_not_written_over(tmp_path: Path) -> None:
    place = tmp_path / "out"
    with taken(place, "run", again=False) as folder:
        folder.claim(["run.h5"])
        fill(place, "run.h5", "report.html")
    with (
        taken(place, "run", again=True) as folder,
        pytest.raises(CommandError, match="not of this program's making"),
    ):
        folder.claim(["run.h5", "report.html"])
    fill(tmp_path, "card.html")
    with (
        opened(tmp_path) as folder,
        pytest.raises(CommandError, match="not of this program's making"),
    ):
        folder.claim(["card.html"])
    assert (tmp_path / "card.html").read_text() == "what is in card.html"


def test_a_folder_is_of_one_command(tmp_path: Path) -> None:
    with taken(tmp_path / "out", "run", again=False) as folder:
        folder.claim(["run.h5"])
        fill(folder.path, "run.h5")
    with (
        pytest.raises(CommandError, match="of a run, not of a comparison"),
        taken(tmp_path / "out", "compare", True),
    ):
        pytest.fail("it was taken")


@pytest.mark.parametrize(
    "name",
    [
        "../mine.txt",
        "/etc/hosts",
        "a/../../mine.txt",
        "work/a/b",
        "",
        ".",
        "..",
        "x/..",
        "link/mine.txt",
    ],
)
def test_a_mark_that_names_what_lies_elsewhere_is_damaged(tmp_path: Path, name: str) -> None:
    fill(tmp_path, "mine.txt", "far/mine.txt")
    place = tmp_path / "out"
    place.mkdir()
    (place / "link").symlink_to(tmp_path / "far")
    # With the digest that a hand would write who knows how.
    digest = hashlib.sha256(json.dumps(["run", name]).encode()).hexdigest()
    told = {"format": "lapwright folder", "kind": "run", "files": [name], "digest": digest}
    (place / MARK).write_text(json.dumps(told))
    with pytest.raises(RunFileError, match="damaged"), taken(place, "run", True):
        pytest.fail("it was taken")
    assert (tmp_path / "far" / "mine.txt").exists()


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 1}', "[" * 100_000, "\xff"])
def test_a_mark_that_is_none_is_damaged(tmp_path: Path, text: str) -> None:
    (tmp_path / MARK).write_text(text, "latin-1")
    with pytest.raises(RunFileError, match="damaged"), taken(tmp_path, "run", True):
        pytest.fail("it was taken")


def test_a_mark_in_which_a_name_has_changed_is_damaged(tmp_path: Path) -> None:
    """Else a flipped bit could make a person's file one of ours, to be taken away."""
    with taken(tmp_path / "out", "run", False) as folder:
        folder.claim(["run.h5"])
        fill(folder.path, "run.h4")
    mark = tmp_path / "out" / MARK
    mark.write_text(mark.read_text().replace("run.h5", "run.h4"))
    with pytest.raises(RunFileError, match="damaged"), taken(tmp_path / "out", "run", True):
        pytest.fail("it was taken")


def test_a_folder_made_for_nothing_is_gone_again(tmp_path: Path) -> None:
    place = tmp_path / "out"
    with pytest.raises(ZeroDivisionError), taken(place, "run", again=False) as folder:
        _fails(folder.claim(["run.h5"]))
    assert not place.exists()


def test_what_killed_commands_left_half_written_is_swept(tmp_path: Path) -> None:
    with taken(tmp_path / "out", "run", again=False) as folder:
        folder.claim(["run.h5", "members/1.h5"])
        left = [".run.h5.0123abcd.tmp", "members/.1.h5.ffffffff.tmp", f".{MARK}.00000000.tmp"]
        others = ["run.h5", ".run.h5.0123abcg.tmp", ".mine.0123abcd.tmp", "run.h5.0123abcd.tmp"]
        fill(folder.path, *left, *others)
    with taken(tmp_path / "out", "run", again=True):
        pass
    there = {
        p.relative_to(tmp_path / "out").as_posix()
        for p in (tmp_path / "out").rglob("*")
        if p.is_file()
    }
    assert there == {MARK, *others}


HOLD = """
import sys
from pathlib import Path
from lapwright.files import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_the_second_is_refused_by_name_until_the_first_has_died(tmp_path: Path) -> None:
    command = [sys.executable, "-c", HOLD, str(tmp_path)]
    with under_way(command, stdin=subprocess.PIPE) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "held\n"
        with (
            pytest.raises(CannotDoError, match=f"process {first.pid} on ") as told,
            locked(tmp_path),
        ):
            pytest.fail("it was taken")
        assert told.value.code == "busy"
        os.kill(first.pid, signal.SIGKILL)
        wait_until(lambda: first.poll() is not None, "it is dead")
    assert (tmp_path / LOCK).exists()
    with locked(tmp_path):
        assert str(os.getpid()) in (tmp_path / LOCK).read_text()
    assert not (tmp_path / LOCK).exists()


def test_many_at_once_come_one_after_the_other(tmp_path: Path) -> None:
    """Each adds one to a number while it holds the lock; without it, some would be lost."""
    add = f"""
import time
from pathlib import Path
from lapwright.errors import CannotDoError
from lapwright.files import locked
folder, done = Path({str(tmp_path)!r}), 0
while done < 15:
    try:
        with locked(folder):
            number = int((folder / "number").read_text())
            time.sleep(0.001)
            (folder / "number").write_text(str(number + 1))
            done += 1
    except CannotDoError:
        time.sleep(0.001)
"""
    (tmp_path / "number").write_text("0")
    three = [subprocess.Popen([sys.executable, "-c", add], env=SURROUNDINGS) for _ in range(3)]
    assert [one.wait() for one in three] == [0, 0, 0]
    assert (tmp_path / "number").read_text() == "45"


def test_every_refusal_is_one_line(tmp_path: Path) -> None:
    fill(tmp_path, "file", "full/mine")
    for place in (tmp_path / "file", tmp_path / "full", tmp_path / "file" / "deeper"):
        with pytest.raises(LapwrightError) as told, taken(place, "run", again=True):
            pytest.fail("it was taken")
        assert "\n" not in told.value.message
        assert "Errno" not in told.value.message


def _fails(_: None) -> None:
    raise ZeroDivisionError
