"""Sentences made from numbers, in the words of the bench.

Pure functions: numbers in (SI, forms as in the JSON of `run`), words out.  Each sentence must be
true of its numbers.  A form is never given as a bare signed number, prose has two significant
figures, minutes come with their band, and a form finer than a tenth of the grit comes with
`REMARK`.  The micro sign is written "u" here; pages set it in type (`sim.report.typeset`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from sim.report.amounts import (
    BAND,
    NOTHING,
    SCATTER,
    both_units,
    joined,
    length,
    minutes,
    pressure,
    shortened,
    size,
    two,
)

__all__ = [
    "BAND",
    "NOTHING",
    "REMARK",
    "SCATTER",
    "bears",
    "both_units",
    "came_out",
    "dome_or_dish",
    "face",
    "flat_to_the_finish",
    "joined",
    "length",
    "lifting",
    "mating",
    "metal",
    "minutes",
    "overhanging",
    "part_words",
    "pressure",
    "shapes",
    "shortened",
    "size",
    "two",
]

Forms = Mapping[str, float | None]

REMARK = "the finish is rougher than this"
WORTH = 0.2  # a form smaller than this share of the face's largest is left to the table
BEARS_ALL_OVER = 0.98  # share of the overlap that carries load, from which "all over" is said
UNEVEN = 0.03  # difference between middle and rim, as a share of the mean, from which it is said

_COUNT = {2: "Both", 3: "All three", 4: "All four", 5: "All five", 6: "All six"}


# --- forms -------------------------------------------------------------------------------------


def dome_or_dish(sphere: float, units: str = "metric") -> str:
    """Name of a sphere [m] (+ dome): "dome 3.0 um", "dish 0.80 um", "neither dome nor dish"."""
    if abs(sphere) < NOTHING:
        return "neither dome nor dish"
    return f"{'dome' if sphere > 0 else 'dish'} {size(sphere, units)}"


def part_words(key: str, value: float, units: str = "metric") -> str:
    """Words for one form [m]: where the face is high, and by how much."""
    much = size(value, units)
    high = value > 0
    if key == "sphere":
        return dome_or_dish(value, units)
    if key == "saddle":
        return f"high at {'3 and 9' if high else '12 and 6'} by {much}"
    if key == "twist":
        return f"high at {'1:30 and 7:30' if high else '10:30 and 4:30'} by {much}"
    if key == "bow":
        return f"bow {much}, {'high in the middle' if high else 'hollow along'}"
    if key == "crown":
        return f"crown {much}, {'high in the middle' if high else 'hollow across'}"
    if key == "wind":
        return f"wind {much}, high at the {'1:30 and 7:30' if high else '10:30 and 4:30'} corners"
    if key == "edge":
        return f"edge {'fallen' if high else 'standing proud'} by {much}"
    raise ValueError(f"no words for the form {key!r}")


def _known(forms: Forms, keys: Sequence[str]) -> list[tuple[str, float]]:
    pairs = [(key, forms.get(key)) for key in keys]
    return [(key, float(v)) for key, v in pairs if v is not None and math.isfinite(v)]


def _shape_parts(forms: Forms) -> list[tuple[str, float]]:
    return _known(forms, ("sphere", "saddle", "twist", "bow", "crown", "wind"))


def _largest(forms: Forms) -> float:
    return max((abs(v) for _, v in _shape_parts(forms)), default=0.0)


def flat_to_the_finish(forms: Forms, finish: float | None) -> bool:
    """True when the flatness, which takes in every form, is finer than the finish [m]."""
    flatness = _known(forms, ("flatness",))
    return finish is not None and bool(flatness) and flatness[0][1] < finish


def face(forms: Forms, finish: float | None, units: str = "metric") -> str:
    """Title of a face: the forms that stand above the finish [m], largest first."""
    floor = NOTHING if finish is None else finish
    if flat_to_the_finish(forms, finish):
        return "flat to the finish"
    parts = sorted(_shape_parts(forms), key=lambda p: -abs(p[1]))
    least = max(floor, NOTHING, WORTH * _largest(forms))
    told = [part_words(k, v, units) for k, v in parts if abs(v) >= least]
    if told:
        return "; ".join(told) if any("," in t for t in told) else ", ".join(told)
    flatness = _known(forms, ("flatness",))
    if flatness and flatness[0][1] >= NOTHING:
        return f"flat within {size(flatness[0][1], units)}"
    return "not measured" if not flatness and not parts else "flat"


def _adjective(sphere: float) -> str:
    if abs(sphere) < NOTHING:
        return "neither domed nor hollow"
    return "domed" if sphere > 0 else "hollow"


def _rough(forms: Forms, finish: float | None, keys: Sequence[str]) -> bool:
    return finish is not None and any(abs(v) < finish for _, v in _known(forms, keys))


def shapes(
    faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str = "metric"
) -> list[str]:
    """Sentences on the shape of every face: dome or dish first, then what else stands out.

    Parameters
    ----------
    faces
        Forms of each plate [m], in the plates' order.
    finishes
        A tenth of the last grit on each plate [m], or None.
    """
    said = _round_shapes({n: f for n, f in faces.items() if _known(f, ("sphere",))}, finishes, units)
    said += _round_rest({n: f for n, f in faces.items() if _known(f, ("sphere",))}, finishes, units)
    for name, forms in faces.items():
        if _known(forms, ("sphere",)):
            continue
        parts = [
            part_words(k, v, units)
            for k, v in _standing_out(forms, ("bow", "crown", "wind"), finishes.get(name))
        ]
        known = _known(forms, ("flatness",))
        if not parts and known:
            rough = f"; {REMARK}" if known[0][1] < (finishes.get(name) or 0.0) else ""
            parts = [f"flat within {size(known[0][1], units)}{rough}"]
        if parts:
            said.append(f"{name}: {'; '.join(parts)}.")
    return said


def _standing_out(forms: Forms, keys: Sequence[str], finish: float | None) -> list[tuple[str, float]]:
    """Forms above the finish that are worth a word beside the largest one."""
    least = max(finish or 0.0, NOTHING, WORTH * _largest(forms))
    return [(k, v) for k, v in _known(forms, keys) if abs(v) >= least]


def _round_rest(faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str) -> list[str]:
    """Saddle and twist, told together where every face has the same."""
    rest = {n: _standing_out(f, ("saddle", "twist"), finishes.get(n)) for n, f in faces.items()}
    kinds = {tuple((k, v > 0) for k, v in parts) for parts in rest.values()}
    if len(faces) > 1 and len(kinds) == 1 and all(len(p) == 1 for p in rest.values()):
        key, value = next(iter(rest.values()))[0]
        where = part_words(key, value, units).rsplit(" by ", 1)[0]
        each = ", ".join(f"{n} by {size(p[0][1], units)}" for n, p in rest.items())
        return [f"{_COUNT.get(len(faces), 'All')} are {where}: {each}."]
    return [
        f"{name} is {joined([part_words(k, v, units) for k, v in parts])}."
        for name, parts in rest.items()
        if parts
    ]


def _round_shapes(faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str) -> list[str]:
    if not faces:
        return []
    spheres = {name: _known(forms, ("sphere",))[0][1] for name, forms in faces.items()}
    flat = all(flat_to_the_finish(faces[n], finishes.get(n)) for n in faces)
    kinds = {name: _adjective(s) for name, s in spheres.items()}
    rough = [n for n in faces if _rough(faces[n], finishes.get(n), ("sphere",))]
    tail = f"; {REMARK}" if len(rough) == len(faces) else ""
    everyone = _COUNT.get(len(faces), "All") if len(faces) > 1 else next(iter(faces))
    verb = "are" if len(faces) > 1 else "is"

    def one(name: str, with_kind: bool) -> str:
        own = f", and {REMARK}" if name in rough and not tail else ""
        kind = f"{kinds[name]} " if with_kind else ""
        amount = size(spheres[name], units) if abs(spheres[name]) >= NOTHING else ""
        return f"{name} {kind}{amount}{own}".replace("  ", " ").rstrip()

    same = len(set(kinds.values())) == 1
    if flat:
        if len(faces) == 1:
            name = everyone
            return [f"{name} is flat to the finish: {one(name, True).removeprefix(name).strip()}{tail}."]
        return [f"{everyone} {verb} flat to the finish: {', '.join(one(n, True) for n in faces)}{tail}."]
    if len(faces) == 1:
        name = everyone
        return [f"{name} is {one(name, True).removeprefix(name).strip()}{tail}."]
    if same:
        return [
            f"{everyone} {verb} {kinds[next(iter(faces))]}: {', '.join(one(n, False) for n in faces)}{tail}."
        ]
    parts = [one(n, True).replace(f"{n} ", f"{n} is ", 1) for n in faces]
    return [", ".join(parts) + tail + "."]


# --- what came out -----------------------------------------------------------------------------


def mating(top: str, bottom: str, share: float | None) -> str:
    """Whether two plates mate: `share` of the overlap that bears, laid centre on centre."""
    if share is None or not math.isfinite(share):
        return ""
    if share >= BEARS_ALL_OVER:
        return f"{top} and {bottom} mate."
    if share <= 0.0:
        return f"{top} and {bottom} do not mate."
    part = f"laid centre on centre they bear on {two(100 * share)} % of the face"
    return f"{top} and {bottom} do not mate yet: {part}."


def came_out(
    outcome: str,
    pair: tuple[str, str] | None,
    share: float | None,
    faces: Mapping[str, Forms],
    finishes: Mapping[str, float | None],
    units: str = "metric",
    nothing_done: bool = False,
) -> str:
    """The one sentence (or three) that says what came out.

    Parameters
    ----------
    outcome
        "done", "until", "limit", "tipped" or "interrupted".
    pair
        Top and bottom that lay on each other last.
    share
        Share of their overlap that bears, laid centre on centre; None when not known.
    nothing_done
        True when the top tipped before anything was rubbed.
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
        said.append("The run was stopped before its end. What follows is the state so far.")
    elif outcome == "limit":
        said.append("Time ran out before the goal was reached.")
    elif outcome == "until":
        said.append("The goal is reached.")
    if pair and (word := mating(min(pair), max(pair), share)):
        said.append(word)
    said += shapes(faces, finishes, units)
    return " ".join(said) if said else "No face was measured."


