"""Makes why-plates-have-grooves.md and its picture; every number on it is worked out here.

python docs/make_grooves_page.py          # writes the page and docs/pictures/why-grooves.png
python docs/make_grooves_page.py --check  # exit 1 when the page differs
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle
from one_page import CONFIGS, DOCS, finish

from lapwright.contact.liquid import LEAST_GAP, MOST_GAP, Film, film_of
from lapwright.presentation.pictures.ink import SHEET, bare, new_figure
from lapwright.specification.grooves import Grooves
from lapwright.specification.materials import LIQUIDS
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.study.read import load
from lapwright.units import METRIC

CONFIG = CONFIGS / "flooded-pair.toml"
PAGE = DOCS / "why-plates-have-grooves.md"

TEXT = """\
# Why plates have grooves

This page is made by `docs/make_grooves_page.py` from [flooded-pair.toml](../configs/flooded-pair.toml); every
number on it is the program's own. `lapwright preview` says the same of your study.

## Try it with a tile

Take a smooth wall tile with ribs on its back, and a wet window pane that lies flat. Press the tile on the
water with its smooth face down, and lift one edge quickly: it holds fast. Lift slowly: water creeps in, and
it comes. Turn the tile over, ribs down, flood it, and lift again: it comes at once.

Nothing glued it. To tip the tile, water has to get in under one side, through a gap thinner than a hair, all
the way from the rim; between ribs the way is short and wide. A lapping plate on grit is such a tile.

![Above, flooded: liquid has to cross the plate. Below, grooved: half a land](pictures/why-grooves.png)

## What it spoils

As the top goes out over the edge it is carried on one side only, so it must tip a little, dig in there, and
tip back as it comes in again: that is what hollows the top and domes the bottom. All of "the domed one on
top" rests on it. Where the top cannot tip in time, the grit is pressed evenly wherever it goes, and little of
that happens. You go on lapping, metal goes, and the dome stays.

The plates of the study are {size} across, on {grit} grit, {stroke}, {pace}. Flooded with
{with}, they take {time} s to follow the stroke's tipping, and a stroke lasts {stroke_time} s. So of what the
stroke should make of dome against dish, about {left} is left. The gap is not known well: it is taken
as one grain, and with {low} to {high} of a grain it is {least} to {most}.

| liquid (at 20 degrees) | no grooves | grooves {width} wide every {pitch} |
| --- | --- | --- |
{liquids}

## What a groove does

It brings the way out near. Liquid under a land has only to reach the next groove, {half} off at most, not
the rim, {radius} off. The time goes by the *square* of that way. With such grooves water and kerosene are as
good as not there, and light oil takes {oil}.

| grooves {width} wide, in squares every | left with kerosene | with light oil |
| --- | --- | --- |
{pitches}

Grooves in one of the two faces are enough. What they cost: there is less land, so the grooved plate wears
faster than a plain one.

## What else helps

| of the flooded pair, changed | left |
| --- | --- |
{cures}

- **Wipe it to a smear.** A film that does not fill the gap has air beside it and nothing to push out. `liquid
  = "smeared"` is what the program takes when you say nothing.
- **Go slowly.** The liquid gets its time.
- **Finer grit makes it worse**: with half the grain the gap is half as wide, the liquid eight times as slow,
  and the layer twice as stiff: four times as slow in all. The last passes, on the finest grit, are where
  plates without grooves float.

What the program makes of it: it warns, in `preview`, `why` and `run`, from a tenth on. It does not lap with
liquid: shapes are given as of smeared or grooved work. The number says that something is wrong, not how
much to correct by.

## Take care

Kerosene burns, and so does its vapour: no flame, spark or hot plate near it, air through the room, gloves,
rags in a closed metal bin. Flooded plates slide off on their own: keep the bench level and your feet clear.
Slide plates apart, never pry. Local rules come first.

