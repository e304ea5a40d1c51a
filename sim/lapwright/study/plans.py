"""What a study holds beside plates and steps, as a file has it: gauges, readings, variants, sweep, goal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields
from typing import Any

from lapwright.gauges.conditions import Conditions
from lapwright.gauges.instruments import KINDS, OpticalFlat, Zero
from lapwright.gauges.reading import Reading
from lapwright.study.model import Sweep, Tune, Variant
from lapwright.study.units import ANGLE, LENGTH, SMALL, TIME, quantity

__all__ = ["BESIDE"]

Document = dict[str, Any]
_length, _small, _angle, _time = (quantity(kind).typed for kind in (LENGTH, SMALL, ANGLE, TIME))


def _kelvin(value: float) -> str:
    return f"{value!r} K"


# How each size of a gauge is put down; others are in the gauge's own unit, or stand as they are.
SIZES: Mapping[str, Callable[[float], str]] = {
    **dict.fromkeys(("foot_circle", "base", "width", "diameter", "ball", "pad"), _length),
    **dict.fromkeys(("wavelength", "own"), _small),
    **dict.fromkeys(("wedge", "wedge_direction"), _angle),
    **dict.fromkeys(("warm_side", "room"), _kelvin),
    "soak": _time,
}
READ = ("resolution", "repeatability", "hysteresis", "zero_error")


def _changed(thing: Any) -> Document:
    """Fields of a frozen object that are not as usual."""
    return {
        one.name: getattr(thing, one.name)
        for one in fields(thing)
        if one.default is MISSING or getattr(thing, one.name) != one.default
    }


def _gauges(gauges: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(gauges, Mapping):
        return gauges
    return {name: dict(one) if isinstance(one, Mapping) else _gauge(one) for name, one in gauges.items()}


def _gauge(gauge: Any) -> Any:
    if type(gauge) not in KINDS.values():
        return gauge  # the reader of gauges says what is wrong with it
    own = _angle if gauge.angular else _small
    out: Document = {"kind": gauge.kind}
    for key, value in _changed(gauge).items():
        if isinstance(value, Zero):
            out["zero"] = (
                value.plate if value.on == "plate" else own(value.size) if value.on == "master" else value.on
            )
        elif isinstance(value, Conditions):
            out |= {name: SIZES.get(name, str)(part) for name, part in _changed(value).items()}
        elif key != "name":
            typed = own if key in READ else SIZES.get(key)
            out[key] = value if typed is None else typed(value)
    return out


def _readings(readings: Any, keys: Mapping[str, Any]) -> Any:
    gauges = keys.get("gauges", {})
    if not isinstance(readings, Sequence) or isinstance(readings, str):
        return readings
    return [_reading(one, gauges) if isinstance(one, Reading) else one for one in readings]


def _reading(reading: Reading, gauges: Mapping[str, Any]) -> Document:
    gauge = gauges.get(reading.gauge)
    kind = KINDS.get(gauge.get("kind", "")) if isinstance(gauge, Mapping) else type(gauge)
    typed: dict[str, Callable[[Any], Any]] = {
        "value": _angle if getattr(kind, "angular", False) else _small,
        "angle": _angle,
        "at": lambda place: [_length(part) for part in place],
        "along": _length,
        "temperature": _kelvin,
    }
    out = {key: typed.get(key, lambda value: value)(value) for key, value in _changed(reading).items()}
    told = out.pop("side_told", True)
    out.setdefault("value", "0 um")
    return out | ({"shape": "dome"} if kind is OpticalFlat and told and reading.value > 0.0 else {})


def _variants(variants: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(variants, Sequence) or isinstance(variants, str):
        return variants
    return [
        {"name": one.name} | _of_step(one.step) | {"set": dict(one.changes)}
        if isinstance(one, Variant)
        else one
        for one in variants
    ]


def _of_step(step: int | None) -> Document:
    return {} if step is None else {"step": step}


def _sweep(sweep: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(sweep, Sweep):
        return sweep
    return _of_step(sweep.step) | {axis.key: list(axis.values) for axis in sweep.axes}


def _goal(goal: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(goal, Tune):
        return goal
    free: Document = {
        one.key: list(one.choices) if one.low is None else [one.low, one.high] for one in goal.free
    }
    out: Document = {"reach": {form: _small(size) for form, size in goal.reach.items()}, "least": goal.least}
    out["plates"] = list(goal.plates)
    if goal.hold is not None:
        out["hold"] = _time(goal.hold)
    if goal.keep:
        out["keep"] = {
            name: {form: _small(size) for form, size in forms.items()} for name, forms in goal.keep.items()
        }
    free |= {"order": True} if goal.order else {}
    return out | ({"free": free} if free else {})


BESIDE: Mapping[str, Callable[[Any, Mapping[str, Any]], Any]] = {
    "gauges": _gauges,
    "readings": _readings,
    "variants": _variants,
    "sweep": _sweep,
    "tune": _goal,
}
