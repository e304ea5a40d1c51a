"""`lapwright next`: where the plates stand, what was learnt, and the next spell."""

from __future__ import annotations

import argparse
from pathlib import Path

from lapwright.commands.paths import study_file
from lapwright.commands.terminal import Speaker, print_json, typed

__all__ = ["EXAMPLE", "add", "main", "say_next"]


EXAMPLE = """\
example:
  lapwright next mine.toml             from mine.log.toml: where the plates stand, and the next spell
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study; its log stands beside it")


def main(args: argparse.Namespace) -> int:
    """Say what comes next; returns the exit code."""
    from lapwright.optimisation.book import Book

    return say_next(Book(study_file(Path(args.file))), args.file, args.json)


def say_next(book: object, file: str, json: bool) -> int:
    """Print what a book says."""
    from lapwright.optimisation.book import Book
    from lapwright.presentation.next_spell import NextAnswer

    assert isinstance(book, Book)
    answer = NextAnswer(book)
    say = Speaker(json)
    say(answer.text())
    if json:
        print_json(answer.to_dict())
    advice = answer.advice
    if advice.step is not None:
        words = typed("log", file, "--done", "as advised", "--reading", "GAUGE PLATE SIZE")
        say.next(("When it is done", words))
    elif advice.read:
        first = advice.read[0].reading
        say.next(
            (
                "When it is read",
                typed("log", file, "--reading", f"{first.gauge} {first.plate} SIZE"),
            )
        )
    return 0
