"""The folders that commands write their answers into: whose they are, and what in them is ours.

A folder of ours carries a mark, the file `.lapwright`: of which command it is, and every file that the
program may have written in it, named before it is written.  Only what the mark names is ever written over
or taken away.  A folder that holds files and no mark is a person's, and is refused, --force or not.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from lapwright.errors import CannotDoError, CommandError, RunFileError
from lapwright.study.lock import LOCK, locked
from lapwright.study.safefile import cannot_write, make_folder, put_in_place, unfinished_of

__all__ = ["MARK", "PART_FILE", "RUN_FILE", "OutputFolder", "look_at", "opened", "taken"]

MARK = ".lapwright"
RUN_FILE, PART_FILE = "run.h5", "run.part.h5"  # of a whole run, and of one under way
FORMAT = "lapwright folder"
KINDS = {"run": "a run", "why": "a page of why", "compare": "a comparison", "tune": "a search"}


@dataclass
class OutputFolder:
    """A folder that this process alone writes into; `files`: what in it is ours, as paths within it."""

    path: Path
    kind: str
    files: tuple[str, ...] = ()

    def claim(self, names: Iterable[str]) -> None:
        """Name files that are going to be written.

        Raises
        ------
        CommandError
            Something is there under such a name that the program did not write; nothing is touched.
        CannotDoError
            The mark cannot be written.

        """
        new = [name for name in dict.fromkeys(names) if name not in self.files]
        for name in new:
            if os.path.lexists(self.path / name):
                raise CommandError(
                    f"{self.path / name} is not of this program's making, and would be written over: "
                    "take it away, or name another folder with --out",
                    key="--out",
                    code="exists",
                )
        if new or not (self.path / MARK).exists():
            self._mark((*self.files, *new))

    def clear(self, first: Sequence[str] = ()) -> None:
        """Take away all that is ours but the mark, `first` before all else; what a person put here stays.

        Raises
        ------
        CannotDoError
            A file cannot be taken away.

        """
        for name in (*first, *self.files):
            if name in self.files:
                self.drop(name)
        for parent in sorted({PurePosixPath(name).parent for name in self.files}, reverse=True):
            if parent.parts:
                with contextlib.suppress(OSError):  # a person's own files in it, or it is gone already
                    (self.path / parent).rmdir()
        self._mark(())

    def drop(self, name: str) -> None:
        """Take a file of ours away, if it is there."""
        try:
            (self.path / name).unlink(missing_ok=True)
        except OSError as trouble:
            raise cannot_write(self.path / name, trouble) from trouble

    def sweep(self) -> None:
        """Take away what killed commands left half written; whoever holds the folder writes alone."""
        for name in (MARK, *self.files):
            place = self.path / name
            with contextlib.suppress(OSError):
                for path in unfinished_of(place):
                    path.unlink(missing_ok=True)

    def _mark(self, files: tuple[str, ...]) -> None:
        told = {"format": FORMAT, "kind": self.kind, "files": list(files)}
        put_in_place(self.path / MARK, json.dumps(told, indent=1, ensure_ascii=False).encode("utf-8"))
        self.files = files


@contextmanager
def taken(path: Path, kind: str, again: bool, parts: Sequence[str] = ()) -> Iterator[OutputFolder]:
    """Hold a folder for an answer, made if need be; taken away again if nothing came to lie in it.

    `again`: it may be there already; `parts`: files that one can go on with.

    Raises
    ------
    CannotDoError, CommandError, RunFileError
        As `look_at`; or another process is at work in it.

    """
    look_at(path, kind, again, parts)
    make_folder(path)
    try:
        with locked(path):
            files = look_at(path, kind, again, parts)  # once more: what another did before the lock was ours
            folder = OutputFolder(path, kind, files)
            folder.sweep()
            try:
                yield folder
            finally:
                if not _others(path):
                    with contextlib.suppress(OSError):
                        (path / MARK).unlink(missing_ok=True)
    finally:
        with contextlib.suppress(OSError):  # there is something in it
            path.rmdir()


@contextmanager
def opened(path: Path) -> Iterator[OutputFolder]:
    """Hold the folder that a run lies in, to write beside it: ours, or one in which nothing is ours yet.

    Raises
    ------
    CannotDoError
        Another process is at work in it.
    RunFileError
        Its mark is damaged.

    """
    with locked(path):
        kind, files = _read(path) or ("run", ())
        folder = OutputFolder(path, kind, files)
        folder.sweep()
        yield folder


def look_at(path: Path, kind: str, again: bool, parts: Sequence[str] = ()) -> tuple[str, ...]:
    """Refuse a folder that is not ours to write into; gives what in it is.

    Raises
    ------
    CannotDoError
        It is a file.
    CommandError
        It holds a person's files, or another kind of answer, or it is there and not `again`.
    RunFileError
        Its mark is damaged.

    """
    if not os.path.lexists(path):
        return ()
    if not os.path.isdir(path):
        raise CannotDoError(
            f"cannot make the folder {path}: a file of that name is there; name another folder with --out",
            key="--out",
        )
    there, mark = _others(path), _read(path)
    if mark is None:
        if there:
            raise CommandError(
                f"{path} holds files that this program did not write ({there[0]}), and so it writes nothing "
                "there: name another folder with --out",
                key="--out",
                code="exists",
            )
        return ()
    if mark[0] != kind:
        raise CommandError(
            f"{path} is the folder of {KINDS[mark[0]]}, not of {KINDS[kind]}: name another with --out",
            key="--out",
            code="exists",
        )
    if there and not again:
        go_on = ", --resume to go on with it" if any((path / part).exists() for part in parts) else ""
        raise CommandError(
            f"{path} is there already: add --force to write over it{go_on}, or --out for another folder",
            key="--out",
            code="exists",
        )
    return mark[1]


def _others(path: Path) -> list[str]:
    """What lies in a folder beside the mark and the lock, by name."""
    try:
        own = {MARK, LOCK, *(left.name for left in unfinished_of(path / MARK))}
        return sorted(set(os.listdir(path)) - own)
    except OSError as trouble:
        raise cannot_write(path, trouble) from trouble


def _read(path: Path) -> tuple[str, tuple[str, ...]] | None:
    """Kind and files by the mark; None where there is no mark."""
    try:
        told = json.loads((path / MARK).read_bytes())
        kind, files = told["kind"], tuple(map(str, told["files"]))
        if told["format"] == FORMAT and kind in KINDS and all(_within(path, name) for name in files):
            return kind, files
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    raise RunFileError(f"{path / MARK}, which says what in {path} is whose, is damaged: name another folder")


def _within(path: Path, name: str) -> bool:
    """Whether a name is that of a file in the folder or one below, however a mark may have been edited."""
    parts = name.split("/")
    plain = bool(re.fullmatch(r"[^/\\\0]+(/[^/\\\0]+)?", name)) and not {".", ".."} & set(parts)
    return plain and not (len(parts) > 1 and os.path.islink(path / parts[0]))
