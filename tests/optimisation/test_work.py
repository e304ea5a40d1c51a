"""Work given out: nothing depends on who does it, and what goes wrong stays where it went wrong."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from comparing import RING, THREE
from dying import dies, dies_of_two
from started import under_way, wait_until

from lapwright.contact import wear as loops
from lapwright.errors import CannotDoError, CommandError
from lapwright.optimisation.cases import Tolerance, cases_of
from lapwright.optimisation.jobs import Answer, Job, jobs_of, run_case
from lapwright.optimisation.workers import (
    AT_A_TIME,
    WorkerPool,
    _size,
    cluster,
    in_process,
    processes,
    warm,
    work_through,
)
from lapwright.results.recorder import Heading
from lapwright.study.read import parse
from lapwright.study.source import document_of


def jobs(text: str = THREE, samples: int = 1) -> list[Job]:
    study = parse(text, "study")
    return jobs_of(
        cases_of(study, document_of(text)), samples, Tolerance(), Heading("lapwright", {})
    )


RING_SWEPT = RING + '[sweep]\n"stroke.radius" = ["8 mm", "12 mm"]\n'


def everything() -> list[Job]:
    """Discs, one of them tipping, as they stand and drawn once; and a ring on a plate."""
    return jobs() + [replace(job, member=9 + job.member) for job in jobs(RING_SWEPT, 0)]


def bits(answers: list[Answer]) -> dict[tuple[int, int], tuple]:
    """Everything in the answers but how long they took, to the last bit."""
    out = {}
    for answer in answers:
        summary = answer.summary
        maps = {}
        if answer.run is not None:
            maps = {name: r.frames.tobytes() for name, r in answer.run.plates.items()}
        out[summary.member, summary.draw] = json.dumps(summary.plain()), maps
    return out


def through(crew: WorkerPool, some: list[Job]) -> dict[tuple[int, int], tuple]:
    return bits([a for chunk in work_through(crew, run_case, some, lost=run_case) for a in chunk])


@pytest.fixture(scope="module")
def here() -> dict[tuple[int, int], tuple]:
    with in_process() as crew:
        return through(crew, everything())


@pytest.mark.campaign
@pytest.mark.parametrize("number", [1, 2])
def test_processes_give_the_same_bits(here: dict, number: int) -> None:
    before = set(multiprocessing.active_children())
    with processes(number) as crew:
        assert through(crew, everything()) == here
    assert set(multiprocessing.active_children()) == before


CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        cluster.wait_for_workers(2)
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory):
    """The address of a real cluster on this computer, of two worker processes."""
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    script = tmp_path_factory.mktemp("cluster") / "cluster.py"
    script.write_text(CLUSTER)
    with subprocess.Popen(
        [sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=script.parent,
    ) as running:  # fmt: skip
        assert running.stdin
        assert running.stdout
        try:
            yield running.stdout.readline().strip()
        finally:
            running.stdin.close()
            wait_until(lambda: running.poll() is not None, "the cluster has ended")


@pytest.mark.campaign
def test_a_cluster_gives_the_same_bits(here: dict, address: str) -> None:
    with cluster(address) as crew:
        assert crew.workers == 2
        assert through(crew, everything()) == here
    with cluster(address) as crew:  # it was not ours to close
        assert crew.workers == 2


def test_no_cluster_there_is_said_in_one_line() -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    with (
        pytest.raises(CommandError, match="no cluster answers at nonsense"),
        cluster("nonsense:://"),
    ):
        pass


def test_a_member_that_tips_says_so_and_the_rest_is_done(here: dict) -> None:
    outcomes = {key: json.loads(plain)["outcome"] for key, (plain, _) in here.items()}
    assert outcomes[0, 0] == outcomes[2, 0] == "done"
    assert outcomes[1, 0] == outcomes[1, 1] == "tipped"
    assert "tips" in json.loads(here[1, 0][0])["trouble"]


def test_a_fault_of_the_program_is_an_answer_too() -> None:
    broken = jobs()[0]
    bad = replace(
        broken, study=replace(broken.study, steps=(replace(broken.study.steps[0], curve=None),))
    )
    answer = run_case(bad)
    assert answer.summary.outcome == "failed"
    assert answer.summary.code == "internal"
    assert "not yours" in answer.summary.trouble


def test_a_worker_that_dies_costs_its_own_job_only() -> None:
    with processes(2) as crew:
        found = [
            a for some in work_through(crew, dies_of_two, range(6), lost=lambda j: -j) for a in some
        ]
    assert sorted(found) == [-2, 0, 10, 30, 40, 50]


@pytest.mark.campaign
def test_workers_that_only_die_are_given_up() -> None:
    with processes(1) as crew, pytest.raises(CannotDoError, match="no worker can do this"):
        list(work_through(crew, dies, range(20), lost=lambda j: j))


def test_stop_is_heard_and_nothing_more_is_given_out() -> None:
    given: list[int] = []

    def slow(job: int) -> int:
        given.append(job)
        time.sleep(0.05)
        return job

    with in_process() as crew:
        found = []
        for some in work_through(crew, slow, range(1000), lost=slow, stop=lambda: len(given) > 3):
            found += some
    assert len(found) < 50
    assert len(given) < 100


class Counting:
    """An executor that does nothing but note what it was given."""

    def __init__(self) -> None:
        self.sizes: list[int] = []

    def submit(self, work: Callable, function: Callable, some: list) -> Future:
        self.sizes.append(len(some))
        future: Future = Future()
        future.set_result(([function(job) for job in some], 0.1))  # a tenth of a second each
        return future


def test_chunks_are_about_a_second_of_work_and_shorter_at_the_end() -> None:
    executor = Counting()
    found = list(
        work_through(WorkerPool(executor, 2), lambda job: job, range(200), lost=lambda job: job)
    )  # type: ignore[arg-type]
    assert sorted(job for some in found for job in some) == list(range(200))
    assert max(executor.sizes) == int(AT_A_TIME / 0.1)
    assert executor.sizes[-1] == 1
    assert _size(5.0, 100, 2) == 1


def alive(pids: list[int]) -> list[int]:
    found = []
    for pid in pids:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except OSError:
            continue
        if state != "Z":
            found.append(pid)
    return found


ENDLESS = """
import sys, time, os
from lapwright.optimisation.workers import processes
from lapwright.optimisation.workers import work_through

