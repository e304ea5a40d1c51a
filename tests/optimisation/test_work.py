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
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import dying
import numpy as np
import pytest
from comparing import RING, THREE
from dying import dies, dies_of_two, naps
from started import SURROUNDINGS, under_way, wait_until

from lapwright.contact import wear as loops
from lapwright.errors import CannotDoError, CommandError
from lapwright.optimisation import jobs as pieces
from lapwright.optimisation import workers
from lapwright.optimisation.cases import Tolerance, cases_of
from lapwright.optimisation.jobs import Answer, Job, jobs_of, run_case
from lapwright.optimisation.workers import (
    AT_A_TIME,
    Acquaintance,
    Lookout,
    WorkerPool,
    _size,
    cluster,
    in_process,
    processes,
    program_here,
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
@pytest.mark.often("2")
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
        for line in sys.stdin:
            cluster.scale(int(line))
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


@pytest.mark.long
def test_a_cluster_whose_workers_go_is_waited_for_and_one_that_is_gone_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    monkeypatch.setattr(workers, "ALONE", 1.0)
    script = tmp_path / "cluster.py"
    script.write_text(CLUSTER)
    told: list[str] = []
    paths = f"{SURROUNDINGS['PYTHONPATH']}{os.pathsep}{Path(dying.__file__).parent}"
    with under_way(
        [sys.executable, str(script)], stdin=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**SURROUNDINGS, "PYTHONPATH": paths},
    ) as running:  # fmt: skip
        assert running.stdin is not None
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        with cluster(address, told.append) as crew:
            print(0, file=running.stdin, flush=True)

            def heard(text: str) -> None:
                told.append(text)
                print(2, file=running.stdin, flush=True)

            assert isinstance(crew.look.__self__, Lookout)  # type: ignore[attr-defined]
            crew.look.__self__.tell = heard  # type: ignore[attr-defined]
            found = [a for some in work_through(crew, naps, range(60), lost=naps) for a in some]
            assert sorted(found) == [10 * job for job in range(60)]
            assert [text for text in told if "No worker is left" in text]
            running.kill()
            with pytest.raises(CannotDoError, match=r"no longer answers.*--resume"):
                list(work_through(crew, naps, range(60), lost=naps))
    said = capfd.readouterr()
    assert "Traceback" not in said.out + said.err


def test_a_worker_of_another_version_is_refused_by_name_and_another_kind_told_of_once() -> None:
    told: list[str] = []
    met = Acquaintance(told.append)
    met.meet(program_here(), "the worker at tcp://a:1")
    assert told == []
    met.meet({**program_here(), "processor": "z80"}, "the worker at tcp://a:1")
    met.meet({**program_here(), "processor": "z80"})
    assert len(told) == 1
    assert "the worker at tcp://a:1 has processor z80 (here " in told[0]
    with pytest.raises(
        CannotDoError, match=r"the worker at tcp://a:2 has lapwright 0\.0\.1, this is"
    ):
        met.meet({**program_here(), "lapwright": "0.0.1"}, "the worker at tcp://a:2")


def test_work_of_another_version_is_not_taken_however_late_its_worker_came(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(workers, "program_here", lambda: {"lapwright": "0.0.1"})
    other = workers._chunk(abs, [-1])[2]
    monkeypatch.undo()
    with ThreadPoolExecutor(1) as pool:
        crew = WorkerPool(pool, 1, meet=lambda there: Acquaintance(print).meet(other))
        with pytest.raises(CannotDoError, match=r"has lapwright 0\.0\.1"):
            list(work_through(crew, abs, [-1, -2], lost=abs))


def test_work_that_nobody_will_do_any_more_is_one_line() -> None:
    class Gone:
        def submit(self, *work: object) -> Future:
            future: Future = Future()
            future.cancel()
            future.set_running_or_notify_cancel()
            return future

    crew = WorkerPool(Gone(), 1, gone="the cluster no longer answers")  # type: ignore[arg-type]
    with pytest.raises(CannotDoError, match="no longer answers"):
        list(work_through(crew, abs, [1], lost=abs))


def test_that_no_worker_is_left_is_said_once_until_one_comes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(workers, "APART", 0.0)
    monkeypatch.setattr(workers, "ALONE", 0.0)
    told: list[str] = []
    there = [2, 0, 0, 1, 0]
    watch = Lookout(lambda: there.pop(0), "tcp://a:1", told.append)
    said = []
    for _ in range(5):
        watch.look()
        said.append(len(told))
    assert said == [0, 1, 1, 1, 2]
    assert "No worker is left at tcp://a:1" in told[0]


def test_a_members_run_says_by_what_it_was_lapped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pieces, "versions", lambda: {"processor": "z80"})
    answer = run_case(jobs(samples=0)[0])
    assert answer.run is not None
    assert answer.run.versions == {"processor": "z80"}
    assert answer.run.program == "lapwright"


@pytest.mark.campaign
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


@pytest.mark.campaign
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


@pytest.mark.campaign
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
        future.set_result(([function(job) for job in some], 0.1, {}))  # a tenth of a second each
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


@pytest.mark.campaign
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


@pytest.mark.campaign
def test_environment_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    with processes(1) as crew:
        assert crew.executor.submit(os.getenv, "OMP_NUM_THREADS").result() == "1"
        assert crew.executor.submit(os.getenv, "NUMBA_NUM_THREADS").result() == "1"
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "NUMBA_NUM_THREADS" not in os.environ


@pytest.mark.campaign
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
