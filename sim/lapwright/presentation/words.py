"""Sentences filled in from their file of templates, shapes of faces in words, and plain words set in type.

Pure functions: numbers in (SI, forms as in the JSON of `run`), words out.  Each sentence must be true of its
numbers; prose has two significant figures, and minutes come with their band.  A form is never a bare signed
number: it is named by its side (domed or hollow, where it stands high) and has a size.  What no
gauge is sure of is still told, with `REMARK`, once in a sentence.  What is told of a face at all is settled
in one place, `told`: headline, titles and card take it from there.

The micro sign is written "u" here; `typeset` sets it in type, with narrow spaces before units.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from lapwright.metrology.form import FORMS, LONG, SPOKEN
from lapwright.units import BAND_OF_LIGHT, METRIC, NOTHING, Text, Units, joined, sentence

Fields = Mapping[str, str | float | Text]
Forms = Mapping[str, float | None]
Faces = Mapping[str, Forms]  # by plate
Sizes = Mapping[str, float | None]  # by plate
NO_BORES: Mapping[str, float] = MappingProxyType({})
NO_FACES: Faces = MappingProxyType({})
NO_SIZES: Sizes = MappingProxyType({})

LEADING = ("sphere", "bow")  # a face has one of them, which its shape in words stands for
REMARK = "too small for a gauge to be sure of"
MARK = "†"  # the same where there is no room for it: beside what is below what a gauge tells
TRACE = 0.02  # of what a gauge tells: a form smaller than this is none
WORTH = 0.1  # a form smaller than this share of the face's largest is left to the table
AS_LARGE = 0.5  # of the largest, from which two forms below what a gauge tells are told alike
FAINT = 0.2  # the same of one that is below what a gauge tells

ENDS = " at least", " at most"  # behind the name of a form: where it lies by the grit layer
WIDE = 0.15  # of a form: a band that is narrower is not worth a word

ALWAYS = 0.995  # of the time: it would be said as 100 %
MOST_COUNTED = 6


@cache
def sentences() -> Mapping[str, str]:
    """Every sentence of the file of templates by its key, as "finding.tips"."""
    file = Path(__file__).parent / "templates" / "sentences.toml"
    return MappingProxyType(dict(_flat("", tomllib.loads(file.read_text("utf-8")))))


def _flat(key: str, entry: Any) -> Iterator[tuple[str, str]]:
    if isinstance(entry, str):
        yield key, " ".join(entry.split()) if "\n" in entry else entry
        return
    for name, part in entry.items():
        yield from _flat(f"{key}.{name}" if key else name, part)


def say(key: str, units: Units = METRIC, /, **fields: str | float | Text) -> str:
    """The sentence of a key with its fields filled in, as a person's units say them."""
    return Text(sentences()[key], **fields).told(units)


def takes(time: float, memory: float, disk: float, at_most: bool = False) -> str:
    """What a work takes: time [s], at most where it may stop earlier, memory and room on the disk [bytes]."""
    soon, held, room = Units.soon(time), Units.room(memory), Units.room(disk)
    return sentence(say("budget.text", at_most=at_most, time=soon, memory=held, disk=room))


def dome_or_dish(sphere: float, units: Units = METRIC) -> str:
    """Name of a sphere [m] (+ dome): "dome 3.0 um", "dish 0.80 um", "neither dome nor dish"."""
    if abs(sphere) < NOTHING:
        return say("shape.neither")
    return say("shape.sphere", units, dome=sphere > 0.0, size=sphere)


def part_words(
    key: str,
    value: float,
    units: Units = METRIC,
    forms: Forms = NO_SIZES,
    brief: bool = False,
    bore: float | None = None,
) -> str:
    """Words for one form [m]: where the face is high, and by how much; its band, where `forms` hold it.

    `brief`: what the band goes by is said elsewhere.  `bore`: the share of a dome from bore to rim.
    """
    band = by_layer(key, forms, units, brief)
    if key == "sphere":
        there = "" if bore is None else from_the_bore(value, bore, units)
        return dome_or_dish(value, units) + there + band
    form = FORMS[key]
    side = form.sides[0 if value > 0 else 1]
    if key in LONG:
        return say("shape.long", units, form=form.word, size=value, side=side) + band
    return say("shape.side", units, edge=key == "edge", side=side, size=value) + band


