"""Full simulations for a search: done by a crew, each kept under what it was, so that none is done twice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from lapwright import __version__
from lapwright.errors import CannotDoError
from lapwright.planning.carry_out import lost
from lapwright.planning.crew import Crew
from lapwright.planning.draws import Tolerance
from lapwright.planning.job import Job, lapped
from lapwright.planning.journal import Journal
from lapwright.planning.summary import Summary
from lapwright.planning.work import work_through
from lapwright.study.identity import digest_of, inputs_of, versions
from lapwright.study.model import Study

__all__ = ["Bench", "InterruptedSearchError"]


class InterruptedSearchError(Exception):
    """The search was asked to stop."""


@dataclass
class Bench:
    """Where schedules are lapped in full; `journal`: where what is done is kept, to go on from."""

    crew: Crew
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
        self, studies: Sequence[tuple[Study, int]], tell: Callable[[int, int], None] = lambda done, of: None
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
            for answers in work_through(self.crew, lapped, jobs, lost=lost, stop=self.stop):
                for answer in answers:
                    self._keep(names[answer.summary.member], answer.summary)
                count += len(answers)
                tell(count, len(keys))
        if any(key not in self.known for key in keys):
            raise InterruptedSearchError
        return [self.known[key] for key in keys]

    def _job(self, number: int, study: Study, draw: int) -> Job:
        plates = {name: replace(plate) for name, plate in study.plates.items()}
        bare = replace(study, plates=plates, variants=(), swept=None, goal=None, text="")
        return Job(number, draw, bare, None, self.tolerance, follow=True)

    def _key(self, study: Study, draw: int) -> str:
        # What is not known is drawn by what was assumed too.
        drawn = (draw, self.tolerance.share, self.tolerance.floor, sorted(study.assumed)) if draw else (0,)
        return digest_of((__version__, versions(), inputs_of(study), drawn))

    def _keep(self, key: str, summary: Summary) -> None:
        if summary.machine:
            raise CannotDoError(
                f"a simulation failed: {summary.trouble}; what is done is in safety: go on with --resume",
                code=summary.code,
            )
        self.known[key] = summary
        if self.journal is not None:
            self.journal.add(key, summary.plain())
