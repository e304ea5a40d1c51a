"""How fast the engine is, beside a slow NumPy twin and a memory copy timed in the same run.

    python benchmarks/speed.py                 everything, ten minutes; rewrites benchmarks/results.md
    python benchmarks/speed.py --quick         no runs stroke by stroke, no whole processes; writes nothing
    python benchmarks/speed.py --before DIR    beside another checkout of this program, by turns, as ratios

Seconds are those of one machine; what is asked of them is asked as a ratio to the program of commit 1efe658,
before turned strokes were right: `git worktree add DIR 1efe658`.

One core unless threads are named. Processor time where one thread works, so that other work on the
machine tells less; wall time for threads and whole processes. Medians, the least beside them.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import pi, radians
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests"), str(ROOT / "benchmarks")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one core unless threads are named

import numba
import numpy as np
import picture
import schedules
import slow_twin
from numpy.typing import NDArray

from lapwright.contact import average as averages
from lapwright.contact import equilibrium as solver
from lapwright.contact import wear as loops
from lapwright.integration import loop as engine
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings, State
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.specification.curves import FigureEight, path_length
from lapwright.specification.outline import Disc
from lapwright.specification.plate import (
    Plate,
    StartForm,
)
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import GRAVITY

Array = NDArray[np.float64]

RESULTS = ROOT / "benchmarks" / "results.md"
FIRST_PAIR = ROOT / "configs" / "first-pair.toml"
STILL, TURN = Turn(), Turn(radians(8.0))
LOAD = 3000.0 * pi * 0.08**2
EVERY_STROKE = Settings(poses=64, fewest_poses=64, most_poses=64, tolerance=1e-18, longest=1e-9)
EIGHT = FigureEight(0.08, 0.04)


@dataclass
class Results:
    """Rows of the table: what, target, measured, whether the target is met (None: no target)."""

    rows: list[tuple[str, str, str, bool | None]] = field(default_factory=list)

    def add(self, what: str, measured: str, target: str = "", met: bool | None = None) -> None:
        """Note a row and print it."""
        self.rows.append((what, target, measured, met))
        print(
            f"{what}: {measured}"
            + (f"   target {target}: {'met' if met else 'MISSED'}" if target else "")
        )

    def text(self) -> str:
        """The rows as a table."""
        lines = ["| what | target | measured | |", "| --- | --- | --- | --- |"]
        for what, target, measured, met in self.rows:
            verdict = "" if met is None else "met" if met else "**missed**"
            lines.append(f"| {what} | {target} | {measured} | {verdict} |")
        return "\n".join(lines)


def timed(
    work: Callable[[], object], times: int, clock: Callable[[], float] = time.process_time
) -> list[float]:
    out = []
    for _ in range(times):
        start = clock()
        work()
        out.append(clock() - start)
    return out


def said(seconds: list[float]) -> str:
    return f"{statistics.median(seconds):.3f} s (least {min(seconds):.3f})"


def hour(
    turn: Turn, twist: float, settings: Settings, threads: int = 1
) -> tuple[list[State], dict[str, Plate]]:
    """An hour, 3600 strokes, 128 x 128, eight of 80 x 40 mm on 160 mm, layer 3 um at 3 kPa, 30 um removed."""
    a = Plate(Disc(0.16), mass=LOAD / GRAVITY, form=StartForm(sphere=3e-6, twist=twist), name="A")
    plates = {"A": a, "B": replace(a, name="B", form=StartForm(sphere=-1e-6))}
    kappa = 30e-6 / (3000.0 * path_length(EIGHT) * 3600.0)
    grit = Grit("g", 60e-6, Wear(iron=kappa), Layer(3e-6))
    step = Step("A", "B", grit, curve=EIGHT, pace=1.0, turn=turn, time=3600.0)
    return list(lap(plates, [step], settings=settings, threads=threads)), plates


def apart(end: State, other: State, plates: dict[str, Plate]) -> tuple[float, float, str]:
    """Largest difference of sphere, saddle, twist [m]; rms of heights over removal; all of them in words."""
    worst, rms, words = 0.0, 0.0, []
    for name, plate in plates.items():
        a, b = (forms(plate, m.heights[name], EdgeMargin()) for m in (end, other))
        off = {k: getattr(a, k) - getattr(b, k) for k in ("sphere", "saddle", "twist")}
        worst = max(worst, *map(abs, off.values()))
        share = plate.land / plate.land.sum()
        d = end.heights[name] - other.heights[name]
        d = d - (share * d).sum()
        rms = max(rms, float((share * d * d).sum() ** 0.5) / end.removed[name])
        words.append(f"{name}: " + ", ".join(f"{k} {1e9 * v:+.1f}" for k, v in off.items()))
    return worst, rms, "; ".join(words) + " nm"


def with_one_lattice(work: Callable[[], tuple[list[State], dict[str, Plate]]]) -> State:
    """Run with the same poses in every block."""
    old = engine._Work._shift
    engine._Work._shift = lambda self, clock: (0.5, 0.5)  # type: ignore[method-assign]
    try:
        return work()[0][-1]
    finally:
        engine._Work._shift = old  # type: ignore[method-assign]


def where_they_are(turn: Turn, twist: float) -> State:
    """Fine blocks of 256 poses, none rounded to whole cells."""
    old = averages.Pair._on_cells
    averages.Pair._on_cells = lambda self, rows: None  # type: ignore[method-assign]
    fine = Settings(poses=256, fewest_poses=256, most_poses=256, tolerance=5e-4, longest=0.25)
    try:
        return hour(turn, twist, fine, threads=2)[0][-1]
    finally:
        averages.Pair._on_cells = old  # type: ignore[method-assign]


def hours(results: Results, quick: bool) -> None:
    for turn, what in ((STILL, "without turning"), (TURN, "turning 8 degrees a stroke")):
        taken = timed(lambda turn=turn: hour(turn, 0.0, Settings()), 7)
        moments, plates = hour(turn, 0.0, Settings())
        end = moments[-1]
        blocks = sum(m.event == "block" for m in moments)
        results.add(
            f"an hour of lapping, {what} ({blocks} blocks, {1e6 * end.removed['A']:.2f} um removed)",
            said(taken),
        )
        if quick:
            continue
        real, _ = hour(turn, 0.0, EVERY_STROKE, threads=2)
        worst, rms, words = apart(end, real[-1], plates)
        against = (
            f"{what}, dome 3 um on dish 1 um, against every stroke singly "
            "(poses shifted, as they really are)"
        )
        if turn is STILL:
            same = with_one_lattice(lambda: hour(STILL, 0.0, Settings()))
            same_real = with_one_lattice(lambda: hour(STILL, 0.0, EVERY_STROKE, threads=2))
            most, spread, told = apart(same, same_real, plates)
            results.add(
                "without turning, against every stroke singly on the same poses: forms",
                f"{1e9 * most:.2f} nm ({told})", "1 nm", most <= 1e-9,
            )  # fmt: skip
            results.add(
                "the same: rms of the heights",
                f"{1e9 * spread * end.removed['A']:.2f} nm = {spread:.4%}",
            )
            results.add(
                f"{against}: forms", f"{1e9 * worst:.1f} nm ({words})", "1 nm", worst <= 1e-9
            )
            results.add("the same: rms of the heights", f"{rms:.3%} of the removal")
            most, spread, told = apart(end, where_they_are(STILL, 0.0), plates)
            results.add(
                "without turning, against 256 poses not rounded to cells, fine blocks",
                f"forms {1e9 * most:.1f} nm ({told}), rms {spread:.3%}",
            )  # fmt: skip
            continue
        results.add(f"{against}: forms", f"{1e9 * worst:.1f} nm ({words})", "6 nm", worst <= 6e-9)
        results.add(
            "the same: rms of the heights", f"{rms:.3%} of the removal", "0.3 %", rms <= 0.003
        )
        twisted, _ = hour(turn, 1e-6, Settings())
        real, _ = hour(turn, 1e-6, EVERY_STROKE, threads=2)
        worst, rms, words = apart(twisted[-1], real[-1], plates)
        results.add(
            "the same with 1 um of twist on the top at the start (docs/numerics.md says why)",
            f"forms {1e9 * worst:.1f} nm ({words}), rms {rms:.3%}",
        )  # fmt: skip


def pair_of(cells: int, layer: float = 3e-6) -> averages.Pair:
    a = Plate(Disc(0.16), mass=LOAD / GRAVITY, cells=cells, name="A")
    return averages.Pair(replace(a, name="B"), a, 3000.0 / layer, LOAD)


def sample_of(number: int, turn: Turn, curve: FigureEight | None = None) -> averages.Sample:
    grit = Grit("g", 60e-6, Wear(iron=1e-12), Layer(3e-6))
    step = Step(
        "A", "B", grit, curve=curve or FigureEight(0.04, 0.02), pace=1.0, turn=turn, time=3600.0
    )
    poses = Motion(step).poses(np.arange(number) * (1.0 + 1.0 / number))
    return averages.Sample(poses, np.full(number, 1.0 / number), np.zeros((number, 2)))


def copied(points: int, times: int) -> float:
    """Least time of copying four arrays of so many numbers, per number of each [s]."""
    source = [np.random.default_rng(i).random(points) for i in range(4)]
    target = [np.empty(points) for _ in range(4)]

    def copy() -> None:
        for _ in range(20):
            for a, b in zip(source, target, strict=True):
                np.copyto(b, a)

    return min(timed(copy, times)) / (20 * points)


def kernels(results: Results) -> None:
    """Whole pose (lay or gather, settle, wear both) per overlap point, beside a copy and the slow twin."""
    for loop, turn, name, most in (
        (loops.wear_shifted, STILL, "without turning", 3.0),
        (loops.wear_turned, TURN, "turning", 12.0),
    ):
        for cells in (128, 256):
            pair, sample = pair_of(cells), sample_of(64, turn)
            zero = np.zeros((cells, cells))
            bottom, top = pair.laid_bottom.face(zero), pair.laid_tops[0].face(zero)
            rows = pair.pose_rows(sample)
            reports = np.zeros((64, solver.REPORT_COLUMNS))
            sums = np.zeros_like(zero), np.zeros_like(zero)
            run = lambda: loop(bottom, top, pair.stiffness, rows, False, *sums, reports)  # noqa: B023, E731
            run()
            points = float(reports[:, solver.OVERLAP].mean())
            assert reports[:, solver.LIFTED].max() == 0.0
            ratio, own, memory = [], [], []
            for _ in range(9):  # in turns, so that both see the same machine
                memory.append(copied(int(points), 5))
                own.append(min(timed(run, 3)) / (64 * points))
                ratio.append(own[-1] / memory[-1])
            middle = statistics.median(ratio)
            results.add(
                f"whole pose per overlap point, {name}, {cells} x {cells}",
                f"{middle:.1f} x a copy of four arrays ({1e9 * min(own):.2f}, {1e9 * min(memory):.2f} ns)",
                f"{most:g} x", middle <= most,
            )  # fmt: skip
        twin(results, loop, turn, name)


def twin(results: Results, loop: Callable[..., None], turn: Turn, name: str) -> None:
    """The slow NumPy twin on the same poses (128 x 128), its one-off filling of bare cells included."""
    pair, sample = pair_of(128), sample_of(8, turn)
    zero = np.zeros((128, 128))
    rows = pair.pose_rows(sample)
    keys = ("cx", "cy", "theta", "vx", "vy", "spin", "weight")
    dicts = [dict(zip(keys, row[:7], strict=True), target=row[7:10]) for row in rows]
    land, cell = pair.bottom.land, pair.bottom.grid.cell
    face = (zero, land, cell, 0.08, pair.bottom.edges)
    slow = min(timed(lambda: slow_twin.wear(face, face, pair.stiffness, dicts), 2)) / 8
    bottom, top = pair.laid_bottom.face(zero), pair.laid_tops[0].face(zero)
    reports = np.zeros((8, solver.REPORT_COLUMNS))
    sums = np.zeros_like(zero), np.zeros_like(zero)
    fast = min(timed(lambda: loop(bottom, top, pair.stiffness, rows, False, *sums, reports), 9)) / 8
    results.add(
        f"a pose beside the slow NumPy twin, {name}, 128 x 128",
        f"{1e6 * fast:.0f} us against {1e3 * slow:.0f} ms: {slow / fast:.0f} times as fast",
    )  # fmt: skip


def growth(results: Results) -> None:
    """Exponents of the cost in cells (of the grid) and in poses: of a whole sample, and of its poses alone.

    Whatever its poses, a sample costs the laying of both faces and two empty maps for each of eight chunks:
    what one of 8 poses takes beside what 8 more take.  The least of all rounds, in turns.
    """
    counts, sizes = (32, 64, 128, 256), (128, 160, 192, 256)
    for turn, name in ((STILL, "without turning"), (TURN, "turning")):

        def costs(kinds: list[tuple[int, int]], turn: Turn = turn) -> Array:
            work: list[Callable[[], object]] = []
            for cells, number in kinds:
                pair, zero, sample = (
                    pair_of(cells),
                    np.zeros((cells, cells)),
                    sample_of(number, turn),
                )
                work.append(lambda p=pair, z=zero, s=sample: p.average(z, z, s))
            rounds = [[timed(one, 1)[0] for one in work] for _ in range(12)]
            least: Array = np.min(rounds[1:], axis=0)
            return least

        # Below 128 cells a stroke of less than 32 cells is laid in another way.
        whole, few, more = costs([(n, number) for number in (64, 8, 16) for n in sizes]).reshape(
            3, -1
        )
        grow(results, f"cost in cells, {name}", np.square(sizes), whole, 2.0 * few - more)
        taken = costs([(128, n) for n in (*counts, 8, 16)])
        grow(
            results,
            f"cost in poses, {name}",
            np.array(counts),
            taken[:-2],
            2.0 * taken[-2] - taken[-1],
        )


def grow(results: Results, what: str, number: Array, taken: Array, fixed: Array) -> None:
    """The exponent of what is taken in `number`; beside it that of the poses alone, less what is `fixed`."""
    whole, alone = (np.polyfit(np.log(number), np.log(t), 1)[0] for t in (taken, taken - fixed))
    results.add(f"{what}: exponent", f"{whole:.2f}", "0.9 to 1.1", abs(whole - 1.0) <= 0.1)
    results.add(f"{what}, of the poses alone: exponent", f"{alone:.2f}")


def threads(results: Results) -> None:
    """One thread and two in turns, wall time, the least of each."""
    for turn, name in ((STILL, "without turning"), (TURN, "turning")):
        for cells in (128, 256):
            pair, sample, zero = pair_of(cells), sample_of(64, turn), np.zeros((cells, cells))
            with pair.threads(2) as both:
                pair.average(zero, zero, sample)
                one, two = [], []
                for _ in range(15):
                    one += timed(lambda: pair.average(zero, zero, sample), 2, time.perf_counter)  # noqa: B023
                    two += timed(lambda: both.average(zero, zero, sample), 2, time.perf_counter)  # noqa: B023
            gain = min(one) / min(two)
            results.add(
                f"two threads against one, {name}, {cells} x {cells}",
                f"{gain:.2f} (median {statistics.median(one) / statistics.median(two):.2f})",
                "1.6", gain >= 1.6,
            )  # fmt: skip
        one = timed(lambda: hour(turn, 0.0, Settings()), 3, time.perf_counter)  # noqa: B023
        two = timed(lambda: hour(turn, 0.0, Settings(), 2), 3, time.perf_counter)  # noqa: B023
        results.add(
            f"the whole hour on two threads against one, {name}", f"{min(one) / min(two):.2f}"
        )


LAUNCHER = """
import resource, subprocess, sys, time
start = time.perf_counter()
ended = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
wall = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(wall, used.ru_utime + used.ru_stime, used.ru_maxrss)
sys.exit(ended.returncode)
"""


def process(
    arguments: list[str], folder: Path, cache: Path | None = None, before: Path | None = None
) -> tuple[float, float, float]:
    """Run `lapwright ...` in a process of its own: wall and processor time [s], peak memory [bytes].

    `before`: a checkout from when the package had another name.
    """
    start = ["-m", "lapwright"] if before is None else ["-c", OTHER_NAME]
    surroundings = dict(os.environ, PYTHONPATH=str(before or ROOT / "sim"))
    # Where Python may keep nothing of the sources that it read, every process would read all of them anew.
    surroundings.pop("PYTHONDONTWRITEBYTECODE", None)
    if cache is not None:
        surroundings["NUMBA_CACHE_DIR"] = str(cache)
    # A small process starts it and tells what it used: a child of this one would inherit this one's peak.
    told = subprocess.run(
        [sys.executable, "-c", LAUNCHER, sys.executable, *start, *arguments],
        cwd=folder, env=surroundings, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if told.returncode:
        raise RuntimeError(f"lapwright {' '.join(arguments)} failed: {told.stderr[-500:]}")
    wall, busy, peak = map(float, told.stdout.split()[-3:])
    return wall, busy, peak * 1024.0


ROUNDS = 5
HOUR = re.compile(
    r"an hour of lapping, (without turning|turning 8 degrees a stroke) .*?: ([\d.]+) s"
)
ASKED = {  # times the seconds of commit 1efe658
    "an hour, without turning": 0.51,
    "an hour, turning 8 degrees a stroke": 0.46,
    "first-pair with its page, the very first run (nothing compiled)": 0.63,
    "first-pair with its page, warm": 1.0,
    "lapwright bearing, once everything is loaded": 0.33,
}


OTHER_NAME = "import sys; from sim.cli import main; sys.exit(main())"
TWICE = """
import contextlib, io, sys, time
from {} import main
for _ in range(2):
    start = time.process_time()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
        main()
