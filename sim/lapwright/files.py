"""Files put in place whole or not at all, folders of answers, and the locks on them.

A folder of ours carries a mark, the file `.lapwright`: of which command it is, and every file that the
program may have written in it, named before it is written.  Only what the mark names is ever written over
or taken away.  A folder that holds files and no mark is a person's, and is refused, --force or not.

One command at a time is in a folder, by a lock that names its owner and dies with it.  The lock is the
system's own, on a file in the folder: however its owner ends, killed outright or without power, the lock is
gone with it, and a file that is left over holds nobody up.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import platform
import re
import secrets
import stat
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from lapwright.errors import CannotDoError, CommandError, RunFileError

_ELSEWHERE = "name another folder with --out"
_WHY = {
    errno.ENOSPC: "the disk is full: make room",
    errno.EDQUOT: "your share of the disk is full: make room",
    errno.EFBIG: "the file would be larger than is allowed here: make room, or raise the limit on file sizes",
    errno.EACCES: f"you may not write there: {_ELSEWHERE}",
    errno.EPERM: f"you may not write there: {_ELSEWHERE}",
    errno.EROFS: f"the disk is read-only: {_ELSEWHERE}",
    errno.ENOTDIR: f"part of that path is a file, not a folder: {_ELSEWHERE}",
    errno.ENOENT: "that folder does not exist: make it first, or name another with --out",
    errno.EEXIST: f"a file of that name is in the way: {_ELSEWHERE}",
    errno.EISDIR: f"a folder of that name is in the way: {_ELSEWHERE}",
    errno.EIO: f"the disk failed: look after it, or {_ELSEWHERE}",
    errno.ENAMETOOLONG: f"the name is too long: {_ELSEWHERE}",
}


def _in_the_way(message: str) -> CommandError:
    """The one line for what may not be written over."""
    return CommandError(message, key="--out", code="exists")


def cannot_write(path: Path, trouble: OSError) -> CannotDoError:
    """The one line for a file or folder that cannot be written."""
    return CannotDoError(f"cannot write {path}: {reason(trouble)}")


def reason(trouble: OSError) -> str:
    """What the system complains of, in plain words, and what to do."""
    return _WHY.get(trouble.errno or 0, (trouble.strerror or str(trouble)).lower())


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, unless it is there.

    Raises
    ------
    CannotDoError
        It cannot be made; says why in one line.

    """
    try:
        new = not folder.is_dir()
        folder.mkdir(parents=True, exist_ok=True)
        if new:
            _flush_folder(folder.parent)
    except OSError as trouble:
        raise cannot_write(folder, trouble) from trouble


