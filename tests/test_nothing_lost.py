"""After any fault of the disk, and after any kill: the answer of an unbroken work to the bit, or one line.

The promise checked here is our own (docs/run-file.md); there is no outside source for it.
"""

from __future__ import annotations

import itertools
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import faults
import pytest
from comparing import PAIR
from started import SURROUNDINGS
from test_reliability import everything

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")

SMALL = PAIR.replace("cells = 24", "cells = 16").replace("10 min", "2 min")
OTHER = SMALL.replace("3 um", "2 um")
WAYS = """
[[variants]]
name = "a"
set = { load = "20 N" }

[[variants]]
name = "b"
set = { load = "10 N" }
"""
GOAL = (
    SMALL.replace('"2 min"', '"20 min"')
    + """swap_every = { A = "6 min", B = "4 min" }
[goal]
flatness = "2 um"
[tune.free]
"steps.1.swap_every.A" = ["6 min", "9 min", "12 min"]
"""
)
SAMPLE = 16  # faults of a scenario in a campaign, where not all are asked for
MINE = "members/mine.txt"  # a person's own, in a folder of ours


def held(folder: Path) -> dict[str, Any]:
    """What a folder holds, as bytes; of run files all but the wall time."""
    found: dict[str, Any] = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.suffix == ".h5":
            found |= {f"{name} {key}": repr(value) for key, value in everything(path).items()}
        elif path.is_file() and path.name not in ("work.part", ".lapwright.lock"):
            found[name] = path.read_bytes()
    return found


@dataclass(frozen=True)
class Scenario:
    """`first` is done in peace (on the study `before`), then `words` meet the fault, then come `after`.

    `entry`: a file to which `words` add, so that they are said again only where it does not have it yet.
    """

    study: str
    words: tuple[str, ...]
    after: tuple[tuple[str, ...], ...]
    out: str
    made: tuple[str, ...]
    before: str = ""
    first: tuple[str, ...] = ()
    entry: str = ""


RUN = ("run", "s.toml", "--no-page", "--checkpoint", "0")
COMPARE = ("compare", "s.toml", "--no-page")
TUNE = ("tune", "s.toml", "--no-page")
WHY = ("why", "s.toml", "--degree", "4", "--force")  # few shapes are as good here
NEXT, NEW = ("next", "s.toml"), ("new", "mine.toml", "--yes")
READ = ("log", "s.toml", "--reading", "twist gauge A 0.35 um @ 45 deg", "--date", "2026-03-02")
SCENARIOS = {
    "run": Scenario(SMALL, RUN, ((*RUN, "--resume"),), "s-run", (".lapwright",)),
    "run anew": Scenario(
        SMALL, (*RUN, "--force"), ((*RUN, "--resume"), (*RUN, "--force")), "s-run", (), OTHER, RUN
    ),
    "compare": Scenario(SMALL + WAYS, COMPARE, ((*COMPARE, "--resume"),), "s-compare", ("compare.csv",)),
    "compare anew": Scenario(
        SMALL + WAYS, (*COMPARE, "--force"), ((*COMPARE, "--resume"), (*COMPARE, "--force")), "s-compare",
        ("compare.csv", MINE),
        OTHER + WAYS + WAYS.replace('"a"', '"c"').replace('"b"', '"d"'), COMPARE,
    ),
    "tune": Scenario(GOAL, TUNE, ((*TUNE, "--resume"),), "s-tune", ("s-tuned.toml",)),
    "report": Scenario(
        SMALL, ("report", "s-run", "--card", "--force"), (("report", "s-run", "--card", "--force"),), "s-run",
        ("card.html", MINE), SMALL, RUN,
    ),
    "maps": Scenario(
        SMALL, ("report", "s-run", "--maps", "csv"), (("report", "s-run", "--maps", "csv", "--force"),),
        "s-run", (MINE,), SMALL, RUN,
    ),
    "why": Scenario(SMALL, WHY, (WHY,), "s-why", ("why.html", MINE), SMALL, WHY),
    "next": Scenario(SMALL, NEXT, (NEXT,), "s-next", ("next.html", MINE), OTHER, NEXT),
    "log": Scenario(
        SMALL, (*READ, "--note", "second"), (NEXT,), "", ("s.log.toml",), SMALL, READ, "s.log.toml"
    ),
    "new": Scenario(SMALL, NEW, ((*NEW, "--force"),), "", ("mine.toml",)),
}  # fmt: skip