Theory, for those who want it: [theory.md](theory.md#liquid-between-the-faces).
"""


def film(step: Step, plates: dict[str, Plate]) -> Film:
    """The liquid of a step that is flooded."""
    found = film_of(step, plates[step.top], plates[step.bottom])
    assert found is not None
    return found


def share(value: float) -> str:
    """A share as a person says it."""
    return "all" if value > 0.995 else METRIC.share(value)


def page() -> str:
    """The page as text."""
    study = load(CONFIG)
    step, plates = study.steps[0], dict(study.plates)
    found = film(step, plates)
    cut = cut_as(plates, 12e-3)
    wet = [word for word, viscosity in LIQUIDS.items() if viscosity > 0.0]
    liquids = [
        f"| {word.removeprefix('flooded with ')}, {METRIC.number(1e3 * LIQUIDS[word])} mPa s | "
        f"{share(film(replace(step, liquid=word), plates).left)} | "
        f"{share(film(replace(step, liquid=word), cut).left)} |"
        for word in wet
    ]
    oil = replace(step, liquid="flooded with light oil")
    pitches = [
        f"| {METRIC.length(pitch)} | {share(film(step, cut_as(plates, pitch)).left)} | "
        f"{share(film(oil, cut_as(plates, pitch)).left)} |"
        for pitch in (12e-3, 25e-3, 50e-3, 80e-3)
    ]
    changes = (
        ("as it is", step),
        (f"pace {METRIC.pace(step.pace / 2.0)}", replace(step, pace=step.pace / 2.0)),
        (f"pace {METRIC.pace(step.pace / 4.0)}", replace(step, pace=step.pace / 4.0)),
        ("grit 30 um", step.replace(grit="30 um")),
        ("grit 9 um", step.replace(grit="9 um")),
    )
    cures = [f"| {what} | {share(film(changed, plates).left)} |" for what, changed in changes]
    cures.append("| smeared | all |")
    radius = plates[step.top].outline.radius
    return TEXT.format(
        size=METRIC.length(2.0 * radius),
        grit=METRIC.grain(step.grit.size),
        stroke=f"a circle {METRIC.length(2.0 * step.curve.half_travel)} across",
        pace=f"{METRIC.number(step.pace * 60.0)} strokes a minute",
        time=METRIC.number(found.time),
        stroke_time=METRIC.number(1.0 / step.pace),
        left=share(found.left),
        least=share(found.least),
        most=share(found.most),
        low=LEAST_GAP,
        high=MOST_GAP,
        width=METRIC.length(2e-3),
        pitch=METRIC.length(12e-3),
        half=METRIC.length(5e-3),
        radius=METRIC.length(radius),
        liquids="\n".join(liquids),
        oil=METRIC.share(1.0 - film(oil, cut).left),
        pitches="\n".join(pitches),
        cures="\n".join(cures),
        **{"with": step.liquid.removeprefix("flooded with ")},
    )


def cut_as(plates: dict[str, Plate], pitch: float) -> dict[str, Plate]:
    """The plates with grooves in squares cut into the last."""
    name = list(plates)[-1]
    return plates | {name: replace(plates[name], grooves=Grooves("square", pitch, 2e-3))}


# --- picture -----------------------------------------------------------------------------------

HALF, GAP, THICK = 10.0, 0.9, 1.3  # of the drawing, not to scale
SLOW, QUICK = 0.02, 0.05  # tilts


def drawn() -> Figure:
    """Two cuts through a pair, the top rocking: where the liquid has to go."""
    figure = new_figure(930.0, 380.0)
    titles = (
        "flooded, no grooves: to rock, liquid must cross the plate through a thin gap",
        "flooded, grooved: from each land it only goes into the next groove",
    )
    for k, title in enumerate(titles):
        axes = bare(figure, (10.0, 190.0 * (1 - k) + 4.0, 910.0, 150.0), (-14.5, 14.5, -1.9, 2.9))
        _cut(axes, grooved=k == 1)
        at = (190.0 * (1 - k) + 164.0) / 380.0
        figure.text(14.0 / 930.0, at, title, fontsize=12, weight="bold", color=SHEET.ink)
    return figure


def _cut(axes: Axes, grooved: bool) -> None:
    tilt = QUICK if grooved else SLOW

    def under(x: float) -> float:  # the top's face: low on the right
        return GAP - tilt * x

    middles = np.arange(-8.0, 8.1, 4.0) if grooved else np.zeros(0)
    axes.add_patch(
        Polygon(
            [(-HALF, 0.0), (HALF, 0.0), (HALF, under(HALF)), (-HALF, under(-HALF))],
            facecolor=SHEET.gap,
            edgecolor="none",
        )
    )
    axes.add_patch(
        Rectangle((-HALF, -THICK), 2 * HALF, THICK, facecolor=SHEET.metal2, edgecolor=SHEET.second)
    )
    for middle in middles:
        axes.add_patch(
            Rectangle((middle - 0.45, -0.75), 0.9, 0.77, facecolor=SHEET.gap, edgecolor="none")
        )
        line = [(middle - 0.45, 0.0), (middle - 0.45, -0.75), (middle + 0.45, -0.75)]
        line.append((middle + 0.45, 0.0))
        axes.plot(*zip(*line, strict=True), color=SHEET.second, linewidth=1.0)
    top = [(-HALF, under(-HALF)), (HALF, under(HALF))]
    top += [(HALF, under(HALF) + THICK), (-HALF, under(-HALF) + THICK)]
    axes.add_patch(Polygon(top, facecolor=SHEET.metal, edgecolor=SHEET.second))
    _flow(axes, middles)
    for x, way, word in ((-11.9, 1.0, "rises"), (11.9, -1.0, "sinks")):
        axes.annotate(
            "",
            (x, 1.4 + 0.75 * way),
            (x, 1.4 - 0.75 * way),
            arrowprops={"arrowstyle": "-|>", "color": SHEET.ink, "linewidth": 1.6},
        )
        axes.text(x, -0.55, word, ha="center", va="center", fontsize=11, color=SHEET.ink)
    side = "slow: it hardly rocks" if not grooved else "quick: it rocks freely"
    axes.text(0.0, under(0.0) + 0.5 * THICK, side, ha="center", va="center", fontsize=12)


def _flow(axes: Axes, middles: np.ndarray) -> None:
    """Arrows along the liquid: away from where the top sinks, towards where it rises."""
    style = {
        "arrowstyle": "-|>",
        "color": SHEET.accent,
        "linewidth": 1.8,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    if not middles.size:
        # Reynolds' equation on a rocking disc: out at the rim beyond R/sqrt(3), across the middle within.
        for start, end in ((6.2, 11.0), (5.3, -5.3), (-11.0, -6.2)):
            axes.annotate("", (end, 0.42), (start, 0.42), arrowprops=style)
        return
    for middle in middles:
        for way in (-1.0, 1.0):
            near, far = middle + 0.1 * way, middle + 1.55 * way
            if middle > 0.0 or (middle == 0.0 and way > 0.0):
                near, far = far, near  # squeezed out: into the groove
            axes.annotate("", (far, 0.21), (near, 0.21), arrowprops=style)


if __name__ == "__main__":
    sys.exit(finish(PAGE, page(), lambda: {"why-grooves": drawn()}))
