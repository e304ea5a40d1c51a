"""`lapwright gauge`: what each gauge would show, and what your readings mean."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.answer import Speaker, print_json, typed
from lapwright.commands.places import run_file
from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.gauges.estimate import Estimate
    from lapwright.results.gauge_request import Faces, Request
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]

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
    parser.add_argument("--plate", action="append", default=[], metavar="NAME", help="only this plate")
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="TEXT",
        help='a reading more: "GAUGE PLATE SIZE @ ANGLE", such as "sph A 1.2 um @ 0 deg"; off the centre '
        '"sph A 1.2 um @ 0 deg at 20 mm, 0 mm"',
    )
    parser.add_argument(
        "--place",
        action="append",
        default=[],
        metavar="TEXT",
        help='set the gauges down there: "ANGLE at X, Y", such as "90 deg at 20 mm, 0 mm"',
    )
    parser.add_argument("--at", metavar="TIME", help='of a run: the faces at that time, such as "10 min"')
    parser.add_argument("--budget", action="store_true", help="where the doubt comes from, cause by cause")
    parser.add_argument("--start", metavar="STUDY", help="write a study that begins with the faces found")
    parser.add_argument(
        "--out", metavar="PNG", help="draw the bands under an optical flat, such as bands.png"
    )
    parser.add_argument("--force", action="store_true", help="write over files that are there")


def main(args: argparse.Namespace) -> int:
    """Tell what gauges show and readings mean; returns the exit code."""
    from lapwright.commands.gauge_start import left_out, write_start
    from lapwright.results.gauge import GaugeAnswer

    for key, path in (("--out", args.out), ("--start", args.start)):
        if path and os.path.exists(path) and not args.force:
            raise CommandError(
                f"{path} is there already: add --force to write over it", key=key, code="exists"
            )
    study, faces = _faces(Path(args.file), args.at)
    found = GaugeAnswer(study, faces, args.gauge, args.plate, args.reading, args.place, budget=args.budget)
    if args.start:
        write_start(Path(args.start), study, found.estimate)
    if args.out:
        _draw(Path(args.out), found.request, args.plate)
    say = Speaker(args.json)
    say(found.text())
    left = left_out(found.estimate) if args.start and found.estimate is not None else []
    for line in left:
        say(line)
    if args.json:
        print_json(found.to_dict())
    say.next(*_next(args, found.estimate, whole_known=not left))
    return 0


def _faces(place: Path, at: str | None) -> tuple[Study, Faces]:
    """A study with its first faces, or a run with its last, or with those at a time."""
    from lapwright.results.gauge_request import faces_of
    from lapwright.study.read import load

    if not os.path.isdir(place) and place.suffix.lower() not in (".h5", ".hdf5"):
        if at is not None:
            raise CommandError("--at: only a run has faces at other times: name its folder", key="--at")
        study = load(place)
        return study, faces_of(study)
    from lapwright.study.runfile import read_run

    run = read_run(run_file(place))
    return run.study, faces_of(run.study, run, at)


def _next(args: argparse.Namespace, found: Estimate | None, whole_known: bool) -> list[tuple[str, str]]:
    """What to type or to open next."""
    lines = []
    if args.start:
        what = "Lap them" if whole_known else "Lap them as far as they are known"
        lines.append((what, typed("run", args.start)))
    if args.out:
        lines.append(("Open", args.out))
    if found is None:
        text = "GAUGE PLATE 1.2 um @ 0 deg"
        lines.append(("What your readings say", typed("gauge", args.file, "--reading", text)))
    elif not args.start:
        lines.append(("Begin with these faces", typed("gauge", args.file, "--start", "measured.toml")))
    if not args.out:
        lines.append(("A picture of the bands", typed("gauge", args.file, "--out", "bands.png")))
    return lines


def _draw(path: Path, asked: Request, wanted: Sequence[str]) -> None:
    """Draw the bands of each face, under the flat by which they are told."""
    from lapwright.report.pictures.fringes import Seen, fringe_picture
    from lapwright.study.safefile import put_in_place

    at = asked.places[0].at if asked.places else (0.0, 0.0)
    maps, grits = asked.faces.maps, asked.faces.grits
    seen = [Seen(name, maps[name], asked.flats[name], grits[name]) for name in wanted or maps]
    try:
        put_in_place(path, fringe_picture(seen, asked.study.units, at))
    except ValueError as trouble:
        raise CommandError(f"--out: {trouble}: lay the flat elsewhere with --place", key="--out") from None
