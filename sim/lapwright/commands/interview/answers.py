"""Strokes, turns, faces, grits and grooves, as a machinist types them."""

from __future__ import annotations

import math
import re
from typing import Any

from lapwright.commands.interview.typed import (
    Answer,
    bench_unit,
    chosen,
    length,
    parts_of,
    small,
    tidy,
)
from lapwright.specification.curves import ALSO
from lapwright.specification.quantities import read_share
from lapwright.specification.rates import FEPA_F, read_turn
from lapwright.specification.said import RefusedError, refused, shown
from lapwright.study.plates import grit_of
from lapwright.units import Units

# The study's word for each stroke, and the ways of saying it.
KINDS = {
    "eight": "figure eight|figure 8|8|eights|figure eights|fig 8|fig eight",
    "circle": "circles|circular|round|round and round|small circles",
    "ellipse": "oval|ellipses|ovals|elliptical",
    "straight": "line|straight line|back and forth|to and fro|straight strokes",
    "zigzag": "zig zag|zig zags|zigzags|raster",
    "rosette": "rosettes|flower|epicycle",
}
LARGEST_BARE_TURN = (
    30.0  # degrees a stroke; a quarter at every stroke is more likely meant as an index
)
_NO = r"no|none|never|not|n|no turn|neither"


def kind(text: str) -> Answer:
    """The kind of stroke; `written` is the study's word."""
    word = chosen(text, KINDS, "a stroke")
    study = ALSO.get(word, word)
    return Answer(study, word, study)


def far(text: str, units: Units) -> Answer:
    """How far the stroke goes: over the edge by a length or a share of the top, or a travel.

    Value: {"overhang": m}, {"overhang": share, "of": "top"} or {"travel": share}; below zero it stays inside.

    Raises
    ------
    RefusedError
        A share that does not say of what, or no size at all.

    """
    length_word, share_word = ("1 in", "1") if units is Units.INCH else ("27 mm", "27")
    how = f"{share_word} or {length_word} (over the edge), 17 % over, or travel 1/3 (of the top)"
    words = tidy(text).replace("per cent", "%").replace("percent", "%")
    words = re.sub(r"\ba third\b", "1/3", words)
    travel = re.search(r"\btravels?\b", words) is not None
    inside = re.search(r"\binside\b", words) is not None
    over = re.search(r"\b(over|past|beyond|overhang|outside)\b", words) is not None
    bare = re.sub(
        r"\b(travels?|inside|over|past|beyond|overhang|outside|of|the|edge|rim|top|part|plate|by|stay)\b",
        " ",
        words,
    )
    bare = " ".join(bare.split())
    if re.fullmatch(_NO, bare) or (not bare and inside):
        bare = "0"
    if travel and (over or inside):
        raise refused(text, f"says two things: write {how}", "conflict")
    share = re.search(r"%|^[\d ]*\d+ ?/ ?\d+$", bare) is not None
    if travel:
        return _travel(text, bare, share, how)
    if share:
        if not over and not inside:
            raise refused(
                text,
                f"of what? Write travel {bare} for the whole stroke as a share of the "
                f"top, or {bare} over for how far it goes over the edge",
                "bare_number",
            )
        amount = read_share(bare)
        amount, said = (-amount, f"-{bare}") if inside else (amount, bare)
        if not -1.0 < amount < 0.5:
            raise refused(text, "cannot be: from 50 % on every top tips off", "range")
        return Answer({"overhang": amount, "of": "top"}, f"{said} over", {"overhang": said})
    value, said = length(bare, bench_unit(units), how)
    if inside and value > 0.0:
        value, said = -value, f"-{said}"
    if not abs(value) <= 2.0:
        raise refused(text, "cannot be: 2 m over the edge is the most", "range")
    return Answer({"overhang": value}, f"{said} over", {"overhang": said})


def _travel(text: str, bare: str, share: bool, how: str) -> Answer:
    if not share:
        raise refused(text, f"is no share of the top: write {how}", "unit")
    amount = read_share(bare)
    if not 0.0 < amount <= 2.0:
        raise refused(text, "cannot be: write travel 1/3 or so, 200 % at most", "range")
    return Answer({"travel": amount}, f"travel {bare}", {"travel": bare})


