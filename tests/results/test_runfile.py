"""The run file: nothing lost, never half there, refused in one line when it is not whole."""

from __future__ import annotations

import os
import resource
import signal
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from lapwright.errors import CannotDoError, RunFileError
from lapwright.results import runfile
from lapwright.results.record import SHAPES, Run
from lapwright.results.runfile import read_resume, read_run, write_run


def _same(one: object, other: object) -> bool:
    """Whether two values are equal to the bit, NaN included, all the way down."""
    if isinstance(one, np.ndarray):
        assert isinstance(other, np.ndarray)
        return one.shape == other.shape and bool(np.array_equal(one, other, equal_nan=True))
    if hasattr(one, "__dataclass_fields__"):
        return all(
            _same(getattr(one, name), getattr(other, name)) for name in one.__dataclass_fields__
        )
    if isinstance(one, dict):
        assert isinstance(other, dict)
        return list(one) == list(other) and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, tuple) and one and hasattr(one[0], "__dataclass_fields__"):
        return isinstance(other, tuple) and all(
            _same(a, b) for a, b in zip(one, other, strict=True)
        )
    return bool(one == other)


def test_a_run_comes_back_as_it_was(run: Run, tmp_path: Path) -> None:
    write_run(run, tmp_path / "run.h5")
    assert _same(run, read_run(tmp_path / "run.h5"))
    moved = replace(run, bearings=(replace(run.bearings[0], c=np.array([1e-3, -2e-3 + 1e-18])),))
    assert not _same(run, moved)


def test_the_same_run_gives_the_same_bytes(run: Run, tmp_path: Path) -> None:
    write_run(run, tmp_path / "one.h5")
    write_run(run, tmp_path / "two.h5")
    assert (tmp_path / "one.h5").read_bytes() == (tmp_path / "two.h5").read_bytes()


def test_every_dataset_says_its_unit_and_what_it_is(run: Run, tmp_path: Path) -> None:
    write_run(run, tmp_path / "run.h5")
    seen = []

    def look(name: str, item: object) -> None:
        if isinstance(item, h5py.Dataset):
            seen.append(name)
            assert item.attrs["units"] in ("1", "m", "s", "Pa", "Pa m/s", "rad"), name
            assert len(item.attrs["long_name"]) > 3, name

    with h5py.File(tmp_path / "run.h5") as file:
        file.visititems(look)
        assert file.attrs["study_text"] == run.study_text
        assert file.attrs["version_numpy"] == "2"
    assert {
        "history/time",
        "plates/A/frames",
        "plates/A/forms/sphere",
        "bearings/00/pressure",
    } <= set(seen)
    assert {f"plates/A/error/{key}" for key in SHAPES} <= set(seen)


def test_a_finished_run_is_not_gone_on_with(run: Run, tmp_path: Path) -> None:
    write_run(run, tmp_path / "run.h5")
    with pytest.raises(RunFileError, match="finished run"):
        read_resume(tmp_path / "run.h5")
    write_run(run, tmp_path / "part.h5", resume="{}")
    assert read_resume(tmp_path / "part.h5")[1] == "{}"


@pytest.mark.parametrize("share", [0.0, 0.001, 0.3, 0.9, 0.999])
def test_a_file_cut_short_is_refused(run: Run, tmp_path: Path, share: float) -> None:
    path = tmp_path / "run.h5"
    write_run(run, path)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    _refused(path, "not a whole run file")


def test_damage_anywhere_is_refused_or_harmless(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    write_run(run, path)
    whole = path.read_bytes()
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(60):
        spoilt = bytearray(whole)
        at = int(rng.integers(0, len(whole) - 64))
        spoilt[at : at + 64] = rng.bytes(64)
        path.write_bytes(bytes(spoilt))
        complaint = _complaint(path)
        refused += complaint != ""
        assert "\n" not in complaint
    assert refused > 0


def _complaint(path: Path) -> str:
    try:
        read_run(path)
    except RunFileError as trouble:
        return str(trouble)
    return ""


@pytest.mark.parametrize(
    ("kind", "why"),
    [
        ("text", "not a whole run file"),
        ("foreign", "not one of a lapwright run"),
        ("empty group", "not a whole run file"),
        ("folder", "is a folder"),
        ("missing", "no run file"),
    ],
)
def test_what_is_no_run_file_is_refused(tmp_path: Path, kind: str, why: str) -> None:
    path = tmp_path / "x.h5"
    if kind == "text":
        path.write_text("title = 'no run'\n" * 100)
    elif kind == "folder":
        path.mkdir()
    elif kind in ("foreign", "empty group"):
        with h5py.File(path, "w") as file:
            file["height"] = np.zeros(3)
            if kind == "empty group":
                file.attrs["format"] = "lapwright run"
                file.attrs["schema"] = 2
    _refused(path, why)


def test_another_layout_names_the_program_that_wrote_it(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.h5"
    with monkeypatch.context() as later:
        later.setattr(runfile, "SCHEMA", 99)
        write_run(replace(run, program="lapwright 9.9"), path)
    _refused(path, r"layout 99, this copy reads layout 2.*lapwright 9\.9")


def _refused(path: Path, why: str) -> None:
    with pytest.raises(RunFileError, match=why) as caught:
        read_run(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.fixture
def small_files() -> object:
    """No file may grow beyond 10 kB, as on a disk that is nearly full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, handler)


def test_a_full_disk_leaves_the_good_file(
    run: Run, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    path = tmp_path / "run.h5"
    write_run(run, path)
    before = path.read_bytes()
    request.getfixturevalue("small_files")
    with pytest.raises(CannotDoError, match="make room") as caught:
        write_run(replace(run, outcome="until"), path)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"], (
        "nothing unfinished is left lying about"
    )


def test_a_folder_that_is_a_file_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(CannotDoError, match="a file, not a folder"):
        write_run(run, tmp_path / "file" / "run.h5")
    with pytest.raises(CannotDoError, match="does not exist"):
        write_run(run, tmp_path / "nowhere" / "run.h5")


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs a folder that takes no files")
def test_a_folder_that_takes_nothing_is_told(run: Run) -> None:
    with pytest.raises(CannotDoError, match="cannot write"):
        write_run(run, Path("/proc/self/run.h5"))


def test_a_move_that_fails_leaves_the_good_file(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.h5"
    write_run(run, path)
    before = path.read_bytes()

    def fail(self: Path, target: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(CannotDoError, match="may not write"):
        write_run(replace(run, outcome="until"), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]
