"""Who does the work: processes on this computer, or a cluster that is already there.

Either is a `concurrent.futures.Executor`; `Crew` also knows how many hands there are, and how to send them
home: no process of ours outlives us, however we end.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import connection
from typing import Any

from lapwright.errors import CannotDoError, CommandError

__all__ = ["Crew", "cluster", "in_process", "processes"]

# A worker is one thread: the simulations themselves are what runs side by side.
LIBRARIES = ("NUMBA", "OMP", "OPENBLAS", "MKL", "NUMEXPR")
ONE_THREAD = {**{f"{name}_NUM_THREADS": "1" for name in LIBRARIES}, "VECLIB_MAXIMUM_THREADS": "1"}
PATIENCE = 5.0  # s that a worker gets to end by itself


@dataclass
class Crew:
    """An executor and how many work in it; `renew` makes another in its place when a worker has died."""

    executor: Executor
    workers: int
    renew: Callable[[], Executor] | None = None
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
def in_process(number: int = 1) -> Iterator[Crew]:
    """A crew in this very process."""
    with ThreadPoolExecutor(number) as pool:
        yield Crew(pool, number)


@contextmanager
def processes(number: int) -> Iterator[Crew]:
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
            yield Crew(pool(), number, pool)
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
        from lapwright.planning.warm import warm

        warm()


def _end_with_parent() -> None:
    """Leave at once when the process that started us is gone, even killed outright."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


@contextmanager
def cluster(address: str) -> Iterator[Crew]:
    """The workers of a dask.distributed cluster that runs at `address`; it stays when we leave.

    Raises
    ------
    CommandError
        The extra `cluster` is not installed, or nobody answers there.
    CannotDoError
        The cluster has no workers, or no lapwright on them.

    """
    try:
        from distributed import Client
    except ImportError:
        raise CommandError(
            "--cluster needs the extra 'cluster': pip install 'lapwright[cluster]'", key="--cluster"
        ) from None
    try:
        client: Any = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as trouble:
        reason = " ".join(str(trouble).split())[:200]
        raise CommandError(
            f"no cluster answers at {address} ({reason}): start one with 'dask scheduler' and 'dask worker', "
            "and give the address that the scheduler prints",
            key="--cluster",
        ) from None
    try:
        yield _on_cluster(client, address)
    finally:
        client.close(timeout=5)


def _on_cluster(client: Any, address: str) -> Crew:
    from lapwright import __version__
    from lapwright.planning.warm import same_program

    threads = client.nthreads()
    if not threads:
        raise CannotDoError(
            f"the cluster at {address} has no workers: start some with 'dask worker {address}'"
        )
    try:
        found = client.run(same_program)
    except Exception as trouble:
        reason = " ".join(str(trouble).split())[:200]
        raise CannotDoError(
            f"the workers at {address} have no lapwright of this version ({reason}): "
            f"install lapwright {__version__} there"
        ) from None
    if set(found.values()) != {__version__}:
        raise CannotDoError(
            f"the workers at {address} have lapwright {', '.join(sorted(set(found.values())))}, this is "
            f"{__version__}: install the same there"
        )
    return Crew(client.get_executor(pure=False, retries=0), sum(threads.values()))
