"""One full simulation as a piece of work for any process anywhere: a job in, what came out back.

Everything that a worker does is here; it depends on the job alone, so that neither the number nor the kind
of workers changes a bit of the answer.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

from lapwright.errors import LapwrightError, NoOverlapError, TippedError
from lapwright.lapping.run import Moment, lap
from lapwright.lapping.schedule import rubbing_time
from lapwright.planning.draws import Tolerance, drawn
from lapwright.planning.follow import Follower
from lapwright.planning.summary import Domes, Summary, domes_of, summary_of
from lapwright.study.bearings import bearings_of
from lapwright.study.model import Study
from lapwright.study.recorder import Heading, Recorder, thinned
from lapwright.study.runfile import Run
from lapwright.units import told

__all__ = ["Answer", "Job", "lapped", "light"]

ENTRIES = 12  # at least, of the history in a member's run file, evenly over the time
FRAMES = 9  # height maps kept of one member


@dataclass(frozen=True)
class Job:
    """Lap `study`, which is `member` (from 0) of a comparison, in its draw `draw` (0: as it stands).

    `heading` of its run file; None when nobody needs one.  `follow`: keep what a goal may ask for along the
    time.
    """

    member: int
    draw: int
    study: Study
    heading: Heading | None = None
    tolerance: Tolerance = field(default_factory=Tolerance)
    follow: bool = False


@dataclass(frozen=True)
class Answer:
    """What came of a job: its summary, the run if it was asked for, and how long it took [s]."""

    summary: Summary
    run: Run | None
    took: float


def lapped(job: Job) -> Answer:
    """Lap to the end; whatever goes wrong is in the answer, never raised."""
    begun = time.perf_counter()
    try:
        return _lapped(job, begun)
    except LapwrightError as error:
        trouble, code = told(error.text, job.study.units), error.code
    except MemoryError:
        trouble, code = "not enough memory: take fewer cells", "memory"
    except Exception as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())
        trouble, code = f"a fault of the program, not yours ({what})", "internal"
    failed = Summary(job.member, job.draw, "failed", trouble=trouble, code=code)
    return Answer(failed, None, time.perf_counter() - begun)


def _lapped(job: Job, begun: float) -> Answer:
    study = drawn(job.study, job.draw, job.tolerance)
    follower = Follower(study) if job.follow else None
    record = _Record(study, job.heading is not None, follower)
    trouble: LapwrightError | None = None
    try:
        outcome = record.follow()
    except (TippedError, NoOverlapError) as error:
        # The last good state is worth keeping.
        outcome, trouble = "tipped", error
    last = record.recorder.last
    if last is None:
        raise trouble or RuntimeError("nothing was lapped")
    heading = job.heading or Heading("", {})
    bearings = bearings_of(study, last) if job.heading is not None else ()
    run = record.recorder.run(heading, outcome, 0.0, bearings)
    place = job.member, job.draw
    summary = summary_of(place, outcome, study, run, record.blocks, record.trail, last)
    if follower is not None:
        summary = replace(summary, track=follower.columns())
    if trouble is not None:
        summary = replace(summary, trouble=told(trouble.text, study.units), code=trouble.code)
    took = time.perf_counter() - begun
    if job.heading is None:
        return Answer(summary, None, took)
    return Answer(summary, replace(run, wall_time=took, study=light(study)), took)


def light(study: Study) -> Study:
    """A study without what its plates have worked out meanwhile: a few kilobytes to send."""
    return replace(study, plates={name: replace(plate) for name, plate in study.plates.items()})


class _Record:
    """What is kept of the moments of one simulation: a thin history, and what each block told of itself.

    Faces are measured in full only now and then (and of a draw only at both ends): the minimum zone of
    every block would take a quarter of the time.
    """

    def __init__(self, study: Study, whole: bool, follower: Follower | None) -> None:
        self.study = study
        self.whole = whole
        self.follower = follower
        self.recorder = Recorder(study)
        self.blocks: list[tuple[float, float]] = []
        self.trail: list[Domes] = []
        total = rubbing_time(study.steps, study.rounds)
        self.apart = total / ENTRIES
        self.taken = 0.0

    def follow(self) -> str:
        """Lap to the end; gives the outcome."""
        study = self.study
        for moment in lap(
            study.plates, study.steps, rounds=study.rounds, seed=study.seed, margin=study.margin
        ):
            self._take(moment)
        last = self.recorder.last
        assert last is not None
        return last.outcome or "done"

    def _take(self, moment: Moment) -> None:
        clock, start = moment.clock, moment.event == "start"
        if self.follower is not None:
            self.follower.take(moment)
        if moment.event == "block":
            self.blocks.append((clock.time, moment.lift_share))
        if moment.event == "block" or start:
            self.trail.append(domes_of(self.study, moment))
        due = moment.event != "block" or clock.time - self.taken >= self.apart
        if start or (self.whole and due):
            self.taken = clock.time
            self.recorder.take(moment)
            self.recorder.frames = thinned(self.recorder.frames, FRAMES)
        else:
            self.recorder.last = moment  # measured if it should turn out to be the last one
