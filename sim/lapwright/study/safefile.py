"""Put a file in place whole, or not at all."""

from __future__ import annotations

import errno
import os
import re
import secrets
from pathlib import Path

from lapwright.errors import CannotDoError

__all__ = ["cannot_write", "make_folder", "put_in_place", "reason", "unfinished_of"]

_WHY = {
    errno.ENOSPC: "the disk is full: make room",
    errno.EDQUOT: "your share of the disk is full: make room",
    errno.EFBIG: "the file would be larger than is allowed here: make room, or raise the limit on file sizes",
    errno.EACCES: "you may not write there: name another folder with --out",
    errno.EPERM: "you may not write there: name another folder with --out",
    errno.EROFS: "the disk is read-only: name another folder with --out",
    errno.ENOTDIR: "part of that path is a file, not a folder: name another folder with --out",
    errno.ENOENT: "that folder does not exist: make it first, or name another with --out",
    errno.EEXIST: "a file of that name is in the way: name another folder with --out",
    errno.EISDIR: "a folder of that name is in the way: name another folder with --out",
    errno.EIO: "the disk failed: look after it, or name another folder with --out",
    errno.ENAMETOOLONG: "the name is too long: name another folder with --out",
}


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
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as trouble:
        raise cannot_write(folder, trouble) from trouble


def put_in_place(path: Path, content: bytes | memoryview, before: Path | None = None) -> None:
    """Write `content` under a temporary name in the same folder, then move it to `path` in one step.

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
        with unfinished.open("xb") as file:
            file.write(content)
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
    except OSError:  # no second name for a file on this disk: for a moment there is only the old one
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
