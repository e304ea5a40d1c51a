"""The steps of a study: who lies where, which grit, what the hands do, and the stroke.

The stroke of a step: its kind and its size, typed outright, by travel or by overhang.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from lapwright.kinematics.overhang import sized
from lapwright.specification.curves import KINDS, Curve, Still, size_names
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import LENGTH, quantity
from lapwright.specification.said import listed, said_names, shown
from lapwright.specification.step import (
    EVERY,
    LIMIT,
    TRAVEL,
    WARMTH,
    Grit,
    Hand,
    Load,
    Step,
    Stroke,
    Swap,
    Turn,
    Until,
    in_metal,
    strokes_in,
)
from lapwright.specification.table import Table, boolean, choice, text
from lapwright.specification.wedge import SHAPE
from lapwright.study.plates import HOW_GRIT, a_plate, grit_of
from lapwright.study.sizes import KEYS, take_sizes
from lapwright.units import METRIC, Text, Units

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
        table.known.update((*size_names(), "travel", "overhang"))
        table.done()
        return None
    of = KINDS[kind]
    size, others = said_names(of)[:1], said_names(of)[1:]
    more = table.parts(of, others) if others else {}
    table.assume(of, **{name: name for name in others})
    ways = (*size, "travel", "overhang") if size else ()
    one_way = "the size of the stroke is said in one way"
    way = table.one_of(ways, one_way, needed=False) if ways else None
    _refuse_others(table, kind, (*ways, *others))
    table.done(also=size_names())
    if not size:
        return replace(place, curve=of())
    if way is None and not any(name in table.data for name in ways):
        way = "travel"
        table.assume(Stroke, travel="travel")
    curve = _sized(table, kind, way, more, place, top, bottom, spin)
    return None if curve is None else replace(place, curve=curve)


def _refuse_others(table: Table, kind: str, mine: tuple[str, ...]) -> None:
    """Sizes that belong to another kind are no unknown keys, but say what this kind takes."""
    for name in (*size_names(), "travel", "overhang"):
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
    if way == "travel":
        size = table.said(Stroke, "travel") if "travel" in table.data else TRAVEL
        given["travel"] = size
    elif way == "overhang":
        by_length, size = table.said(Stroke, "overhang") or (False, None)
        given["overhang_length" if by_length else "overhang"] = size
    elif way is not None:
        size = table.said(KINDS[kind], way)
        sizes = more | {way: size}
    else:
        return None
    # The plates may be at fault themselves; then nothing more can be said of the stroke.
    if size is None or top is None or bottom is None:
        return None
    lies = (place.direction, place.centre, place.carry_centre or spin.carry_centre)
    try:
        ways = tuple(sizes.items()), tuple(given.items())
        return _sized_once(kind, top.outline, bottom.outline, *ways, lies, spin)
    except ValueError as trouble:
        typed = shown(table.data.get(way, "1/3"))
        why = Text("{typed} cannot be: {why}", typed=typed, why=trouble.args[0])
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


STEP_KEYS = (
    "top",
    "bottom",
    "grit",
    "time",
    "strokes",
    "until",
    "stroke",
    "pace",
    "turn",
    "walk",
    "turn_bottom",
    "load",
    "load_at",
    "push_height",
    "friction",
    "swap_every",
    "fresh_grit_every",
    "hand",
    "liquid",
    "note",
)
MOST_STEPS = 200
MIXED = "0.6 um", "0.2 um"  # how swaps in metal are said
PACE = Step.pace
_place = quantity(LENGTH, least="-2 m", most="2 m")

HOW_STEP = '[[steps]] with top = "A", bottom = "B", grit = "15 um", time = "20 min"'


def steps_of(
    root: Table,
    plates: Mapping[str, Plate | None],
    grits: Mapping[str, Grit | None],
) -> list[Step | None]:
    """Every step in order; None in place of one that is at fault (which is noted)."""
    every = root.data.get("steps")
    tables = isinstance(every, list) and all(isinstance(entry, dict) for entry in every)
    wrong = None
    if not root.has("steps"):
        wrong = f"is missing: write {HOW_STEP}", "missing"
    elif isinstance(every, dict):
        wrong = "is one table: write [[steps]] with two brackets, once for each step", "type"
    elif not every or not tables:
        wrong = f"{shown(every)} is no list of steps: write {HOW_STEP}", "type"
    elif len(every) > MOST_STEPS:
        most = f"{MOST_STEPS} are the most (use rounds)"
        wrong = f"{len(every)} steps are too many: {most}", "range"
    if wrong is not None:
        root.fault("steps", *wrong)
        return []
    assert isinstance(every, list)
    out: list[Step | None] = []
    for number, data in enumerate(every, 1):
        table = Table(root.faults, f"steps.{number}", data, root.assumed)
        out.append(_step(table, plates, grits))
        table.done()
    return out


def _step(
    table: Table,
    plates: Mapping[str, Plate | None],
    grits: Mapping[str, Grit | None],
) -> Step | None:
    before = len(table.faults.found) + table.faults.untold
    top, bottom = _pair(table, plates)
    first = dict(table.assumed)
    grit = table.need(
        "grit", lambda value: grit_of(value, table.place("grit"), grits, first), HOW_GRIT
    )
    if grit is not None:
        table.assumed.update(first)
    pace = table.said(Step, "pace")
    turn = table.said(Step, "turn") or Turn()
    walk, carry = _walk(table)
    until = _until(table, {n: plates[n] for n in (top, bottom) if n is not None})
    time, strokes = _length(table, until, pace or PACE)
    spin = Spin(turn, walk, carry, strokes or strokes_in(time or 0.0, pace or PACE))
    stroke = stroke_of(table, plates.get(top or ""), plates.get(bottom or ""), spin)
    load = _load(table)
    swap = _swap(table, top, bottom)
    fresh = table.said(Step, "fresh_every", "fresh_grit_every")
    liquid = table.said(Step, "liquid")
    hand = _hand(table, 0.0 if stroke is None else stroke.curve.half_travel)
    warm = _warm(table, top, bottom)
    note = table.take("note", text)
    usual = {name: name for name in ("pace", "turn", "hand", "liquid")}
    table.assume(Step, **usual, fresh_every="fresh_grit_every")
    if len(table.faults.found) + table.faults.untold > before:
        return None
    if top is None or bottom is None or grit is None or stroke is None:
        return None
    return Step(
        top=top,
        bottom=bottom,
        grit=grit,
        curve=stroke.curve,
        direction=stroke.direction,
        centre=stroke.centre,
        carry_centre=stroke.carry_centre or carry,
        pace=PACE if pace is None else pace,
        turn=turn,
        walk=walk,
        load=load,
        swap=swap,
        fresh_every=fresh,
        hand=hand,
        liquid=liquid or Step.liquid,
        time=time,
        strokes=strokes,
        until=until,
        warm=warm,
        note=note or "",
    )


def _pair(table: Table, plates: Mapping[str, Any]) -> tuple[str | None, str | None]:
    """Names of top and bottom, which must be two."""
    top = table.need("top", lambda value: a_plate(value, plates), 'top = "A"')
    bottom = table.need("bottom", lambda value: a_plate(value, plates), 'bottom = "B"')
    if top is not None and top == bottom:
        wrong = f"{shown(bottom)} is the top too: a plate cannot lie on itself"
        table.fault("bottom", wrong, "value")
    return top, bottom


def _walk(table: Table) -> tuple[Turn, bool]:
    """The walk round the bench, and whether the stroke's centre is carried round."""
    kind = table.one_of(
        ("walk", "turn_bottom"),
        "turn_bottom is a walk with the opposite sign that carries the centre with it",
        needed=False,
    )
    turn = None if kind is None else table.said(Step, "walk", kind)
    if kind != "turn_bottom" or turn is None:
        return turn or Turn(), False
    return Turn(-turn.angle, turn.every), True


