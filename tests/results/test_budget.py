"""What a run will take, told before it begins, against what it then takes; and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lapwright import machine
from lapwright.commands.main import main
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings
from lapwright.optimisation.cases import Tolerance, drawn
from lapwright.presentation.words import takes
from lapwright.results import budget
from lapwright.results.budget import budget_of, budget_of_many, rehearsed
from lapwright.results.recorder import heading, lapped
from lapwright.results.runfile import write_run
from lapwright.study.model import Study
from lapwright.study.read import parse

pytestmark = pytest.mark.usefixtures("foretold")

PAIR = """
plates.A = {{ {shape}, thickness = "30 mm", form = {{ dome = "2 um" }}, cells = {cells}{more} }}
plates.B = {{ like = "A", form = {{ dish = "1 um" }} }}
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = {{ travel = "1/4" }}
time = "{time}"
{step}
"""
DISC, RAIL = 'disc = "160 mm"', 'rectangle = ["300 mm", "50 mm"]'
GROOVES = ', grooves = { pattern = "square", pitch = "20 mm", width = "2 mm" }'
TURN, SWAP = 'turn = "8 deg per stroke"\n', 'swap_every = "5 min"\nfresh_grit_every = "5 min"\n'
SMALL, NOTHING_FREE = 60e6, 1


def study_of(shape=DISC, cells=64, more="", time="40 min", step=TURN + SWAP) -> Study:
    text = PAIR.format(shape=shape, cells=cells, more=more, time=time, step=step)
    return parse(text, "pair")


STUDIES = {
    "turned": {},
    "straight": {"step": SWAP, "time": "20 min"},
    "quarters": {"step": 'turn = "90 deg every 20 strokes"\n' + SWAP},
    "rails": {"shape": RAIL, "cells": 96, "step": SWAP},
    "grooved": {"more": GROOVES, "cells": 48, "time": "10 min"},
    "by hand": {"step": TURN + 'hand = "usual"\n', "time": "10 min"},
}


@pytest.fixture
def ticks(monkeypatch) -> None:
    """A clock that goes on by a hundredth of a second whenever it is looked at."""
    now = [0.0]

    def look() -> float:
        now[0] += 0.01
        return now[0]

    monkeypatch.setattr(budget, "clock", look)


@pytest.mark.often("quarters", "grooved")
@pytest.mark.always("turned", "straight")
@pytest.mark.parametrize("name", STUDIES)
def test_poses_counted_on_few_cells_are_those_of_the_study(ticks, name: str) -> None:
    """Within half as much again: they are asked for by forms, which few cells tell as well as many."""
    study = study_of(**STUDIES[name])
    found = rehearsed(study, Settings())
    assert 0.0 < found.share <= 1.0
    states = lap(study.plates, study.steps, margin=study.margin)
    true = sum(state.solved for state in states if state.event == "block")
    assert sum(found.solved.values()) / found.share == pytest.approx(true, rel=0.5)


def test_a_long_study_is_not_lapped_through_beforehand(ticks) -> None:
    """Some moments of it, however long it is."""
    found = rehearsed(study_of(time="40 h"), Settings())
    assert found.share < 0.1
    assert found.moments < 40


def test_a_run_file_is_as_large_as_foretold(tmp_path: Path) -> None:
    study = study_of(cells=96, time="60 min")
    write_run(run := lapped(study), tmp_path / "run.h5")
    frames = len(next(iter(run.plates.values())).frame_time)
    size = (tmp_path / "run.h5").stat().st_size
    assert budget.file_size(study, frames) == pytest.approx(size, rel=0.2)
    assert heading().program


def test_what_is_done_already_is_not_foretold_again(ticks) -> None:
    whole, half, end = (budget_of(study_of(), done=done).time for done in (0.0, 1200.0, 2400.0))
    assert whole > half > end > 0.0


def test_what_a_gauge_ends_is_foretold_to_its_end_or_at_most(ticks) -> None:
    """A gauge that says stop early on few cells: its end is seen; one that never does: at most."""
    usual = budget_of(study_of(time="24 h"))
    early, never = (
        budget_of(study_of(time="24 h", step=f'{TURN}{SWAP}until = {{ removed = "{size}" }}'))
        for size in ("0.2 um", "1 mm")
    )
    assert not usual.at_most
    assert not early.at_most
    after = budget.ADVICE + budget.PAGE  # whatever was lapped
    assert early.time - after < 0.2 * (usual.time - after)
    assert never.at_most
    assert never.time > early.time


def test_more_workers_are_sooner_done_and_take_more_memory(ticks) -> None:
    one, two = (budget_of_many([([study_of()], 40)], workers, 4, 9) for workers in (1, 2))
    assert two.time < one.time
    assert two.memory > one.memory
    assert two.disk == one.disk


@pytest.mark.campaign
def test_what_is_drawn_is_foretold_as_it_is_drawn(ticks) -> None:
    """A hand that scatters takes more poses: as many as its blocks really take, within half as much again."""
    plain = study_of(cells=48, time="20 min")
    other = drawn(plain, 1, Tolerance())
    poses = []
    for study in (plain, other):
        states = lap(study.plates, study.steps, margin=study.margin, seed=study.seed)
        poses.append(sum(state.solved for state in states if state.event == "block"))
        found = rehearsed(study, Settings())
        assert sum(found.solved.values()) / found.share == pytest.approx(poses[-1], rel=0.5)
    assert poses[1] > 1.5 * poses[0]
    alone, both = [([plain], 1)], [([plain], 1), ([other], 40)]
    assert budget_of_many(both, 1, 0, 1).time > 2.0 * budget_of_many(alone, 1, 0, 1).time


def words_of(place: Path, cells: int = 64) -> list[str]:
    text = PAIR.format(shape=DISC, cells=cells, more="", time="1 min", step="")
    more = '[[variants]]\nname = "wide"\nset = { "stroke.travel" = "1/3" }\n'
    (place / "pair.toml").write_text(text + more)
    return [str(place / "pair.toml"), "--out", str(place / "out"), "--no-page"]


@pytest.mark.campaign
@pytest.mark.often("memory-1-run", "disk-1000-compare")
@pytest.mark.parametrize("command", ["run", "compare"])
@pytest.mark.parametrize(
    ("what", "free"), [("memory", NOTHING_FREE), ("memory", SMALL), ("disk", 1000)]
)
def test_what_the_machine_cannot_hold_is_refused(
    monkeypatch, capsys, tmp_path: Path, command: str, what: str, free: int
) -> None:
    """In one line that says what to change, before anything is lapped; --force does not override it."""
    monkeypatch.setattr(machine, f"{what}_free", lambda *_: free)
    monkeypatch.setattr(machine, "memory_held", lambda: int(budget.BARE))
    assert main([command, *words_of(tmp_path, 1024), "--force"]) != 0
    said = capsys.readouterr().err.strip()
    assert "\n" not in said
    assert what in said
    assert "can be had" in said
    assert ("write cells = " in said) == (free == SMALL and command == "run")
    assert not (tmp_path / "out/run.h5").exists()


@pytest.mark.campaign
def test_scripts_are_always_told(capsys, tmp_path: Path) -> None:
    for command in ("run", "compare"):
        assert main([command, *words_of(tmp_path), "--force", "--json"]) == 0
        told = json.loads(capsys.readouterr().out)["budget"]
        assert set(told) == {"time", "memory", "disk"}
        assert all(value > 0.0 for value in told.values())
        (tmp_path / "out").rename(tmp_path / f"out-{command}")


def test_at_most_is_said_where_the_end_is_open() -> None:
    assert takes(300.0, 1e9, 1e9).startswith("About 5 min, 1 GB")
    assert takes(300.0, 1e9, 1e9, at_most=True).startswith("At most about 5 min, 1 GB")


@pytest.mark.campaign
def test_people_are_told_what_takes_long(monkeypatch, capsys, tmp_path: Path) -> None:
    assert main(["run", *words_of(tmp_path), "--force"]) == 0
    assert "of memory" not in capsys.readouterr().err
    monkeypatch.setattr(budget, "ADVICE", 40.0)
    assert main(["run", *words_of(tmp_path), "--force"]) == 0
    first = capsys.readouterr().err.splitlines()[0]
    assert first.startswith("About 4")
    assert "GB of memory" in first
    assert first.endswith("on disk while it works.")


# Linux: Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst, proc(5); from memory.
MEMORY = "MemTotal: 8000000 kB\nMemAvailable: 3000000 kB\n"
V2, V1 = "sys/fs/cgroup", "sys/fs/cgroup/memory"


@pytest.mark.parametrize(
    ("files", "free"),
    [
        ({}, 3_072_000_000),
        ({f"{V2}/memory.max": "max\n", f"{V2}/memory.current": "5\n"}, 3_072_000_000),
        (
            {
                f"{V2}/memory.max": "2000000000\n",
                f"{V2}/memory.current": "1500000000\n",
                f"{V2}/memory.stat": "anon 1\ninactive_file 250000000\n",
            },
            750_000_000,
        ),
        (
            {
                f"{V1}/memory.limit_in_bytes": "1000000000",
                f"{V1}/memory.usage_in_bytes": "1000000001",
            },
            0,
        ),
    ],
)
def test_memory_in_a_container_is_what_that_may_use(tmp_path: Path, files, free: int) -> None:
    for name, text in {"proc/meminfo": MEMORY, **files}.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    assert machine.memory_free(tmp_path) == free


def test_room_of_a_folder_that_is_not_there_yet_is_that_of_the_one_above(tmp_path: Path) -> None:
    assert machine.disk_free(tmp_path / "a/b") == pytest.approx(
        machine.disk_free(tmp_path), rel=0.2
    )
