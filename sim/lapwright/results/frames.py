"""Height maps that are kept of a run under way: some forty, spread evenly over the metal removed.

Large ones are laid aside as they come, in a file without a name beside the part file: so no run holds more of
them in memory than it works on, and however a run ends, nothing of that file is left.  They are read through
a window on the file; `let_go` gives back the memory of what was read.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import weakref
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.files import cannot_write, nameless
from lapwright.results.record import Run

Array = NDArray[np.float64]

FRAMES_MOST = 41
LARGE = 1e6  # bytes of one map from which on they are laid aside


@dataclass
class Frames:
    """Height maps saved at some times, each held once and by plate as a run file has them.

    `time` [s] and `metal`, as in `Entry`, of those saved; `maps` by plate (`FRAMES_MOST`, ny, nx) [m], of
    which the system gives no memory to rows that nothing was written into.  Large maps are laid aside
    `beside` that file, if one is named; `files`: numbers of what they then lie in, by plate.
    """

    time: list[float] = field(default_factory=list)
    metal: list[float] = field(default_factory=list)
    maps: dict[str, Array] = field(default_factory=dict)
    beside: Path | None = None
    files: dict[str, int] = field(default_factory=dict)

    def add(self, time: float, metal: float, heights: Mapping[str, Array]) -> None:
        """Save the maps of one more time."""
        self._set(len(self.time), heights)
        self.time.append(time)
        self.metal.append(metal)

    def thin(self, most: int) -> None:
        """Leave at most so many."""
        kept = spread_out(self.metal, most)
        for name, maps in self.maps.items():
            # Singly, as a block that overlaps itself would be copied first.
            for row, old in enumerate(kept):
                if row != old:
                    self._put(name, row, maps[old])
                    let_go(maps)
        self.time, self.metal = ([values[k] for k in kept] for values in (self.time, self.metal))

    def until(self, time: float, heights: Mapping[str, Array]) -> Frames:
        """These and, unless it is among them, one more; of the same memory, good until the next is added."""
        count, times = len(self.time), list(self.time)
        if times[-1] != time:
            self._set(count, heights)
            times.append(time)
        views = {name: maps[: len(times)] for name, maps in self.maps.items()}
        for view in views.values():
            view.setflags(write=False)
        return Frames(times, self.metal, views)

    def _set(self, row: int, heights: Mapping[str, Array]) -> None:
        for name, z in heights.items():
            if name not in self.maps:
                self._room(name, z.shape)
            self._put(name, row, z)

    def _room(self, name: str, shape: tuple[int, ...]) -> None:
        """Have room for the maps of a plate, on the disk or in memory."""
        size = size_aside([shape], FRAMES_MOST)
        shape = (FRAMES_MOST, *shape)
        if self.beside is not None and size:
            # A disk that cannot do this takes a checkpoint all the same: the maps stay in memory.
            with contextlib.suppress(OSError):
                handle = nameless(self.beside)
                try:
                    os.ftruncate(handle, size)
                    window = mmap.mmap(handle, size, access=mmap.ACCESS_READ)
                except OSError:
                    os.close(handle)
                    raise
                weakref.finalize(self, os.close, handle)
                self.files[name] = handle
                self.maps[name] = np.ndarray(shape, np.float64, window)
                return
        self.maps[name] = np.empty(shape)

    def _put(self, name: str, row: int, z: Array) -> None:
        """Save a map; through the window a full disk would end the process."""
        if name not in self.files:
            self.maps[name][row] = z
            return
        content = memoryview(np.ascontiguousarray(z, np.float64)).cast("B")
        done, at = 0, row * len(content)
        try:
            while done < len(content):
                done += os.pwrite(self.files[name], content[done:], at + done)
        except OSError as trouble:
            assert self.beside is not None
            raise cannot_write(self.beside, trouble) from trouble


def size_aside(shapes: Iterable[tuple[int, ...]], frames: int) -> int:
    """How much of so many maps of each shape lies on the disk alone [bytes]."""
    sizes = [np.dtype(np.float64).itemsize * int(np.prod(shape)) for shape in shapes]
    return frames * sum(size for size in sizes if size >= LARGE and hasattr(os, "pwrite"))


def aside(maps: Array) -> mmap.mmap | None:
    """The window through which maps are read, where they lie on the disk."""
    held: object = maps
    while isinstance(held, np.ndarray):
        held = held.base
    return held if isinstance(held, mmap.mmap) else None


def let_go(maps: Array) -> None:
    """Give back the memory of maps that lie on the disk; they are read again where they are asked for."""
    window = aside(maps)
    if window is not None and hasattr(mmap, "MADV_DONTNEED"):
        window.madvise(mmap.MADV_DONTNEED)


def spread_out(metal: Sequence[float], most: int) -> list[int]:
    """Which to keep, at most so many, spread evenly over the metal removed; the first and the last stay."""
    kept = list(range(len(metal)))
    while len(kept) > max(most, 2):
        gaps = [metal[after] - metal[before] for before, after in zip(kept, kept[2:], strict=False)]
        del kept[1 + gaps.index(min(gaps))]
    return kept


def frames_of(run: Run, metal: list[float], beside: Path | None = None) -> Frames:
    """The saved maps of a run that was read and is not asked again: they stay where they are, or go aside.

    `metal`: of those that the recorder had, in their order; `beside` as in `Frames`.

    Raises
    ------
    ValueError
        There are not so many.
    CannotDoError
        They cannot be written.

    """
    first = next(iter(run.plates.values()))
    if not 0 < len(metal) <= min(len(first.frame_time), FRAMES_MOST - 1):
        raise ValueError("its maps are not those of its state")
    frames = Frames([float(time) for time in first.frame_time[: len(metal)]], metal, beside=beside)
    for row in range(len(metal)):
        frames._set(row, {name: record.frames[row] for name, record in run.plates.items()})
    return frames
