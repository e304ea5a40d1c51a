"""One command at a time in a folder: a lock that names its owner and dies with it.

The lock is the system's own, on a file in the folder: however its owner ends, killed outright or without
power, the lock is gone with it, and a file that is left over holds nobody up.
"""

from __future__ import annotations

import contextlib
import errno
import os
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lapwright.errors import CannotDoError
from lapwright.study.safefile import cannot_write

__all__ = ["LOCK", "locked"]

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
        with contextlib.suppress(OSError):  # somebody took the folder away meanwhile, or it went read-only
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
            raise CannotDoError(
                f"another lapwright is at work in {folder} ({who or 'it has just begun'}): wait until it has "
                "ended, or name another folder with --out",
                code="busy",
            )
        if _still_there(handle, path):
            break
        os.close(handle)  # its owner took it away as it ended, between our opening and our locking it
    with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
        os.ftruncate(handle, 0)
        os.write(handle, f"process {os.getpid()} on {platform.node()}\n".encode())
    return handle


def _held(handle: int) -> bool:
    """Whether the lock is ours now."""
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
        return trouble.errno in NO_LOCKS
    return True


def _still_there(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return False
