"""The stroke of a step: its kind and its size, typed outright, by travel or by overhang."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sim.lapping.strokes import Circle, Curve, Ellipse, FigureEight, Line, Rosette, Still, Zigzag
from sim.plate.plate import Plate
from sim.study.faults import RefusedError, listed, shown
from sim.study.say import say_length, say_share
from sim.study.table import Table, boolean, choice, whole
from sim.study.units import ANGLE, LENGTH, quantity, read_place, read_share

__all__ = ["KINDS", "Stroke", "half_travel", "stroke_of"]

_span = quantity(LENGTH, above="0 mm", most="2 m")
_angle = quantity(ANGLE, least="-360 deg", most="360 deg")
_passes = whole(1, 100_000, "a number of strokes for one traverse there and back")

TRAVEL = 1.0 / 3.0
SMALL_SHARE = 1.0 / 3.0  # of a rosette's radius
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


def half_travel(curve: Curve) -> float:
    """Half the extent of a curve along its direction [m]."""
    if isinstance(curve, Circle):
        return curve.radius
    if isinstance(curve, Rosette):
        return curve.radius + curve.small
    if isinstance(curve, (Ellipse, FigureEight, Line, Zigzag)):
        return 0.5 * curve.length
    return 0.0


def stroke_of(step: Table, top: Plate | None, bottom: Plate | None, assumed: dict[str, str]) -> Stroke | None:
    """The stroke of a step; None when it is at fault (which is noted) or the plates it needs are."""
    if not step.has("stroke"):
        assumed[step.place("stroke")] = "figure-eight, travel 1/3 of the top, half as wide as long"
        if top is None:
            return None
        return Stroke(_scaled("figure-eight", {}, 0.5 * TRAVEL * top.outline.width_along(0.0)))
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
    curve = _sized(table, kind, way, more, place, top, bottom)
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
            table.fault(name, f"does not belong to a {kind}: {takes}", "conflict")
            table.known.add(name)


def _scaled(kind: str, more: dict[str, Any], half: float) -> Curve:
    """The curve of a kind whose extent along its direction is 2 `half` [m]."""
    if kind == "circle":
        return Circle(half)
    if kind == "rosette":
        small = more.get("small")
        radius = half / (1.0 + SMALL_SHARE) if small is None else half - small
        return Rosette(radius, radius * SMALL_SHARE if small is None else small, more.get("ratio", RATIO))
    if kind == "line":
        return Line(2.0 * half)
    width = more.get("width", half)
    if kind == "zigzag":
        return Zigzag(2.0 * half, width, more.get("passes", PASSES))
    return (Ellipse if kind == "ellipse" else FigureEight)(2.0 * half, width)


def _sized(
    table: Table,
    kind: str,
    way: str | None,
    more: dict[str, Any],
    place: Stroke,
    top: Plate | None,
    bottom: Plate | None,
) -> Curve | None:
    if way in ("length", "radius"):
        size = table.take(way, _span)
        if size is None:
            return None
        half = size if kind == "circle" else 0.5 * size
        if kind == "rosette":
            half = size + more.get("small", SMALL_SHARE * size)
        return _scaled(kind, more, half)
    if way == "travel":
        share = table.take("travel", _travel) if "travel" in table.data else TRAVEL
        if share is None or top is None:
            return None
        half = 0.5 * share * top.outline.width_along(place.direction)
        if half <= more.get("small", 0.0):
            table.fault("small", f"leaves no radius within a travel of {say_length(2.0 * half)}", "range")
            return None
        return _scaled(kind, more, half)
    if way == "overhang":
        return _overhanging(table, kind, more, place, top, bottom)
    return None


def _travel(value: Any) -> float:
    share = read_share(value)
    if not 0.0 < share <= 2.0:
        raise RefusedError(
            f'{shown(value)} cannot be: travel is a share of the top, such as "1/3" or "33 %", 200 % at most',
            "range",
        )
    return share


def _overhanging(
    table: Table, kind: str, more: dict[str, Any], place: Stroke, top: Plate | None, bottom: Plate | None
) -> Curve | None:
    raise NotImplementedError(table, kind, more, place, top, bottom, say_share)
