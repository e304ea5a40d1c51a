"""Makes why-straight-strokes-leave-errors.md and its pictures from the studies of configs/.

python docs/make_why_page.py          # writes the page and docs/pictures/why-*.png
python docs/make_why_page.py --check  # exit 1 when the page differs
"""

from __future__ import annotations

import sys
from dataclasses import replace
from math import radians

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from one_page import CONFIGS, DOCS, finish

from lapwright.modal.cycle import cycle_of, round_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.step_analysis import StepAnalysis, reason_of
from lapwright.presentation.pictures.ink import SHEET, bare, new_figure
from lapwright.presentation.staying import stays_in_short
from lapwright.presentation.why_page import error_cards, errors_drawn
from lapwright.specification.curves import Circle, FigureEight
from lapwright.specification.step import Step, Turn
from lapwright.study.model import Study
from lapwright.study.read import load
from lapwright.units import METRIC

PAGE = DOCS / "why-straight-strokes-leave-errors.md"
TWISTED = 0.2  # rise of a corner of a card, as a share of half its side

QUARTER, HALF, SLOWLY = Turn(radians(90.0), 10), Turn(radians(180.0), 10), Turn(radians(8.0))
TEXT = """\
# Why straight strokes leave errors

This page is made by `docs/make_why_page.py` from [straight-stroke.toml](../configs/straight-stroke.toml)
and [quarter-turns.toml](../configs/quarter-turns.toml); every number on it is the program's own. `lapwright
why` says the same of your study.

## Try it with two pieces of card

Cut two squares of card, as large as your hand. Draw 12 o'clock on both. Twist both *alike*: looking at
each, bend the corners at 1:30 and 7:30 a little towards you. Lay one on the table, face up. Turn the other
over like a page of a book, so that its 12 stays at 12, and lay it on the first.

![Two twisted cards: laid on, slid, and turned a quarter](pictures/why-cards.png)

- They lie in each other all over. Not flat, and nothing shows it.
- Slide the upper one, along, across or round in a circle, without turning it. It tips a little, and *still
  touches all over*. So there is no place that is pressed harder than another, and nothing that could grind
  the twist away.
- Turn the upper one a quarter. Now they touch at two corners only, and rock. There the pressure is, there
  metal goes, and the twist with it.

That is all there is to it: **a stroke takes out what it makes touch unevenly, and leaves alone what fits at
every point of it.**

## What fits along a straight stroke

A straight stroke without turning has more that fits than any other: every profile across itself. A ridge
that runs along the stroke lies in its groove and runs along it. On the shapes that the program looks at,
{straight_count} fit at every point of the stroke of `straight-stroke.toml`: {straight}.

![The errors that a straight stroke leaves alone, and those that it takes out](pictures/why-straight.png)

*On both plates, each drawn looking at its face, blue high, amber low. Above, what stays for ever; below,
what goes, with the metal that halves it.*

What does go, goes soon: two domes, two hollows and opposite twists are halved every {gone} removed. So
after a few micrometres both plates bear all over, and the marking compound shows two good plates. The study
begins with a twist of {twist} in both; after its two hours, {off} off each, the picture says:

| | twist of A | twist of B |
| --- | --- | --- |
| straight, never turned | {twist_straight[0]} | {twist_straight[1]} |
| straight, a quarter turn every ten strokes | {twist_quarter[0]} | {twist_quarter[1]} |

## What a quarter turn does

`quarter-turns.toml` differs in one line, `turn = "90 deg every 10 strokes"`. Now only this is left:
{quarter}. The same twist in both is halved every {twist_half} removed, ridges every {ridge_half}.

![With quarter turns only a dome in a dish stays](pictures/why-quarter.png)

How far one turns matters, and so does the stroke:

| stroke | turned | never takes out |
| --- | --- | --- |
{rows}

Half a turn puts the twist back on itself: bend your cards and see. Any other turning ends it, slowly or by
quarters. A figure-eight or a circle without turning is better than a straight stroke, for no ridge runs
along it; the twist stays all the same.

## What is left then

A dome in a dish fits however it is slid and turned, like a ball in its socket. No turning takes it out. It
moves by one thing: what hangs over. For each micrometre removed, this stroke makes the lower plate {domed}
more domed and the upper one as much more hollow, whatever both look like. So equal swaps hold dome and dish
as they are, and the domed plate goes flat when it lies on top for longer.

With a third plate there is another way: A on B, B on C, C on A. A dome fits a dish, but three plates cannot
be domed and hollow against each other all round. Twisted alike they can; so turn there too. The study
[three-plates.toml](../configs/three-plates.toml) shows it, and
[three-plates-quarter-turn.toml](../configs/three-plates-quarter-turn.toml) the cure.

And something stays that no comparison of the two shows: the grit layer gives a little under the rim, and
leaves {residue}. A shorter stroke, a finer grit or less load leaves less.

Theory, for those who want it: [theory.md](theory.md). Is it flat, or does it only mate?
[flat-or-mated.md](flat-or-mated.md).
"""


def reason(study: Study, step: Step | None = None) -> StepAnalysis:
    """The reason of a study's first step, or of another step in its place."""
    return reason_of(ReducedModel(study.plates, [step or study.steps[0]]), 1)


def ends(found: StepAnalysis, study: Study) -> list[str]:
    """Twist of A and B at the end of a step, in words; swaps do nothing to it."""
    last = found.forms(
        found.evolution.after(found.start, found.step.total_strokes / found.step.pace), study.margin
    )
    return [METRIC.size(last[n]["twist"]) for n in ("A", "B")]