def turn(text: str, usual: str) -> Answer:
    """How the top is turned in the hands: value {"angle": rad, "every": strokes}, every 0: as it goes.

    Raises
    ------
    RefusedError
        No turn, or a large one that does not say how often.

    """
    return _turned(
        text, usual, "8, 8 deg per stroke, 90 every 10 strokes, end for end every 10, or no"
    )


def _turned(text: str, usual: str, how: str) -> Answer:
    words = tidy(text)
    if re.fullmatch(_NO, words):
        return Answer({"angle": 0.0, "every": 0}, "no", "none")
    if re.fullmatch(r"yes|y|yes,? i (do|can)", words):
        words = usual
    words = re.sub(r"\b(a )?quarter( turn)?\b", "90 deg", words)
    words = re.sub(r"\b(a )?half( turn)?\b|\bend for end\b|\bend to end\b", "180 deg", words)
    words = re.sub(r"\bevery (\d+)$", r"every \1 strokes", words)
    words = re.sub(r"^([+-]?[\d.]+)(?= (?:per|a|each|every)\b|/|$)", r"\1 deg", words)
    if not re.search(r"strokes?\b", words):
        apart = re.match(r"([+-]?[\d.]+) ?(deg|\u00b0|degrees)$", words)
        try:
            large = apart is not None and abs(float(apart[1])) > LARGEST_BARE_TURN
        except ValueError:
            large = False
        if large and apart is not None:
            raise refused(
                text,
                f"how often? Write {apart[1]} every 10 strokes, or {apart[1]} per stroke",
                "bare_number",
            )
        words = f"{words} per stroke"
    try:
        angle, every = read_turn(words)
    except RefusedError as trouble:
        if trouble.code == "range":
            raise
        raise refused(text, f"is not a turn: write {how}", "unit") from None
    said = Units.turn(angle, every, echo=True)
    if not math.isclose(read_turn(said)[0], angle, rel_tol=1e-12, abs_tol=1e-12):
        said = words  # more figures than are said back; nothing may be lost
    return Answer({"angle": angle, "every": every}, "no" if angle == 0.0 else said, said)


def round_the_bench(text: str, usual: str) -> Answer:
    """The way round: value {"how": "no", "walk" or "bottom", "angle": rad, "every": strokes}.

    Raises
    ------
    RefusedError
        None of these, or no angle.

    """
    how = "no, walk, walk 3 (degrees a stroke), bottom or bottom 3"
    words = tidy(text)
    if re.fullmatch(_NO, words):
        return Answer({"how": "no", "angle": 0.0, "every": 0}, "no")
    bottom = re.search(r"\bbottom\b|\bturntable\b|\bplate\b", words) is not None
    walk = re.search(r"\bwalk(ing)?\b|\bround the bench\b|\bstep\b", words) is not None
    if bottom == walk:
        reason = "says two things" if bottom else "is neither walking nor turning the bottom"
        raise refused(text, f"{reason}: write {how}", "choice")
    bare = re.sub(
        r"\b(bottom|turntable|plate|walk(ing)?|round the bench|step|round|turn|the|i|can|it|by|yes)\b|,",
        " ",
        words,
    )
    bare = " ".join(bare.split())
    got = _turned(bare or usual, usual, how)
    key = "turn_bottom" if bottom else "walk"
    word = "bottom" if bottom else "walk"
    if got.value["angle"] == 0.0:
        return Answer({"how": "no", "angle": 0.0, "every": 0}, "no")
    return Answer({"how": word, **got.value}, f"{word} {got.said}", {key: got.written})


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
    "no": "none|n|plain|not",
    "square": "squares|grid|square grid|crossed|yes|y",
    "triangle": "triangles|triangular",
    "rings": "ring|circles|concentric",
    "radial": "spokes|rays|star",
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
        raise refused(text, "has a decimal comma: write a point, such as 0.5", "comma")
    for pattern, word in _CLOCK:
        words = re.sub(pattern, f"{word} ", words)
    found: dict[str, tuple[float, str]] = {}
    for piece in _pieces(words, long):
        name, amount = _one(text, piece.strip(), units, long, how)
        if name in found or {name, *found} >= {"dome", "dish"}:
            raise refused(text, f"says the same thing twice: write {how}", "conflict")
        found[name] = amount
    if not found:
        raise refused(text, f"says no shape: write {how}", "value")
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


