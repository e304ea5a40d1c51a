"""The border between people's units and SI: "160 mm" becomes 0.16 here and nowhere else.

One table holds every unit.  The way back, from SI to what an answer says, is in `lapwright.units`.

Sizes that one shop reads so and the next otherwise: refused, with what each reading would be.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any

from lapwright.specification.said import RefusedError, listed, nearest, own_number, refused, shown
from lapwright.units import BAND_OF_LIGHT, GRAVITY, INCH, POUND, PSI, Units

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
# At an inch bench each is what is said there, and means one thing.
_AT_INCH_BENCH = {"tenth": 1e-4, "thousandth": 1e-3, "millionth": 1e-6, "mil": 1e-3}  # [in]
_HEARD: ContextVar[dict[str, str] | None] = ContextVar("heard", default=None)
INCHES = 0.01  # a dome of less without a unit was thought of in inches: nobody has one of 0.0001 um


@contextmanager
def bench(units: Units) -> Iterator[dict[str, str]]:
    """Text is read as it is meant at a bench of these units: a tenth is 0.0001 in at an inch bench.

    Yields what was taken so, word by word.
    """
    heard: dict[str, str] = {}
    before = _HEARD.set(heard if units is Units.INCH else None)
    try:
        yield heard
    finally:
        _HEARD.reset(before)


def _at_bench(unit: str) -> float | None:
    """Size [m] of a word that means one thing at an inch bench; None of others, or at another bench."""
    heard, word = _HEARD.get(), unit.lower().strip(". ").removesuffix("s")
    inches = _AT_INCH_BENCH.get(word)
    if heard is None or inches is None:
        return None
    heard[f"{word}s"] = f"{_figure(inches)} in each" if inches > 1e-5 else "1 uin each"
    return inches * INCH


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


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity: its units in SI, what a message calls it and offers."""

    name: str
    article: str
    units: Mapping[str, float]
    offered: str
    usual: str  # the unit that a bare number most likely meant


def _units(*groups: tuple[float, str]) -> dict[str, float]:
    """Spelled-out table: each group is a size in SI and the spellings, parted by blanks."""
    return {spelling: size for size, spellings in groups for spelling in spellings.split()}


