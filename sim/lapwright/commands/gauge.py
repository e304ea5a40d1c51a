"""`lapwright gauge`: what gauges show, what readings mean, and a study that begins there.

A study that begins with the faces that readings said.
"""

from __future__ import annotations

import argparse
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.commands.options import Parser, check_free, names_run, run_file
from lapwright.commands.terminal import Speaker, typed
from lapwright.errors import CommandError
from lapwright.files import put_beside
from lapwright.metrology.form import FORMS
from lapwright.metrology.least_squares import Estimate
from lapwright.metrology.micrometer import Measured
from lapwright.study.model import Study
from lapwright.study.sizes import digits, load_as_measured, put_size, sizes_of
from lapwright.study.source import document_of
from lapwright.study.write import written
from lapwright.units import Unit, Units, joined

if TYPE_CHECKING:
    from lapwright.results.gauge import Faces, Request
    from lapwright.specification.step import Step

EXAMPLE = """\
example:
  lapwright gauge first-pair.toml                    what each gauge would show on the faces as they come
  lapwright gauge first-pair-run --with "optical flat" --out bands.png
  lapwright gauge first-pair-run --with spherometer --place "0 deg at 20 mm, 0 mm"
  lapwright gauge first-pair.toml --reading "sph A 1.2 um @ 0 deg" --reading "sph B -0.3 um"
                                                     what your readings say of both faces
  lapwright gauge first-pair.toml --start measured.toml
                                                     a study that begins with the faces so found

Gauges and readings are written in the study: [gauges.sph], [[readings]]; docs/study-files.md shows how.
Without any, usual ones are taken that fit each plate: a spherometer, a twist gauge, a straightedge and an
optical flat; --with names others, such as level or bridge.
"""


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="a study, a run's folder, or the run.h5 in it")
    only = "only this gauge of the study, or a kind such as 'spherometer'"
    parser.option("--with", "G", only, dest="gauge", action="append")
    parser.several("--plate", "NAME", "only this plate")
    more = 'a reading more: "GAUGE PLATE SIZE @ ANGLE", such as "sph A 1.2 um @ 0 deg"; off the centre '
    parser.several("--reading", "TEXT", f'{more}"sph A 1.2 um @ 0 deg at 20 mm, 0 mm"')
    down = 'set the gauges down there: "ANGLE at X, Y", such as "90 deg at 20 mm, 0 mm"'
    parser.several("--place", "TEXT", down)
    parser.option("--at", "TIME", 'of a run: the faces at that time, such as "10 min"')
    parser.flag("--budget", "where the doubt comes from, cause by cause")
    parser.option("--start", "STUDY", "write a study that begins with the faces found")
    parser.option("--out", "PNG", "draw the bands under an optical flat, such as bands.png")
    parser.flag("--force", "write over files that are there")


def main(args: argparse.Namespace) -> int:
    """Tell what gauges show and readings mean; returns the exit code."""
    from lapwright.results.gauge import GaugeAnswer

    check_free(args.out, args.force, "--out")
    check_free(args.start, args.force, "--start")
    study, faces = _faces(Path(args.file), args.at)
    found = GaugeAnswer(
        study, faces, args.gauge, args.plate, args.reading, args.place, budget=args.budget
    )
    if args.start:
        write_start(Path(args.start), study, found.estimate, found.measured)
    fell = _draw(Path(args.out), found.request, args.plate) if args.out else ""
    say = Speaker(args.json)
    say.answer(found)
    if fell:
        say(fell)
    left = (
        left_out(found.estimate, found.measured)
        if args.start and found.estimate is not None
        else []
    )
    for line in left:
        say(line)
    say.next(*_next(args, found.estimate, study.units, whole_known=not left))
    return 0


