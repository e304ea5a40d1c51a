"""Sentences made from numbers, shapes of faces in words, and plain words set in type.

Pure functions: numbers in (SI, forms as in the JSON of `run`), words out.  Each sentence must be
true of its numbers.  A form is never given as a bare signed number, prose has two significant
figures, minutes come with their band, and a form finer than a tenth of the grit comes with
`REMARK`.  The micro sign is written "u" here; pages set it in type (`lapwright.presentation.words`).

Shapes of faces in words: titles, and the sentences that say how every face came out.

A form is never a bare signed number: it is named by its side (domed or hollow, where it stands high) and has
a size.  What is finer than a tenth of the grit is still told, with `REMARK`, once in a sentence.  What is
told of a face at all is settled in one place, `told`: headline, titles and card take it from there.

Plain words set in type: the micro sign, narrow spaces before units, text safe inside HTML.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from lapwright.metrology.form import FORMS, LONG, SPOKEN
from lapwright.units import METRIC, NOTHING, Units, joined, sentence

__all__ = [
    "BEDDED",
    "MARK",
    "NO_BORES",
    "REMARK",
    "Forms",
    "bears",
    "came_out",
    "dome_or_dish",
    "face",
    "flat_to_the_finish",
    "from_the_bore",
    "lifting",
    "marked_face",
    "mating",
    "metal",
    "part_words",
    "shapes",
    "told",
    "typeset",
]


Forms = Mapping[str, float | None]
NO_BORES: Mapping[str, float] = MappingProxyType({})

REMARK = "the finish is rougher than this"
MARK = "†"  # the same where there is no room for it: beside what is finer than the finish
TRACE = 0.02  # of the finish: a form smaller than this is none
WORTH = 0.1  # a form smaller than this share of the face's largest is left to the table
AS_LARGE = 0.5  # of the largest, from which two forms finer than the finish are told alike
FAINT = 0.2  # the same of one that is finer than the finish

_COUNT = {2: "Both", 3: "All three", 4: "All four", 5: "All five", 6: "All six"}


def dome_or_dish(sphere: float, units: Units = METRIC) -> str:
    """Name of a sphere [m] (+ dome): "dome 3.0 um", "dish 0.80 um", "neither dome nor dish"."""
    if abs(sphere) < NOTHING:
        return "neither dome nor dish"
    return f"{'dome' if sphere > 0 else 'dish'} {units.size(sphere)}"


def part_words(key: str, value: float, units: Units = METRIC) -> str:
    """Words for one form [m]: where the face is high, and by how much."""
    if key == "sphere":
        return dome_or_dish(value, units)
    much, form = units.size(value), FORMS[key]
    side = form.sides[0 if value > 0 else 1]
    if key in LONG:
        return f"{form.word} {much}, {side}"
    return f"{'edge ' * (key == 'edge')}{side} by {much}"


def known(forms: Forms, keys: Sequence[str]) -> list[tuple[str, float]]:
    """Those of some forms that are known."""
    pairs = [(key, forms.get(key)) for key in keys]
    return [(key, float(v)) for key, v in pairs if v is not None and math.isfinite(v)]


def largest(forms: Forms) -> float:
    """Size of the largest form of a face [m]."""
    return max((abs(v) for _, v in known(forms, SPOKEN)), default=0.0)


def flat_to_the_finish(forms: Forms, finish: float | None, units: Units = METRIC) -> bool:
    """True when the flatness, which takes in every form, is finer than the finish [m]."""
    flatness = known(forms, ("flatness",))
    return bool(flatness) and units.finer(flatness[0][1], finish)


@dataclass(frozen=True)
class Told:
    """What is told of one face: forms with their sizes [m], largest first, those finer than the finish last.

    `flatness` [m] where it stands above the finish while none of the parts does; None otherwise.
    """

    above: tuple[tuple[str, float], ...]
    fine: tuple[tuple[str, float], ...]
    flatness: float | None


def told(forms: Forms, finish: float | None, units: Units = METRIC, beside: bool = False) -> Told:
    """What is told of a face: no form that is small beside its largest.

    What is finer than the finish [m] is left out beside something that is not, but for a long face or where
    `beside` asks for it.
    """
    least = max(NOTHING, WORTH * largest(forms), TRACE * (finish or 0.0))
    parts = sorted(known(forms, SPOKEN), key=lambda p: -abs(p[1]))
    above = tuple(p for p in parts if abs(p[1]) >= least and not units.finer(p[1], finish))
    faint = max(least, FAINT * largest(forms))
    fine = tuple(p for p in parts if faint <= abs(p[1]) and units.finer(p[1], finish))
    if above and known(forms, ("sphere",)) and not beside:
        fine = ()
    flatness = next((v for _, v in known(forms, ("flatness",))), 0.0)
    stands_out = not above and flatness >= NOTHING and not units.finer(flatness, finish)
    return Told(above, fine, flatness if stands_out else None)


def face(forms: Forms, finish: float | None, units: Units = METRIC) -> str:
    """Title of a face: what is told of it, largest first; the remark on what is finer than the finish [m]."""
    what = told(forms, finish, units)
    above, fine, comma = _in_words(what, units)
    if not above + fine:
        return _featureless(forms, finish, units)
    if what.flatness is not None:
        above = [f"flat within {units.size(what.flatness)}"]
    if above and fine:
        return f"{comma.join(above)}; beside it {comma.join(fine)} ({REMARK})"
    return comma.join(above) if above else f"{comma.join(fine)}; {REMARK}"


def marked_face(forms: Forms, finish: float | None, mark: str, units: Units = METRIC) -> str:
    """The same with a `mark` behind each form that is finer than the finish [m], beside larger ones too."""
    what = told(forms, finish, units, beside=True)
    above, fine, comma = _in_words(what, units)
    if not above + fine:
        return _featureless(forms, finish, units)
    head = "" if what.flatness is None else f"flat within {units.size(what.flatness)}; "
    return head + comma.join(above + [f"{part}\u00a0{mark}" for part in fine])


def _in_words(what: Told, units: Units) -> tuple[list[str], list[str], str]:
    """Forms above the finish and below it, and what goes between them."""
    above, fine = ([part_words(k, v, units) for k, v in parts] for parts in (what.above, what.fine))
    return above, fine, "; " if any("," in part for part in above + fine) else ", "


def _featureless(forms: Forms, finish: float | None, units: Units) -> str:
    """Of a face that has no form to tell."""
    flatness = known(forms, ("flatness",))
    if not flatness and not known(forms, SPOKEN):
        return "not measured"
    if not flatness or flatness[0][1] < NOTHING:
        return "flat"
    within = f"flat within {units.size(flatness[0][1])}"
    return "flat to the finish" if flat_to_the_finish(forms, finish, units) else within


def from_the_bore(sphere: float, share: float, units: Units = METRIC) -> str:
    """Beside a ring's dome [m]: what of it there is from bore to rim, where it is a `share` of it."""
    side = "bore over rim" if sphere > 0.0 else "rim over bore"
    return f" ({side} by {units.size(share * sphere)})" if abs(share * sphere) >= NOTHING else ""