LENGTH = Dimension(
    "length",
    "a length",
    _units(
        (1.0, "m metre metres meter meters"),
        (1e-2, "cm centimetre centimetres centimeter centimeters"),
        (1e-3, "mm millimetre millimetres millimeter millimeters"),
        (1e-6, "um micron microns micrometre micrometres micrometer micrometers"),
        (1e-9, "nm nanometre nanometres nanometer nanometers"),
        (INCH, 'in inch inches " ″ in.'),
        (INCH * 1e-3, "thou"),
        (INCH * 1e-6, "uin microinch microinches microin uinch"),
        (INCH * 12.0, "ft foot feet"),
    ),
    "m, cm, mm, um, nm, in, thou, uin or ft",
    "mm",
)
SMALL = replace(LENGTH, offered="um, nm, uin, thou or mm", usual="um")  # shapes, grits
FLAT = replace(  # forms that are asked for: an optical flat counts them in bands of light
    SMALL,
    units={
        **SMALL.units,
        **_units(
            (
                BAND_OF_LIGHT,
                "band bands fringe fringes lightband lightbands heliumband heliumbands"
                " heliumlightband heliumlightbands bandofheliumlight bandsofheliumlight"
                " bandoflight bandsoflight",
            )
        ),
    },
    offered="um, nm, uin, thou, mm or bands (of helium light)",
)
TIME = Dimension(
    "time",
    "a time",
    _units(
        (1.0, "s sec secs second seconds"),
        (60.0, "min mins minute minutes"),
        (3600.0, "h hr hrs hour hours"),
        (86400.0, "d day days"),
    ),
    "s, min or h",
    "min",
)
MASS = Dimension(
    "mass",
    "a mass",
    _units(
        (1.0, "kg kgs kilogram kilograms kilo kilos"),
        (1e-3, "g gram grams gramme grammes"),
        (1e-6, "mg milligram milligrams"),
        (POUND, "lb lbs pound pounds"),
        (POUND / 16.0, "oz ounce ounces"),
        (POUND / 7000.0, "gr grain grains"),
    ),
    "kg, g, mg, lb or oz",
    "kg",
)
FORCE = Dimension(
    "force",
    "a force",
    _units((1.0, "N newton newtons"), (10.0, "daN"), (1e3, "kN"))
    | {
        name: size * GRAVITY
        for name, size in MASS.units.items()
        if name not in ("gr", "grain", "grains")
    }
    | _units(
        (GRAVITY, "kgf kp"),
        (GRAVITY * 1e-3, "gf"),
        (GRAVITY * POUND, "lbf"),
        (GRAVITY * POUND / 16.0, "ozf"),
    ),
    "N, kgf, kg, lbf or lb",
    "N",
)
PRESSURE = Dimension(
    "pressure",
    "a pressure",
    _units(
        (1.0, "Pa N/m2 pascal pascals"),
        (1e2, "hPa mbar"),
        (1e3, "kPa"),
        (1e4, "N/cm2"),
        (1e5, "bar"),
        (1e6, "MPa N/mm2"),
        (1e9, "GPa kN/mm2"),
        (GRAVITY * 1e4, "kgf/cm2 kg/cm2 at"),
        (PSI, "psi lbf/in2 lb/in2"),
        (PSI * 1e3, "ksi"),
        (PSI * 1e6, "Mpsi Msi"),
    ),
    "Pa, kPa, MPa, GPa, bar, psi or N/mm2",
    "kPa",
)
ANGLE = Dimension(
    "angle",
    "an angle",
    _units(
        (math.pi / 180.0, "deg degs degree degrees °"),
        (1.0, "rad radian radians"),
        (1e-3, "mrad"),
        (1e-6, "urad"),
        (math.pi / 10800.0, "arcmin"),
        (math.pi / 648000.0, "arcsec"),
        (2.0 * math.pi, "turn turns rev revs"),
    ),
    "deg, rad, arcmin, arcsec or turn",
    "deg",
)
SHARE = Dimension(
    "share", "a share", _units((0.01, "% percent")), "%, or a fraction such as 1/3", "%"
)
DENSITY = Dimension(
    "density",
    "a density",
    _units(
        (1.0, "kg/m3"),
        (1e3, "g/cm3 g/cc kg/dm3 kg/l g/ml"),
        (POUND / INCH**3, "lb/in3"),
        (POUND / (12.0 * INCH) ** 3, "lb/ft3"),
    ),
    "kg/m3, g/cm3 or lb/in3",
    "kg/m3",
)
DIFFERENCE = Dimension(
    "difference of temperature",
    "a difference of temperature",
    {
        "K": 1.0,
        "degC": 1.0,
        "°C": 1.0,
        "C": 1.0,
        "degF": 1.0 / 1.8,
        "°F": 1.0 / 1.8,
        "F": 1.0 / 1.8,
    },
    "K, degC or degF",
    "K",
)
EXPANSION = Dimension(
    "expansion",
    "a thermal expansion",
    _units(
        (1.0, "1/K /K K-1 1/degC /degC 1/°C /°C 1/C /C"),
        (1e-6, "um/m/K um/(mK) ppm/K ppm/degC ppm/°C um/m/degC um/m/°C"),
        (1.8, "1/degF /degF 1/F /F 1/°F /°F"),
        (1.8e-6, "uin/in/F uin/in/degF ppm/F ppm/degF uin/in/°F"),
    ),
    "1/K, um/m/K or uin/in/F",
    "1/K",
)
_ALL = (LENGTH, TIME, MASS, PRESSURE, ANGLE, DENSITY, EXPANSION, FORCE)

# One spelling for both micro signs, minus signs, blanks that do not break, raised digits.
_SIGNS = str.maketrans("\u00b5\u03bc\u2212\u2013\u00a0\u202f\u2009²³", "uu--   23")
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(
    rf"(?P<sign>[+-]?) ?(?:(?:(?P<whole>\d+)[ -])?(?P<above>\d+) ?/ ?(?P<below>\d+)|(?P<number>{_NUMBER}))"
    r" ?(?P<unit>[^\d.,+-].*|1/.*)?",
    re.ASCII,
)
_COMMA = re.compile(r"\d,\d")
LONGEST = 200