def _faces(place: Path, at: str | None) -> tuple[Study, Faces]:
    """A study with its first faces, or a run with its last, or with those at a time."""
    from lapwright.results.gauge import faces_of
    from lapwright.study.read import load

    if not names_run(place):
        if at is not None:
            message = "--at: only a run has faces at other times: name its folder"
            raise CommandError(message, key="--at")
        study = load(place)
        return study, faces_of(study)
    from lapwright.results.runfile import read_run

    run = read_run(run_file(place))
    return run.study, faces_of(run.study, run, at)


def _next(
    args: argparse.Namespace, found: Estimate | None, units: Units, whole_known: bool
) -> list[tuple[str, object]]:
    """What to type or to open next."""
    lines: list[tuple[str, object]] = []
    if args.start:
        what = "Lap them" if whole_known else "Lap them as far as they are known"
        lines.append((what, typed("run", args.start)))
    if args.out:
        lines.append(("Open", args.out))
    if found is None:
        size = "1.2 um" if units == "metric" else "40 uin"
        again = typed("gauge", args.file, "--reading", f"GAUGE PLATE {size} @ 0 deg")
        lines.append(("What your readings say", again))
    elif not args.start:
        again = typed("gauge", args.file, "--start", "measured.toml")
        lines.append(("Begin with these faces", again))
    if not args.out:
        lines.append(("A picture of the bands", typed("gauge", args.file, "--out", "bands.png")))
    return lines


def _draw(path: Path, asked: Request, wanted: Sequence[str]) -> str:
    """Draw the bands of each face, under the flat by which they are told; says which fell into a bore."""
    from lapwright.metrology.fringes import lies_on_land
    from lapwright.presentation.pictures.fringes import Seen, fringe_picture
    from lapwright.presentation.words import say

    at = asked.places[0].at if asked.places else (0.0, 0.0)
    maps, grits = asked.faces.maps, asked.faces.grits
    every = [Seen(name, maps[name], asked.flats[name], grits[name]) for name in wanted or maps]
    bored = [
        one
        for one in every
        if one.face.plate.outline.bore and not lies_on_land(one.face.plate, one.flat, at)
    ]
    seen = [one for one in every if one not in bored]
    # A usual flat is as large as its piece: only one of the study falls in.
    names = joined([one.name for one in bored])
    fell = say("gauge.in_bore", flat=bored[0].flat.name, plates=names) if bored else ""
    if not seen:
        raise CommandError(f"--out: {fell}", key="--out")
    try:
        put_beside(path, fringe_picture(seen, asked.study.units, at))
    except ValueError as trouble:
        message = f"--out: {trouble}: lay the flat elsewhere with --place"
        raise CommandError(message, key="--out") from None
    return fell


SMALL = 1e-3  # of the whole doubt of a form: a smaller part of it is nothing


def write_start(
    path: Path, study: Study, found: Estimate | None, sizes: Mapping[str, Measured] | None = None
) -> None:
    """Write the study again, its faces and `sizes` as the readings say; waves keep what was written.

    Raises
    ------
    CommandError
        There are no readings.
    CannotDoError
        The file cannot be written.

    """
    if found is None:
        message = "--start needs readings: write [[readings]], or give --reading"
        raise CommandError(message, key="--start")
    document = document_of(study.text)
    for plate in found.plates:
        kind = next(kind for kind in ("plates", "parts") if plate in document.get(kind, {}))
        table = document[kind][plate]
        if sizes and plate in sizes:
            put_size(table, sizes[plate], study.units)
            if _no_form(found, plate):
                continue  # a micrometer alone says nothing of the form that was typed
        kept = {key: value for key, value in dict(table.get("form", {})).items() if key == "ripple"}
        form = kept | _form(found, plate, study.units.small)
        if form or "form" in table:
            table["form"] = form
    if study.start is not None:
        document.pop("start")
        pairs = study.start.plates.items()
        left = {here: there for here, there in pairs if here not in found.plates}
        document |= {"start": {"run": study.start.run, **left}} if left else {}
    document.pop("readings", None)
    if doubts := _doubts(found, study.units.small):
        document["doubts"] = doubts
    lines = [
        "The faces are those that readings said; what they did not see is taken as zero.",
        *left_out(found, sizes or {}),
        *_put_loads(document, study, sizes or {}),
        "Each [[doubts]] is something that the readings leave open: by how much it moves the forms together,",
        "one standard deviation. --samples of compare and tune draws the faces by them.",
    ]
    if study.text.startswith("#"):
        lines.append("What a comment below says of sizes was written of the faces before.")
    text = written(document, "\n".join(lines), study.text, remarks=False)
    put_beside(path, text.encode("utf-8"))


