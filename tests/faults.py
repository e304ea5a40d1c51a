"""A disk that fails at will: every operation on files of a command, each in turn killed or made to fail.

`python faults.py FOLDER < plan`: the plan is a list of scenarios with the faults to try in each; a table of
what came of them is printed as JSON.  The operations are counted where Python hands them to the system, so a
fault strikes the program's own writing, whatever library asked for it.  Each fault strikes in a copy of this
process: a kill is a real one, in which nothing is put in order any more.

The manner is that of SQLite's own tests (sqlite.org/testing.html, "I/O error testing" and "crash testing").
"""

from __future__ import annotations

import errno
import io
import json
import os
import sys
import tempfile
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KILLED = 137
KINDS = ("kill", "half", "full", "broken")
TROUBLES = {"full": errno.ENOSPC, "broken": errno.EIO}
# What changes a folder; a full disk fails at those of the second row only.
CHANGING = ("replace", "rename", "unlink", "remove", "rmdir")
GROWING = ("mkdir", "write", "fsync", "ftruncate")


@dataclass
class Disk:
    """Counts operations below `folder`, and lets number `at` (from 0) come to grief; -1: none."""

    folder: str
    kind: str = ""
    at: int = -1
    count: int = 0
    full: bool = False

    def strikes(self, grows: bool, half: Callable[[], None] = lambda: None) -> None:
        """Count one operation; `half`: do a part of it."""
        now, self.count = self.count == self.at, self.count + 1
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

    def ours(self, path: Any) -> bool:
        """Whether a path is of the folder that is watched."""
        try:
            return os.path.abspath(os.fspath(path)).startswith(self.folder)
        except TypeError:
            return False

    def install(self) -> None:
        """Stand between the program and the system, in this process, for good."""
        handles: dict[int, str] = {}
        for name in (*CHANGING, "mkdir"):
            self._wrap_path(name)
        true_open, true_close, true_io = os.open, os.close, io.open

        def opened(path: Any, flags: int, *more: Any, **named: Any) -> int:
            if self.ours(path) and flags & os.O_CREAT:
                self.strikes(True)
            handle = true_open(path, flags, *more, **named)
            if self.ours(path):
                handles[handle] = os.fspath(path)
            return handle

        def closed(handle: int) -> None:
            handles.pop(handle, None)
            true_close(handle)

        def whole(path: Any, mode: str = "r", *more: Any, **named: Any) -> Any:
            if isinstance(path, int) or not self.ours(path) or not set(mode) & set("wxa+"):
                return true_io(path, mode, *more, **named)
            self.strikes("x" in mode or "w" in mode)
            return Watched(true_io(path, mode, *more, **named), self, handles)

        os.open, os.close, io.open = opened, closed, whole  # type: ignore[assignment]
        self._wrap_handle("fsync", handles)
        self._wrap_handle("ftruncate", handles)
        self._wrap_handle("write", handles)

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
            return true(handle, *more)

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


def command(words: list[str]) -> tuple[int, str]:
    """A command in this process: exit code, and what it said on standard error."""
    from comparing import crew_at_hand

    import lapwright.commands.compare
    import lapwright.commands.tune
    import lapwright.optimisation.tune
    from lapwright.commands.main import main

    # A short search is as good here.
    lapwright.optimisation.tune.LOOKS = dict.fromkeys((True, False), (10, 10))
    lapwright.commands.compare.crew_of = crew_at_hand  # type: ignore[assignment]
    lapwright.commands.tune.crew_of = crew_at_hand  # type: ignore[assignment]
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as told:
        code = main(words)
    return code, told.getvalue()


def copy(words: list[str], disk: Disk | None = None) -> dict[str, Any]:
    """The same in a copy of this process, on a disk that fails: code, words, operations counted."""
    with tempfile.TemporaryFile("w+") as said:
        child = os.fork()
        if child == 0:
            found: Any = None
            try:
                if disk is not None:
                    disk.install()
                code, told = command(words)
                found = {"code": code, "told": told, "count": disk.count if disk is not None else 0}
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
    import lapwright.commands.run
    import lapwright.presentation.comparison
    import lapwright.presentation.page
    import lapwright.presentation.tuning  # noqa: F401
    from lapwright.optimisation.workers import warm

    warm()
    for line in sys.stdin:
        asked = json.loads(line)
        at = Disk(str(Path(asked["folder"]).resolve()), asked["kind"], asked["at"])
        os.chdir(asked["bench"])
        print(json.dumps(copy(asked["words"], at)), flush=True)
