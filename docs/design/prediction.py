"""How near the picture by polynomials comes to the full simulation, by degree, points, poses and lifting.

    python docs/design/prediction.py            measures and rewrites its tables in docs/numerics.md

The ten studies are those of tests/modes_studies.py; their tests hold the limits.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from math import ceil
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import modes_scene as scene
import modes_studies as studies
import numpy as np

from lapwright.kinematics.motion import Motion
from lapwright.modal.basis import basis_of
from lapwright.modal.operator import (
    assemble,
    kernel_of,
    operator_of,
)
from lapwright.modal.points import instants_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Circle
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Turn
from lapwright.verification.scenes import disc

PAGE = ROOT / "docs" / "numerics.md"
BEGIN, END = "<!-- begin: docs/design/prediction.py -->", "<!-- end: docs/design/prediction.py -->"
DEGREES = (4, 8, 12)


def percent(value: float) -> str:
    """Say a share in words."""
    return f"{100.0 * value:.2f} %"


def table(head: list[str], rows: list[list[str]]) -> str:
    """Write a table of Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def ten(longer: float) -> str:
    """Errors of the ten studies, their time `longer` than in the tests."""
    rows = []
    for name, case in studies.STUDIES.items():
        long = replace(case, step=replace(case.step, time=case.step.time * longer))
        end, share = studies.simulated(long)
        found = [studies.compared(long, end, share, degree) for degree in DEGREES]
        removed = max(end.removed.values())
        row = [
            name,
            f"{1e6 * removed:.2f} um",
            "no" if share == 0.0 else f"{share:.0%} of the time",
        ]
        for measure in ("form_error", "rms_error", "rms_share"):
            row += [percent(getattr(each, measure)) for each in found]
        rows.append(row)
    head = ["study", "removed", "lifts"]
    for what in ("forms", "rms", "rms over itself"):
        head += [f"{what}, degree {degree}" for degree in DEGREES]
    return table(head, rows)


def lifting() -> str:
    """A dome on a flat face, ever higher."""
    rows = []
    for dome in (0.5e-6, 1e-6, 2e-6, 4e-6, 8e-6):
        top, bottom = disc("A", 96, StartForm(sphere=dome)), disc("B", 96)
        for seconds in (60.0, 600.0, 3600.0):
            case = studies.Case(top, bottom, scene.stroke(Circle(0.02), time=seconds))
            end, share = studies.simulated(case)
            picture = ReducedModel({"A": top, "B": bottom}, [case.step])
            first, bedded = picture.lifts(1)[0], picture.long_run(1)
            off = studies.compared(case, end, share)
            rows.append(
                [f"{1e6 * dome:g} um", f"{seconds:g} s", f"{share:.0%}", f"{first.share:.0%}",
                 f"{bedded.share:.0%}", percent(off.form_error)]
            )  # fmt: skip
    return table(
        [
            "dome on top",
            "lapped for",
            "lifted at worst",
            "told: as it starts",
            "told: bedded in",
            "forms off by",
        ],
        rows,
    )


def samples() -> str:
    """Turning: angles averaged exactly against lattices of real poses."""
    faces = [basis_of(disc(name, 64), 8) for name in "BA"]
    rows = []
    for name, step in (
        ("eight, 8 degrees a stroke", scene.stroke(scene.EIGHT, scene.FREE)),
        ("eight, 137.5 degrees a stroke", scene.stroke(scene.EIGHT, Turn(np.radians(137.5)))),
        ("line, 13 degrees a stroke", scene.stroke(scene.LINE, Turn(np.radians(13)))),
    ):
        motion = Motion(step)
        best = assemble(*faces, instants_of(motion, 0, 3600, 1000))
        unit = np.abs(best.response).max()
        low = np.r_[:15, 45:60]
        for how, found in (
            ("64 poses, angles exactly", operator_of(*faces, motion)),
            ("lattice of about 64 poses", assemble(*faces, instants_of(motion, 0, 3600, 26))),
            ("lattice of about 160 poses", assemble(*faces, instants_of(motion, 0, 3600, 64))),
        ):
            change = np.abs(found.response - best.response) / unit
            rows.append([name, how, percent(change.max()), percent(change[np.ix_(low, low)].max())])
    return table(["stroke", "sample", "largest error, degree 8", "of those to degree 4"], rows)


def slowest() -> str:
    """Rates over the fastest: what stays, the slowest that does not, and how far apart."""
    rows = []
    for name, step in (
        ("eight, turning 8 degrees a stroke", scene.stroke(scene.EIGHT, scene.FREE)),
        ("circle of 0.1 R, turning 5 degrees", scene.stroke(Circle(0.008), Turn(np.radians(5)))),
        ("circle of 0.02 R, turning 5 degrees", scene.stroke(Circle(0.0016), Turn(np.radians(5)))),
        ("circle, no turning", scene.stroke()),
        ("straight, no turning", scene.stroke(scene.LINE)),
        (
            "two positions 10 degrees apart",
            scene.stroke(turn=scene.index(10, 600), time=None, strokes=1200),
        ),
        (
            "two positions 2 degrees apart",
            scene.stroke(turn=scene.index(2, 600), time=None, strokes=1200),
        ),
        ("circle, one turn a stroke", scene.stroke(turn=scene.ONCE_A_STROKE)),
    ):
        flow = scene.flow(step, 8)
        rates = np.sort(np.abs(np.linalg.eigvals(flow.matrix)))
        kernel = kernel_of(flow.matrix)
        count = kernel.right.shape[1]
        rates /= rates[-1]
        rows.append(
            [name, str(count - 6), f"{max(rates[count - 1], 1e-17):.0e}", f"{rates[count]:.1e}",
             f"{int((rates[count:] < 1e-3).sum())}", f"{kernel.gap:.0e}"]
        )  # fmt: skip
    return table(["stroke", "stay", "largest zero", "slowest that dies", "slow", "gap"], rows)


def main() -> None:
    """Measure everything and rewrite the tables."""
    start = time.perf_counter()
    text = []
    for title, work in (
        ("Prediction against simulation: ten studies", lambda: ten(1.0)),
        ("The same, lapped three times as long", lambda: ten(3.0)),
        ("Where something lifts", lifting),
        ("Instants that stand for a turning top", samples),
        ("Slowest shapes", slowest),
    ):
        text.append(f"### {title}\n\n{work()}")
        print(text[-1])
    intro = (
        f"Written by `python docs/design/prediction.py` in {ceil(time.perf_counter() - start)} s."
    )
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    PAGE.write_text(
        head + "\n\n".join([BEGIN, intro, *text, END]) + rest.split(END)[1], encoding="utf-8"
    )


if __name__ == "__main__":
    main()