print(time.process_time() - start)
"""


def beside(results: Results, before: Path) -> None:
    """The same by another checkout and by this one in turns: processor time, the ratio of medians."""
    taken: dict[str, tuple[list[float], list[float]]] = {what: ([], []) for what in ASKED}
    with tempfile.TemporaryDirectory() as made:
        for number in range(ROUNDS):
            for now, where in enumerate((before, ROOT)):
                for what, seconds in once(where, Path(made) / f"kernels-{now}", cold=number < 2):
                    taken[what][now].append(seconds)
    for what, both in taken.items():
        old, new = map(statistics.median, both)
        results.add(
            f"{what}, over what commit 1efe658 takes",
            f"{new / old:.2f} ({new:.2f} and {old:.2f} s of processor)",
            f"{ASKED[what]}", new / old <= ASKED[what],
        )  # fmt: skip


def once(where: Path, kernels: Path, cold: bool) -> Iterator[tuple[str, float]]:
    """Processor time [s] of each thing in one checkout; `kernels`: where compiled ones are kept."""
    said = subprocess.run(
        [sys.executable, "benchmarks/speed.py", "--quick", "--only", "hours"],
        cwd=where, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    for turning, seconds in HOUR.findall(said):
        yield f"an hour, {turning}", float(seconds)
    first, warm, bearing = list(ASKED)[2:]
    own, study = None if where == ROOT else where, str(FIRST_PAIR)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        if cold:
            yield first, process(["run", study], folder, folder / "kernels", own)[1]
        if not kernels.exists():
            process(["run", study, "--force"], folder, kernels, own)
        yield warm, process(["run", study, "--force"], folder, kernels, own)[1]
        code = TWICE.format("lapwright.commands.main" if own is None else "sim.cli")
        around = {"PYTHONPATH": str(own or ROOT / "sim"), "NUMBA_CACHE_DIR": str(kernels)}
        ended = subprocess.run(
            [sys.executable, "-c", code, "bearing", study],
            cwd=folder, env=os.environ | around, check=True, capture_output=True, text=True,
        )  # fmt: skip
        yield bearing, float(ended.stdout)


def processes(results: Results) -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        study = str(FIRST_PAIR)
        configs = FIRST_PAIR.parent
        for what, arguments, most in (
            ("preview", ["preview", study], 0.3),
            (
                "preview of a ring carried round",
                ["preview", str(configs / "rings-over-the-rim.toml")],
                0.3,
            ),
            ("preview of a grooved pair", ["preview", str(configs / "grooved-pair.toml")], 0.3),
            ("preview of a rail", ["preview", str(configs / "rail-in-wind.toml")], 0.3),
            ("-h", ["-h"], 0.1),
        ):
            taken = [process(arguments, folder) for _ in range(9)]
            wall = [t[0] for t in taken]
            results.add(
                f"whole process, lapwright {what}",
                f"{said(wall)}, processor {min(t[1] for t in taken):.2f} s",
                f"{most} s", statistics.median(wall) <= most,
            )  # fmt: skip
        run = ["run", study, "--force"]
        cold = [process(run, folder, folder / f"cache{i}") for i in range(2)]
        first = [t[0] for t in cold]
        results.add(
            "first-pair with its page, the very first run (nothing compiled)",
            f"{said(first)}, processor {min(t[1] for t in cold):.1f} s",
        )
        warm = [process(run, folder, folder / "cache0") for _ in range(3)]
        wall = [t[0] for t in warm]
        results.add(
            "first-pair with its page, warm",
            f"{said(wall)}, processor {min(t[1] for t in warm):.1f} s",
        )
        results.add("the same: peak memory (80 x 80)", f"{max(t[2] for t in warm) / 1e6:.0f} MB")
        fine = folder / "fine.toml"
        text = FIRST_PAIR.read_text(encoding="utf-8")
        many = re.sub(r"cells = \d+", "cells = 256", text)
        assert many != text
        fine.write_text(many, encoding="utf-8")
        for number in (1, 2):
            large = process(
                ["run", str(fine), "--force", "--threads", str(number)], folder, folder / "cache0"
            )
            results.add(
                f"first-pair at 256 x 256, page included, {number} thread{'s' * (number - 1)}: peak memory",
                f"{large[2] / 1e6:.0f} MB in {large[0]:.1f} s", "450 MB", large[2] <= 450e6,
            )  # fmt: skip


SWEEP = """title = "An hour, many times"
plates.A = { disc = "160 mm", mass = "6.15 kg", form = { dome = "3 um" }, cells = 96 }
plates.B = { like = "A", form = { dish = "1 um" } }
[grits.g]
size = "60 um"
wear = "1.62e-11 1/Pa"
layer = { depth = "3 um", pressure = "3 kPa" }
[[steps]]
top = "A"
bottom = "B"
grit = "g"
stroke = { kind = "figure-eight", length = "80 mm", width = "40 mm" }
pace = "60 /min"
turn = "8 deg per stroke"
time = "60 min"
[sweep]
"stroke.length" = { from = "60 mm", to = "80 mm", steps = %d }
load = { from = "0 N", to = "20 N", steps = %d }
"""


def sweeps(results: Results) -> None:
    """Whole processes of `compare`, compiled already: two workers against one, and two hundred members."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "forty.toml").write_text(SWEEP % (10, 4), encoding="utf-8")
        (folder / "many.toml").write_text(SWEEP % (20, 10), encoding="utf-8")
        begin = ["compare", "forty.toml", "--no-page", "--force", "--json", "--workers"]
        process([*begin, "2"], folder)  # compiled
        taken = {
            number: [process([*begin, str(number)], folder) for _ in range(2)] for number in (1, 2)
        }
        one, two = (min(t[0] for t in taken[number]) for number in (1, 2))
        results.add(
            "40 members of an hour, 96 x 96, turning: two workers against one, whole processes",
            f"{two:.1f} s against {one:.1f} s: {one / (2 * two):.0%} of twice as fast",
            "85 %", one / (2 * two) >= 0.85,
        )  # fmt: skip
        results.add(
            "the same: processor time of one worker",
            f"{min(t[1] for t in taken[1]) / 40:.2f} s a member",
        )
        wall, busy, _ = process(
            ["compare", "many.toml", "--no-page", "--force", "--json", "--workers", "2"], folder
        )
        results.add(
            "200 members of an hour, 96 x 96, turning, two workers",
            f"{wall:.1f} s ({busy:.1f} s of processor)", "60 s", wall <= 60.0,
        )  # fmt: skip


