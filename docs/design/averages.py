"""Why averages over poses may stand for real strokes, and how fine grid, sample and blocks must be.

    python docs/design/averages.py            measures everything and rewrites the tables of docs/numerics.md
    python docs/design/averages.py --quick    a coarser look at the same in half a minute; writes nothing

Every table says how far each form measure lies from a finer answer, as a share of the metal removed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import ceil, inf, pi, radians
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests")]

if "--strict" in sys.argv:  # the kernels as IEEE arithmetic has them, without leave to re-associate
    import numba

    from lapwright.contact import compile as compiler

    compiler.kernel = numba.njit(error_model="numpy", nogil=True)

from known_answers import grid_convergence

from lapwright.contact import average as averages
from lapwright.contact import sampling
from lapwright.integration.loop import lap
from lapwright.integration.state import Progress, Settings, State
from lapwright.metrology.form import EdgeMargin, measure
from lapwright.specification.curves import FigureEight
from lapwright.specification.outline import Disc
from lapwright.specification.plate import (
    Plate,
    StartForm,
)
from lapwright.specification.step import Grit, Layer, Step, Swap, Turn, Wear
from lapwright.units import GRAVITY

PAGE = ROOT / "docs" / "numerics.md"
BEGIN, END = "<!-- begin: docs/design/averages.py -->", "<!-- end: docs/design/averages.py -->"
MEASURES = ("sphere", "saddle", "twist", "flatness", "flatness_ls", "rms", "edge")
FORMS = ("sphere", "saddle", "twist")
TURN = Turn(radians(8.0))
STILL = Turn()
EVERY_STROKE = Settings(poses=64, fewest_poses=64, most_poses=64, tolerance=1e-18, longest=1e-9)
FINE = Settings(poses=256, fewest_poses=256, most_poses=256, tolerance=5e-4, longest=0.25)


@dataclass(frozen=True)
class Scene:
    """160 mm discs under 3 kPa, a figure-eight 53 x 27 mm at 20 degrees, 8 mm off centre, forms on both."""

    strokes: int
    turn: Turn = TURN
    cells: int = 64
    seed: int = 0
    swap: Swap | None = None

    def plates(self) -> dict[str, Plate]:
        """A on top, B below."""
        load = 3000.0 * pi * 0.08**2
        a = Plate(Disc(0.16), mass=load / GRAVITY, cells=self.cells, name="A")
        return {
            "A": replace(a, form=StartForm(sphere=2e-6, twist=1e-6)),
            "B": replace(a, name="B", form=StartForm(sphere=-0.5e-6, saddle=0.7e-6)),
        }

    def step(self) -> Step:
        """The one step."""
        grit = Grit("g", 20e-6, Wear(iron=5e-12), Layer(1e-6))
        return Step(
            "A", "B", grit, curve=FigureEight(0.053, 0.027), direction=radians(20.0), centre=(0.007, -0.004),
            pace=1.0, turn=self.turn, strokes=self.strokes, swap=self.swap,
        )  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """The end of a run: its last moment, blocks, processor time [s] and the forms of both plates."""

    scene: Scene
    end: State
    blocks: int
    seconds: float

    @property
    def removed(self) -> float:
        """Mean of both [m]."""
        return sum(self.end.removed.values()) / 2.0

    def forms(self) -> dict[str, dict[str, float | None]]:
        """Every measure of both plates inside the usual margin [m]."""
        plates = self.scene.plates()
        return {
            n: measure(p, self.end.heights[n], EdgeMargin()).as_dict() for n, p in plates.items()
        }


def run(scene: Scene, settings: Settings) -> Outcome:
    """Lap the scene to its end."""
    start = time.process_time()
    moments = list(lap(scene.plates(), [scene.step()], seed=scene.seed, settings=settings))
    seconds = time.process_time() - start
    return Outcome(scene, moments[-1], sum(m.event == "block" for m in moments), seconds)


def apart(one: Outcome, two: Outcome, names: tuple[str, ...] = FORMS) -> float:
    """Largest difference of the measures named, of either plate, over the metal removed."""
    a, b = one.forms(), two.forms()
    return max(abs(a[p][m] - b[p][m]) for p in a for m in names) / two.removed  # type: ignore[operator]


def rms_apart(one: Outcome, two: Outcome) -> float:
    """Larger rms height difference of the plates about its mean, over the metal removed."""
    worst = 0.0
    for name, plate in one.scene.plates().items():
        d = one.end.heights[name] - two.end.heights[name]
        share = plate.land / plate.land.sum()
        d = d - (share * d).sum()
        worst = max(worst, float((share * d * d).sum() ** 0.5))
    return worst / two.removed


def table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A table of the page."""
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def per_cent(share: float) -> str:
    """In words."""
    return f"{100.0 * share:.3f} %"