class Bench:
    """Where scenarios are played: folders to work in, and the process that plays."""

    def __init__(self, place: Path, process: subprocess.Popen[str]) -> None:
        self.place, self.process, self.number = place, process, 0
        self.known: dict[str, Any] = {}

    def do(
        self,
        bench: Path,
        words: tuple[str, ...],
        kind: str = "",
        at: int = -1,
        other: tuple[str, ...] = (),
    ) -> dict[str, Any]:
        """A command on a disk that fails at its operation `at`."""
        asked = {
            "bench": str(bench),
            "folder": str(bench),
            "kind": kind,
            "at": at,
            "words": words,
            "other": other,
        }
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        print(json.dumps(asked), file=self.process.stdin, flush=True)
        line = self.process.stdout.readline()
        assert line, "the process that plays has ended"
        return json.loads(line)

    def fresh(self, name: str) -> Path:
        """A folder in which all is as it is before the fault."""
        ready = self.ready(name)
        self.number += 1
        return Path(shutil.copytree(ready, self.place / f"{name} {self.number}"))

    def ready(self, name: str) -> Path:
        """The folder that is copied."""
        case = SCENARIOS[name]
        ready = self.place / f"{name} ready"
        if not ready.exists():
            ready.mkdir()
            if case.first:
                (ready / "s.toml").write_text(case.before)
                assert self.do(ready, case.first)["code"] == 0
                if case.out:
                    mine = ready / case.out / MINE
                    mine.parent.mkdir(exist_ok=True)
                    mine.write_text("a person's own")
            (ready / "s.toml").write_text(case.study)
        return ready

    def unbroken(self, name: str) -> tuple[dict[str, Any], int]:
        """What it comes to when nothing fails, and how many operations that takes."""
        if name not in self.known:
            bench, case = self.fresh(name), SCENARIOS[name]
            done = self.do(bench, case.words)
            assert done["code"] == 0, done
            self.known[name] = held(bench / case.out), done["count"]
            assert set(case.made) <= self.known[name][0].keys()
        found: tuple[dict[str, Any], int] = self.known[name]
        return found

    def meets(self, name: str, kind: str, at: int) -> None:
        """Play a scenario with one fault, and go on from it."""
        bench, case = self.fresh(name), SCENARIOS[name]
        wanted, count = self.unbroken(name)
        struck, where = self.do(bench, case.words, kind, at), (name, kind, at)
        if kind in faults.ABRUPT:
            assert struck["code"] == faults.KILLED, (where, struck)
        elif kind == "little":  # a library may end the process where it gets nothing
            assert struck["code"] in (0, 1) or struck["code"] not in (2, 99), (where, struck)
        else:
            assert struck["code"] in (0, 1), (where, struck)
        plain(struck, where)
        after = case.after
        if case.entry and struck["code"] != 0:
            now = held(bench)[case.entry]
            assert now in (wanted[case.entry], held(self.ready(name))[case.entry]), where
            after = case.after if now == wanted[case.entry] else (case.words,)
        # It was of no matter, and nobody needed to know; or all was done, and is there after a power cut.
        for words in () if struck["code"] == 0 or at == count else after:
            again = self.do(bench, words)
            plain(again, where)
            if again["code"] == 0:
                break
            assert again["code"] == 2, (where, again)
            assert "--force" in again["told"], (where, again)
            assert words != after[-1], (where, again)
        now = held(bench / case.out)
        if struck["code"] != 0:
            assert now.keys() == wanted.keys(), (where, now.keys() ^ wanted.keys())
        assert [key for key in wanted if now.get(key) != wanted[key]] == [], where
        shutil.rmtree(bench)


def plain(done: dict[str, Any], where: object) -> None:
    """What was said of a failure is one plain line."""
    if done["code"] in (1, 2):
        lines = [line for line in done["told"].splitlines() if line.startswith("lapwright: ")]
        assert len(lines) == 1, (where, done)
        for word in ("Errno", "a fault of the program", "Traceback", ".tmp"):
            assert word not in done["told"], (where, done)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    yield from begun(tmp_path_factory)


def begun(tmp_path_factory: pytest.TempPathFactory, *words: str) -> Iterator[Bench]:
    """A bench, for as long as a file of tests needs it."""
    command = [sys.executable, faults.__file__, *words]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=SURROUNDINGS
    ) as process:
        try:
            yield Bench(tmp_path_factory.mktemp("faults"), process)
        finally:
            process.kill()


