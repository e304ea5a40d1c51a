"""`lapwright gauge`: what each gauge would show, and what your readings mean."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.commands.answer import Speaker, print_json, typed
from sim.commands.places import run_file
from sim.errors import CommandError

if TYPE_CHECKING:
    from sim.gauges.budget import Prediction
    from sim.gauges.estimate import Estimate
    from sim.gauges.face import Face
    from sim.gauges.instruments import Gauge
    from sim.gauges.reading import Reading
    from sim.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright gauge first-pair.toml                    what each gauge would show on the faces as they come
  lapwright gauge first-pair-run --with "optical flat" --out bands.png
  lapwright gauge first-pair.toml --reading "sph A 1.2 um @ 0 deg" --reading "sph B -0.3 um"
                                                     what your readings say of both faces
  lapwright gauge first-pair.toml --start measured.toml
                                                     a study that begins with the faces so found

Gauges and readings are written in the study: [gauges.sph], [[readings]]; docs/study-files.md shows how.
Without any, one usual gauge of each kind is taken.
"""
FIRST_TO_HAND = ("spherometer, three feet", "twist gauge", "straightedge", "optical flat")
LINED = ("bridge", "level", "autocollimator")
STATIONS = 7


@dataclass(frozen=True)
class Asked:
    """A study, the faces to look at, and the gauges and readings."""

    study: Study
    faces: Mapping[str, Face]
    grits: Mapping[str, float | None]
    when: str
    gauges: Mapping[str, Gauge]
    known: Mapping[str, Gauge]  # all that a reading may name
    readings: tuple[Reading, ...]


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="a study, a run's folder, or the run.h5 in it")
    parser.add_argument(
        "--with",
        dest="gauge",
        action="append",
        metavar="G",
        help="only this gauge of the study, or a kind such as 'spherometer'",
    )
    parser.add_argument("--plate", action="append", metavar="NAME", help="only this plate")
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="TEXT",
        help='a reading more: "GAUGE PLATE SIZE @ ANGLE", such as "sph A 1.2 um @ 0 deg"',
    )
    parser.add_argument("--budget", action="store_true", help="where the doubt comes from, cause by cause")
    parser.add_argument("--start", metavar="STUDY", help="write a study that begins with the faces found")
    parser.add_argument(
        "--out", metavar="PNG", help="draw the bands under an optical flat, such as bands.png"
    )
    parser.add_argument("--force", action="store_true", help="write over files that are there")


def main(args: argparse.Namespace) -> int:
    """Tell what gauges show and readings mean; returns the exit code."""
    for key, path in (("--out", args.out), ("--start", args.start)):
        if path and os.path.exists(path) and not args.force:
            raise CommandError(
                f"{path} is there already: add --force to write over it", key=key, code="exists"
            )
    asked = _asked(Path(args.file), args)
    say = Speaker(args.json)
    seen = _seen(asked, args.plate)
    found = _estimate(asked)
    for line in _in_words(asked, seen, found, args.budget):
        say(line)
    lines = []
    if args.start:
        _write_start(Path(args.start), asked, found)
        lines.append(("Lap them", typed("run", args.start)))
    if args.out:
        _draw(Path(args.out), asked, args.plate)
        lines.append(("Open", args.out))
    if args.json:
        print_json(_as_json(seen, found))
    if found is None:
        lines.append(
            ("What your readings say", typed("gauge", args.file, "--reading", "GAUGE PLATE 1.2 um @ 0 deg"))
        )
    elif not args.start:
        lines.append(("Begin with these faces", typed("gauge", args.file, "--start", "measured.toml")))
    if not args.out:
        lines.append(("A picture of the bands", typed("gauge", args.file, "--out", "bands.png")))
    say.next(*lines)
    return 0


