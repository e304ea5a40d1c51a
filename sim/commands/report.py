"""`lapwright report`: makes the page again from a run, or its work card."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sim.commands.answer import Speaker, print_json, typed
from sim.commands.places import run_file
from sim.errors import CommandError

if TYPE_CHECKING:
    from sim.study.runfile import Run

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright report first-pair-run --force   makes report.html and its pictures again
  lapwright report first-pair-run --card    makes card.html: one sheet of paper for the bench
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("run", metavar="RUN", help="a run's folder, or the run.h5 in it")
    parser.add_argument(
        "--card", action="store_true", help="make the work card instead: one printed page for the bench"
    )
    parser.add_argument("--force", action="store_true", help="write over the page or card that is there")


def main(args: argparse.Namespace) -> int:
    """Make the page; returns the exit code."""
    from sim.study.runfile import read_run

    path = run_file(Path(args.run))
    run = read_run(path)
    say = Speaker(args.json)
    page = path.parent / ("card.html" if args.card else "report.html")
    if page.exists() and not args.force:
        raise CommandError(
            f"{page} is there already: add --force to write over it", key="--force", code="exists"
        )
    if args.card:
        return _card(run, path, args, say)
    from sim.report.page import write_page

    written = write_page(run, path.parent)
    if args.json:
        print_json({"study": run.study_stem, "outcome": run.outcome, "page": str(written)})
    say(f"The page of {run.study_stem} is made again from {path}.")
    say.next(("Open in a browser", str(written)), ("See how it bears", typed("bearing", path)))
    return 0


def _card(run: Run, path: Path, args: argparse.Namespace, say: Speaker) -> int:
    """Make the work card; returns the exit code."""
    from sim.report.card import write_card

    written = write_card(run, path.parent)
    if args.json:
        print_json({"study": run.study_stem, "outcome": run.outcome, "card": str(written)})
    say(f"The work card of {run.study_stem} is made from {path}: one page, A4 or Letter.")
    say("To print it, open it in a browser and print at full size (100 %), black and white, upright.")
    say.next(
        ("Open in a browser", str(written)), ("The whole story", typed("report", path.parent, "--force"))
    )
    return 0
