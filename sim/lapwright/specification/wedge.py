"""The wedge of a body: how far its face is out of parallel with its back, and at which hour it is thick.

The face is what wears; the back is taken as flat and still.  Hours are those of a clock looking at the face.

Sizes by plate: how thick each is to be, and how far out of parallel it may be.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, pi, sin
from typing import Any

from lapwright.specification.outline import Outline
from lapwright.specification.quantities import ANGLE, LENGTH, SMALL, quantity, read, read_text
from lapwright.specification.rates import Reader
from lapwright.specification.said import Frozen, RefusedError, Said, each, shown

_HOUR = re.compile(r"(\d{1,2})(?::([0-5]\d)| ?o'?clock)", re.IGNORECASE)
HOW_HOUR = 'write an hour looking at the face, such as "3:00", or an angle from it such as "45 deg"'


def _hour(value: Any) -> float:
    """A direction [rad], anticlockwise from 3 o'clock, from "1:30", "3 o'clock" or "45 deg"."""
    text = read_text(value, "an hour", HOW_HOUR).replace("’", "'").strip()
    got = _HOUR.fullmatch(text)
    if got is None:
        try:
            return read(text, ANGLE)
        except RefusedError as trouble:
            raise RefusedError(f"{shown(value)} is no hour: {HOW_HOUR}", trouble.code) from None
    hours = int(got[1]) + int(got[2] or 0) / 60.0
    if not 0.0 < hours < 13.0:
        raise RefusedError(f"{shown(value)} is no hour of a clock: {HOW_HOUR}", "range")
    return ((3.0 - hours) * pi / 6.0 + pi) % (2.0 * pi) - pi


HOUR = Reader(_hour, quantity(ANGLE).typed)
HOW_WEDGE = 'wedge = { by = "4 um", high = "3:00" } (thick at 3 o\'clock, looking at the face)'


@dataclass(frozen=True)
class Wedge(Frozen):
    """Thicker `by` [m] in all over the face, at `high` [rad], anticlockwise from 3 o'clock looking at it."""

    by: Said[float] = Said(quantity(SMALL, least="0 um", most="5 mm"), default=0.0)
    high: Said[float] = Said(HOUR, "3:00")

    def slopes(self, outline: Outline) -> tuple[float, float]:
        """How the thickness grows along x and along y, looking at the face.

        Parameters
        ----------
        outline : Outline
            Of the face.

        Returns
        -------
        tuple of float
            [m/m], dimensionless.

        """
        slope = self.by / outline.width_along(self.high)
        return slope * cos(self.high), slope * sin(self.high)


PART = ""  # the plate that is meant where none is named: the smaller of the pair


def by_plate(reader: Any) -> Reader:
    """A reader of one text, which is for the `PART`, or of a table with one for each plate that is named."""

    def of(value: Any) -> dict[str, float]:
        return each(reader)(value) if isinstance(value, Mapping) else {PART: reader(value)}

    def typed(sizes: Mapping[str, float]) -> Any:
        told = {name: reader.typed(size) for name, size in sizes.items()}
        return told.get(PART, told)

    return Reader(of, typed)


THICK = quantity(LENGTH, above="0 mm", most="1 m")
SHAPE = quantity(SMALL, above="0 um", most="1 mm")
THICKNESSES, WEDGES = by_plate(THICK), by_plate(SHAPE)
