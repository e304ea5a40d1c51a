"""The parts of a study that other commands use, and changed copies of a study's document.

A changed copy of a study's document: what compare, sweep and tune put in place of what was typed.

A key is dotted as in "stroke.length".  What it replaces may be said in several ways (a stroke by length or
by overhang, a step by time or by strokes): the other way goes out when a new one comes in.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from lapwright.errors import Fault
from lapwright.specification.curves import ALSO, KINDS, size_names
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import SMALL, plain, quantity
from lapwright.specification.said import RefusedError, listed, nearest, said_names, shown
from lapwright.specification.table import Table, boolean, text, whole
from lapwright.study.batches import BATCH_KEYS
from lapwright.study.goal import OF_LONG, OF_ROUND, refuse_old
from lapwright.study.model import Axis, Free, Sweep, Tune, Variant
from lapwright.study.steps import STEP_KEYS
from lapwright.units import Units

SIZES = ("radius", "length", "travel", "overhang")
BATCH = "batch."  # keys of [batch] begin so, others are of a step
_EITHER = (("time", "strokes"), ("walk", "turn_bottom"))


def override(
    document: Mapping[str, Any], step: int | None, changes: Mapping[str, Any]
) -> dict[str, Any]:
    """The document with keys of `step` (from 1; None: of every step) changed; the first is left as it was.

    Keys that begin with "batch." are of [batch].

    Raises
    ------
    RefusedError
        When the step is not there, or a key goes into something that is no table.

    """
    out = dict(document)
    steps = document.get("steps")
    if not isinstance(steps, list) or not all(isinstance(entry, dict) for entry in steps):
        raise RefusedError("there are no [[steps]] to change", "missing")
    if step is not None and not 1 <= step <= len(steps):
        raise RefusedError(f"there is no step {step}: steps are 1 to {len(steps)}", "range")
    of_steps = {key: value for key, value in changes.items() if not key.startswith(BATCH)}
    out["steps"] = [
        _changed(entry, of_steps) if step is None or number == step else entry
        for number, entry in enumerate(steps, 1)
    ]
    if len(of_steps) < len(changes):
        own = {k.removeprefix(BATCH): v for k, v in changes.items() if k not in of_steps}
        out["batch"] = _batch(document.get("batch"), own)
    return out


def _batch(typed: Any, changes: Mapping[str, Any]) -> dict[str, Any]:
    """The batch with keys changed; stations by their angles make way for another number of parts."""
    if not isinstance(typed, Mapping):
        raise RefusedError("there is no [batch] to change", "missing")
    batch = copy.deepcopy(dict(typed))
    stations = batch.get("stations") or [""]
    if "together" in changes and isinstance(stations, list) and isinstance(stations[0], str):
        batch.pop("stations", None)
    for key, typed_value in changes.items():
        number = isinstance(typed_value, str) and typed_value.isdecimal()
        value = int(typed_value) if number else typed_value
        for one, other in (("every", "when"), ("when", "every")):
            if key == f"dress.{one}" and isinstance(batch.get("dress"), dict):
                batch["dress"].pop(other, None)
        _put(batch, key, value)
    return batch


def _changed(entry: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    step: dict[str, Any] = copy.deepcopy(dict(entry))
    for key, value in changes.items():
        head, _, tail = key.partition(".")
        for one, other in (*_EITHER, *(pair[::-1] for pair in _EITHER)):
            if (
                key == one
                and other not in changes
                and not (other in ("time", "strokes") and "until" in step)
            ):
                step.pop(other, None)
        if not tail:
            step[head] = copy.deepcopy(value)
            continue
        inner = step.get(head)
        if head == "swap_every" and isinstance(inner, str) and tail not in ("read", "on_top"):
            # One time for both becomes a time for each.
            inner = {
                step[side]: inner for side in ("top", "bottom") if isinstance(step.get(side), str)
            }
        elif (head in ("hand", "swap_every") and isinstance(inner, str)) or inner is None:
            inner = {}
        if not isinstance(inner, dict):
            raise RefusedError(f"{head} is {shown(inner)}, which has no {shown(tail)}", "type")
        if head == "stroke":
            _make_room(inner, tail, changes)
            tail, value = _centre(inner, tail, value)
        _put(inner, tail, value)
        step[head] = inner
    return step


def _make_room(stroke: dict[str, Any], key: str, changes: Mapping[str, Any]) -> None:
    """Take out of a stroke what the new key says in another way."""
    if key == "kind":
        kind = str(changes["stroke.kind"]).strip().lower()
        of = KINDS.get(ALSO.get(kind, kind))
        fits = () if of is None else said_names(of)
        gone = [name for name in size_names() if name not in fits]
    elif key in SIZES:
        gone = [name for name in SIZES if name != key]
        if key in ("travel", "overhang"):
            # Sized as a whole: a width typed beside a length would not follow it.
            gone += ["width", "small"] if "length" in stroke or "radius" in stroke else []
    else:
        return
    for name in gone:
        if f"stroke.{name}" not in changes:
            stroke.pop(name, None)


def _centre(stroke: Mapping[str, Any], key: str, value: Any) -> tuple[str, Any]:
    """What is put into a stroke: a centre is a pair of lengths, of which one alone may move.

    "centre.x" and "centre.y" are the two; a single length at "centre" is how far off the middle, towards 3.
    """
    name, _, side = key.partition(".")
    if name != "centre" or (not side and not isinstance(value, str)) or side not in ("", "x", "y"):
        return key, value
    here = stroke.get("centre")
    x, y = here if isinstance(here, list) and len(here) == 2 else ("0 mm", "0 mm")
    return "centre", [x, value] if side == "y" else [value, y]


def _put(table: dict[str, Any], key: str, value: Any) -> None:
    head, _, tail = key.partition(".")
    if not tail:
        table[head] = copy.deepcopy(value)
        return
    inner = table.setdefault(head, {})
    if not isinstance(inner, dict):
        raise RefusedError(f"{head} is {shown(inner)}, which has no {shown(tail)}", "type")
    _put(inner, tail, value)


Check = Callable[
    [dict[str, Any]], list[Fault]
]  # faults of a changed document that the file itself has not

MOST_MEMBERS = 1000

_moved = quantity(SMALL, least="-1 mm", most="1 mm")


def tables_of(root: Table, name: str, most: int) -> list[Table]:
    """The tables of [[name]], `most` at most."""
    if not root.has(name):
        return []
    value = root.data[name]
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        root.fault(
            name, f"{shown(value)} is no list of tables: write [[{name}]] with two brackets", "type"
        )
        return []
    if len(value) > most:
        root.fault(name, f"{len(value)} are too many: {most} are the most", "range")
        return []
    return [Table(root.faults, f"{name}.{number}", entry) for number, entry in enumerate(value, 1)]


def _step(table: Table, steps: int) -> int | None:
    return table.take("step", whole(1, max(steps, 1), "the number of a step"))


def _known_key(key: str) -> None:
    """Refuse a key that neither a step nor, after "batch.", a batch has."""
    batch = key.startswith(BATCH)
    head = key.removeprefix(BATCH).partition(".")[0]
    close = nearest(head, BATCH_KEYS if batch else STEP_KEYS)
    if batch and head not in BATCH_KEYS:
        close = close or "together"
        raise RefusedError(
            f"[batch] has no key {shown(head)}: did you mean {close}?", "unknown_key"
        )
    if not batch and head not in STEP_KEYS:
        hint = (
            f"did you mean {close}?"
            if close
            else 'write it as in [[steps]], such as "stroke.length"'
        )
        if head == "steps":
            hint = 'for one step alone write step = 1 beside set, and in it "time"'
        raise RefusedError(f"steps have no key {shown(head)}: {hint}", "unknown_key")


def _tried(
    table: Table,
    name: str,
    document: dict[str, Any],
    step: int | None,
    changes: dict[str, Any],
    check: Check,
) -> None:
    """Note the faults that the changes make in the study."""
    try:
        for key in changes:
            _known_key(key)
        faults = check(override(document, step, changes))
    except RefusedError as trouble:
        table.fault(name, trouble.message, trouble.code)
        return
    for fault in faults[:3]:
        table.fault(
            name, f"{fault.key}: {fault.message}" if fault.key else fault.message, fault.code
        )


def variants_of(
    root: Table, document: dict[str, Any], steps: int, check: Check
) -> tuple[Variant, ...]:
    """The members of a comparison."""
    out = []
    names: set[str] = set()
    for table in tables_of(root, "variants", MOST_MEMBERS):
        name = table.need("name", text, 'name = "short eight"')
        if name in names:
            table.fault(
                "name", f"{shown(name)} is the name of another variant too: rename one", "name"
            )
        names.add(name or "")
        step = _step(table, steps)
        changes = table.table("set", 'set = { "stroke.length" = "40 mm", load = "10 N" }')
        table.take("note", text)
        table.done()
        if not table.has("set"):
            out.append(Variant(name or "", step, {}))
        if changes is None or table.faults.full:
            continue
        _tried(table, "set", document, step, dict(changes.data), check)
        out.append(Variant(name or "", step, dict(changes.data)))
    return tuple(out)


MOST_DOUBTS = 100
HOW_DOUBT = 'A = { dome = "0.1 um" }'


def doubts_of(
    root: Table, plates: Mapping[str, Plate | None]
) -> tuple[dict[tuple[str, str], float], ...]:
    """Causes of doubt of the start forms: by how much [m] each moves which forms of which plates together."""
    out = []
    for table in tables_of(root, "doubts", MOST_DOUBTS):
        moves: dict[tuple[str, str], float] = {}
        for name, plate in plates.items():
            inner = table.table(name, HOW_DOUBT)
            if inner is None or plate is None:
                continue
            for form in OF_LONG if plate.outline.long else OF_ROUND:
                size = inner.take(form, _moved)
                if size is not None:
                    moves[name, "sphere" if form == "dome" else form] = size
            inner.done()
        table.done()
        if not table.data or not all(table.data.values()):
            table.fault("", f"moves nothing: write {HOW_DOUBT}, one standard deviation", "missing")
        out.append(moves)
    return tuple(out)


HOW_SWEEP = '{ from = "5 %", to = "19 %", steps = 9 } or a list such as ["10 N", "20 N"]'


def sweep_of(root: Table, document: dict[str, Any], steps: int, check: Check) -> Sweep | None:
    """One or two keys and the values that they take."""
    table = root.table("sweep", f'[sweep] with "stroke.overhang" = {HOW_SWEEP}')
    if table is None:
        return None
    step = _step(table, steps)
    axes = []
    for key, value in table.data.items():
        if key in ("step", "note"):
            continue
        table.known.add(key)
        try:
            _known_key(key)
            values = _values(value)
        except RefusedError as trouble:
            table.fault(key, trouble.message, trouble.code)
            continue
        for tried in values if isinstance(value, list) else (values[0], values[-1]):
            _tried(table, key, document, step, {key: tried}, check)
        axes.append(Axis(key, values))
    table.take("note", text)
    keys = [key for key in table.data if key not in ("step", "note")]
    if not 1 <= len(keys) <= 2:
        table.fault(
            "", f"has {len(keys)} keys: one or two are swept, such as load = {HOW_SWEEP}", "value"
        )
    members = 1
    for axis in axes:
        members *= len(axis.values)
    if members > MOST_MEMBERS:
        table.fault("", f"makes {members} members: {MOST_MEMBERS} are the most", "range")
    return Sweep(step, tuple(axes))


_ENDS = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(.*)", re.ASCII)


def _values(value: Any) -> tuple[Any, ...]:
    """The values of one swept key, as texts."""
    if isinstance(value, list):
        if not 1 <= len(value) <= 200:
            raise RefusedError(f"{len(value)} values: write 1 to 200 of them", "range")
        return tuple(value)
    if not isinstance(value, dict) or not {"from", "to", "steps"} & set(value):
        hint = " (a key with a dot stands in quotes)" if isinstance(value, dict) else ""
        raise RefusedError(f"{shown(value)} is no range{hint}: write {HOW_SWEEP}", "type")
    if set(value) != {"from", "to", "steps"}:
        wrong = listed(sorted(set(value) ^ {"from", "to", "steps"}))
        raise RefusedError(
            f"a range has from, to and steps (see {wrong}): write {HOW_SWEEP}", "missing"
        )
    count = whole(2, 200, "the number of steps")(value["steps"])
    ends = [
        _ENDS.fullmatch(plain(end)) if isinstance(end, str) and len(end) < 100 else None
        for end in (value["from"], value["to"])
    ]
    low, high = ends
    if low is None or high is None or low[2].strip() != high[2].strip():
        raise RefusedError(
            f"{shown(value['from'])} and {shown(value['to'])} are no two numbers with the same unit: "
            f"write {HOW_SWEEP}",
            "unit",
        )
    first, last = float(low[1]), float(high[1])
    each = [first + (last - first) * k / (count - 1) for k in range(count)]
    return tuple(f"{Units.number(one, echo=True)}{low[2]}" for one in each)


def tune_of(root: Table, document: dict[str, Any], check: Check) -> Tune | None:
    """The keys that may move to reach the goal, and what is to be least."""
    table = root.table("tune", f"[tune.free] with {HOW_FREE}")
    if table is None:
        return None
    refuse_old(table, root)
    least = table.parts(Tune, ("least",))
    free, order = _free(table, document, check)
    table.take("note", text)
    table.done()
    return Tune(**least, free=free, order=order)


HOW_FREE = '"steps.1.stroke.overhang" = ["5 %", "19 %"]'


def _free(table: Table, document: dict[str, Any], check: Check) -> tuple[tuple[Free, ...], bool]:
    """The keys that may move, and whether steps may change places."""
    inner = table.table("free", f"[tune.free] with {HOW_FREE}")
    if inner is None:
        return (), False
    order = bool(inner.take("order", boolean))
    out = []
    for key, value in inner.data.items():
        if key == "order":
            continue
        inner.known.add(key)
        try:
            out.append(_free_key(inner, key, value, document, check))
        except RefusedError as trouble:
            inner.fault(key, trouble.message, trouble.code)
    return tuple(out), order


def _free_key(inner: Table, key: str, value: Any, document: dict[str, Any], check: Check) -> Free:
    of_batch = key.startswith(BATCH)
    typed, steps = key, document.get("steps")
    if isinstance(steps, list) and len(steps) == 1 and not (of_batch or key.startswith("steps.")):
        key = f"steps.1.{key}"  # whose it is goes without saying
    got = re.fullmatch(r"steps\.(\d{1,4})\.(.+)", f"steps.1.{key}" if of_batch else key)
    if of_batch and isinstance(value, list):
        value = [f"{one}" if type(one) is int else one for one in value]
    if got is None or not isinstance(steps, list) or not 1 <= int(got[1]) <= len(steps):
        how = "" if "." in key else " (a key with dots stands in quotes)"
        raise RefusedError(f"is no key of a step here{how}: write {HOW_FREE}", "unknown_key")
    _known_key(got[2])
    if (
        not isinstance(value, list)
        or len(value) < 2
        or not all(isinstance(one, str) for one in value)
    ):
        raise RefusedError(
            f"{shown(value)} is no pair of bounds and no list of choices: write {HOW_FREE}", "type"
        )
    if len(value) > 100:
        raise RefusedError(f"{len(value)} choices are too many: 100 are the most", "range")
    for one in value:
        if not inner.faults.full:
            _tried(inner, typed, document, int(got[1]), {got[2]: one}, check)
    ends = [_ENDS.fullmatch(plain(one)) if len(one) < 100 else None for one in value]
    if len(value) == 2 and ends[0] is not None and ends[1] is not None:
        if ends[0][2].strip() == ends[1][2].strip() and not float(ends[0][1]) < float(ends[1][1]):
            raise RefusedError(
                f"{shown(value[0])} is not below {shown(value[1])}: write low first", "range"
            )
        return Free(key, value[0], value[1])
    return Free(key, choices=tuple(value))


def variants_typed(variants: Any, _: Mapping[str, Any]) -> Any:
    """Variants as study files have them."""
    if not isinstance(variants, Sequence) or isinstance(variants, str):
        return variants
    return [
        {"name": one.name} | _of_step(one.step) | {"set": dict(one.changes)}
        if isinstance(one, Variant)
        else one
        for one in variants
    ]


def _of_step(step: int | None) -> dict[str, Any]:
    return {} if step is None else {"step": step}


def sweep_typed(sweep: Any, _: Mapping[str, Any]) -> Any:
    """A sweep as study files have them."""
    if not isinstance(sweep, Sweep):
        return sweep
    return _of_step(sweep.step) | {axis.key: list(axis.values) for axis in sweep.axes}


def tune_typed(tuned: Any, _: Mapping[str, Any]) -> Any:
    """What is searched as study files have them."""
    if not isinstance(tuned, Tune):
        return tuned
    free: dict[str, Any] = {
        one.key: list(one.choices) if one.low is None else [one.low, one.high] for one in tuned.free
    }
    free |= {"order": True} if tuned.order else {}
    return {"least": tuned.least} | ({"free": free} if free else {})