def read_whole(path: Path, most: int) -> bytes:
    """The bytes of a file on a disk, or its first `most` + 1.

    Nothing here waits: a pipe or a device is refused, and of a file that says it is empty nothing is read.
    What the system makes up while it is read, such as the log of the kernel, says so, and may never end.

    Raises
    ------
    OSError
        It is none, or cannot be read.

    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(path, flags), "rb") as file:
        info = os.fstat(file.fileno())
        if not stat.S_ISREG(info.st_mode):
            raise OSError(errno.EINVAL, "a folder, a pipe or a device, not a file", os.fspath(path))
        return file.read(most + 1) if info.st_size else b""


def put_in_place(path: Path, content: bytes | memoryview) -> None:
    """Write `content` to `path` in one step, as `placing` does.

    Raises
    ------
    CannotDoError
        It cannot be written; a file that was there before stays as it was.

    """
    with placing(path) as file:
        file.write(content)


def put_beside(path: Path, content: bytes | memoryview) -> None:
    """As `put_in_place`, among a person's own files: takes away what killed commands left of this one.

    Raises
    ------
    CannotDoError
        As `put_in_place`.

    """
    for left in unfinished_of(Path(path)):
        with contextlib.suppress(OSError):
            handle = os.open(left, os.O_RDWR)
            try:
                if _held(handle, unknown=False):  # else whoever writes it is alive
                    left.unlink()
            finally:
                os.close(handle)
    put_in_place(path, content)


@contextmanager
def placing(path: Path, before: Path | None = None) -> Iterator[IO[bytes]]:
    """Open a file under a temporary name in the same folder; once written, it moves to `path` in one step.

    A kill or a power cut leaves the old file or the new one, never part of one.  The old one is kept under
    the name `before` beside it, if one is given.

    Raises
    ------
    CannotDoError
        It cannot be written; a file that was there before stays as it was.

    """
    path = Path(path)
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        with unfinished.open("x+b") as file:
            _held(file.fileno())  # for as long as we live
            yield file
            file.flush()
            os.fsync(file.fileno())
        if before is not None:
            _keep(path, before)
        unfinished.replace(path)
        _flush_folder(path.parent)
    except OSError as trouble:
        unfinished.unlink(missing_ok=True) if unfinished.parent.is_dir() else None
        raise cannot_write(path, trouble) from trouble
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise


def nameless(path: Path) -> int:
    """Open a file beside `path` for whoever asked alone: it has no name, and is gone with its owner.

    Raises
    ------
    OSError
        It cannot be made.

    """
    place = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    handle = os.open(place, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        place.unlink()
    except OSError:
        os.close(handle)
        raise
    return handle


def unfinished_of(path: Path) -> list[Path]:
    """What was left under temporary names of `path` by processes that were killed while they wrote it."""
    left = re.compile(rf"\.{re.escape(path.name)}\.[0-9a-f]{{8}}\.tmp")
    if not path.parent.is_dir():
        return []
    return [path.parent / name for name in os.listdir(path.parent) if left.fullmatch(name)]


def _keep(path: Path, before: Path) -> None:
    """Have what is at `path` at `before` too, so that there is never neither."""
    if not path.exists() or (before.exists() and before.samefile(path)):
        return  # a rename from one name of a file to another does nothing, and would leave the third
    other = before.with_name(f".{before.name}.{secrets.token_hex(4)}.tmp")
    try:
        os.link(path, other)
    except OSError:  # no second name for it on this disk: for a moment there is only the old one
        path.replace(before)
    else:
        other.replace(before)


def _flush_folder(folder: Path) -> None:
    """Have the move itself on the disk, where folders can be opened (not on Windows)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


