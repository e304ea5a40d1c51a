"""Who does the work: processes on this computer, or a cluster that is already there.

Either is a `concurrent.futures.Executor`; `WorkerPool` also knows how many hands there are, and how to send
them home: no process of ours outlives us, however we end.

Working through many jobs with a crew: about a second of work at a time, answers as they come.

Answers come in any order; what they hold does not depend on it.

What a worker does once: have every kernel compiled, and say which program it is.
"""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import connection
from typing import Any, Generic, TypeVar

from lapwright import __version__
from lapwright.errors import CannotDoError, CommandError
from lapwright.study.resolved import BEARING, versions

# A worker is one thread: the simulations themselves are what runs side by side.
LIBRARIES = ("NUMBA", "OMP", "OPENBLAS", "MKL", "NUMEXPR")
ONE_THREAD = {**{f"{name}_NUM_THREADS": "1" for name in LIBRARIES}, "VECLIB_MAXIMUM_THREADS": "1"}
PATIENCE = 5.0  # s that a worker gets to end by itself
APART = 2.0  # s between two looks at whether a cluster has workers
ALONE = 10.0  # s without one until that is said


@dataclass
class WorkerPool:
    """An executor and how many work in it; `renew` makes another in its place when a worker has died.

    `look` is called while nothing comes in, and may say something; `meet` is told what each chunk was done by
    (`program_here`), and refuses it where it is another program.  `gone`: what is said when no work can be
    given out any more.
    """

    executor: Executor
    workers: int
    renew: Callable[[], Executor] | None = None
    look: Callable[[], None] = lambda: None
    meet: Callable[[Mapping[str, str]], None] = lambda there: None
    gone: str = "the workers are gone"
    replaced: list[Executor] = field(default_factory=list)

    def another(self) -> bool:
        """Go on with a new executor; False when there is none to be had."""
        if self.renew is None:
            return False
        self.executor = self.renew()
        return True


def available() -> int:
    """Cores that this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return max(1, os.cpu_count() or 1)


@contextmanager
def in_process(number: int = 1) -> Iterator[WorkerPool]:
    """A crew in this very process."""
    with ThreadPoolExecutor(number) as pool:
        yield WorkerPool(pool, number)


@contextmanager
def processes(number: int) -> Iterator[WorkerPool]:
    """So many worker processes, started anew (spawned), gone when the context ends, however it ends."""
    before = set(multiprocessing.active_children())
    made: list[Executor] = []
    context = multiprocessing.get_context("spawn")

    def pool() -> Executor:
        lock = context.Lock()
        made.append(ProcessPoolExecutor(number, context, initializer=_begin, initargs=(lock,)))
        return made[-1]

    with _surroundings(ONE_THREAD):
        try:
            yield WorkerPool(pool(), number, pool)
        finally:
            _send_home(made, before)


@contextmanager
def _surroundings(wanted: dict[str, str]) -> Iterator[None]:
    """Environment variables for processes started meanwhile; what was there comes back."""
    before = {name: os.environ.get(name) for name in wanted}
    os.environ.update(wanted)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _send_home(pools: list[Executor], before: set[Any]) -> None:
    """End every worker: what they were at is not wanted any more."""
    ours = [child for child in multiprocessing.active_children() if child not in before]
    for child in ours:
        child.terminate()
    # Only looked at, not joined: the pool's own thread joins them, and two that wait for one child miss it.
    until = time.monotonic() + PATIENCE
    while left := [child for child in ours if not connection.wait([child.sentinel], 0.0)]:
        if time.monotonic() > until:
            for child in left:
                child.kill()
            break
        connection.wait([child.sentinel for child in left], 0.1)
    for pool in pools:
        pool.shutdown(wait=True, cancel_futures=True)


def _begin(lock: Any) -> None:
    """What a worker does first: leave Ctrl-C to us, end when we end, and have the kernels compiled.

    One compiles while the others wait, and then reads what it left: numba keeps kernels on the disk.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with lock:
        warm()


