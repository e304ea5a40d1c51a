"""The height maps that are kept of a run, evenly over the metal removed, each held in memory once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapwright.results.record import Run

Array = NDArray[np.float64]

FRAMES_MOST = 41


@dataclass
class Frames:
    """Height maps saved at some times, each held once and by plate as a run file has them.

    `time` [s] and `metal`, as in `Entry`, of those saved; `maps` by plate (`FRAMES_MOST`, ny, nx) [m], of
    which the system gives no memory to rows that nothing was written into.
    """

    time: list[float] = field(default_factory=list)
    metal: list[float] = field(default_factory=list)
    maps: dict[str, Array] = field(default_factory=dict)

    def add(self, time: float, metal: float, heights: Mapping[str, Array]) -> None:
        """Save the maps of one more time."""
        self._set(len(self.time), heights)
        self.time.append(time)
        self.metal.append(metal)

    def thin(self, most: int) -> None:
        """Leave at most so many."""
        kept = spread_out(self.metal, most)
        for maps in self.maps.values():
            for row, old in enumerate(
                kept
            ):  # singly, as a block that overlaps itself would be copied first
                if row != old:
                    maps[row] = maps[old]
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
                self.maps[name] = np.empty((FRAMES_MOST, *z.shape))
            self.maps[name][row] = z


def spread_out(metal: Sequence[float], most: int) -> list[int]:
    """Which to keep, at most so many, spread evenly over the metal removed; the first and the last stay."""
    kept = list(range(len(metal)))
    while len(kept) > max(most, 2):
        gaps = [metal[after] - metal[before] for before, after in zip(kept, kept[2:], strict=False)]
        del kept[1 + gaps.index(min(gaps))]
    return kept


def frames_of(run: Run, metal: list[float]) -> Frames:
    """The saved maps of a run that was read and is not asked again: they stay where they are.

    `metal`: of those that the recorder had, in their order.

    Raises
    ------
    ValueError
        There are not so many.

    """
    first = next(iter(run.plates.values()))
    maps = {name: record.frames for name, record in run.plates.items()}
    if not 0 < len(metal) <= min(len(first.frame_time), FRAMES_MOST - 1):
        raise ValueError("its maps are not those of its state")
    for saved in maps.values():
        saved.setflags(write=True)
        saved.resize((FRAMES_MOST, *saved.shape[1:]), refcheck=False)  # a copy would hold all twice
    return Frames([float(time) for time in first.frame_time[: len(metal)]], metal, maps)