LOCK = ".lapwright.lock"
MOST = 200  # bytes that are read of who holds it
# What a disk answers that knows no locks: then the word of the file alone stands for one.
NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the lock of a folder that is there.

    Raises
    ------
    CannotDoError
        Another process holds it, or the folder takes no file; says which process, and where.

    """
    path = folder / LOCK
    handle = _taken(path, folder)
    try:
        yield
    finally:
        # Somebody may have taken the folder away meanwhile, or it went read-only.
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(handle)


def _taken(path: Path, folder: Path) -> int:
    while True:
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
        except OSError as trouble:
            raise cannot_write(path, trouble) from trouble
        if not _held(handle):
            who = os.read(handle, MOST).decode("utf-8", "replace").strip()
            os.close(handle)
            at_work = f"another lapwright is at work in {folder} ({who or 'it has just begun'})"
            how = f"wait until it has ended, or {_ELSEWHERE}"
            raise CannotDoError(f"{at_work}: {how}", code="busy")
        if _still_there(handle, path):
            break
        # Its owner took it away as it ended, between our opening and our locking it.
        os.close(handle)
    with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
        os.ftruncate(handle, 0)
        os.write(handle, f"process {os.getpid()} on {platform.node()}\n".encode())
    return handle


def _held(handle: int, unknown: bool = True) -> bool:
    """Whether the lock is ours now; `unknown`: what a disk is taken for that knows no locks."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(handle, 1 << 30, os.SEEK_SET)  # beyond the words, which others are to read
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            os.lseek(handle, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        return trouble.errno in NO_LOCKS and unknown
    return True


def _still_there(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return False


MARK = ".lapwright"
RUN_FILE, PART_FILE = "run.h5", "run.part.h5"  # of a whole run, and of one under way
FORMAT = "lapwright folder"
MOST_MARK = 20_000_000  # bytes: a comparison of a hundred thousand ways has fewer
KINDS = {
    "run": "a run",
    "why": "a page of why",
    "compare": "a comparison",
    "tune": "a search",
    "next": "a next spell",
}


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
                foreign = "is not of this program's making, and would be written over"
                how = f"take it away, or {_ELSEWHERE}"
                raise _in_the_way(f"{self.path / name} {foreign}: {how}")
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
                # A person's own files may be in it, or it is gone already.
                with contextlib.suppress(OSError):
                    (self.path / parent).rmdir()
        self._mark(())

    def give_up(self, names: Iterable[str]) -> None:
        """Take files of ours away for good: whoever puts one of that name there again keeps it.

        Raises
        ------
        CannotDoError
            A file cannot be taken away.

        """
        gone = [name for name in dict.fromkeys(names) if name in self.files]
        for name in gone:
            self.drop(name)
        if gone:
            self._mark(tuple(name for name in self.files if name not in gone))

    def drop(self, name: str) -> None:
        """Take a file of ours away, if it is there."""
        try:
            (self.path / name).unlink(missing_ok=True)
        except OSError as trouble:
            raise cannot_write(self.path / name, trouble) from trouble

    def flush(self) -> None:
        """Have what was taken away gone for good, even if the power is cut now."""
        with contextlib.suppress(OSError):
            _flush_folder(self.path)

    def sweep(self) -> None:
        """Take away what killed commands left half written; whoever holds the folder writes alone."""
        for name in (MARK, *self.files):
            place = self.path / name
            with contextlib.suppress(OSError):
                for path in unfinished_of(place):
                    path.unlink(missing_ok=True)

    def _mark(self, files: tuple[str, ...]) -> None:
        told = {
            "format": FORMAT,
            "kind": self.kind,
            "files": list(files),
            "digest": _mark_digest(self.kind, files),
        }
        text = json.dumps(told, indent=1, ensure_ascii=False)
        put_in_place(self.path / MARK, text.encode("utf-8"))
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
            # Once more: what another did before the lock was ours.
            folder = OutputFolder(path, kind, look_at(path, kind, again, parts))
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
        message = f"cannot make the folder {path}: a file of that name is there; {_ELSEWHERE}"
        raise CannotDoError(message, key="--out")
    there, mark = _others(path), _read(path)
    if mark is None:
        if there:
            foreign = f"holds files that this program did not write ({there[0]})"
            raise _in_the_way(f"{path} {foreign}, and so it writes nothing there: {_ELSEWHERE}")
        return ()
    if mark[0] != kind:
        other = f"is the folder of {KINDS[mark[0]]}, not of {KINDS[kind]}"
        raise _in_the_way(f"{path} {other}: name another with --out")
    if there and not again:
        begun = any((path / part).exists() for part in parts)
        how = f"add --force to write over it{', --resume to go on with it' if begun else ''}"
        raise _in_the_way(f"{path} is there already: {how}, or --out for another folder")
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
        told = json.loads(read_whole(path / MARK, MOST_MARK))
        kind, files = told["kind"], tuple(map(str, told["files"]))
        sound = told["format"] == FORMAT and kind in KINDS
        sound = sound and told["digest"] == _mark_digest(kind, files)
        if sound and all(_within(path, name) for name in files):
            return kind, files
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    raise RunFileError(
        f"{path / MARK}, which says what in {path} is whose, is damaged: name another folder"
    )


def _mark_digest(kind: str, files: Sequence[str]) -> str:
    return hashlib.sha256(json.dumps([kind, *files]).encode("utf-8")).hexdigest()


def _within(path: Path, name: str) -> bool:
    """Whether a name is that of a file in the folder or one below, however a mark may have been edited."""
    parts = name.split("/")
    plain = bool(re.fullmatch(r"[^/\\\0]+(/[^/\\\0]+)?", name)) and not {".", ".."} & set(parts)
    return plain and not (len(parts) > 1 and os.path.islink(path / parts[0]))
