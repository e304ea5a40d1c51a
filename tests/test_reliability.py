"""Nothing is lost or half there: kills, full disks, folders that take nothing, studies that are none.

The promise checked here is our own (docs/run-file.md); there is no outside source for it.
"""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import killing
import numpy as np
import pytest
from effort import Effort
from started import PATIENCE, SURROUNDINGS

from lapwright.commands.main import main
from lapwright.files import taken
from lapwright.study.model import Study

QUICK = """
title = "Quick pair"
seed = 3
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24, form = { dome = "3 um", ripple = "0.3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
plates.C = { like = "A", cells = 20 }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
swap_every = { A = "2 min", B = "1 min" }
time = "8 min"
fresh_grit_every = "3 min"
hand = "usual"

[[steps]]
top = "B"
bottom = "C"
grit = "9 um"
turn = "90 deg every 10 strokes"
time = "3 min"
"""


pytestmark = pytest.mark.usefixtures("unsearched")


def everything(path: Path) -> dict[str, Any]:
    """All that a run file holds, but for the wall time and the digest that it enters."""
    held: dict[str, Any] = {}
    with h5py.File(path, "r") as file:
        file.visititems(
            lambda name, item: (
                held.update({name: item[()]}) if isinstance(item, h5py.Dataset) else None
            )
        )
        held.update(
            {
                f"@{name}": value
                for name, value in file.attrs.items()
                if name not in ("wall_time", "digest")
            }
        )
    return held


