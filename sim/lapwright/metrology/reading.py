"""A reading and what it says of the faces; the gauges that readings name where a study names none.

A reading is one row of a linear model with its unknowns and its scatter.  How finely usual gauges read, how
well they repeat and how much they lag is common practice, without a source.  Last come gauges walked over a
whole face along a grid (what repeats of their reading differ by, how flat it is), and profiles from a level
or an autocollimator that is stepped along a line, base by base.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import atan2, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.bending import sag_on_feet
from lapwright.metrology.conditions import ALONG, DATE, TEMPERATURE, TURNED, VALUE
from lapwright.metrology.contacts import Face, Placement, shown_all
from lapwright.metrology.flatness import minimum_zone
from lapwright.metrology.form import form_names
from lapwright.metrology.instruments import (
    EYE,
    Autocollimator,
    Bridge,
    Gauge,
    Level,
    Micrometer,
    OpticalFlat,
    RepeatReading,
    Spherometer,
    Straightedge,
    TwistGauge,
)
from lapwright.specification.curves import PLACE
from lapwright.specification.outline import Outline
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
    `part` of which [[readings]] (from 1) it is, and `table` the file, where one holds many.
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
    part: int = field(default=0, compare=False)
    table: str = field(default="", compare=False)

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
        offset[i] = _offset(reading, gauge, plates)
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


def _offset(reading: Reading, gauge: Gauge, plates: Mapping[str, Plate]) -> float:
    """What is on a reading beside the free face [m, rad]: the zero, and how plates hang on their feet."""
    plate = plates[reading.plate]
    hangs = _hangs(plate, gauge, reading.place)
    if gauge.zero.on == "plate":
        middle = Placement((0.0, 0.0), reading.angle, reading.along)
        hangs -= _hangs(plates[gauge.zero.plate], gauge, middle)
    own = gauge.own_share(reading.place, plate.outline) if isinstance(gauge, OpticalFlat) else 0.0
    return own + hangs - (gauge.zero.size if gauge.zero.on == "master" else 0.0)


def _hangs(plate: Plate, gauge: Gauge, place: Placement) -> float:
    """What a gauge shows of how a plate hangs on its feet [m, rad]."""
    if plate.feet is None or isinstance(gauge, Micrometer):
        return 0.0  # both faces of a body bend alike
    contacts = gauge.contacts(place, plate.outline)
    return contacts.of(lambda x, y: sag_on_feet(plate, x, y))


def _cleared(matrix: Array) -> Array:
    """Columns of one size, so that metres and radians may stand side by side."""
    size = np.abs(matrix).max(axis=0, initial=0.0)
    return matrix / np.where(size > 0.0, size, 1.0)


FINE = 0.1e-6  # [m]: step, scatter and lag of a good indicator (common practice, no source)
FINE_SLOPE = (
    1e-6  # [rad]: step and scatter of a good level or autocollimator (common practice, no source)
)
FIRST_TO_HAND = ("spherometer, three feet", "twist gauge", "straightedge", "optical flat")

PAD = 0.2  # of the distance between flat feet: their width (common practice, no source)
INSET = 0.1  # of a ring's land: how far feet stay from its edges


def usual_gauges(outline: Outline) -> Iterator[Gauge]:
    """One gauge of each kind that can stand on a face, of a size that fits it.

    Nothing stands in the bore of a ring, so no gauge that reads under its middle is usual there.

    Parameters
    ----------
    outline : Outline
        Of the working face.

    Returns
    -------
    iterator of Gauge
        Each with its sizes, and with doubts that are usual.

    """
    for gauge in _exact(outline):
        if isinstance(gauge, OpticalFlat):
            yield replace(gauge, repeatability=EYE * gauge.band)
        elif gauge.angular:
            yield replace(gauge, resolution=FINE_SLOPE, repeatability=FINE_SLOPE)
        else:
            yield replace(gauge, resolution=FINE, repeatability=FINE, hysteresis=FINE)


def usual_of(plate: Plate) -> dict[str, Gauge]:
    """One gauge of each kind that can stand on the land of a plate, by name."""
    outline, grooves = plate.outline, plate.grooves
    land = outline.shrunk(grooves.rim) if grooves is not None else outline
    return {gauge.name: gauge for gauge in usual_gauges(land or outline)}


def by_name(usual: Mapping[str, Mapping[str, Gauge]]) -> dict[str, Gauge]:
    """Usual gauges of each plate by the name that a reading gives them."""
    known: dict[str, Gauge] = {}
    for plate, gauges in usual.items():
        for gauge in gauges.values():
            if known.setdefault(gauge.name, gauge) != gauge:
                known[name_on(gauge.name, plate)] = gauge
    return known


def own_of(gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]) -> dict[str, Gauge]:
    """Those of a study's gauges that it describes itself, not those that a reading takes as usual."""
    usual = {gauge for plate in plates.values() for gauge in usual_of(plate).values()}
    return {
        name: gauge
        for name, gauge in gauges.items()
        if replace(gauge, name=name.partition(FOR)[0]) not in usual
    }


FOR = " for "  # between a usual gauge and the plate for which it is another size


def name_on(gauge: str, plate: str) -> str:
    """Name of a usual gauge whose size is another on this plate."""
    return f"{gauge}{FOR}{plate}"


