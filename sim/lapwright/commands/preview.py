"""`lapwright preview`: says back what a study means, and what to look out for; laps nothing."""

from __future__ import annotations

import argparse

from lapwright.commands.options import Parser, study_file
from lapwright.commands.terminal import Speaker, typed

EXAMPLE = """\
example:
  lapwright preview first-pair.toml    the same as: lapwright first-pair.toml
  lapwright preview first-pair.toml --all    every caution, and all that is taken as usual
"""


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")
    told = "all of it: every caution, how it presses, what was taken as usual, what to weigh"
    parser.flag("--all", told)


def main(args: argparse.Namespace) -> int:
    """Say the study back; returns the exit code."""
    from lapwright.results.answer import Preview
    from lapwright.study.read import load

    say = Speaker(args.json)
    say.answer(Preview(load(study_file(args.file)), whole=args.all))
    lap = ("Lap the plates", typed("run", args.file))
    if not args.all:
        say.next(("All that is to be said", typed("preview", args.file, "--all")), lap)
        return 0
    say.next(
        ("See how the top bears", typed("bearing", args.file)),
        ("Why it makes what it makes", typed("why", args.file)),
        lap,
    )
    return 0
