"""Comparisons and searches: what is to be lapped, what is done already, and what came of it, best first.

A comparison is worked through by `Work`, in a folder or not, and read as a `Comparison`: its members, their
order, and its table of comma-separated values, in SI, one row for each member.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.errors import CommandError, LapwrightError
from lapwright.files import taken
from lapwright.integration.estimate import Outlook
from lapwright.optimisation.cases import Case, Tolerance, cases_of, with_cells
from lapwright.optimisation.criterion import Criterion, criterion_of
from lapwright.optimisation.jobs import WORK, Job, Store, carry_out, jobs_of, meaningless
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.workers import WorkerPool, in_process, processes
from lapwright.results.answer import Answer
from lapwright.results.recorder import heading
from lapwright.specification.said import Constructed
from lapwright.study.model import Study, guessed
from lapwright.study.read import parse_document
from lapwright.study.resolved import digest_of, inputs_of, versions
from lapwright.study.source import document_of

if TYPE_CHECKING:
    from lapwright.optimisation.track import Tuning

__all__ = [
    "BAND_ENDS",
    "Comparison",
    "Known",
    "Many",
    "Work",
    "compare",
    "compared",
    "sweep",
    "tolerance_of",
    "tune",
]


Array = NDArray[np.float64]

BAND_ENDS = (5.0, 95.0)  # per cent of the draws: nine in ten lie between


@dataclass(frozen=True)
class Known:
    """How far apart two members are in what puts them in order, and whether the program knows that well [m].

    `apart`: without a goal the worst flatness of "both" from each other; with one, how far "both" are from
    each other in what of it they are furthest from, or, where the first reaches it, how far it keeps inside
    ("first"), or, where that is sure, how far the other one is outside ("second").  `error`: twice that of
    these figures; None where it is not known.  `squeeze`: how far the grit layer gives, where that is a guess
    (else 0), with which goes what it leaves on every face; `finish`: a tenth of the grit, in which both are
    lost when `lost`.
    """

    of: Literal["both", "first", "second"]
    apart: float
    error: float | None
    squeeze: float
    finish: float
    lost: bool

    @property
    def telling(self) -> bool:
        """False where `apart` is no more than the error of it."""
        return self.error is None or self.apart > self.error


@dataclass(frozen=True, repr=False)
class Comparison(Answer, metaclass=Constructed):
    """Members of one study and what came of each.

    `nominal`: of each member as it stands; `draws`: of each member, those that were drawn, in order.
    """

    study: Study
    members: tuple[Case, ...]
    nominal: tuple[Summary, ...]
    draws: tuple[tuple[Summary, ...], ...]
    criterion: Criterion
    tolerance: Tolerance
    cells: int | None = None
    _ahead: dict[int, tuple[Outlook, ...]] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def order(self) -> tuple[int, ...]:
        """Indices of the members, best first."""
        return self.criterion.order(self.nominal)

    @property
    def done(self) -> tuple[int, ...]:
        """Those that came to their end, best first."""
        return tuple(i for i in self.order if self.nominal[i].done)

    def form(self, plate: str, name: str) -> Array:
        """A form of a plate at the end [m] of each member (members,), as they stand; nan where it tipped.

        Parameters
        ----------
        plate : str
            Name of a plate.
        name : str
            Name of a form, such as "sphere".

        Returns
        -------
        array
            (members,) [m]; nan where a member tipped or has no such form.

        """
        found = [
            got.plates[plate].forms[name] if plate in got.plates else None for got in self.nominal
        ]
        return np.array([np.nan if value is None else value for value in found], dtype=np.float64)

    def told(self) -> Mapping[str, Any]:
        """As `lapwright compare --json` has it, SI throughout.

        Returns
        -------
        mapping
            Numbers and text by key.

        """
        from lapwright.presentation.comparison_text import as_json

        return as_json(self)

    def lines(self) -> Iterable[str]:
        """What `lapwright compare` says of it.

        Returns
        -------
        iterable of str
            Line by line.

        """
        from lapwright.presentation.comparison_text import in_words

        return in_words(self)

    def __repr__(self) -> str:
        return f"<Comparison of {self.study.stem}: {', '.join(member.name for member in self.members)}>"

    @property
    def samples(self) -> int:
        """Draws of each member."""
        return max((len(some) for some in self.draws), default=0)

    @cached_property
    def _numbered(self) -> tuple[Mapping[int, Summary], ...]:
        """The draws of each member by their number: only the same numbers can be set against each other."""
        return tuple({got.draw: got for got in some} for some in self.draws)

    def ahead(self, one: int) -> tuple[Outlook, ...]:
        """What can be said of a member beforehand, step by step; nothing for one that means nothing.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple of Outlook
            One for each step; none where the member means nothing.

        """
        # A fiftieth of a second each: worked out for those that are asked for.
        if one not in self._ahead:
            self._ahead[one] = _ahead(self.members[one])
        return self._ahead[one]

    def wins(self, one: int, other: int) -> tuple[float, int]:
        """In how many draws `one` is better than `other`, and of how many; equal counts half.

        Draws in which neither came to its end do not count.

        Parameters
        ----------
        one : int
            A member, from 0.
        other : int
            Another.

        Returns
        -------
        tuple[float, int]
            How many draws it wins of how many, and of how many it can be told.

        """
        ours, theirs = self._numbered[one], self._numbered[other]
        both = [(ours[k], theirs[k]) for k in ours if k in theirs]
        pairs = [(a, b) for a, b in both if a.done or b.done]
        return sum(self.criterion.better(a, b) for a, b in pairs), len(pairs)

    def best_in(self, one: int) -> int:
        """In how many draws `one` is the best of all.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int
            Draws, from 0.

        """
        count = 0
        for k in self._numbered[one]:
            drawn = {i: self._numbered[i].get(k) for i in self.order}
            # Of those alike, the one that stands higher in the order.
            keys = {
                i: self.criterion.key(got)
                for i, got in drawn.items()
                if got is not None and got.done
            }
            count += one == min(keys, key=lambda i: keys[i], default=None)
        return count

    def all_within(self, one: int) -> int | None:
        """In how many draws all parts of a batch are within the goal; None where there is no such goal.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int or None
            Draws, from 0.

        """
        parts = self.nominal[one].parts
        if parts is None or parts.out is None:
            return None
        return sum(got.parts is not None and got.parts.out == 0 for got in self.draws[one])

    def ended_badly(self, one: int) -> int:
        """In how many draws `one` did not come to its end.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int
            Draws, from 0.

        """
        return sum(not got.done for got in self.draws[one])

    def band(self, one: int, what: Sequence[str]) -> tuple[float, float] | None:
        """From where to where nine in ten draws lie.

        Parameters
        ----------
        one : int
            Which member, from 0.
        what : tuple of str
            ("time",), ("removed",) or (plate, form).

        Returns
        -------
        tuple of float or None
            Low and high [m, s]; None where nothing was drawn.

        """
        values = [v for got in self.draws[one] if got.done and (v := _value(got, what)) is not None]
        return _band(values)

    def flatness_band(self, one: int) -> tuple[float, float] | None:
        """The same of the worst plate's flatness [m], whichever plate that is.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple[float, float] or None
            Low and high [m]; None where nothing was drawn.

        """
        flat = Criterion()
        return _band(
            [v for got in self.draws[one] if got.done and math.isfinite(v := flat.figure(got))]
        )

    def known(self, one: int, other: int) -> Known:
        """Whether two members are further apart than the program knows.

        Parameters
        ----------
        one : int
            A member, from 0.
        other : int
            Another.

        Returns
        -------
        Known
            Whether, and by how much.

        """
        flat = Criterion()
        a, b = self.nominal[one], self.nominal[other]
        figures = flat.figure(a), flat.figure(b)
        finish = min(step.grit.size for i in (one, other) for step in _steps(self.members[i])) * 0.1
        squeeze = max((self.squeeze(i) for i in (one, other)), default=0.0)
        beside: dict[str, Any] = {
            "squeeze": squeeze,
            "finish": finish,
            "lost": max(*figures, *(self._most_flatness(i) for i in (one, other))) < finish,
        }
        if self.criterion.goal is not None and self.criterion.figure(a) <= 1.0:
            first, second = (
                Known("first", *self._inside(a), **beside),
                Known("second", *self._inside(b), **beside),
            )
            # Who reaches a goal stands before who does not: neither may be in doubt.
            return (
                second
                if first.telling and self.criterion.figure(b) > 1.0 and not second.telling
                else first
            )
        shares, errors = (
            [self.criterion.figure(s) for s in (a, b)],
            [self.criterion.error(s) for s in (a, b)],
        )
        limit, known = self.criterion.limit(a), [e for e in errors if e is not None]
        error = 2.0 * limit * math.hypot(*known) if len(known) == 2 else None
        return Known("both", limit * abs(shares[0] - shares[1]), error, **beside)

    def _most_flatness(self, one: int) -> float:
        """The worst plate's flatness [m] at the high end of its band: by draws, or by the layer."""
        if (band := self.flatness_band(one)) is not None:
            return band[1]
        bands = [ended.by_layer.get("flatness") for ended in self.nominal[one].plates.values()]
        return max((band[1] for band in bands if band is not None), default=0.0)

    def _inside(self, got: Summary) -> tuple[float, float | None]:
        """How far from the limit is what of the goal is nearest to it, and twice the error of that [m]."""
        limit, error = self.criterion.limit(got), self.criterion.error(got)
        return limit * abs(
            1.0 - self.criterion.figure(got)
        ), None if error is None else 2.0 * limit * error

    def squeeze(self, one: int) -> float:
        """How far the grit layer gives in the last step of a member [m], if that is a guess; else 0.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        float
            [m]

        """
        study = self.members[one].study
        if study is None:
            return 0.0
        ahead = self.ahead(one) if guessed(study, len(study.steps), "layer") else ()
        return ahead[-1].squeeze if ahead else 0.0

    def half_difference(self, one: int) -> tuple[float, float, float | None] | None:
        """Half the change of the difference of the domes of a pair at margin 0, as in the study's first step.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple[float, float, float or None] or None
            It [m], half the change of their sum [m], and the first by the moment law with the metal that
            really went [m], None where that does not tell; None where there is no such pair.

        """
        member, got = self.members[one], self.nominal[one]
        if member.study is None or not got.done or len(got.plates) != 2 or got.parts:
            return None
        top, bottom = member.study.steps[0].top, member.study.steps[0].bottom
        change = {}
        for name in (top, bottom):
            ended = got.plates[name]
            before, after = (
                forms.get("sphere") for forms in (ended.before_margin0, ended.forms_margin0)
            )
            if before is None or after is None:
                return None
            change[name] = after - before
        law = _by_law(member.study, self.ahead(one), bottom, got)
        return 0.5 * (change[bottom] - change[top]), 0.5 * (change[bottom] + change[top]), law