def metal(
    name: str,
    mean: float,
    middle: float | None,
    rim: float | None,
    sphere_change: float | None = None,
    grams: float | None = None,
    units: str = "metric",
    places: tuple[str, str] = ("in the middle", "at the rim"),
) -> str:
    """Where the metal went on one plate: mean depth lost, lost in the middle, lost at the rim [m].

    `sphere_change` [m] is how the dome grew (+) or sank (-); the sentence names the effect only
    where it agrees with where the metal went.  `grams` is the mass lost.
    """
    if mean < NOTHING:
        return f"{name} lost nothing to speak of."
    weight = f", {two(grams)} g" if grams is not None and grams > 0.005 else ""
    start = f"{name} lost {size(mean, units)} on average{weight}"
    if middle is None or rim is None or not (math.isfinite(middle) and math.isfinite(rim)):
        return start + "."
    if abs(rim - middle) < UNEVEN * mean or two(rim) == two(middle):
        return f"{start}, about as much {places[0]} as {places[1]}."
    more, less = (places[1], places[0]) if rim > middle else places
    high, low = max(rim, middle), min(rim, middle)
    line = f"{start}: {size(high, units)} {more}, {size(low, units)} {less}"
    if sphere_change is not None and sphere_change * (rim - middle) > 0 and abs(sphere_change) > NOTHING:
        line += f". More off {more.split(' ', 1)[1]} makes a face {'domed' if rim > middle else 'hollow'}"
    return line + "."