def pictures(results: Results) -> None:
    """What a stroke leaves alone and makes: its operator and predictions."""
    for row in picture.picture():
        results.add(*row)


def searched(results: Results) -> None:
    """How many candidate schedules a search looks at."""
    for row in schedules.schedules():
        results.add(*row)


def machine() -> str:
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [
            line.split(":", 1)[1].strip()
            for line in info.read_text().splitlines()
            if "model name" in line
        ]
        model = named[0] if named else model
    load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()}, numpy "
        f"{np.__version__}, numba {numba.__version__}; load averages while it ran {load}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="only what is quick; writes nothing")
    parser.add_argument(
        "--only",
        choices=(
            "hours",
            "kernels",
            "growth",
            "threads",
            "processes",
            "sweeps",
            "picture",
            "schedules",
        ),
        help="one part",
    )
    parser.add_argument("--before", type=Path, metavar="DIR", help="a checkout to be compared with")
    given = parser.parse_args()
    if given.before is not None:
        results = Results()
        beside(results, given.before.resolve())
        keep("before", results)
        return
    for turn in (STILL, TURN):
        hour(turn, 0.0, Settings())  # compiled, and its caches filled, before anything is timed
    parts: dict[str, Callable[[Results], None]] = {
        "hours": lambda results: hours(results, given.quick),
        "kernels": kernels,
        "growth": growth,
        "threads": threads,
        "processes": processes,
        "sweeps": sweeps,
        "picture": pictures,
        "schedules": searched,
    }
    for name, part in parts.items():
        if (given.only or name) != name or (given.quick and name in ("processes", "sweeps")):
            continue
        results = Results()
        try:
            part(results)
        except RuntimeError as trouble:  # the other parts are still worth having
            results.add("stopped", str(trouble).splitlines()[0], "no failure", False)
        if not given.quick:
            keep(name, results)