def halved(found: StepAnalysis, *names: str) -> str:
    """The metal that halves named errors, the most of them, in words."""
    times = [error.half_life or 0.0 for error in found.named if error.name in names]
    return METRIC.size(max(times) * found.removal)


def rows(study: Study) -> str:
    """Strokes and turns, and what each never takes out."""
    straight = study.steps[0]
    half = straight.curve.length / 2  # type: ignore[attr-defined]
    kinds = (
        ("straight", straight.curve, None),
        ("straight", straight.curve, HALF),
        ("straight", straight.curve, QUARTER),
        ("straight", straight.curve, SLOWLY),
        ("figure-eight", FigureEight(2 * half, half), None),
        ("circle", Circle(half), None),
        ("circle", Circle(half), QUARTER),
        ("figure-eight", FigureEight(2 * half, half), SLOWLY),
    )
    said = {None: "never", HALF: "180 deg every 10 strokes", QUARTER: "90 deg every 10 strokes"}
    lines = []
    for name, curve, turn in kinds:
        found = reason(study, replace(straight, curve=curve, turn=turn or Turn()))
        how = said.get(turn, "8 deg per stroke")
        lines.append(
            f"| {name} | {how} | {stays_in_short(found)} ({found.spectrum.survivors} in all) |"
        )
    return "\n".join(lines)


def page() -> str:
    """The page as text."""
    straight, quarter = (
        load(CONFIGS / f"{name}.toml") for name in ("straight-stroke", "quarter-turns")
    )
    found, turned = reason(straight), reason(quarter)
    half = (
        0.5
        * (found.forms(found.spectrum.drift, straight.margin)["B"]["sphere"])
        / found.removal
        * 2e-6
    )
    picture = ReducedModel(straight.plates, straight.steps)
    cycle = cycle_of(picture, round_of(picture))
    left = cycle.forms(cycle.spectrum().bedded_residue, straight.margin)["A"]["sphere"]
    return TEXT.format(
        straight_count=found.spectrum.survivors,
        straight=stays_in_short(found),
        gone=halved(found, "domes", "opposite twists"),
        twist=METRIC.size(straight.plates["A"].form.twist),
        off=f"about {METRIC.size(found.removal * straight.steps[0].time)}",
        twist_straight=ends(found, straight),
        twist_quarter=ends(turned, quarter),
        quarter=stays_in_short(turned),
        twist_half=halved(turned, "twists"),
        ridge_half=halved(turned, "ridges along", "ridges across"),
        rows=rows(straight),
        domed=METRIC.size(half),
        residue=f"a dish of about {METRIC.size(left)} in both",
    )


# --- pictures ----------------------------------------------------------------------------------


def cards() -> Figure:
    """Two twisted cards, three ways of laying one on the other, seen from above the near edge."""
    figure = new_figure(930.0, 230.0)
    ways = (
        ("laid on: they touch all over", (0.0, 0.0), 1.0),
        ("slid: they still touch all over", (0.45, -0.2), 1.0),
        ("turned a quarter: at two corners only", (0.0, 0.0), -1.0),
    )
    u = np.linspace(-1.0, 1.0, 9)
    x, y = np.meshgrid(u, u)
    for k, (title, (cx, cy), sign) in enumerate(ways):
        axes = bare(figure, (k * 310.0, 0.0, 300.0, 205.0))
        _card(axes, x, y, TWISTED * x * y, SHEET.muted, SHEET.metal)
        # A twisted card that is slid lies on the same face: it only tips.
        over = TWISTED * ((x + cx) * (y + cy) if sign > 0.0 else -x * y)
        lift = 0.03 if sign > 0.0 else float((TWISTED * x * y - over).max())
        _card(axes, x + cx, y + cy, over + lift, SHEET.accent, SHEET.accent)
        axes.set_xlim(-1.55, 2.0)
        axes.set_ylim(-1.12, 1.3)
        axes.set_aspect("equal")
        at = (k * 310.0 + 8.0) / 930.0
        figure.text(at, 210.0 / 230.0, title, fontsize=12, weight="bold", color=SHEET.ink)
    return figure


def _card(axes: Axes, x: np.ndarray, y: np.ndarray, z: np.ndarray, line: str, fill: str) -> None:
    across, up = x + 0.32 * y, 0.52 * y + z
    for j in reversed(range(x.shape[0] - 1)):
        for i in range(x.shape[1] - 1):
            corners = [(j, i), (j, i + 1), (j + 1, i + 1), (j + 1, i)]
            patch = [(across[c], up[c]) for c in corners]
            axes.add_patch(
                Polygon(patch, facecolor=fill, edgecolor=line, alpha=0.42, linewidth=0.6)
            )
    rim = [
        (0, slice(None)),
        (slice(None), -1),
        (-1, slice(None, None, -1)),
        (slice(None, None, -1), 0),
    ]
    edge = np.concatenate([np.stack([across[r], up[r]], axis=1) for r in rim])
    axes.plot(edge[:, 0], edge[:, 1], color=line, linewidth=1.9)


def pictures() -> dict[str, Figure]:
    """The pictures by name."""
    drawn = {"why-cards": cards()}
    for name, config in (("why-straight", "straight-stroke"), ("why-quarter", "quarter-turns")):
        study = load(CONFIGS / f"{config}.toml")
        figure = errors_drawn(error_cards(study, reason(study)))
        assert figure is not None
        drawn[name] = figure
    return drawn


if __name__ == "__main__":
    sys.exit(finish(PAGE, page(), pictures))