def plain(text: str) -> str:
    """The text with one kind of micro sign, minus and blank, and no blanks at the ends or doubled."""
    return " ".join(text.translate(_SIGNS).split())


def take_apart(text: str) -> tuple[float, str] | None:
    """Number and unit of "160 mm", "3/8 in", "6 1/4 in", "1/3"; None when it cannot be read."""
    got = _QUANTITY.fullmatch(text)
    if got is None:
        return None
    if got["number"] is not None:
        value = float(got["number"])
    else:
        # Cut to a length that a float can hold; such numbers are refused by their limits anyway.
        above, below = float(got["above"]), float(got["below"])
        if below == 0.0:
            return None
        value = float(got["whole"] or 0.0) + above / below
    return (-value if got["sign"] == "-" else value), (got["unit"] or "").strip()


def find(unit: str, units: Mapping[str, float]) -> float | None:
    """Size of a unit; capitals are forgiven where the whole word is written in them ("160 MM")."""
    bare = unit.replace("^", "").replace(" ", "")
    for spelling in (unit, bare):
        if spelling in units:
            return units[spelling]
    if bare.isupper() or bare.islower() or len(bare) > 3:
        same = {units[u] for u in units if u.lower() == bare.lower()}
        if len(same) == 1:
            return same.pop()
    return None


def clean(number: float) -> float:
    """The number without the rounding of its unit, so that "1 um/km/kPa" and "1e-12 1/Pa" are one number."""
    return float(f"{number:.15g}")


def _refusal(value: Any, kind: Dimension, unit: str | None, number: float = 1.0) -> RefusedError:
    """Why a text is not of this kind."""
    how = f"write a number, a space and one of {kind.offered}"
    if unit is None:
        return refused(value, f"is not {kind.article}: {how}", "unit")
    doubt = doubtful(number, unit) if kind.name in ("length", "time") else None
    if doubt is not None:
        return refused(value, f"cannot be read: {doubt}", "unit")
    other = next((k for k in _ALL if k is not kind and find(unit, k.units) is not None), None)
    if other is not None:
        is_not = f"is not {kind.article} (it is {other.article})"
        return refused(value, f"{is_not}: {how}", "dimension")
    close = nearest(unit, kind.units) if unit else None
    hint = f" (no unit {shown(unit)}: did you mean {close}?)" if close else ""
    return refused(value, f"is not {kind.article}{hint}: {how}", "unit")


def _bare(value: Any, kind: Dimension) -> RefusedError:
    number = value.strip() if isinstance(value, str) else shown(value)
    meant = f'"{number} {kind.usual}"'
    apart = take_apart(number)
    if kind in (SMALL, FLAT) and apart is not None and (inches := meant_in_inches(apart[0])):
        meant = f"{inches} for {number} in"
    return refused(
        value,
        f"has no unit: write a number, a space and one of {kind.offered}, such as {meant}",
        "bare_number",
    )


def read_text(value: Any, what: str, how: str = "") -> str:
    """A text of a sensible length, or a refusal that says what is needed, and of a bare number `how`."""
    if how and isinstance(value, int | float) and not isinstance(value, bool):
        raise refused(value, f"has no unit: {how}", "bare_number")
    if not isinstance(value, str):
        raise refused(value, f"is not {what}: write it as text between straight quotes", "type")
    if len(value) > LONGEST:
        raise refused(value, f"is {len(value)} letters long: {what} is needed", "value")
    text = plain(value)
    if _COMMA.search(text):
        point = shown(text.replace(",", "."))
        raise refused(value, f"has a decimal comma: write {point} with a point", "comma")
    return text


def read(value: Any, kind: Dimension) -> float:
    """A quantity in SI from text such as "160 mm".

    Raises
    ------
    RefusedError
        A bare number, another kind of quantity, an unknown unit, a number that cannot be.

    """
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise _bare(value, kind)
    text = read_text(value, kind.article)
    if re.match(r"[+-]?(nan|inf(inity)?)\b", text, re.IGNORECASE):
        raise refused(value, f"is not a number that can be: write {kind.article}", "value")
    apart = take_apart(text)
    if apart is None:
        clock = _hours_and_minutes(text) if kind is TIME else None
        if clock is None:
            raise _refusal(value, kind, None)
        return clock
    number, unit = apart
    if not unit and "" not in kind.units:
        raise _bare(value, kind)
    size = find(unit, kind.units)
    if size is None and kind.name == LENGTH.name:
        size = _at_bench(unit)
    if size is None:
        clock = _hours_and_minutes(text) if kind is TIME else None
        if clock is None:
            raise _refusal(value, kind, unit, number)
        return clock
    result = number * size
    if not math.isfinite(result):
        raise refused(value, f"is too large to be {kind.article}", "value")
    return result if kind is ANGLE or size == 1.0 else clean(result)  # SI is taken to the last bit


