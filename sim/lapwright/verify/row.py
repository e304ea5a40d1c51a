"""One line of the proof: what is checked, against what, and what came out."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FROM_MEMORY", "Row", "absolute", "derived", "relative"]

FROM_MEMORY = "from memory"


@dataclass(frozen=True)
class Row:
    """`got` must lie within `tolerance` of `expected` (all in SI, or without unit)."""

    name: str
    source: str
    expected: float
    got: float
    tolerance: float
    ok: bool


def derived(what: str = "") -> str:
    """Name a source that is our own: derived, and confirmed by an independent numerical solution."""
    return f"derived and confirmed independently{': ' + what if what else ''}"


def absolute(name: str, source: str, expected: float, got: float, tolerance: float) -> Row:
    """Make a row of an absolute tolerance; NaN never passes."""
    expected, got, tolerance = float(expected), float(got), float(tolerance)
    return Row(name, source, expected, got, tolerance, abs(got - expected) <= tolerance)


def relative(name: str, source: str, expected: float, got: float, share: float) -> Row:
    """Make a row whose tolerance is a share of the expected value."""
    return absolute(name, source, expected, got, share * abs(float(expected)))
