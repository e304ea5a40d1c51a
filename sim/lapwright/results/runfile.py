"""The run file (HDF5), read and written; `docs/run-file.md` describes it.

A file is written beside its place and moved there in one go (`lapwright.files`), so a name either holds
a whole run or does not exist.  Maps go to it as they lie in memory: none is held twice.

Before the HDF5 part, in the block that HDF5 leaves to its users, stands a digest of all that follows: a file
comes back as it was written or not at all.  It is looked at before the HDF5 library sees a byte, which never
comes back from some files with a flipped bit.  Nothing but h5py is needed to read one.

The faces of a run, written as height maps.
"""

from __future__ import annotations

import hashlib
import os
import re
from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import RunFileError
from lapwright.files import placing
from lapwright.integration.state import Begun
from lapwright.metrology.surface_files import write_surface
from lapwright.results.frames import aside, let_go
from lapwright.results.layout import (
    TEXT_SCHEMA,
    Attribute,
    Group,
    Leaf,
    UnsoundError,
    run_of,
    tree_of,
)
from lapwright.results.record import Run

Array = NDArray[np.float64]
FORMAT = "lapwright run"
SCHEMA = 2
SEAL, SEAL_SIZE = b"lapwright run, SHA-256 of what follows: ", 512
NUMBERS = ("<f8", "<i8")
# What a file of another hand may ask for: what it holds stands for no more than so many times its size.
SWELLS = 16
MOST_ITEMS, MOST_DEEP, MOST_NAMES = 20_000, 4, 1_000

# --- writing -----------------------------------------------------------------------------------


def write_run(
    run: Run, path: Path | str, *, resume: str | None = None, before: Path | None = None
) -> str:
    """Write `run` to `path` in one move; `resume` is what a checkpoint needs beside it.

    An earlier file is kept under the name `before`, if one is given.

    Parameters
    ----------
    run : Run
    path : path
        Of the new file.
    resume, before : optional
        As above.

    Returns
    -------
    str
        The digest that stands in its seal.

    Raises
    ------
    CannotDoError
        Disk full, folder unwritable or not a folder; an earlier file is left as it was.

    """
    return write_tree(tree_of(run, FORMAT, SCHEMA, resume), Path(path), before)


def write_tree(tree: Group, path: Path, before: Path | None = None) -> str:
    """Write a tree and its seal, as `write_run` does; gives the digest."""
    import h5py

    with placing(path, before) as file:
        sink = _Sink(file)
        with h5py.File(sink, "w", libver=("v108", "v110"), userblock_size=SEAL_SIZE) as place:
            _write(place, tree)
        if sink.trouble is not None:
            raise sink.trouble
        file.seek(SEAL_SIZE)
        digest = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        file.seek(0)
        file.write(SEAL + digest.encode("ascii") + b"\n")
    return digest


