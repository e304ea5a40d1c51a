"""Full simulations as pieces of work: a job in, what came out back, each kept as it comes.

One full simulation as a piece of work for any process anywhere: a job in, what came out back.

Everything that a worker does is here; it depends on the job alone, so that neither the number nor the kind
of workers changes a bit of the answer.

What is done of a long work, one line for each piece, so that it can go on where it stopped.

A line is the digest of the rest of it, the key of what was asked, and the answers as JSON.  A line that
was cut short by a kill, or in which a bit has changed, is no line: what it held is worked out again.

What a comparison or a search keeps in its folder while it works, so that it can go on where it stopped.

`plan.json` says what was asked, and of what it hangs; `work.part` holds the answers as they came in
(`lapwright.optimisation.jobs`); `members/` a study and a run file for each member.

Carrying a comparison out: each job that is not in safety yet is given to the crew and kept as it comes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from lapwright import __version__
from lapwright.errors import (
    CannotDoError,
    CommandError,
    LapwrightError,
    NoOverlapError,
    RunFileError,
    TippedError,
)
from lapwright.files import OutputFolder, cannot_write, make_folder, put_in_place, read_whole
from lapwright.integration.state import State
from lapwright.optimisation.cases import Case, Tolerance, drawn
from lapwright.optimisation.summary import Domes, Follower, Summary, domes_of, summary_of
from lapwright.optimisation.workers import WorkerPool, work_through
from lapwright.results.record import Run
from lapwright.results.recorder import Heading, Recorder, bearings_of
from lapwright.results.runfile import read_run, seal_of, write_run
from lapwright.study.goal import Goal
from lapwright.study.model import Study
from lapwright.study.resolved import CHANGED_INPUTS, digest_of, inputs_of, unlike, versions
from lapwright.units import told

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


def run_case(job: Job) -> Answer:
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
    follower = Follower(study, mating=study.goal is not None) if job.follow else None
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
    # By what it was lapped, which on a cluster need not be of our kind.
    heading = Heading(job.heading.program if job.heading is not None else "", versions())
    bearings = bearings_of(study, last) if job.heading is not None else ()
    run = record.recorder.run(heading, outcome, 0.0, bearings)
    place = job.member, job.draw
    banded = job.heading is not None  # of a member as it stands
    summary = summary_of(place, outcome, study, run, record.blocks, record.trail, last, banded)
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
        total = study.lasts
        self.apart = total / ENTRIES
        self.taken = 0.0

    def follow(self) -> str:
        """Lap to the end; gives the outcome."""
        for moment in self.study.states():
            self._take(moment)
        last = self.recorder.last
        assert last is not None
        return last.outcome or "done"

    def _take(self, moment: State) -> None:
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
            self.recorder.frames.thin(FRAMES)
        else:
            self.recorder.last = moment  # measured if it should turn out to be the last one
            if self.recorder.batch is not None:
                self.recorder.batch.take(moment)


DIGEST = 64  # characters of one


def plain_json(value: Any) -> bytes:
    """JSON on one line, the same for the same value."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8")


@dataclass
class Journal:
    """A file of such lines; `damaged`: how many that were read are none, but for one cut short at the end."""

    path: Path
    damaged: int = 0
    whole: int | None = None  # bytes that whole lines take up, once the file was looked at

    def read(self) -> Iterator[tuple[str, Any]]:
        """Key and answers of every line that is whole, in the order they were written.

        Raises
        ------
        CannotDoError
            The file is there and cannot be read.

        """
        self.damaged, self.whole = 0, 0
        try:
            with self.path.open("rb") as file:
                for line in file:
                    if not line.endswith(b"\n"):
                        break
                    self.whole += len(line)
                    told, body = line[:DIGEST], line[DIGEST + 1 : -1]
                    if told == _digest(body) and line[DIGEST : DIGEST + 1] == b" ":
                        key, answers = json.loads(body)
                        yield str(key), answers
                    else:
                        self.damaged += 1
        except FileNotFoundError:
            return
        except OSError as trouble:
            raise cannot_write(self.path, trouble) from trouble

    def add(self, key: str, answers: Any) -> None:
        """Put answers in safety.

        Raises
        ------
        CannotDoError
            They cannot be written; what was there before stays.

        """
        if self.whole is None:
            for _ in self.read():
                pass
        assert self.whole is not None
        body = plain_json([key, answers])
        line = memoryview(_digest(body) + b" " + body + b"\n")
        try:
            with self.path.open("r+b" if self.path.exists() else "x+b", buffering=0) as file:
                try:
                    file.truncate(self.whole)
                    file.seek(self.whole)
                    left = line
                    while left:
                        left = left[file.write(left) :]
                    os.fsync(file.fileno())
                except OSError:
                    with contextlib.suppress(OSError):
                        file.truncate(self.whole)
                    raise
        except OSError as trouble:
            raise cannot_write(self.path, trouble) from trouble
        self.whole += len(line)


