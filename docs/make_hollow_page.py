"""Makes why-the-plate-goes-hollow.md and its picture; every number on it is worked out here.

python docs/make_hollow_page.py          # writes the page and docs/pictures/why-hollow.png
python docs/make_hollow_page.py --check  # exit 1 when the page differs
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from one_page import CONFIGS, DOCS, finish

from lapwright.presentation.pictures.ink import SHEET, beside, new_figure, plain
from lapwright.results.batch import BatchRecord, BatchRecorder
from lapwright.study.model import Study
from lapwright.study.read import load, parse_document
from lapwright.study.source import document_of
from lapwright.units import METRIC

CONFIG = CONFIGS / "seal-rings-on-a-turning-plate.toml"
PAGE = DOCS / "why-the-plate-goes-hollow.md"
RADII = (75e-3, 90e-3, 105e-3, 120e-3, 135e-3)  # at which depths are told [m]
BAND = 5e-3  # [m] of radius over which they are taken
Array = NDArray[np.float64]

TEXT = """\
# Why the plate goes hollow, and how a dressing ring sets it right

This page is made by `docs/make_hollow_page.py` from
[seal-rings-on-a-turning-plate.toml](../configs/seal-rings-on-a-turning-plate.toml); every number on it is the
program's own. `lapwright run` draws the same for your study, part by part.

## Try it with chalk

Let the plate stand, dry and clean. Draw a chalk line on it from the middle to the rim. Lay a clean dry part
on its place, turn the plate by hand five times, lift the part off and look. Where the middle of the part
went, the chalk is gone; toward both ends of its track some is left; beyond them all of it. Grit takes metal
off where the chalk went, and as much more of it.

## What it does to the plate

A place on the plate wears while a part is over it, and the faster, the farther out it lies. {rings} rings
at a time lie on a circle of {place} radius, each {across} across: the middle of their track lies under them
for a larger share of every turn than its ends (their bore spares a little in the very middle). After {first}
rings, {each} off each of them, the plate has lost

| at a radius of | {radii} |
| --- | {rules} |
| the rings took off | {worn} |
| the dressing ring took off then | {dressed} |
| both together | {both} |

The plate came flat; now it is hollow by {hollow}, and from its highest to its lowest place there are
{uneven}. A ring takes after the plate that it lies on: the first came off flat within {flat_first}, the last
of these within {flat_last}.

![What rings take off the plate, what the dressing ring takes off, and both](pictures/why-hollow.png)

## How a dressing ring sets it right

A ring is wanted that cuts most where the parts cut least. This one is {dresser}, and lies
on the same circle: its land runs over both ends of the track, and over the middle of it mostly its bore does.
It bears on the high places first, for the grit there is squeezed more. After {time} under {load} beside its
own weight, and {dress_off} off the plate, the plate is hollow by {after}. It need not come flat: it must
stay so near it that the next rings are within what is asked.

| after {first} more rings | dressed in between | never dressed |
| --- | --- | --- |
| the plate is hollow by | {later} | {never} |
| the worst of these rings is flat within | {worst_later} | {worst_never} |

## What to do at the bench

- Read the plate by parts, not by days: so many parts, then a straightedge or a gauge across it. `lapwright
  run` says after how many the next one would be out of your goal, `lapwright tune` how often to dress.
- A wider circle, a smaller one, or parts that go to and fro over the rim wear the plate otherwise; the middle
  of the track moves with them. There is often a place at which it hardly goes hollow:
  [ring-that-spares-the-plate.toml](../configs/ring-that-spares-the-plate.toml).
- A ring that carries the parts dresses the plate while they are lapped:
  [gauge-ends-in-a-carrier.toml](../configs/gauge-ends-in-a-carrier.toml).
- A dressing ring that has gone out of flat itself makes the plate so. Swap it over now and then, or lap it.
- A ring on a driven plate pinches and throws: hold it by its guide, never by hand; stop the plate to lift it.

