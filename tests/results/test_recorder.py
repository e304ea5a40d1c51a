"""What is kept of a run: thinned by the metal removed, the same however often the work was written down."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from lapwright import __version__
from lapwright.errors import CommandError, RunFileError
from lapwright.files import placing, put_in_place
from lapwright.integration.state import Doubt, Progress, State
from lapwright.results.frames import FRAMES_MOST, spread_out
from lapwright.results.recorder import (
    HISTORY_MOST,
    Heading,
    Recorder,
    Timetable,
    outline_text,
    restore,
    save,
)
from lapwright.results.runfile import read_resume, read_run, write_run
from lapwright.specification.outline import Ring
from lapwright.specification.plate import Plate
from lapwright.study.read import parse
from lapwright.study.resolved import versions

TEXT = """
plates.A = { disc = "100 mm", thickness = "20 mm", cells = 16, form = { dome = "3 um" } }
plates.B = { like = "A" }
"""
TEXT += (
    40
    * """
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "10 min"
"""
)
STUDY = parse(TEXT, "pair")
HEADING = Heading(f"lapwright {__version__}", versions())


def moments(blocks: int, swap_every: int = 7, step_every: int = 50) -> Iterator[State]:
    """A made-up run: each block takes off a depth that differs, swaps and step ends come between."""
    names = ("A", "B")
    land = {name: STUDY.plates[name].land > 0.0 for name in names}
    heights = {name: STUDY.plates[name].heights() for name in names}
    removed = {"A": 0.0, "B": 0.0}
    clock = Progress()
    nothing = {name: np.zeros((16, 16)) for name in names}
    yield State(clock, "start", "A", "B", heights, removed, nothing)
    rng = np.random.default_rng(5)
    top, bottom = names
    doubt = {name: Doubt(("sphere", "saddle", "twist")) for name in names}
    for k in range(1, blocks + 1):
        depth = 1e-8 * float(rng.random())
        lost = {name: depth * rng.random((16, 16)) * land[name] for name in names}
        heights = {name: heights[name] - lost[name] for name in names}
        removed = {name: removed[name] + depth for name in names}
        clock = Progress(step=1 + (k - 1) // step_every, strokes=k, block=k, time=10.0 * k)
        doubt = {
            n: told.after(1e-11 * rng.random(3), 1e-11 * rng.random(3)) for n, told in doubt.items()
        }
        yield State(clock, "block", top, bottom, heights, removed, lost, 0.1, 1e-5, doubt=doubt)
        if k % swap_every == 0:
            top, bottom = bottom, top
            yield State(clock, "swap", top, bottom, heights, removed, lost, 0.1, 1e-5, doubt=doubt)
        if k % step_every == 0:
            yield State(clock, "step", top, bottom, heights, removed, lost, 0.1, 1e-5, doubt=doubt)
    yield State(clock, "end", top, bottom, heights, removed, lost, doubt=doubt, outcome="done")


def recorded(blocks: int, **kinds: int) -> Recorder:
    recorder = Recorder(STUDY)
    for moment in moments(blocks, **kinds):
        recorder.take(moment)
    return recorder


def test_a_short_run_is_kept_whole() -> None:
    run = recorded(30).run(HEADING, "done", 1.0)
    assert [e for e in run.event if e == "block"] == ["block"] * 30
    assert run.event[0] == "start"
    assert run.event.count("swap") == 4
    assert run.plates["A"].frames.shape == (31, 16, 16)
    assert run.plates["A"].forms["sphere"].shape == run.time.shape == run.plates["A"].removed.shape
    assert np.isnan(run.plates["A"].forms["bow"]).all(), "a disc has no bow"
    worn = run.plates["A"].frames[0] - run.plates["A"].frames[-1]
    assert np.array_equal(run.plates["A"].worn, worn)
    assert worn.max() > 0.0


@pytest.mark.campaign
@pytest.mark.often("400-1-1")
@pytest.mark.parametrize(
    ("blocks", "swap_every", "step_every"), [(600, 60, 200), (600, 2, 100), (400, 1, 1)]
)
def test_a_long_run_is_thinned_over_the_metal(
    blocks: int, swap_every: int, step_every: int
) -> None:
    run = recorded(blocks, swap_every=swap_every, step_every=step_every).run(HEADING, "done", 1.0)
    assert HISTORY_MOST // 4 < len(run.time) <= HISTORY_MOST
    assert run.event[0] == "start"
    assert run.time[-1] == 10.0 * blocks
    assert (np.diff(run.time) >= 0.0).all()
    frames = run.plates["A"].frame_time
    assert FRAMES_MOST - 1 <= frames.size <= FRAMES_MOST
    assert frames[0] == 0.0
    assert frames[-1] == 10.0 * blocks
    assert np.diff(frames).max() < 6.0 * np.diff(frames).mean()
    if swap_every == 60:
        assert run.event.count("swap") == 10, "swaps and ends of steps stay while there is room"
        assert run.event.count("step") == 3
    spacing = np.diff(run.plates["A"].removed)
    assert spacing.max() < 0.1 * run.plates["A"].removed[-1]


def test_frames_keep_first_and_last_and_spread() -> None:
    kept = spread_out([float(k) ** 2 for k in range(100)], 11)
    assert (kept[0], kept[-1], len(kept)) == (0, 99, 11)
    gaps = np.diff(np.square(kept))
    assert gaps.max() < 2.5 * gaps.mean(), "even over metal, not over time"


@pytest.mark.campaign
@pytest.mark.often("1-24")
@pytest.mark.parametrize(("every", "blocks"), [(1, 24), (17, 260), (250, 300)])
def test_stopping_and_going_on_keeps_the_same(tmp_path: Path, every: int, blocks: int) -> None:
    whole = recorded(blocks, swap_every=40).run(HEADING, "done", 1.0)
    recorder = Recorder(STUDY)
    part = tmp_path / "run.part.h5"
    for number, moment in enumerate(moments(blocks, swap_every=40)):
        recorder.take(moment)
        if number % every == every - 1:
            save(part, recorder, HEADING, 1.0)
            found = restore(part, STUDY)
            recorder = found.recorder
            assert found.spent == 1.0
            assert found.mind is None
            assert recorder.last is not None
            assert recorder.last.clock == moment.clock
            assert recorder.last.removed == moment.removed
            assert recorder.last.error == moment.error
            assert np.array_equal(recorder.last.heights["A"], moment.heights["A"])
    again = recorder.run(HEADING, "done", 1.0)
    assert again.event == whole.event
    assert np.array_equal(again.time, whole.time)
    assert np.array_equal(again.plates["B"].frames, whole.plates["B"].frames)
    for key, values in whole.plates["A"].forms.items():
        assert np.array_equal(again.plates["A"].forms[key], values, equal_nan=True), key
    for key, values in whole.plates["B"].error.items():
        assert np.array_equal(again.plates["B"].error[key], values, equal_nan=True), key


def test_the_error_of_each_form_is_kept_along_the_history() -> None:
    """What a moment tells of its errors stands at its place of the history; what it does not tell is nan."""
    run = recorded(30).run(HEADING, "done", 1.0)
    told = {moment.clock.time: moment.error for moment in moments(30) if moment.error}
    for name in "AB":
        record = run.plates[name]
        assert set(record.error) == {"sphere", "saddle", "twist", "bow", "crown", "wind"}
        for form in ("sphere", "saddle", "twist"):
            at = [told[time][name][form] if time in told else np.nan for time in run.time]
            assert np.array_equal(record.error[form], at, equal_nan=True)
            assert record.error[form][-1] > record.error[form][1] > 0.0
        assert np.isnan(record.error["bow"]).all()
    assert run.plates["A"].error["sphere"][-1] != run.plates["B"].error["sphere"][-1]


def test_a_checkpoint_reads_as_the_run_so_far(tmp_path: Path) -> None:
    recorder = recorded(20)
    save(tmp_path / "part.h5", recorder, HEADING, 2.0, "interrupted")
    run = read_run(tmp_path / "part.h5")
    assert run.outcome == "interrupted"
    assert run.time[-1] == 200.0
    assert recorder.last is not None
    assert np.array_equal(run.plates["A"].frames[-1], recorder.last.heights["A"])


def test_a_changed_study_is_not_gone_on_with(tmp_path: Path) -> None:
    save(tmp_path / "part.h5", recorded(3), HEADING, 0.0)
    changed = parse(TEXT.replace("3 um", "2 um"), "pair")
    with pytest.raises(CommandError, match=r"pair\.toml has changed since .*--force"):
        restore(tmp_path / "part.h5", changed)


def test_a_checkpoint_with_a_foreign_clock_is_refused(tmp_path: Path) -> None:
    save(tmp_path / "first.h5", recorded(3), HEADING, 0.0)
    run, resume = read_resume(tmp_path / "first.h5")
    write_run(run, tmp_path / "part.h5", resume=resume.replace('"strokes"', '"hours"'))
    with pytest.raises(RunFileError, match="start again with --force"):
        restore(tmp_path / "part.h5", STUDY)


@pytest.mark.always("cut")
@pytest.mark.parametrize("harm", ["flipped", "cut", "gone"])
def test_a_damaged_checkpoint_falls_back_on_the_one_before(tmp_path: Path, harm: str) -> None:
    part = tmp_path / "run.part.h5"
    save(part, recorded(3), HEADING, 1.0)
    save(part, recorded(5), HEADING, 2.0)
    whole = part.read_bytes()
    at = whole.index(recorded(5).frames.maps["A"][5].tobytes())
    if harm == "gone":
        part.unlink()
    else:
        part.write_bytes(
            whole[:at] + (bytes([whole[at] ^ 1]) + whole[at + 1 :] if harm == "flipped" else b"")
        )
    found = restore(part, STUDY)
    assert found.recorder.last is not None
    assert (found.recorder.last.clock.time, found.spent) == (30.0, 1.0)
    assert found.mind is not None
    assert "run.part.h5 is damaged or gone: going on from the one before it, 0.5 min" in found.mind
    # And the good one is not given up for the damaged one when the next is written down.
    assert restore(part, STUDY).mind is None
    save(part, recorded(7), HEADING, 3.0)
    part.write_bytes(b"")
    assert restore(part, STUDY).spent == 1.0


def test_two_damaged_checkpoints_are_refused(tmp_path: Path) -> None:
    part = tmp_path / "run.part.h5"
    for k in (3, 5):
        save(part, recorded(k), HEADING, 1.0)
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(RunFileError, match="not a whole run file"):
        restore(part, STUDY)


def test_writing_down_takes_a_twentieth_of_the_time_at_most() -> None:
    table = Timetable(interval=2.0)
    assert not table.due(1.9)
    assert table.due(2.0)
    table.done(2.0, 2.5)
    assert not table.due(12.4), "half a second of writing is paid for by ten of work"
    assert table.due(12.6)
    asked = Timetable(interval=0.0, strict=True)
    asked.done(2.0, 2.5)
    assert asked.due(2.5)


def test_a_ring_is_told_by_the_bore_that_was_typed() -> None:
    assert outline_text(Plate(Ring("80 mm", "50 mm"), "12 mm")) == "ring 80 mm, bore 50 mm"


def test_what_is_kept_already_leaves_no_name_behind(tmp_path: Path) -> None:
    """A kill between keeping and replacing leaves both names on one file, and rename(2) then does nothing."""
    part, old = tmp_path / "run.part.h5", tmp_path / "run.part.before.h5"
    put_in_place(part, b"first")
    old.hardlink_to(part)
    with placing(part, before=old) as file:
        file.write(b"second")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        part.name: b"second",
        old.name: b"first",
    }