def _digest(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode("ascii")


PLAN, WORK, MEMBERS = "plan.json", "work.part", "members"
SCHEMA = 6
MOST_PLAN = 20_000_000  # bytes
CHANGES = {
    "study": "the study has changed",
    "inputs": CHANGED_INPUTS,
    "samples": "--samples has changed",
    "tolerance": "--form-tolerance has changed",
    "cells": "--cells has changed",
}


@dataclass
class Store:
    """The folder of a comparison or a search; `key` of the plan that it works by."""

    folder: OutputFolder
    key: str = ""
    journal: Journal = field(init=False)

    def __post_init__(self) -> None:
        self.journal = Journal(self.path / WORK)

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder.path

    def begin(
        self, plan: Mapping[str, Any], members: Sequence[Case], answers: Sequence[str] = ()
    ) -> None:
        """Start anew: take away what an earlier work left, then write the members' studies, then the plan.

        `answers`: files that the work will end in.  A kill at any place leaves a folder without a plan, which
        begins anew again, and never the members of two plans.
        """
        stems = [f"{MEMBERS}/{member.stem}" for member in members]
        names = [PLAN, WORK, *answers, *(stem + end for stem in stems for end in (".toml", ".h5"))]
        self.folder.clear(first=[PLAN, WORK])
        self.folder.claim(names)
        make_folder(self.path / MEMBERS)
        for member in members:
            put_in_place(self.study_file(member), member.text.encode("utf-8"))
        plan = {"schema": SCHEMA, **plan}
        self.key = _plan_digest(plan)
        put_in_place(self.path / PLAN, plain_json({"digest": self.key, "plan": plan}))

    def begun(self) -> bool:
        """Whether there is a plan to go on with."""
        return (self.path / PLAN).exists()

    def check(self, plan: Mapping[str, Any]) -> None:
        """Refuse to go on with another work than the one that was begun.

        Raises
        ------
        CommandError
            Study, options, program, libraries or processor have changed.
        RunFileError
            The plan is damaged.

        """
        path = self.path / PLAN
        found, key = _read_plan(path)
        wanted = json.loads(plain_json({"schema": SCHEMA, **plan}))
        change = "it was written by another lapwright" if found.get("schema") != SCHEMA else None
        change = change or unlike(found["program"], found["versions"])
        for name, what in CHANGES.items():
            change = change or (what if found[name] != wanted[name] else None)
        if change is not None:
            raise CommandError(
                f"{change} since {path} was written: put it back as it was, or start again with --force",
                key="--resume",
            )
        self.key = key

    def keep(self, answers: Sequence[Answer], members: Sequence[Case]) -> None:
        """Put a chunk of answers in safety: the run files first, then the summaries that vouch for them.

        What failed for the machine's reasons is no answer: it is tried again when the work goes on.
        """
        kept = []
        for answer in answers:
            if not answer.summary.machine:
                seal = None
                if answer.run is not None:
                    seal = write_run(answer.run, self.run_file(members[answer.summary.member]))
                kept.append([answer.summary.plain(), seal])
        if kept:
            self.journal.add(self.key, kept)

    def kept(self, members: Sequence[Case]) -> Iterable[Summary]:
        """Every answer in safety that is of this plan, and whose run file is still as it was written."""
        for key, answers in self.journal.read():
            for data, seal in answers if key == self.key else ():
                summary = Summary.of_plain(data)
                if seal is None or seal_of(self.run_file(members[summary.member])) == seal:
                    yield summary

    def mend_studies(self, members: Sequence[Case]) -> None:
        """Put the members' studies back as they were lapped, where somebody changed one."""
        for member in members:
            path, text = self.study_file(member), member.text.encode("utf-8")
            if not path.is_file() or path.read_bytes() != text:
                put_in_place(path, text)

    def run_file(self, member: Case) -> Path:
        """Where the run of a member lies."""
        return self.path / MEMBERS / f"{member.stem}.h5"

    def study_file(self, member: Case) -> Path:
        """Where the study of a member lies."""
        return self.path / MEMBERS / f"{member.stem}.toml"

    def run(self, member: Case) -> Run | None:
        """The run of a member, if there is one."""
        path = self.run_file(member)
        return read_run(path) if path.exists() else None


def _read_plan(path: Path) -> tuple[dict[str, Any], str]:
    """A plan and its digest.

    Raises
    ------
    RunFileError
        It is damaged.

    """
    try:
        told = json.loads(read_whole(path, MOST_PLAN))
        found, key = told["plan"], told["digest"]
        if isinstance(found, dict) and key == _plan_digest(found):
            return found, str(key)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    raise RunFileError(f"{path} is damaged: start again with --force")


def checked(folder: Path) -> Iterator[tuple[Path, str | None]]:
    """What a comparison or a search keeps beside its runs, and what is wrong with each, if anything is."""
    plan, work = folder / PLAN, Journal(folder / WORK)
    if plan.exists():
        try:
            _read_plan(plan)
            yield plan, None
        except RunFileError as trouble:
            yield plan, trouble.message
    if work.path.exists():
        for _ in work.read():
            pass
        lost = f"is damaged in {work.damaged} of its lines: --resume works out again what was there"
        yield work.path, f"{work.path} {lost}" if work.damaged else None


def _plan_digest(plan: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(plan, sort_keys=True).encode("utf-8")).hexdigest()


def meaningless(members: Sequence[Case]) -> list[Summary]:
    """What came of members whose study means nothing: that it failed, and why."""
    return [
        Summary(i, 0, "failed", trouble=member.trouble, code="study")
        for i, member in enumerate(members)
        if member.study is None
    ]


def jobs_of(
    members: Sequence[Case],
    samples: int,
    tolerance: Tolerance,
    heading: Heading,
    follow: bool = False,
) -> list[Job]:
    """Every member as it stands, then draw by draw: so that what was stopped early holds for all members.

    `follow`: keep what a goal asks for along the time.
    """
    found = []
    for draw in range(samples + 1):
        for i, member in enumerate(members):
            if member.study is None:
                continue
            bare = replace(
                member.study, variants=(), swept=None, tuned=None, text="" if draw else member.text
            )
            job = Job(i, draw, light(bare), None if draw else heading, tolerance, follow)
            found.append(job)
    return found


def lost(job: Job) -> Answer:
    """What is answered for a job whose worker died of it."""
    trouble = "its worker died, perhaps for want of memory: take fewer cells, or fewer --workers"
    return Answer(
        Summary(job.member, job.draw, "failed", trouble=trouble, code="worker"), None, 0.0
    )


def carry_out(
    jobs: Sequence[Job],
    members: Sequence[Case],
    crew: WorkerPool,
    store: Store | None,
    stop: Callable[[], bool],
    tell: Callable[[int], None],
) -> list[Summary]:
    """Do the jobs; each chunk of answers is put in safety, if there is a store, before the next is looked at.

    `tell` is told how many are done.  Ends early when `stop` says so.
    """
    found: list[Summary] = []
    for answers in work_through(crew, run_case, jobs, lost=lost, stop=stop):
        if store is not None:
            store.keep(answers, members)
        found += [answer.summary for answer in answers]
        tell(len(found))
    return found


class InterruptedSearchError(Exception):
    """The search was asked to stop."""


@dataclass
class RunCache:
    """Where schedules are lapped in full; `journal`: where what is done is kept, to go on from."""

    crew: WorkerPool
    journal: Journal | None
    stop: Callable[[], bool]
    tolerance: Tolerance = field(default_factory=Tolerance)
    known: dict[str, Summary] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.journal is not None:
            self.kept = dict(self.journal.read())

    @property
    def done(self) -> int:
        """How many simulations the search rests on, in whatever sitting they were done."""
        return len(self.known)

    def lap(
        self,
        studies: Sequence[tuple[Study, int]],
        tell: Callable[[int, int], None] = lambda done, of: None,
    ) -> list[Summary]:
        """Lap studies (with their `text`) in a draw each (0: as they stand); what came of each.

        Raises
        ------
        InterruptedSearchError
            It was asked to stop; what is done is kept.
        CannotDoError
            One failed for the machine's reasons: a search that went on without it would find something else.

        """
        keys = [self._key(study, draw) for study, draw in studies]
        missing = {}
        for key, (study, draw) in zip(keys, studies, strict=True):
            if key not in self.known and key in self.kept:
                self.known[key] = Summary.of_plain(self.kept[key])
            if key not in self.known:
                missing[key] = (study, draw)
        names = list(missing)
        jobs = [self._job(k, *missing[key]) for k, key in enumerate(names)]
        count = len(keys) - len(jobs)
        tell(count, len(keys))
        if jobs:
            for answers in work_through(self.crew, run_case, jobs, lost=lost, stop=self.stop):
                for answer in answers:
                    self._keep(names[answer.summary.member], answer.summary)
                count += len(answers)
                tell(count, len(keys))
        if any(key not in self.known for key in keys):
            raise InterruptedSearchError
        return [self.known[key] for key in keys]

    def _job(self, number: int, study: Study, draw: int) -> Job:
        goal = Goal(effort=study.goal.effort) if study.goal is not None else None  # for its work
        goal = (
            goal if study.batch is None else study.goal
        )  # which says of each part whether it is out
        bare = replace(study, variants=(), swept=None, goal=goal, tuned=None, text="")
        return Job(number, draw, light(bare), None, self.tolerance, follow=study.batch is None)

    def _key(self, study: Study, draw: int) -> str:
        # What is not known is drawn by what was assumed too.
        drawn = (
            (draw, self.tolerance.share, self.tolerance.floor, sorted(study.assumed))
            if draw
            else (0,)
        )
        effort = vars(study.goal.effort) if study.goal is not None else None
        return digest_of((__version__, versions(), inputs_of(study), drawn, effort))

    def _keep(self, key: str, summary: Summary) -> None:
        if summary.machine:
            raise CannotDoError(
                f"a simulation failed: {summary.trouble}; what is done is in safety: go on with --resume",
                code=summary.code,
            )
        self.known[key] = summary
        if self.journal is not None:
            self.journal.add(key, summary.plain())
