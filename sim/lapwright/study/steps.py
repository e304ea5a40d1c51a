"""The steps of a study: who lies where, which grit, and what the hands do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lapwright.lapping.sizing import half_travel
from lapwright.lapping.step import Grit, Hand, Load, Step, Swap, Turn, Until
from lapwright.plate.plate import Plate
from lapwright.study.faults import RefusedError, shown
from lapwright.study.grits import HOW_GRIT, a_plate, grit_of
from lapwright.study.rates import read_pace, read_turn
from lapwright.study.stroke import Spin, stroke_of
from lapwright.study.table import Table, choice, mapping_of, pure_number, text, whole
from lapwright.study.units import (
    ANGLE,
    FORCE,
    LENGTH,
    SMALL,
    TIME,
    quantity,
    read_share,
)
from lapwright.units import METRIC, Units

__all__ = ["STEP_KEYS", "steps_of"]

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
    "note",
)
MOST_STEPS = 200
PACE = 40.0 / 60.0
LIMIT = 4.0 * 3600.0  # [s] the most of a step that ends by a gauge, if nothing else is said

# What the hand's words mean.  The size of each scatter is a share s (common practice, no source): s of the
# stroke's amplitude and of its pace, s radians of its direction (10 % is 5.7 degrees), s of half the travel
# for its centre; it drifts over about five strokes.
HANDS = {"steady": 0.0, "usual": 0.10, "rough": 0.25}
MEMORY = 5.0

_time = quantity(TIME, above="0 s", most="1000 h")
_every = quantity(TIME, above="0 s", most="1000 h")
_force = quantity(FORCE, least="0 N", most="20000 N")
_place = quantity(LENGTH, least="-2 m", most="2 m")
_push = quantity(LENGTH, least="0 mm", most="1 m")
_shape = quantity(SMALL, above="0 um", most="1 mm")
_scatter_length = quantity(LENGTH, least="0 mm", most="0.5 m")
_scatter_angle = quantity(ANGLE, least="0 deg", most="90 deg")

HOW_STEP = '[[steps]] with top = "A", bottom = "B", grit = "15 um", time = "20 min"'
HOW_SWAP = '"5 min", { A = "15 min", B = "5 min" } or { read = "2.5 min", on_top = "more domed" }'


def steps_of(
    root: Table,
    plates: Mapping[str, Plate | None],
    grits: Mapping[str, Grit | None],
    assumed: dict[str, str],
) -> list[Step | None]:
    """Every step in order; None in place of one that is at fault (which is noted)."""
    if not root.has("steps"):
        root.fault("steps", f"is missing: write {HOW_STEP}", "missing")
        return []
    every = root.data["steps"]
    if isinstance(every, dict):
        root.fault("steps", "is one table: write [[steps]] with two brackets, once for each step", "type")
        return []
    if not isinstance(every, list) or not all(isinstance(entry, dict) for entry in every) or not every:
        root.fault("steps", f"{shown(every)} is no list of steps: write {HOW_STEP}", "type")
        return []
    if len(every) > MOST_STEPS:
        root.fault(
            "steps", f"{len(every)} steps are too many: {MOST_STEPS} are the most (use rounds)", "range"
        )
        return []
    out: list[Step | None] = []
    for number, data in enumerate(every, 1):
        table = Table(root.faults, f"steps.{number}", data)
        out.append(_step(table, plates, grits, assumed))
        table.done()
    return out


def _step(
    table: Table,
    plates: Mapping[str, Plate | None],
    grits: Mapping[str, Grit | None],
    assumed: dict[str, str],
) -> Step | None:
    before = len(table.faults.found) + table.faults.untold
    top, bottom = _pair(table, plates)
    seen_first = dict(assumed)
    grit = table.need("grit", lambda value: grit_of(value, table.place("grit"), grits, seen_first), HOW_GRIT)
    if grit is not None:
        assumed.update(seen_first)
    pace = table.take("pace", read_pace)
    turn = table.take("turn", _turn)
    walk, carry = _walk(table)
    until = _until(table)
    time, strokes = _length(table, until, pace or PACE, assumed)
    count = strokes or round((time or 0.0) * (pace or PACE))
    spin = Spin(turn or Turn(), walk or Turn(), carry, max(1, count))
    stroke = stroke_of(table, plates.get(top or ""), plates.get(bottom or ""), spin, assumed)
    load = _load(table, assumed)
    swap = _swap(table, top, bottom)
    fresh = table.take("fresh_grit_every", _every)
    hand = _hand(table, 0.0 if stroke is None else half_travel(stroke.curve))
    note = table.take("note", text)
    for key, default in (("pace", "40 /min"), ("turn", "none"), ("hand", "steady")):
        if not table.has(key):
            assumed[table.place(key)] = default
    if not table.has("fresh_grit_every"):
        assumed[table.place("fresh_grit_every")] = "one dab of grit"
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
        turn=turn or Turn(),
        walk=walk or Turn(),
        load=load,
        swap=swap,
        fresh_every=fresh,
        hand=hand,
        time=time,
        strokes=strokes,
        until=until,
        note=note or "",
    )


def _pair(table: Table, plates: Mapping[str, Any]) -> tuple[str | None, str | None]:
    """Names of top and bottom, which must be two."""
    top = table.need("top", lambda value: a_plate(value, plates), 'top = "A"')
    bottom = table.need("bottom", lambda value: a_plate(value, plates), 'bottom = "B"')
    if top is not None and top == bottom:
        table.fault("bottom", f"{shown(bottom)} is the top too: a plate cannot lie on itself", "value")
    return top, bottom


def _turn(value: Any) -> Turn:
    angle, every = read_turn(value)
    return Turn(angle, every)


def _walk(table: Table) -> tuple[Turn | None, bool]:
    """The walk round the bench, and whether the stroke's centre is carried round."""
    kind = table.one_of(
        ("walk", "turn_bottom"),
        "turn_bottom is a walk with the opposite sign that carries the centre with it",
        needed=False,
    )
    if kind is None:
        return None, False
    turn = table.take(kind, _turn)
    if kind == "walk" or turn is None:
        return turn, False
    return Turn(-turn.angle, turn.every), True


