"""The book of a pair, from Python; and a practice shop that a seed decides.

book = lw.Book("mine.toml")
book.add(done={"step": 1, "strokes": 600}, readings=["sph A 0.35 um"])
book.now.form("A", "sphere")         # middle, low and high [m]
book.next().step

A practice shop: hidden plates, a hidden grit and hidden gauges that a seed decides, lapped and read.

It is drawn from what the study says is not known and lapped as the book laps its members, with a discrepancy
of its own; so whoever laps here meets what the book believes in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import form_names
from lapwright.optimisation.advise import Advice, advise
from lapwright.optimisation.bench import Bench, Target, bench_of, equipped, flatness, target_of
from lapwright.optimisation.entry import Entry, append, entries_of, log_of, take_back
from lapwright.optimisation.history import Chapter, chapters, taken_in
from lapwright.optimisation.shop import Knowledge, one_normal
from lapwright.optimisation.sight import sight_of, weighed
from lapwright.optimisation.spell import HANDS, new_day, off_by
from lapwright.specification.said import Constructed
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.study.read import load
from lapwright.study.source import text_of

__all__ = ["Band", "Book", "Now", "PracticeShop"]


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
            raise CommandError(
                f"there is no plate {plate}: here are {', '.join(plates)}", key="plate"
            )
        if form == "flatness":
            return Band.of(flatness(self.bench.layout, plate, self._shops[:: DRAWS // FLAT_DRAWS]))
        spoken = form_names(plates[plate])
        if form not in spoken:
            raise CommandError(
                f"{plate} has {', '.join(spoken)} and flatness, no {form}", key="form"
            )
        return Band.of(self._shops @ self.bench.layout.form_rows(plate)[spoken.index(form)])

    def wear(self, grit: str, plate: str) -> Band:
        """How many times as fast as the study says a grit cuts a plate."""
        layout = self.bench.layout
        return Band.of(
            np.exp(self._shops[:, layout.wear(grit, layout.plates[plate].material.name)])
        )

    def layer(self, grit: str) -> Band:
        """How far the layer of a grit gives [m]."""
        depth = self.bench.grits[grit].layer.depth
        return Band.of(depth * np.exp(self._shops[:, self.bench.layout.layer(grit)]))

    def reached(self, goal: Target) -> float:
        """Chance that a goal is reached."""
        return float(goal.reached(self.bench.layout, self._shops[:: DRAWS // FLAT_DRAWS]).mean())


class Book(metaclass=Constructed):
    """A study and its log; `log`: where it stands, STEM.log.toml beside the study when None.

    A study that names no gauges is read with those that are usual for its plates (`usual_gauges`).
    """

    def __init__(
        self, study: str | Path | Study, log: str | Path | None = None, threads: int = 1
    ) -> None:
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
                raise CommandError(
                    "this book has no log: name one, Book(study, log=FILE)", key="log"
                )
            entries = append(self.log, entry, self.study)
        else:
            entries = (*self.entries, entry)
        bench = bench_of(self.study, entries, threads=self.threads)
        if entries[:-1] != self.entries or bench.layout.size != self.bench.layout.size:
            self._take(entries)  # another hand wrote in the log, or a grit is new here
            return self.chapters[-1]
        last = self.entries[-1] if self.entries else None
        self.entries, self.bench = entries, bench
        self.chapters += (taken_in(bench, len(entries), self.known, entries[-1], last),)
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
        entries = self.entries[:-1]
        bench = bench_of(self.study, entries, threads=self.threads)
        if bench.layout.size != self.bench.layout.size:
            self._take(entries)  # nobody else names that grit
        else:
            self.entries, self.bench, self.chapters = entries, bench, self.chapters[:-1]
        return True

    @property
    def known(self) -> Knowledge:
        """All that is known, as numbers."""
        return self.chapters[-1].known if self.chapters else self.bench.prior

    @property
    def now(self) -> Now:
        """Where the plates stand."""
        return Now(self.bench, self.known, len(self.entries))

    @property
    def goal(self) -> Target:
        """What is to be reached: as the study says, or flat within 0.3 um."""
        first = next((k for k, e in enumerate(self.entries) if e.done is not None), None)
        came = self.chapters[:first]
        return target_of(self.bench, came=came[-1].known if came else None)

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
        return advise(self.bench, self.known, self.goal, allowed, len(self.entries), last, taken)


PRACTICE_STREAM = 0x73686F70  # sets these random numbers apart from others with the same seed


class PracticeShop:
    """One hidden shop on a bench; `truth` (size,) is what nobody at the bench knows."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench = bench
        self.seed = seed
        self._rng = np.random.default_rng([seed, PRACTICE_STREAM])
        self.truth: Array = bench.prior.draw(1, self._rng)[0][0]
        self._hand = np.array([int(self._rng.integers(len(HANDS)))])
        self._spells = 0

    def lap(self, step: Step, any_hand: bool = False) -> None:
        """Do a step at the bench."""
        self._spells += 1
        layout = self.bench.layout
        spell = self.bench.spell(step, (self.seed, PRACTICE_STREAM, self._spells), any_hand)
        today = new_day(one_normal(self.truth, np.zeros((layout.size, layout.size))), layout)
        before = today.mean + self._rng.standard_normal(layout.size) * np.sqrt(
            np.diagonal(today.cloud[0])
        )
        ended = spell.lap(before, self._hand)
        self.truth = off_by(layout, spell.step, before, ended, self._rng)[0]

    def read(self, entry: Entry) -> Entry:
        """The same entry with what its gauges and scales show here."""
        sight = sight_of(self.bench.layout, entry.readings, self.bench.gauges)
        shown = one_normal(self.truth, np.zeros((self.truth.size,) * 2)).foretold(
            sight, 1, self._rng
        )[0]
        readings = []
        for reading, value, offset in zip(entry.readings, shown, self._offset(entry), strict=True):
            step = self.bench.gauges[reading.gauge].resolution
            value += offset
            readings.append(
                replace(reading, value=round(value / step) * step if step else float(value))
            )
        lost = {}
        if entry.lost:
            weights = weighed(self.bench.layout, entry.lost)
            depth = weights.rows @ self.truth
            depth += np.sqrt(np.diag(weights.noise)) * self._rng.standard_normal(depth.size)
            for (name, _), taken in zip(entry.lost.items(), depth, strict=True):
                plate = self.bench.layout.plates[name]
                lost[name] = max(0.0, float(taken) * plate.material.density * plate.land_area)
        return replace(entry, readings=tuple(readings), lost=lost)

    def _offset(self, entry: Entry) -> Array:
        """What masters and flats put on each reading beside the face."""
        nought = tuple(replace(reading, value=0.0) for reading in entry.readings)
        return -sight_of(self.bench.layout, nought, self.bench.gauges).value
