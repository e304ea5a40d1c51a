"""What this machine has to spare, memory and room on the disk; and one thread for small matrices."""

from __future__ import annotations

import os
import sys
from _thread import allocate_lock
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

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
    import shutil  # late, as ctypes below: the words of -h and preview wait for whatever is imported here

    place = path.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    with suppress(OSError):
        return shutil.disk_usage(place).free
    return None


def give_back() -> None:
    """Give memory that was let go back to the system at once, where the C library keeps it (glibc)."""
    import ctypes

    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


# How OpenBLAS names what sets its threads, in the wheels of NumPy and SciPy and as systems build it.
SWITCHES = [(before, after) for before in ("scipy_", "") for after in ("64_", "")]


class _Library:
    """A library of linear algebra that is loaded, and how many callers hold it at one thread."""

    def __init__(self, get: Any, set: Any) -> None:
        self.get, self.set = get, set
        self.held, self.before = 0, 1


_libraries: dict[str, _Library | None] = {}
_lock = allocate_lock()  # that of threading, without all that it imports


@contextmanager
def one_thread() -> Iterator[None]:
    """Have the linear algebra of NumPy and SciPy, where that is OpenBLAS, work on one thread meanwhile.

    How it splits its sums hangs on its threads, and last bits with that; what was set comes back.
    """
    import numpy  # noqa: F401 (its library is looked for)

    mine = []
    with _lock:
        for path in _loaded():
            if path not in _libraries:
                _libraries[path] = _library(path)
            if (one := _libraries[path]) is not None:
                if one.held == 0:
                    one.before = one.get()
                    one.set(1)
                one.held += 1
                mine.append(one)
    try:
        yield
    finally:
        with _lock:
            for one in mine:
                one.held -= 1
                if one.held == 0:
                    one.set(one.before)


def _loaded() -> list[str]:
    """Libraries of linear algebra that this process has loaded."""
    with suppress(OSError):
        lines = Path("/proc/self/maps").read_text(errors="replace").splitlines()
        paths = {
            line[line.index("/") :] for line in lines if "openblas" in line.lower() and "/" in line
        }
        return sorted(path for path in paths if ".so" in path)
    found: list[Path] = []
    for name in ("numpy", "scipy"):  # where wheels keep theirs
        home = getattr(sys.modules.get(name), "__file__", None)
        if home is not None and (name != "scipy" or "scipy.linalg" in sys.modules):
            place = Path(home).parent
            for folder in (place.with_name(f"{name}.libs"), place / ".dylibs"):
                found += folder.glob("*openblas*")
    return sorted(map(str, found))


def _library(path: str) -> _Library | None:
    """How its threads are set; None where it does not say."""
    import ctypes

    with suppress(OSError):
        library = ctypes.CDLL(path)
        for before, after in SWITCHES:
            with suppress(AttributeError):
                return _Library(
                    getattr(library, f"{before}openblas_get_num_threads{after}"),
                    getattr(library, f"{before}openblas_set_num_threads{after}"),
                )
    return None
