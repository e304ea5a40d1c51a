"""The stroke of a step: its kind and its size, typed outright, by travel or by overhang."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lapwright.lapping.sizing import sized
from lapwright.lapping.step import Turn
from lapwright.lapping.strokes import Curve, Still
from lapwright.plate.outline import Outline
from lapwright.plate.plate import Plate
from lapwright.study.faults import RefusedError, listed, shown
from lapwright.study.table import Table, boolean, choice, whole
from lapwright.study.units import ANGLE, LENGTH, quantity, read_place, read_share

__all__ = ["KINDS", "Spin", "Stroke", "stroke_of"]

_span = quantity(LENGTH, above="0 mm", most="2 m")
_overhang_length = quantity(LENGTH, least="-2 m", most="2 m")
_angle = quantity(ANGLE, least="-360 deg", most="360 deg")
_passes = whole(1, 100_000, "a number of strokes for one traverse there and back")

TRAVEL = 1.0 / 3.0
RATIO = 5
PASSES = 10

# What sizes each kind, and what more belongs to it.
KINDS: dict[str, tuple[str | None, tuple[str, ...]]] = {
    "figure-eight": ("length", ("width",)),
    "circle": ("radius", ()),
    "ellipse": ("length", ("width",)),
    "line": ("length", ()),
    "zigzag": ("length", ("width", "passes")),
    "rosette": ("radius", ("small", "ratio")),
    "still": (None, ()),
}
HOW_STROKE = 'stroke = { kind = "figure-eight", travel = "1/3" }'


@dataclass(frozen=True)
class Stroke:
    """The path of a step and where it lies: `direction` [rad], `centre` [m]."""

    curve: Curve
    direction: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    carry_centre: bool = False


@dataclass(frozen=True)
class Spin:
    """What turns with the stroke, which decides how far the top hangs out: `strokes` of the step."""

    turn: Turn
    walk: Turn
    carry_centre: bool
    strokes: int


def stroke_of(
    step: Table, top: Plate | None, bottom: Plate | None, spin: Spin, assumed: dict[str, str]
) -> Stroke | None:
    """The stroke of a step; None when it is at fault (which is noted) or the plates it needs are."""
    if not step.has("stroke"):
        assumed[step.place("stroke")] = "figure-eight, travel 1/3 of the top, half as wide as long"
        if top is None or bottom is None:
            return None
        return Stroke(sized("figure-eight", top.outline, bottom.outline, travel=TRAVEL))
    table = step.table("stroke", HOW_STROKE)
    if table is None:
        return None
    place = Stroke(
        Still(),
        table.take("direction", _angle) or 0.0,
        table.take("centre", read_place) or (0.0, 0.0),
        bool(table.take("carry_centre", boolean)),
    )
    kind = table.take("kind", choice(tuple(KINDS), "a kind of stroke"))
    if not table.has("kind"):
        kind = "figure-eight"
        assumed[table.place("kind")] = kind
    if kind is None:
        table.known.update(("length", "width", "radius", "small", "ratio", "passes", "travel", "overhang"))
        table.done()
        return None
    more = _more(table, kind, assumed)
    size, _ = KINDS[kind]
    ways = () if size is None else (size, "travel", "overhang")
    way = table.one_of(ways, "the size of the stroke is said in one way", needed=False) if ways else None
    _refuse_others(table, kind, ways)
    table.done()
    if size is None:
        return place
    if way is None and not any(name in table.data for name in ways):
        way = "travel"
        assumed[table.place("travel")] = "1/3"
    curve = _sized(table, kind, way, more, place, top, bottom, spin)
    return None if curve is None else Stroke(curve, place.direction, place.centre, place.carry_centre)


def _more(table: Table, kind: str, assumed: dict[str, str]) -> dict[str, Any]:
    """What a kind has beside its size."""
    readers: dict[str, Callable[[Any], Any]] = {
        "width": _span,
        "passes": _passes,
        "small": _span,
        "ratio": _ratio,
    }
    defaults = {
        "width": "half the length",
        "passes": str(PASSES),
        "small": "a third of the radius",
        "ratio": str(RATIO),
    }
    found = {}
    for name in KINDS[kind][1]:
        found[name] = table.take(name, readers[name])
        if not table.has(name):
            assumed[table.place(name)] = defaults[name]
    return {name: value for name, value in found.items() if value is not None}


def _ratio(value: Any) -> int:
    number = whole(-1000, 1000, "the ratio of a rosette")(value)
    if number in (0, 1):
        raise RefusedError(f"{shown(number)} makes a plain circle: write a ratio such as 5 or -4", "range")
    return number


def _refuse_others(table: Table, kind: str, ways: tuple[str, ...]) -> None:
    """Sizes that belong to another kind are no unknown keys, but say what this kind takes."""
    mine = (*ways, *KINDS[kind][1])
    for name in ("length", "width", "radius", "small", "ratio", "passes", "travel", "overhang"):
        if name in table.data and name not in mine:
            takes = f"its size is {listed(mine)}" if mine else "it has no size"
            table.fault(name, f'does not belong to kind = "{kind}": {takes}', "conflict")
            table.known.add(name)


def _sized(
    table: Table,
    kind: str,
    way: str | None,
    more: dict[str, Any],
    place: Stroke,
    top: Plate | None,
    bottom: Plate | None,
    spin: Spin,
) -> Curve | None:
    """The curve, by its own size, by travel or by overhang."""
    sizes, given = more, {}
    if way in ("length", "radius"):
        size = table.take(way, _span)
        sizes = more | {way: size}
    elif way == "travel":
        size = table.take("travel", _travel) if "travel" in table.data else TRAVEL
        given["travel"] = size
    elif way == "overhang":
        by_length, size = table.take("overhang", _overhang) or (False, None)
        given["overhang_length" if by_length else "overhang"] = size
    else:
        return None
    # The plates may be at fault themselves; then nothing more can be said of the stroke.
    if size is None or top is None or bottom is None:
        return None
    # Outlines are frozen, so they hash, though their protocol does not say so.
    lies = (place.direction, place.centre, place.carry_centre or spin.carry_centre)
    try:
        return _sized_once(
            kind,
            top.outline,  # type: ignore[arg-type]
            bottom.outline,  # type: ignore[arg-type]
            tuple(sizes.items()),
            tuple(given.items()),
            lies,
            spin,
        )
    except ValueError as trouble:
        table.fault(way, f"{shown(table.data.get(way, '1/3'))} cannot be: {trouble}", "range")
        return None


@lru_cache(maxsize=256)
def _sized_once(
    kind: str,
    top: Outline,
    bottom: Outline,
    sizes: tuple[tuple[str, Any], ...],
    way: tuple[tuple[str, Any], ...],
    lies: tuple[float, tuple[float, float], bool],
    spin: Spin,
) -> Curve:
    """`sized`, remembered: the members of a sweep mostly have the same stroke."""
    return sized(
        kind,
        top,
        bottom,
        sizes=dict(sizes),
        direction=lies[0],
        centre=lies[1],
        carry_centre=lies[2],
        turn=spin.turn,
        walk=spin.walk,
        strokes=spin.strokes,
        **dict(way),
    )


def _travel(value: Any) -> float:
    share = read_share(value)
    if not 0.0 < share <= 2.0:
        raise RefusedError(
            f'{shown(value)} cannot be: travel is a share of the top, such as "1/3" or "33 %", 200 % at most',
            "range",
        )
    return share


def _overhang(value: Any) -> tuple[bool, float]:
    """Whether an overhang is a length, and its size: a share of the top's width, or m."""
    how = 'write a share of the top, such as "17 %", or a length, such as "27 mm"'
    try:
        share = read_share(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise RefusedError(f"{trouble.message}; {how}", trouble.code) from None
        try:
            return True, _overhang_length(value)
        except RefusedError as second:
            if second.code == "range":
                raise
            raise RefusedError(f"{shown(value)} is no overhang: {how}", second.code) from None
    if not -1.0 < share < 0.5:
        raise RefusedError(f"{shown(value)} cannot be: from 50 % on every top tips off; {how}", "range")
    return False, share