def _band(values: Sequence[float]) -> tuple[float, float] | None:
    if len(values) < 2:
        return None
    low, high = np.percentile(values, BAND_ENDS)
    return float(low), float(high)


def _steps(member: Case) -> Sequence:  # type: ignore[type-arg]
    return member.study.steps if member.study is not None else ()


def _by_law(study: Study, ahead: Sequence[Outlook], bottom: str, got: Summary) -> float | None:
    if not ahead or study.rounds != 1:
        return None
    total = 0.0
    for step, look in zip(study.steps, ahead, strict=True):
        if look.half_difference is None:
            return None
        total += look.half_difference if step.bottom == bottom else -look.half_difference
    expected = sum(look.removed for look in ahead)
    return total * got.removed / expected if expected > 0.0 else None


def _ahead(member: Case) -> tuple[Outlook, ...]:
    if member.study is None:
        return ()
    try:
        return member.study.ahead
    except LapwrightError:
        return ()


def _value(got: Summary, what: Sequence[str]) -> float | None:
    if len(what) == 1:
        if what[0] == "time":
            return got.time
        return got.removed if got.parts is None else got.parts.removed  # of a batch: off the plate
    ended = got.plates.get(what[0])
    if ended is None:
        return None
    return ended.removed if what[1] == "removed" else ended.forms.get(what[1])