def shapes(
    faces: Mapping[str, Forms],
    finishes: Mapping[str, float | None],
    units: Units = METRIC,
    bores: Mapping[str, float] = NO_BORES,
) -> list[str]:
    """Sentences on the shape of every face: dome or dish first, then what else stands out.

    Parameters
    ----------
    faces
        Forms of each plate [m], in the plates' order.
    finishes
        A tenth of the last grit on each plate [m], or None.
    bores
        Of rings: which share of a dome, told to the middle of the circle, there is from bore to rim.
    """
    discs = {n: f for n, f in faces.items() if known(f, ("sphere",))}
    rails = {n: f for n, f in faces.items() if n not in discs and known(f, (*LONG, "flatness"))}
    return [
        *_domes(discs, finishes, units, bores),
        *_saddles(discs, finishes, units),
        *_pits(discs, finishes, units),
        *_rails(rails, finishes, units),
    ]


# --- discs, rings, squares ---------------------------------------------------------------------


def _adjective(sphere: float) -> str:
    if abs(sphere) < NOTHING:
        return "neither domed nor hollow"
    return "domed" if sphere > 0 else "hollow"


def _everyone(names: Sequence[str]) -> tuple[str, str]:
    if len(names) == 1:
        return names[0], "is"
    return _COUNT.get(len(names), "All"), "are"


def _remark(rough: Sequence[str], number: int) -> str:
    """The remark on the finish, once: of all, or of those that it holds for."""
    if not rough:
        return ""
    return f"; {REMARK}" if len(rough) == number else f"; on {joined(rough)} {REMARK}"


def _domes(
    faces: Mapping[str, Forms],
    finishes: Mapping[str, float | None],
    units: Units,
    bores: Mapping[str, float],
) -> list[str]:
    if not faces:
        return []
    spheres = {name: known(forms, ("sphere",))[0][1] for name, forms in faces.items()}
    spheres = {
        n: s if abs(s) >= TRACE * (finishes.get(n) or 0.0) else 0.0 for n, s in spheres.items()
    }
    kinds = {name: _adjective(s) for name, s in spheres.items()}
    rough = [n for n, s in spheres.items() if units.finer(s, finishes.get(n))]
    tail = _remark(rough, len(faces))
    everyone, verb = _everyone(list(faces))

    def dome(name: str, with_kind: bool) -> str:
        amount = units.size(spheres[name]) if abs(spheres[name]) >= NOTHING else ""
        if amount and name in bores:
            amount += from_the_bore(spheres[name], bores[name], units)
        return " ".join(part for part in (kinds[name] if with_kind else "", amount) if part)

    if all(flat_to_the_finish(faces[n], finishes.get(n), units) for n in faces):
        each = ", ".join(f"{n} {dome(n, True)}" if len(faces) > 1 else dome(n, True) for n in faces)
        return [f"{everyone} {verb} flat to the finish: {each}{tail}."]
    if len(faces) == 1:
        return [f"{everyone} is {dome(everyone, True)}{tail}."]
    if len(set(kinds.values())) == 1:
        kind = next(iter(kinds.values()))
        if kind.startswith("neither"):
            return [f"{everyone} {verb} {kind}{tail}."]
        return [
            f"{everyone} {verb} {kind}: {', '.join(f'{n} {dome(n, False)}' for n in faces)}{tail}."
        ]
    return [", ".join(f"{n} is {dome(n, True)}" for n in faces) + tail + "."]