def some(count: int, name: str) -> Iterator[tuple[str, int]]:
    """Every other kind once, spread evenly over the operations, and the power cut when all is done.

    The other kinds come in the next scenario.
    """
    kinds = faults.KINDS[list(SCENARIOS).index(name) % 2 :: 2]
    yield from ((kind, k * count // len(kinds)) for k, kind in enumerate(kinds))
    yield "lost", count


def every(count: int) -> list[tuple[str, int]]:
    """Each kind at each operation; and the power cut when all is done."""
    return [
        *((kind, at) for at in range(count) for kind in faults.KINDS),
        *((kind, count) for kind in faults.CUTS),
    ]


def sampled(table: list[tuple[str, int]], name: str) -> list[tuple[str, int]]:
    """One fault of each of `SAMPLE` equal stretches of a table, kind after kind, the same in every run."""
    dice, count = random.Random(name), min(SAMPLE, len(table))
    ends = [k * len(table) // count for k in range(count + 1)]
    drawn = []
    for k, (a, b) in enumerate(itertools.pairwise(ends)):
        here = [one for one in table[a:b] if one[0] == faults.KINDS[k % len(faults.KINDS)]]
        drawn.append(dice.choice(here or table[a:b]))
    return drawn


# What `next` writes is written by `log` too, and it takes longest.
@pytest.mark.campaign
@pytest.mark.often("run", "new", "maps")
@pytest.mark.parametrize("name", SCENARIOS)
def test_a_fault_of_the_disk_loses_and_mixes_nothing(played: Bench, name: str) -> None:
    for kind, at in some(played.unbroken(name)[1], name):
        played.meets(name, kind, at)


@pytest.mark.campaign
@pytest.mark.often("run", "new")
@pytest.mark.parametrize("name", SCENARIOS)
def test_a_fault_at_any_operation_loses_and_mixes_nothing(
    played: Bench, name: str, request: pytest.FixtureRequest
) -> None:
    table = every(played.unbroken(name)[1])
    ends = len(faults.CUTS)
    some_of_it = [*sampled(table[:-ends], name), *table[-ends:]]
    for kind, at in table if request.config.getoption("--all-faults") else some_of_it:
        played.meets(name, kind, at)


# Every command that writes, told to write into the folder `at`.
INTO = {
    "run": ("run", "s.toml", "--no-page", "--checkpoint", "0", "--force", "--out"),
    "compare": ("compare", "s.toml", "--no-page", "--force", "--out"),
    "tune": ("tune", "s.toml", "--no-page", "--force", "--out"),
    "why": (*WHY, "--out"),
    "next": ("next", "s.toml", "--out"),
    "report": ("report", "--card", "--force"),
    "maps": ("report", "--maps", "csv", "--force"),
}
FOR_ALL = GOAL.replace("[goal]", WAYS + "[goal]")


@pytest.mark.long
@pytest.mark.parametrize("first", INTO)
def test_of_two_commands_in_one_folder_the_second_is_refused(played: Bench, first: str) -> None:
    """Whatever the second is, while the first is at it: one line, and the first ends as if it were alone."""
    ready = played.place / f"two ready {first}"
    ready.mkdir()
    (ready / "s.toml").write_text(FOR_ALL)
    if first in ("report", "maps"):
        assert played.do(ready, (*INTO["run"], "at"))["code"] == 0
    alone = Path(shutil.copytree(ready, played.place / f"two {first} alone"))
    done = played.do(alone, (*INTO[first], "at"))
    assert done["code"] in (0, 1), done
    wanted = held(alone)
    for k, second in enumerate(INTO):
        bench = Path(shutil.copytree(ready, played.place / f"two {first} {second}"))
        # After the folder was made, looked at and locked; before the lock is given up.
        at = 4 + k * (done["count"] - 8) // len(INTO) if done["count"] > 8 else 3
        got = played.do(bench, (*INTO[first], "at"), "other", at, (*INTO[second], "at"))
        assert got["code"] == done["code"], (second, got)
        assert got["met"]["code"] in (1, 2), (second, got)
        plain(got["met"], (first, second))
        assert held(bench) == wanted, (first, second)


@pytest.mark.campaign
def test_of_two_that_write_a_log_the_second_is_refused(played: Bench) -> None:
    bench = played.fresh("log")
    again = played.do(bench, (*READ, "--note", "a"), "other", 2, (*READ, "--note", "b"))
    assert again["code"] == 0
    assert again["met"]["code"] == 1
    assert "another lapwright is at work" in again["met"]["told"]
    log = (bench / "s.log.toml").read_text()
    assert log.count("[[spells]]") == 2
    assert 'note = "a"' in log


def test_a_sample_of_faults_is_spread_and_stays_the_same() -> None:
    table = every(52)[: -len(faults.CUTS)]
    drawn = sampled(table, "run")
    assert drawn == sampled(table, "run") != sampled(table, "tune")
    assert len(set(drawn)) == SAMPLE
    assert {kind for kind, _ in drawn} == set(faults.KINDS)
    at = [place for _, place in drawn]
    assert at == sorted(at)
    assert max(b - a for a, b in itertools.pairwise([0, *at, 51])) <= 2 * -(-52 // SAMPLE)
    assert sampled(every(1), "run") == every(1)
