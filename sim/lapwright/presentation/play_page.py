"""The page to play with: one file on which a stroke is dragged, and what it makes and leaves follows.

What is said of it is worked out on the page (`templates/play.js`): the moment law in closed form, where flat
faces lift and tip, and how they bear; what goes and what the layer leaves lies in a `Chart`, which goes with
it.  That holds for two equal plain discs of equal wear; of other steps the page says why it cannot.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import degrees, isclose, pi
from typing import Any

import numpy as np
from markupsafe import Markup

from lapwright import __version__
from lapwright.errors import LapwrightError, StudyError
from lapwright.integration.estimate import Outlook
from lapwright.kinematics.schedule import spread_of
from lapwright.modal.chart import ERRORS, LENGTHS, MOST_TURN, chart_of
from lapwright.presentation.filling import filled
from lapwright.presentation.pictures.ink import HEIGHTS
from lapwright.presentation.tables import stays_on_top
from lapwright.presentation.words import say
from lapwright.results.findings import flooded
from lapwright.specification.curves import Circle, Ellipse, FigureEight, Line
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn
from lapwright.study.model import Study
from lapwright.study.read import parse
from lapwright.study.source import document_of
from lapwright.study.write import written
from lapwright.units import GRAVITY, POUND, PSI, Units
from lapwright.verification.closed_forms import PathMeans, growth

CURVES = (Circle, Ellipse, FigureEight, Line)
SAME = 1e-9
# What hangs on keys of a step that the page writes anew, and may not fit them: left out where it does not.
ASIDE = ("variants", "sweep", "tune")
FIGURES = 5  # of the table
MARK = "@{}@"


@dataclass(frozen=True)
class Stroke:
    """A step of a study as the page plays it; `why_not` says why it does not, and is empty where it does."""

    study: Study
    number: int
    look: Outlook | None
    why_not: str

    @property
    def step(self) -> Step:
        """The step."""
        return self.study.steps[self.number - 1]

    @cached_property
    def title(self) -> str:
        """Its number and its pair."""
        return say("play.step", number=self.number, top=self.step.top, bottom=self.step.bottom)


def strokes_of(study: Study) -> list[Stroke]:
    """Every step of a study, with why it cannot be played."""
    try:
        ahead: Sequence[Outlook | None] = study.ahead
        trouble = ""
    except LapwrightError as wrong:
        wrong.units = study.units
        ahead, trouble = [None] * len(study.steps), str(wrong)
    return [
        Stroke(study, number, look, next(_why_not(study, number, look), "") or trouble)
        for number, look in enumerate(ahead, 1)
    ]


def none_played(strokes: Sequence[Stroke]) -> str:
    """Why no page is written, where no step can be played; "" where one can."""
    if not all(one.why_not for one in strokes):
        return ""
    return say("play.nothing", stem=strokes[0].study.stem, why=strokes[0].why_not)


def _why_not(study: Study, number: int, look: Outlook | None) -> Iterator[str]:
    """What of a step goes beyond the page, in words."""
    step, units = study.steps[number - 1], study.units
    top, bottom = study.plates[step.top], study.plates[step.bottom]
    for plate in (top, bottom):
        yield from _shaped(plate)
    if not isclose(top.outline.radius, bottom.outline.radius, rel_tol=SAME):
        yield say("play.not.unlike", units, top=top.name, bottom=bottom.name)
    if look is not None and not isclose(*look.kappas.values(), rel_tol=SAME):
        yield say("play.not.wear", top=top.name, bottom=bottom.name)
    if not isinstance(step.curve, CURVES):
        yield say("play.not.kind", kind=step.curve.kind)
    if step.walk.angle != 0.0:
        yield say("play.not.walk", bottom=bottom.name)
    if step.centre != (0.0, 0.0) or step.offset != (0.0, 0.0):
        yield say("play.not.centre", bottom=bottom.name)
    if step.turn.indexed and _how(step.turn) == "":
        yield say("play.not.set_over", turn=Units.turn(step.turn.angle, step.turn.every))
    if step.load.at != (0.0, 0.0) or step.load.push_height > 0.0:
        yield say("play.not.load", top=top.name)
    if any(flooded(study, number)):
        yield say("play.not.flooded")


def _shaped(plate: Plate) -> Iterator[str]:
    """What of a plate goes beyond the page."""
    if not isinstance(plate.outline, Disc):
        yield say("play.not.disc", plate=plate.name, ring=plate.outline.bore > 0.0)
    if plate.grooves is not None:
        yield say("play.not.grooves", plate=plate.name)
    if plate.supports.places or plate.supports.feet:
        yield say("play.not.feet", plate=plate.name)


def _how(turn: Turn) -> str:
    """How the top is turned, in the page's words: none, turning, half or quarter; "" where it has none."""
    if turn.angle == 0.0:
        return "none"
    if not turn.indexed:
        return "turning"
    size = abs(turn.angle)
    return next((n for n, at in (("half", pi), ("quarter", 0.5 * pi)) if isclose(size, at)), "")