def real_strokes(strokes: int, cells: int) -> str:
    """Every stroke lapped singly, in order, against the averages with the defaults."""
    text = []
    for turn, what in ((TURN, "turning 8 degrees a stroke"), (STILL, "without turning")):
        scene = Scene(strokes, turn, cells)
        real, block = run(scene, EVERY_STROKE), run(scene, Settings())
        a, b = real.forms(), block.forms()
        rows = [
            (
                name,
                measure_.replace("flatness_ls", "flatness (least squares)"),
                f"{1e9 * a[name][measure_]:.1f}",  # type: ignore[operator]
                f"{1e9 * b[name][measure_]:.1f}",  # type: ignore[operator]
                per_cent(abs(a[name][measure_] - b[name][measure_]) / real.removed),  # type: ignore[operator]
            )
            for name in "AB"
            for measure_ in MEASURES
        ]
        worst = apart(block, real, MEASURES)
        print(
            f"real strokes, {what}: worst {per_cent(worst)}, rms {per_cent(rms_apart(block, real))}"
        )
        text.append(
            f"{what.capitalize()}: {strokes} strokes, {cells} cells, {1e6 * real.removed:.2f} um removed "
            f"from each; {real.blocks} blocks of one stroke ({real.seconds:.1f} s) against {block.blocks} "
            f"blocks ({block.seconds:.2f} s). Largest difference {per_cent(worst)} of the removal "
            f"(**{'within' if worst < 0.01 else 'NOT within'} 1 %**); rms of the heights "
            f"{per_cent(rms_apart(block, real))}.\n\n"
            + table(
                ("plate", "measure", "real strokes, nm", "averages, nm", "difference over removal"),
                rows,
            )
        )
    return "\n\n".join(text)


def cells(strokes: int, numbers: tuple[int, ...], triple: tuple[int, int, int]) -> str:
    """Forms on finer and finer grids; order and grid convergence index from three of them."""
    text = []
    for turn, what in ((TURN, "turning"), (STILL, "without turning")):
        ends = {n: run(Scene(strokes, turn, n), fixed(128)) for n in numbers}
        finest = ends[max(numbers)]
        rows = [
            (
                n,
                *(f"{1e9 * e.forms()[p][m]:.1f}" for p in "AB" for m in FORMS),  # type: ignore[operator]
                per_cent(apart(e, finest)),
                f"{e.end.scale_error:.1e}",
            )
            for n, e in ends.items()
        ]
        orders = []
        for p in "AB":
            for m in (*FORMS, "rms"):
                coarse, medium, fine = (ends[n].forms()[p][m] for n in triple)
                orders.append((p, m, *observed(fine, medium, coarse, finest.removed)))
        head = (
            "cells",
            *(f"{p} {m}, nm" for p in "AB" for m in FORMS),
            "from the finest",
            "scale error",
        )
        print(f"cells, {what}:", [(n, per_cent(apart(e, finest))) for n, e in ends.items()])
        text.append(
            f"{what.capitalize()}:\n\n"
            + table(head, rows)
            + f"\n\nFrom {', '.join(map(str, triple))} cells (index as a share of the removal):\n\n"
            + table(("plate", "measure", "observed order", "grid convergence index"), orders)
        )
    return "\n\n".join(text)


def observed(fine: float, medium: float, coarse: float, removed: float) -> tuple[str, str]:
    """Order and index, the index over the metal removed; where three grids show none, their spread."""
    try:
        found = grid_convergence(fine, medium, coarse)
    except ValueError:
        spread = max(fine, medium, coarse) - min(fine, medium, coarse)
        return "none (not monotone)", f"spread {per_cent(spread / removed)}"
    if found.order < 0.2:
        return (
            f"{found.order:.2f} (not in its range yet)",
            f"step {per_cent(abs(fine - medium) / removed)}",
        )
    return f"{found.order:.2f}", per_cent(found.fine_index * abs(fine) / removed)


