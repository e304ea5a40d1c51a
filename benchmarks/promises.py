"""What is promised in seconds, measured: `python benchmarks/promises.py`; exit code 1 where one is not kept.

The tests count calls, looks and drawings, which no other work on the machine changes; here the clock decides,
so it wants a quiet machine. The least of several tries, each beside what is promised.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import hostile_maps
import numpy as np
from modes_scene import FREE, stroke

from lapwright.errors import StudyError
from lapwright.metrology.flatness import minimum_zone
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.reduced_model import ReducedModel
from lapwright.presentation.page import write_page
from lapwright.results.runfile import read_run
from lapwright.study.read import parse
from lapwright.verification.proof import verify
from lapwright.verification.scenes import disc

FIRST_PAIR = ROOT / "configs" / "first-pair.toml"


def least(work: Callable[[], object], times: int) -> float:
    """The least wall time of several tries [s]."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def started(*words: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "lapwright", *words],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=True,
    )


def page(folder: Path) -> float:
    """A page with its pictures, of the first pair as it is."""
    started("run", str(FIRST_PAIR), "--out", str(folder / "run"), "--no-page")
    run = read_run(folder / "run" / "run.h5")
    return least(lambda: write_page(run, folder), 3)


def prediction(turn: object) -> float:
    """Forms after a time, from a state."""
    picture = ReducedModel({"A": disc("A", 64), "B": disc("B", 64)}, [stroke(turn=turn)])
    solved, face = picture.evolution(1), picture.basis("A")
    rows, start = face.form_rows(EdgeMargin()), np.zeros(2 * face.size)

    def told() -> None:
        for _ in range(100):
            below, above = np.split(solved.after(start, 1000.0), [face.size])
            rows @ below, rows @ above

    return least(told, 20) / 100.0


def zone() -> float:
    """Flatness of a map of 65536 points, the worst of three kinds."""
    x, y = (a.ravel() for a in np.meshgrid(*2 * [np.linspace(-1.0, 1.0, 256)]))
    noise = np.random.default_rng(1).normal(size=x.size)
    return max(
        least(lambda z=z: minimum_zone(x, y, z), 3) for z in (x * x + y * y, x * x - y * y, noise)
    )


def refused() -> None:
    """A study of ten thousand keys that there are not."""
    try:
        parse("\n".join(f"key{n} = 1" for n in range(10_000)))
    except StudyError:
        return
    raise AssertionError("it was taken")


def worst_map(folder: Path) -> float:
    """The slowest of the height maps that no instrument writes."""
    os.chdir(folder)
    slowest = 0.0
    for name in hostile_maps.write_all(folder):
        begun = time.perf_counter()
        hostile_maps.tried(folder, name)
        slowest = max(slowest, time.perf_counter() - begun)
    return slowest


def main() -> int:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "maps").mkdir()
        promises = [
            ("lapwright -h", 0.3, least(lambda: started("-h"), 10)),
            ("lapwright preview", 0.4, least(lambda: started("preview", str(FIRST_PAIR)), 10)),
            ("a page with its pictures", 2.0, page(folder)),
            ("flatness of 65536 points", 0.2, zone()),
            ("a prediction, forms included", 100e-6, max(prediction(None), prediction(FREE))),
            ("a study of ten thousand wrong keys", 1.0, least(refused, 3)),
            ("the slowest of hostile maps", 1.0, worst_map(folder / "maps")),
            ("verify", 20.0, least(verify, 1)),
        ]
    for what, promised, took in promises:
        print(
            f"{what}: {took:.3g} s, promised {promised:.3g} s: {'kept' if took <= promised else 'NOT KEPT'}"
        )
    return int(any(took > promised for _, promised, took in promises))


if __name__ == "__main__":
    sys.exit(main())
