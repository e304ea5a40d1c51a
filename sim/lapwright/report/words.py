"""Sentences made from numbers, in the words of the bench.

Pure functions: numbers in (SI, forms as in the JSON of `run`), words out.  Each sentence must be
true of its numbers.  A form is never given as a bare signed number, prose has two significant
figures, minutes come with their band, and a form finer than a tenth of the grit comes with
`REMARK`.  The micro sign is written "u" here; pages set it in type (`lapwright.report.typeset`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from lapwright.report.shapes import (
    NO_BORES,
    REMARK,
    Forms,
    dome_or_dish,
    face,
    flat_to_the_finish,
    from_the_bore,
    part_words,
    shapes,
)
from lapwright.units import METRIC, NOTHING, Units, sentence

__all__ = [
    "BEDDED",
    "REMARK",
    "Forms",
    "bears",
    "came_out",
    "dome_or_dish",
    "face",
    "flat_to_the_finish",
    "from_the_bore",
    "lifting",
    "mating",
    "metal",
    "part_words",
    "shapes",
]

BEARS_ALL_OVER = 0.98  # share of the overlap that carries load, from which "all over" is said
BEDDED = {
    False: "once they have bedded in",
    True: "at the pace at which this step ends",
}  # land hardly rubbed?
UNEVEN = 0.03  # difference between middle and rim, as a share of the mean, from which it is said

# --- what came out -----------------------------------------------------------------------------


def mating(top: str, bottom: str, share: float | None) -> str:
    """Whether two plates mate: `share` of the overlap that bears in the middle of the stroke."""
    if share is None or not math.isfinite(share):
        return ""
    if share >= BEARS_ALL_OVER:
        return f"{top} and {bottom} mate."
    if share <= 0.0:
        return f"{top} and {bottom} do not mate."
    part = f"in the middle of the stroke they bear on {Units.share(share)} of the overlap"
    return f"{top} and {bottom} do not mate yet: {part}."


# How a run ended that did not go to where it was meant to.
ENDED = {
    "interrupted": "The run was stopped before its end.",
    "limit": "Time ran out before the goal was reached.",
}


def came_out(
    outcome: str,
    pair: tuple[str, str] | None,
    share: float | None,
    faces: Mapping[str, Forms],
    finishes: Mapping[str, float | None],
    units: Units = METRIC,
    nothing_done: bool = False,
    bores: Mapping[str, float] = NO_BORES,
) -> str:
    """The one sentence (or three) that says what came out.

    Parameters
    ----------
    outcome
        "done", "until", "limit", "tipped" or "interrupted".
    pair
        Top and bottom that lay on each other last.
    share
        Share of their overlap that bears in the middle of the stroke; None when not known.
    nothing_done
        True when the top tipped before anything was rubbed.
    bores
        As in `shapes`.
    """
    said: list[str] = []
    if outcome == "tipped":
        cure = "shorten the stroke, or bring the load nearer to the top's centre"
        if nothing_done:
            return f"Nothing was lapped: the top tips off. To go on, {cure}."
        said.append(
            f"The run stopped: the top tips off; to go on, {cure}. What follows is the last good state."
        )
    elif outcome == "interrupted":
        said.append(f"{ENDED[outcome]} What follows is the state so far.")
    elif outcome == "limit":
        said.append(ENDED[outcome])
    elif outcome == "until":
        said.append("The goal is reached.")
    if pair and (word := mating(min(pair), max(pair), share)):
        said.append(word)
    said += shapes(faces, finishes, units, bores)
    return " ".join(map(sentence, said)) if said else "No face was measured."


def metal(
    name: str,
    mean: float,
    middle: float | None,
    rim: float | None,
    sphere_change: float | None = None,
    grams: float | None = None,
    units: Units = METRIC,
    places: tuple[str, str] = ("in the middle", "at the rim"),
    makes: tuple[str, str] = ("makes a face hollow", "makes a face domed"),
    side: tuple[str, float, float] | None = None,
) -> str:
    """Where the metal went on one plate: mean depth lost, lost in the middle, lost at the rim [m].

    `sphere_change` [m] is how the dome (a rail: the bow) grew (+) or sank (-); the sentence names the effect
    only where it agrees with where the metal went, as `makes` has it: more off the first place, off the
    second.  `grams` is the mass lost.  `side`: the hour towards which most went, the mean depth lost in that
    half and in the other [m], where that is what there is to say.
    """
    if mean < NOTHING:
        return f"{name} lost nothing to speak of."
    weight = f", {Units.number(grams)} g" if grams is not None and grams > 0.005 else ""
    start = f"{name} lost {units.size(mean)} on average{weight}"
    if side is not None:
        clock, near, far = side
        halves = f"{units.size(near)} in that half, {units.size(far)} in the other"
        return f"{start}, most towards {clock}: {halves}."
    if middle is None or rim is None or not (math.isfinite(middle) and math.isfinite(rim)):
        return start + "."
    if abs(rim - middle) < UNEVEN * mean or Units.number(rim) == Units.number(middle):
        return f"{start}, about as much {places[0]} as {places[1]}."
    more, less = (places[1], places[0]) if rim > middle else places
    high, low = max(rim, middle), min(rim, middle)
    line = f"{start}: {units.size(high)} {more}, {units.size(low)} {less}"
    if sphere_change is not None and sphere_change * (rim - middle) > 0 and abs(sphere_change) > NOTHING:
        line += f". More off {more.split(' ', 1)[1]} {makes[1] if rim > middle else makes[0]}"
    return line + "."


def bears(
    where: str, top: str, bottom: str, share: float, mean: float, peak: float, units: Units = METRIC
) -> str:
    """How the top bears in one place of the stroke: loaded share of the overlap, pressures [Pa]."""
    if share >= 0.9995:
        part = "the whole overlap bears"
    elif share >= 0.995:
        part = "all but a trace of the overlap bears"
    else:
        part = f"{Units.share(share)} of the overlap bears"
    return (
        f"{top} on {bottom}, {where}: {part}, {units.pressure(mean)} on average "
        f"and {units.pressure(peak)} at most."
    )


def lifting(share: float) -> str:
    """How often part of the overlap carried nothing, at the end of the run (share of the places)."""
    if not math.isfinite(share):
        return ""
    if share <= 0.0:
        return "At the end the whole overlap bears everywhere in the stroke: nothing lifts."
    if share >= 1.0:
        return "At the end part of the overlap carries nothing anywhere in the stroke."
    return (
        f"At the end part of the overlap carries nothing in {Units.share(share)} of the places in the stroke."
    )
