"""What gauges show on faces and what readings say of them: what is asked, as typed, and the answer.

Asked are the faces of a study or of a run, the gauges, the readings and the places; a gauge is set down
there, or where it usually is, and beside it stands the whole face.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import cos, pi, sin
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

import numpy as np

from lapwright.errors import CommandError
from lapwright.metrology.bending import as_read
from lapwright.metrology.budget import Prediction, firm_place, predict
from lapwright.metrology.contacts import Mapped, Placement
from lapwright.metrology.fringes import bow
from lapwright.metrology.instruments import (
    KINDS,
    Bridge,
    Gauge,
    Micrometer,
    OpticalFlat,
    RepeatReading,
    near_rim,
)
from lapwright.metrology.least_squares import Estimate, estimate_as_they_lay
from lapwright.metrology.micrometer import Measured, measured
from lapwright.metrology.reading import (
    FIRST_TO_HAND,
    Reading,
    Swept,
    by_name,
    name_on,
    own_of,
    repeat_reading,
    swept_flatness,
    usual_angles,
    usual_of,
    usual_place,
)
from lapwright.results.answer import Answer
from lapwright.results.findings import Finding, as_json, noticed_in
from lapwright.results.record import grit_on
from lapwright.results.whole import whole_faces
from lapwright.specification.quantities import TIME, bench, quantity
from lapwright.specification.said import Faults, RefusedError, meant, nearest
from lapwright.specification.table import Table
from lapwright.study.gauges import part_of, where_of
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.results.record import Run
    from lapwright.specification.plate import Plate
    from lapwright.study.model import Study

    Usual = Mapping[str, Mapping[str, Gauge]]  # by plate and name

BESIDE = 1e-6  # [m]
T = TypeVar("T")
HOW_READING = 'write GAUGE PLATE SIZE @ ANGLE, such as "{} {} 1.2 um @ 0 deg"'
HOW_PLACE = 'write ANGLE at X, Y along Z, or part of it, such as "90 deg at 20 mm, 0 mm"'


@dataclass(frozen=True)
class Faces:
    """Faces to look at, by plate, and in words `when` they are like this.

    `grits` [m]: the last loose grit on each face, None where it is not known.
    """

    maps: Mapping[str, Mapped]
    grits: Mapping[str, float | None]
    when: str


@dataclass(frozen=True)
class Request:
    """A study, the faces to look at, and the gauges and readings.

    `places`: where the gauges are set down; empty for the places of their usual use.
    """

    study: Study
    faces: Faces
    gauges: Mapping[str, tuple[Gauge, ...]]  # those that are looked through, plate by plate
    flats: Mapping[str, OpticalFlat]  # the one under which bands are drawn, plate by plate
    known: Mapping[str, Gauge]  # all that a reading may name
    readings: tuple[Reading, ...]
    places: tuple[Placement, ...]

    def estimate(self) -> Estimate | None:
        """The forms that the readings say; None without readings."""
        if not self.readings:
            return None
        return estimate_as_they_lay(self.readings, self.known, self.study.plates)

    def measured(self) -> dict[str, Measured]:
        """Size and wedge by plate, of those that a micrometer was on."""
        return measured(self.readings, self.known, self.study.plates)


def request_of(
    study: Study,
    faces: Faces,
    gauges: Sequence[str] | None = None,
    plates: Sequence[str] = (),
    readings: Sequence[str] = (),
    places: Sequence[str] = (),
) -> Request:
    """Read what is asked as it is typed: `gauges` by name or kind, `readings` and `places` as on the line.

    Raises
    ------
    CommandError
        A gauge, plate, reading or place that cannot be.

    """
    for name in plates:
        if name not in faces.maps:
            there = ", ".join(faces.maps)
            raise CommandError(f"--plate: there is no plate '{name}' here: {there}", key="--plate")
    usual = {name: usual_of(plate) for name, plate in study.plates.items()}
    known = by_name(usual) | dict(study.gauges)
    read = list(study.readings)
    for words in readings:
        read += _readings(words, study, known, usual)
    _check_on_plates(read, known, study)
    _check_kinds(gauges or (), study)
    looked = {name: _looked_through(study, usual[name], gauges) for name in faces.maps}
    return Request(
        study=study,
        faces=faces,
        gauges=looked,
        flats={name: _flat(study, looked[name], usual[name]) for name in faces.maps},
        known=known,
        readings=tuple(read),
        places=tuple(_place(text) for text in places),
    )


def faces_of(study: Study, run: Run | None = None, at: str | None = None) -> Faces:
    """The faces of a study as they come; those of a run of it at its end, or at a time as typed.

    Raises
    ------
    CommandError
        No time.

    """
    if run is None:
        maps = {
            name: Mapped(plate, as_read(plate, plate.heights()))
            for name, plate in study.plates.items()
        }
        return Faces(maps, dict.fromkeys(maps), "faces as they come")
    wanted = None if at is None else _time(at)
    maps, grits, when = {}, {}, 0.0
    for name, record in run.plates.items():
        times = record.frame_time
        frame = len(times) - 1 if wanted is None else int(np.argmin(np.abs(times - wanted)))
        when = float(times[frame])
        maps[name] = Mapped(plate := study.plates[name], as_read(plate, record.frames[frame]))
        rubbed = int(np.searchsorted(run.time, when * (1.0 + 1e-12), side="right"))
        grits[name] = grit_on(run, name, rubbed - 1)
    if at is None:
        return Faces(maps, grits, "faces at the end of the run")
    return Faces(maps, grits, f"faces after {Units.spell(when)} of rubbing")


def _time(text: str) -> float:
    try:
        found: float = quantity(TIME, least="0 s")(text)
    except RefusedError as trouble:
        raise CommandError(f"--at: {trouble.message}", key="--at", code=trouble.code) from None
    return found


def _check_kinds(wanted: Sequence[str], study: Study) -> None:
    """Refuse what is no gauge of the study, no kind and no usual gauge."""
    usual = {name for plate in study.plates.values() for name in usual_of(plate)}
    for name in wanted:
        if name in study.gauges or name in usual or name.lower() in KINDS:
            if name.lower() != Micrometer.kind or _of_kind(name, study.gauges):
                continue
            how = f'no micrometer is usual here: write [gauges.mic] with kind = "{Micrometer.kind}"'
            raise CommandError(f"--with: {how}", key="--with", code="name")
        known = [*study.gauges, *KINDS]
        hint = meant(name, known, f"known here: {', '.join(known)}")
        raise CommandError(f"--with: there is no gauge '{name}': {hint}", key="--with", code="name")


def _looked_through(
    study: Study, usual: Mapping[str, Gauge], wanted: Sequence[str] | None
) -> tuple[Gauge, ...]:
    """The gauges of the study, or else usual ones; only those that are wanted, by name or by kind."""
    if wanted is None:
        at_hand = [usual[name] for name in FIRST_TO_HAND if name in usual]
        return tuple(study.gauges.values() if own_of(study.gauges, study.plates) else at_hand)
    out: dict[str, Gauge] = {}
    for name in wanted:
        own = {name: study.gauges[name]} if name in study.gauges else {}
        out |= own or _of_kind(name, study.gauges) or _of_kind(name, usual)
    return tuple(out.values())


def _of_kind(name: str, gauges: Mapping[str, Gauge]) -> dict[str, Gauge]:
    """Gauges of a kind, or the usual one of that name."""
    return {
        key: gauge for key, gauge in gauges.items() if name.lower() == gauge.kind or name == key
    }


def _flat(study: Study, looked: Sequence[Gauge], usual: Mapping[str, Gauge]) -> OpticalFlat:
    """The flat of a plate: one that is looked through, or of the study, or a usual one."""
    every = (*looked, *study.gauges.values(), *usual.values())
    return next(gauge for gauge in every if isinstance(gauge, OpticalFlat))


def _taken(
    key: str, data: dict[str, Any], read: Callable[[Table], T], units: Units = Units.METRIC
) -> T:
    """What is read from a table that was typed on the line, at a bench of these units."""
    faults = Faults()
    with bench(units):
        value = read(Table(faults, key, data))
    if faults.found:
        told = "; ".join(map(str, faults.found))
        raise CommandError(told, key=key, code=faults.found[0].code)
    return value


def _readings(words: str, study: Study, known: Mapping[str, Gauge], usual: Usual) -> list[Reading]:
    """Readings from the command line: "GAUGE PLATE SIZE @ ANGLE at X, Y along Z", or a file of them."""
    data, folder = reading_table(words, study, known, usual), study.folder or Path()
    return _taken(
        "--reading", data, lambda table: part_of(table, study.plates, known, folder), study.units
    )


def reading_table(
    words: str, study: Study, known: Mapping[str, Gauge] | None = None, usual: Usual | None = None
) -> dict[str, Any]:
    """The table of a reading, as it stands in a file; of the study's own gauges alone where none are usual.

    Raises
    ------
    CommandError
        A gauge, plate or place that cannot be.

    """
    left, sign, right = words.replace('"', " ").partition("@")
    name, plate, value = _read_apart(words, left, study, usual or {own: {} for own in study.plates})
    other = name_on(name, plate)
    there = study.gauges if name in study.gauges else known or {}
    gauge = other if other in there else name
    if value.lower().endswith(".csv"):
        return {"gauge": gauge, "plate": plate, "table": value}
    data: dict[str, Any] = {"gauge": gauge, "plate": plate, "value": value}
    size, _, last = value.rpartition(" ")
    if last in ("dome", "dish"):
        data |= {"value": size.strip(), "shape": last}
    if sign:
        how = HOW_READING.format(gauge, plate)
        data |= _where(right, f"--reading '{words}'", f"{how}, or @ 0 deg at 20 mm, 0 mm")
    return data


def _read_apart(words: str, left: str, study: Study, usual: Usual) -> tuple[str, str, str]:
    """Gauge, plate and size of a reading; refuses it with the word that is none of these."""
    every = {name: gauge for gauges in usual.values() for name, gauge in gauges.items()}
    told = (every or _one_of_a_kind(study)).items()
    called = {gauge.kind: name for name, gauge in reversed(told)}
    called |= {name: name for name in (*every, *study.gauges)}
    gauge, rest = _named(left, called)
    plate, value = _named(rest, study.plates)
    wrong = ""
    if not gauge:
        wrong = _no_such("gauge", left, called)
    elif not plate:
        wrong = _no_such("plate", rest, study.plates)
    elif not value:
        wrong = "its size is missing"
    elif called[gauge] not in study.gauges and called[gauge] not in usual[plate]:
        wrong = f"a {gauge} cannot stand on {plate}, its middle would be over the bore"
        raise CommandError(f"--reading '{words}': {wrong}", key="--reading")
    if wrong:
        quoted = ", ".join(f'"{n}"' for n in study.gauges or called)  # names may have commas
        some = gauge or min(study.gauges or called, key=lambda n: n != "spherometer")
        how = HOW_READING.format(some, plate or next(iter(study.plates)))
        how += f" (gauges: {quoted}; plates: {', '.join(study.plates)})"
        raise CommandError(f"--reading '{words}': {wrong}. {how}", key="--reading")
    return called[gauge], plate, value


def _one_of_a_kind(study: Study) -> dict[str, Gauge]:
    """Gauges of the study that their kind alone tells; sizes for several plates are one gauge."""
    one = {name: gauge for name, gauge in study.gauges.items() if " for " not in name}
    kinds = [gauge.kind for gauge in one.values()]
    return {name: gauge for name, gauge in one.items() if kinds.count(gauge.kind) == 1}


def _no_such(what: str, words: str, names: Iterable[str]) -> str:
    """The word that names none of these, and the one that was meant."""
    word = words.split()[0] if words.split() else ""
    if not word:
        return f"its {what} is missing"
    close = nearest(word, names)
    return f"there is no {what} '{word}'{f' (did you mean {close}?)' if close else ''}"


def _check_on_plates(readings: Sequence[Reading], known: Mapping[str, Gauge], study: Study) -> None:
    """Refuse a reading with a foot beside the plate."""
    for reading in readings:
        gauge, outline = known[reading.gauge], study.plates[reading.plate].outline
        contacts = gauge.contacts(reading.place, outline)
        if float(outline.signed_distance(contacts.x, contacts.y).max()) > BESIDE:
            raise CommandError(
                f"{reading.gauge} cannot stand there on {reading.plate}: a foot is beside the plate. Look at "
                "where its middle stood (at), how it was turned (angle), and how large it is",
                key="readings",
                code="range",
            )


def _place(words: str) -> Placement:
    """Where to set gauges down, from the command line: "ANGLE at X, Y along Z"."""
    data = _where(words, f"--place '{words}'", HOW_PLACE)
    angle, at, along = _taken("--place", data, where_of)
    return Placement(at, angle, along)


def _where(words: str, whose: str, how: str) -> dict[str, Any]:
    """Keys of a reading from "ANGLE at X, Y along Z"; each part may be left out."""
    key = whose.split()[0]
    before, _, along = f" {words} ".partition(" along ")
    angle, _, at = before.partition(" at ")
    out: dict[str, Any] = {}
    if angle.strip():
        out["angle"] = angle.strip()
    if at.strip():
        out["at"] = [part.strip() for part in at.split(",")]
        if len(out["at"]) != 2:
            raise CommandError(f"{whose}: a place is two lengths, such as at 20 mm, 0 mm", key=key)
    if along.strip():
        out["along"] = along.strip()
    if not out:
        raise CommandError(f"{whose}: {how}", key=key)
    return out


def _named(words: str, names: Mapping[str, Any]) -> tuple[str, str]:
    """The longest name that the words begin with, and the rest."""
    words = words.strip()
    fits = [name for name in names if words == name or words.startswith((f"{name} ", f"{name},"))]
    name = max(fits, key=len, default="")
    return name, words[len(name) :].strip(" ,") if name else words


STATIONS = 7


@dataclass(frozen=True)
class Seen:
    """One gauge on one plate.

    `there`: what it shows place by place.  `swept`: what walking it over the whole face tells, of gauges
    that are walked.  `bow`: spacings by which the middle band bows, of a flat with a wedge.
    """

    gauge: Gauge
    plate: Plate
    there: Sequence[Prediction]
    lined: bool = False
    swept: Swept | None = None
    bow: float | None = None


def seen_of(request: Request, wanted: Sequence[str]) -> list[Seen]:
    """What each gauge shows on each plate, where it was asked for or at the places of its usual use."""
    out = []
    chosen = {plate: request.gauges[plate] for plate in wanted or request.faces.maps}
    for name in dict.fromkeys(gauge.name for gauges in chosen.values() for gauge in gauges):
        for plate, gauges in chosen.items():
            out += [
                _on(gauge, request, plate)
                for gauge in gauges
                if gauge.name == name and gauge.zero.plate != plate
            ]
    return out


def _on(gauge: Gauge, request: Request, plate: str) -> Seen:
    face = request.faces.maps[plate]
    if request.places:
        places = [_beside(gauge, face.plate, place) for place in request.places]
        there = [predict(gauge, request.faces.maps, plate, place) for place in places]
        return Seen(gauge, face.plate, there, bow=_bow(gauge, face, request.places[0].at))
    places = _usual_places(gauge, face.plate)
    there = [predict(gauge, request.faces.maps, plate, place) for place in places]
    swept = None
    margin = request.study.margin.of(face.plate.outline)
    if isinstance(gauge, RepeatReading):
        swept = repeat_reading(gauge, face, margin)
    elif isinstance(gauge, Bridge):
        swept = swept_flatness(gauge, face, margin)
    return Seen(gauge, face.plate, there, gauge.lined, swept, _bow(gauge, face, (0.0, 0.0)))


def _beside(gauge: Gauge, plate: Plate, place: Placement) -> Placement:
    """Where a gauge stands that is set down somewhere: a micrometer that is only turned, near the rim."""
    if isinstance(gauge, Micrometer) and place == Placement(angle=place.angle):
        return Placement(near_rim(plate.outline, place.angle))
    return place


def _bow(gauge: Gauge, face: Mapped, at: tuple[float, float]) -> float | None:
    """How far the middle band bows under a flat with a wedge; None where there is none to look at."""
    return bow(face, gauge, at) if isinstance(gauge, OpticalFlat) else None


def _usual_places(gauge: Gauge, plate: Plate) -> list[Placement]:
    """Along the longer side first; moved or turned off a groove where that helps."""
    along, across = plate.outline.size
    first = 0.0 if along >= across else 0.5 * pi
    outline, base = plate.outline, getattr(gauge, "base", 0.0)
    if isinstance(gauge, Micrometer):
        round_it = [Placement(near_rim(outline, 0.5 * pi * k)) for k in (1, 0, 3, 2)]
        return [firm_place(gauge, plate, place, 0.0) or place for place in round_it]
    if gauge.lined:
        lines = (first, first + 0.5 * pi)
        return [one for at in lines for one in _stations(outline.width_along(at), base, at)]
    wanted = [usual_place(gauge, outline, angle) for angle in usual_angles(gauge, outline)]
    reach = 0.25 * pi if len(wanted) == 1 and not plate.outline.long else pi / 18.0
    return [firm_place(gauge, plate, place, reach) or place for place in wanted]


def _stations(width: float, base: float, angle: float) -> list[Placement]:
    """Places along a line through the middle: foot to foot, or evenly for a bridge."""
    count = max(1, int(width * 0.98 / base)) if base else STATIONS
    step = base or width * 0.9 / (STATIONS - 1)
    places = [(k - 0.5 * (count - 1)) * step for k in range(count)]
    return [Placement((s * cos(angle), s * sin(angle)), angle) for s in places]


class GaugeAnswer(Answer):
    """What each gauge shows on each face, the whole faces, and what readings say.

    `faces`: those to look at, without it those of `study` as they come; `gauges` (names or kinds) and
    `plates`: only these; `readings`, such as "sph A 1.2 um @ 0 deg", beside those of the study; `places`,
    such as "90 deg at 20 mm, 0 mm": where gauges are set down; `budget`: every cause of doubt in words.

    Attributes: `seen`, what is shown gauge by gauge; `whole`, each face over all; `estimate`, the forms that
    the readings say with their covariance, None without readings; `measured`, size and wedge by plate, where
    a micrometer was on it; `findings`, what is noticed of them.

    Raises
    ------
    CommandError
        A gauge, plate, reading or place that cannot be.

    """

    def __init__(
        self,
        study: Study,
        faces: Faces | None = None,
        gauges: Sequence[str] | None = None,
        plates: Sequence[str] = (),
        readings: Sequence[str] = (),
        places: Sequence[str] = (),
        budget: bool = False,
    ) -> None:
        self.study, self.budget = study, budget
        self.request = request_of(study, faces or faces_of(study), gauges, plates, readings, places)
        self.seen = seen_of(self.request, plates)
        self.whole = whole_faces(self.request, plates)
        self.estimate = self.request.estimate()
        self.measured = self.request.measured()
        found = self.estimate
        self.findings: list[Finding] = [] if found is None else noticed_in(self.request, found)

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.presentation.gauge_text import in_words

        yield from in_words(self)

    def spoken_in(self, units: str) -> Self:
        """The same answer to a person who counts in other units ("metric" or "inch")."""
        other = super().spoken_in(units)
        other.request = replace(self.request, study=other.study)
        return other

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        found = self.estimate
        return {
            "readings": [_shown(one, p) for one in self.seen for p in one.there],
            "swept": [
                {
                    "gauge": one.gauge.name,
                    "plate": one.plate.name,
                    "kind": one.gauge.kind,
                    "places": one.swept.places,
                    "size": one.swept.size,
                }
                for one in self.seen
                if one.swept is not None
            ],
            "faces": {name: one.told() for name, one in self.whole.items()},
            "estimate": {} if found is None else _found(found, self.measured),
            "agreement": None if found is None else found.agreement,
            "doubtful": [] if found is None else list(found.doubtful),
            "findings": [as_json(one) for one in self.findings],
        }


def _shown(one: Seen, p: Prediction) -> dict[str, Any]:
    return {
        "gauge": p.gauge,
        "plate": p.plate,
        "angle": p.place.angle,
        "at": list(p.place.at),
        "along": p.place.along,
        "value": p.value,
        "uncertainty": p.budget.standard,
        "half": p.budget.half,
        "ratio": None if p.best is None else p.ratio[p.best],
        "ratios": dict(p.ratio),
        "blind": list(p.blind),
        "in_groove": p.footing.fallen,
        "bands": p.value / one.gauge.band
        if isinstance(one.gauge, OpticalFlat) and p.value is not None
        else None,
        "bow": one.bow,
        "budget": [
            {"cause": c.cause, "standard": c.standard, "how": c.how} for c in p.budget.parts
        ],
    }


def _found(found: Estimate, sizes: Mapping[str, Measured]) -> dict[str, Any]:
    covariance = found.covariance()
    out: dict[str, Any] = {}
    for plate in found.plates:
        own = [k for k, (name, _) in enumerate(found.terms) if name == plate]
        forms = found.forms(plate)
        out[plate] = {
            "forms": {name: None if one is None else one.value for name, one in forms.items()},
            "half": {name: None if one is None else one.half for name, one in forms.items()},
            "covariance": covariance[own][:, own],
            "order": found.order(plate),
            "sum_only": list(found.sum_only(plate)),
            **sizes.get(plate, Measured(None)).told_in_full(),
        }
    return out
