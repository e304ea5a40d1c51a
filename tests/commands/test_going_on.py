"""Going on with a work: only with the same inputs, program and processor; what failed is tried again.

There is no outside source: the promise is our own (docs/run-file.md, docs/compare.md).
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from comparing import PAIR, crew_at_hand
from test_reliability import assert_same

from lapwright.commands import compare as comparing
from lapwright.commands import tune as tuning
from lapwright.commands.main import main
from lapwright.errors import LapwrightError
from lapwright.files import taken
from lapwright.optimisation import workers as work
from lapwright.optimisation.jobs import Journal, Store
from lapwright.optimisation.workers import WorkerPool
from lapwright.results.recorder import Recorder
from lapwright.study import resolved as identity

pytestmark = pytest.mark.usefixtures("unsearched")

MAPPED = PAIR.replace(
    'form = { dish = "1 um" }',
    'form = { map = { file = "B.npy", spacing = "10 mm", unit = "um" } }',
).replace("10 min", "4 min")
WAYS = "".join(
    f'\n[[variants]]\nname = "{name}"\nset = {{ load = "{name} N" }}\n' for name in (10, 15, 20)
)
GOAL = '\n[goal]\nflatness = "9 um"\n[tune.free]\n"steps.1.time" = ["2 min", "8 min"]\n'


def new_map(seed: int) -> None:
    """A face of some height [um]."""
    np.save("B.npy", np.random.default_rng(seed).uniform(-1.0, 1.0, (16, 16)))


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(comparing, "crew_of", crew_at_hand)
    monkeypatch.setattr(tuning, "crew_of", crew_at_hand)
    Path("s.toml").write_text(MAPPED + WAYS + GOAL)
    new_map(1)
    return tmp_path


def stopped(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Begin, and be stopped once something is in safety."""
    if words[0] == "run":
        take = Recorder.take
        with monkeypatch.context() as patch:

            def taken_once(self: Recorder, moment: Any) -> None:
                if moment.event != "start":
                    raise KeyboardInterrupt
                take(self, moment)

            patch.setattr(Recorder, "take", taken_once)
            assert main([*words, "--checkpoint", "0"]) == 1
    else:
        with monkeypatch.context() as patch:
            patch.setattr(work, "AT_A_TIME", 0.0)
            add = Journal.add

            def add_and_stop(self: Journal, key: str, answers: Any) -> None:
                add(self, key, answers)
                raise KeyboardInterrupt

            patch.setattr(Journal, "add", add_and_stop)
            assert main(words) == 1


WORDS = (
    ["run", "s.toml", "--no-page"],
    ["compare", "s.toml", "--no-page"],
    ["tune", "s.toml", "--no-page"],
)