def _load(table: Table) -> Load:
    force = table.said(Load, "force", "load")
    more: dict[str, Any] = table.parts(Load, ("push_height", "friction"))
    if table.has("load_at"):
        inner = table.table("load_at", '{ x = "5 mm", y = "0 mm", fixed_to = "hand" }')
        if inner is not None:
            more["at"] = (inner.take("x", _place) or 0.0, inner.take("y", _place) or 0.0)
            more |= inner.parts(Load, ("fixed_to",))
            inner.done()
    if table.has("hands"):
        if {"x", "y"} & set(table.data.get("load_at") or ()):
            both = "has load_at and hands: the hands say where the load acts, so write only them"
            table.fault("hands", both, "conflict")
        palms = table.said(Load, "hands")
        if palms and not force and not table.faults.found:
            table.fault("hands", 'press with nothing: write load = "20 N" too', "missing")
        more["hands"] = palms or ()
    table.assume(Load, force="load")
    masses = ("lb", "lbs", "kg", "g", "oz")
    if force is not None and str(table.data["load"]).strip().lower().endswith(masses):
        table.assumed[table.place("load")] = METRIC.force(force, figures=3)  # a mass was typed
    if more.get("push_height"):
        table.assume(Load, friction="friction")
    return Load(force or 0.0, **more)