def assert_same(one: Path, other: Path) -> None:
    """Every dataset and attribute is the same to the bit."""
    first, second = everything(one), everything(other)
    assert first.keys() == second.keys()
    for name, value in first.items():
        a, b = np.asarray(value), np.asarray(second[name])
        assert a.dtype == b.dtype, name
        assert a.shape == b.shape, name
        assert a.tobytes() == b.tobytes() if a.dtype.kind in "fi" else np.array_equal(a, b), name


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the study and the run that nothing disturbed."""
    folder = tmp_path_factory.mktemp("unbroken")
    (folder / "quick.toml").write_text(QUICK)
    code = main(["run", str(folder / "quick.toml"), "--out", str(folder / "out"), "--no-page"])
    assert code == 0
    assert len(everything(folder / "out" / "run.h5")["history/time"]) > 25
    return folder


def kills(number: int, moments: int) -> list[tuple[int, float]]:
    """After how many moments and how much later [s]: from the start, at the end, and anywhere between."""
    dice = random.Random(number)
    between = [dice.randrange(1, moments - killing.ON) for _ in range(number - 2)]
    return [
        (at, dice.uniform(0.0, 0.03))
        for at in (killing.FROM_THE_START, killing.AT_THE_END, *sorted(between))
    ]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
@pytest.mark.long
@pytest.mark.parametrize("number", [12])
def test_a_run_killed_at_any_moment_goes_on_to_the_same_bits(
    unbroken: Path, tmp_path: Path, number: int
) -> None:
    study = unbroken / "quick.toml"
    plan = kills(number, len(everything(unbroken / "out" / "run.h5")["history/time"]))
    outs = [tmp_path / f"killed {k}" for k in range(number)]
    asked = json.dumps([(str(out), *kill) for out, kill in zip(outs, plan, strict=True)])
    done = subprocess.run(
        [sys.executable, killing.__file__, str(study)], input=asked, text=True, capture_output=True,
        env=SURROUNDINGS, timeout=PATIENCE, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for (at, _), code in zip(plan, json.loads(done.stdout), strict=True):
        assert code == -signal.SIGKILL or (at == killing.AT_THE_END and code == 0), (
            at,
            code,
            done.stderr,
        )
    stages = set()
    for out in outs:
        stages.add(((out / "run.part.h5").exists(), (out / "run.h5").exists()))
        code = main(["run", str(study), "--out", str(out), "--no-page", "--resume"])
        assert code == 0
        assert_same(unbroken / "out" / "run.h5", out / "run.h5")
        assert not (out / "run.part.h5").exists()
    assert (True, False) in stages


@pytest.mark.campaign
def test_a_killed_run_that_goes_on_did_not_begin_again(
    unbroken: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    _stop_after(monkeypatch, 20)
    study = str(unbroken / "quick.toml")
    assert main(["run", study, "--out", str(out), "--no-page"]) == 1
    monkeypatch.undo()
    starts = []
    states = Study.states

    def noted(study: Study, *given: Any, **more: Any) -> Any:
        if given:  # what is looked at beforehand begins nowhere
            starts.append(given[0])
        return states(study, *given, **more)

    monkeypatch.setattr(Study, "states", noted)
    assert main(["run", study, "--out", str(out), "--no-page", "--resume"]) == 0
    assert starts[0].clock.time > 60.0
    assert_same(unbroken / "out" / "run.h5", out / "run.h5")


def _stop_after(monkeypatch: pytest.MonkeyPatch, moments: int, number: int = signal.SIGINT) -> None:
    """Send this process a signal once so many moments were taken."""
    from lapwright.results.recorder import Recorder

    take = Recorder.take
    count = 0

    def counted(self: Recorder, moment: Any) -> None:
        nonlocal count
        take(self, moment)
        count += 1
        if count == moments:
            os.kill(os.getpid(), number)

    monkeypatch.setattr(Recorder, "take", counted)


@pytest.mark.campaign
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_leaves_a_file_that_goes_on(
    unbroken: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    number: int,
) -> None:
    out = tmp_path / "out"
    study = str(unbroken / "quick.toml")
    before = [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)]
    _stop_after(monkeypatch, 12, number)
    assert main(["run", study, "--out", str(out), "--no-page"]) == 1
    monkeypatch.undo()
    told = capsys.readouterr()
    assert f"lapwright run {study} --out {out} --resume" in told.out
    assert "Traceback" not in told.out + told.err
    assert everything(out / "run.part.h5")["@outcome"] == "interrupted"
    assert not (out / "run.h5").exists()
    assert [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)] == before
    assert main(["run", study, "--out", str(out), "--no-page", "--resume"]) == 0
    assert_same(unbroken / "out" / "run.h5", out / "run.h5")


@pytest.mark.campaign
def test_the_number_of_threads_changes_no_bit(unbroken: Path, tmp_path: Path) -> None:
    out = tmp_path / "two"
    study = str(unbroken / "quick.toml")
    assert main(["run", study, "--out", str(out), "--no-page", "--threads", "2"]) == 0
    assert_same(unbroken / "out" / "run.h5", out / "run.h5")


@pytest.mark.campaign
def test_a_changed_study_is_not_gone_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = tmp_path / "quick.toml"
    study.write_text(QUICK)
    words = ["run", str(study), "--out", str(tmp_path / "out"), "--no-page"]
    _stop_after(monkeypatch, 5)
    assert main(words) == 1
    monkeypatch.undo()
    study.write_text(QUICK.replace("3 um", "2 um"))
    capsys.readouterr()
    assert main([*words, "--resume"]) == 2
    assert "has changed" in one_line(capsys)
    study.write_text(QUICK)
    assert main([*words, "--resume"]) == 0
    study.write_text(QUICK.replace("3 um", "2 um"))
    capsys.readouterr()
    assert main([*words, "--resume"]) == 2
    assert "has changed" in one_line(capsys)


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """What was said on standard error, which must be one line and no traceback."""
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("lapwright: ")
    assert told.err.count("\n") == 1, told.err
    assert "a fault of the program" not in told.err
    return told.err


class SmallFiles:
    """No file may grow beyond so many bytes, as on a disk that is nearly full."""

    def __init__(self, size: int) -> None:
        self.size = size

    def __enter__(self) -> None:
        self.before = resource.getrlimit(resource.RLIMIT_FSIZE)
        self.handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self.size, self.before[1]))

    def __exit__(self, *gone: object) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, self.before)
        signal.signal(signal.SIGXFSZ, self.handler)


@pytest.mark.campaign
def test_a_disk_that_fills_up_leaves_the_good_files(
    unbroken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, study = tmp_path / "out", str(unbroken / "quick.toml")
    words = ["run", study, "--out", str(out), "--no-page"]
    with SmallFiles(160_000):  # room for the first checkpoints, not for the later ones
        assert main([*words, "--checkpoint", "0"]) == 1
    assert "make room" in one_line(capsys)
    assert {p.name for p in out.iterdir()} - {"run.part.before.h5"} == {".lapwright", "run.part.h5"}
    assert everything(out / "run.part.h5")["history/time"].size > 1
    assert main([*words, "--resume"]) == 0
    assert_same(unbroken / "out" / "run.h5", out / "run.h5")
    before = (out / "run.h5").read_bytes()
    capsys.readouterr()
    with SmallFiles(10_000):
        assert main([*words, "--force"]) == 1
    assert "make room" in one_line(capsys)
    assert {p.name for p in out.iterdir()} == {".lapwright", "run.h5"}
    assert (out / "run.h5").read_bytes() == before


def test_a_folder_that_cannot_be_written(
    unbroken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = str(unbroken / "quick.toml")
    (tmp_path / "file").write_text("keep me")
    for out in (
        tmp_path / "file",
        tmp_path / "file" / "deeper",
        Path("/proc/self/run"),
        tmp_path / ("x" * 300),
    ):
        assert main(["run", study, "--out", str(out), "--no-page"]) in (1, 2)
        assert "--out" in one_line(capsys)
    assert (tmp_path / "file").read_text() == "keep me"


ENDLESS = [path for path in ("/dev/zero", "/dev/random", "/proc/kmsg") if os.path.exists(path)]
MAPPED = QUICK.replace('dome = "3 um", ripple = "0.3 um"', 'map = "there"')
BEGUN = QUICK.replace("seed = 3", 'seed = 3\nstart = "there"')
TABLED = (
    QUICK
    + """
