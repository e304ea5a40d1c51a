"""A stroke as a person says it: its kind, and its size by itself, by travel or by overhang."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.strokes import PASSES
from lapwright.said import Frozen, Said
from lapwright.study.faults import RefusedError, shown
from lapwright.study.rates import Reader, typed_share
from lapwright.study.table import choice, whole
from lapwright.study.units import ANGLE, LENGTH, quantity, read_place, read_share

__all__ = [
    "KINDS",
    "PLACE",
    "RATIO",
    "SMALL_SHARE",
    "SPAN",
    "TRAVEL",
    "TURNED",
    "Overhang",
    "Stroke",
]

Array = NDArray[np.float64]
Overhang = tuple[bool, float]  # whether it is a length, and its size [m] or share

TRAVEL = 1.0 / 3.0  # of the top
SMALL_SHARE = 1.0 / 3.0  # of a rosette's radius
RATIO = 5  # turns of a rosette's small circle; at a ratio of 3 the path would stand still at its points

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

PASSES_ARE = "a number of strokes for one traverse there and back"
SPAN = quantity(LENGTH, above="0 mm", most="2 m")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
PLACE = Reader(read_place, quantity(LENGTH).typed)
_length = quantity(LENGTH, least="-2 m", most="2 m")


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
        raise RefusedError(f"{shown(value)} cannot be: from 50 % on every top tips off; {how}", "range")
    return False, share


def _typed_overhang(overhang: Overhang) -> str:
    by_length, size = overhang
    return _length.typed(size) if by_length else typed_share(size)


def _ratio(value: Any) -> int:
    number = whole(-1000, 1000, "the ratio of a rosette")(value)
    if number in (0, 1):
        raise RefusedError(f"{shown(number)} makes a plain circle: write a ratio such as 5 or -4", "range")
    return number


@dataclass(frozen=True)
class Stroke(Frozen):
    """A stroke that the plates have yet to size: its kind, one size, and what more belongs to the kind.

    `length` or `radius` [m], or `travel` (a share of the top's width) or `overhang` (a share, or a length);
    with none of them, the usual travel.
    """

    kind: Said[str] = Said(choice(tuple(KINDS), "a kind of stroke"), "figure-eight")
    length: Said[float | None] = Said(SPAN, default=None)
    radius: Said[float | None] = Said(SPAN, default=None)
    width: Said[float | None] = Said(SPAN, "half the length", None)
    small: Said[float | None] = Said(SPAN, "a third of the radius", None)
    passes: Said[int | None] = Said(whole(1, 100_000, PASSES_ARE), str(PASSES), None)
    ratio: Said[int | None] = Said(_ratio, str(RATIO), None)
    travel: Said[float | None] = Said(Reader(_travel, typed_share), "1/3", None, bare=False)
    overhang: Said[Overhang | None] = Said(Reader(_overhang, _typed_overhang), default=None, bare=False)

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
    def period(self) -> float:
        """One stroke, as far as is known."""
        return 1.0
