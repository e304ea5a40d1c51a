"""A file that is not as it was written is refused in one line, and never read as something else."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.errors import RunFileError
from lapwright.results import runfile
from lapwright.results.layout import Group, Leaf, UnsoundError, run_of, tree_of
from lapwright.results.record import Run
from lapwright.results.runfile import FORMAT, SCHEMA, read_resume, read_run, write_run
from lapwright.study.read import parse


def told(path: Path) -> str:
    """What a reader hears of a file: one line, or nothing if it reads."""
    with pytest.raises(RunFileError) as caught:
        read_run(path)
    assert str(path) in caught.value.message
    assert "\n" not in caught.value.message
    return caught.value.message


def bits(value: Any) -> Any:
    """All that a run says, to be compared: two runs that differ in a bit differ here."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if is_dataclass(value):
        return tuple((f.name, bits(getattr(value, f.name))) for f in fields(value))
    if isinstance(value, Mapping):
        return tuple((key, bits(item)) for key, item in value.items())
    return tuple(map(bits, value)) if isinstance(value, tuple) else repr(value)


def flipped(whole: bytes, dice: random.Random, kind: str) -> bytes:
    spoilt = bytearray(whole)
    at = dice.randrange(len(whole))
    if kind == "page":
        at -= at % 512
        spoilt[at : at + 512] = bytes(len(spoilt[at : at + 512]))
    else:
        spoilt[at] ^= 1 << dice.randrange(8)
    return bytes(spoilt)


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("flips", "pages"), [(400, 100), pytest.param(4_000, 800, marks=pytest.mark.long)]
)
@pytest.mark.parametrize("resume", [None, '{"entries": 4}'])
def test_no_flipped_bit_is_believed(
    run: Run, tmp_path: Path, flips: int, pages: int, resume: str | None
) -> None:
    """Whole files, every byte as likely: each spoilt one is refused in a line, or reads as the whole one."""
    path = tmp_path / "run.h5"
    write_run(run, path, resume=resume)
    whole = path.read_bytes()
    read = read_run if resume is None else lambda at: read_resume(at)[0]
    dice = random.Random(f"{flips} {resume}")
    refused = spoiled = 0
    for number in range(flips + pages):
        spoilt = flipped(whole, dice, "bit" if number < flips else "page")
        path.write_bytes(spoilt)
        spoiled += spoilt != whole  # a page may have been empty
        try:
            read(path)
        except RunFileError:
            refused += 1
    assert refused == spoiled > 0.9 * flips


def redone(path: Path, change: Callable[[h5py.File], None]) -> None:
    """Change a file and seal it again, as a hand would that knows how."""
    with h5py.File(path, "r+") as file:
        change(file)
    whole = path.read_bytes()
    if whole.startswith(runfile.SEAL):
        digest = hashlib.sha256(whole[runfile.SEAL_SIZE :]).hexdigest().encode()
        at = len(runfile.SEAL)
        path.write_bytes(whole[:at] + digest + whole[at + len(digest) :])


def _link_out(file: h5py.File) -> None:
    del file["plates/A/worn"]
    file["plates/A/worn"] = h5py.ExternalLink("other.h5", "secret")


def _link_soft(file: h5py.File) -> None:
    del file["plates/A/worn"]
    file["plates/A/worn"] = h5py.SoftLink("/plates/A/land")


def _store_out(file: h5py.File) -> None:
    del file["plates/A/worn"]
    size = 14 * 16 * 8
    file.create_dataset("plates/A/worn", (14, 16), "<f8", external=[("/etc/passwd", 0, size)])


def _virtual(file: h5py.File) -> None:
    del file["plates/A/worn"]
    layout = h5py.VirtualLayout((14, 16), "<f8")
    layout[:] = h5py.VirtualSource("other.h5", "secret", (14, 16))
    file.create_virtual_dataset("plates/A/worn", layout)


def _swollen(file: h5py.File) -> None:
    del file["plates/A/frames"]
    file.create_dataset(
        "plates/A/frames", (10**6, 14, 16), "<f8", compression="gzip", fillvalue=1.0
    )


def _circle(file: h5py.File) -> None:
    for k in range(8):
        file[f"plates/again {k}"] = file["plates"]


def _named(file: h5py.File) -> None:
    del file["history/top"]
    file.create_dataset("history/top", (10**9,), h5py.string_dtype())


