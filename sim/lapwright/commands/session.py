"""One sitting of work on a run: the loop over moments, checkpoints, the progress bar, Ctrl-C."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from lapwright.commands.progress import Progress
from lapwright.errors import (
    CannotDoError,
    LapwrightError,
    NoOverlapError,
    SettleError,
    TippedError,
    troubles_in,
)
from lapwright.lapping.run import Settings, lap
from lapwright.lapping.schedule import rubbing_time
from lapwright.results.lapped import heading
from lapwright.study.checkpoint import Timetable, save
from lapwright.study.model import Study
from lapwright.study.recorder import Recorder
from lapwright.study.runfile import BearingRecord

__all__ = ["Session", "stopping"]


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
        total = rubbing_time(study.steps, study.rounds)
        gauged = any(step.until is not None for step in study.steps)
        progress = Progress(total, last.clock.time if last is not None else 0.0, gauged)
        moments = lap(
            study.plates,
            study.steps,
            rounds=study.rounds,
            seed=study.seed,
            margin=study.margin,
            threads=self.threads,
            after=last,
            settings=self.settings,
        )
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
            f"stopped after {done:.3g} min of lapping; the work so far is in {self.part}", code="interrupted"
        )

    def _save(self, outcome: str) -> None:
        begun = time.monotonic()
        save(self.part, self.recorder, heading(), self.wall_time, outcome)
        self.table.done(begun, time.monotonic())

    def bearings(self) -> tuple[BearingRecord, ...]:
        """How the top bears at the end, in the middle of the stroke and at full overhang."""
        from lapwright.study.bearings import bearings_of

        assert self.recorder.last is not None
        return bearings_of(self.study, self.recorder.last)