def poses(strokes: int, numbers: tuple[int, ...], seeds: int) -> str:
    """What a given number of poses in every block leaves open, against what the run itself says of it."""
    rows = []
    turns = ((TURN, "turning 8"), (Turn(radians(25.0)), "turning 25"), (STILL, "without turning"))
    for turn, what in turns:
        reference = run(Scene(strokes, turn, 48), fixed(1024))
        for n in numbers:
            ends = [run(Scene(strokes, turn, 48, seed), fixed(n)) for seed in range(seeds)]
            found = float(np.sqrt(np.mean([apart(e, reference) ** 2 for e in ends])))
            heights = float(np.sqrt(np.mean([rms_apart(e, reference) ** 2 for e in ends])))
            rows.append((what, n, per_cent(found), per_cent(heights)))
            print("poses", *rows[-1])
    return (
        f"The same number in every block; rms over {seeds} seeds, 48 cells, against 1024 poses:\n\n"
        + table(("stroke", "poses", "forms", "heights"), rows)
    )


def fixed(number: int) -> Settings:
    """So many poses in every block, whatever they leave open."""
    return Settings(poses=number, fewest_poses=number, most_poses=number)


def blocks(strokes: int) -> str:
    """How long a block may be, by tolerance and by the longest allowed, on the same dense sample."""
    rows = []
    for turn, what in ((TURN, "turning"), (STILL, "without turning")):
        scene = Scene(strokes, turn, 64)
        reference = run(scene, replace(FINE, tolerance=1e-4, longest=0.08))
        choices = [(t, inf) for t in (0.008, 0.004, 0.002, 0.001, 0.0005)]
        choices += [(inf, x) for x in (1.4, 0.7, 0.35, 0.175)]
        choices += [(Settings().tolerance, Settings().longest)]
        for tolerance, longest in choices:
            settings = replace(FINE, tolerance=tolerance, longest=min(longest, 1e6))
            end = run(scene, settings)
            row = (what, tolerance, longest, end.blocks, per_cent(apart(end, reference)),
                   per_cent(rms_apart(end, reference)))  # fmt: skip
            rows.append(row)
            print("blocks", *row)
    return table(("stroke", "tolerance", "longest / tau", "blocks", "forms", "heights, rms"), rows)


def order(cells_: int) -> str:
    """Observed order in the block's length alone: the same poses, 8, 16 and 32 equal blocks."""
    from lapwright.contact.gang import Gang
    from lapwright.integration.block import Block
    from lapwright.integration.loop import _Work

    scene = Scene(1200, STILL, cells_)
    plates, step = scene.plates(), scene.step()
    work = _Work(plates, (step,), 1, 0, EdgeMargin(), 1, Settings(), None)  # type: ignore[arg-type]
    layer = averages.Pair(plates["B"], plates["A"], step.grit.layer.stiffness, plates["A"].weight)
    sample = sampling.block_sample(work._motion(Progress()), layer.load, 0, 1, 64, (0.5, 0.5))
    forms = {}
    for number in (16, 32, 64):
        moment = State.before(work.steps[0], work.plates)
        for _ in range(number):
            block = Block.fourth_order(
                Gang((layer,)), moment, [sample], (5e-12, 5e-12), 1200.0 / number, tuple(range(8))
            )
            moment = block.applied(moment, moment.clock)
        forms[number] = {n: measure(p, moment.heights[n], EdgeMargin()) for n, p in plates.items()}
        removed = moment.removed["A"]
    rows = []
    for p in "AB":
        for m in (*FORMS, "rms"):
            coarse, medium, fine = (getattr(forms[n][p], m) for n in (16, 32, 64))
            rows.append((p, m, *observed(fine, medium, coarse, removed)))
    print("order", rows)
    return (
        "1200 strokes in 16, 32 and 64 equal blocks on the same poses (order 4 is due):\n\n"
        + table(("plate", "measure", "observed order", "index over removal"), rows)
    )  # fmt: skip


@contextmanager
def never_rounded() -> Iterator[None]:
    """Poses where they really are: none laid cell on cell."""
    old = averages.Pair._on_cells
    averages.Pair._on_cells = lambda self, rows: None  # type: ignore[method-assign]
    try:
        yield
    finally:
        averages.Pair._on_cells = old  # type: ignore[method-assign]


