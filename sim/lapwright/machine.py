"""What this machine has to spare: memory and room on the disk."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path

# Where Linux says what a container may use and does use [bytes]: version 2, and the one before.
CONTAINERS = (
    ("/sys/fs/cgroup", "memory.max", "memory.current", "inactive_file"),
    (
        "/sys/fs/cgroup/memory",
        "memory.limit_in_bytes",
        "memory.usage_in_bytes",
        "total_inactive_file",
    ),
)


def memory_free(root: Path = Path("/")) -> int | None:
    """Memory that can still be had [bytes], in a container of what that may use; None: not known.

    `root`: of the files in which Linux says so.
    """
    found = [_within(root, *where) for where in CONTAINERS]
    found.append(_line(root / "proc/meminfo", "MemAvailable:", 1024))
    known = [free for free in found if free is not None]
    if not known:
        with suppress(AttributeError, ValueError, OSError):  # no such thing on this system
            known.append(os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return max(0, min(known)) if known else None


def _within(root: Path, folder: str, most: str, now: str, cache: str) -> int | None:
    """What a container has left: files that were read into memory are let go where it is wanted."""
    place = root / folder.lstrip("/")
    try:
        limit, used = (int((place / name).read_text()) for name in (most, now))
    except (OSError, ValueError):  # no container, or "max"
        return None
    return limit - used + (_line(place / "memory.stat", cache, 1) or 0)


def _line(path: Path, name: str, unit: int) -> int | None:
    """The number behind a name at the beginning of a line, times its unit."""
    with suppress(OSError, ValueError, IndexError):
        for line in path.read_text().splitlines():
            words = line.split()
            if words and words[0] == name:
                return int(words[1]) * unit
    return None


def memory_held() -> int:
    """Most memory that this process has held so far [bytes]; 0 where the system does not say."""
    try:
        import resource
    except ImportError:  # no such thing on this system
        return 0
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(held if sys.platform == "darwin" else 1024 * held)


def disk_free(path: Path) -> int | None:
    """Room on the disk of a folder, or of the nearest one above it that is there [bytes]; None: not known."""
    place = path.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    with suppress(OSError):
        return shutil.disk_usage(place).free
    return None


def give_back() -> None:
    """Give memory that was let go back to the system at once, where the C library keeps it (glibc)."""
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