def _end_with_parent() -> None:
    """Leave at once when the process that started us is gone, even killed outright."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


@contextmanager
def cluster(address: str, tell: Callable[[str], None] = print) -> Iterator[WorkerPool]:
    """The workers of a dask.distributed cluster that runs at `address`; it stays when we leave.

    `tell` is told what a person should know: that no worker is there, or one of another kind.

    Raises
    ------
    CommandError
        The extra `cluster` is not installed, or nobody answers there.
    CannotDoError
        The cluster has no workers, or no lapwright on them, or another.

    """
    try:
        from distributed import Client
    except ImportError:
        raise CommandError(
            "--cluster needs the extra 'cluster': pip install 'lapwright[cluster]'", key="--cluster"
        ) from None
    with _quiet():
        try:
            client: Any = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
        except (OSError, ValueError, TimeoutError) as trouble:
            reason = " ".join(str(trouble).split())[:200]
            raise CommandError(
                f"no cluster answers at {address} ({reason}): start one with 'dask scheduler' and "
                "'dask worker', and give the address that the scheduler prints",
                key="--cluster",
            ) from None
        try:
            yield _on_cluster(client, address, tell)
        finally:
            with contextlib.suppress(Exception):  # the scheduler may be gone
                client.close(timeout=5)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep what libraries log to themselves: what a person needs is said in our words."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


def _on_cluster(client: Any, address: str, tell: Callable[[str], None]) -> WorkerPool:
    threads = client.nthreads()
    if not threads:
        raise CannotDoError(
            f"the cluster at {address} has no workers: start some with 'dask worker {address}'"
        )
    met = Acquaintance(tell)
    try:
        found = client.run(program_here)
    except Exception as trouble:
        reason = " ".join(str(trouble).split())[:200]
        raise CannotDoError(
            f"the workers at {address} have no lapwright of this version ({reason}): "
            f"install lapwright {__version__} there"
        ) from None
    for name, there in found.items():
        met.meet(there, f"the worker at {name}")

    return WorkerPool(
        client.get_executor(pure=False, retries=0),
        sum(threads.values()),
        look=Lookout(lambda: len(client.nthreads()), address, tell).look,
        meet=met.meet,
        gone=f"the cluster at {address} no longer answers: what is done is in safety; start the cluster "
        "again, and go on with --resume",
    )


@dataclass
class Acquaintance:
    """Workers that were met: of another program they are refused, of another kind told of once each kind."""

    tell: Callable[[str], None]
    known: set[str] = field(default_factory=set)

    def meet(self, there: Mapping[str, str], who: str = "a worker") -> None:
        """Look at what a worker works with.

        Raises
        ------
        CannotDoError
            Its lapwright is another.

        """
        here = program_here()
        if there["lapwright"] != here["lapwright"]:
            raise CannotDoError(
                f"{who} has lapwright {there['lapwright']}, this is {here['lapwright']}: "
                "install the same there"
            )
        unlike = [n for n in (*BEARING, "processor") if there.get(n) != here[n]]
        words = ", ".join(f"{n} {there.get(n, 'unknown')} (here {here[n]})" for n in unlike)
        if words and words not in self.known:
            self.known.add(words)
            self.tell(f"Mind: {who} has {words}: last bits of the answer may differ with that")


@dataclass
class Lookout:
    """Looks now and then whether a cluster has workers (`count`), and says where it has none for long."""

    count: Callable[[], int]
    address: str
    tell: Callable[[str], None]
    looked: float = field(default_factory=time.monotonic)
    seen: float = field(default_factory=time.monotonic)
    told: bool = False

    def look(self) -> None:
        """Say once that nobody is there."""
        now = time.monotonic()
        if now - self.looked < APART:
            return
        try:
            there = self.count()
        except Exception:  # whatever a scheduler that is going raises: its futures tell the rest
            there = 0
        self.looked = time.monotonic()
        if there:
            self.seen, self.told = self.looked, False
        elif not self.told and self.looked - self.seen >= ALONE:
            self.told = True
            self.tell(
                f"No worker is left at {self.address}: waiting for new ones ('dask worker {self.address}'); "
                "Ctrl-C stops, and what is done is in safety"
            )


J = TypeVar("J")
A = TypeVar("A")

AT_A_TIME = 1.0  # s of work in one chunk
AHEAD = 2  # chunks given out to each worker
LOOK = 0.2  # s between looks at whether to stop
ENDED = "each was ended before it had done any: memory ran short, or somebody ended it; --resume goes on"
GIVE_UP = 3  # jobs lost one after another before any was done: then it is not the jobs' fault


@dataclass
class _Given(Generic[J]):
    """Jobs given out together; `alone` when nothing else was at the time."""

    jobs: list[J]
    alone: bool


def _chunk(
    function: Callable[[J], A], jobs: Sequence[J]
) -> tuple[list[A], float, Mapping[str, str]]:
    """Do some jobs; gives the answers, the time that each took on average [s], and what did them."""
    begun = time.perf_counter()
    answers = [function(job) for job in jobs]
    return answers, (time.perf_counter() - begun) / len(jobs), program_here()


def work_through(
    crew: WorkerPool,
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
            if not ready:
                crew.look()
            broken = False
            for future in ready:
                given = running.pop(future)
                try:
                    trouble = future.exception()
                except CancelledError:  # whoever was to do it is not there any more
                    raise CannotDoError(crew.gone, code="workers") from None
                if trouble is None:
                    answers, each, there = future.result()
                    crew.meet(there)
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
                    if isinstance(trouble, BrokenExecutor):
                        reason = ENDED
                    raise CannotDoError(f"no worker can do this work ({reason})", code="workers")
                yield [lost(given.jobs[0])]
            if broken:
                # One of what was given out killed its worker; which one shows when each is done alone.
                for given in running.values():
                    (alone if not given.alone else waiting).extend(given.jobs)
                running.clear()
                if not crew.another():
                    raise CannotDoError(crew.gone, code="workers")
    finally:
        for future in running:
            future.cancel()


def _submitted(crew: WorkerPool, function: Callable[[J], A], jobs: list[J]) -> Future[Any]:
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


def program_here() -> dict[str, str]:
    """What works here: the program, what it stands on, and the kind of processor."""
    return {"lapwright": __version__, **versions()}


def warm() -> None:
    """Lap a pair for a few strokes, once cell on cell, over enough cells, and once turning: both loops."""
    from dataclasses import replace
    from math import radians

    from lapwright.integration.loop import lap
    from lapwright.specification.curves import Circle
    from lapwright.specification.outline import Disc
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Grit, Layer, Step, Turn, Wear

    a = Plate(Disc(0.1), thickness=0.02, cells=80, name="A")
    grit = Grit("15 um", 15e-6, Wear(iron=1e-12), Layer(1e-6))
    step = Step("A", "B", grit, curve=Circle(0.04), strokes=2)
    for turn in (Turn(), Turn(radians(8.0))):
        for _ in lap({"A": a, "B": replace(a, name="B")}, [replace(step, turn=turn)]):
            pass
