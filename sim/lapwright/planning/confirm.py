"""Full simulations for a search: done by a crew, each kept under what it was, so that none is done twice."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from lapwright import __version__
from lapwright.errors import RunFileError
from lapwright.planning.carry_out import lost
from lapwright.planning.crew import Crew
from lapwright.planning.draws import Tolerance
from lapwright.planning.job import Job, lapped
from lapwright.planning.summary import Summary
from lapwright.planning.work import work_through
from lapwright.study.model import Study
from lapwright.study.safefile import make_folder, put_in_place

__all__ = ["Bench", "InterruptedSearchError"]


class InterruptedSearchError(Exception):
    """The search was asked to stop."""


@dataclass
class Bench:
    """Where schedules are lapped in full; `folder`: where what is done is kept, to go on from.

    `tell` is told how many of how many are done.
    """

    crew: Crew
    folder: Path | None
    stop: Callable[[], bool]
    tolerance: Tolerance = field(default_factory=Tolerance)
    known: dict[str, Summary] = field(default_factory=dict)

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

        """
        keys = [self._key(study, draw) for study, draw in studies]
        missing = {}
        for key, (study, draw) in zip(keys, studies, strict=True):
            if key not in self.known and (kept := self._kept(key)) is not None:
                self.known[key] = kept
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
        drawn = [draw, self.tolerance.share, self.tolerance.floor, sorted(study.assumed)] if draw else [0]
        # What is lapped, not how it is written: title and comments are no matter of lapping.
        told = [study.plates, study.steps, study.seed, study.rounds, study.margin]
        whole = json.dumps([__version__, repr(told), drawn])
        return hashlib.sha256(whole.encode("utf-8")).hexdigest()[:32]

    def _keep(self, key: str, summary: Summary) -> None:
        self.known[key] = summary
        if self.folder is not None:
            make_folder(self.folder)
            text = json.dumps(summary.plain(), allow_nan=False)
            put_in_place(self.folder / f"{key}.json", text.encode("utf-8"))

    def _kept(self, key: str) -> Summary | None:
        path = self.folder / f"{key}.json" if self.folder is not None else None
        if path is None or not path.exists():
            return None
        try:
            return Summary.of_plain(json.loads(path.read_text("utf-8")))
        except (OSError, ValueError, KeyError, TypeError):
            raise RunFileError(f"{path} is damaged: take it away and go on with --resume") from None