# --- the page ----------------------------------------------------------------------------------


def play_page(
    strokes: Sequence[Stroke], tell: Callable[[int, int], None] = lambda done, of: None
) -> str:
    """The page as text.

    Parameters
    ----------
    strokes
        Of one study; one of them at least can be played.
    tell
        Hears how many strokes of the tables are worked out, of how many.

    """
    study = strokes[0].study
    played = [one for one in strokes if not one.why_not]
    kinds = list(dict.fromkeys(_table(one) for one in played))
    charts = [_chart(*each, study, tell, k, len(kinds)) for k, each in enumerate(kinds)]
    data = {
        "law": growth(PathMeans(1.0, 0.0, 0.0), 1.0, 1.0).sphere,
        "errors": ERRORS,
        "charts": charts,
        "steps": [{**step_data(one), "chart": kinds.index(_table(one))} for one in played],
        "units": _units(study.units),
        "ramp": base64.b64encode(np.round(255.0 * HEIGHTS).astype(np.uint8).tobytes()).decode(),
        "stem": study.stem,
    }
    text = json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    return filled(
        "play.html",
        study=study,
        program=__version__,
        headline=say("play.headline"),
        strokes=strokes,
        several=len(strokes) > 1,
        errors=ERRORS,
        table={"length": LENGTHS, "turn": MOST_TURN},
        bending=[one for one in played if one.step.bends],
        unsteady=[one for one in played if not one.step.hand.steady],
        data=Markup(text),
    )


def _table(stroke: Stroke) -> tuple[str, Plate]:
    """What its table goes by: the kind of stroke, and the face, where the edge margin takes effect."""
    plate = stroke.study.plates[stroke.step.top]
    return stroke.step.curve.kind, Plate(
        outline=plate.outline, thickness=plate.outline.radius, cells=plate.cells
    )


def _chart(
    kind: str, plate: Plate, study: Study, tell: Callable[[int, int], None], at: int, tables: int
) -> dict[str, Any]:
    """The table of a kind, with as many figures as it is good for; it is number `at` of so many `tables`."""

    def done(strokes: int, of: int) -> None:
        tell(at * of + strokes, tables * of)

    chart = chart_of(kind, plate, study.margin, done)
    rows = {
        name: [[None if v is None else float(f"{v:.{FIGURES}g}") for v in row] for row in some]
        for name, some in chart.rows.items()
    }
    return {"axes": chart.axes, "rows": rows}


