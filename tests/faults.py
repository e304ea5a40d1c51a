"""A disk that fails at will: every operation on files of a command, each in turn killed or made to fail.

Beside kills, half writes, full and broken disks there is a power cut, after which that alone is there which
was flushed (`lost`: files, and the names in a folder by a flush of the folder; `torn`: names as they are, but
of the files only what was flushed), and memory that is gone (`memory`: at once, `little`: whatever asks for
more from now on).  And another command may come (`other`) while this one is at it.

`python faults.py < plan`: a line of the plan is a command with the fault that it meets; what came of it is
printed as a line of JSON.  The operations are counted where Python hands them to the system, so a
fault strikes the program's own writing, whatever library asked for it.  Each fault strikes in a copy of this
process: a kill is a real one, in which nothing is put in order any more.

The manner is that of SQLite's own tests (sqlite.org/testing.html, "I/O error testing" and "crash testing").
"""

from __future__ import annotations

import errno
import io
import itertools
import json
import os
import resource
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

KILLED = 137
KINDS = ("kill", "half", "full", "broken", "lost", "torn", "memory", "little")
CUTS = ("lost", "torn")
ABRUPT = ("kill", "half", *CUTS)
LITTLE = 4_000_000  # bytes that may still be asked for
TROUBLES = {"full": errno.ENOSPC, "broken": errno.EIO}
# What changes a folder; a full disk fails at those of the second row only.
CHANGING = ("replace", "rename", "unlink", "remove", "rmdir")
GROWING = ("mkdir", "write", "fsync", "ftruncate")


class Flushed:
    """What of a folder comes back after the power was cut.

    Every file is held open, so that its number is never another's.
    """

    def __init__(self, folder: str) -> None:
        self.root = folder
        self.content: dict[int, bytes] = {}
        self.names: dict[str, dict[str, tuple[int, bool]]] = {}
        self.held: list[int] = []
        for place, _, files in os.walk(folder):
            self.folder(place)
            for name in files:
                self.file(TRUE_OPEN(os.path.join(place, name), os.O_RDONLY))

    def folder(self, place: str) -> None:
        """Note which names are in a folder."""
        with os.scandir(place) as found:
            self.names[place] = {
                one.name: (one.inode(), one.is_dir(follow_symlinks=False)) for one in found
            }

    def file(self, handle: int) -> None:
        """Note what is in a file."""
        info = os.fstat(handle)
        if stat.S_ISDIR(info.st_mode):
            self.folder(os.readlink(f"/proc/self/fd/{handle}"))
            return
        other = TRUE_OPEN(f"/proc/self/fd/{handle}", os.O_RDONLY)
        self.held.append(other)
        self.content[info.st_ino] = os.pread(other, info.st_size, 0)

    def cut(self, torn: bool) -> None:
        """Have the folder as it comes back."""
        self._back(self.root, torn)

    def _back(self, place: str, torn: bool) -> None:
        if torn:
            self.folder(place)
        wanted = self.names.get(place, {})
        with os.scandir(place) as found:
            for one in list(found):
                if one.name not in wanted:
                    shutil.rmtree(one.path) if one.is_dir(follow_symlinks=False) else os.unlink(
                        one.path
                    )
        for name, (number, deep) in wanted.items():
            path = os.path.join(place, name)
            if deep:
                os.makedirs(path, exist_ok=True)
                self._back(path, torn)
            else:
                with TRUE_IO(path, "wb") as file:
                    file.write(self.content.get(number, b""))


TRUE_OPEN, TRUE_IO = os.open, io.open


