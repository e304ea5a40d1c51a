"""`lapwright report`: makes the page again from a run, its work card, or height maps of the faces."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.paths import PAGE_FILES, changed_since, run_file
from lapwright.commands.terminal import Speaker, print_json, typed
from lapwright.errors import CommandError
from lapwright.results.answer import wrapped
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.results.record import Run

__all__ = ["EXAMPLE", "add", "main"]


KINDS = ("x3p", "sdf", "csv", "npy")

EXAMPLE = """\
example:
  lapwright report first-pair-run --force   makes report.html and its pictures again
  lapwright report first-pair-run --card    makes card.html: one sheet of paper for the bench
  lapwright report first-pair-run --maps x3p   writes the faces at the end as height maps
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("run", metavar="RUN", help="a run's folder, or the run.h5 in it")
    parser.add_argument(
        "--card",
        action="store_true",
        help="make the work card instead: one printed page for the bench",
    )
    parser.add_argument(
        "--maps",
        metavar="KIND",
        choices=KINDS,
        help=f"write the faces as height maps instead: {', '.join(KINDS)}",
    )
    parser.add_argument(
        "--at",
        metavar="TIME",
        help='with --maps: the faces at that time, such as "10 min" (the end)',
    )
    parser.add_argument("--force", action="store_true", help="write over what is there")


def main(args: argparse.Namespace) -> int:
    """Make the page; returns the exit code."""
    from lapwright.results.runfile import read_run

    path = run_file(Path(args.run))
    run = read_run(path)
    say = Speaker(args.json)
    for line in wrapped(changed_since(path, run) or "", "", "  "):
        say(line)
    if args.maps or args.at:
        return _maps(run, path, args, say)
    page = path.parent / ("card.html" if args.card else "report.html")
    if page.exists() and not args.force:
        raise CommandError(
            f"{page} is there already: add --force to write over it", key="--force", code="exists"
        )
    from lapwright.files import opened

    with opened(path.parent) as folder:
        folder.claim(
            [page.name] if args.card else [name for name in PAGE_FILES if name != "card.html"]
        )
        return (_card if args.card else _made)(run, path, args, say)


def _made(run: Run, path: Path, args: argparse.Namespace, say: Speaker) -> int:
    """Make the page again; returns the exit code."""
    from lapwright.presentation.page import write_page

    written = write_page(run, path.parent)
    if args.json:
        print_json({"study": run.study_stem, "outcome": run.outcome, "page": str(written)})
    say(f"The page of {run.study_stem} is made again from {path}.")
    say.next(("Open in a browser", str(written)), ("See how it bears", typed("bearing", path)))
    return 0


def _maps(run: Run, path: Path, args: argparse.Namespace, say: Speaker) -> int:
    """Write the faces as height maps; returns the exit code."""
    from lapwright.files import opened
    from lapwright.results.runfile import faces_of, write_faces
    from lapwright.specification.quantities import TIME, quantity
    from lapwright.specification.said import RefusedError

    if not args.maps or args.card:
        raise CommandError(
            "--at belongs to --maps, and --maps and --card are two things", key="--maps"
        )
    try:
        time = None if args.at is None else quantity(TIME, least="0 s")(args.at)
    except RefusedError as trouble:
        raise CommandError(f"--at: {trouble.message}", key="--at") from None
    faces = faces_of(run, path.parent, args.maps, time)
    for face in faces:
        if face.path.exists() and not args.force:
            raise CommandError(
                f"{face.path} is there already: add --force to write over it",
                key="--force",
                code="exists",
            )
    with opened(path.parent) as folder:
        folder.claim(face.path.name for face in faces)
        written = write_faces(run, faces)
    if args.json:
        maps = {face.plate: {"file": str(face.path), "time": face.time} for face in faces}
        print_json({"study": run.study_stem, "outcome": run.outcome, "maps": maps})
    for face in faces:
        say(f"The face of {face.plate} after {Units.spell(face.time)} of rubbing: {face.path}")
    say("Each map is drawn looking at the face, 12 o'clock up; + is metal standing proud.")
    name, file = next(iter(written.items()))
    typed_map = f'"{file.name}"'
    if args.maps == "npy":
        x = run.plates[name].x
        typed_map = f'{{ file = {typed_map}, spacing = "{(x[1] - x[0]) * 1e3:.9g} mm" }}'
    say.next(("Start a plate from one", f"form = {{ map = {typed_map} }} in a study beside it"))
    return 0


def _card(run: Run, path: Path, args: argparse.Namespace, say: Speaker) -> int:
    """Make the work card; returns the exit code."""
    from lapwright.presentation.card import write_card

    written = write_card(run, path.parent)
    if args.json:
        print_json({"study": run.study_stem, "outcome": run.outcome, "card": str(written)})
    say(f"The work card of {run.study_stem} is made from {path}: one page, A4 or Letter.")
    say(
        "To print it, open it in a browser and print at full size (100 %), black and white, upright."
    )
    page = path.parent / "report.html"
    whole = str(page) if page.exists() else typed("report", path.parent)
    say.next(("Open in a browser", str(written)), ("The whole story", whole))
    return 0