def _asked(place: Path, args: argparse.Namespace) -> Asked:
    """A study with its first faces, or a run with its last."""
    from sim.gauges.face import Mapped

    grits: dict[str, float | None]
    if not os.path.isdir(place) and place.suffix.lower() not in (".h5", ".hdf5"):
        from sim.study.read import load

        study = load(place)
        heights = {name: plate.heights() for name, plate in study.plates.items()}
        grits, when = dict.fromkeys(heights), "faces as they come"
    else:
        from sim.study.read import parse
        from sim.study.runfile import read_run

        run = read_run(run_file(place))
        study = parse(run.study_text, run.study_stem, maps=False)
        heights = {name: record.frames[-1] for name, record in run.plates.items()}
        last = study.steps[int(run.step[-1]) - 1].grit.size
        grits, when = dict.fromkeys(heights, last), "faces at the end of the run"
    faces = {name: Mapped(study.plates[name], z) for name, z in heights.items()}
    for name in args.plate or ():
        if name not in faces:
            raise CommandError(f"--plate: there is no plate '{name}' here: {', '.join(faces)}", key="--plate")
    usual = _usual(study)
    known = {**{gauge.kind: gauge for gauge in reversed(usual.values())}, **usual, **study.gauges}
    gauges = _gauges(study, usual, args.gauge)
    readings = (*study.readings, *(_reading(text, study, known) for text in args.reading))
    return Asked(study, faces, grits, when, gauges, known, readings)


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
    """A reading from the command line: "GAUGE PLATE SIZE @ ANGLE"."""
    from sim.study.faults import Faults
    from sim.study.gauges import reading_of
    from sim.study.table import Table

    left, _, right = words.partition("@")
    gauge, rest = _named(left, known)
    plate, value = _named(rest, study.plates)
    if not gauge or not plate or not value:
        raise CommandError(
            f"--reading '{words}': write GAUGE PLATE SIZE @ ANGLE, such as \"sph A 1.2 um @ 0 deg\" "
            f"(gauges: {', '.join(study.gauges or known)}; plates: {', '.join(study.plates)})",
            key="--reading",
        )
    data = {"gauge": gauge, "plate": plate, "value": value}
    if right.strip():
        data["angle"] = right.strip()
    faults = Faults()
    reading = reading_of(Table(faults, "--reading", data), study.plates, known)
    if faults.found:
        raise CommandError("; ".join(map(str, faults.found)), key="--reading", code=faults.found[0].code)
    return reading


def _named(words: str, names: Mapping[str, Any]) -> tuple[str, str]:
    """The longest name that the words begin with, and the rest."""
    words = words.strip()
    fits = [name for name in names if words == name or words.startswith(f"{name} ")]
    name = max(fits, key=len, default="")
    return name, words[len(name) :].strip() if name else words


def _seen(asked: Asked, wanted: Sequence[str] | None) -> list[tuple[Gauge, str, list[Prediction]]]:
    """What each gauge shows on each plate, at the places of its usual use."""
    out = []
    for gauge in asked.gauges.values():
        for plate in wanted or asked.faces:
            if gauge.zero.on == "plate" and gauge.zero.plate == plate:
                continue
            out.append((gauge, plate, _on(gauge, asked.faces, plate)))
    return out


def _on(gauge: Gauge, faces: Mapping[str, Face], plate: str) -> list[Prediction]:
    from sim.gauges.budget import firm_place, predict
    from sim.gauges.contacts import Placement

    of = faces[plate].plate
    along, across = of.outline.size
    first = 0.0 if along >= across else 0.5 * pi
    if gauge.kind in LINED:
        return [
            predict(gauge, faces, plate, place)
            for angle in (first, first + 0.5 * pi)
            for place in _stations(of.outline.width_along(angle), getattr(gauge, "base", 0.0), angle)
        ]
    angles = [first] if gauge.kind == "spherometer" else [first + k * 0.25 * pi for k in range(4)]
    wanted = [Placement(angle=angle) for angle in angles]
    reach = 0.25 * pi if len(angles) == 1 else pi / 18.0
    return [predict(gauge, faces, plate, firm_place(gauge, of, place, reach) or place) for place in wanted]


def _stations(width: float, base: float, angle: float) -> list[Any]:
    """Places along a line through the middle: foot to foot, or evenly for a bridge."""
    from math import cos, sin

    from sim.gauges.contacts import Placement

    count = max(1, int(width * 0.98 / base)) if base else STATIONS
    step = base or width * 0.9 / (STATIONS - 1)
    places = [(k - 0.5 * (count - 1)) * step for k in range(count)]
    return [Placement((s * cos(angle), s * sin(angle)), angle) for s in places]


def _estimate(asked: Asked) -> Estimate | None:
    """The forms that the readings say; None without readings."""
    from sim.gauges.conditions import bending
    from sim.gauges.estimate import estimate

    if not asked.readings:
        return None
    gauges, plates = asked.known, asked.study.plates
    used: dict[str, float] = {}
    for reading in asked.readings:
        more = bending(plates[reading.plate], gauges[reading.gauge].conditions)
        used[reading.plate] = max(used.get(reading.plate, 0.0), more)
    return estimate(asked.readings, gauges, plates, used)