@dataclass
class Disk:
    """Counts operations below `folder`, and lets number `at` (from 0) come to grief; -1: none."""

    folder: str
    kind: str = ""
    at: int = -1
    count: int = 0
    full: bool = False
    flushed: Flushed | None = None
    true: dict[str, Any] = field(default_factory=dict)
    other: tuple[str, ...] = ()
    met: dict[str, Any] = field(default_factory=dict)

    def strikes(self, grows: bool, half: Callable[[], None] = lambda: None) -> None:
        """Count one operation; `half`: do a part of it."""
        now, self.count = self.count == self.at, self.count + 1
        if now and self.kind == "other":
            self.met = copy(list(self.other))
        if now and self.kind == "memory":
            raise MemoryError
        if now and self.kind == "little":
            with TRUE_IO("/proc/self/statm") as file:
                used = int(file.read().split()[0]) * resource.getpagesize()
            resource.setrlimit(resource.RLIMIT_AS, (used + LITTLE, resource.RLIM_INFINITY))
        if now and self.kind in CUTS:
            self.cut()
        if now and self.kind in ("kill", "half"):
            if self.kind == "half":
                half()
            os._exit(KILLED)
        self.full = self.full or (now and self.kind == "full")
        if (now and self.kind == "broken") or (self.full and grows):
            if now:
                half()
            number = TROUBLES[self.kind]
            raise OSError(number, os.strerror(number))

    def cut(self) -> None:
        """The power goes."""
        assert self.flushed is not None
        for name, true in self.true.items():  # what puts the folder right is not struck
            setattr(os, name, true)
        self.flushed.cut(self.kind == "torn")
        os._exit(KILLED)

    def ours(self, path: Any) -> bool:
        """Whether a path is of the folder that is watched."""
        try:
            return os.path.abspath(os.fspath(path)).startswith(self.folder)
        except TypeError:
            return False

    def install(self) -> None:
        """Stand between the program and the system, in this process, for good."""
        handles: dict[int, str] = {}
        self.true = {name: getattr(os, name) for name in (*CHANGING, "mkdir", "open")}
        if self.kind in CUTS:
            self.flushed = Flushed(self.folder)
        for name in (*CHANGING, "mkdir"):
            self._wrap_path(name)
        true_open, true_close, true_io = os.open, os.close, io.open

        def opened(path: Any, flags: int, *more: Any, **named: Any) -> int:
            if self.ours(path) and flags & os.O_CREAT:
                self.strikes(True)
            handle = true_open(path, flags, *more, **named)
            if self.ours(path):
                handles[handle] = os.fspath(path)
                self._hold(handle)
            return handle

        def closed(handle: int) -> None:
            handles.pop(handle, None)
            true_close(handle)

        def whole(path: Any, mode: str = "r", *more: Any, **named: Any) -> Any:
            if isinstance(path, int) or not self.ours(path) or not set(mode) & set("wxa+"):
                return true_io(path, mode, *more, **named)
            self.strikes("x" in mode or "w" in mode)
            watched = Watched(true_io(path, mode, *more, **named), self, handles)
            self._hold(watched.file.fileno())
            return watched

        os.open, os.close, io.open = opened, closed, whole  # type: ignore[assignment]
        self._wrap_handle("fsync", handles)
        self._wrap_handle("ftruncate", handles)
        self._wrap_handle("write", handles)
        self._wrap_handle("pwrite", handles)

    def _hold(self, handle: int) -> None:
        """Keep the number of a file from being used again."""
        if self.flushed is not None:
            self.flushed.held.append(TRUE_OPEN(f"/proc/self/fd/{handle}", os.O_RDONLY))

    def _wrap_path(self, name: str) -> None:
        true = getattr(os, name)

        def done(path: Any, *more: Any, **named: Any) -> Any:
            if self.ours(path):
                self.strikes(name in GROWING)
            return true(path, *more, **named)

        setattr(os, name, done)

    def _wrap_handle(self, name: str, handles: dict[int, str]) -> None:
        true = getattr(os, name)

        def done(handle: int, *more: Any) -> Any:
            if handle in handles:
                self.strikes(True)
            found = true(handle, *more)
            if name == "fsync" and handle in handles and self.flushed is not None:
                self.flushed.file(handle)
            return found

        setattr(os, name, done)


