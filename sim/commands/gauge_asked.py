"""What `gauge` is asked: the faces of a study or of a run, the gauges, the readings, the places."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.commands.places import run_file
from sim.errors import CommandError

if TYPE_CHECKING:
    from sim.gauges.contacts import Placement
    from sim.gauges.face import Mapped
    from sim.gauges.instruments import Gauge
    from sim.gauges.reading import Reading
    from sim.study.model import Study
    from sim.study.runfile import Run

__all__ = ["Asked", "asked_of"]

FIRST_TO_HAND = ("spherometer, three feet", "twist gauge", "straightedge", "optical flat")
BESIDE = 1e-6  # [m]
HOW_READING = 'write GAUGE PLATE SIZE @ ANGLE, such as "sph A 1.2 um @ 0 deg"'
HOW_PLACE = 'write ANGLE at X, Y along Z, as much of it as you need, such as "90 deg at 20 mm, 0 mm"'


@dataclass(frozen=True)
class Asked:
    """A study, the faces to look at, and the gauges and readings.

    `grits` [m]: the last loose grit on each face, None where it is not known.  `places`: where the gauges are
    set down; empty for the places of their usual use.
    """

    study: Study
    faces: Mapping[str, Mapped]
    grits: Mapping[str, float | None]
    when: str
    gauges: Mapping[str, Gauge]
    known: Mapping[str, Gauge]  # all that a reading may name
    readings: tuple[Reading, ...]
    places: tuple[Placement, ...]


def asked_of(args: argparse.Namespace) -> Asked:
    """A study with its first faces, or a run with its last, or with those at a time.

    Raises
    ------
    CommandError
        A gauge, plate, reading, place or time that cannot be.

    """
    place = Path(args.file)
    if os.path.isdir(place) or place.suffix.lower() in (".h5", ".hdf5"):
        study, faces, grits, when = _of_run(place, args.at)
    elif args.at is not None:
        raise CommandError("--at: only a run has faces at other times: name its folder", key="--at")
    else:
        study, faces, grits, when = _of_study(place)
    for name in args.plate or ():
        if name not in faces:
            raise CommandError(f"--plate: there is no plate '{name}' here: {', '.join(faces)}", key="--plate")
    usual = _usual(study)
    known = {**{gauge.kind: gauge for gauge in reversed(usual.values())}, **usual, **study.gauges}
    readings = (*study.readings, *(_reading(text, study, known) for text in args.reading))
    _check_on_plates(readings, known, study)
    return Asked(
        study,
        faces,
        grits,
        when,
        _gauges(study, usual, args.gauge),
        known,
        readings,
        tuple(_place(text) for text in args.place or ()),
    )


def _of_study(place: Path) -> tuple[Study, dict[str, Mapped], dict[str, float | None], str]:
    from sim.gauges.face import Mapped
    from sim.study.read import load

    study = load(place)
    faces = {name: Mapped(plate, plate.heights()) for name, plate in study.plates.items()}
    return study, faces, dict.fromkeys(faces), "faces as they come"


def _of_run(place: Path, at: str | None) -> tuple[Study, dict[str, Mapped], dict[str, float | None], str]:
    import numpy as np

    from sim.gauges.face import Mapped
    from sim.study.read import parse
    from sim.study.runfile import read_run
    from sim.study.say import say_time

    run = read_run(run_file(place))
    study = parse(run.study_text, run.study_stem, maps=False)
    wanted = None if at is None else _time(at)
    faces, grits, when = {}, {}, 0.0
    for name, record in run.plates.items():
        times = record.frame_time
        frame = len(times) - 1 if wanted is None else int(np.argmin(np.abs(times - wanted)))
        when = float(times[frame])
        faces[name] = Mapped(study.plates[name], record.frames[frame])
        grits[name] = _last_grit(run, study, name, when)
    if at is None:
        return study, faces, grits, "faces at the end of the run"
    return study, faces, grits, f"faces after {say_time(when, 3, echo=True)} of rubbing"


def _time(text: str) -> float:
    from sim.study.faults import RefusedError
    from sim.study.units import TIME, quantity

    try:
        found: float = quantity(TIME, least="0 s")(text)
    except RefusedError as trouble:
        raise CommandError(f"--at: {trouble.message}", key="--at", code=trouble.code) from None
    return found


def _last_grit(run: Run, study: Study, name: str, time: float) -> float | None:
    """The grit [m] that lapped a plate last before a time [s]; None: none yet."""
    found = None
    for k in range(1, len(run.time)):
        if float(run.time[k]) <= time * (1.0 + 1e-12) and name in (run.top[k], run.bottom[k]):
            found = study.steps[int(run.step[k]) - 1].grit.size
    return found


def _usual(study: Study) -> dict[str, Gauge]:
    """One gauge of each kind that fits the smallest plate."""
    from sim.gauges.blind import usual_gauges

    smallest = min(study.plates.values(), key=lambda plate: plate.outline.smaller)
    return {gauge.name: gauge for gauge in usual_gauges(smallest.outline)}


def _gauges(study: Study, usual: Mapping[str, Gauge], wanted: Sequence[str] | None) -> dict[str, Gauge]:
    """The gauges of the study, or usual ones; only those that are wanted."""
    from sim.study.faults import nearest

    if wanted is None:
        return dict(study.gauges) or {name: usual[name] for name in FIRST_TO_HAND}
    out: dict[str, Gauge] = {}
    for name in wanted:
        kinds = {g.name: g for g in usual.values() if g.kind == name.lower() or g.name == name}
        if name in study.gauges:
            out[name] = study.gauges[name]
        elif kinds:
            out |= kinds
        else:
            known = [*study.gauges, *dict.fromkeys(g.kind for g in usual.values())]
            close = nearest(name, known)
            hint = f"did you mean {close}?" if close else f"known here: {', '.join(known)}"
            raise CommandError(f"--with: there is no gauge '{name}': {hint}", key="--with", code="name")
    return out


def _reading(words: str, study: Study, known: Mapping[str, Gauge]) -> Reading:
    """A reading from the command line: "GAUGE PLATE SIZE @ ANGLE at X, Y along Z"."""
    from sim.study.faults import Faults, nearest
    from sim.study.gauges import reading_of
    from sim.study.table import Table

    left, sign, right = words.partition("@")
    names = f"gauges: {', '.join(study.gauges or known)}; plates: {', '.join(study.plates)}"
    gauge, rest = _named(left, known)
    plate, value = _named(rest, study.plates)
    if not gauge or not plate or not value:
        missing = left.split()
        what = ""
        if missing and not gauge and (close := nearest(missing[0], known)):
            what = f"there is no gauge '{missing[0]}', did you mean {close}? "
        elif gauge and not plate and rest:
            what = f"there is no plate '{rest.split()[0]}'. "
        elif gauge and plate:
            what = "its size is missing. "
        raise CommandError(f"--reading '{words}': {what}{HOW_READING} ({names})", key="--reading")
    data: dict[str, Any] = {"gauge": gauge, "plate": plate, "value": value}
    size, _, last = value.rpartition(" ")
    if last in ("dome", "dish"):
        data |= {"value": size.strip(), "shape": last}
    if sign:
        data |= _where(right, f"--reading '{words}'", f"{HOW_READING}, or @ 0 deg at 20 mm, 0 mm")
    faults = Faults()
    reading = reading_of(Table(faults, "--reading", data), study.plates, known)
    if faults.found:
        raise CommandError("; ".join(map(str, faults.found)), key="--reading", code=faults.found[0].code)
    return reading


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
    from sim.gauges.contacts import Placement
    from sim.study.faults import Faults
    from sim.study.gauges import where_of
    from sim.study.table import Table

    faults = Faults()
    table = Table(faults, "--place", _where(words, f"--place '{words}'", HOW_PLACE))
    angle, at, along = where_of(table)
    if faults.found:
        raise CommandError("; ".join(map(str, faults.found)), key="--place", code=faults.found[0].code)
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
