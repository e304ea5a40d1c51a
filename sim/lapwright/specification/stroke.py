"""A stroke as a person says it: its kind, and its size by itself, by travel or by overhang."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import Fault, StudyError
from lapwright.specification.curves import KINDS, Curve, size_names
from lapwright.specification.quantities import LENGTH, quantity, read_share
from lapwright.specification.rates import Reader, typed_share
from lapwright.specification.said import (
    Frozen,
    RefusedError,
    Said,
    listed,
    nearest,
    said_names,
    said_of,
    shown,
    spelled,
)
from lapwright.specification.table import choice

__all__ = ["TRAVEL", "Overhang", "Stroke", "stroke_said"]


Array = NDArray[np.float64]
TRAVEL = 1.0 / 3.0  # of the top
_length = quantity(LENGTH, least="-2 m", most="2 m")
Overhang = tuple[bool, float]  # whether it is a length, and its size [m] or share


def _travel(value: Any) -> float:
    share = read_share(value)
    if not 0.0 < share <= 2.0:
        raise RefusedError(
            f'{shown(value)} cannot be: travel is a share of the top, such as "1/3" or "33 %", 200 % at most',
            "range",
        )
    return share


def _overhang(value: Any) -> Overhang:
    """Whether an overhang is a length, and its size: a share of the top's width, or m."""
    how = 'write a share of the top, such as "17 %", or a length, such as "27 mm"'
    try:
        share = read_share(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise RefusedError(f"{trouble.message}; {how}", trouble.code) from None
        try:
            return True, _length(value)
        except RefusedError as second:
            if second.code == "range":
                raise
            raise RefusedError(f"{shown(value)} is no overhang: {how}", second.code) from None
    if not -1.0 < share < 0.5:
        raise RefusedError(
            f"{shown(value)} cannot be: from 50 % on every top tips off; {how}", "range"
        )
    return False, share


def _typed_overhang(overhang: Overhang) -> str:
    by_length, size = overhang
    return _length.typed(size) if by_length else typed_share(size)


def _sizes(value: Mapping[str, Any]) -> dict[str, Any]:
    """Sizes of any kind of stroke by name, read as the kind that has them does."""
    known = size_names()
    for name in value:
        if name not in known:
            takes = [*said_names(Stroke)[:-1], *known]
            close = nearest(name, takes)
            hint = f"did you mean {close}?" if close else f"it has {listed(takes, 'and', most=30)}"
            message = f"Stroke has no {name}: {hint}"
            raise StudyError([Fault(f"Stroke.{name}", message, "unknown_key")])
    read = {name: said_of(known[name], name).taken("Stroke", one) for name, one in value.items()}
    return {name: one for name, one in read.items() if one is not None}


@dataclass(frozen=True)
class Stroke(Frozen, Curve):
    """A stroke that the plates have yet to size: its kind, one size, and what more belongs to the kind.

    `travel` (a share of the top's width) or `overhang` (a share, or a length), or among its `sizes` by name
    that which sizes the kind; with none of them, the usual travel.
    """

    kind: Said[str] = Said(choice(KINDS, "a kind of stroke"), "figure-eight")  # type: ignore[misc]
    travel: Said[float | None] = Said(Reader(_travel, typed_share), "1/3", None, bare=False)
    overhang: Said[Overhang | None] = Said(
        Reader(_overhang, _typed_overhang), default=None, bare=False
    )
    sizes: Said[dict[str, Any]] = Said(_sizes, default=dict)

    def position(self, phi: Array) -> Array:
        """None yet.

        Raises
        ------
        ValueError
            Always.

        """
        raise ValueError("a stroke has no size before a Study has sized it by its plates")

    velocity = position

    @property
    def said(self) -> dict[str, Any]:
        """As a study file has it."""
        known, sizes = size_names(), {}
        for name, one in self.sizes.items():
            typed = getattr(said_of(known[name], name).reader, "typed", None)
            sizes[name] = one if typed is None else typed(one)
        return spelled(self, "kind") | sizes | spelled(self, "travel", "overhang")


def stroke_said(value: Any) -> Stroke:
    """A stroke from a table of what a study file has in it."""
    if not isinstance(value, Mapping):
        raise RefusedError(f"{shown(value)} is neither Stroke nor a table of what it takes", "type")
    whole_of = ("kind", "travel", "overhang")
    sizes = {name: one for name, one in value.items() if name not in whole_of}
    return Stroke(**{name: one for name, one in value.items() if name in whole_of}, sizes=sizes)
