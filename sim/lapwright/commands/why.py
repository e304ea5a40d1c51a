"""`lapwright why`: what each stroke takes out, leaves alone and makes, and the reason."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.paths import study_file
from lapwright.commands.terminal import Speaker, print_json, typed
from lapwright.errors import CommandError
from lapwright.results.why import DEGREE

if TYPE_CHECKING:
    from lapwright.results.why import Why
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]


EXAMPLE = """\
example:
  lapwright why straight-stroke.toml               in words, and a page with pictures
  lapwright why first-pair.toml --step 2           one step alone
"""
MOST_DEGREE = 16
PAGE = "why.html"


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")
    parser.add_argument(
        "--step", type=_number, metavar="N", help="one step alone, from 1 (default: all)"
    )
    parser.add_argument(
        "--degree",
        type=_degree,
        default=DEGREE,
        metavar="D",
        help="how fine the shapes are that it looks at: 2 sees dome, saddle and twist alone "
        "(default: %(default)s)",
    )
    parser.add_argument("--out", metavar="DIR", help="folder of the page (default: NAME-why)")
    parser.add_argument("--force", action="store_true", help="write over a page that is there")


def _number(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not the number of a step: write 1, 2, ...")
    return int(text)


def _degree(text: str) -> int:
    if not text.isdecimal() or not 2 <= int(text) <= MOST_DEGREE:
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a degree: write a whole number from 2 to {MOST_DEGREE}"
        )
    return int(text)


def main(args: argparse.Namespace) -> int:
    """Find the reasons; returns the exit code."""
    from lapwright.files import look_at
    from lapwright.results.why import Why
    from lapwright.study.read import load

    study = load(study_file(Path(args.file)))
    if args.step is not None and args.step > len(study.steps):
        there = f"{len(study.steps)} step{'s' if len(study.steps) > 1 else ''}"
        raise CommandError(f"--step {args.step}: {study.stem} has {there}", key="--step")
    page = _page_place(args, study)
    if page is not None:
        look_at(page.parent, "why", again=True)
    found = Why(study, args.step, args.degree, typed("run", args.file))
    say = Speaker(args.json)
    say(found.text())
    if args.json:
        print_json(found.to_dict())
    _page(say, found, page, args)
    return 0


def _page_place(args: argparse.Namespace, study: Study) -> Path | None:
    """Where the page goes; scripts that want JSON get one only where they say so."""
    if args.json and args.out is None:
        return None
    return Path(args.out or f"{study.stem}-why") / PAGE


def _page(say: Speaker, found: Why, place: Path | None, args: argparse.Namespace) -> None:
    lines = []
    if place is not None and os.path.exists(place) and not args.force:
        lines.append(("The page of before, left as it is", str(place)))
        again = [args.file, *(["--out", args.out] if args.out else [])]
        lines.append(("To make it anew", typed("why", *again, "--force")))
    elif place is not None:
        from lapwright.files import put_in_place, taken
        from lapwright.presentation.why_page import why_page

        head = found.whole.head if args.step is None else ""
        text = why_page(
            found.study, found.numbers, found.reasons, found.off, found.whole.told, head
        )
        with taken(place.parent, "why", again=True) as folder:
            folder.claim([PAGE])
            put_in_place(place, memoryview(text.encode("utf-8")))
        lines.append(("Open in a browser", str(place)))
    say.next(*lines, ("Lap the plates", typed("run", args.file)))
