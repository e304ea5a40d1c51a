"""How the hands go: stroke, how far, turn, and the way round the bench, as a machinist types them."""

from __future__ import annotations

import math
import re

from lapwright.interview.answer import Answer, chosen, tidy
from lapwright.interview.sizes import bench_unit, length
from lapwright.study.faults import RefusedError, shown
from lapwright.study.rates import read_turn
from lapwright.study.units import read_share
from lapwright.units import Units

__all__ = ["KINDS", "far", "kind", "round_the_bench", "turn"]

# The study's word for each stroke, and the ways of saying it.
KINDS = {
    "eight": ("figure eight", "figure 8", "8", "eights", "figure eights", "fig 8", "fig eight"),
    "circle": ("circles", "circular", "round", "round and round", "small circles"),
    "ellipse": ("oval", "ellipses", "ovals", "elliptical"),
    "straight": ("line", "straight line", "back and forth", "to and fro", "straight strokes"),
    "zigzag": ("zig zag", "zig zags", "zigzags", "raster"),
    "rosette": ("rosettes", "flower", "epicycle"),
}
STUDY_WORD = {"eight": "figure-eight", "straight": "line"}
LARGEST_BARE_TURN = 30.0  # degrees a stroke; a quarter at every stroke is more likely meant as an index
_NO = r"no|none|never|not|n|no turn|neither"


def kind(text: str) -> Answer:
    """The kind of stroke; `written` is the study's word."""
    word = chosen(text, KINDS, "a stroke")
    study = STUDY_WORD.get(word, word)
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
        raise RefusedError(f"{shown(text.strip())} says two things: write {how}", "conflict")
    share = re.search(r"%|^[\d ]*\d+ ?/ ?\d+$", bare) is not None
    if travel:
        return _travel(text, bare, share, how)
    if share:
        if not over and not inside:
            raise RefusedError(
                f"{shown(text.strip())} of what? Write travel {bare} for the whole stroke as a share of the "
                f"top, or {bare} over for how far it goes over the edge",
                "bare_number",
            )
        amount = read_share(bare)
        amount, said = (-amount, f"-{bare}") if inside else (amount, bare)
        if not -1.0 < amount < 0.5:
            raise RefusedError(f"{shown(text.strip())} cannot be: from 50 % on every top tips off", "range")
        return Answer({"overhang": amount, "of": "top"}, f"{said} over", {"overhang": said})
    value, said = length(bare, bench_unit(units), how)
    if inside and value > 0.0:
        value, said = -value, f"-{said}"
    if not abs(value) <= 2.0:
        raise RefusedError(f"{shown(text.strip())} cannot be: 2 m over the edge is the most", "range")
    return Answer({"overhang": value}, f"{said} over", {"overhang": said})


def _travel(text: str, bare: str, share: bool, how: str) -> Answer:
    if not share:
        raise RefusedError(f"{shown(text.strip())} is no share of the top: write {how}", "unit")
    amount = read_share(bare)
    if not 0.0 < amount <= 2.0:
        raise RefusedError(f"{shown(text.strip())} cannot be: write travel 1/3 or so, 200 % at most", "range")
    return Answer({"travel": amount}, f"travel {bare}", {"travel": bare})


def turn(text: str, usual: str) -> Answer:
    """How the top is turned in the hands: value {"angle": rad, "every": strokes}, every 0: as it goes.

    Raises
    ------
    RefusedError
        No turn, or a large one that does not say how often.

    """
    return _turned(text, usual, "8, 8 deg per stroke, 90 every 10 strokes, end for end every 10, or no")


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
            raise RefusedError(
                f"{shown(text.strip())} how often? Write {apart[1]} every 10 strokes, or "
                f"{apart[1]} per stroke",
                "bare_number",
            )
        words = f"{words} per stroke"
    try:
        angle, every = read_turn(words)
    except RefusedError as trouble:
        if trouble.code == "range":
            raise
        raise RefusedError(f"{shown(text.strip())} is not a turn: write {how}", "unit") from None
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
        raise RefusedError(f"{shown(text.strip())} {reason}: write {how}", "choice")
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
