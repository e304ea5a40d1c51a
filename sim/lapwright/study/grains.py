"""Grains by number, such as "F400", or by size.

FEPA F sizes: ISO 8486-2, median grain sizes (from memory, to be checked against the standard).  FEPA P and
CAMI sizes, which only explain why "400 grit" is no size: ISO 6344-3 and ANSI B74.18 (from memory).
"""

from __future__ import annotations

import re
from typing import Any

from lapwright.study.faults import RefusedError, listed, shown
from lapwright.study.rates import Reader
from lapwright.study.units import SMALL, quantity
from lapwright.units import METRIC, Units

__all__ = ["FEPA_F", "GRAIN", "grain_name"]

FEPA_F = {
    220: 58e-6,
    240: 44.5e-6,
    280: 36.5e-6,
    320: 29.2e-6,
    360: 22.8e-6,
    400: 17.3e-6,
    500: 12.8e-6,
    600: 9.3e-6,
    800: 6.5e-6,
    1000: 4.5e-6,
    1200: 3.0e-6,
}
_FEPA_P = {240: 58.5, 280: 52.2, 320: 46.2, 360: 40.5, 400: 35.0, 500: 30.2, 600: 25.8, 800: 21.8, 1000: 18.3}
_CAMI = {240: 53.5, 320: 36.0, 360: 28.8, 400: 23.0, 500: 19.7, 600: 16.0, 800: 12.2, 1000: 9.2}

_size = quantity(SMALL, least="0.01 um", most="1 mm")


def _grain(value: Any) -> float:
    """A grain size, from a length or a FEPA F number."""
    if isinstance(value, (str, int)) and not isinstance(value, bool):
        by_number = _by_number(str(value) if isinstance(value, str) or abs(value) < 10**9 else "")
        if by_number is not None:
            return by_number
    return _size(value)


def _by_number(typed: str) -> float | None:
    """Size of an F number; None when the text is no grit number at all.

    Raises
    ------
    RefusedError
        A number whose system is not said, or of another system.

    """
    got = re.fullmatch(r"\s*(#|[fFpP]|) ?(\d{2,5}) ?(#|-?grit|-?mesh|)\s*", typed, re.IGNORECASE)
    if got is None:
        return None
    mesh, letter = int(got[2]), got[1].upper()
    if letter == "F":
        if mesh in FEPA_F:
            return FEPA_F[mesh]
        closest = min(FEPA_F, key=lambda known: abs(known - mesh))
        known = listed((f"F{n}" for n in FEPA_F), "and")
        raise RefusedError(f"{shown(typed)} is not known: did you mean F{closest}? Known are {known}", "grit")
    if letter == "P":
        size = f", about {Units.number(_FEPA_P[mesh])} um" if mesh in _FEPA_P else ""
        raise RefusedError(
            f'{shown(typed)} is a grade of abrasive paper (FEPA P{size}): write the size, such as "15 um"',
            "grit",
        )
    if not letter and not got[3] and mesh not in FEPA_F:
        return None  # a size without its unit
    raise RefusedError(
        f"{shown(typed)} is {_systems(mesh)}: write the size, such as grit = {_example(mesh)}", "grit"
    )


def _systems(mesh: int) -> str:
    sizes = []
    if mesh in FEPA_F:
        sizes.append(f"{Units.number(FEPA_F[mesh] * 1e6)} um (FEPA F{mesh})")
    if mesh in _CAMI:
        sizes.append(f"{Units.number(_CAMI[mesh])} um (ANSI CAMI {mesh})")
    if mesh in _FEPA_P:
        sizes.append(f"{Units.number(_FEPA_P[mesh])} um (FEPA P{mesh})")
    return f"{listed(sizes)}, by system" if sizes else "no size: grit numbers mean different sizes by system"


def _example(mesh: int) -> str:
    return f'"{Units.number(FEPA_F[mesh] * 1e6)} um" or "F{mesh}"' if mesh in FEPA_F else '"15 um"'


def grain_name(typed: str, size: float) -> str:
    """One name for one grit, however it was typed: "F400" or "15 um"."""
    got = re.fullmatch(r"\s*[fF]\s*(\d+)\s*", typed)
    return f"F{got[1]}" if got else METRIC.size(size, echo=True)


GRAIN = Reader(_grain, _size.typed)
