"""`lapwright report`: makes the page again from a run."""

from __future__ import annotations

import argparse
from pathlib import Path

from sim.commands.answer import Speaker, print_json, typed
from sim.commands.places import run_file
from sim.errors import CommandError

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright report first-pair-run --force   makes report.html and its pictures again
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("run", metavar="RUN", help="a run's folder, or the run.h5 in it")
    parser.add_argument("--force", action="store_true", help="write over the page that is there")


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