def _swap(table: Table, top: str | None, bottom: str | None) -> Swap | None:
    """Swaps, in any way of saying them."""
    if not table.has("swap_every"):
        return None
    value = table.data["swap_every"]
    if not isinstance(value, dict):
        metal = in_metal(value)
        every = table.take("swap_every", SHAPE if metal else EVERY)
        if every is None or top is None or bottom is None:
            return None
        both = {top: every, bottom: every}
        return Swap(removed=both) if metal else Swap(both)
    inner = Table(table.faults, table.place("swap_every"), value)
    pair = [name for name in (top, bottom) if name is not None]
    if "read" in value and "read" not in pair:
        read = inner.take("read", EVERY)
        inner.take("on_top", choice(("more domed",), "what goes on top"))
        inner.done()
        return None if read is None else Swap(read=read)
    kinds = {in_metal(value[name]) for name in pair if name in value}
    if len(kinds) == 2:
        one = ", ".join(f'{name} = "{amount}"' for name, amount in zip(pair, MIXED, strict=True))
        table.fault(
            "swap_every",
            f"is metal for one plate and time for the other: say both alike, {{ {one} }}",
            "conflict",
        )
        inner.known.update(pair)
        inner.done(also=("read", "on_top"))
        return None
    reader = SHAPE if True in kinds else EVERY
    stays = {
        name: inner.need(name, reader, f'how long {name} stays on top: {name} = "5 min"')
        for name in pair
    }
    if len(pair) == 2:
        inner.done(also=("read", "on_top"))
    found = {name: stay for name, stay in stays.items() if stay is not None}
    if len(found) < 2:
        return None
    return Swap(removed=found) if True in kinds else Swap(found)


def _hand(table: Table, half: float) -> Hand:
    """The scatter of the hands, by a word or by its parts; `half` [m] of the travel."""
    if not table.has("hand"):
        return Hand()
    if not isinstance(table.data["hand"], dict):
        hand = table.said(Step, "hand") or Hand()
        return hand.sized(half)
    inner = Table(table.faults, table.place("hand"), table.data["hand"])
    hand = Hand(**inner.parts(Hand))
    inner.done()
    return hand


def _warm(table: Table, top: str | None, bottom: str | None) -> dict[str, float]:
    """By how much the faces of both are warmer than their backs [K]."""
    if not table.has("warm"):
        return {}
    inner = table.table("warm", '{ A = "0.1 K" }: how much warmer its face is than its back')
    if inner is None:
        return {}
    found = {name: inner.take(name, WARMTH) for name in (top, bottom) if name is not None}
    if top is not None and bottom is not None:
        inner.done()
    return {name: kelvin for name, kelvin in found.items() if kelvin is not None}


def _until(table: Table, pair: Mapping[str, Plate | None]) -> Until | None:
    if not table.has("until"):
        return None
    inner = table.table("until", '{ difference = "0.2 um" }')
    if inner is None:
        return None
    found = inner.parts(Until, ("difference", "flatness", "twist", "mating", "removed"))
    if pair:
        found |= take_sizes(inner, pair)
    inner.known.update(KEYS)
    inner.done()
    if not inner.data:
        table.fault("until", 'is empty: write { difference = "0.2 um" }', "missing")
    return Until(**found)


def _length(table: Table, until: Until | None, pace: float) -> tuple[float | None, int | None]:
    """How long the step lasts: (time, strokes), one of which is None."""
    time, strokes = table.said(Step, "time"), table.said(Step, "strokes")
    if not table.has("until"):
        how = 'how long the step lasts: time = "20 min" or strokes = 800'
        table.one_of(("time", "strokes"), how)
        return time, strokes
    if time is not None and strokes is not None:
        # Both are the most allowed; the one that is over first counts.
        return (time, None) if time * pace < strokes else (None, strokes)
    if not table.has("time") and not table.has("strokes"):
        table.assumed[table.place("time")] = f"{Units.spell(LIMIT)} at most"
        return LIMIT, None
    return time, strokes
