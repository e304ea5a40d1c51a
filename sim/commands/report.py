"""`lapwright report`: makes the page again from a run."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from sim.commands.answer import Speaker, print_json, typed
from sim.commands.run import PART_FILE, RUN_FILE
from sim.errors import CommandError

__all__ = ["EXAMPLE", "add", "main", "run_file"]

EXAMPLE = """\
example:
  lapwright report first-pair-run --force   makes report.html and its pictures again
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("run", metavar="RUN", help="a run's folder, or the run.h5 in it")
    parser.add_argument("--force", action="store_true", help="write over the page that is there")


def run_file(place: Path) -> Path:
    """The run file that a person means by a folder or a file: the whole run, or else the part.

    Raises
    ------
    CommandError
        A folder without a run in it, or a study in the place of a run.

    """
    if os.path.isdir(place):
        for name in (RUN_FILE, PART_FILE):
            if (place / name).exists():
                return place / name
        raise CommandError(
            f"there is no {RUN_FILE} in {place}: name the folder of a run, such as first-pair-run"
        )
    if place.suffix == ".toml":
        raise CommandError(f"{place} is a study: lap it first with {typed('run', place)}")
    return place


def main(args: argparse.Namespace) -> int:
    """Make the page; returns the exit code."""
    from sim.study.runfile import read_run

    path = run_file(Path(args.run))
    run = read_run(path)
    page = path.parent / "report.html"
    if page.exists() and not args.force:
        raise CommandError(
            f"{page} is there already: add --force to write over it", key="--force", code="exists"
        )
    from sim.report.page import write_page

    written = write_page(run, path.parent)
    say = Speaker(args.json)
    if args.json:
        print_json({"study": run.study_stem, "outcome": run.outcome, "page": str(written)})
    say(f"The page of {run.study_stem} is made again from {path}.")
    say.next(("Open in a browser", str(written)), ("See how it bears", typed("bearing", path)))
    return 0
