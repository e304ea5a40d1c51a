"""What a face reads now, which grit, which grooves: as a machinist types them."""

from __future__ import annotations

import re
from typing import Any

from lapwright.interview.answer import Answer, chosen, tidy
from lapwright.interview.sizes import bench_unit, length, parts_of, small
from lapwright.study.faults import RefusedError, shown
from lapwright.study.grains import FEPA_F
from lapwright.study.grits import grit_of
from lapwright.units import Units

__all__ = ["DONT_KNOW", "GROOVES", "grit", "groove_size", "grooves", "reads", "unknown"]

DONT_KNOW = "don't know"
_UNKNOWN = re.compile(
    r"(i )?(don'?t|do not) know|unknown|no idea|not (read|measured|known)( yet)?|dunno|not yet"
)
_ROUND = {
    "dome": r"domed?|convex|high in the middle",
    "dish": r"dish(ed)?|hollow|concave|low in the middle",
    "saddle": r"saddle",
    "twist": r"twist(ed)?",
}
_LONG = {
    "bow": r"bow(ed)?|high in the middle",
    "crown": r"crown(ed)?",
    "wind": r"wind|winding|in wind|twist(ed)?",
}
# How the answers elsewhere say a twist and a saddle; a person may type them back.
_CLOCK = (
    (r"high at 1:30 and 7:30( by)?", "twist"),
    (r"high at 10:30 and 4:30( by)?", "twist minus"),
    (r"high at 3 and 9( by)?", "saddle"),
    (r"high at 12 and 6( by)?", "saddle minus"),
)
GROOVES = {
    "no": ("none", "n", "plain", "not"),
    "square": ("squares", "grid", "square grid", "crossed", "yes", "y"),
    "triangle": ("triangles", "triangular"),
    "rings": ("ring", "circles", "concentric"),
    "radial": ("spokes", "rays", "star"),
}


def unknown(text: str) -> bool:
    """Whether somebody says that he does not know."""
    return _UNKNOWN.fullmatch(tidy(text)) is not None


def reads(text: str, units: Units, *, long: bool) -> Answer:
    """What a face reads: value None (not known), or the size of each shape [m], {} for a flat face.

    Raises
    ------
    RefusedError
        A size without a word, a word without a size, or what such a face cannot have.

    """
    if unknown(text):
        return Answer(None, DONT_KNOW)
    words = tidy(text)
    how = _how(units, long)
    if re.fullmatch(r"flat|(dead )?flat|0( ?um| ?uin)?|none", words):
        return Answer({}, "flat", {})
    if re.search(r"\d,\d", words):
        raise RefusedError(f"{shown(text.strip())} has a decimal comma: write a point, such as 0.5", "comma")
    for pattern, word in _CLOCK:
        words = re.sub(pattern, f"{word} ", words)
    found: dict[str, tuple[float, str]] = {}
    for piece in _pieces(words, long):
        name, amount = _one(text, piece.strip(), units, long, how)
        if name in found or {name, *found} >= {"dome", "dish"}:
            raise RefusedError(f"{shown(text.strip())} says the same thing twice: write {how}", "conflict")
        found[name] = amount
    if not found:
        raise RefusedError(f"{shown(text.strip())} says no shape: write {how}", "value")
    kept = {name: amount for name, amount in found.items() if amount[0] != 0.0}
    said = ", ".join(f"{name} {amount[1]}" for name, amount in kept.items())
    return Answer(
        {name: amount[0] for name, amount in kept.items()},
        said or "flat",
        {name: amount[1] for name, amount in kept.items()},
    )


def _pieces(words: str, long: bool) -> list[str]:
    """One piece of text for each shape: "dome 3, twist 1", "dome 3 twist 1" or "3 um dome 1 um twist"."""
    every = "|".join(pattern for pattern in (_LONG if long else _ROUND).values())
    found = []
    for piece in re.split(r"[,;&]| and | with ", words):
        said = list(re.finditer(rf"(?<![a-z])({every})(?![a-z])", piece))
        if len(said) > 1:
            first = piece[: said[0].start()].strip() == ""
            cuts = [m.start() for m in said[1:]] if first else [m.end() for m in said[:-1]]
            found += [piece[a:b] for a, b in zip([0, *cuts], [*cuts, len(piece)], strict=True)]
        else:
            found.append(piece)
    return [piece.strip() for piece in found if piece.strip()]


def _how(units: Units, long: bool) -> str:
    if long:
        words = "bow 100, wind 40" if units is Units.INCH else "bow 3, wind 1"
    else:
        words = (
            "dome 100, dish 40 or dome 100, twist 20"
            if units is Units.INCH
            else "dome 3, dish 1 or dome 3, twist 0.5"
        )
    return f"{words} ({'uin' if units == 'inch' else 'um'}), flat, or {DONT_KNOW}"