[gauges.foot]
kind = "spherometer"
foot_circle = "80 mm"
[[readings]]
gauge = "foot"
plate = "A"
table = "there"
"""
)


@pytest.fixture
def impatient() -> Iterator[None]:
    """Whatever waits here for what never comes is woken, and fails."""

    def wake(*given: object) -> None:
        raise AssertionError("it waits")

    before = signal.signal(signal.SIGALRM, wake)
    signal.alarm(600)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
@pytest.mark.parametrize("what", ["a pipe", *ENDLESS])
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["preview", "there"]),
        (MAPPED, ["preview", "s.toml"]),
        (TABLED, ["preview", "s.toml"]),
        (BEGUN, ["preview", "s.toml"]),
        ("", ["report", "there"]),
        ("", ["verify", "there"]),
        (QUICK, ["log", "s.toml"]),
    ],
    ids=["study", "map", "table", "start", "run", "verify", "log"],
)
def test_what_would_never_end_is_not_read(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    impatient: None,
    what: str,
    text: str,
    words: list[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_text(text)
    there = "s.log.toml" if words[0] == "log" else "there"
    if what == "a pipe":
        os.mkfifo(there)
    else:
        os.symlink(what, there)
    code = main(words)
    told = capsys.readouterr()
    assert code in (1, 2)
    assert told.out if words[0] == "verify" else told.err.startswith("lapwright: ")
    assert "a fault of the program" not in told.err


def test_a_damaged_run_is_refused_by_every_command(
    unbroken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = (unbroken / "out" / "run.h5").read_bytes()
    cut = tmp_path / "cut.h5"
    cut.write_bytes(whole[: len(whole) // 2])
    foreign = tmp_path / "foreign.h5"
    with h5py.File(foreign, "w") as file:
        file["z"] = np.zeros(4)
    for path in (cut, foreign, tmp_path / "none.h5", tmp_path):
        for command in ("report", "bearing"):
            assert main([command, str(path)]) == 2
            assert str(path) in one_line(capsys)


def test_a_damaged_checkpoint_is_refused(
    unbroken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with taken(tmp_path / "out", "run", again=False) as folder:
        folder.claim(["run.part.h5"])
        (folder.path / "run.part.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(500))
    out = str(tmp_path / "out")
    assert main(["run", str(unbroken / "quick.toml"), "--out", out, "--no-page", "--resume"]) == 2
    assert "run.part.h5" in one_line(capsys)


MOST_CALLS = 40_000  # of functions, to refuse a study: four times what the worst of these takes


def _broken_studies(folder: Path) -> dict[str, Path]:
    texts: dict[str, bytes] = {
        "empty": b"",
        "binary": bytes(range(256)) * 40,
        "huge": b"# a remark\n" * 4_800_000,
        "deep": b"a = " + b"[" * 40_000,
        "dotted": b".".join([b"a"] * 40_000) + b" = 1",
        "nan": QUICK.replace('"8 min"', "nan").encode(),
        "infinite": QUICK.replace('"160 mm"', '"inf mm"').encode(),
        "negative": QUICK.replace('"30 mm"', '"-30 mm"').encode(),
        "absurd": QUICK.replace('"160 mm"', '"160 km"').encode(),
        "missing": QUICK.replace('grit = "15 um"\n', "").encode(),
        "unknown key": QUICK.replace("seed", "sead").encode(),
        "wrong unit": QUICK.replace('"8 min"', '"20 mm"').encode(),
        "curly": QUICK.replace('"15 um"', "“15 um”").encode(),
        "old code": QUICK.replace("Quick", "Läppen").encode("latin-1"),
    }
    made = {}
    for name, text in texts.items():
        made[name] = folder / f"{name}.toml"
        made[name].write_bytes(text)
    (folder / "folder.toml").mkdir()
    return {**made, "folder": folder / "folder.toml", "nowhere": folder / "nowhere.toml"}


@pytest.mark.parametrize("command", ["run", "preview", "bearing"])
def test_a_study_that_is_none_is_told_in_plain_lines(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([command, "nowhere.toml"]) == 2  # whatever is to be imported is there from now on
    capsys.readouterr()
    for name, path in _broken_studies(tmp_path).items():
        with Effort() as effort:
            assert main([command, path.name]) in (1, 2), name
        assert effort.calls < MOST_CALLS, name
        told = capsys.readouterr()
        assert told.out == "", name
        assert all(line.startswith("lapwright: ") for line in told.err.splitlines()), name
        assert "a fault of the program" not in told.err, told.err
        assert "Traceback" not in told.err, name
        assert len(told.err) < 4000, name
    assert not list(tmp_path.glob("*-run"))


PAIR = """
plates.A = {{ disc = "160 mm", thickness = "30 mm", cells = 24 }}
plates.B = {{ like = "A" }}
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "2 min"
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "2 min"
{more}
"""


@pytest.mark.parametrize(
    "more",
    [
        'load = "200 N"\nload_at = { x = "75 mm", y = "0 mm" }',
        'stroke = { kind = "line", length = "60 mm", centre = ["70 mm", "0 mm"] }',
    ],
)
def test_a_top_that_tips_keeps_the_last_good_state(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: str
) -> None:
    study = tmp_path / "tips.toml"
    study.write_text(PAIR.format(more=more))
    out = tmp_path / "out"
    code = main(["run", str(study), "--out", str(out), "--no-page"])
    told = capsys.readouterr()
    assert code == 1
    assert told.err.count("\n") == 1, told.err
    assert "step 2" in told.err
    assert "tip" in told.err
    held = everything(out / "run.h5")
    assert held["@outcome"] == "tipped"
    assert held["history/time"][-1] == 120.0, (
        "the first step was done before the top tipped in the second"
    )
    assert held["plates/A/removed"][-1] > 0.0
    assert not (out / "run.part.h5").exists()
