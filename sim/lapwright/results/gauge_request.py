"""What is asked of gauges: the faces of a study or of a run, the gauges, the readings, the places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.errors import CommandError
from lapwright.metrology.reading import FIRST_TO_HAND, by_name, name_on, usual_of
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.metrology.contacts import Mapped, Placement
    from lapwright.metrology.instruments import Gauge, OpticalFlat
    from lapwright.metrology.least_squares import Estimate
    from lapwright.metrology.reading import Reading
    from lapwright.results.finding import Finding
    from lapwright.results.record import Run
    from lapwright.study.model import Study

    Usual = Mapping[str, Mapping[str, Gauge]]  # by plate and name

__all__ = ["Faces", "Request", "faces_of", "reading_table", "request_of"]


BESIDE = 1e-6  # [m]
HOW_READING = 'write GAUGE PLATE SIZE @ ANGLE, such as "sph A 1.2 um @ 0 deg"'
HOW_PLACE = (
    'write ANGLE at X, Y along Z, as much of it as you need, such as "90 deg at 20 mm, 0 mm"'
)


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
        from lapwright.metrology.least_squares import estimate_as_they_lay

        return (
            estimate_as_they_lay(self.readings, self.known, self.study.plates)
            if self.readings
            else None
        )

    def findings(self, estimate: Estimate | None) -> list[Finding]:
        """What is noticed of the readings."""
        from lapwright.results.findings import noticed_in

        if estimate is None:
            return []
        return noticed_in(self.readings, self.known, self.study.plates, estimate)


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
    read = (
        *study.readings,
        *(one for text in readings for one in _readings(text, study, known, usual)),
    )
    _check_on_plates(read, known, study)
    _check_kinds(gauges or (), study)
    looked = {name: _looked_through(study, usual[name], gauges) for name in faces.maps}
    return Request(
        study=study,
        faces=faces,
        gauges=looked,
        flats={name: _flat(study, looked[name], usual[name]) for name in faces.maps},
        known=known,
        readings=read,
        places=tuple(_place(text) for text in places),
    )


def faces_of(study: Study, run: Run | None = None, at: str | None = None) -> Faces:
    """The faces of a study as they come; those of a run of it at its end, or at a time as typed.

    Raises
    ------
    CommandError
        No time.

    """
    import numpy as np

    from lapwright.metrology.contacts import Mapped
    from lapwright.results.record import grit_on

    if run is None:
        maps = {name: Mapped(plate, plate.heights()) for name, plate in study.plates.items()}
        return Faces(maps, dict.fromkeys(maps), "faces as they come")
    wanted = None if at is None else _time(at)
    maps, grits, when = {}, {}, 0.0
    for name, record in run.plates.items():
        times = record.frame_time
        frame = len(times) - 1 if wanted is None else int(np.argmin(np.abs(times - wanted)))
        when = float(times[frame])
        maps[name] = Mapped(study.plates[name], record.frames[frame])
        rubbed = int(np.searchsorted(run.time, when * (1.0 + 1e-12), side="right"))
        grits[name] = grit_on(run, name, rubbed - 1)
    if at is None:
        return Faces(maps, grits, "faces at the end of the run")
    return Faces(maps, grits, f"faces after {Units.spell(when)} of rubbing")


def _time(text: str) -> float:
    from lapwright.specification.quantities import TIME, quantity
    from lapwright.specification.said import RefusedError

    try:
        found: float = quantity(TIME, least="0 s")(text)
    except RefusedError as trouble:
        raise CommandError(f"--at: {trouble.message}", key="--at", code=trouble.code) from None
    return found


def _check_kinds(wanted: Sequence[str], study: Study) -> None:
    """Refuse what is no gauge of the study, no kind and no usual gauge."""
    from lapwright.metrology.instruments import KINDS
    from lapwright.specification.said import nearest

    usual = {name for plate in study.plates.values() for name in usual_of(plate)}
    for name in wanted:
        if name in study.gauges or name in usual or name.lower() in KINDS:
            continue
        known = [*study.gauges, *KINDS]
        close = nearest(name, known)
        hint = f"did you mean {close}?" if close else f"known here: {', '.join(known)}"
        raise CommandError(f"--with: there is no gauge '{name}': {hint}", key="--with", code="name")


def _looked_through(
    study: Study, usual: Mapping[str, Gauge], wanted: Sequence[str] | None
) -> tuple[Gauge, ...]:
    """The gauges of the study, or else usual ones; only those that are wanted, by name or by kind."""
    if wanted is None:
        return tuple(study.gauges.values()) or tuple(
            usual[name] for name in FIRST_TO_HAND if name in usual
        )
    out: dict[str, Gauge] = {}
    for name in wanted:
        for gauges in (
            {name: study.gauges.get(name)},
            _of_kind(name, study.gauges),
            _of_kind(name, usual),
        ):
            found = {key: gauge for key, gauge in gauges.items() if gauge is not None}
            if found:
                out |= found
                break
    return tuple(out.values())


def _of_kind(name: str, gauges: Mapping[str, Gauge]) -> dict[str, Gauge]:
    """Gauges of a kind, or the usual one of that name."""
    return {
        key: gauge for key, gauge in gauges.items() if name.lower() == gauge.kind or name == key
    }


def _flat(study: Study, looked: Sequence[Gauge], usual: Mapping[str, Gauge]) -> OpticalFlat:
    """The flat of a plate: one that is looked through, or of the study, or a usual one."""
    from lapwright.metrology.instruments import OpticalFlat

    every = (*looked, *study.gauges.values(), *usual.values())
    return next(gauge for gauge in every if isinstance(gauge, OpticalFlat))


def _readings(words: str, study: Study, known: Mapping[str, Gauge], usual: Usual) -> list[Reading]:
    """Readings from the command line: "GAUGE PLATE SIZE @ ANGLE at X, Y along Z", or a file of them."""
    from lapwright.specification.said import Faults
    from lapwright.specification.table import Table
    from lapwright.study.gauges import part_of

    data = reading_table(words, study, known, usual)
    faults = Faults()
    folder = study.folder or Path()
    found = part_of(Table(faults, "--reading", data), study.plates, known, folder)
    if faults.found:
        raise CommandError(
            "; ".join(map(str, faults.found)), key="--reading", code=faults.found[0].code
        )
    return found


def reading_table(
    words: str, study: Study, known: Mapping[str, Gauge] | None = None, usual: Usual | None = None
) -> dict[str, Any]:
    """The table of a reading, as it stands in a file; of the study's own gauges alone where none are usual.

    Raises
    ------
    CommandError
        A gauge, plate or place that cannot be.

    """
    left, sign, right = words.partition("@")
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
        data |= _where(right, f"--reading '{words}'", f"{HOW_READING}, or @ 0 deg at 20 mm, 0 mm")
    return data


def _read_apart(words: str, left: str, study: Study, usual: Usual) -> tuple[str, str, str]:
    """Gauge, plate and size of a reading; refuses it with the word that is none of these."""
    every = {name: gauge for gauges in usual.values() for name, gauge in gauges.items()}
    called = {
        gauge.kind: name for name, gauge in reversed((every or _one_of_a_kind(study)).items())
    }
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
        raise CommandError(
            f"--reading '{words}': a {gauge} cannot stand on {plate}, its middle would be over the bore",
            key="--reading",
        )
    if wrong:
        names = f"gauges: {', '.join(study.gauges or called)}; plates: {', '.join(study.plates)}"
        raise CommandError(
            f"--reading '{words}': {wrong}. {HOW_READING} ({names})", key="--reading"
        )
    return called[gauge], plate, value


def _one_of_a_kind(study: Study) -> dict[str, Gauge]:
    """Gauges of the study that their kind alone tells; sizes for several plates are one gauge."""
    one = {
        name: gauge for name, gauge in study.gauges.items() if name.partition(" for ")[0] == name
    }
    kinds = [gauge.kind for gauge in one.values()]
    return {name: gauge for name, gauge in one.items() if kinds.count(gauge.kind) == 1}


def _no_such(what: str, words: str, names: Iterable[str]) -> str:
    """The word that names none of these, and the one that was meant."""
    from lapwright.specification.said import nearest

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
    from lapwright.metrology.contacts import Placement
    from lapwright.specification.said import Faults
    from lapwright.specification.table import Table
    from lapwright.study.gauges import where_of

    faults = Faults()
    table = Table(faults, "--place", _where(words, f"--place '{words}'", HOW_PLACE))
    angle, at, along = where_of(table)
    if faults.found:
        raise CommandError(
            "; ".join(map(str, faults.found)), key="--place", code=faults.found[0].code
        )
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
    fits = [name for name in names if words == name or words.startswith(f"{name} ")]
    name = max(fits, key=len, default="")
    return name, words[len(name) :].strip() if name else words