@pytest.mark.campaign
@pytest.mark.often("run")
@pytest.mark.parametrize("words", WORDS, ids=lambda words: words[0])
def test_another_map_program_or_processor_is_refused_in_one_line(
    bench: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
) -> None:
    stopped(words, monkeypatch)

    def refused(*told: str) -> None:
        capsys.readouterr()
        assert main([*words, "--resume"]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        assert all(part in err for part in (*told, "since ", "--force")), err

    new_map(2)
    refused("a height map, a table of readings or a run that the study names has changed")
    new_map(1)
    known = identity.versions()
    for name, told in (("processor", "the processor is "), ("numpy", "numpy is ")):
        with monkeypatch.context() as patch:
            patch.setattr(identity, "versions", lambda name=name: {**known, name: "another one"})
            refused(told + "another one, and was " + known[name])
    with monkeypatch.context() as patch:
        patch.setattr(identity, "__version__", "99.0")
        refused("lapwright is 99.0, and was ")
    assert main([*words, "--resume"]) == 0
    if words[0] == "run":
        new_map(2)
        refused("a height map")  # of a finished one too


@pytest.mark.campaign
def test_a_worker_that_died_is_no_answer_and_its_work_is_tried_again(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", "s.toml", "--no-page", "--out", "whole"]) == 0

    class Dying:
        """Whoever takes up the second way dies of it."""

        def submit(self, work: Callable[..., Any], function: Any, jobs: list[Any]) -> Future[Any]:
            future: Future[Any] = Future()
            if any(job.member == 1 for job in jobs):
                future.set_exception(BrokenProcessPool("killed"))
            else:
                future.set_result(work(function, jobs))
            return future

    @contextmanager
    def dying(args: object, most: int) -> Any:
        yield WorkerPool(Dying(), 1, Dying)  # type: ignore[arg-type]

    monkeypatch.setattr(comparing, "crew_of", dying)
    capsys.readouterr()
    assert main(["compare", "s.toml", "--no-page"]) == 1
    out, err = capsys.readouterr()
    assert "1 simulation did not come to an end" in err
    assert "Try what failed again: lapwright compare s.toml --resume" in " ".join(out.split())
    monkeypatch.setattr(comparing, "crew_of", crew_at_hand)
    assert main(["compare", "s.toml", "--no-page", "--resume"]) == 0
    assert Path("s-compare/compare.csv").read_bytes() == Path("whole/compare.csv").read_bytes()


def test_a_search_whose_worker_died_says_so_and_goes_on(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Dead:
        def submit(self, *work: Any) -> Future[Any]:
            future: Future[Any] = Future()
            future.set_exception(BrokenProcessPool("killed"))
            return future

    @contextmanager
    def dead(args: object, most: int) -> Any:
        yield WorkerPool(Dead(), 1, Dead)  # type: ignore[arg-type]

    monkeypatch.setattr(tuning, "crew_of", dead)
    assert main(["tune", "s.toml", "--no-page"]) == 1
    err = capsys.readouterr().err
    assert "a simulation failed" in err or "no worker" in err
    monkeypatch.setattr(tuning, "crew_of", crew_at_hand)
    assert main(["tune", "s.toml", "--no-page", "--resume"]) == 0


@pytest.mark.campaign
@pytest.mark.often("damaged")
@pytest.mark.parametrize("how", ["gone", "damaged", "another's"])
def test_a_member_whose_run_is_not_what_was_written_is_lapped_again(bench: Path, how: str) -> None:
    assert main(["compare", "s.toml", "--no-page"]) == 0
    table = Path("s-compare/compare.csv").read_bytes()
    run, study = Path("s-compare/members/2-15.h5"), Path("s-compare/members/2-15.toml")
    typed = study.read_bytes()
    whole = Path("whole.h5")
    whole.write_bytes(run.read_bytes())
    if how == "gone":
        run.unlink()
    elif how == "damaged":
        run.write_bytes(flipped(run.read_bytes(), random.Random(1)))
    else:  # whole, but of another way: its picture would stand under the wrong name
        run.write_bytes(Path("s-compare/members/1-10.h5").read_bytes())
    study.write_text(study.read_text().replace("15 N", "16 N"))
    assert main(["compare", "s.toml", "--no-page", "--resume"]) == 0
    assert_same(whole, run)
    assert study.read_bytes() == typed, "what is to be lapped by itself is what was lapped here"
    assert Path("s-compare/compare.csv").read_bytes() == table


TABLED = """
[gauges.sweep]
kind = "level"
base = "40 mm"
[[readings]]
gauge = "sweep"
plate = "A"
table = "a.csv"
"""


@pytest.mark.campaign
@pytest.mark.often("compare")
@pytest.mark.parametrize("words", WORDS, ids=lambda words: words[0])
def test_another_table_of_readings_is_refused(
    bench: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
) -> None:
    Path("s.toml").write_text(MAPPED + WAYS + GOAL + TABLED)
    table = "um/m, -20 mm, 20 mm\n0 deg, 4.1, -3.9\n90 deg, 3.2, -3.0\n"
    Path("a.csv").write_text(table)
    stopped(words, monkeypatch)
    Path("a.csv").write_text(table.replace("4.1", "4.2"))
    capsys.readouterr()
    assert main([*words, "--resume"]) == 2
    assert "a table of readings" in capsys.readouterr().err
    Path("a.csv").write_text(table)
    assert main([*words, "--resume"]) == 0


def flipped(whole: bytes, dice: random.Random) -> bytes:
    """The same with one bit changed."""
    changed, bit = bytearray(whole), dice.randrange(8 * len(whole))
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


@pytest.mark.parametrize("number", [2000, pytest.param(30_000, marks=pytest.mark.long)])
def test_a_bit_that_flips_in_what_is_done_is_never_believed(tmp_path: Path, number: int) -> None:
    kept = [(f"key {k}", {"dome": [k / 7, None, 1e-6 * k], "outcome": "done"}) for k in range(5)]
    journal = Journal(tmp_path / "work.part")
    for key, answers in kept:
        journal.add(key, answers)
    whole, dice = journal.path.read_bytes(), random.Random(3)
    for _ in range(number):
        journal.path.write_bytes(flipped(whole, dice))
        found = list(journal.read())
        assert all(one in kept for one in found)
        assert len(found) < 5
        assert len(found) >= 3
    # What is added after a line that was cut short stands on a line of its own.
    journal.path.write_bytes(whole[:-9])
    again = Journal(journal.path)
    again.add("key 9", 9)
    assert list(again.read()) == [*kept[:4], ("key 9", 9)]


@pytest.mark.parametrize("number", [500, pytest.param(10_000, marks=pytest.mark.long)])
def test_a_plan_with_a_flipped_bit_or_of_another_type_is_refused(
    tmp_path: Path, number: int
) -> None:
    plan = {
        "program": "p",
        "versions": {},
        "study": "s",
        "inputs": "i",
        "samples": 3,
        "tolerance": [0.1],
        "cells": 9,
    }
    with taken(tmp_path / "out", "compare", again=False) as folder:
        store = Store(folder)
        store.begin(plan, ())
        path = folder.path / "plan.json"
        whole, dice = path.read_bytes(), random.Random(4)
        others = [
            b"",
            b"[]",
            b"{}",
            b"null",
            b'"plan"',
            b"9" * 5000,
            b"[" * 100_000,
            b"\xff\xfe",
            whole[:-1],
        ]
        told = json.loads(whole)
        others += [
            json.dumps({**told, "plan": other}).encode() for other in ([], None, 3, "plan", {})
        ]
        for text in (*others, *(flipped(whole, dice) for _ in range(number))):
            path.write_bytes(text)
            with pytest.raises(LapwrightError, match="damaged"):
                store.check(plan)


def test_inputs_are_told_apart_and_nothing_else_is(bench: Path) -> None:
    from lapwright.study.read import parse

    def of(text: str) -> str:
        return identity.inputs_of(parse(text, "s", bench))

    same = of(MAPPED)
    assert of(MAPPED.replace("Pair", "Another title") + "# a remark\n") == same
    for old, new in (
        ("3 um", "3.0000000001 um"),
        ("20 N", "21 N"),
        ("4 min", "5 min"),
        ("cells = 24", "cells = 25"),
    ):
        assert of(MAPPED.replace(old, new)) != same
    assert of("seed = 1\n" + MAPPED) != same
    new_map(2)
    assert of(MAPPED) != same


@pytest.mark.campaign
def test_two_at_once_in_one_folder(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every pair of commands on one folder: the second is refused in one line, and the first is whole."""
    assert main(["run", "s.toml", "--no-page", "--out", "one"]) == 0
    for first, out in (("run", "one"), ("compare", "two"), ("tune", "three"), ("why", "four")):
        with taken(Path(out), first, again=True) as held:
            held.claim(["run.h5"] if first == "run" else ["plan.json"])
            before = sorted(p.name for p in Path(out).iterdir())
            others = [
                [c, "s.toml", "--out", out, *more]
                for c in ("run", "compare", "tune")
                for more in ([], ["--force"])
            ]
            others += [
                ["why", "s.toml", "--out", out],
                ["report", out, "--card"],
                ["report", out, "--maps", "csv"],
            ]
            for words in others:
                capsys.readouterr()
                assert main(words) in (1, 2)
                err = capsys.readouterr().err
                assert err.count("\n") == 1, (words, err)
                assert not {"Errno", "Traceback", "a fault of"} & set(err.split()), err
            assert sorted(p.name for p in Path(out).iterdir()) == before


@pytest.mark.parametrize("words", [*WORDS, ["why", "s.toml"]], ids=lambda words: words[0])
def test_a_persons_own_folder_is_never_written_into(bench: Path, words: list[str]) -> None:
    there = {p.name: p.read_bytes() for p in bench.iterdir()}
    for more in ([], ["--force"]):
        assert main([*words, "--out", ".", *more]) == 2
    assert {p.name: p.read_bytes() for p in bench.iterdir()} == there


@pytest.mark.campaign
def test_verify_tells_which_file_of_a_comparison_is_damaged(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", "s.toml", "--no-page"]) == 0
    capsys.readouterr()
    assert main(["verify", "s-compare"]) == 0
    said = capsys.readouterr().out
    assert said.count("ok   ") == 5, "three runs, the plan, and what is done"
    for name, told in (("plan.json", "is damaged"), ("work.part", "damaged in 1 of its lines")):
        path = Path("s-compare") / name
        whole = path.read_bytes()
        path.write_bytes(whole[:70] + bytes([whole[70] ^ 1]) + whole[71:])
        assert main(["verify", "s-compare"]) == 1
        said = capsys.readouterr().out
        assert said.count("FAIL ") == 1
        assert told in said
        path.write_bytes(whole)
