"""From SI back to people's units: what answers, echoes and refusals say.

`units` is "metric" or "inch", the language of a study's answers.  Sizes of shapes are said in um or uin
(`say_small`), lengths at the bench in mm or in (`say_length`); `say_both` gives both.  Two significant
figures unless told otherwise; `echo=True` gives back what was typed: up to six figures, no idle zeros.
"""

from __future__ import annotations

import math
import re

from lapwright.plate.plate import GRAVITY
from lapwright.study.units import INCH, POUND, PSI

__all__ = [
    "number",
    "retold",
    "say_angle",
    "say_both",
    "say_force",
    "say_length",
    "say_mass",
    "say_pace",
    "say_pressure",
    "say_share",
    "say_small",
    "say_temperature",
    "say_time",
    "say_turn",
    "say_wear",
]


def number(value: float, figures: int = 2, echo: bool = False) -> str:
    """A number with so many significant figures and no exponent where a person needs none.

    number(0.8) is "0.80", number(163.2) "160", number(163.2, 4) "163.2", number(0.5, echo=True) "0.5".
    """
    if not math.isfinite(value):
        return "unknown"
    if value == 0.0:
        return "0"
    figures = 6 if echo else figures
    rounded = float(f"{value:.{figures - 1}e}")
    power = math.floor(math.log10(abs(rounded)))
    if not -5 <= power < 9:
        text = f"{rounded:.{figures - 1}e}"
        mantissa, exponent = text.split("e")
        mantissa = mantissa.rstrip("0").rstrip(".") if echo and "." in mantissa else mantissa
        return f"{mantissa}e{int(exponent)}"
    text = f"{rounded:.{max(0, figures - 1 - power)}f}"
    return text.rstrip("0").rstrip(".") if echo and "." in text else text


def _said(value: float, size: float, unit: str, figures: int, echo: bool) -> str:
    return f"{number(value / size, figures, echo)} {unit}"


def say_length(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """A length [m] in the unit that fits it: mm or um; in or uin."""
    if units == "inch":
        large = abs(value) >= 0.9995e-3 * INCH
        return _said(value, INCH if large else INCH * 1e-6, "in" if large else "uin", figures, echo)
    large = abs(value) >= 0.09995e-3
    return _said(value, 1e-3 if large else 1e-6, "mm" if large else "um", figures, echo)


def say_small(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """The size of a shape or a grit [m]: always um or uin."""
    if units == "inch":
        return _said(value, INCH * 1e-6, "uin", figures, echo)
    return _said(value, 1e-6, "um", figures, echo)


def say_both(value: float, units: str = "metric", figures: int = 2) -> str:
    """The size of a shape [m] in both: "0.80 um (31 uin)", the person's own unit first."""
    other = "metric" if units == "inch" else "inch"
    return f"{say_small(value, units, figures)} ({say_small(value, other, figures)})"


def retold(text: str, units: str) -> str:
    """A text of the engine, which knows millimetres alone, with its lengths in a person's units."""
    if units == "metric":
        return text
    return re.sub(r"([\d.]+) mm\b", lambda found: say_length(1e-3 * float(found[1]), units), text)


def say_time(value: float, figures: int = 2, *, echo: bool = False) -> str:
    """A time [s]: s below a minute, min below two hours, then h."""
    size, unit = (1.0, "s") if abs(value) < 60.0 else (60.0, "min") if abs(value) < 7200.0 else (3600.0, "h")
    return _said(value, size, unit, figures, echo)


def say_mass(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """A mass [kg]: kg or g; lb or oz."""
    if units == "inch":
        large = abs(value) >= POUND
        return _said(value, POUND if large else POUND / 16.0, "lb" if large else "oz", figures, echo)
    large = abs(value) >= 1.0
    return _said(value, 1.0 if large else 1e-3, "kg" if large else "g", figures, echo)


def say_force(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """A force [N]: N, or lbf with the newtons beside it."""
    newtons = _said(value, 1.0, "N", figures, echo)
    if units == "inch":
        return f"{_said(value, POUND * GRAVITY, 'lbf', figures, echo)} ({newtons})"
    return newtons


def say_pressure(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """A pressure [Pa]: kPa, MPa or GPa; psi."""
    if units == "inch":
        return _said(value, PSI, "psi", figures, echo)
    size, unit = (1e3, "kPa") if abs(value) < 1e6 else (1e6, "MPa") if abs(value) < 1e9 else (1e9, "GPa")
    return _said(value, size, unit, figures, echo)


def say_angle(value: float, figures: int = 2, *, echo: bool = False) -> str:
    """An angle [rad] in degrees."""
    return _said(value, math.pi / 180.0, "deg", figures, echo)


def say_share(value: float, figures: int = 2, *, echo: bool = False) -> str:
    """A share in per cent."""
    return _said(value, 0.01, "%", figures, echo)


def say_pace(value: float, figures: int = 2, *, echo: bool = False) -> str:
    """Strokes per second as strokes a minute."""
    return f"{number(value * 60.0, figures, echo)} /min"


def say_turn(angle: float, every: int = 0, figures: int = 2, *, echo: bool = False) -> str:
    """A turn: "none", "8 deg per stroke" or "90 deg every 10 strokes"."""
    if angle == 0.0:
        return "none"
    how = "per stroke" if every == 0 else "every stroke" if every == 1 else f"every {every} strokes"
    return f"{say_angle(angle, figures, echo=echo)} {how}"


def say_temperature(value: float, units: str = "metric", figures: int = 3) -> str:
    """A temperature [K] in degC or degF."""
    if units == "inch":
        return f"{number((value - 273.15) * 1.8 + 32.0, figures, True)} degF"
    return f"{number(value - 273.15, figures, True)} degC"


def say_wear(value: float, units: str = "metric", figures: int = 2, *, echo: bool = False) -> str:
    """A wear constant [1/Pa]: um lost per km of rubbing and kPa; uin per ft and psi."""
    if units == "inch":
        return _said(value, INCH * 1e-6 / (12.0 * INCH) / PSI, "uin/ft/psi", figures, echo)
    return _said(value, 1e-12, "um/km/kPa", figures, echo)
