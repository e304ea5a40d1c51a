"""From SI to a person's units: what answers, pages, cards, echoes and refusals say of a quantity.

`Units` is the language of a study's answers, metric or inch, and says every quantity in it; what both say
alike (times, angles, shares) is said by the same methods.  Two significant figures unless told otherwise;
`echo=True` gives back what was typed: up to six figures, no idle zeros.  The way here, from text to SI, is
in `lapwright.specification.quantities`.

Inch and pound are exact by definition (international yard and pound agreement, 1959); the standard gravity is
that of the third CGPM, 1901.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from lapwright.limits import BAND, why_band

GRAVITY = 9.80665  # [m/s2]
INCH = 0.0254  # [m]
MICROINCH = 1e-6 * INCH
POUND = 0.45359237  # [kg]
PSI = POUND * GRAVITY / INCH**2  # [Pa]

HELIUM = 587.6e-9  # [m] the yellow line of helium
BAND_OF_LIGHT = 0.5 * HELIUM  # [m]: in such bands the flatness of rings and seals is told

NOTHING = 5e-10  # [m] below half a nanometre there is nothing to speak of
LARGE = 1e-3  # [m] from here on a size is said as a length
ROUNDING = 1e-9  # of a size in another unit


class Unit(NamedTuple):
    """A unit: its size in SI, and its name."""

    size: float
    name: str

    @property
    def symbol(self) -> str:
        """The name as a picture has it."""
        return self.name.replace("u", "µ", 1)


UM, UIN = Unit(1e-6, "um"), Unit(MICROINCH, "uin")
MM, IN = Unit(1e-3, "mm"), Unit(INCH, "in")


class Units(StrEnum):
    """A person's units; each method says a quantity in SI in them."""

    METRIC = "metric"
    INCH = "inch"

    @property
    def small(self) -> Unit:
        """Unit of forms and depths."""
        return UIN if self is Units.INCH else UM

    @property
    def long(self) -> Unit:
        """Unit of lengths at the bench."""
        return IN if self is Units.INCH else MM

    @property
    def depth(self) -> Unit:
        """A depth of metal to which other things are told."""
        return Unit(40.0 * UIN.size, "40 uin") if self is Units.INCH else Unit(UM.size, "1 um")

    @property
    def other(self) -> Units:
        """Inch beside metric, metric beside inch."""
        return Units.METRIC if self is Units.INCH else Units.INCH

    @staticmethod
    def number(value: float, figures: int = 2, echo: bool = False) -> str:
        """A number with so many significant figures and no exponent where a person needs none.

        0.8 is "0.80" and 163.2 "160", with four figures "163.2"; 0.5 is "0.5" as an echo.
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

    def size(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """Size of a form, a depth or a grit [m], without sign: "0.80 um" or "31 uin"."""
        if abs(value) < NOTHING and not echo:
            return (
                f"less than 0.02 {UIN.name}" if self is Units.INCH else f"less than 0.001 {UM.name}"
            )
        # Metal that nobody counts in such small units any more is a length.
        unit = self.long if abs(value) >= LARGE and not echo else self.small
        return _said(abs(value), unit, figures, echo)

    @staticmethod
    def grain(value: float) -> str:
        """The size of a grit [m] as it is sold: in um; in uin where more than three figures of um tell it."""
        um, uin = (_said(value, unit, echo=True) for unit in (UM, UIN))
        figures = um.partition(" ")[0].replace(".", "").strip("0")
        return uin if len(figures) > 3 and len(uin) < len(um) else um

    def limit(self, value: float) -> str:
        """A limit [m] that sizes are held against: two figures where these are all of it.

        One that is tenths of a helium band was said in bands: these stand behind it.
        """
        exact = math.isclose(float(Units.number(value / self.small.size)) * self.small.size, value)
        size, tenths = _said(value, self.small, echo=not exact), 10.0 * value / BAND_OF_LIGHT
        if not math.isclose(tenths, round(tenths), rel_tol=ROUNDING) or not round(tenths):
            return size
        return f"{_said(value, self.small)} ({in_bands(0.1 * round(tenths))})"

    def beside(self, value: float, limit: float) -> str:
        """A size [m] beside its limit: with so many figures that it is seen on which side of it it lies."""
        told = self.limit(limit)
        figures = _telling(abs(value) / self.small.size, limit / self.small.size, told)
        return self.size(value, figures) if figures else f"just over {told}"

    @staticmethod
    def times(share: float) -> str:
        """How many times what is allowed: what is missed by little is not "1.0" times."""
        figures = _telling(share, 1.0, "1")
        return Units.number(share, figures) if figures else "a hair more than 1"

    def both(self, value: float) -> str:
        """The same with the other unit in brackets: "0.80 um (31 uin)"."""
        return f"{self.size(value)} ({self.other.size(value)})"

    def last_digit(self, value: float) -> float:
        """What one more in the last digit of a printed size stands for [m]; of a size that is nothing, 0."""
        if abs(value) < NOTHING:
            return 0.0
        shown = float(Units.number(abs(value) / self.small.size))
        return float(10.0 ** (math.floor(math.log10(shown)) - 1)) * self.small.size

    @staticmethod
    def finer(value: float, doubt: float | None) -> bool:
        """Whether a form [m] is below what a gauge tells [m], alike in um and in uin.

        The one rule for the remark on it and for the mark beside a figure.
        """
        if doubt is None or not math.isfinite(value):
            return False
        return abs(value) < doubt * (1.0 - ROUNDING)

    def length(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A length [m] in the unit that fits it: mm or um; in or uin; nothing to speak of is "0 mm"."""
        if abs(value) < NOTHING:
            return f"0 {self.long.name}"
        large = abs(value) >= (0.9995e-3 * INCH if self is Units.INCH else 0.09995e-3)
        return _said(value, self.long if large else self.small, figures, echo)

    def thickness(self, value: float, *, full: bool = False) -> str:
        """A thickness [m] as a micrometer has it: "11.9985 mm", "0.47238 in"; `full`: with all decimals."""
        decimals = 5 if self is Units.INCH else 4
        whole, _, rest = f"{value / self.long.size:.{decimals}f}".partition(".")
        shown = rest if full else rest.rstrip("0").ljust(decimals - 1, "0")
        return f"{whole}.{shown} {self.long.name}"

    def place(self, value: float, decimals: int = 1) -> str:
        """A place in a stroke or on a face [m]: mm with so many decimals, inches with one more."""
        more = 1 if self is Units.INCH else 0
        return f"{value / self.long.size:.{decimals + more}f} {self.long.name}"

    def mass(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A mass [kg]: kg or g; lb or oz."""
        if self is Units.INCH:
            unit = Unit(POUND, "lb") if abs(value) >= POUND else Unit(POUND / 16.0, "oz")
        else:
            unit = Unit(1.0, "kg") if abs(value) >= 1.0 else Unit(1e-3, "g")
        return _said(value, unit, figures, echo)

    def force(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A force [N]: N, or lbf with the newtons beside it."""
        newtons = _said(value, Unit(1.0, "N"), figures, echo)
        if self is Units.INCH:
            return f"{_said(value, Unit(POUND * GRAVITY, 'lbf'), figures, echo)} ({newtons})"
        return newtons

    def pressure(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A pressure [Pa]: kPa, MPa or GPa; psi."""
        if self is Units.INCH:
            return _said(value, Unit(PSI, "psi"), figures, echo)
        kilo, mega = abs(value) < 1e6, abs(value) < 1e9
        unit = Unit(1e3, "kPa") if kilo else Unit(1e6, "MPa") if mega else Unit(1e9, "GPa")
        return _said(value, unit, figures, echo)

    def temperature(self, value: float, figures: int = 3) -> str:
        """A temperature [K] in degC or degF."""
        warm = value - 273.15
        return (
            f"{Units.number(1.8 * warm + 32.0, figures, True)} degF"
            if self is Units.INCH
            else (f"{Units.number(warm, figures, True)} degC")
        )

    def warmer(self, value: float) -> str:
        """A difference of temperatures [K] in degC or degF."""
        return (
            f"{Units.number(1.8 * value)} degF"
            if self is Units.INCH
            else f"{Units.number(value)} degC"
        )

    def wear(self, value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A wear constant [1/Pa]: um lost per km of rubbing and kPa; uin per ft and psi."""
        if self is Units.INCH:
            return _said(value, Unit(UIN.size / (12.0 * INCH) / PSI, "uin/ft/psi"), figures, echo)
        return _said(value, Unit(1e-12, "um/km/kPa"), figures, echo)

    @staticmethod
    def time(value: float, figures: int = 2) -> str:
        """A time [s]: s below a minute, min below two hours, then h."""
        unit = Unit(1.0, "s") if abs(value) < 60.0 else Unit(60.0, "min")
        return _said(value, Unit(3600.0, "h") if abs(value) >= 7200.0 else unit, figures)

    @staticmethod
    def spell(value: float, *, near: float = 0.0) -> str:
        """A time that is set or was rubbed [s]: "45 s", "15 min"; from two hours on "2.5 h" if in halves.

        `near`: two figures serve where they are within this share of it, for one that was worked out.
        """
        unit = Unit(1.0, "s") if value < 60.0 else Unit(60.0, "min")
        if abs((two := float(f"{value / unit.size:.1e}") * unit.size) - value) <= near * value:
            value = two
        if value >= 7200.0 and math.isclose(value % 1800.0, 0.0, abs_tol=1e-6):
            unit = Unit(3600.0, "h")
        shown = value / unit.size
        return f"{shown:.3g} {unit.name}" if shown < 999.5 else f"{shown:.0f} {unit.name}"

    @staticmethod
    def soon(value: float) -> str:
        """How long something still takes [s]: "about 45 s", "about 12 min"."""
        return f"about {value:.0f} s" if value < 90.0 else f"about {value / 60.0:.0f} min"

    @staticmethod
    def room(value: float) -> str:
        """Memory, or room on a disk [bytes]: "0.34 GB", "12 MB"."""
        return f"{value / 1e9:.2g} GB" if value >= 0.95e8 else f"{max(value / 1e6, 1.0):.0f} MB"

    @staticmethod
    def band(value: float, spread: float) -> str:
        """A time of rubbing [s], known to a factor `spread`: "about 40 min, 13 to 130"."""
        unit = (
            Unit(60.0, "min") if value < 7170.0 else Unit(3600.0, "h")
        )  # 7170 s would be said as 120 min
        if value < 60.0 * NOTHING:
            return "no time at all"
        low, middle, high = (
            Units.number(value * by / unit.size) for by in (1.0 / spread, 1.0, spread)
        )
        return f"about {middle} {unit.name}, {low} to {high}"

    @staticmethod
    def rubbing(value: float, spread: float = BAND) -> str:
        """The same and why: "about 40 min (13 to 130 until you weigh a plate)"."""
        middle, comma, ends = Units.band(value, spread).partition(", ")
        return f"{middle} ({ends} {why_band(spread)})" if comma else middle

    @staticmethod
    def angle(value: float, figures: int = 2, *, echo: bool = False) -> str:
        """An angle [rad] in degrees."""
        return _said(value, Unit(math.pi / 180.0, "deg"), figures, echo)

    def per_metal(self, value: float) -> str:
        """A time for so much metal [s/m]: "1.0 min per um"."""
        size, name = self.depth
        return f"{Units.number(value * size / 60.0)} min per {name.removeprefix('1 ')}"

    @staticmethod
    def share(value: float, figures: int = 2, *, echo: bool = False) -> str:
        """A share in per cent."""
        return _said(value, Unit(0.01, "%"), figures, echo)

    @staticmethod
    def pace(value: float, figures: int = 2, *, echo: bool = False) -> str:
        """Strokes per second as strokes a minute."""
        return f"{Units.number(value * 60.0, figures, echo)} /min"

    @staticmethod
    def turn(angle: float, every: int = 0, figures: int = 2, *, echo: bool = False) -> str:
        """A turn: "none", "8 deg per stroke" or "90 deg every 10 strokes"."""
        if angle == 0.0:
            return "none"
        how = (
            "per stroke"
            if every == 0
            else "every stroke"
            if every == 1
            else f"every {every} strokes"
        )
        return f"{Units.angle(angle, figures, echo=echo)} {how}"

    @staticmethod
    def hour(x: float, y: float) -> str:
        """A direction as the hour on a clock, to the nearest quarter of an hour: "3 o'clock", "1:30"."""
        quarters = round((3.0 - math.degrees(math.atan2(y, x)) / 30.0) * 4.0) % 48
        whole, part = divmod(quarters, 4)
        return f"{whole or 12}:{15 * part:02d}" if part else f"{whole or 12} o'clock"


METRIC = Units.METRIC


# Of what is too small to be told nothing else is said of how near that is.
LESS = re.compile(r"\b(?:(?:at most|up to) )?about less than\b")


class Text:
    """A text with quantities in SI in it, which are said in a person's units where it is printed.

    Text("{top} hangs out by {far:place}", top="A", far=0.012): a part is said as it is, or by the method of
    `Units` that is named behind the colon, with what else that takes ("{far:place 2}", "{far:size echo}").
    Of two wordings the part decides which is said: "{several:was|were}" is "were" where it is true.
    """

    def __init__(self, template: str, **parts: str | float | Text) -> None:
        self.template = template
        self.parts = parts

    def told(self, units: Units) -> str:
        """The text in a person's units."""
        parts = {name: _Part(part, units) for name, part in self.parts.items()}
        return LESS.sub("less than", self.template.format(**parts))

    def __str__(self) -> str:
        return self.told(METRIC)


def told(text: str | Text, units: Units) -> str:
    """A text in a person's units."""
    return text.told(units) if isinstance(text, Text) else text


class _Part(NamedTuple):
    """A part of a text, which says itself in the person's units."""

    value: str | float | Text
    units: Units

    def __format__(self, how: str) -> str:
        if isinstance(self.value, Text):
            return self.value.told(self.units)
        if not how:
            return str(self.value)
        if "|" in how:
            return how.split("|", 1)[bool(self.value)]
        method, *more = how.split()
        figures, typed = [int(word) for word in more if word != "echo"], {"echo": True}
        return str(
            getattr(self.units, method)(self.value, *figures, **typed if "echo" in more else {})
        )


def _said(value: float, unit: Unit, figures: int = 2, echo: bool = False) -> str:
    return f"{Units.number(value / unit.size, figures, echo)} {unit.name}"


def _telling(value: float, limit: float, told: str) -> int:
    """How many figures show a number on its own side of its limit as `told`: two or more; 0: six are few."""
    shown = float(told.split()[0])
    for figures in range(2, 7):
        if (float(f"{value:.{figures - 1}e}") > shown) == (value > limit):
            return figures
    return 0 if value > limit else 2


def in_bands(number: float) -> str:
    """So many bands of light: "1 helium band", "0.5 helium bands"."""
    return f"{Units.number(number, echo=True)} helium band{'' if number == 1.0 else 's'}"


def sentence(text: str) -> str:
    """With a capital at its start, where a plate's name stands."""
    return text[:1].upper() + text[1:]


def shortened(name: str, most: int) -> str:
    """A plate's name where there is little room."""
    return name if len(name) <= most else name[: most - 1].rstrip() + "…"


def joined(parts: Sequence[str], last: str = "and") -> str:
    """List in words: "A", "A and B", "A, B and C"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"