TITLES = {
    "before": "Beside the program before",
    "hours": "An hour of lapping",
    "kernels": "One pose",
    "growth": "How the cost grows",
    "threads": "Two threads",
    "processes": "Whole processes",
    "sweeps": "Many at once",
    "picture": "What a stroke leaves alone and makes",
    "schedules": "Searching a schedule",
}


def keep(name: str, results: Results) -> None:
    """Put a part's table in the place of its last one."""
    s = Settings()
    old = RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else ""
    found = dict(re.findall(r"(?ms)^## (.*?)\n(.*?)(?=^## |\Z)", old))
    missed = sum(met is not None and not met for *_, met in results.rows)
    found[TITLES[name]] = f"\n{machine()}.\n\n{results.text()}\n\nTargets missed: {missed}.\n\n"
    head = (
        "# How fast it is\n\nWritten by `python benchmarks/speed.py`, each part by itself (`--only PART`); "
        f"nothing left out. Defaults: {s.poses} poses (at least {s.fewest_poses} in short blocks), tolerance "
        f"{s.tolerance}, longest block {s.longest} tau.\nProcessor time for one thread, wall time for "
        "threads and whole processes; medians. Where the load is above the number of cores, other work "
        "shared them.\n\n"
    )
    parts = [f"## {title}\n{found[title]}" for title in TITLES.values() if title in found]
    RESULTS.write_text(head + "".join(parts).rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