def compared(
    study: Study,
    members: Sequence[Case],
    summaries: Iterable[Summary],
    tolerance: Tolerance = Tolerance(),  # noqa: B008 (frozen)
    cells: int | None = None,
) -> Comparison:
    """Put what came of the members in order, in whatever order it came.

    Raises
    ------
    KeyError
        When a member is missing.

    """
    found: Mapping[tuple[int, int], Summary] = {(got.member, got.draw): got for got in summaries}
    draws = max((draw for _, draw in found), default=0)
    return Comparison(
        study,
        tuple(members),
        tuple(found[i, 0] for i in range(len(members))),
        tuple(
            tuple(found[i, k] for k in range(1, draws + 1) if (i, k) in found)
            for i in range(len(members))
        ),
        criterion_of(study),
        tolerance,
        cells,
    )


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
    """What all that lap many times take alike: draws of what is not known, coarser plates."""

    samples: int = 0
    tolerance: Tolerance = field(default_factory=Tolerance)
    cells: int | None = None

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
            follow=study.goal is not None and study.batch is None,
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

    def compared(self) -> Comparison:
        """What came of it, when nothing is left."""
        return compared(self.study, self.members, self.found, self.many.tolerance, self.many.cells)


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
        return work.compared()


def sweep(study: Study, axes: Mapping[str, Sequence[Any]], workers: int) -> Comparison:
    """Lap a study once for every value of a key, or of every pair of values of two.

    `axes`: dotted keys as in a study file, of one step ("steps.1.stroke.overhang") or of every step
    ("stroke.overhang"), each with its values as typed.

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
    work = Work(planned, document, Many())
    with crew_of(workers) as crew:
        work.carry_out(crew)
    return work.compared()


def _sweep(axes: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """The table [sweep] of a study, from keys that may name their step."""
    steps, found = set(), {}
    for key, values in axes.items():
        named = re.fullmatch(r"steps\.(\d+)\.(.+)", key)
        steps.add(int(named[1]) if named else None)
        found[named[2] if named else key] = list(values)
    if len(steps) > 1:
        raise CommandError(
            f"{', '.join(axes)}: keys of one step, or of every step, can be swept together",
            key="sweep",
        )
    step = steps.pop() if steps else None
    return found if step is None else {"step": step, **found}


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
    return in_process() if workers <= 1 else processes(workers)
