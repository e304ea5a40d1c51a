"""One sitting of work on a run, checkpoints and Ctrl-C; and the same study lapped finer.

`run --fine`: the same study lapped a second time with half the cell, twice the poses, half the blocks.
"""

from __future__ import annotations

import argparse
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType

from lapwright import machine
from lapwright.commands.options import FINE_PART
from lapwright.commands.terminal import ProgressBar, Speaker, aside
from lapwright.errors import (
    CannotDoError,
    CommandError,
    LapwrightError,
    NoOverlapError,
    SettleError,
    TippedError,
    troubles_in,
)
from lapwright.files import RUN_FILE
from lapwright.integration.state import Settings
from lapwright.optimisation.cases import with_cells
from lapwright.presentation import words
from lapwright.results.budget import Budget, budget_of_many, check
from lapwright.results.frames import Frames
from lapwright.results.record import FORM_KEYS, BearingRecord, Fine, Run
from lapwright.results.recorder import (
    Recorder,
    Restored,
    Timetable,
    forget,
    heading,
    restore,
    save,
    unfinished,
)
from lapwright.results.runfile import write_run
from lapwright.study.model import Study
from lapwright.study.read import parse_document
from lapwright.study.source import document_of

TOLD_FROM = Budget(time=30.0, memory=1e9, disk=0.5e9)  # what takes less is nobody's concern ...
PART_OF_FREE = 0.25  # ... nor what takes less than this of the memory that can be had


def beforehand(budget: Budget, study: Study, place: Path, crew: str = "") -> Mapping[str, float]:
    """Say what the work will take, where that is much, beside the answer; gives it for scripts.

    Raises
    ------
    CannotDoError
        This machine cannot hold it.

    """
    check(budget, study, place, crew)
    found, least = budget.as_dict(), TOLD_FROM.as_dict()
    least["memory"] = max(least["memory"], PART_OF_FREE * (machine.memory_free() or 0.0))
    if any(found[key] >= least[key] for key in least):
        aside(words.takes(budget.time, budget.memory, budget.disk, budget.at_most))
    return found


def crew_beforehand(
    kinds: Sequence[tuple[Sequence[Study], int]],
    study: Study,
    place: Path,
    args: argparse.Namespace,
    files: int = 0,
    frames: int = 1,
) -> Mapping[str, float] | None:
    """The same of many, as `budget_of_many` takes them; nothing of a cluster, whose machines are others."""
    from lapwright.optimisation.workers import available

    if args.cluster:
        return None
    workers = min(args.workers or available(), sum(number for _, number in kinds))
    budget = budget_of_many(kinds, workers, files, frames)
    return beforehand(budget, study, place, ", or take fewer --workers" if workers > 1 else "")


@dataclass
class Stop:
    """Whether somebody asked to stop."""

    asked: bool = False