def _emptied(file: h5py.File) -> None:
    del file["history/time"]
    file["history/time"] = h5py.Empty("<f8")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (_link_out, "plates/A/worn points out of the file"),
        (_link_soft, "plates/A/worn points out of the file"),
        (_store_out, "plates/A/worn lies outside the file"),
        (_virtual, "plates/A/worn lies outside the file"),
        (_swollen, "plates/A/frames is larger than the file"),
        (_circle, "lie in each other too deeply"),
        (_named, "history/top"),
        (_emptied, "history/time"),
    ],
)
def test_a_file_of_another_hand_asks_for_nothing_outside_and_nothing_huge(
    run: Run, tmp_path: Path, change: Callable[[h5py.File], None], why: str
) -> None:
    path = tmp_path / "run.h5"
    write_run(run, path)
    redone(path, change)
    assert why in told(path)


@pytest.mark.campaign
def test_whatever_is_added_or_taken_away_is_noticed(run: Run, tmp_path: Path) -> None:
    """What need not be there, too: without it a page would say less, and nobody would know."""
    path = tmp_path / "run.h5"
    for name in ("fine", "plates/A/error", "plates/A/fine", "bearings/00", "study"):
        write_run(run, path)
        with h5py.File(path, "r+") as file:
            file.pop(name)
        assert "changed since it was written" in told(path), name
    write_run(run, path)
    path.write_bytes(bytes(512) + path.read_bytes()[512:])
    assert "changed since it was written" in told(path), "the seal itself"
    write_run(run, path)
    path.write_bytes(path.read_bytes() + b"more")
    assert "changed since it was written" in told(path)


def _attribute(key: str, value: object) -> Callable[[Group], None]:
    return lambda tree: tree.attrs.__setitem__(key, value)  # type: ignore[arg-type]


def _data(place: str, value: object) -> Callable[[Group], None]:
    def change(tree: Group) -> None:
        *groups, name = place.split("/")
        for group in groups:
            tree = tree[group]
        tree.items[name] = Leaf(value)  # type: ignore[arg-type]

    return change


def _cut(tree: Group) -> None:
    for name, item in tree["history"].items.items():
        assert isinstance(item, Leaf)
        tree["history"].items[name] = Leaf(item.data[:0])


@pytest.mark.always(*range(0, 28, 3))
@pytest.mark.parametrize(
    ("change", "why"),
    [
        (_cut, "history is empty"),
        (_data("history/time", np.array([0.0, 1.0])), r"should be \(2,\)"),
        (_data("history/time", np.array([0.0, 2.0, 1.0, 3.0])), "time goes back"),
        (_data("history/time", np.array([0.0, np.nan, 1.0, 3.0])), "numbers that are none"),
        (_data("history/time", np.zeros((4, 1))), r"should be \(4,\)"),
        (_data("history/step", np.array([1, 1, 1, 3])), "steps that its study, of 2"),
        (_data("history/step", np.ones(4)), "not of the kind"),
        (_data("history/step", ("1",) * 4), "not of the kind"),
        (_data("history/top", ("A", "A", "A", "Z")), "plates are named"),
        (_data("history/top", ("A",) * 3), "is not 4 names"),
        (_data("history/event", np.zeros(4)), "is not 4 names"),
        (_data("plates/A/frames", np.zeros((3, 2, 2))), r"should be \(3, 14, 16\)"),
        (_data("plates/A/frames", np.full((3, 14, 16), np.inf)), "numbers that are none"),
        (_data("plates/A/frame_time", np.zeros(0)), "no height map of A"),
        (_data("plates/A/forms", np.zeros(4)), "no group forms"),
        (_data("bearings/00/pressure", np.zeros(4)), r"should be \(14, 16\)"),
        (_data("bearings/00/step", np.asarray(7)), "steps that its study, of 2"),
        (_data("study", "{}"), "no study"),
        (_data("study", '{"is": "Study"}'), "fields"),
        (lambda tree: tree["plates"].items.pop("A") and None, "plates are not those"),
        (lambda tree: tree["plates"]["A"].attrs.update(name="Z"), "no plate Z"),
        (lambda tree: tree["plates"]["A"].attrs.update(order="first"), "whole"),
        (lambda tree: tree["bearings"]["00"].attrs.update(top="Z"), "no plates A and Z"),
        (_attribute("outcome", "best"), "no run ends with 'best'"),
        (_attribute("outcome", 3), "outcome is no text"),
        (_attribute("schema", float("inf")), "layout inf"),
        (_attribute("schema", "2"), "layout 2"),
        (_attribute("format", 3), "not one of a lapwright run"),
    ],
)
def test_a_file_that_contradicts_itself_is_refused_in_a_line(
    run: Run, tmp_path: Path, change: Callable[[Group], None], why: str
) -> None:
    """Signed as it should be, by a hand that knows how: what is in it still has to go together."""
    tree = tree_of(run, FORMAT, SCHEMA, None)
    assert run_of(tree, SCHEMA).outcome == "done"
    change(tree)
    path = tmp_path / "run.h5"
    runfile.write_tree(tree, path)
    with pytest.raises(RunFileError, match=why) as caught:
        read_run(path)
    assert "\n" not in caught.value.message
    for command in ("report", "bearing", "gauge"):
        assert main([command, str(path)]) == 2