def _load(table: Table, assumed: dict[str, str]) -> Load:
    force = table.take("load", _force)
    at, fixed_to = (0.0, 0.0), "hand"
    if table.has("load_at"):
        inner = table.table("load_at", '{ x = "5 mm", y = "0 mm", fixed_to = "hand" }')
        if inner is not None:
            at = (inner.take("x", _place) or 0.0, inner.take("y", _place) or 0.0)
            frames = choice(("hand", "top", "bench"), "what the point is fixed to")
            fixed_to = inner.take("fixed_to", frames) or "hand"
            inner.done()
    push = table.take("push_height", _push)
    friction = table.take("friction", pure_number(0.0, 2.0, "the friction between the faces"))
    if not table.has("load"):
        assumed[table.place("load")] = "0 N"
    elif force is not None and table.data["load"].strip().lower().endswith(("lb", "lbs", "kg", "g", "oz")):
        assumed[table.place("load")] = METRIC.force(
            force, figures=3
        )  # a mass was typed; said back as a force
    if push and not table.has("friction"):
        assumed[table.place("friction")] = "0.15"
    return Load(
        force=force or 0.0,
        at=at,
        fixed_to=fixed_to,  # type: ignore[arg-type]
        push_height=push or 0.0,
        friction=0.15 if friction is None else friction,
    )


def _swap(table: Table, top: str | None, bottom: str | None) -> Swap | None:
    """Swaps, in any of the three ways of saying them."""
    if not table.has("swap_every"):
        return None
    value = table.data["swap_every"]
    if not isinstance(value, dict):
        every = table.take("swap_every", _every)
        return None if every is None or top is None or bottom is None else Swap({top: every, bottom: every})
    inner = Table(table.faults, table.place("swap_every"), value)
    pair = [name for name in (top, bottom) if name is not None]
    if "read" in value and "read" not in pair:
        read = inner.take("read", _every)
        inner.take("on_top", choice(("more domed",), "what goes on top"))
        inner.done()
        return None if read is None else Swap(read=read)
    times = {
        name: inner.need(name, _every, f'how long {name} stays on top: {name} = "5 min"') for name in pair
    }
    if len(pair) == 2:
        inner.done(also=("read", "on_top"))
    on_top = {name: time for name, time in times.items() if time is not None}
    return Swap(on_top) if len(on_top) == 2 else None


def _hand(table: Table, half: float) -> Hand:
    """The scatter of the hands, by a word or by its parts; `half` [m] of the travel."""
    if not table.has("hand"):
        return Hand()
    how = '"steady", "usual", "rough" or { amplitude = "10 %", centre = "2 mm", direction = "5 deg" }'
    if not isinstance(table.data["hand"], dict):
        word = table.take("hand", choice(tuple(HANDS), "a hand"))
        share = HANDS[word or "steady"]
        return Hand(share, share * half, share, share, MEMORY) if share else Hand()
    data = table.take("hand", lambda value: mapping_of(value, how)) or {}
    inner = Table(table.faults, table.place("hand"), data)
    hand = Hand(
        amplitude=inner.take("amplitude", _scatter_share) or 0.0,
        centre=inner.take("centre", _scatter_length) or 0.0,
        direction=inner.take("direction", _scatter_angle) or 0.0,
        pace=inner.take("pace", _scatter_share) or 0.0,
        memory=inner.take("memory", pure_number(0.0, 1e5, "how many strokes the hand's drift lasts")) or 0.0,
    )
    inner.done()
    return hand


def _scatter_share(value: Any) -> float:
    share = read_share(value)
    if not 0.0 <= share <= 0.5:
        raise RefusedError(f"{shown(value)} cannot be: a scatter lies between 0 % and 50 %", "range")
    return share


def _until(table: Table) -> Until | None:
    if not table.has("until"):
        return None
    inner = table.table("until", '{ difference = "0.2 um" }')
    if inner is None:
        return None
    names = ("difference", "flatness", "twist", "mating", "removed")
    found = {name: inner.take(name, _shape) for name in names}
    inner.done()
    if not inner.data:
        table.fault("until", 'is empty: write { difference = "0.2 um" }', "missing")
    return Until(**found)


def _length(
    table: Table, until: Until | None, pace: float, assumed: dict[str, str]
) -> tuple[float | None, int | None]:
    """How long the step lasts: (time, strokes), one of which is None."""
    time = table.take("time", _time)
    strokes = table.take("strokes", whole(1, 10**9, "a number of strokes"))
    if not table.has("until"):
        table.one_of(("time", "strokes"), 'how long the step lasts: time = "20 min" or strokes = 800')
        return time, strokes
    if time is not None and strokes is not None:
        # Both are the most allowed; the one that is over first counts.
        return (time, None) if time * pace < strokes else (None, strokes)
    if not table.has("time") and not table.has("strokes"):
        assumed[table.place("time")] = f"{Units.time(LIMIT, echo=True)} at most"
        return LIMIT, None
    return time, strokes
