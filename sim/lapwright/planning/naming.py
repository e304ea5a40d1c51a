"""Keys of a step as they are spoken of at the bench: one name for each, wherever it is told of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lapwright.lapping.step import Step
from lapwright.study.write import inline

__all__ = ["change", "name_of", "said"]

OFF = "off the middle"
KEYS = {
    "stroke.kind": "stroke",
    "stroke.length": "length of the stroke",
    "stroke.width": "width of the stroke",
    "stroke.radius": "radius of the stroke",
    "stroke.centre.x": f"{OFF}, towards 3",
    "stroke.centre.y": f"{OFF}, towards 12",
    "swap_every": "swap every",
    "swap_every.read": "a reading every",
    "turn_bottom": "turn of the bottom",
}


def name_of(key: str, step: Step | None = None) -> str:
    """A key of a step: "stroke.overhang" is "overhang"; `step`: the one that it belongs to, if known."""
    head, _, tail = key.partition(".")
    if step is not None and head == "swap_every" and tail in (step.top, step.bottom):
        return f"{tail} on top for"
    if step is not None and key in ("stroke.centre", "stroke.centre.x") and step.carry_centre:
        return OFF
    return KEYS.get(key) or key.removeprefix("stroke.").replace("_", " ").replace(".", ", ")


def change(key: str, value: Any, step: Step | None = None) -> str:
    """A key and what it is set to: "load 20 N", "55 mm off the middle", "never turned"."""
    name = name_of(key, step)
    if key == "swap_every" and isinstance(value, Mapping):
        if "read" in value:
            return f"read every {value['read']}, the more domed one on top"
        return f"{' and '.join(f'{plate} on top {time}' for plate, time in value.items())} by turns"
    if value == "none" and key in ("turn", "walk"):
        return "never turned" if key == "turn" else "not walked round"
    if key == "stroke.centre" and not isinstance(value, str):
        return f"centre {said(value)}"  # both ways
    if name.startswith(OFF):
        return f"{said(value)} {name}"
    return f"{name} {said(value)}"


def said(value: Any) -> str:
    """A value as it is spoken of: without quotes and brackets."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key.replace('_', ' ')} {said(one)}" for key, one in value.items())
    if isinstance(value, list | tuple):
        return " and ".join(said(one) for one in value)
    return value if isinstance(value, str) else inline(value)
