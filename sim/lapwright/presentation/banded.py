"""Sizes with their bands, and which gauge stood where, as the book of a pair says them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from math import degrees

from lapwright.metrology.reading import Reading
from lapwright.optimisation.book import Band
from lapwright.presentation.words import say
from lapwright.units import Unit


def digits(doubt: float) -> int:
    """Decimal places of a size that is known within `doubt`: one figure of it, two where it begins low."""
    if not doubt > 0.0:
        return 2
    power = math.floor(math.log10(doubt))
    return (1 if doubt < 3.0 * 10.0**power else 0) - power


def fixed(value: float, digits: int) -> str:
    """A number with so many decimal places; fewer than none stand before the point."""
    return f"{round(value, digits):.{max(0, digits)}f}"


def banded(band: Band, unit: Unit) -> str:
    """A size with its band, in no more figures than its doubt leaves: "1.4 um (1.1 to 1.7)"."""
    low, middle, high = (end / unit.size for end in (band.low, band.middle, band.high))
    places = digits(0.5 * (high - low))
    ends = f"{fixed(low, places)} to {fixed(high, places)}"
    return f"{fixed(middle, places)} {unit.name} ({ends})"


def table_words(readings: Sequence[Reading]) -> list[str]:
    """Readings that stand in tables, a line for each: "ind on A, 42 places"."""
    counts = Counter((one.gauge, one.plate, one.part) for one in readings if one.table)
    return [
        say("book.table", gauge=gauge, plate=plate, count=count)
        for (gauge, plate, _), count in counts.items()
    ]


def read_where(reading: Reading) -> str:
    """Which gauge stood where: "tw at 45 deg on A"."""
    turned = f"{degrees(reading.angle):.3g}" if reading.angle else ""
    return say("book.where", gauge=reading.gauge, turned=turned, plate=reading.plate)