def _saddles(
    faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: Units
) -> list[str]:
    """Saddle and twist as large as what is told of domes, told together where every face has the same."""
    rest = {n: _standing_out(f, finishes.get(n), units) for n, f in faces.items()}
    rough = [n for n, p in rest.items() if any(units.finer(v, finishes.get(n)) for _, v in p)]
    each_rough = {n: f"; {REMARK}" if n in rough else "" for n in rest}
    kinds = {tuple((k, v > 0) for k, v in parts) for parts in rest.values()}
    if len(faces) > 1 and len(kinds) == 1 and all(len(p) == 1 for p in rest.values()):
        key, value = next(iter(rest.values()))[0]
        where = part_words(key, value, units).rsplit(" by ", 1)[0]
        each = ", ".join(f"{n} by {units.size(p[0][1])}" for n, p in rest.items())
        return [f"{_COUNT.get(len(faces), 'All')} are {where}: {each}{_remark(rough, len(faces))}."]
    return [
        f"{name} is {joined([part_words(k, v, units) for k, v in parts])}{each_rough[name]}."
        for name, parts in rest.items()
        if parts
    ]


def _standing_out(forms: Forms, finish: float | None, units: Units) -> list[tuple[str, float]]:
    """Saddle and twist where told and above the finish, or as large as what is told of the dome."""
    what = told(forms, finish, units, beside=True)
    found = dict(what.above)
    if not flat_to_the_finish(forms, finish, units):
        found |= {k: v for k, v in what.fine if abs(v) >= AS_LARGE * largest(forms)}
    return [(k, found[k]) for k in ("saddle", "twist") if k in found]


def _pits(
    faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: Units
) -> list[str]:
    """How flat a face is where no dome, saddle or twist tells of what is wrong with it."""
    odd = {
        n: told(f, finishes.get(n), units).flatness
        for n, f in faces.items()
        if not _standing_out(f, finishes.get(n), units)
    }
    return [f"{n} is flat within {units.size(v)}." for n, v in odd.items() if v is not None]


# --- rails -------------------------------------------------------------------------------------


def _rails(
    faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: Units
) -> list[str]:
    if not faces:
        return []
    own = {n: _parts(f, finishes.get(n), units) for n, f in faces.items()}
    if not all(flat_to_the_finish(faces[n], finishes.get(n), units) for n in faces):
        return [f"{name}: {said}." for name, said in own.items()]
    # One remark does for all of them: whatever is told of a face is smaller than the finish here.
    everyone, verb = _everyone(list(faces))
    bare = {n: said.removesuffix(f"; {REMARK}") for n, said in own.items()}
    each = "; ".join(f"{n}: {said}" if len(bare) > 1 else said for n, said in bare.items())
    return [f"{everyone} {verb} flat to the finish: {each}; {REMARK}."]


def _parts(forms: Forms, finish: float | None, units: Units) -> str:
    """The title of a long face, in the commas of a sentence."""
    said = face(forms, finish, units)
    for low in ("high", "hollow"):
        said = said.replace(f", {low}", f" {low}")
    return said.replace("; bow", ", bow").replace("; crown", ", crown").replace("; wind", ", wind")


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
    if (
        sphere_change is not None
        and sphere_change * (rim - middle) > 0
        and abs(sphere_change) > NOTHING
    ):
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
        "At the end part of the overlap carries nothing in "
        f"{Units.share(share)} of the places in the stroke."
    )


_THIN = "\u202f"  # narrow no-break space
_AFTER_NUMBER = re.compile(r"(?<=\d) (um|uin|mm|in|kPa|psi|min|h|g|kg|N|%)(?!\w)")
_BY = re.compile(r"(?<=\d) x (?=\d)")


def typeset(text: str) -> str:
    """The words with "um" and "uin" after a number written with the micro sign."""
    text = _BY.sub(f"{_THIN}×{_THIN}", text)
    return _AFTER_NUMBER.sub(lambda m: _THIN + m[1].replace("um", "µm").replace("uin", "µin"), text)
