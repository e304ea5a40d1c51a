"""Sizes that one shop reads so and the next otherwise: refused, with what each reading would be."""

from __future__ import annotations

from lapwright.study.faults import listed
from lapwright.units import INCH

__all__ = ["doubtful", "meant_in_inches"]

# Both sizes in words, and (so many, of this unit) of each reading.
_READINGS = {
    "tenth": (
        '"tenths" are 0.0001 in in one shop and 0.1 mm in the next',
        ((1e-4, "in"), (100.0, "uin"), (0.1, "mm")),
    ),
    "hundredth": ('"hundredths" are of an inch or of a millimetre', ((0.01, "in"), (0.01, "mm"))),
    "thousandth": ('"thousandths" are of an inch or of a millimetre', ((1.0, "thou"), (1.0, "um"))),
    "millionth": ('"millionths" are of an inch or of a metre', ((1.0, "uin"), (1.0, "um"))),
    "mil": ('"mil" is 0.001 in to some and a millimetre to others', ((1.0, "thou"), (1.0, "mm"))),
}
INCHES = 0.01  # a dome of less without a unit was thought of in inches: nobody has one of 0.0001 um


def doubtful(number: float, unit: str) -> str | None:
    """Why "2 tenths" and the like cannot be read, and what to write; None of any other unit."""
    found = _READINGS.get(unit.lower().strip(". ").removesuffix("s"))
    if found is None:
        return None
    why, readings = found
    return f"{why}: write {listed([f'{_figure(number * size)} {name}' for size, name in readings])}"


def meant_in_inches(number: float) -> str | None:
    """A small size without a unit as somebody means it who thinks in inches; None where nobody would."""
    if not 0.0 < abs(number) < INCHES:
        return None
    return f'"{_figure(number * 1e6)} uin" or "{_figure(number * INCH * 1e6)} um"'


def _figure(value: float) -> str:
    """A number of four figures and no exponent, as one would type it."""
    return f"{value:.4g}" if 1e-4 <= abs(value) < 1e4 else f"{value:.8f}".rstrip("0").rstrip(".")
