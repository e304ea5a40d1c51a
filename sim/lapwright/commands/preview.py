"""`lapwright preview`: says back what a study means, and what to look out for; laps nothing."""

from __future__ import annotations

import argparse
from pathlib import Path

from lapwright.commands.paths import study_file
from lapwright.commands.terminal import Speaker, print_json, typed

__all__ = ["EXAMPLE", "add", "main"]


EXAMPLE = """\
example:
  lapwright preview first-pair.toml    the same as: lapwright first-pair.toml
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")


def main(args: argparse.Namespace) -> int:
    """Say the study back; returns the exit code."""
    from lapwright.results.answers import Preview
    from lapwright.study.read import load

    found = Preview(load(study_file(Path(args.file))))
    say = Speaker(args.json)
    say(found.text())
    if args.json:
        print_json(found.to_dict())
    say.next(
        ("See how the top bears", typed("bearing", args.file)),
        ("Why it makes what it makes", typed("why", args.file)),
        ("Lap the plates", typed("run", args.file)),
    )
    return 0