def _one(
    text: str, piece: str, units: Units, long: bool, how: str
) -> tuple[str, tuple[float, str]]:
    """One shape and its size, in either order."""
    known = _LONG if long else _ROUND
    name = next(
        (n for n, p in known.items() if re.search(rf"(?<![a-z])({p})(?![a-z])", piece)), None
    )
    if name is None:
        other = _ROUND if long else _LONG
        if any(re.search(rf"(?<![a-z])({p})(?![a-z])", piece) for p in other.values()):
            face = (
                "a long face has bow, crown and wind"
                if long
                else "this face has dome, dish, saddle, twist"
            )
            raise RefusedError(f"{shown(text)}: {face}: write {how}", "value")
        raise refused(text, f"does not say which shape: write {how}", "value")
    rest = re.sub(rf"(?<![a-z])({known[name]})(?![a-z])", " ", piece, count=1)
    minus = re.search(r"\bminus\b", rest) is not None
    rest = re.sub(r"\b(minus|by|of|is|it)\b|:|=", " ", rest).strip()
    if not re.search(r"\d", rest):
        raise refused(text, f"has no size: write {how}", "missing")
    value, said = small(rest, units, how)
    if minus:
        value, said = -value, f"-{said}"
    if value < 0.0 and name in ("dome", "dish"):
        # A dome the other way round is a dish, and is written as one.
        name, value, said = (
            {"dome": "dish", "dish": "dome"}[name],
            -value,
            said.removeprefix("-").strip(),
        )
    if not abs(value) <= 1e-3:
        raise refused(text, "cannot be: such a shape is 1 mm at most", "range")
    return name, (value, said)


def grit(text: str) -> Answer:
    """A grit by its grain (bare numbers are um, at the inch bench too) or by its F number.

    Raises
    ------
    RefusedError
        No size, or a number whose system is not said.

    """
    how = "15 (um), 15 um or F400"
    words = " ".join(text.rstrip(".").split())
    by_number = re.fullmatch(r"[fF] ?(\d{2,5})", words)
    if by_number is None and re.fullmatch(r"[\d.]+", words):
        # Grains of 100 um and more are no lapping grit: a number that large is one of a system.
        words = (
            f"{words} grit"
            if float(words.strip(".") or 0) >= 100 and words.isdecimal()
            else f"{words} um"
        )
    try:
        found = grit_of(words, "grit", {}, {})
    except RefusedError as trouble:
        if trouble.code == "name":
            raise refused(text, f"is no grit: write {how}", "name") from None
        message = trouble.message.replace("grit = ", "").replace('"', "")
        raise RefusedError(message, trouble.code) from None
    if found is None:  # never without a table of grits
        raise refused(text, f"is no grit: write {how}", "name")
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
    words = re.sub(
        r"(?<![a-z])(pitch|width|wide|grooves?|of|spokes)(?![a-z])", " ", tidy(text)
    ).strip()
    words = " ".join(words.split())
    count: Any = None
    if radial:
        got = re.fullmatch(r"(\d+) ?(?:x|\u00d7|,| ) ?(.+)", words)
        if got is None or not 1 <= int(got[1][:9]) <= 360:
            raise refused(text, f"is not a number and a width: write {how}", "value")
        count, pieces = int(got[1]), [length(got[2], unit, how)]
    else:
        pieces = parts_of(words, unit, how)
        if len(pieces) != 2:
            raise refused(text, f"is not a pitch and a width: write {how}", "value")
    if not all(0.0 < value <= 1.0 for value, _ in pieces):
        raise refused(text, f"cannot be: write {how}", "range")
    if radial:
        said = f"{count} x {pieces[0][1]}"
        return Answer(
            {"count": count, "width": pieces[0][0]}, said, {"count": count, "width": pieces[0][1]}
        )
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