def _put_loads(
    document: dict[str, Any], study: Study, sizes: Mapping[str, Measured]
) -> Iterator[str]:
    """Where the hand presses to take a wedge out, as it was measured now; says what it changed.

    Where it pressed off the middle of a body for another wedge, that would lap a wedge into it.
    """
    for number, step in enumerate(study.steps, 1):
        one = sizes.get(step.top)
        meant = study.plates[step.top].wedge is not None and step.load.at != (0.0, 0.0)
        if one is None or one.wedge is None or not meant:
            continue
        table = document["steps"][number - 1]
        at = _load_against(study, step, one)
        if at is None:
            table.pop("load_at", None)
            yield (
                f"load_at of step {number} was set for another wedge of {step.top}: left out, so that it "
                "presses in the middle."
            )
            continue
        x, y = (study.units.length(part, echo=True) for part in at)
        table["load_at"] = {"x": x, "y": y, "fixed_to": "top"}
        yield f"load_at of step {number} was set for another wedge of {step.top}: it is set for this one."


def _load_against(study: Study, step: Step, one: Measured) -> tuple[float, float] | None:
    """Where to press, to a tenth of a millimetre; None where nothing is to be taken out or it cannot be."""
    plate, size = study.plates[step.top], sizes_of(study).get(step.top)
    if one.thickness is None or size is None or size.thickness is None:
        return None
    return load_as_measured(one, plate, step, one.thickness.value - size.thickness)


def _form(found: Estimate, plate: str, unit: Unit) -> dict[str, Any]:
    """What the readings fix, as a study says it, in the `unit` of a person's forms."""
    out = {}
    for name, form in found.forms(plate).items():
        if form is None:
            continue
        text = digits(form, unit)
        if float(text.removesuffix(unit.name)) == 0.0:
            continue
        dish = name == "sphere" and form.value < 0.0
        out["dish" if dish else _typed(name)] = text.removeprefix("-") if dish else text
    return out


def _doubts(found: Estimate, unit: Unit) -> list[dict[str, dict[str, str]]]:
    """What the readings leave open, cause by cause, as a study says it."""
    doubts = found.doubts()
    least = SMALL * np.sqrt((doubts.moves**2).sum(axis=1))
    out = []
    for cause in doubts.moves.T:
        moved: dict[str, dict[str, str]] = {}
        for (plate, form), size, small in zip(doubts.terms, cause.tolist(), least, strict=True):
            if abs(size) > small:
                moved.setdefault(plate, {})[_typed(form)] = (
                    f"{Units.number(size / unit.size, 4)} {unit.name}"
                )
        out.append(moved)
    return out


def _typed(form: str) -> str:
    return "dome" if form == "sphere" else form


def _no_form(found: Estimate, plate: str) -> bool:
    """Whether readings fix no single form of a plate."""
    return not any(found.forms(plate).values())


def left_out(found: Estimate, sizes: Collection[str] = ()) -> list[str]:
    """Sentences on what was read and is not used: sums of forms, of which no single one is known.

    Of plates of which a micrometer told the `sizes` alone, nothing.
    """
    lines = []
    for plate in found.plates:
        if plate in sizes and _no_form(found, plate):
            continue
        if sums := found.sum_only(plate):
            only = f"only a sum of {joined([FORMS[name].word for name in sums])} was read"
            lines.append(f"Of {plate} {only}: they are left out, as zero.")
    return lines