class Watched:
    """A file open for writing, each of whose writes may come to grief half done."""

    def __init__(self, file: Any, disk: Disk, handles: dict[int, str]) -> None:
        self.file, self.disk, self.handles = file, disk, handles
        handles[file.fileno()] = file.name

    def write(self, data: Any) -> int:
        """Write, or half of it."""

        def half() -> None:
            self.file.write(bytes(data)[: len(data) // 2])
            self.file.flush()

        self.disk.strikes(True, half)
        return int(self.file.write(data))

    def truncate(self, size: int) -> int:
        """Cut short."""
        self.disk.strikes(False)
        return int(self.file.truncate(size))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *gone: object) -> None:
        self.handles.pop(self.file.fileno(), None)
        self.file.close()


def in_haste() -> None:
    """What is worked out is as small as it can be: what is written is what all this is about."""
    import hurry
    from comparing import crew_at_hand

    import lapwright.commands.compare
    import lapwright.commands.tune
    import lapwright.optimisation.advise as choice
    import lapwright.optimisation.rollout as rules
    import lapwright.optimisation.spell as lapped
    import lapwright.optimisation.tune
    import lapwright.results.frames

    lapwright.results.frames.LARGE = 0  # maps are laid aside, as those of large plates are
    hurry.search(hurry.NONE)
    hurry.foretell_nothing()
    lapped.MEMBERS, choice.LOOKED_AT, choice.CHOOSING, choice.TELLING = 64, 1, 12, 24
    rules.OF_TURNS, rules.FINES, rules.FINISHES = 0, (2.5,), (1.0,)
    candidates = choice.candidates
    choice.candidates = lambda *asked: itertools.islice(candidates(*asked), 2)
    hurry.glance(hurry.GLANCE)
    lapwright.optimisation.tune.LOOKS = dict.fromkeys((True, False), (10, 10))
    lapwright.optimisation.tune.TOLD_DEGREES = (lapwright.optimisation.tune.DEGREE,)
    lapwright.commands.compare.crew_of = crew_at_hand  # type: ignore[assignment]
    lapwright.commands.tune.crew_of = crew_at_hand  # type: ignore[assignment]


def command(words: list[str]) -> tuple[int, str]:
    """A command in this process: exit code, and what it said on standard error."""
    from lapwright.commands.main import main

    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as told:
        code = main(words)
    return code, told.getvalue()


def copy(words: list[str], disk: Disk | None = None) -> dict[str, Any]:
    """The same in a copy of this process, on a disk that fails: code, words, operations counted."""
    with tempfile.TemporaryFile("w+") as said:
        child = os.fork()
        if child == 0:
            found: Any = None
            sys.stdin = io.StringIO()
            try:
                if disk is not None:
                    disk.install()
                code, told = command(words)
                if disk is not None and disk.kind in CUTS:
                    disk.cut()  # with all done: what was answered is there still
                found = {"code": code, "told": told}
                if disk is not None:
                    found |= {"count": disk.count, "met": disk.met}
                said.write(json.dumps(found))
                said.flush()
            finally:
                os._exit(0 if found is not None else 99)
        _, status = os.waitpid(child, 0)
        said.seek(0)
        text = said.read()
    code = os.waitstatus_to_exitcode(status)
    return json.loads(text) if code == 0 else {"code": code, "told": "", "count": -1}


if __name__ == "__main__":
    # All that commands need is here before the first copy is made; their kernels are compiled.
    import lapwright.commands.log
    import lapwright.commands.new
    import lapwright.commands.run
    import lapwright.commands.why
    import lapwright.presentation.comparison
    import lapwright.presentation.next_page
    import lapwright.presentation.page
    import lapwright.presentation.tuning
    from lapwright.optimisation.workers import warm

    in_haste()
    warm()
    if sys.argv[1:] == ["ahead"]:  # this too, where memory does not run out at what loads it
        import matplotlib.backends.backend_svg  # noqa: F401
        import scipy.optimize  # noqa: F401
        import tomlkit  # noqa: F401

        import lapwright.commands.session
        import lapwright.presentation.pictures.analysis  # noqa: F401
    for line in sys.stdin:
        asked = json.loads(line)
        at = Disk(str(Path(asked["folder"]).resolve()), asked["kind"], asked["at"])
        at.other = tuple(asked["other"])
        os.chdir(asked["bench"])
        print(json.dumps(copy(asked["words"], at)), flush=True)