def bears(
    where: str, top: str, bottom: str, share: float, mean: float, peak: float, units: str = "metric"
) -> str:
    """How the top bears in one place of the stroke: loaded share of the overlap, pressures [Pa]."""
    if share >= 0.9995:
        part = "the whole overlap bears"
    elif share >= 0.995:
        part = "all but a trace of the overlap bears"
    else:
        part = f"{two(100 * share)} % of the overlap bears"
    return (
        f"{top} on {bottom}, {where}: {part}, {pressure(mean, units)} on average "
        f"and {pressure(peak, units)} at most."
    )


def overhanging(
    stroke: str,
    top: str,
    overhang: float,
    share: float,
    lifts_at: float | None,
    beyond: float = 0.0,
    units: str = "metric",
) -> str:
    """How far the top hangs over the edge, and where flat faces begin to lift.

    `overhang` [m], the most, as a `share` of the top's width; `lifts_at` [m] the overhang in that direction
    at which flat faces begin to lift (None: not known); `beyond`: share of the places in the stroke past it.
    """
    if overhang <= 0.0:
        said = [stroke, f"{top} never hangs over the edge"]
    else:
        by = length(overhang, units)
        said = [stroke, f"{top} hangs over by {by} at most, {two(100 * share)} % of its width there"]
    if lifts_at is not None and lifts_at > 0.0:
        said.append(f"That way flat faces start to lift at {length(lifts_at, units)} of overhang")
    elif lifts_at is not None:
        said.append("That way flat faces start to lift before the top reaches the edge")
    if beyond > 0.0:
        part = "everywhere" if beyond >= 1.0 else f"in about {two(100 * beyond)} % of the places"
        said.append(f"Flat faces would lift {part} in the stroke")
    return ". ".join(said) + "."


def lifting(share: float) -> str:
    """How often part of the overlap carried nothing, at the end of the run (share of the places)."""
    if not math.isfinite(share):
        return ""
    if share <= 0.0:
        return "At the end the whole overlap bears everywhere in the stroke: nothing lifts."
    if share >= 1.0:
        return "At the end part of the overlap carries nothing anywhere in the stroke."
    return (
        f"At the end part of the overlap carries nothing in {two(100 * share)} % of the places in the stroke."
    )