How parts are laid, carried and weighed down: [a batch of parts](study-files.md#a-batch-of-parts).
"""


@dataclass(frozen=True)
class Lapped:
    """Two spells of a batch: its record and the plate's heights (ny, nx) [m] after each step."""

    study: Study
    record: BatchRecord
    plate: list[Array]


def lapped(dressed: bool) -> Lapped:
    """Two spells of the study, with the dressing between them or without."""
    document = document_of(load(CONFIG).text)
    every = load(CONFIG).batch.dress.every  # type: ignore[union-attr]
    document["batch"]["count"] = 2 * every  # type: ignore[operator]
    study = parse_document(document)
    if not dressed:
        study = replace(
            study, batch=replace(study.batch, dress=replace(study.batch.dress, every=99))
        )
    recorder = BatchRecorder(study, study.batch)  # type: ignore[arg-type]
    plate = []
    for moment in study.states():
        recorder.take(moment)
        if moment.event == "step":
            plate.append(moment.heights["plate"])
    return Lapped(study, recorder.record, plate)


def rings(study: Study, heights: Array, radii: Array) -> Array:
    """Mean height of the plate's land about each radius [m]."""
    plate = study.plates["plate"]
    r = np.hypot(*plate.grid.mesh())
    weight = plate.land * (np.abs(r - radii[:, None, None]) < BAND)
    return np.asarray((weight * heights).sum(axis=(1, 2)) / weight.sum(axis=(1, 2)))


def courses(done: Lapped, radii: Array) -> tuple[Array, Array]:
    """What the first spell of parts took off at radii [m], and what the dressing after it did."""
    first = int(done.record.dressings.after[0]) // done.study.batch.together  # type: ignore[union-attr]
    before = rings(done.study, done.plate[first - 1], radii)
    return -before, before - rings(done.study, done.plate[first], radii)


def hollow(sphere: float) -> str:
    """By how much a plate is hollow [m], in words."""
    assert sphere < 0.0
    return METRIC.size(-float(sphere))


def page(done: Lapped, left: Lapped) -> str:
    """The page as text."""
    study, record = done.study, done.record
    batch, (step, dressing) = study.batch, study.steps
    assert batch is not None
    first = int(record.dressings.after[0])
    worn, dressed = courses(done, np.array(RADII))

    def row(values: Array) -> str:
        return " | ".join(METRIC.size(value) for value in values)

    def reads(of: Lapped, at: int) -> str:
        return hollow(of.record.plate["sphere"][at])

    ring, wide = study.plates["ring"].outline, study.plates["dresser"].outline
    flat, not_dressed = record.forms["flatness"], left.record.forms["flatness"]
    return TEXT.format(
        rings={1: "One", 2: "Two", 3: "Three"}[batch.together],
        place=f"{1e3 * np.hypot(*step.centre):.0f} mm",
        across=METRIC.length(max(ring.size)),
        first=first,
        each=METRIC.size(float(np.mean(record.removed[:first]))),
        radii=" | ".join(f"{1e3 * r:.0f} mm" for r in RADII),
        rules=" | ".join("---" for _ in RADII),
        worn=row(worn),
        dressed=row(dressed),
        both=row(worn + dressed),
        hollow=reads(done, first - 1),
        uneven=METRIC.size(float(record.plate["flatness"][first - 1])),
        flat_first=METRIC.size(float(flat[0])),
        flat_last=METRIC.size(float(flat[first - 1])),
        dresser=f"{METRIC.length(max(wide.size))} across with a bore of {METRIC.length(wide.bore)}",
        time=METRIC.time(dressing.time or 0.0),
        load=f"{dressing.load.force:.0f} N",
        dress_off=METRIC.size(float(record.dressings.removed[0])),
        after=hollow(record.dressings.dressed["sphere"][0]),
        later=reads(done, -1),
        never=reads(left, -1),
        worst_later=METRIC.size(float(flat[first:].max())),
        worst_never=METRIC.size(float(not_dressed[first:].max())),
    )


def picture(done: Lapped) -> Figure:
    """Metal off the plate along its radius: by parts, by the dressing ring, and both."""
    outline = done.study.plates["plate"].outline
    radii = np.linspace(0.5 * outline.bore + BAND, 0.5 * max(outline.size) - BAND, 40)
    worn, dressed = courses(done, radii)
    figure = new_figure(930.0, 330.0)
    axes = plain(figure, (90.0, 52.0, 700.0, 240.0))
    lines = (
        ("by the parts", worn, SHEET.accent, "-", 0.0),
        ("by the dressing ring", dressed, SHEET.third, (0, (6, 3)), 5.0),
        ("both together", worn + dressed, SHEET.ink, "-", -8.0),
    )
    for name, off, colour, dash, up in lines:
        axes.plot(radii / 1e-3, off / 1e-6, color=colour, linestyle=dash, linewidth=1.9)
        beside(axes, name, (radii[-1] / 1e-3, off[-1] / 1e-6), (8.0, up), color=colour)
    axes.set_ylim(1.1 * float((worn + dressed).max()) / 1e-6, 0.0)  # downwards, as it lies
    axes.set_xlabel("from the middle of the plate, mm")
    beside(
        axes, "metal off the plate, um", (0, 1), (-70.0, 12.0), xycoords="axes fraction", weight="bold"
    )  # fmt: skip
    return figure


def main() -> int:
    """Write the page and its picture, or compare the page."""
    done = lapped(dressed=True)
    text = page(done, lapped(dressed=False))
    return finish(PAGE, text, lambda: {"why-hollow": picture(done)})


if __name__ == "__main__":
    sys.exit(main())
