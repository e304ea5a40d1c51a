"""Hold preview, why and run to one answer on many studies in which nothing lifts.

Rewrites the part of docs/numerics.md between the markers:  python docs/design/agreement.py [number]

Studies are drawn from a seed: discs, rings, squares, rails and small parts on plates, grooves, all strokes,
turns that run on and turns set over, walks, layers.  Compared is what the stroke makes (drift) and what the
layer leaves (mark) by the end, at edge margin 0: by the quick look of `preview`, by the picture of `why`, and
by a run from flat faces, taken apart by the drift of the picture.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from math import ceil, pi, radians
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "sim"))

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import outlook
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.modal.basis import form_names
from lapwright.modal.propagator import made as what_is_made
from lapwright.modal.reduced_model import Glances, ReducedModel
from lapwright.specification.curves import Circle, Ellipse, FigureEight, Line, Rosette, Zigzag
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn
from lapwright.verification.scenes import body, plain_grit

PAGE = ROOT / "docs" / "numerics.md"
BEGIN, END = "<!-- begin: docs/design/agreement.py -->", "<!-- end: docs/design/agreement.py -->"
STUDIES, SEED = 60, 11
SHARE, FLOOR = 0.01, 3e-9  # what is allowed: of the removal, or [m], the larger
PRESSURE = 3000.0
BARE = EdgeMargin(share=0.0)
CLOSE = Settings(accuracy=2e-4, tolerance=2.5e-4, longest=0.35)  # of the run that is compared with
KINDS = ("discs", "rings", "squares", "rails", "part on a plate", "ring on a plate", "grooves")
TURNS = ("none", "runs on", "90 deg", "120 deg", "45 deg", "walk", "walk set over")


@dataclass(frozen=True)
class Study:
    """One pair and one step."""

    name: str
    bottom: Plate
    top: Plate
    step: Step


def drawn(number: int, seed: int = SEED) -> Study:
    """Study `number`, the same every time."""
    rng = np.random.default_rng([seed, number])
    kind = KINDS[number % len(KINDS)]
    below, above, grooves = _outlines(kind, rng)
    cells = 160 if kind == "rails" else 128
    load = PRESSURE * min(above.area, below.area)
    bottom = body("B", below, load, cells, grooves=grooves)
    top = body("A", above, load, cells)
    turn, walk, how = _turning("none" if kind == "rails" else str(rng.choice(TURNS)), rng)
    curve = _curve(rng, min(above.smaller, below.smaller))
    depth = float(np.exp(rng.uniform(np.log(0.3e-6), np.log(3e-6))))
    step = Step(
        "A", "B", plain_grit(depth=depth), curve=curve, pace=1.0, turn=turn, walk=walk, strokes=1800,
        direction=0.0 if kind == "rails" else float(rng.uniform(0.0, pi)),
    )  # fmt: skip
    return Study(f"{kind}, {type(curve).__name__.lower()}, {how}", bottom, top, step)


def _outlines(kind, rng):
    size = float(rng.uniform(0.12, 0.2))
    if kind == "rings":
        return Ring(size, 0.45 * size), Ring(size, 0.45 * size), None
    if kind == "squares":
        return Rectangle(size, size), Rectangle(size, size), None
    if kind == "rails":
        return Rectangle(0.3, 0.05), Rectangle(0.3, 0.05), None
    if kind == "part on a plate":
        return Disc(0.2), (Disc(0.08), Rectangle(0.08, 0.07))[int(rng.integers(2))], None
    if kind == "ring on a plate":
        return Disc(0.16), Ring(0.12, 0.06), None
    if kind == "grooves":
        pattern = str(rng.choice(["square", "triangle", "rings"]))
        return Disc(0.16), Disc(0.16), Grooves(pattern, 0.016, 0.002)
    return Disc(size), Disc(size), None


def _curve(rng, side):
    """A stroke of which nothing lifts on flat faces."""
    long = side * float(rng.uniform(0.12, 0.3))
    wide = 0.6 * long
    return (
        Circle(0.5 * long), Ellipse(long, wide), Line(long), FigureEight(long, wide),
        Zigzag(long, wide, float(rng.integers(5, 12))), Rosette(0.35 * long, 0.12 * long, 5),
    )[int(rng.integers(6))]  # fmt: skip


def _turning(how, rng):
    none = Turn()
    if how == "runs on":
        angle = float(rng.uniform(3.0, 100.0))
        return Turn(radians(angle)), none, f"turning {angle:.1f} deg a stroke"
    if how.endswith("deg"):
        every = int(rng.choice([5, 9, 10, 15]))
        return Turn(radians(float(how[:-4])), every), none, f"set over {how} every {every}"
    if how == "walk":
        angle = float(rng.uniform(2.0, 20.0))
        return none, Turn(radians(angle)), f"walking {angle:.1f} deg a stroke"
    if how == "walk set over":
        return none, Turn(pi / 2, 10), "walking 90 deg every 10"
    return none, none, "not turned"


@dataclass(frozen=True)
class Told:
    """Drift and mark by plate and form [m], by each way of telling them; metal off [m], whether it lifted."""

    run: dict
    why: dict
    preview: dict
    removed: float
    lifts: float

    def apart(self, one, other):
        """Largest difference [m]."""
        keys = [key for key in one if key in other]
        return max(abs(one[key] - other[key]) for key in keys)

    @property
    def allowed(self):
        """How far apart they may be [m]."""
        return max(SHARE * self.removed, FLOOR)


def told(study: Study, settings: Settings = CLOSE, degree: int = 8) -> Told:
    """Tell a study in all three ways."""
    plates = {"A": study.top, "B": study.bottom}
    step = study.step
    picture = ReducedModel(plates, [step], degree)
    solved, seconds = picture.evolution(1), step.total_strokes / step.pace
    flow = picture.flow(1)
    made = what_is_made(picture.operator(1), solved, seconds) * seconds
    mark = solved.after(np.zeros(made.size), seconds) - made
    why = _named("drift", flow, made) | _named("mark", flow, mark)
    glance = Glances(plates, 0, BARE).of(step, 1, outlook(plates, step))
    preview = {}
    for what, found in (("drift", glance.made), ("mark", glance.mark)) if glance else ():
        preview |= {(what, name, key): v for name, part in found.items() for key, v in part.items()}
    moments = list(lap(plates, [step], settings=settings))
    end = moments[-1]
    run = {}
    for name, plate in plates.items():
        found = forms(plate, end.heights[name], BARE)
        for key in form_names(plate):
            run["mark", name, key] = getattr(found, key) - why["drift", name, key]
    removed = max(end.removed.values())
    return Told(run, why, preview, removed, max(m.lift_share for m in moments))


def _named(what, flow, z):
    parts = zip("BA", (flow.bottom, flow.top), np.split(z, [flow.bottom.size]), strict=True)
    return {
        (what, name, key): v
        for name, face, part in parts
        for key, v in face.forms(part, BARE).items()
    }


def main() -> None:
    """Measure all and rewrite the table."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    start = time.process_time()
    rows, k, within = [], 0, 0
    while len(rows) < number:
        study, k = drawn(k), k + 1
        try:
            found = told(study)
        except LapwrightError as trouble:
            print(k, study.name, trouble)
            continue
        if found.lifts > 0.0:
            print(k, study.name, "lifts", found.lifts)
            continue
        off = [found.apart(found.why, found.run), found.apart(found.preview, found.why)]
        within += max(off) <= found.allowed
        rows.append(
            [
                study.name,
                f"{1e9 * study.step.grit.layer.depth:.0f} nm",
                f"{1e9 * found.removed:.0f}",
            ]
            + [f"{1e9 * v:.1f}" for v in off]
            + ["yes" if max(off) <= found.allowed else "no"]
        )
        print(k, *rows[-1], sep=" | ", flush=True)
    head = [
        "study",
        "layer",
        "metal off [nm]",
        "run less why [nm]",
        "preview less why [nm]",
        "within",
    ]
    lines = [head, ["---"] * len(head), *rows]
    text = f"{within} of {number} within 1 % of the metal off or 3 nm.\n\n"
    text += "\n".join("| " + " | ".join(line) + " |" for line in lines)
    intro = (
        f"Written by `python docs/design/agreement.py` in {ceil(time.process_time() - start)} s."
    )
    if number == STUDIES:
        before, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
        page = before + "\n\n".join([BEGIN, intro, text, END]) + rest.split(END)[1]
        PAGE.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
