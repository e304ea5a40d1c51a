"""Working through many jobs with a crew: about a second of work at a time, answers as they come.

Answers come in any order; what they hold does not depend on it.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from lapwright.errors import CannotDoError
from lapwright.planning.crew import Crew

__all__ = ["AT_A_TIME", "work_through"]

J = TypeVar("J")
A = TypeVar("A")

AT_A_TIME = 1.0  # s of work in one chunk
AHEAD = 2  # chunks given out to each worker
LOOK = 0.2  # s between looks at whether to stop
GIVE_UP = 3  # jobs lost one after another before any was done: then it is not the jobs' fault


@dataclass
class _Given(Generic[J]):
    """Jobs given out together; `alone` when nothing else was at the time."""

    jobs: list[J]
    alone: bool


def _chunk(function: Callable[[J], A], jobs: Sequence[J]) -> tuple[list[A], float]:
    """Do some jobs; gives the answers and the time that each took on average [s]."""
    begun = time.perf_counter()
    answers = [function(job) for job in jobs]
    return answers, (time.perf_counter() - begun) / len(jobs)


def work_through(
    crew: Crew,
    function: Callable[[J], A],
    jobs: Sequence[J],
    *,
    lost: Callable[[J], A],
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[list[A]]:
    """Do every job; yields the answers of a chunk as it comes in.

    `function` must not raise.  `lost`: the answer in place of a job whose worker died of it.  `stop` is
    asked now and then; once it says so, nothing more is given out or waited for.

    Raises
    ------
    CannotDoError
        When the workers themselves do not work.

    """
    waiting: deque[J] = deque(jobs)
    alone: deque[J] = deque()  # jobs that a worker may have died of
    running: dict[Future[Any], _Given[J]] = {}
    pace, done_any, lost_in_a_row = 0.0, False, 0
    try:
        while (waiting or alone or running) and not stop():
            while waiting and not alone and len(running) < AHEAD * crew.workers:
                some = [waiting.popleft() for _ in range(_size(pace, len(waiting), crew.workers))]
                running[_submitted(crew, function, some)] = _Given(some, False)
            if alone and not running:
                one = [alone.popleft()]
                running[_submitted(crew, function, one)] = _Given(one, True)
            ready, _ = wait(running, timeout=LOOK, return_when=FIRST_COMPLETED)
            broken = False
            for future in ready:
                given, trouble = running.pop(future), future.exception()
                if trouble is None:
                    answers, each = future.result()
                    pace = each if pace == 0.0 else 0.7 * pace + 0.3 * each
                    done_any, lost_in_a_row = True, 0
                    yield answers
                    continue
                broken = broken or isinstance(trouble, BrokenExecutor)
                if not given.alone:
                    alone.extend(given.jobs)
                    continue
                lost_in_a_row += 1
                if not done_any and lost_in_a_row >= GIVE_UP:
                    reason = " ".join(f"{type(trouble).__name__}: {trouble}".split())[:200]
                    raise CannotDoError(f"no worker can do this work ({reason})", code="workers")
                yield [lost(given.jobs[0])]
            if broken:
                # One of what was given out killed its worker; which one shows when each is done alone.
                for given in running.values():
                    (alone if not given.alone else waiting).extend(given.jobs)
                running.clear()
                if not crew.another():
                    raise CannotDoError("the workers are gone", code="workers")
    finally:
        for future in running:
            future.cancel()


def _submitted(crew: Crew, function: Callable[[J], A], jobs: list[J]) -> Future[Any]:
    """A future of the jobs; one that has failed already where the executor takes no more."""
    try:
        return crew.executor.submit(_chunk, function, jobs)
    except BrokenExecutor as trouble:
        failed: Future[Any] = Future()
        failed.set_exception(trouble)
        return failed


def _size(pace: float, left: int, workers: int) -> int:
    """Jobs in the next chunk: a second's worth, and fewer towards the end so that all end together."""
    if pace <= 0.0:
        return 1
    return max(1, min(int(AT_A_TIME / pace), -(-left // (2 * AHEAD * workers))))