def _exact(outline: Outline) -> Iterator[Gauge]:
    """The same as if they read exactly."""
    smaller, longer = outline.smaller, max(outline.size)
    if not outline.bore:
        circle = 0.9 * smaller if outline.long else 0.5 * smaller
        yield Spherometer(name="spherometer, three feet", foot_circle=circle)
        yield Spherometer(name="spherometer, ring", foot_circle=circle, feet="ring")
    yield _twist_gauge(outline)
    if not outline.bore:
        base = 0.3 * longer if outline.long else 0.5 * smaller
        yield RepeatReading(name="repeat reading", base=base, pad=0.5 * PAD * base)
    yield Straightedge(name="straightedge", base=_straightedge(outline))
    yield Bridge(name="bridge")
    step = 0.1 * longer if outline.long else 0.3 * smaller
    yield Level(name="level", base=step, pad=PAD * step)
    yield Autocollimator(name="autocollimator", base=step, pad=PAD * step)
    yield OpticalFlat(name="optical flat", diameter=2.0 * outline.radius)


def _twist_gauge(outline: Outline) -> TwistGauge:
    """Four feet: at the corners of a rail, half-way between bore and rim, or on half the plate."""
    if outline.long:
        # Along 3-9 by across: `size` is in that order, so a rail that stands upright needs no turning.
        along, across = outline.size
        return TwistGauge(name="twist gauge", base=0.9 * along, width=0.9 * across)
    circle = 0.5 * (outline.smaller + outline.bore) if outline.bore else 0.5 * outline.smaller
    return TwistGauge(name="twist gauge", foot_circle=circle)


def _straightedge(outline: Outline) -> float:
    """Length between its supports: of a rail nearly all, of a ring from land to land, else over half."""
    if outline.long:
        return 0.9 * max(outline.size)
    if outline.bore:
        return outline.smaller - INSET * (outline.smaller - outline.bore)
    return 0.55 * outline.smaller


def usual_angles(gauge: Gauge, outline: Outline) -> tuple[float, ...]:
    """How gauges are turned [rad] in their usual use, along the longer side first.

    On a rail corner to corner stands for the eighths of a turn, and what would reach beside it is left out.
    """
    along, across = outline.size
    first = 0.0 if along >= across else 0.5 * pi
    if gauge.kind == "spherometer":
        return (first,)
    if not outline.long:
        return tuple(first + 0.25 * pi * k for k in range(4))
    if gauge.kind == "twist gauge":
        return (0.0,)
    corner = atan2(min(along, across), max(along, across))
    if isinstance(gauge, OpticalFlat):
        return (first, first + corner, first + 0.5 * pi, first - corner + pi)
    if isinstance(gauge, Straightedge):
        return (first, first + corner, first - corner + pi)
    return (first,)


def usual_place(gauge: Gauge, outline: Outline, angle: float) -> Placement:
    """Where a gauge stands in its usual use: in the middle, its indicator on the land beside a bore."""
    along = 0.0
    if outline.bore and isinstance(gauge, Straightedge):
        along = 0.5 * outline.bore + 0.5 * INSET * (outline.smaller - outline.bore)
    return Placement(angle=angle, along=along)


ACROSS = 15  # places along the longer side
FEWEST = 4  # three always lie in a plane
EIGHTHS = (0.0, 0.25 * pi, 0.5 * pi, 0.75 * pi)


@dataclass(frozen=True)
class Swept:
    """A gauge walked over a face: at how many `places` it stood firmly, and what `size` [m] it tells."""

    places: int
    size: float


def grid_places(outline: Outline, margin: float, across: int = ACROSS) -> list[tuple[float, float]]:
    """Places (x, y) [m] of a square grid on a face, its `margin` [m] round the edge left out."""
    step = max(outline.size) / across
    counts = (max(1, round(side / step)) for side in outline.size)
    x, y = np.meshgrid(*(step * (np.arange(n) - 0.5 * (n - 1)) for n in counts))
    inside = outline.signed_distance(x, y) <= -margin
    return [(float(u), float(v)) for u, v in zip(x[inside], y[inside], strict=True)]


def repeat_reading(gauge: RepeatReading, face: Face, margin: float = 0.0) -> Swept | None:
    """Largest less smallest reading of a repeat-reading gauge, walked over a face at four angles.

    None when it does not find two places to stand at.
    """
    outline = face.plate.outline
    spots = grid_places(outline, margin)
    places = [Placement(at, angle) for at in spots for angle in EIGHTHS]
    read = shown_all(face, [gauge.contacts(place, outline) for place in places], gauge.foot)
    read = read[np.isfinite(read)]
    return Swept(read.size, float(np.ptp(read))) if read.size > 1 else None


def swept_flatness(bridge: Bridge, face: Face, margin: float = 0.0) -> Swept | None:
    """Flatness (ISO 12781-1, minimum zone) from an indicator on a bridge that is swept over a grid.

    How the bridge stands over the plate falls out.  None when fewer than four places are on land.
    """
    outline = face.plate.outline
    spots = grid_places(outline, margin)
    read = shown_all(face, [bridge.contacts(Placement(at), outline) for at in spots], bridge.foot)
    on = np.isfinite(read)
    if on.sum() < FEWEST:
        return None
    x, y = np.array(spots).T
    return Swept(int(on.sum()), minimum_zone(x[on], y[on], read[on]))


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights (n + 1,) [m] at places `along` (n + 1,) [m] of a line, from the line through its ends."""

    along: Array
    heights: Array

    @property
    def straightness(self) -> float:
        """Highest over lowest [m], from the line through the ends."""
        return float(np.ptp(self.heights))


def stepped(readings: Array, base: float) -> Profile:
    """Profile of a line from the slopes (n,) [rad] read foot to foot: they are summed up.

    A zero error, and how the plate lies, tilt the line as a whole and fall out.
    """
    slope = np.asarray(readings, dtype=float)
    heights = np.concatenate([[0.0], np.cumsum(slope) * base])
    along = np.asarray(base * (np.arange(len(heights)) - 0.5 * len(slope)))
    return Profile(along, heights - np.linspace(0.0, heights[-1], len(heights)))
