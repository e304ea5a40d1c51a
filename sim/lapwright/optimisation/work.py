"""What a comparison or a sweep has to lap, carried out in a folder or not, and what came of it.

`Many` is what all that lap many times take alike, `Work` the jobs of a comparison and what is done of them;
`compare`, `sweep` and `tune` are what a person with Python asks of a study.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright import __version__
from lapwright.errors import CommandError, at_least_one
from lapwright.files import taken
from lapwright.optimisation.cases import Case, Tolerance, cases_of, with_cells
from lapwright.optimisation.comparison import Comparison, compared
from lapwright.optimisation.jobs import WORK, Job, Store, carry_out, jobs_of, meaningless
from lapwright.optimisation.quick_draws import with_quick_draws
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.workers import WorkerPool, in_process, processes
from lapwright.results.recorder import heading
from lapwright.specification.curves import size_names
from lapwright.specification.said import own_number, said_of, shown
from lapwright.specification.step import Load, Step
from lapwright.study.model import Study
from lapwright.study.objects import tables_of_objects
from lapwright.study.read import parse_document
from lapwright.study.resolved import digest_of, inputs_of, versions
from lapwright.study.source import document_of

if TYPE_CHECKING:
    from lapwright.optimisation.track import Tuning


NOTHING = (
    "{stem}.toml names nothing to compare: for each way of lapping write [[variants]] at its end, and below "
    'it its name and what it sets, such as name = "short stroke" and set = { "stroke.travel" = "1/6" }; or '
    'write [sweep], and below it a key and the values that it takes, such as "stroke.travel" = ["1/6", "1/3"]'
)


def tolerance_of(text: str) -> Tolerance:
    """How well start forms are known, as typed.

    Raises
    ------
    CommandError
        It is neither a share nor a size.

    """
    from lapwright.specification.quantities import SMALL, quantity, read_share
    from lapwright.specification.said import RefusedError

    try:
        share = read_share(text)
    except RefusedError:
        share = -1.0
    if "%" in text and 0.0 <= share <= 1.0:
        return Tolerance(share) if share else Tolerance(0.0, 0.0)
    try:
        return Tolerance(0.0, quantity(SMALL, least="0 um", most="100 um")(text))
    except RefusedError:
        raise CommandError(
            f'--form-tolerance {text!r} is no tolerance: write "10 %" of each form, or a size ("0.2 um")',
            key="--form-tolerance",
        ) from None


@dataclass(frozen=True)
class Many:
    """What all that lap many times take alike: draws of what is not known, coarser plates.

    `at`: where ways are compared, in place of what the study says.  `quick`: draw a comparison quickly, where
    none is drawn in full.
    """

    samples: int = 0
    tolerance: Tolerance = field(default_factory=Tolerance)
    cells: int | None = None
    at: float | str | None = None
    quick: bool = False

    def check(self, study: Study) -> None:
        """Refuse more cells than the study has.

        Raises
        ------
        CommandError
            When `cells` are not fewer.

        """
        finest = max(plate.cells for plate in study.plates.values())
        if self.cells is not None and self.cells > finest:
            raise CommandError(
                f"--cells {self.cells}: the study has {finest} already, take fewer", key="--cells"
            )

    def begin(
        self,
        store: Store,
        study: Study,
        members: Sequence[Case] = (),
        resume: bool = True,
        answers: Sequence[str] = (),
    ) -> None:
        """Make the folder ready: go on with what is in it where that is meant, else start anew.

        `answers`: files that the work will end in.

        Raises
        ------
        CommandError, RunFileError
            It cannot be gone on with.

        """
        meant = [study, *(member.study for member in members)]
        plan: dict[str, Any] = {
            "program": f"lapwright {__version__}",
            "versions": versions(),
            "study": study.text,
            "inputs": digest_of([inputs_of(one) for one in meant if one is not None]),
            "samples": self.samples,
            "tolerance": [self.tolerance.share, self.tolerance.floor],
            "cells": self.cells,
        }
        if resume and store.begun():
            store.check(plan)
            store.folder.claim(answers)  # where Python began it, which ends in none
            store.mend_studies(members)
        else:
            store.begin(plan, members, answers)


class Work:
    """All that a comparison has to lap: `jobs`, and `found`, what came of those that are done.

    Raises
    ------
    CommandError
        The study names nothing to compare, or has no more cells than are asked for.

    """

    def __init__(self, study: Study, document: Mapping[str, Any], many: Many) -> None:
        if not study.variants and study.swept is None:
            raise CommandError(
                NOTHING.replace("{stem}", study.stem), key="variants", code="missing"
            )
        many.check(study)
        if many.cells is not None:
            document = with_cells(document, study, many.cells)
        self.study, self.many = study, many
        self.store: Store | None = None
        self.members = cases_of(study, document, study.folder)
        self.jobs = jobs_of(
            self.members,
            many.samples,
            many.tolerance,
            heading(),
            follow=study.batch is None,
        )
        self.found: list[Summary] = meaningless(self.members)

    def begin(self, store: Store, resume: bool, answers: Sequence[str] = ()) -> None:
        """Make the folder ready, or go on with what is in it; `answers`: files that it will end in."""
        self.store = store
        self.many.begin(store, self.study, self.members, resume, answers)
        self.found += store.kept(self.members)

    @property
    def left(self) -> list[Job]:
        """What is to be done still."""
        known = {(got.member, got.draw) for got in self.found}
        return [job for job in self.jobs if (job.member, job.draw) not in known]

    def carry_out(
        self,
        crew: WorkerPool,
        stop: Callable[[], bool] = lambda: False,
        tell: Callable[[int], None] = lambda done: None,
    ) -> None:
        """Do what is left, until `stop` says so; `tell` is told how many are done."""
        self.found += carry_out(self.left, self.members, crew, self.store, stop, tell)

    def compared(
        self, threads: int = 1, tell: Callable[[int], None] = lambda done: None
    ) -> Comparison:
        """What came of it, when nothing is left; with quick draws, where they are wanted.

        `tell` is told of how many ways these are made.
        """
        many = self.many
        got = compared(self.study, self.members, self.found, many.tolerance, many.cells, many.at)
        return with_quick_draws(got, threads, tell) if many.quick and not many.samples else got


def compare(study: Study, many: Many, workers: int, folder: str | Path | None) -> Comparison:
    """Lap every variant of a study and every point of its sweep; a `folder` keeps what is done."""
    work = Work(study, document_of(study.text), many)
    with ExitStack() as held:
        if folder is not None:
            work.begin(
                Store(held.enter_context(taken(Path(folder), "compare", again=True))), resume=True
            )
        if work.left:
            work.carry_out(held.enter_context(crew_of(workers)))
        return work.compared(workers)


def sweep(
    study: Study,
    axes: Mapping[str, Sequence[Any]],
    workers: int,
    at: float | str | None = None,
) -> Comparison:
    """Lap a study once for every value of a key, or of every pair of values of two.

    `axes`: dotted keys as in a study file, of one step ("steps.1.stroke.overhang") or of every step
    ("stroke.overhang"), each with its values as typed; `at` as of a study.

    Raises
    ------
    StudyError
        A key or a value that no step takes.
    CommandError
        Keys of more than one step.

    """
    document = {key: value for key, value in document_of(study.text).items() if key != "variants"}
    document["sweep"] = _sweep(axes)
    planned = parse_document(document, study.stem, study.folder, text=study.text)
    work = Work(planned, document, Many(at=at, quick=True))
    with crew_of(workers) as crew:
        work.carry_out(crew)
    return work.compared(workers)


def _sweep(axes: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """The table [sweep] of a study, from keys that may name their step."""
    steps, found = set(), {}
    for key, values in axes.items():
        named = re.fullmatch(r"steps\.(\d+)\.(.+)", key)
        steps.add(int(named[1]) if named else None)
        if isinstance(values, str) or not isinstance(values, Iterable):
            message = f"{key}: {shown(own_number(values))} is one value: write a list of them"
            raise CommandError(message, key="sweep")
        name = named[2] if named else key
        found[name] = [_as_typed(name, value) for value in values]
    if len(steps) > 1:
        raise CommandError(
            f"{', '.join(axes)}: keys of one step, or of every step, can be swept together",
            key="sweep",
        )
    step = steps.pop() if steps else None
    return found if step is None else {"step": step, **found}


def _as_typed(key: str, value: Any) -> Any:
    """A value of a key of a step as a file has it: a number in SI as text with its unit."""
    value = own_number(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    name, _, inner = key.partition(".")
    if name == "stroke" and inner in (sizes := size_names()):
        typed = getattr(said_of(sizes[inner], inner).reader, "typed", None)
        return value if typed is None else typed(value)
    if inner or name == "stroke":
        raise CommandError(f"{key}: {shown(value)} has no unit: write text with one", key="sweep")
    said: dict[str, Any] = {"top": "A", "bottom": "B", "grit": "1 um", name: value}
    step = Step(**said)
    (table,) = tables_of_objects({"steps": [step]})["steps"]
    if name in table:
        return table[name]
    # The usual one is not written.
    of, field_name, one = (Load, "force", 0.0) if name == "load" else (Step, name, vars(step)[name])
    return said_of(of, field_name).reader.typed(one)


def tune(study: Study, many: Many, workers: int, folder: str | Path | None) -> Tuning:
    """Search for the goal of a study; a `folder` keeps what is lapped in full."""
    from lapwright.optimisation.askable import check_goal
    from lapwright.optimisation.tune import tuned

    check_goal(study)
    many.check(study)
    with ExitStack() as held:
        store = None
        if folder is not None:
            store = Store(held.enter_context(taken(Path(folder), "tune", again=True)))
            many.begin(store, study)
        return tuned(
            study,
            held.enter_context(crew_of(workers)),
            samples=many.samples,
            tolerance=many.tolerance,
            cells=many.cells,
            store=None if store is None else store.path / WORK,
        )


def crew_of(workers: int) -> AbstractContextManager[WorkerPool]:
    """In one process, which is this one, or in so many."""
    at_least_one("workers", workers)
    return in_process() if workers <= 1 else processes(workers)
