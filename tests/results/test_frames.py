"""Maps that are laid aside on the disk while a run goes on: the same run, no memory held, nothing left."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from lapwright.errors import CannotDoError
from lapwright.results import frames
from lapwright.results.frames import FRAMES_MOST, Frames, aside, let_go
from lapwright.results.recorder import Recorder, heading, lapped, restore, save
from lapwright.results.runfile import read_run, write_run
from lapwright.study.read import parse

pytestmark = pytest.mark.skipif(not hasattr(os, "pwrite"), reason="maps stay in memory here")

STUDY = parse(
    """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "2 um" }, cells = 24 }
plates.B = { like = "A", form = { dish = "1 um" } }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { travel = "1/4" }
time = "20 min"
swap_every = "5 min"
""",
    "pair",
)


@pytest.fixture
def all_aside(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frames, "LARGE", 0)


def taken(recorder: Recorder, place: Path, stop: int = -1) -> Recorder:
    """A run, to its end or `stop`ped and saved after so many moments."""
    for k, moment in enumerate(STUDY.states(recorder.last)):
        recorder.take(moment)
        if k == stop:
            break
    save(place, recorder, heading(), 1.0)
    return recorder


@pytest.mark.usefixtures("all_aside")
def test_a_run_whose_maps_lie_aside_is_the_run_to_the_bit(tmp_path: Path) -> None:
    """Also where it was stopped on the way; and no file is left that was not asked for."""
    part = tmp_path / "run.part.h5"
    usual = lapped(STUDY)
    taken(Recorder(STUDY, frames=Frames(beside=part)), part, 5)
    begun = restore(part, STUDY).recorder
    assert all(aside(maps) is not None for maps in begun.frames.maps.values())
    run = taken(begun, part).run(heading(), "done", 1.0, usual.bearings)
    write_run(run, tmp_path / "run.h5")
    assert {path.name for path in tmp_path.iterdir()} == {
        "run.h5",
        "run.part.h5",
        "run.part.before.h5",
    }
    got = read_run(tmp_path / "run.h5")
    for name, record in usual.plates.items():
        for which in ("frames", "frame_time", "worn", "removed"):
            assert np.array_equal(getattr(got.plates[name], which), getattr(record, which)), which


@pytest.mark.usefixtures("all_aside")
def test_a_full_disk_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And not the end of the process, which it would be through the window on the file."""
    kept = Frames(beside=tmp_path / "run.part.h5")
    kept.add(0.0, 0.0, {"A": np.zeros((8, 8))})

    def full(*given: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(CannotDoError, match=r"run\.part\.h5: the disk is full"):
        kept.add(1.0, 1.0, {"A": np.ones((8, 8))})


@pytest.mark.usefixtures("all_aside")
def test_where_no_file_can_be_made_maps_stay_in_memory(tmp_path: Path) -> None:
    kept = Frames(beside=tmp_path / "no such folder/run.part.h5")
    kept.add(0.0, 0.0, {"A": np.ones((8, 8))})
    assert aside(kept.maps["A"]) is None
    assert kept.maps["A"][0].sum() == 64


@pytest.mark.skipif(sys.platform != "linux", reason="as Linux tells it")
def test_what_was_read_of_maps_aside_is_given_back(tmp_path: Path) -> None:
    kept = Frames(beside=tmp_path / "run.part.h5")
    for k in range(FRAMES_MOST - 1):
        kept.add(float(k), float(k), {"A": np.full((400, 400), float(k))})
    size = kept.maps["A"].nbytes

    def held() -> int:
        lines = Path("/proc/self/status").read_text().splitlines()
        return sum(
            1024 * int(line.split()[1]) for line in lines if line[:7] in ("RssFile", "RssShme")
        )

    before = held()
    assert kept.maps["A"][:-1].mean() == pytest.approx((FRAMES_MOST - 2) / 2)
    assert held() - before > 0.9 * size
    let_go(kept.maps["A"])
    assert held() - before < 0.1 * size
    assert kept.maps["A"][3, 0, 0] == 3.0