def test_an_unsound_error_is_no_run_file_error() -> None:
    assert issubclass(UnsoundError, ValueError)


# --- the layout before -------------------------------------------------------------------------


def write_before(run: Run, path: Path) -> None:
    """The same run in layout 1: the text of its study alone, names of any length, no digests."""
    write_run(run, path.with_suffix(".new"))
    names = h5py.string_dtype()
    with h5py.File(path.with_suffix(".new")) as new, h5py.File(path, "w") as old:
        old.attrs.update({key: value for key, value in new.attrs.items() if key != "digest"})
        old.attrs["schema"] = 1

        def put(name: str, item: h5py.Group | h5py.Dataset) -> None:
            if name == "study":
                return
            if isinstance(item, h5py.Dataset):
                text = h5py.check_string_dtype(item.dtype)
                data = list(item.asstr()[()]) if text else item[()]
                place = old.create_dataset(name, data=data, dtype=names if text else None)
            else:
                place = old.create_group(name)
            place.attrs.update({key: value for key, value in item.attrs.items() if key != "digest"})

        new.visititems(put)


def told_in_python(run: Run) -> Run:
    """The run with plates as a file can name them, so that its text says what its study is."""
    names = dict(zip(run.plates, "ARD", strict=True))
    plates = {names[old]: replace(record, name=names[old]) for old, record in run.plates.items()}
    bearings = tuple(
        replace(one, top=names[one.top], bottom=names[one.bottom]) for one in run.bearings
    )
    top, bottom = (tuple(names[name] for name in along) for along in (run.top, run.bottom))
    study = parse(run.study.text, "pair")
    return replace(run, plates=plates, bearings=bearings, top=top, bottom=bottom, study=study)


@pytest.mark.campaign
def test_a_file_of_the_layout_before_is_read(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "old.h5"
    typed = told_in_python(run)
    write_before(typed, path)
    assert bits(replace(read_run(path), schema=SCHEMA)) == bits(_read_back(typed, tmp_path))
    assert main(["verify", str(path)]) == 0


def _read_back(run: Run, folder: Path) -> Run:
    write_run(run, folder / "new.h5")
    return read_run(folder / "new.h5")


def test_a_study_that_is_no_longer_understood_is_told(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "old.h5"
    write_before(told_in_python(run), path)
    redone(path, lambda file: file.attrs.__setitem__("study_text", "pace = 3"))
    assert "does not understand its study" in told(path)


def test_a_checkpoint_of_the_layout_before_is_not_gone_on_with(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "old.h5"
    write_before(told_in_python(run), path)
    redone(path, lambda file: file.attrs.__setitem__("resume", "{}"))
    with pytest.raises(RunFileError, match="was begun with lapwright 0: start again with --force"):
        read_resume(path)


# --- verify ------------------------------------------------------------------------------------


def test_verify_tells_which_file_of_a_folder_is_damaged(
    run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "members").mkdir()
    good, bad = tmp_path / "run.h5", tmp_path / "members" / "1-a.h5"
    write_run(run, good)
    assert main(["verify", str(tmp_path)]) == 0
    write_run(run, bad)
    whole = bad.read_bytes()
    at = whole.index(run.plates["A"].worn.tobytes())
    bad.write_bytes(whole[:at] + b"\1" + whole[at + 1 :])
    capsys.readouterr()
    assert main(["verify", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert f"ok   {good} is as it was written." in said
    assert f"FAIL {bad} is not a whole run file: it has changed since it was written" in said
    assert main(["verify", str(tmp_path / "none")]) == 2