@contextmanager
def stopping() -> Iterator[Stop]:
    """Catch Ctrl-C and SIGTERM once; a second Ctrl-C stops at once."""
    stop = Stop()

    def ask(number: int, frame: FrameType | None) -> None:
        if stop.asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        stop.asked = True

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@dataclass
class Session:
    """Laps a study from where its recorder stands; `spent` [s] of wall time went before."""

    study: Study
    recorder: Recorder
    part: Path
    table: Timetable
    spent: float = 0.0
    threads: int = 1
    settings: Settings = field(default_factory=Settings)
    begun: float = field(default_factory=time.monotonic)

    @property
    def wall_time(self) -> float:
        """Wall time spent on this run in all sittings [s]."""
        return self.spent + time.monotonic() - self.begun

    def work(self) -> tuple[str, LapwrightError | None]:
        """Lap to the end; gives the outcome, and what stopped the work before its end.

        Raises
        ------
        CannotDoError
            The work cannot be written down.
        SettleError
            The top did not settle at some place; the work so far is written down.

        """
        study, last = self.study, self.recorder.last
        total = study.lasts
        gauged = any(step.until is not None for step in study.steps)
        progress = ProgressBar(total, last.clock.time if last is not None else 0.0, gauged)
        moments = study.states(last, self.threads, self.settings)
        try:
            with troubles_in(study.units), stopping() as stop:
                for moment in moments:
                    self.recorder.take(moment)
                    if stop.asked:
                        return self._interrupted()
                    # The very first moment is written too: a folder that takes nothing is found out at once.
                    if moment.event == "start" or self.table.due(time.monotonic()):
                        self._save("unfinished")
                    progress.show(moment.clock.time)
        except (TippedError, NoOverlapError) as trouble:
            if self.recorder.last is None:
                raise
            return "tipped", trouble
        except SettleError:
            if self.recorder.last is not None:
                self._save("unfinished")
            raise
        finally:
            progress.close()
        assert self.recorder.last is not None
        return self.recorder.last.outcome or "done", None

    def _interrupted(self) -> tuple[str, LapwrightError]:
        self._save("interrupted")
        assert self.recorder.last is not None
        done = self.recorder.last.clock.time / 60.0
        return "interrupted", CannotDoError(
            f"stopped after {done:.3g} min of lapping; the work so far is in {self.part}",
            code="interrupted",
        )

    def _save(self, outcome: str) -> None:
        begun = time.monotonic()
        save(self.part, self.recorder, heading(), self.wall_time, outcome)
        self.table.done(begun, time.monotonic())

    def bearings(self) -> tuple[BearingRecord, ...]:
        """How the top bears at the end, in the middle of the stroke and at full overhang."""
        from lapwright.results.recorder import bearings_of

        assert self.recorder.last is not None
        return bearings_of(self.study, self.recorder.last)


MOST_CELLS = 1024  # that a study may ask for


def finer(study: Study, folder: Path) -> Study:
    """The study with twice the cells across every plate; maps are read anew, for maps may hold more.

    `folder`: where its file lies.

    Raises
    ------
    CommandError
        A plate has too many cells for that.

    """
    most = max(study.plates.values(), key=lambda plate: plate.cells)
    if 2 * most.cells > MOST_CELLS:
        raise CommandError(
            f"--fine takes twice the cells, and {most.name} has {most.cells} across: "
            f"{MOST_CELLS // 2} are the most for that",
            key="--fine",
        )
    if all(plate.form.measured is None for plate in study.plates.values()):
        plates = {
            name: replace(plate, cells=2 * plate.cells) for name, plate in study.plates.items()
        }
        return replace(study, plates=plates)
    document = with_cells(document_of(study.text), study, 2 * most.cells)
    return parse_document(document, study.stem, folder, text=study.text)


def lap_finer(
    run: Run, study: Study, folder: Path, args: argparse.Namespace
) -> tuple[Run, LapwrightError | None]:
    """The run with what the finer `study` comes to, put into its file; and what stopped it, if anything did.

    What is done of it is in a part file of its own; the run itself is whole whatever becomes of it.
    """
    part = folder / FINE_PART
    begun = Restored(Recorder(study, frames=Frames(beside=part)), 0.0)
    if args.resume and unfinished(part):
        begun = restore(part, study)
        if begun.mind:
            Speaker(args.json)(begun.mind)
    strict = args.checkpoint is not None
    table = Timetable(args.checkpoint if strict else 2.0, strict)
    recorder = begun.recorder
    session = Session(study, recorder, part, table, begun.spent, args.threads, Settings().finer())
    try:
        outcome, trouble = session.work()
    except SettleError as stuck:
        return run, stuck
    if outcome == "interrupted":
        return run, trouble
    end = recorder.run(heading(), outcome, 0.0)
    plates = {} if outcome == "tipped" else end.plates
    fine = Fine(
        outcome,
        float(end.time[-1]),
        {
            name: {key: float(record.forms[key][-1]) for key in FORM_KEYS}
            for name, record in plates.items()
        },
        {name: float(record.removed[-1]) for name, record in plates.items()},
    )
    run = replace(run, fine=fine, wall_time=run.wall_time + session.wall_time)
    write_run(run, folder / RUN_FILE)
    forget(part)
    return run, None