_CLOCK = re.compile(rf"({_NUMBER}) ?([a-zA-Z]+) ?({_NUMBER}) ?([a-zA-Z]+)")


def _hours_and_minutes(text: str) -> float | None:
    """Seconds of "1 h 20 min"; None when it is no such text."""
    got = _CLOCK.fullmatch(text)
    if got is None:
        return None
    large, small = find(got[2], TIME.units), find(got[4], TIME.units)
    if large is None or small is None or small >= large:
        return None
    return float(got[1]) * large + float(got[3]) * small


class quantity:  # noqa: N801 (reads as a function does)
    """A reader of one kind of quantity within limits, which are given as text and quoted in refusals.

    `typed` is the way back: the text of a number in SI.
    """

    def __init__(
        self,
        kind: Dimension,
        above: str | None = None,
        least: str | None = None,
        most: str | None = None,
    ) -> None:
        self.kind = kind
        self.limits = tuple(
            (text, None if text is None else read(text, kind)) for text in (above, least, most)
        )

    def __call__(self, value: Any) -> float:
        """The number in SI."""
        number = read(value, self.kind)
        (above, floor), (least, bottom), (most, ceiling) = self.limits
        # Each comparison is written so that a number that is none fails it.
        if floor is not None and not number > floor:
            raise refused(value, f"cannot be: it must be more than {above}", "range")
        if bottom is not None and not number >= bottom:
            raise refused(value, f"cannot be: it must be {least} or more", "range")
        if ceiling is not None and not number <= ceiling:
            raise refused(value, f"is too large: it may be {most} at most", "range")
        return number

    def typed(self, value: float) -> str:
        """The text that reads back as this number, to the bit: in the unit of the bench where that can be."""
        si = next(unit for unit, size in self.kind.units.items() if size == 1.0)
        return reads_back(
            value,
            self.kind.units[self.kind.usual],
            self.kind.usual,
            lambda t: read(t, self.kind),
            si,
        )


def reads_back(
    value: float, size: float, unit: str, reader: Callable[[str], float], si: str
) -> str:
    """The text of a number in SI: in a unit if that reads back as the same number, or else in SI."""
    value = own_number(value) + 0.0  # nobody writes "-0 um"
    text = f"{value / size:.12g} {unit}"
    try:
        same = reader(text) == value
    except RefusedError:
        same = True  # out of all limits, which whoever reads the text is told
    return text if same else f"{value!r} {si}"


def read_share(value: Any) -> float:
    """A share from "17 %", "1/3" or "0.33"."""
    how = ""
    if isinstance(value, int | float):
        percent = f"{value * 100:.6g}" if abs(value) < 1.0 else shown(value)
        how = f'write a share as "{percent} %" or as a fraction such as "1/3"'
    text = read_text(value, "a share", how).replace("per cent", "%")
    apart = take_apart(text)
    size = find(apart[1], SHARE.units) if apart is not None else None
    if apart is not None and apart[1] == "":
        size = 1.0
    if apart is None or size is None:
        raise refused(
            value,
            'is not a share: write it as "17 %" or "1/3"',
            "unit",
        )
    return apart[0] if size == 1.0 and "/" not in text else clean(apart[0] * size)


_place = quantity(LENGTH, least="-3 m", most="3 m")


def read_place(value: Any) -> tuple[float, float]:
    """A place [m] from two lengths: along 3-9 and along 12-6."""
    if not isinstance(value, list) or len(value) != 2:
        raise refused(value, 'is no place: write two lengths, such as ["5 mm", "0 mm"]', "type")
    return _place(value[0]), _place(value[1])