def step_data(stroke: Stroke) -> dict[str, Any]:
    """A step as the page begins with it, in SI, its angles in degrees."""
    step, look, plates = stroke.step, stroke.look, stroke.study.plates
    assert look is not None
    top, curve = plates[step.top], step.curve
    wide = isinstance(curve, Ellipse | FigureEight)
    spells = [
        [look.on_top[name], plates[name].weight, 1 if name == step.top else -1]
        for name in (step.top, step.bottom)
    ]
    settled = step.swap is None or bool(step.swap.on_top)
    return {
        "number": stroke.number,
        "title": stroke.title,
        "top": step.top,
        "bottom": step.bottom,
        "kind": curve.kind,
        "radius": top.outline.radius,
        "length": 2.0 * curve.half_travel,
        "width": curve.width if wide else 0.0,  # type: ignore[attr-defined]
        "direction": degrees(step.direction),
        "how": _how(step.turn),
        "turn": 8.0 if step.turn.indexed or not step.turn.angle else degrees(step.turn.angle),
        "every": step.turn.every or 10,
        "force": step.load.force,
        "weight": top.weight,
        "kappa": look.kappas[step.top],
        "stiffness": step.grit.layer.stiffness,
        "grain": step.grit.size,
        "pace": step.pace,
        "strokes": step.total_strokes,
        "lifts": look.lift_off_overhang / top.outline.radius,
        "spells": spells,
        "net": settled,
        "swapped": _swapped(stroke),
        "time": look.time,
        "gauged": step.until is not None,
        "spread": spread_of([step]),
        "toml": _toml(stroke),
    }


def _swapped(stroke: Stroke) -> str:
    """How long each lies on top, in words; "" where nothing is swapped."""
    swap = stroke.step.swap
    if swap is None:
        return ""
    if swap.read is not None:
        return say("play.swap.read")
    stays = stays_on_top(swap, stroke.study.units)
    if swap.even:
        return say("play.swap.even", stay=stays[stroke.step.top])
    return say("play.swap.each", each=", ".join(f"{name} {stay}" for name, stay in stays.items()))


def _units(units: Units) -> Mapping[str, Any]:
    """What the page needs to speak a person's units: size in SI, name, and a step of the hand."""
    inch = units is Units.INCH
    return {
        "long": [*units.long, 0.01 if inch else 0.5],
        "small": units.small,
        "depth": units.depth,
        "force": [POUND * GRAVITY, "lbf", "lb"] if inch else [1.0, "N", "N"],
        "pressure": [PSI, "psi"] if inch else [1e3, "kPa"],
        "little": 0.02 * units.depth.size,
    }


# --- the study as it is set ----------------------------------------------------------------------


def _toml(stroke: Stroke) -> dict[str, Any]:
    """The study's text with marks in the place of what the page sets, and what was left out of it."""
    study, at = stroke.study, stroke.number - 1
    document = document_of(study.text)
    step = document["steps"][at]
    for key in ("stroke", "turn", "load"):
        step[key] = MARK.format(key)
    left: list[str] = []
    while True:
        text = written(document, _note(stroke), study.text)
        try:
            parse(_tried(text, stroke), study.stem, study.folder)
        except StudyError:
            aside = next((key for key in ASIDE if key in document), None)
            if aside is None:
                raise
            left.append(aside)
            del document[aside]
        else:
            return {"text": text, "left": left}


def _note(stroke: Stroke) -> str:
    """The head of the study that is written."""
    study = stroke.study
    return say("play.note", stem=study.stem, number=stroke.number, program=__version__)


def _tried(text: str, stroke: Stroke) -> str:
    """The text with a stroke of its kind in it."""
    curve = stroke.step.curve
    size = f"{1e3 * curve.half_travel:.6g} mm"
    sizes = {"radius" if curve.round and curve.kind == "circle" else "length": size}
    stroked = ", ".join(f'{key} = "{one}"' for key, one in {"kind": curve.kind, **sizes}.items())
    for key, value in (("stroke", f"{{ {stroked} }}"), ("turn", '"none"'), ("load", '"1 N"')):
        text = text.replace(f'"{MARK.format(key)}"', value)
    return text
