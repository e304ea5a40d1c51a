"""Gauges and readings of a study, [gauges.NAME] and [[readings]], from text to objects of the gauges room."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from lapwright.gauges.conditions import USUAL, Conditions
from lapwright.gauges.fringes import LAMPS, dome_by_press, dome_by_wedge
from lapwright.gauges.instruments import KINDS, Gauge, OpticalFlat, Zero
from lapwright.gauges.reading import Reading
from lapwright.study.faults import RefusedError, listed, nearest, shown
from lapwright.study.grits import a_plate
from lapwright.study.later import tables_of
from lapwright.study.rates import read_temperature
from lapwright.study.table import Table, choice, text, whole
from lapwright.study.units import (
    ANGLE,
    LENGTH,
    SMALL,
    TIME,
    Dimension,
    find,
    quantity,
    read_place,
    read_text,
    take_apart,
)

__all__ = ["GAUGE_KEYS", "gauges_of", "reading_of", "readings_of", "where_of"]

MOST_READINGS = 2000
MOST_READ = 1e-3  # [m]: more than is wrong with any face that is lapped
SLOPE = replace(
    ANGLE,
    units={
        **ANGLE.units,
        **dict.fromkeys(("mm/m",), 1e-3),
        **dict.fromkeys(("um/m",), 1e-6),
        **dict.fromkeys(("in/ft",), 1.0 / 12.0),
        **dict.fromkeys(("thou/ft",), 1e-3 / 12.0),
    },
    offered="arcsec, urad, um/m, mm/m or in/ft",
    usual="arcsec",
)
WARMTH = Dimension(
    "difference of temperature",
    "a difference of temperature",
    {"K": 1.0, "degC": 1.0, "°C": 1.0, "C": 1.0, "degF": 1.0 / 1.8, "°F": 1.0 / 1.8, "F": 1.0 / 1.8},
    "K, degC or degF",
    "K",
)

_span = quantity(LENGTH, above="0 mm", most="5 m")
_ball = quantity(LENGTH, least="0 mm", most="100 mm")
_fine = quantity(SMALL, least="0 um", most="1 mm")
_fine_slope = quantity(SLOPE, least="0 deg", most="1 deg")
_size = quantity(SMALL, least="-1 mm", most="1 mm")
_size_slope = quantity(SLOPE, least="-1 deg", most="1 deg")
_value = quantity(SMALL, least="-1 mm", most="1 mm")
_value_slope = quantity(SLOPE, least="-1 deg", most="1 deg")
_turned = quantity(ANGLE, least="-360 deg", most="360 deg")
_wedge = quantity(SLOPE, least="0 deg", most="1 deg")
_wave = quantity(SMALL, least="100 nm", most="20 um")
_along = quantity(LENGTH, least="-3 m", most="3 m")
_soak = quantity(TIME, least="0 s", most="1000 h")
_warmth = quantity(WARMTH, least="0 K", most="100 K")

HOW_GAUGE = '[gauges.sph] with kind = "spherometer"'
SUPPORTS = ("three points", "rim", "bedded")

SHAPES = {
    "shape": (("dome", "dish"), "how the bands curve"),
    "press": (("towards", "away"), "where the rings walk, beside a finger that presses on the flat's edge"),
    "ends": (("thin", "open"), "the side of the wedge to which the ends of the bands point"),
}

Reader = Callable[[Any], Any]


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


def _feet(value: Any) -> int | str:
    """A number of feet, or a ring."""
    if isinstance(value, str) and value.strip().lower() == "ring":
        return "ring"
    if isinstance(value, str):
        raise RefusedError(f'{shown(value)} is no number of feet: write 3, or "ring"', "type")
    return whole(3, 12, "a number of feet")(value)


# Keys that only some kinds have, beside those of every gauge; "!" after a key that cannot be left out.
OWN_KEYS: Mapping[str, tuple[str, ...]] = {
    "spherometer": ("foot_circle!", "feet"),
    "twist gauge": ("foot_circle", "base", "width"),
    "repeat reading": ("base!",),
    "straightedge": ("base!",),
    "bridge": (),
    "level": ("base!",),
    "autocollimator": ("base!",),
    "optical flat": ("diameter!", "wavelength", "wedge", "wedge_direction", "own"),
}
READERS: Mapping[str, Reader] = {
    "foot_circle": _span,
    "feet": _feet,
    "base": _span,
    "width": _span,
    "diameter": _span,
    "wavelength": _wavelength,
    "wedge": _wedge,
    "wedge_direction": _turned,
    "own": _size,
}
EXAMPLES = {
    "foot_circle": 'foot_circle = "80 mm" (across the feet)',
    "base": 'base = "100 mm" (between its outer feet)',
    "diameter": 'diameter = "75 mm"',
}
GAUGE_KEYS = (
    "kind",
    "ball",
    "pad",
    "zero",
    "zero_error",
    "resolution",
    "repeatability",
    "hysteresis",
    "warm_side",
    "soak",
    "support",
    "room",
    "note",
    *READERS,
)


def gauges_of(root: Table, plates: Mapping[str, Any]) -> dict[str, Gauge | None]:
    """Every gauge by name; None in place of one that is at fault (which is noted)."""
    every = root.table("gauges", HOW_GAUGE)
    out: dict[str, Gauge | None] = {}
    for name in every.data if every is not None else ():
        assert every is not None
        table = every.table(name, HOW_GAUGE)
        if table is not None:
            out[name] = _gauge(name, table, plates)
    return out


def _gauge(name: str, table: Table, plates: Mapping[str, Any]) -> Gauge | None:
    before = len(table.faults.found)
    kind = table.need("kind", choice(tuple(KINDS), "a kind of gauge"), 'kind = "spherometer"')
    if kind is None:
        return None
    made = KINDS[kind]
    fine, size = (_fine_slope, _size_slope) if made.angular else (_fine, _size)
    took: dict[str, Any] = {}
    for key in OWN_KEYS[kind]:
        bare = key.rstrip("!")
        reader = READERS[bare]
        got = table.need(bare, reader, EXAMPLES[bare]) if key.endswith("!") else table.take(bare, reader)
        if got is not None:
            took[bare] = got
    for key in ("resolution", "repeatability", "hysteresis", "zero_error"):
        took[key] = table.take(key, fine) or 0.0
    took["ball"], took["pad"] = table.take("ball", _ball), table.take("pad", _ball) or 0.0
    if took["ball"] and took["pad"]:
        table.fault("pad", "a foot ends in a ball or in a pad: write one of the two", "conflict")
    if table.has("zero"):
        took["zero"] = _zero_of(table, plates, size)
    took["conditions"] = _conditions(table)
    took["note"] = table.take("note", text) or ""
    _together(kind, table, took)
    table.done()
    if len(table.faults.found) > before or table.faults.full:
        return None
    gauge: Gauge = made(name=name, **took)
    return gauge


def _together(kind: str, table: Table, took: dict[str, Any]) -> None:
    """What keys of one gauge must have in common, and what a kind takes for granted."""
    if kind == "twist gauge":
        circle, corners = "foot_circle" in took, [key for key in ("base", "width") if key in took]
        if circle == bool(corners) or len(corners) == 1:
            table.fault(
                "",
                'needs its four feet: write foot_circle = "80 mm", or base = "200 mm" and width = "40 mm"',
                "missing",
            )
    if kind == "optical flat" and not any(
        table.has(key) for key in ("resolution", "repeatability", "hysteresis")
    ):
        # A practised eye tells a tenth of a band (common practice, no source).
        took["repeatability"] = 0.05 * took.get("wavelength", LAMPS["sodium"])


def _conditions(table: Table) -> Conditions:
    """How plates lie and how warm they are under this gauge, and how warm it is itself."""
    warm = table.take("warm_side", _warmth)
    support = table.take("support", choice(SUPPORTS, "how a plate lies"))
    return Conditions(
        warm_side=USUAL.warm_side if warm is None else warm,
        soak=table.take("soak", _soak) or 0.0,
        support=support or USUAL.support,  # type: ignore[arg-type]
        room=table.take("room", read_temperature) or USUAL.room,
    )


def _zero_of(table: Table, plates: Mapping[str, Any], size: Reader) -> Zero:
    """What the gauge was zeroed on: a flat, a plate, a master of known size, or who knows."""
    value = table.data["zero"]
    if isinstance(value, str):
        if value in plates:
            return Zero("plate", plate=value)
        word = value.strip().lower()
        if word in ("flat", "unknown"):
            return Zero("flat" if word == "flat" else "unknown")

    def reader(typed: Any) -> float:
        try:
            found: float = size(typed)
            return found
        except RefusedError as trouble:
            if trouble.code != "unit" or not isinstance(typed, str) or re.search(r"\d", typed):
                raise
            close = nearest(typed, plates)
            hint = f"did you mean {close}?" if close else f"plates here are {listed(plates, 'and')}"
            raise RefusedError(
                f'{shown(typed)} is no plate ({hint}): write "flat", "unknown", a plate, '
                'or a size such as "1.2 um"',
                "name",
            ) from None

    return Zero("master", size=table.take("zero", reader) or 0.0)


def readings_of(
    root: Table, plates: Mapping[str, Any], gauges: Mapping[str, Gauge | None]
) -> tuple[Reading, ...]:
    """What the gauges showed."""
    tables = tables_of(root, "readings", MOST_READINGS)
    return tuple(reading_of(table, plates, gauges) for table in tables)


def reading_of(table: Table, plates: Mapping[str, Any], gauges: Mapping[str, Gauge | None]) -> Reading:
    """One reading from its table; faults are noted there."""
    gauge = table.need("gauge", lambda value: _a_gauge(value, gauges), 'gauge = "sph"')
    plate = table.need("plate", lambda value: a_plate(value, plates), 'plate = "A"')
    of = gauges.get(gauge) if gauge is not None else None
    value = table.need("value", lambda typed: _read(typed, of), 'value = "1.2 um"')
    dome = _domed(table)
    # A count of bands has no side: only a minus sign, or a word, tells a dish.
    counted = isinstance(of, OpticalFlat) and value is not None and value > 0.0
    if dome is not None and value is not None:
        value = abs(value) if dome else -abs(value)
    approach = table.take("approach", choice(("up", "down"), "how the pointer came to it"))
    angle, at, along = where_of(table)
    reading = Reading(
        gauge=gauge or "",
        plate=plate or "",
        value=value or 0.0,
        angle=angle,
        at=at,
        along=along,
        approach=approach,  # type: ignore[arg-type]
        temperature=table.take("temperature", read_temperature),
        date=table.take("date", _date),
        note=table.take("note", text) or "",
        side_told=not counted or dome is not None,
    )
    table.done()
    return reading


def _domed(table: Table) -> bool | None:
    """Whether bands tell of a dome, if that is said: in a word, by a press, or by ends under a wedge."""
    key = table.one_of(("shape", "press", "ends"), "each tells dome from dish", needed=False)
    if key is None:
        return None
    words, what = SHAPES[key]
    word = table.take(key, choice(words, what))
    if word is None:
        return None
    if key == "press":
        return dome_by_press(word)  # type: ignore[arg-type]
    return dome_by_wedge(word) if key == "ends" else word == "dome"  # type: ignore[arg-type]


def where_of(table: Table) -> tuple[float, tuple[float, float], float]:
    """How a gauge is turned [rad], where its middle stands [m], where its indicator [m]; faults are noted."""
    return (
        table.take("angle", _turned) or 0.0,
        table.take("at", read_place) or (0.0, 0.0),
        table.take("along", _along) or 0.0,
    )


def _read(value: Any, gauge: Gauge | None) -> float:
    """What was shown [m, rad]; under an optical flat also in bands."""
    if gauge is not None and gauge.angular:
        return _value_slope(value)
    if isinstance(value, str):
        apart = take_apart(read_text(value, "a reading"))
        unit = apart[1].lower() if apart is not None else ""
        if apart is not None and find(unit, {"band": 1.0, "bands": 1.0, "fringe": 1.0, "fringes": 1.0}):
            if not isinstance(gauge, OpticalFlat):
                raise RefusedError(
                    f"{shown(value)}: only an optical flat shows bands: write a size such as 1.2 um",
                    "dimension",
                )
            size = apart[0] * gauge.band
            if abs(size) > MOST_READ:
                raise RefusedError(f"{shown(value)} is too large: a reading may be 1 mm at most", "range")
            return size
    return _value(value)


def _a_gauge(value: Any, gauges: Mapping[str, Gauge | None]) -> str:
    if isinstance(value, str) and value in gauges:
        return value
    close = nearest(value, gauges) if isinstance(value, str) else None
    there = f"gauges here are {listed(gauges, 'and')}" if gauges else "there is no [gauges.NAME] here"
    raise RefusedError(
        f"there is no gauge {shown(value)}: {f'did you mean {close}?' if close else there}", "name"
    )


def _date(value: Any) -> datetime.date:
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
