"""A reading, and what it says of the faces: one row of a linear model with its unknowns and its scatter."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.conditions import ALONG, DATE, TEMPERATURE, TURNED, VALUE
from lapwright.metrology.contacts import Placement
from lapwright.metrology.form import form_names
from lapwright.metrology.instruments import Gauge, OpticalFlat
from lapwright.specification.curves import PLACE
from lapwright.specification.plate import Plate
from lapwright.specification.said import Frozen, Said
from lapwright.specification.table import choice, text

Array = NDArray[np.float64]
NOTHING = 1e-12  # of the largest entry: a column that is only round-off


@dataclass(frozen=True)
class Reading(Frozen):
    """What a gauge showed: `value` [m, or rad], turned to `angle` [rad] with its middle `at` a place [m].

    `along` [m]: where on its own line a movable indicator stood.  `approach`: whether the pointer came "up"
    or "down" to the reading, where that is known.  Readings of one gauge with one `date` are one session.
    `temperature` [K].  A value in text says by its unit whether it is a height or a slope.
    `side_told`: whether it is known to be a dome or a dish; a count of bands is not.
    """

    gauge: str
    plate: str
    value: Said[float] = Said(VALUE, default=0.0)
    angle: Said[float] = Said(TURNED, default=0.0)
    at: Said[tuple[float, float]] = Said(PLACE, default=(0.0, 0.0))
    along: Said[float] = Said(ALONG, default=0.0)
    approach: Said[str | None] = Said(
        choice(("up", "down"), "how the pointer came to it"), default=None
    )
    temperature: Said[float | None] = Said(TEMPERATURE, default=None)
    date: Said[datetime.date | None] = Said(DATE, default=None)
    note: Said[str] = Said(text, default="")
    side_told: bool = True

    @property
    def place(self) -> Placement:
        """Where the gauge stood."""
        return Placement(self.at, self.angle, self.along)


@dataclass(frozen=True)
class Model:
    """Readings y (n,) = forms (n, p) @ sizes + unknown (n, k) @ anything + shared (n, m) @ errors + scatter.

    `terms` (p): plate and form of each column.  `offset` (n,): what masters and the flat's own bulge put on
    each reading.  `shared`: errors common to readings, normal, of standard deviation `shared_size` (m,).
    Each reading by itself: `repeatability`, `resolution` and `hysteresis` (n,), the last only where the
    approach is not known.  `value` (n,) is y.
    """

    terms: tuple[tuple[str, str], ...]
    forms: Array
    unknown: Array
    shared: Array
    shared_size: Array
    offset: Array
    repeatability: Array
    resolution: Array
    hysteresis: Array
    value: Array


class _Columns:
    """Columns of a matrix that are met by name as rows are written."""

    def __init__(self, rows: int) -> None:
        self.rows = rows
        self.found: dict[object, Array] = {}
        self.size: dict[object, float] = {}

    def add(self, name: object, row: int, entry: float, size: float = 0.0) -> None:
        if entry == 0.0:
            return
        self.found.setdefault(name, np.zeros(self.rows))[row] += entry
        self.size[name] = size

    def matrix(self) -> Array:
        return (
            np.stack(list(self.found.values()), axis=1) if self.found else np.zeros((self.rows, 0))
        )


def model_of(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]
) -> Model:
    """The linear model of readings; only plates that were read, or zeroed on, have columns.

    Raises
    ------
    KeyError
        When a reading names a gauge or a plate that is not there.

    """
    met = {r.plate for r in readings} | {gauges[r.gauge].zero.plate for r in readings}
    terms = tuple(
        (name, form) for name in plates if name in met for form in form_names(plates[name].outline)
    )
    column = {term: k for k, term in enumerate(terms)}
    n = len(readings)
    forms, offset = np.zeros((n, len(terms))), np.zeros(n)
    unknown, shared = _Columns(n), _Columns(n)
    for i, reading in enumerate(readings):
        gauge = gauges[reading.gauge]
        _write(i, reading.plate, 1.0, reading, gauge, plates, forms, column, unknown)
        if gauge.zero.on == "plate":
            _write(i, gauge.zero.plate, -1.0, reading, gauge, plates, forms, column, unknown)
        offset[i] = _offset(reading, gauge, plates[reading.plate])
        session: tuple[object, ...] = (reading.gauge, reading.date)
        if gauge.per_line:
            session += (reading.plate, *_line(reading))
        if gauge.zero.on == "unknown":
            unknown.add(("zero", *session), i, 1.0)
        elif gauge.zero_error > 0.0:
            shared.add(("zero", *session), i, 1.0, gauge.zero_error)
        if reading.approach is not None and gauge.hysteresis > 0.0:
            side = 1.0 if reading.approach == "down" else -1.0
            shared.add(("hysteresis", reading.gauge), i, side, 0.5 * gauge.hysteresis)
    of = [gauges[r.gauge] for r in readings]
    return Model(
        terms=terms,
        forms=forms,
        unknown=_cleared(unknown.matrix()),
        shared=shared.matrix(),
        shared_size=np.array([shared.size[name] for name in shared.found]),
        offset=offset,
        repeatability=np.array([g.repeatability for g in of]),
        resolution=np.array([g.resolution for g in of]),
        hysteresis=np.array(
            [g.hysteresis if r.approach is None else 0.0 for g, r in zip(of, readings, strict=True)]
        ),
        value=np.array([r.value for r in readings]),
    )


def _write(
    i: int,
    name: str,
    sign: float,
    reading: Reading,
    gauge: Gauge,
    plates: Mapping[str, Plate],
    forms: Array,
    column: Mapping[tuple[str, str], int],
    unknown: _Columns,
) -> None:
    """Write one plate's share of a reading: its forms, and how it lies under a gauge that sees that."""
    outline = plates[name].outline
    # The other plate, on which a comparator is zeroed, is read in its middle.
    place = reading.place if sign > 0.0 else Placement((0.0, 0.0), reading.angle, reading.along)
    contacts = gauge.contacts(place, outline)
    scale = float(np.abs(contacts.weight).sum())
    for form, entry in zip(form_names(outline), contacts.row(outline), strict=True):
        # Round-off would count as a sight of the form, however faint.
        forms[i, column[name, form]] += sign * entry if abs(entry) > NOTHING * scale else 0.0
    arms = (1.0, outline.radius, outline.radius)
    for what, (entry, arm) in enumerate(zip(contacts.rigid, arms, strict=True)):
        if abs(entry) > NOTHING * scale * arm:
            unknown.add(("lies", reading.gauge, reading.date, name, what), i, sign * entry)


def _line(reading: Reading) -> tuple[int, int]:
    """The line that a stepped gauge stands on: its direction, and how far it passes from the centre."""
    c, s = cos(reading.angle), sin(reading.angle)
    across = c * reading.at[1] - s * reading.at[0]
    return round(reading.angle % (2.0 * pi) / 1e-6), round(across / 1e-6)


def _offset(reading: Reading, gauge: Gauge, plate: Plate) -> float:
    """What is on a reading beside the face [m, rad]."""
    own = gauge.own_share(reading.place, plate.outline) if isinstance(gauge, OpticalFlat) else 0.0
    return own - (gauge.zero.size if gauge.zero.on == "master" else 0.0)


def _cleared(matrix: Array) -> Array:
    """Columns of one size, so that metres and radians may stand side by side."""
    size = np.abs(matrix).max(axis=0, initial=0.0)
    return matrix / np.where(size > 0.0, size, 1.0)