def _in_words(
    asked: Asked, seen: Sequence[tuple[Gauge, str, list[Prediction]]], found: Estimate | None, full: bool
) -> list[str]:
    from sim.report import gauge_words

    units = asked.study.units
    lines = []
    if found is not None:
        count = len(asked.readings)
        lines += [f"{asked.study.title}: what {count} reading{'s' if count > 1 else ''} say", ""]
        lines += gauge_words.found_words(found, units)
        lines += gauge_words.who_is_on_top(found, units)
        lines.append("")
    lines.append(f"{asked.study.title}: what a gauge would show, {asked.when}")
    if not asked.study.gauges:
        lines.append("(no gauge in the study: usual ones, without scatter of their own, on half the plate)")
    for gauge, plate, there in seen:
        lines += ["", f"{gauge.name or gauge.kind} on {plate}"]
        if gauge.kind in LINED:
            lines += [f"  {line}" for line in _line_words(gauge, there, units)]
        else:
            lines += [f"  {gauge_words.shows(one, gauge, units)}" for one in there]
        if said := gauge_words.shares(there, gauge):
            lines.append(f"  {said}")
        lines += [f"  {line}" for line in gauge_words.doubt(there[0].budget, gauge, units, full)]
    return lines


def _line_words(gauge: Gauge, there: Sequence[Prediction], units: str) -> list[str]:
    """A stepped line as the profile that it gives."""
    import numpy as np

    from sim.gauges.profile import stepped
    from sim.report import gauge_words
    from sim.report.amounts import both_units

    out = []
    for angle in dict.fromkeys(one.place.angle for one in there):
        values = [one.value for one in there if one.place.angle == angle]
        told = [value for value in values if value is not None]
        if len(told) < len(values) or len(told) < 2:
            why = "a foot falls into a groove on the way, or the line is too short"
            out.append(f"at {gauge_words.degrees(angle)}: {why}")
            continue
        heights = np.array(told)
        if gauge.angular:
            heights = stepped(heights, getattr(gauge, "base", 0.0)).heights
        else:
            heights = heights - np.linspace(heights[0], heights[-1], len(heights))
        top = float(heights[np.argmax(np.abs(heights))])
        said = (
            "straight" if abs(top) < 5e-10 else f"{'high' if top > 0 else 'low'} by {both_units(top, units)}"
        )
        what = f"{len(told)} steps" if gauge.angular else f"{len(told)} places"
        out.append(f"at {gauge_words.degrees(angle)}, {what}: {said} at most, from the line through its ends")
    return out


def _as_json(seen: Sequence[tuple[Gauge, str, list[Prediction]]], found: Estimate | None) -> dict[str, Any]:
    readings = [
        {
            "gauge": one.gauge,
            "plate": plate,
            "angle": one.place.angle,
            "at": list(one.place.at),
            "value": one.value,
            "uncertainty": one.budget.standard,
            "ratio": None if one.best is None else one.ratio[one.best],
            "ratios": dict(one.ratio),
            "blind": list(one.blind),
            "budget": [{"cause": p.cause, "standard": p.standard, "how": p.how} for p in one.budget.parts],
        }
        for _, plate, there in seen
        for one in there
    ]
    return {"readings": readings, "estimate": {} if found is None else _found_json(found)}


def _found_json(found: Estimate) -> dict[str, Any]:
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
        }
    return out


def _write_start(path: Path, asked: Asked, found: Estimate | None) -> None:
    """Write the study again, its faces as the readings say; waves keep what was written."""
    from sim.planning.written import written
    from sim.study.read import document_of
    from sim.study.safefile import put_in_place
    from sim.study.say import say_small

    if found is None:
        raise CommandError("--start needs readings: write [[readings]], or give --reading", key="--start")
    document = document_of(asked.study.text)
    names = {"sphere": "dome"}
    for plate in found.plates:
        forms = found.forms(plate)
        table = next(document[kind] for kind in ("plates", "parts") if plate in document.get(kind, {}))[plate]
        kept = {key: value for key, value in dict(table.get("form", {})).items() if key == "ripple"}
        sizes = {}
        for name, form in forms.items():
            if form is not None:
                dish = name == "sphere" and form.value < 0.0
                key = "dish" if dish else names.get(name, name)
                sizes[key] = say_small(abs(form.value) if dish else form.value, figures=4)
        table["form"] = kept | sizes
    document.pop("readings", None)
    note = "The faces are those that readings said; what they did not see is taken as nought."
    put_in_place(path, written(document, note).encode("utf-8"))


def _draw(path: Path, asked: Asked, wanted: Sequence[str] | None) -> None:
    from sim.gauges.fringes import LAMPS
    from sim.gauges.instruments import OpticalFlat
    from sim.report.pictures.fringes import Seen, fringe_picture
    from sim.study.safefile import put_in_place

    flats = [gauge for gauge in asked.study.gauges.values() if isinstance(gauge, OpticalFlat)]
    flat = flats[0] if flats else OpticalFlat(diameter=10.0, wavelength=LAMPS["sodium"])
    seen = [Seen(name, asked.faces[name], asked.grits[name]) for name in wanted or asked.faces]
    put_in_place(path, fringe_picture(seen, replace(flat), asked.study.units))
