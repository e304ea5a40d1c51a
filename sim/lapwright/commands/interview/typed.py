"""One answer as it was understood: words, lengths and sizes as a machinist types them.

Lengths and sizes as a machinist types them: "160", "6.3"", "1/2 in", "300 x 50", "ring 80 x 50".

A bare number has the unit of the first answer (mm or in; um or uin for shapes); any other unit may be typed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lapwright.specification.quantities import (
    LENGTH,
    Dimension,
    find,
    plain,
    read,
    read_text,
    take_apart,
)
from lapwright.specification.said import RefusedError, nearest, refused, shown
from lapwright.units import Units, joined


@dataclass(frozen=True)
class Answer:
    """What was understood of a typed answer.

    `value`: in SI, for scripts.  `said`: as it is said back, and can be typed again.  `written`: as the
    study has it (a text, a list, a table), None where it writes nothing.
    """

    value: Any
    said: str
    written: Any = None


Answers = Mapping[str, Answer]


def tidy(text: str) -> str:
    """The text in small letters, without the stop at its end, with one kind of quote."""
    bare = plain(text).replace("\u2019", "'").replace("\u201d", '"').replace("\u2033", '"')
    return bare.rstrip(" .!").lower()


def chosen(text: str, words: Mapping[str, str], what: str) -> str:
    """Which of a few answers is meant: `words` has the ways of saying each, parted by |.

    Raises
    ------
    RefusedError
        When it is none of them; names them all, and the nearest.

    """
    said = re.sub(r"[-_ ]+", " ", tidy(text))
    meant = {
        way: word for word, ways in words.items() for way in (word, *filter(None, ways.split("|")))
    }
    if said in meant:
        return meant[said]
    begun = {word for way, word in meant.items() if len(said) >= 2 and way.startswith(said)}
    if len(begun) == 1:
        return begun.pop()
    close = nearest(said, meant)
    hint = f"did you mean {meant[close]}? " if close else ""
    names = list(words)
    raise refused(text, f"is not {what}: {hint}write {joined(names, 'or')}", "choice")


# How each unit is written in the study, whichever way it was typed.
SPELLING = ("m", "cm", "mm", "um", "nm", "in", "thou", "uin", "ft")
DISC = r"discs?|disks?|round|circular|dia|diameter|\u00f8"
RING = r"rings?|annulus|washers?"
RECTANGLE = r"rectangles?|rectangular|rect|rails?|bars?|blocks?|strips?|squares?|plates?"

Length = tuple[float, str]


def bench_unit(units: Units) -> str:
    """Unit of a bare number that says a size."""
    return "in" if units is Units.INCH else "mm"


def form_unit(units: Units) -> str:
    """Unit of a bare number that says a shape."""
    return "uin" if units is Units.INCH else "um"


def length(text: str, unit: str, how: str, kind: Dimension = LENGTH) -> Length:
    """A length [m] and the text that a study has for it; `unit` is that of a bare number.

    Raises
    ------
    RefusedError
        When it is no length, in one line with `how` to write it.

    """
    bare = read_text(tidy(text), kind.article).replace('"', " in").strip()
    apart = take_apart(bare)
    if apart is None:
        raise refused(text, f"is not a length: write {how}", "unit")
    typed = bare if apart[1] else f"{bare} {unit}"
    try:
        value = read(typed, kind)
    except RefusedError as trouble:
        if trouble.code == "unit" and "cannot be read" not in trouble.message:
            raise refused(text, f"is not a length: write {how}", "unit") from None
        raise
    _, name = take_apart(typed) or (0.0, unit)
    factor = find(name, LENGTH.units)
    spelled = next((s for s in SPELLING if LENGTH.units[s] == factor), name)
    return value, f"{typed[: len(typed) - len(name)].strip()} {spelled}"


def small(text: str, units: Units, how: str) -> Length:
    """The size of a shape [m] and its text; a bare number is in um or uin.

    Raises
    ------
    RefusedError
        No size, or a bare number so small that another unit was meant.

    """
    unit = form_unit(units)
    value, said = length(text, unit, how)
    apart = take_apart(tidy(text))
    if apart is not None and not apart[1] and 0.0 < abs(apart[0]) < 0.02:
        other = "in" if units is Units.INCH else "mm"
        raise refused(
            text,
            f"of what? Write {said} if so, or {text} {other}",
            "bare_number",
        )
    return value, said


def thickness(text: str, units: Units) -> Answer:
    """A thickness.

    Raises
    ------
    RefusedError
        No length, none at all, or more than a metre.

    """
    example = "1.25, 1.25 in or 1 1/4 in" if units is Units.INCH else "30 or 30 mm"
    value, said = length(text, bench_unit(units), example)
    if not 0.0 < value <= 1.0:
        raise refused(said, "cannot be: a plate is thicker than 0 and thinner than 1 m", "range")
    return Answer(value, said, said)


def thicknesses(text: str, units: Units, plates: int) -> Answer:
    """One thickness for all plates, or one for each: "25 mm and 60 mm".

    Raises
    ------
    RefusedError
        One of them cannot be, or there are more or fewer of them than plates.

    """
    pieces = [part for part in re.split(r",\s+|;|&|\band\b", text) if part.strip()]
    if len(pieces) < 2:
        return thickness(text, units)
    if len(pieces) != plates:
        how = f"write one for all, or {plates}, such as 25 mm and 60 mm"
        raise RefusedError(f"{shown(text)} are {len(pieces)} thicknesses of {plates} plates: {how}")
    # The last unit is that of the bare ones before it.
    said = parts_of(" & ".join(pieces), bench_unit(units), "25 mm and 60 mm")
    each = [thickness(one, units) for _, one in said]
    return Answer(
        [one.value for one in each],
        " and ".join(one.said for one in each),
        [one.written for one in each],
    )


def parts_of(text: str, unit: str, how: str) -> list[Length]:
    """The lengths of "300 x 50", "300 by 50 mm", "300, 50"; the last unit is that of the bare ones before."""
    bare = re.sub(r"(?<=[\d\s\"a-z])\s*(?:\bx\b|\u00d7|\*|\bby\b|, )\s*(?=[\d.])", " & ", text)
    bare = re.sub(r"(?<=\d)x(?=[\d.])", " & ", bare)
    pieces = [piece.strip() for piece in bare.split("&")]
    if len(pieces) == 1 and (two := re.fullmatch(r"([\d.]+) ([\d.]+)( ?[a-z\"]+)?", pieces[0])):
        pieces = [two[1], two[2] + (two[3] or "")]
    last = take_apart(pieces[-1].replace('"', " in"))
    if last is not None and last[1] and find(last[1], LENGTH.units) is not None:
        unit = last[1]
    return [length(piece, unit, how) for piece in pieces]


def size(text: str, units: Units, *, ring: bool) -> Answer:
    """An outline: value {"disc": d}, {"ring": [outside, bore]} or {"rectangle": [along, across]} [m].

    Raises
    ------
    RefusedError
        When no outline can be made out, or none that can be lapped.

    """
    how = _how(units, ring)
    words = tidy(text)
    kind = next(
        (
            k
            for k, ways in (("ring", RING), ("disc", DISC))
            if re.search(rf"(?<![a-z])({ways})(?![a-z])", words)
        ),
        None,
    )
    square = re.search(r"\bsquares?\b", words) is not None
    if kind is None and re.search(rf"\b({RECTANGLE})\b", words):
        kind = "rectangle"
    if re.search(r"\bbore\b", words):
        kind = "ring"
    bare = re.sub(
        rf"(?<![a-z])({RING}|{DISC}|{RECTANGLE}|outside|across|of|a|an|the|is)(?![a-z])", " ", words
    )
    bare = " ".join(re.sub(r",? *\bbore\b", " x", bare).split()).removesuffix(" x").strip(" ,")
    if not bare:
        raise refused(text, f"has no size: write {how}", "missing")
    _refuse_two_sizes(text, bare, units, how)
    lengths = parts_of(bare, bench_unit(units), how)
    return _outline(text, kind, square, lengths, how)


def _refuse_two_sizes(text: str, bare: str, units: Units, how: str) -> None:
    """A "60/40" is meant as two sizes: as a fraction nobody would write it.

    Raises
    ------
    RefusedError
        With what it may have meant.

    """
    got = re.fullmatch(r"(\d+) ?/ ?(\d+)( ?mm)?", bare)
    if got is None or (units is Units.INCH and not got[3] and int(got[2]) in (2, 4, 8, 16, 32, 64)):
        return
    low, high = sorted((int(got[1]), int(got[2])))
    ring = f"write ring {high} x {low} (outside x bore)" if low < high else f"write {how}"
    raise refused(text, f"reads as a fraction: {ring}, or {high} x {low} for a rectangle", "value")


def _how(units: Units, ring: bool) -> str:
    disc, rectangle, annulus = (
        ("6", "12 x 8", "ring 3 x 2")
        if units is Units.INCH
        else ("160", "300 x 200", "ring 80 x 50")
    )
    also = f", or {annulus} (outside x bore)" if ring else ""
    return f"{disc} (across a disc), {rectangle} (length x width){also}"


def _outline(text: str, kind: str | None, square: bool, lengths: list[Length], how: str) -> Answer:
    if kind is None:
        kind = "disc" if len(lengths) == 1 else "rectangle"
    if kind == "rectangle" and square and len(lengths) == 1:
        lengths = lengths * 2
    if len(lengths) != (1 if kind == "disc" else 2):
        needs = {
            "disc": "one size",
            "ring": "two, outside x bore",
            "rectangle": "two, length x width",
        }[kind]
        raise RefusedError(f"{shown(text)}: a {kind} has {needs}: write {how}", "value")
    values, said = [v for v, _ in lengths], [s for _, s in lengths]
    if not all(1e-3 <= v <= 5.0 for v in values):
        raise refused(text, "cannot be lapped: sizes lie between 1 mm and 5 m", "range")
    if kind == "disc":
        return Answer({"disc": values[0]}, f"disc {said[0]}", said[0])
    if kind == "ring" and not values[0] - values[1] >= 1e-3:
        raise RefusedError(
            f"the bore of {said[1]} is not smaller than the outside of {said[0]}: write outside x bore",
            "range",
        )
    if kind == "rectangle" and max(values) > 20.0 * min(values):
        raise RefusedError(
            f"{said[0]} x {said[1]} is more than 20 times as long as wide: no such bar is lapped by itself",
            "range",
        )
    start = "ring " if kind == "ring" else ""
    return Answer({kind: values}, f"{start}{said[0]} x {said[1]}", said)
