"""The book of a pair, from Python: what was done and read, where the plates stand, what comes next.

book = lw.Book("mine.toml")
book.add(done={"step": 1, "strokes": 600}, readings=["sph A 0.35 um"])
book.now.form("A", "sphere")         # middle, low and high [m]
book.next().step
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.book.advise import Advice, advise
from lapwright.book.bench import Bench, bench_of, equipped
from lapwright.book.entry import Entry, append, entries_of, log_of, take_back
from lapwright.book.goal import Goal, flatness, goal_of
from lapwright.book.history import Chapter, chapters, taken_in
from lapwright.book.knowledge import Knowledge
from lapwright.errors import CommandError
from lapwright.gauges.reading import Reading
from lapwright.lapping.step import Step
from lapwright.modes.basis import form_names
from lapwright.said import Constructed
from lapwright.study.model import Study
from lapwright.study.read import load
from lapwright.study.source import text_of

__all__ = ["Band", "Book", "Now"]

Array = NDArray[np.float64]

DRAWS = 2000
FLAT_DRAWS = 400
STREAM = 0x6E6F77


@dataclass(frozen=True)
class Band:
    """A quantity in SI: its `middle`, and the ends within which it lies in 95 of 100 shops."""

    middle: float
    low: float
    high: float

    @classmethod
    def of(cls, values: Array) -> Band:
        """The band of draws."""
        low, middle, high = np.quantile(values, [0.025, 0.5, 0.975])
        return cls(float(middle), float(low), float(high))


class Now:
    """Where plates, grits and gauges stand, as far as is known."""

    def __init__(self, bench: Bench, known: Knowledge, number: int) -> None:
        self.bench = bench
        self.known = known
        self._shops = known.draw(DRAWS, bench.rng(number, STREAM))[0]

    def form(self, plate: str, form: str) -> Band:
        """A form of a plate [m], signed; "flatness" among them.

        Raises
        ------
        CommandError
            When there is no such plate, or one does not speak of this form on it.

        """
        plates = self.bench.layout.plates
        if plate not in plates:
            raise CommandError(f"there is no plate {plate}: here are {', '.join(plates)}", key="plate")
        if form == "flatness":
            return Band.of(flatness(self.bench.layout, plate, self._shops[:: DRAWS // FLAT_DRAWS]))
        spoken = form_names(plates[plate])
        if form not in spoken:
            raise CommandError(f"{plate} has {', '.join(spoken)} and flatness, no {form}", key="form")
        return Band.of(self._shops @ self.bench.layout.form_rows(plate)[spoken.index(form)])

    def wear(self, grit: str, plate: str) -> Band:
        """How many times as fast as the study says a grit cuts a plate."""
        layout = self.bench.layout
        return Band.of(np.exp(self._shops[:, layout.wear(grit, layout.plates[plate].material.name)]))

    def layer(self, grit: str) -> Band:
        """How far the layer of a grit gives [m]."""
        depth = self.bench.grits[grit].layer.depth
        return Band.of(depth * np.exp(self._shops[:, self.bench.layout.layer(grit)]))

    def reached(self, goal: Goal) -> float:
        """Chance that a goal is reached."""
        return float(goal.reached(self.bench.layout, self._shops[:: DRAWS // FLAT_DRAWS]).mean())


class Book(metaclass=Constructed):
    """A study and its log; `log`: where it stands, STEM.log.toml beside the study when None.

    A study that names no gauges is read with those that are usual for its plates (`usual_gauges`).
    """

    def __init__(self, study: str | Path | Study, log: str | Path | None = None, threads: int = 1) -> None:
        typed = study if isinstance(study, Study) else load(study)
        self.study, self.usual_gauges = equipped(typed), not typed.gauges
        home = log_of(Path(study)) if not isinstance(study, Study) else None
        self.log = Path(log) if log is not None else home
        self.threads = threads
        entries: tuple[Entry, ...] = ()
        if self.log is not None and self.log.exists():
            entries = entries_of(text_of(self.log), self.study)
        self._take(entries)

    def _take(self, entries: Sequence[Entry]) -> None:
        self.entries = tuple(entries)
        self.bench = bench_of(self.study, self.entries, threads=self.threads)
        self.chapters: tuple[Chapter, ...] = tuple(chapters(self.bench, self.entries))

    def add(self, entry: Entry | Mapping[str, Any]) -> Chapter:
        """Take in one more entry and write it down: an `Entry`, or a table as it stands in a log.

        An `Entry` is taken in only for as long as this book lasts; a table is written to the log as well.

        Parameters
        ----------
        entry : Entry or mapping
            What was done and read; a mapping has the keys of [[spells]] in a log.

        Returns
        -------
        Chapter
            The entry with what was foretold and what is known since.

        Raises
        ------
        StudyError
            With every fault of the entry.
        CommandError
            A table, and this book has no log.
        CannotDoError
            The log cannot be written.

        """
        if isinstance(entry, Mapping):
            if self.log is None:
                raise CommandError("this book has no log: name one, Book(study, log=FILE)", key="log")
            entries = append(self.log, entry, self.study)
        else:
            entries = (*self.entries, entry)
        bench = bench_of(self.study, entries, threads=self.threads)
        if entries[:-1] != self.entries or bench.layout.size != self.bench.layout.size:
            self._take(entries)  # another hand wrote in the log, or a grit is new here
            return self.chapters[-1]
        last = self.entries[-1] if self.entries else None
        self.entries, self.bench = entries, bench
        self.chapters += (taken_in(bench, len(entries), self._known, entries[-1], last),)
        return self.chapters[-1]

    def undo(self) -> bool:
        """Take the last entry back.

        Returns
        -------
        bool
            False where there is none.

        Raises
        ------
        CannotDoError
            The log cannot be written.

        """
        if self.log is not None and not take_back(self.log):
            return False
        if not self.entries:
            return False
        self.entries, self.chapters = self.entries[:-1], self.chapters[:-1]
        return True

    @property
    def _known(self) -> Knowledge:
        return self.chapters[-1].known if self.chapters else self.bench.prior

    @property
    def now(self) -> Now:
        """Where the plates stand."""
        return Now(self.bench, self._known, len(self.entries))

    @cached_property
    def goal(self) -> Goal:
        """What is to be reached: as the study says, or flat within 0.3 um."""
        own = self.study.goal
        if own is None:
            return goal_of(self.bench.layout, None)
        return goal_of(self.bench.layout, own.reach, tuple(own.plates))

    def next(self, steps: Sequence[Step] = ()) -> Advice:
        """Choose the next spell.

        Parameters
        ----------
        steps : sequence of Step
            What may be done; it is chosen among these and their like.  None: those of the study.

        Returns
        -------
        Advice
            The step to do, or why there is none.

        """
        done = [entry.done for entry in self.entries if entry.done is not None]
        allowed = tuple(steps) or self.study.steps
        last = done[-1] if done else None
        taken: list[Reading] = []
        for entry in self.entries:
            kept = () if entry.done is not None else taken
            taken = [*(one for one in kept if one.plate not in entry.restart), *entry.readings]
        return advise(self.bench, self._known, self.goal, allowed, len(self.entries), last, taken)