class _Sink:
    """A file as the HDF5 library writes it, which does not recover from trouble met on its way.

    The first trouble is kept for whoever asks when the library is done; what comes after it is let go.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self.file = file
        self.trouble: OSError | MemoryError | None = None

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        return self.file.seek(offset, whence)

    def tell(self) -> int:
        return self.file.tell()

    def read(self, size: int = -1) -> bytes:
        return self.file.read(size)

    def write(self, data: memoryview) -> int:
        self._tried(lambda: self.file.write(data))
        return len(data)

    def truncate(self, size: int) -> int:
        self._tried(lambda: self.file.truncate(size))
        return size

    def flush(self) -> None:
        self._tried(self.file.flush)

    def _tried(self, work: Callable[[], object]) -> None:
        try:
            if self.trouble is None:
                work()
        except (OSError, MemoryError) as trouble:
            self.trouble = trouble


def _write(place: Any, group: Group) -> None:
    for name, item in group.items.items():
        if isinstance(item, Group):
            _write(place.create_group(name), item)
        else:
            _write_leaf(place, name, item)
    for key, value in group.attrs.items():
        place.attrs[key] = value


def _write_leaf(place: Any, name: str, leaf: Leaf) -> None:
    """A dataset without time stamps, so that the same run gives the same bytes."""
    import h5py

    data = leaf.data
    if isinstance(data, np.ndarray) and aside(data) is None:
        item = place.create_dataset(name, data=data, track_times=False)
    elif isinstance(data, np.ndarray):  # singly: in one go all would be read into memory
        item = place.create_dataset(name, data.shape, data.dtype, track_times=False)
        for row, one in enumerate(data):
            item[row] = one
            let_go(data)
    else:
        texts = [data] if isinstance(data, str) else data
        longest = max([1, *(len(text.encode("utf-8")) for text in texts)])
        found = np.array(
            [text.encode("utf-8") for text in texts], h5py.string_dtype("utf-8", longest)
        )
        shape = () if isinstance(data, str) else found.shape
        item = place.create_dataset(name, data=found.reshape(shape), track_times=False)
    item.attrs["units"] = leaf.units
    item.attrs["long_name"] = leaf.long_name


# --- reading -----------------------------------------------------------------------------------


def read_run(path: Path | str) -> Run:
    """Read a run file.

    Parameters
    ----------
    path : path
        Of an HDF5 file.

    Returns
    -------
    Run

    Raises
    ------
    RunFileError
        No such file, or truncated, changed, foreign or of another schema: in one line.

    """
    return _read(Path(path))[0]


def read_resume(path: Path | str) -> tuple[Run, str]:
    """Read a checkpoint: the run so far, and what is needed to go on from it.

    Raises
    ------
    RunFileError
        As `read_run`, and if the file is a finished run or of the layout before.

    """
    run, resume = _read(Path(path))
    if resume is None:
        raise RunFileError(f"{path} is a finished run: there is nothing to go on with")
    if run.schema != SCHEMA:
        raise RunFileError(f"{path} was begun with {run.program}: start again with --force")
    return run, resume


def _read(path: Path) -> tuple[Run, str | None]:
    if not os.path.exists(path):
        raise RunFileError(f"there is no run file '{path}'")
    if os.path.isdir(path):
        raise RunFileError(f"{path} is a folder: name the run file in it")
    if not (os.path.isfile(path) and os.path.getsize(path)):  # a pipe would have us wait
        raise RunFileError(f"{path} is not a whole run file: it is empty, a pipe or a device")
    try:
        schema, tree = _tree(path)
        resume = tree.attrs.get("resume")
        return run_of(tree, schema), None if resume is None else str(resume)
    except RunFileError:
        raise
    except PermissionError:
        raise RunFileError(f"{path} may not be read: look at who owns it") from None
    except UnsoundError as trouble:
        raise RunFileError(
            f"{path} is not a whole run file: {trouble}; run the study again"
        ) from trouble
    except (
        OSError,
        LookupError,
        ValueError,
        TypeError,
        ArithmeticError,
        RuntimeError,
        MemoryError,
        AttributeError,
    ) as trouble:
        raise RunFileError(
            f"{path} is not a whole run file (damaged, cut short, or something else): run the study again"
        ) from trouble


def _tree(path: Path) -> tuple[int, Group]:
    """What a file holds, of which layout."""
    import h5py

    sealed = _sealed(path)
    with h5py.File(path, "r") as file:
        schema = _schema(file, path)
        if not sealed and schema != TEXT_SCHEMA:
            raise UnsoundError("it has changed since it was written")
        return schema, _Reader(os.path.getsize(path), sealed).group(file)


def seal_of(path: Path) -> str | None:
    """The digest of what a file holds; None where it is not there, or not as it was written."""
    try:
        if _sealed(path):
            with path.open("rb") as file:
                return file.read(SEAL_SIZE)[len(SEAL) :].split(b"\n")[0].decode("ascii")
    except (OSError, UnsoundError):
        pass
    return None


def _sealed(path: Path) -> bool:
    """Whether a file bears a seal; one of the layout before, or of another hand, does not.

    Raises
    ------
    UnsoundError
        What follows the seal is not what was sealed.

    """
    with path.open("rb") as file:
        head = file.read(SEAL_SIZE)
        if not head.startswith(SEAL):
            return False
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    if head != (SEAL + digest.encode("ascii") + b"\n").ljust(SEAL_SIZE, b"\0"):
        raise UnsoundError("it has changed since it was written")
    return True


def _schema(file: Any, path: Path) -> int:
    if file.attrs.get("format") != FORMAT:
        raise RunFileError(f"{path} is an HDF5 file, but not one of a lapwright run")
    schema = _attribute(file.attrs["schema"])
    if schema not in (SCHEMA, TEXT_SCHEMA) or not isinstance(schema, int):
        raise RunFileError(
            f"{path} has layout {schema}, this copy reads layout {SCHEMA}: use the program that wrote it "
            f"({_attribute(file.attrs.get('program', 'unknown'))}), or run the study again"
        )
    return schema


class _Reader:
    """Takes a file into memory piece by piece, no more than it can honestly hold; `size` of it in bytes."""

    def __init__(self, size: int, sealed: bool) -> None:
        self.room = SWELLS * size
        self.left = MOST_ITEMS
        self.sealed = sealed

    def group(self, place: Any, where: str = "", deep: int = 0) -> Group:
        """A group with all that is in it."""
        import h5py

        if deep > MOST_DEEP:
            raise UnsoundError("its groups lie in each other too deeply")
        items: dict[str, Group | Leaf] = {}
        for name in place:
            self.left -= 1
            inside = f"{where}{name}"
            if self.left < 0:
                raise UnsoundError("it holds too many things")
            if not isinstance(place.get(name, getlink=True), h5py.HardLink):
                raise UnsoundError(f"{inside} points out of the file")
            item = place[name]
            if isinstance(item, h5py.Group):
                items[name] = self.group(item, f"{inside}/", deep + 1)
            elif isinstance(item, h5py.Dataset):
                items[name] = self._leaf(item, inside)
            else:
                raise UnsoundError(f"{inside} is neither group nor dataset")
        return Group({key: _attribute(value) for key, value in place.attrs.items()}, items)

    def _leaf(self, item: Any, where: str) -> Leaf:
        if item.external or item.is_virtual:
            raise UnsoundError(f"{where} lies outside the file")
        self.room -= int(item.nbytes)
        if self.room < 0:
            raise UnsoundError(f"{where} is larger than the file")
        return Leaf(self._data(item, where))

    def _data(self, item: Any, where: str) -> Any:
        import h5py

        text = h5py.check_string_dtype(item.dtype)
        if text is None:
            if item.dtype.str not in NUMBERS or item.shape is None:
                raise UnsoundError(f"{where} is not of the kind it should be")
            return np.asarray(item[()])
        # Names of the layout before are kept apart from their places, which says nothing of their size.
        if text.length is None and (self.sealed or item.shape is None or item.size > MOST_NAMES):
            raise UnsoundError(f"{where} is not of the kind it should be")
        got = item.asstr()[()]
        return got if isinstance(got, str) else tuple(str(name) for name in got)


def _attribute(value: Any) -> Attribute:
    """An attribute as it was given."""
    got = value.item() if isinstance(value, np.generic) else value
    if not isinstance(got, str | int | float):
        raise UnsoundError("an attribute is not of the kind it should be")
    return got


# --- what was there as a load of a batch was laid, as text, to the last bit ---------------------


def put(begun: Begun | None) -> dict[str, Any] | None:
    """What was there as a load was laid, as text, to the last bit."""
    if begun is None:
        return None
    maps = {
        name: (z.shape, b64encode(np.ascontiguousarray(z).tobytes()).decode("ascii"))
        for name, z in begun.heights.items()
    }
    return {"heights": maps, "removed": dict(begun.removed), "time": begun.time}


def taken(told: Mapping[str, Any] | None) -> Begun | None:
    """The same, read back."""
    if told is None:
        return None
    maps = {
        name: owned(np.frombuffer(b64decode(text), dtype=np.float64).reshape(shape))
        for name, (shape, text) in told["heights"].items()
    }
    return Begun(maps, {n: float(off) for n, off in told["removed"].items()}, float(told["time"]))


def owned(values: Array) -> Array:
    """A copy that stands by itself in memory, read-only, as the loop makes them."""
    copy = np.array(values, dtype=np.float64, order="C", copy=True)
    copy.setflags(write=False)
    return copy


@dataclass(frozen=True)
class Written:
    """One face to write: which of the saved `frame`s of a plate, the `time` [s] it was saved at, its file."""

    plate: str
    frame: int
    time: float
    path: Path


def faces_of(run: Run, folder: Path, kind: str, time: float | None = None) -> tuple[Written, ...]:
    """Which faces are written: those saved nearest to `time` [s] rubbed (None: the last), and where to."""
    out, taken = [], set()
    for name, record in run.plates.items():
        times = np.asarray(record.frame_time)
        frame = len(times) - 1 if time is None else int(np.argmin(np.abs(times - time)))
        when = "end" if time is None else f"{float(times[frame]) / 60.0:.4g}min"
        plain = re.sub(r"[^\w-]+", "-", name).strip("-") or "plate"
        # Two names may differ in signs alone that no file's name should have.
        while plain in taken:
            plain += "-"
        taken.add(plain)
        out.append(Written(name, frame, float(times[frame]), folder / f"{plain}-{when}.{kind}"))
    return tuple(out)


def write_faces(run: Run, faces: tuple[Written, ...]) -> Mapping[str, Path]:
    """Write them; gives the file of each plate.

    Raises
    ------
    CannotDoError
        A file cannot be written.

    """
    for face in faces:
        record = run.plates[face.plate]
        write_surface(face.path, record.x, record.y, record.frames[face.frame], record.land)
    return {face.plate: face.path for face in faces}
