"""The same that `next` says, as numbers for scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from lapwright.metrology.reading import Reading
from lapwright.optimisation.advise import Advice, Harm
from lapwright.optimisation.book import Band
from lapwright.presentation.parts_words import plan_told
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.presentation.way_round import scale_step
from lapwright.specification.step import Step

if TYPE_CHECKING:
    from lapwright.presentation.next_spell import NextAnswer


def told_of(answer: NextAnswer) -> Mapping[str, Any]:
    """Everything for scripts."""
    advice, layout = answer.advice, answer.book.bench.layout
    last = answer.book.chapters[-1] if answer.book.chapters else None
    foretold = None
    if last is not None and last.foretold is not None:
        keys = ("value", "low", "middle", "high", "tail")
        foretold = {key: getattr(last.foretold, key) for key in keys} | {
            "better": {" ".join(k).strip(): v for k, v in last.better.items()},
            "likely": {" ".join(k).strip(): v for k, v in last.likely.items()},
        }
    return {
        "now": _numbers(answer.forms),
        "foretold": foretold,
        "learnt": {
            "wear": {" on ".join(key): vars(answer.wear(*key)) for key in layout.wears},
            "layer": {grit: vars(answer.now.layer(grit)) for grit in layout.layers},
        },
        "next": None if advice.step is None else _step_told(answer, advice.step),
        "read": [
            {
                **_which(one.reading),
                "at": one.reading.at,
                "of": one.form[0],
                "form": one.form[1],
                "within": {"now": one.now, "then": one.then},
            }
            for one in advice.read
        ],
        "unseen": [
            {"of": plate, "form": form, "gauge": kind}
            for (plate, form), kind in answer.unseen.items()
        ],
        "usual_gauges": answer.book.usual_gauges,
        "excess": advice.excess,
        "harm": _harms(advice.harm),
        "meanwhile": _harms(advice.meanwhile),
        "or_turn": None if advice.or_turn is None else turn_words(advice.or_turn),
        "road": None if advice.road is None else _road_told(advice.road),
        "why": advice.why,
        "batch": None if advice.plan is None else plan_told(advice.plan),
        "sizes": _sizes_told(answer),
        "chance": advice.chance,
        "reached_now": advice.reached_now,
        "to_go": {"time": advice.cost, "spells": advice.spells, "metal": advice.metal},
    }


def _sizes_told(answer: NextAnswer) -> dict[str, Any]:
    """Of each plate that a micrometer was on since it was lapped, size and wedge; metal left [m]."""
    sizing = answer.sizing
    return {
        name: {**one.told_in_full(), "left": sizing.left.get(name)}
        for name, one in sizing.found.items()
    }


def _road_told(road: Advice) -> dict[str, Any]:
    """The way that makes some form worse, as far as it is known: its first spell and what comes of it."""
    step = road.step
    assert step is not None
    return {
        "top": step.top,
        "bottom": step.bottom,
        "grit": step.grit.name,
        "strokes": step.total_strokes,
        "stroke": stroke_words(step),
        "turn": turn_words(step.turn),
        "chance": road.chance,
        "harm": _harms(road.harm),
        "meanwhile": _harms(road.meanwhile),
        "to_go": {"time": road.cost, "spells": road.spells, "metal": road.metal},
    }


def _step_told(answer: NextAnswer, step: Step) -> dict[str, Any]:
    return {
        "top": step.top,
        "bottom": step.bottom,
        "grit": step.grit.name,
        "strokes": step.total_strokes,
        "time": step.total_strokes / step.pace,
        "stroke": stroke_words(step),
        "turn": turn_words(step.turn),
        "fresh_grit_every": step.fresh_every,
        "swap_every": None if step.swap is None else dict(step.swap.on_top),
        "expect": [{**_which(reading), **vars(band)} for reading, band in answer.foretold],
        "forms": _numbers(answer.expected),
        "removed": answer.off(),
        "weigh": {name: _weighed(answer, name, grams) for name, grams in answer.grams.items()},
    }


def _weighed(answer: NextAnswer, name: str, grams: float) -> dict[str, float]:
    """What a plate should lose [kg], and the scale that shows it: what it carries and its step [kg]."""
    mass = answer.book.bench.layout.plates[name].total_mass
    return {"lost": 1e-3 * grams, "carries": mass, "shows": 1e-3 * scale_step(grams)}


def _numbers(faces: Mapping[str, Mapping[str, Band]]) -> dict[str, dict[str, Any]]:
    return {name: {form: vars(band) for form, band in of.items()} for name, of in faces.items()}


def _harms(harms: Sequence[Harm]) -> list[dict[str, Any]]:
    return [
        {"of": one.asked.plate, "form": one.asked.form, "share": one.share, "by": one.by}
        for one in harms
    ]


def _which(reading: Reading) -> dict[str, Any]:
    return {"gauge": reading.gauge, "plate": reading.plate, "angle": reading.angle}