def _one(text: str, piece: str, units: Units, long: bool, how: str) -> tuple[str, tuple[float, str]]:
    """One shape and its size, in either order."""
    known = _LONG if long else _ROUND
    name = next((n for n, p in known.items() if re.search(rf"(?<![a-z])({p})(?![a-z])", piece)), None)
    if name is None:
        other = _ROUND if long else _LONG
        if any(re.search(rf"(?<![a-z])({p})(?![a-z])", piece) for p in other.values()):
            face = (
                "a long face has bow, crown and wind" if long else "this face has dome, dish, saddle, twist"
            )
            raise RefusedError(f"{shown(text.strip())}: {face}: write {how}", "value")
        raise RefusedError(f"{shown(text.strip())} does not say which shape: write {how}", "value")
    rest = re.sub(rf"(?<![a-z])({known[name]})(?![a-z])", " ", piece, count=1)
    minus = re.search(r"\bminus\b", rest) is not None
    rest = re.sub(r"\b(minus|by|of|is|it)\b|:|=", " ", rest).strip()
    if not re.search(r"\d", rest):
        raise RefusedError(f"{shown(text.strip())} has no size: write {how}", "missing")
    value, said = small(rest, units, how)
    if minus:
        value, said = -value, f"-{said}"
    if value < 0.0 and name in ("dome", "dish"):
        # A dome the other way round is a dish, and is written as one.
        name, value, said = {"dome": "dish", "dish": "dome"}[name], -value, said.removeprefix("-").strip()
    if not abs(value) <= 1e-3:
        raise RefusedError(f"{shown(text.strip())} cannot be: such a shape is 1 mm at most", "range")
    return name, (value, said)


def grit(text: str) -> Answer:
    """A grit by its grain (bare numbers are um, at the inch bench too) or by its F number.

    Raises
    ------
    RefusedError
        No size, or a number whose system is not said.

    """
    how = "15 (um), 15 um or F400"
    words = " ".join(text.strip().rstrip(".").split())
    by_number = re.fullmatch(r"[fF] ?(\d{2,5})", words)
    if by_number is None and re.fullmatch(r"[\d.]+", words):
        # Grains of 100 um and more are no lapping grit: a number that large is one of a system.
        words = (
            f"{words} grit" if float(words.strip(".") or 0) >= 100 and words.isdecimal() else f"{words} um"
        )
    try:
        found = grit_of(words, "grit", {}, {})
    except RefusedError as trouble:
        if trouble.code == "name":
            raise RefusedError(f"{shown(text.strip())} is no grit: write {how}", "name") from None
        message = trouble.message.replace("grit = ", "").replace('"', "")
        raise RefusedError(message, trouble.code) from None
    if found is None:  # never without a table of grits
        raise RefusedError(f"{shown(text.strip())} is no grit: write {how}", "name")
    if by_number is not None:
        name = f"F{by_number[1]}"
        return Answer(found.size, f"{name} ({FEPA_F[int(by_number[1])] * 1e6:g} um)", name)
    return Answer(found.size, found.name, length(words, "um", how)[1])


def grooves(text: str) -> Answer:
    """The pattern of the grooves, "no" for none."""
    word = chosen(text, GROOVES, "a pattern of grooves")
    return Answer(word, word, None if word == "no" else word)


def groove_size(text: str, units: Units, *, radial: bool) -> Answer:
    """Pitch and width of grooves [m], or count and width where they run like spokes.

    Raises
    ------
    RefusedError
        Not two sizes, or no land between the grooves.

    """
    how = {
        (False, False): "12 x 2 (pitch x width)",
        (False, True): "12 x 2 (how many x width)",
        (True, False): "1/2 x 1/16 (pitch x width)",
        (True, True): "12 x 1/16 (how many x width)",
    }[units is Units.INCH, radial]
    unit = bench_unit(units)
    words = re.sub(r"(?<![a-z])(pitch|width|wide|grooves?|of|spokes)(?![a-z])", " ", tidy(text)).strip()
    words = " ".join(words.split())
    count: Any = None
    if radial:
        got = re.fullmatch(r"(\d+) ?(?:x|\u00d7|,| ) ?(.+)", words)
        if got is None or not 1 <= int(got[1][:9]) <= 360:
            raise RefusedError(f"{shown(text.strip())} is not a number and a width: write {how}", "value")
        count, pieces = int(got[1]), [length(got[2], unit, how)]
    else:
        pieces = parts_of(words, unit, how)
        if len(pieces) != 2:
            raise RefusedError(f"{shown(text.strip())} is not a pitch and a width: write {how}", "value")
    if not all(0.0 < value <= 1.0 for value, _ in pieces):
        raise RefusedError(f"{shown(text.strip())} cannot be: write {how}", "range")
    if radial:
        said = f"{count} x {pieces[0][1]}"
        return Answer({"count": count, "width": pieces[0][0]}, said, {"count": count, "width": pieces[0][1]})
    (pitch, pitch_said), (width, width_said) = pieces
    if not width < pitch:
        raise RefusedError(
            f"grooves of {width_said} every {pitch_said} leave no land: write pitch x width, such as {how}",
            "range",
        )
    return Answer(
        {"pitch": pitch, "width": width},
        f"{pitch_said} x {width_said}",
        {"pitch": pitch_said, "width": width_said},
    )
