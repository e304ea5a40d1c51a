"""Readers of the sizes that gauges have and show, with their limits: text to SI and back."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from lapwright.study.faults import RefusedError, listed, shown
from lapwright.study.rates import Reader, read_temperature
from lapwright.study.table import whole
from lapwright.study.units import ANGLE, LENGTH, SMALL, TIME, Dimension, find, quantity, read_text, take_apart

__all__ = [
    "ALONG",
    "BALL",
    "DATE",
    "FEET",
    "FINE",
    "FINE_SLOPE",
    "LAMPS",
    "MOST_READ",
    "SIZE",
    "SIZE_SLOPE",
    "SOAK",
    "SPAN",
    "TEMPERATURE",
    "TURNED",
    "VALUE",
    "WARMTH",
    "WAVELENGTH",
    "WEDGE",
    "bands_in",
]

MOST_READ = 1e-3  # [m]: more than is wrong with any face that is lapped
# Usual lamps [m]: sodium (mean of the D lines), yellow helium line, helium-neon laser, common laser diodes.
LAMPS: Mapping[str, float] = MappingProxyType(
    {
        "sodium": 589.3e-9,
        "helium": 587.6e-9,
        "helium-neon": 632.8e-9,
        "green diode": 520e-9,
        "green laser": 532e-9,
        "violet diode": 405e-9,
    }
)

_SLOPE = replace(
    ANGLE,
    units={**ANGLE.units, "mm/m": 1e-3, "um/m": 1e-6, "in/ft": 1.0 / 12.0, "thou/ft": 1e-3 / 12.0},
    offered="arcsec, urad, um/m, mm/m or in/ft",
    usual="arcsec",
)
_WARMTH = Dimension(
    "difference of temperature",
    "a difference of temperature",
    {"K": 1.0, "degC": 1.0, "°C": 1.0, "C": 1.0, "degF": 1.0 / 1.8, "°F": 1.0 / 1.8, "F": 1.0 / 1.8},
    "K, degC or degF",
    "K",
)

SPAN = quantity(LENGTH, above="0 mm", most="5 m")
BALL = quantity(LENGTH, least="0 mm", most="100 mm")
FINE = quantity(SMALL, least="0 um", most="1 mm")
FINE_SLOPE = quantity(_SLOPE, least="0 deg", most="1 deg")
SIZE = quantity(SMALL, least="-1 mm", most="1 mm")
SIZE_SLOPE = quantity(_SLOPE, least="-1 deg", most="1 deg")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
WEDGE = quantity(_SLOPE, least="0 deg", most="1 deg")
ALONG = quantity(LENGTH, least="-3 m", most="3 m")
SOAK = quantity(TIME, least="0 s", most="1000 h")


def _kelvin(value: float) -> str:
    return f"{value!r} K"


WARMTH = Reader(quantity(_WARMTH, least="0 K", most="100 K"), _kelvin)
TEMPERATURE = Reader(read_temperature, _kelvin)

_wave = quantity(SMALL, least="100 nm", most="20 um")


def _wavelength(value: Any) -> float:
    """A lamp by name, or any wavelength."""
    if isinstance(value, str) and value.strip().lower() in LAMPS:
        return LAMPS[value.strip().lower()]
    try:
        return _wave(value)
    except RefusedError as trouble:
        if isinstance(value, str) and not re.search(r"\d", value):
            how = f"write a wavelength such as 589.3 nm, or one of {listed(LAMPS)}"
            raise RefusedError(f"{shown(value)} is no lamp known here: {how}", "choice") from None
        raise trouble


WAVELENGTH = Reader(_wavelength, _wave.typed)


def FEET(value: Any) -> int | str:  # noqa: N802 (a reader, as the others here)
    """A number of feet, or a ring."""
    if isinstance(value, str) and value.strip().lower() == "ring":
        return "ring"
    if isinstance(value, str):
        raise RefusedError(f'{shown(value)} is no number of feet: write 3, or "ring"', "type")
    return whole(3, 12, "a number of feet")(value)


def bands_in(value: Any) -> float | None:
    """How many bands a text tells of; None where it is a size."""
    apart = take_apart(read_text(value, "a reading")) if isinstance(value, str) else None
    counts = dict.fromkeys(("band", "bands", "fringe", "fringes"), 1.0)
    return apart[0] if apart is not None and find(apart[1].lower(), counts) else None


def _value(value: Any) -> float:
    """What a gauge showed [m], or [rad] where that is what the text says."""
    if bands_in(value) is not None:
        how = "give the reading as a table beside its gauge, or its height"
        raise RefusedError(f"{shown(value)}: how high a band is, only its optical flat knows: {how}", "type")
    apart = take_apart(read_text(value, "a reading")) if isinstance(value, str) else None
    angular = apart is not None and apart[1] and find(apart[1], _SLOPE.units)
    return SIZE_SLOPE(value) if angular else SIZE(value)


VALUE = Reader(_value, str)


def DATE(value: Any) -> datetime.date:  # noqa: N802
    """A day."""
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    if isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value.strip())
        except ValueError:
            pass
    raise RefusedError(f"{shown(value)} is no date: write year-month-day, such as 2026-01-31", "type")
