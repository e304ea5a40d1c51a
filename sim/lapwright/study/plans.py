"""What a study holds beside plates and steps, as a file has it: gauges, readings, variants, sweep, goal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from lapwright.gauges.instruments import KINDS, OpticalFlat
from lapwright.gauges.reading import Reading
from lapwright.said import told
from lapwright.study.model import Sweep, Tune, Variant
from lapwright.study.units import ANGLE, SMALL, TIME, quantity

__all__ = ["BESIDE"]

Document = dict[str, Any]
_small, _angle, _time = (quantity(kind).typed for kind in (SMALL, ANGLE, TIME))


def _gauges(gauges: Any, _: Mapping[str, Any]) -> Any:
    if not isinstance(gauges, Mapping):
        return gauges
    return {name: dict(one) if isinstance(one, Mapping) else _gauge(one) for name, one in gauges.items()}


def _gauge(gauge: Any) -> Any:
    if type(gauge) not in KINDS.values():
        return gauge  # the reader of gauges says what is wrong with it
    said = told(gauge)
    return {"kind": gauge.kind} | said.pop("conditions", {}) | said


def _readings(readings: Any, keys: Mapping[str, Any]) -> Any:
    gauges = keys.get("gauges", {})
    if not isinstance(readings, Sequence) or isinstance(readings, str):
        return readings
    return [_reading(one, gauges) if isinstance(one, Reading) else one for one in readings]


def _reading(reading: Reading, gauges: Mapping[str, Any]) -> Document:
    gauge = gauges.get(reading.gauge)
    kind = KINDS.get(gauge.get("kind", "")) if isinstance(gauge, Mapping) else type(gauge)
    flat = kind is OpticalFlat
    out = {"gauge": reading.gauge, "plate": reading.plate} | told(reading)
    out["value"] = (_angle if getattr(kind, "angular", False) else _small)(reading.value)
    return out | ({"shape": "dome"} if flat and reading.side_told and reading.value > 0.0 else {})


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