def rounding(strokes: int, numbers: tuple[int, ...]) -> str:
    """What laying poses on whole cells changes, and what it saves."""
    rows = []
    for n in numbers:
        scene = Scene(strokes, STILL, n)
        laid = run(scene, Settings())
        with never_rounded():
            real = run(scene, Settings())
        rows.append(
            (
                n,
                per_cent(apart(laid, real)),
                per_cent(rms_apart(laid, real)),
                f"{real.seconds / laid.seconds:.1f}",
            )
        )
        print("rounding", *rows[-1])
    return table(("cells", "forms", "heights, rms", "times as fast"), rows)


def fastmath(strokes: int) -> str:
    """The same run with kernels compiled without leave to re-associate, in another process."""
    scenes = [Scene(strokes, turn, 64) for turn in (TURN, STILL)]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "strict.npz"
        subprocess.run([sys.executable, __file__, "--strict", str(file), str(strokes)], check=True)
        strict = dict(np.load(file))
    rows = []
    for i, (scene, what) in enumerate(zip(scenes, ("turning", "without turning"), strict=True)):
        run(scene, Settings())
        fast = run(scene, Settings())
        worst = (
            max(np.abs(fast.end.heights[n] - strict[f"{n}{i}"]).max() for n in "AB") / fast.removed
        )
        rows.append((what, f"{worst:.1e}", f"{float(strict[f'seconds{i}']) / fast.seconds:.2f}"))
        print("fastmath", *rows[-1])
    return table(("stroke", "largest difference of any height over removal", "times as fast"), rows)


def strict_twin(file: str, strokes: int) -> None:
    """What `fastmath` asks of the other process."""
    out = {}
    for i, turn in enumerate((TURN, STILL)):
        run(Scene(strokes, turn, 64), Settings())
        end = run(Scene(strokes, turn, 64), Settings())
        out |= {f"A{i}": end.end.heights["A"], f"B{i}": end.end.heights["B"]}
        out[f"seconds{i}"] = np.array(end.seconds)
    np.savez(file, **out)  # type: ignore[arg-type]


def sections(quick: bool) -> list[tuple[str, Callable[[], str]]]:
    """What the page shows, in order."""
    n = 300 if quick else 1200
    grids, triple = (
        ((24, 48, 96), (24, 48, 96)) if quick else ((32, 48, 64, 96, 128, 192), (48, 96, 192))
    )
    return [
        ("Real strokes against averages", lambda: real_strokes(n, 48 if quick else 64)),
        ("Cells", lambda: cells(n, grids, triple)),
        (
            "Poses",
            lambda: poses(n, (16, 32, 64) if quick else (16, 32, 64, 128, 256), 2 if quick else 3),
        ),
        ("Blocks", lambda: blocks(n)),
        ("Order of the time step", lambda: order(32 if quick else 64)),
        ("Poses laid on whole cells", lambda: rounding(n, (48, 96) if quick else (64, 128))),
        ("Leave to re-associate sums", lambda: fastmath(n)),
    ]


def main() -> None:
    """Measure everything and rewrite the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a coarser look; writes nothing")
    parser.add_argument("--strict", nargs=2, metavar=("FILE", "STROKES"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.strict:
        strict_twin(given.strict[0], int(given.strict[1]))
        return
    start = time.perf_counter()
    for turn in (TURN, STILL):
        run(Scene(3, turn, 16), Settings())  # compile before anything is timed
    text = []
    for title, work in sections(given.quick):
        began = time.perf_counter()
        text.append(f"### {title}\n\n{work()}")
        print(f"-- {title}: {time.perf_counter() - began:.0f} s", file=sys.stderr)
    whole = ceil(time.perf_counter() - start)
    print(f"{whole} s in all")
    if given.quick:
        return
    page = PAGE.read_text(encoding="utf-8")
    head, rest = page.split(BEGIN)
    tail = rest.split(END)[1]
    s = Settings()
    intro = (
        f"Written by `python docs/design/averages.py` in {whole} s; defaults then: {s.poses} poses at first, "
        f"accuracy {s.accuracy}, tolerance {s.tolerance}, longest block {s.longest} tau."
    )
    PAGE.write_text(head + "\n\n".join([BEGIN, intro, *text, END]) + tail, encoding="utf-8")


if __name__ == "__main__":
    main()
