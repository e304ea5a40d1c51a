"""`lapwright report`: makes the page again from a run, its work card, or height maps of the faces."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import PAGE_FILES, Parser, changed_since, check_free, run_file
from lapwright.commands.terminal import Speaker, typed
from lapwright.errors import CommandError
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.results.record import Run

KINDS = ("x3p", "sdf", "csv", "npy")

EXAMPLE = """\
example:
  lapwright report first-pair-run --force   makes report.html and its pictures again
  lapwright report first-pair-run --card    makes card.html: one sheet of paper for the bench
  lapwright report first-pair-run --maps x3p   writes the faces at the end as height maps
"""


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("run", metavar="RUN", help="a run's folder, or the run.h5 in it")
    parser.flag("--card", "make the work card instead: one printed page for the bench")
    maps = f"write the faces as height maps instead: {', '.join(KINDS)}"
    parser.option("--maps", "KIND", maps, choices=KINDS)
    parser.option("--at", "TIME", 'with --maps: the faces at that time, such as "10 min" (the end)')
    parser.flag("--force", "write over what is there")


def main(args: argparse.Namespace) -> int:
    """Make the page; returns the exit code."""
    from lapwright.results.runfile import read_run

    path = run_file(Path(args.run))
    run = read_run(path)
    say = Speaker(args.json)
    say.lines(changed_since(path, run))
    if args.maps or args.at:
        return _maps(run, path, args, say)
    page = path.parent / ("card.html" if args.card else "report.html")
    check_free(page, args.force, "--force")
    from lapwright.files import opened

    with opened(path.parent) as folder:
        page_alone = [name for name in PAGE_FILES if name != "card.html"]
        folder.claim([page.name] if args.card else page_alone)
        return (_card if args.card else _made)(run, path, say)


def _made(run: Run, path: Path, say: Speaker) -> int:
    """Make the page again; returns the exit code."""
    from lapwright.presentation.page import write_page

    written = write_page(run, path.parent)
    say.json({"study": run.study_stem, "outcome": run.outcome, "page": str(written)})
    say(f"The page of {run.study_stem} is made again from {path}.")
    say.next(("Open in a browser", written), ("See how it bears", typed("bearing", path)))
    return 0


def _maps(run: Run, path: Path, args: argparse.Namespace, say: Speaker) -> int:
    """Write the faces as height maps; returns the exit code."""
    from lapwright.files import opened
    from lapwright.results.runfile import faces_of, write_faces
    from lapwright.specification.quantities import TIME, quantity
    from lapwright.specification.said import RefusedError

    if not args.maps or args.card:
        message = "--at belongs to --maps, and --maps and --card are two things"
        raise CommandError(message, key="--maps")
    try:
        time = None if args.at is None else quantity(TIME, least="0 s")(args.at)
    except RefusedError as trouble:
        raise CommandError(f"--at: {trouble.message}", key="--at") from None
    faces = faces_of(run, path.parent, args.maps, time)
    for face in faces:
        check_free(face.path, args.force, "--force")
    with opened(path.parent) as folder:
        folder.claim(face.path.name for face in faces)
        written = write_faces(run, faces)
    maps = {face.plate: {"file": str(face.path), "time": face.time} for face in faces}
    say.json({"study": run.study_stem, "outcome": run.outcome, "maps": maps})
    for face in faces:
        say(f"The face of {face.plate} after {Units.spell(face.time)} of rubbing: {face.path}")
    say("Each map is drawn looking at the face, 12 o'clock up; + is metal standing proud.")
    name, file = next(iter(written.items()))
    typed_map = f'"{file.name}"'
    if args.maps == "npy":
        x = run.plates[name].x
        typed_map = f'{{ file = {typed_map}, spacing = "{(x[1] - x[0]) * 1e3:.9g} mm" }}'
    say.next(("Start a plate from one", f"form = {{ map = {typed_map} }} in a study next to it"))
    return 0


def _card(run: Run, path: Path, say: Speaker) -> int:
    """Make the work card; returns the exit code."""
    from lapwright.presentation.card import write_card

    written = write_card(run, path.parent)
    say.json({"study": run.study_stem, "outcome": run.outcome, "card": str(written)})
    pages = written.read_text("utf-8").count('<div class="wc-sheet')
    size = "one page" if pages == 1 else f"{pages} pages"
    say(f"The work card of {run.study_stem} is made from {path}: {size}, A4 or Letter.")
    say(
        "To print it, open it in a browser and print at full size (100 %), black and white, upright."
    )
    page = path.parent / "report.html"
    whole = page if page.exists() else typed("report", path.parent)
    say.next(("Open in a browser", written), ("The whole story", whole))
    return 0
