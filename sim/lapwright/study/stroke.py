"""The stroke of a step: its kind and its size, typed outright, by travel or by overhang."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lapwright.lapping.sizing import sized
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.stroke import KINDS, TRAVEL, Stroke
from lapwright.lapping.strokes import Curve, Still
from lapwright.plate.outline import Outline
from lapwright.plate.plate import Plate
from lapwright.study.faults import listed, shown
from lapwright.study.table import Table, boolean
from lapwright.units import Text

__all__ = ["Placed", "Spin", "stroke_of"]

HOW_STROKE = 'stroke = { kind = "figure-eight", travel = "1/3" }'


@dataclass(frozen=True)
class Placed:
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


def stroke_of(step: Table, top: Plate | None, bottom: Plate | None, spin: Spin) -> Placed | None:
    """The stroke of a step; None when it is at fault (which is noted) or the plates it needs are."""
    if not step.has("stroke"):
        step.assume(Step, curve="stroke")
        if top is None or bottom is None:
            return None
        return Placed(sized(Stroke().kind, top.outline, bottom.outline, travel=TRAVEL))
    table = step.table("stroke", HOW_STROKE)
    if table is None:
        return None
    place = Placed(
        Still(),
        table.said(Step, "direction") or 0.0,
        table.said(Step, "centre") or (0.0, 0.0),
        bool(table.take("carry_centre", boolean)),
    )
    kind = table.said(Stroke, "kind") if table.has("kind") else Stroke().kind
    table.assume(Stroke, kind="kind")
    if kind is None:
        table.known.update(("length", "width", "radius", "small", "ratio", "passes", "travel", "overhang"))
        table.done()
        return None
    more = table.parts(Stroke, KINDS[kind][1])
    table.assume(Stroke, **{name: name for name in KINDS[kind][1]})
    size, _ = KINDS[kind]
    ways = () if size is None else (size, "travel", "overhang")
    way = table.one_of(ways, "the size of the stroke is said in one way", needed=False) if ways else None
    _refuse_others(table, kind, ways)
    table.done()
    if size is None:
        return place
    if way is None and not any(name in table.data for name in ways):
        way = "travel"
        table.assume(Stroke, travel="travel")
    curve = _sized(table, kind, way, more, place, top, bottom, spin)
    return None if curve is None else Placed(curve, place.direction, place.centre, place.carry_centre)


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
    place: Placed,
    top: Plate | None,
    bottom: Plate | None,
    spin: Spin,
) -> Curve | None:
    """The curve, by its own size, by travel or by overhang."""
    sizes, given = more, {}
    if way in ("length", "radius"):
        size = table.said(Stroke, way)
        sizes = more | {way: size}
    elif way == "travel":
        size = table.said(Stroke, "travel") if "travel" in table.data else TRAVEL
        given["travel"] = size
    elif way == "overhang":
        by_length, size = table.said(Stroke, "overhang") or (False, None)
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
        why = Text("{typed} cannot be: {why}", typed=shown(table.data.get(way, "1/3")), why=trouble.args[0])
        table.fault(way, why, "range")
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