def with_bands(bands: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """From where to where forms lie by the grit layer [m], as a mapping of forms has it."""
    return {f"{key}{end}": ends[k] for key, ends in bands.items() for k, end in enumerate(ENDS)}


def by_layer(key: str, forms: Forms, units: Units = METRIC, brief: bool = False) -> str:
    """Behind the size of a form: the band in which it lies by the layer; "" where that is narrow or none.

    `brief`: where it is said already that it goes by the layer.
    """
    low, value, high = (forms.get(key + end) for end in (ENDS[0], "", ENDS[1]))
    if low is None or value is None or high is None or high - low < max(WIDE * abs(value), NOTHING):
        return ""
    if low * high < 0.0 and min(-low, high) >= NOTHING:
        sides = FORMS[key].sides
        one, other = sides
        size: Fields = {"one": one, "most": high, "other": other, "least": low}
        return say("shape.turns", units, **size) + ("" if brief else say("shape.layer"))
    least, most = sorted(map(abs, (low, high)))
    ends = [
        units.number(end / units.small.size) if end >= NOTHING else "0" for end in (least, most)
    ]
    return say("shape.by_layer", least=ends[0], most=ends[1]) + (
        "" if brief else say("shape.layer")
    )


def layer_once(text: str) -> str:
    """The same words with what their bands go by said behind the first of them only."""
    before, layer, after = text.partition(say("shape.layer"))
    return before + layer + after.replace(layer, "") if layer else text


def known(forms: Forms, keys: Sequence[str]) -> list[tuple[str, float]]:
    """Those of some forms that are known."""
    pairs = [(key, forms.get(key)) for key in keys]
    return [(key, float(v)) for key, v in pairs if v is not None and math.isfinite(v)]


def largest(forms: Forms) -> float:
    """Size of the largest form of a face [m]."""
    return max((abs(v) for _, v in known(forms, SPOKEN)), default=0.0)


def flat_to_a_gauge(forms: Forms, doubt: float | None, units: Units = METRIC) -> bool:
    """True when the flatness, which takes in every form, is below what a gauge tells [m], all of its band."""
    flatness = known(forms, ("flatness", f"flatness{ENDS[1]}"))
    return bool(flatness) and units.finer(flatness[-1][1], doubt)


@dataclass(frozen=True)
class Told:
    """What is told of one face: forms with their sizes [m], largest first, the doubtful ones last.

    `flatness` [m] where it stands above what a gauge tells while none of the parts does; None otherwise.
    """

    above: tuple[tuple[str, float], ...]
    fine: tuple[tuple[str, float], ...]
    flatness: float | None


def told(forms: Forms, doubt: float | None, units: Units = METRIC, beside: bool = False) -> Told:
    """What is told of a face: no form that is small beside its largest.

    What is below the `doubt` [m] is left out beside something that is not, but for a long face or where
    `beside` asks for it.
    """
    least = max(NOTHING, WORTH * largest(forms), TRACE * (doubt or 0.0))
    parts = sorted(known(forms, SPOKEN), key=lambda p: -abs(p[1]))
    above = tuple(p for p in parts if abs(p[1]) >= least and not units.finer(p[1], doubt))
    faint = max(least, FAINT * largest(forms))
    fine = tuple(p for p in parts if faint <= abs(p[1]) and units.finer(p[1], doubt))
    if above and known(forms, ("sphere",)) and not beside:
        fine = ()
    flatness = next((v for _, v in known(forms, ("flatness",))), 0.0)
    stands_out = not above and flatness >= NOTHING and not units.finer(flatness, doubt)
    return Told(above, fine, flatness if stands_out else None)


def face(forms: Forms, doubt: float | None, units: Units = METRIC, brief: bool = False) -> str:
    """Title of a face: what is told of it, largest first; the remark on what is below the `doubt` [m]."""
    what = told(forms, doubt, units)
    above, fine, comma = _in_words(what, units, odd(forms, doubt, units, brief), forms)
    if not above + fine:
        return _featureless(forms, doubt, units)
    if what.flatness is not None and not odd(forms, doubt, units):
        above = [_flatness(what.flatness, forms, units)]
    if above and fine:
        parts = {"above": comma.join(above), "fine": comma.join(fine)}
        return say("shape.beside", **parts, remark=REMARK)
    return comma.join(above) if above else f"{comma.join(fine)}; {REMARK}"


def marked_face(
    forms: Forms,
    doubt: float | None,
    mark: str,
    units: Units = METRIC,
    brief: bool = False,
    bore: float | None = None,
) -> str:
    """The same with a `mark` behind each form that is below the `doubt` [m], beside larger ones too.

    What bands go by is said elsewhere.  `bore`: the share of a ring's dome that there is from bore to rim.
    """
    what, shape = told(forms, doubt, units, beside=True), odd(forms, doubt, units, brief)
    above, fine, comma = _in_words(what, units, shape, forms, brief=True, bore=bore)
    if not above + fine:
        return _featureless(forms, doubt, units)
    flat = "" if shape or not what.flatness else _flatness(what.flatness, forms, units) + "; "
    return flat + comma.join(above + [f"{part}\u00a0{mark}" for part in fine])


def _flatness(flatness: float, forms: Forms, units: Units) -> str:
    return say("shape.flat", units, flatness=flatness) + by_layer("flatness", forms, units)


def _in_words(
    what: Told, units: Units, shape: str, forms: Forms, **how: Any
) -> tuple[list[str], list[str], str]:
    """Forms above the doubt and below it, a `shape` in place of dome or dish; what goes between them."""
    above, fine = (
        [part_words(k, v, units, forms, **how) for k, v in parts if not shape or k not in LEADING]
        for parts in (what.above, what.fine)
    )
    above = [shape, *above] if shape else above
    return above, fine, "; " if any("," in part for part in above + fine) else ", "


def _featureless(forms: Forms, doubt: float | None, units: Units) -> str:
    """Of a face that has no form to tell."""
    flatness = known(forms, ("flatness",))
    if not flatness:
        return "flat" if known(forms, SPOKEN) else "not measured"
    if flatness[0][1] < NOTHING:
        return "flat"
    if flat_to_a_gauge(forms, doubt, units):
        return say("shape.unsure")
    return _flatness(flatness[0][1], forms, units)


def odd(forms: Forms, doubt: float | None, units: Units = METRIC, brief: bool = False) -> str:
    """What a face is whose sphere, middle and bands have not one sign, such as a trough with a pip; or "".

    `forms` hold its profile too (`metrology.profile`).  A reading counts that is not below the `doubt` [m],
    or not small beside the largest, which must stand above it.  `brief`: of the readings only
    one that goes against the sphere.
    """
    if "line" in forms:
        return _uneven_along(forms, doubt, units)
    seen = dict(known(forms, ("sphere", "middle", "inner")))
    most = max(map(abs, seen.values()), default=0.0)
    if "inner" not in seen or most < NOTHING or units.finer(most, doubt):
        return ""
    least = max(WORTH * most, NOTHING)
    sure = {
        "middle": forms.get("sure") or math.inf
    }  # a gauge told its side, however small beside the rest
    clear = [
        v
        for k, v in seen.items()
        if abs(v) >= min(least, sure.get(k, math.inf)) or (doubt and not units.finer(v, doubt))
    ]
    if min(clear) > 0.0 or max(clear) < 0.0:
        return ""
    turn, ring = forms.get("turn") or 0.0, "middle" not in seen
    key = "uneven" if turn == 0.0 else "crest" if turn > 0.0 else "trough"
    what = say(f"shape.odd.{key}", units, ring=ring)
    sphere, feet, where = seen.get("sphere", 0.0), "", ""
    if turn and not brief:
        where = say("shape.odd_turn", units, up=turn > 0.0, turn=abs(turn))
    if not ring:
        up, size = seen["middle"] > 0.0, seen["middle"]
        on = "" if brief else units.length(forms.get("feet") or 0.0)
        feet = say("shape.odd_feet", units, up=up, size=size, feet=on)
    ends = say("shape.odd_ends", units, ring=ring, up=seen["inner"] > 0.0, size=seen["inner"])
    if brief:
        against = not ring and seen["middle"] * sphere <= 0.0
        feet, ends = (feet, "") if against else ("", ends)
    fields: Fields = {"what": what, "turn": where, "dome": sphere > 0.0, "size": sphere}
    return say("shape.odd_text", units, **fields, feet=feet, ends=ends)


def _uneven_along(forms: Forms, doubt: float | None, units: Units) -> str:
    """What a long face is whose bow and whose line through the middle have not one sign; or ""."""
    seen = dict(known(forms, ("bow", "line", "sure")))
    bow, line = seen.get("bow", 0.0), seen.get("line", 0.0)
    if bow * line >= 0.0 or units.finer(bow, doubt) or abs(line) < seen.get("sure", 0.0):
        return ""
    size: Fields = {"up": bow > 0.0, "bow": bow, "line": line}
    return say("shape.odd_along", units, **size)


def in_bands(
    flatness: float, units: Units = METRIC, doubt: float | None = None, remark: str = f"; {REMARK}"
) -> str:
    """The flatness [m] of a ring in bands of light and both units; the `remark` below the `doubt` [m]."""
    told = say("shape.bands", units, flatness=flatness, bands=flatness / BAND_OF_LIGHT)
    return told + (remark if units.finer(flatness, doubt) else "")


def from_the_bore(sphere: float, share: float, units: Units = METRIC) -> str:
    """Beside a ring's dome [m]: what of it there is from bore to rim, where it is a `share` of it."""
    size, dome = share * sphere, sphere > 0.0
    return say("shape.bore", units, dome=dome, size=size) if abs(size) >= NOTHING else ""


def shapes(
    faces: Faces,
    doubts: Sizes,
    units: Units = METRIC,
    bores: Mapping[str, float] = NO_BORES,
) -> list[str]:
    """Sentences on the shape of every face: dome or dish first, then what else stands out.

    Parameters
    ----------
    faces
        Forms of each plate [m], in the plates' order.
    doubts
        The least form that a gauge tells on each plate [m] (`metrology.finish.unsure_below`), or None.
    bores
        Of rings: which share of a dome, told to the middle of the circle, there is from bore to rim.
    """
    discs = {n: f for n, f in faces.items() if known(f, ("sphere",))}
    rails = {n: f for n, f in faces.items() if n not in discs and known(f, (*LONG, "flatness"))}
    return [
        *_domes(discs, doubts, units, bores),
        *_saddles(discs, doubts, units),
        *_pits({n: f for n, f in discs.items() if n not in bores}, doubts, units),
        *_rings({n: f for n, f in discs.items() if n in bores}, doubts, units),
        *_rails(rails, doubts, units),
    ]


# --- discs, rings, squares ---------------------------------------------------------------------


def _kind(sphere: float) -> str:
    if abs(sphere) < NOTHING:
        return say("shape.neither_kind")
    return say("shape.kind", dome=sphere > 0.0)


def _everyone(names: Collection[str]) -> str:
    if len(names) == 1:
        return next(iter(names))
    return say(f"shape.all_{len(names)}" if len(names) <= MOST_COUNTED else "shape.all")


def _remark(rough: Sequence[str], number: int) -> str:
    """The remark on what no gauge tells, once: of all, or of those that it holds for."""
    if not rough:
        return ""
    which = "all" if len(rough) == number else "on"
    return say(f"shape.remark.{which}", plates=joined(rough), remark=REMARK)


def _domes(
    faces: Faces,
    doubts: Sizes,
    units: Units,
    bores: Mapping[str, float],
) -> list[str]:
    if not faces:
        return []
    spheres = {name: known(forms, ("sphere",))[0][1] for name, forms in faces.items()}
    spheres = {
        n: s if abs(s) >= TRACE * (doubts.get(n) or 0.0) else 0.0 for n, s in spheres.items()
    }
    odds = {n: odd(f, doubts.get(n), units) for n, f in faces.items()}
    kinds = {n: odds[n] or _kind(s) for n, s in spheres.items()}
    sizes = {
        n: "" if odds[n] else _dome_size(s, bores.get(n), faces[n], units)
        for n, s in spheres.items()
    }
    domes = {name: f"{kinds[name]} {sizes[name]}".rstrip() for name in faces}
    first, *others = dict.fromkeys(kinds.values())
    several = len(faces) > 1
    key, each, comma = "alike", sizes, "; " if any("," in dome for dome in domes.values()) else ", "
    if all(flat_to_a_gauge(faces[n], doubts.get(n), units) for n in faces):
        key, each = "flat", domes
    elif others or (several and any(odds.values())):
        key, each = "each", {name: f"is {dome}" for name, dome in domes.items()}
    elif not several or not any(sizes.values()):
        key = "one"
    rough = [n for n, s in spheres.items() if units.finer(s, doubts.get(n)) and not odds[n]]
    return [
        say(
            f"shape.domes.{key}",
            who=_everyone(faces),
            several=several,
            kind=first,
            dome=next(iter(domes.values())),
            each=comma.join(f"{n} {what}" if several else what for n, what in each.items()),
            remark="" if key == "flat" else _remark(rough, len(faces)),
        )
    ]


def _dome_size(sphere: float, share: float | None, forms: Forms, units: Units) -> str:
    """Size of a dome [m], of a ring's (`share`) with what of it is there; "" of none."""
    if abs(sphere) < NOTHING:
        return ""
    bore = "" if share is None else from_the_bore(sphere, share, units)
    return units.size(sphere) + bore + by_layer("sphere", forms, units)


def _saddles(faces: Faces, doubts: Sizes, units: Units) -> list[str]:
    """Saddle and twist as large as what is told of domes, told together where every face has the same."""
    rest = {n: _standing_out(f, doubts.get(n), units) for n, f in faces.items()}
    rough = [n for n, p in rest.items() if any(units.finer(v, doubts.get(n)) for _, v in p)]
    kinds = {tuple((k, v > 0) for k, v in parts) for parts in rest.values()}
    if len(faces) > 1 and len(kinds) == 1 and all(len(p) == 1 for p in rest.values()):
        key, value = next(iter(rest.values()))[0]
        where = part_words(key, value, units).rsplit(" by ", 1)[0]
        sizes = {n: units.size(p[0][1]) + by_layer(key, faces[n], units) for n, p in rest.items()}
        comma = "; " if any("," in size for size in sizes.values()) else ", "
        each = comma.join(f"{n} by {size}" for n, size in sizes.items())
        remark = _remark(rough, len(faces))
        return [
            say("shape.saddle.alike", who=_everyone(faces), where=where, each=each, remark=remark)
        ]
    lines = []
    for name, parts in rest.items():
        told_of = [part_words(k, v, units, faces[name]) for k, v in parts]
        forms = joined(told_of) if not any("," in one for one in told_of) else "; ".join(told_of)
        remark = _remark([name], 1) if name in rough else ""
        lines += [say("shape.saddle.one", plate=name, forms=forms, remark=remark)] if parts else []
    return lines


def _standing_out(forms: Forms, doubt: float | None, units: Units) -> list[tuple[str, float]]:
    """Saddle and twist where told and above what a gauge tells, or as large as what is told of the dome."""
    what = told(forms, doubt, units, beside=True)
    found = dict(what.above)
    if not flat_to_a_gauge(forms, doubt, units):
        found |= {k: v for k, v in what.fine if abs(v) >= AS_LARGE * largest(forms)}
    return [(k, found[k]) for k in ("saddle", "twist") if k in found]


def _pits(faces: Faces, doubts: Sizes, units: Units) -> list[str]:
    """How flat a face is where no dome, saddle or twist tells of what is wrong with it."""
    odd = {
        n: told(f, doubts.get(n), units).flatness
        for n, f in faces.items()
        if not _standing_out(f, doubts.get(n), units)
    }
    return [
        say("shape.within", plate=n, flat=_flatness(v, faces[n], units))
        for n, v in odd.items()
        if v is not None
    ]


def _rings(faces: Faces, doubts: Sizes, units: Units) -> list[str]:
    """How flat rings are from bore to rim, in bands of helium light."""
    flats = {n: known(f, ("flatness",)) for n, f in faces.items()}
    return [
        say("shape.ring", plate=name, flat=_ring(flat[0][1], faces[name], units, doubts.get(name)))
        for name, flat in flats.items()
        if flat
    ]


def _ring(flatness: float, forms: Forms, units: Units, doubt: float | None) -> str:
    rough = f"; {REMARK}" if units.finer(flatness, doubt) else ""
    return in_bands(flatness, units) + by_layer("flatness", forms, units) + rough


# --- rails -------------------------------------------------------------------------------------


def _rails(faces: Faces, doubts: Sizes, units: Units) -> list[str]:
    if not faces:
        return []
    own = {n: _parts(f, doubts.get(n), units) for n, f in faces.items()}
    if not all(flat_to_a_gauge(faces[n], doubts.get(n), units) for n in faces):
        return [f"{name}: {said}." for name, said in own.items()]
    bare = {n: text.removesuffix(f"; {REMARK}") for n, text in own.items()}
    each = "; ".join(f"{n}: {text}" if len(bare) > 1 else text for n, text in bare.items())
    return [say("shape.domes.flat", who=_everyone(faces), several=len(bare) > 1, each=each)]


def _parts(forms: Forms, doubt: float | None, units: Units) -> str:
    """The title of a long face, in the commas of a sentence."""
    said = face(forms, doubt, units)
    for low in ("high", "hollow"):
        said = said.replace(f", {low}", f" {low}")
    return said.replace("; bow", ", bow").replace("; crown", ", crown").replace("; wind", ", wind")


# --- what came out -----------------------------------------------------------------------------

BEARS_ALL_OVER = 0.98  # share of the overlap that carries load, from which "all over" is said


def mating(
    pair: Sequence[str], share: float | None, faces: Faces = NO_FACES, doubts: Sizes = NO_SIZES
) -> str:
    """Whether two plates mate: `share` of the overlap that bears in the middle of the stroke.

    Two whose domes do not fill each other's hollow, by more than gauges need, bear on the grit alone.
    """
    if share is None or not math.isfinite(share):
        return ""
    key = "yes" if share >= BEARS_ALL_OVER else "no" if share <= 0.0 else "part"
    least = max(doubts.get(name) or NOTHING for name in pair)
    for form in ("sphere", "bow", "crown") if key == "yes" else ():
        one, other = (faces.get(name, {}).get(form) or 0.0 for name in pair)
        if abs(one + other) >= 2.0 * least:
            key = "on_grit"
    return say(f"shape.mating.{key}", top=pair[0], bottom=pair[1], share=share)


def came_out(
    outcome: str,
    pair: tuple[str, str] | None,
    share: float | None,
    faces: Faces,
    doubts: Sizes,
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
    lines: list[str] = []
    if outcome == "tipped" and nothing_done:
        return say("came.tips_at_once", cure=say("came.cure"))
    if outcome == "tipped":
        lines.append(say("came.tips", cure=say("came.cure")))
    elif outcome == "interrupted":
        lines.append(say("came.so_far", ended=say("came.ended.interrupted")))
    elif outcome in ("limit", "until"):
        lines.append(say(f"came.ended.{outcome}"))
    if pair and (mates := mating(sorted(pair), share, faces, doubts)):
        lines.append(mates)
    lines += shapes(faces, doubts, units, bores)
    return layer_once(" ".join(map(sentence, lines))) if lines else say("came.unmeasured")


_THIN = "\u202f"  # narrow no-break space
_AFTER_NUMBER = re.compile(r"(?<=\d) (um|uin|mm|in|kPa|psi|min|h|g|kg|N|%)(?!\w)")
_BY = re.compile(r"(?<=\d) x (?=\d)")


def typeset(text: str) -> str:
    """The words with "um" and "uin" after a number written with the micro sign."""
    text = _BY.sub(f"{_THIN}×{_THIN}", text)
    return _AFTER_NUMBER.sub(lambda m: _THIN + m[1].replace("um", "µm").replace("uin", "µin"), text)