def naps(job):
    print(os.getpid(), flush=True)
    time.sleep(600)
    return job

if __name__ == "__main__":
    with processes(2) as crew:
        list(work_through(crew, naps, range(4), lost=naps))
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to look for children in")
@pytest.mark.parametrize(
    "how",
    [
        "ctrl-c in a terminal",
        pytest.param("ctrl-c to the parent alone", marks=pytest.mark.campaign),
        pytest.param("kill -9", marks=pytest.mark.campaign),
    ],
)
def test_no_worker_outlives_its_parent(tmp_path: Path, how: str) -> None:
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS)
    command = [sys.executable, str(script)]
    with under_way(command, stderr=subprocess.DEVNULL, start_new_session=True) as running:
        assert running.stdout
        workers = [
            int(running.stdout.readline()) for _ in range(2)
        ]  # each says so once it is at work
        assert len(alive(workers)) == 2
        if how == "ctrl-c in a terminal":
            os.killpg(running.pid, signal.SIGINT)
        else:
            os.kill(running.pid, signal.SIGKILL if how == "kill -9" else signal.SIGINT)
        wait_until(lambda: running.poll() is not None, "the parent has ended")
    wait_until(lambda: not alive(workers), "its workers are gone")


def test_environment_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    with processes(1) as crew:
        assert crew.executor.submit(os.getenv, "OMP_NUM_THREADS").result() == "1"
        assert crew.executor.submit(os.getenv, "NUMBA_NUM_THREADS").result() == "1"
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "NUMBA_NUM_THREADS" not in os.environ


def test_maps_are_the_members_own(here: dict) -> None:
    frames = np.frombuffer(here[0, 0][1]["A"])
    assert np.isfinite(frames).all()
    assert here[0, 0][1]["A"] != here[2, 0][1]["A"]


def test_a_warm_worker_has_met_both_loops(monkeypatch: pytest.MonkeyPatch) -> None:
    met = set()
    for name in ("wear_shifted", "wear_turned"):
        loop = getattr(loops, name)
        monkeypatch.setattr(loops, name, lambda *a, n=name, f=loop: (met.add(n), f(*a))[1])
    warm()
    assert met == {"wear_shifted", "wear_turned"}
