"""`lapwright why`: what each stroke takes out, leaves alone and makes, and the reason."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import Parser, check_free, check_step, number, study_file
from lapwright.commands.terminal import Speaker, Tally, typed
from lapwright.results.why import DEGREE

if TYPE_CHECKING:
    from lapwright.results.why import Why
    from lapwright.study.model import Study

EXAMPLE = """\
example:
  lapwright why straight-stroke.toml               in words, and a page with pictures
  lapwright why first-pair.toml --step 2           one step alone
  lapwright why --page first-pair.toml             a page to play with: drag the stroke, and see what follows
"""
MOST_DEGREE = 16
PAGE = "why.html"


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")
    parser.step("one step alone, from 1 (default: all)")
    degree = number(int, 2, MOST_DEGREE, f"a degree: write a whole number from 2 to {MOST_DEGREE}")
    fine = "how fine the shapes are that it looks at: 2 sees dome, saddle and twist alone"
    parser.option("--degree", "D", f"{fine} (default: %(default)s)", type=degree, default=DEGREE)
    parser.flag("--page", "write the page to play with, NAME-why.html, and nothing else")
    out = "folder of the page (default: NAME-why); with --page its file (default: NAME-why.html)"
    parser.option("--out", "PLACE", out)
    parser.flag("--force", "write over a page that is there")


def main(args: argparse.Namespace) -> int:
    """Find the reasons; returns the exit code."""
    from lapwright.files import look_at
    from lapwright.results.why import Why
    from lapwright.study.read import load

    study = load(study_file(args.file))
    check_step(args.step, study)
    if args.page:
        return _play(study, args)
    page = _page_place(args, study)
    if page is not None:
        look_at(page.parent, "why", again=True)
    total = args.step or len(study.steps)
    tallies = [Tally(total, verb="looked at")]

    def again(done: int) -> None:
        if not done:
            tallies[-1].close()
            tallies.append(Tally(1 if args.step else total))
        tallies[-1].show(done)

    try:
        found = Why(study, args.step, args.degree, typed("run", args.file), tallies[0].show, again)
    finally:
        tallies[-1].close()
    say = Speaker(args.json)
    say.answer(found)
    _page(say, found, page, args)
    return 0


def _play(study: Study, args: argparse.Namespace) -> int:
    """Write the page to play with; returns the exit code."""
    from lapwright.errors import CannotDoError
    from lapwright.files import put_beside
    from lapwright.presentation.play_page import none_played, play_page, strokes_of

    place = Path(args.out or f"{study.stem}-why.html")
    check_free(place, args.force, "--out")
    strokes = [one for one in strokes_of(study) if args.step in (None, one.number)]
    if why := none_played(strokes):
        raise CannotDoError(why, key=f"steps.{strokes[0].number}")
    tallies: list[Tally] = []

    def tell(done: int, of: int) -> None:
        if not tallies:
            tallies.append(Tally(of, verb="worked out"))
        tallies[0].show(done)

    try:
        text = play_page(strokes, tell)
    finally:
        for tally in tallies:
            tally.close()
    put_beside(place, memoryview(text.encode("utf-8")))
    say = Speaker(args.json)
    for one in strokes:
        say.lines(f"{one.title}: not from here. {one.why_not}" if one.why_not else one.title)
    say.json(
        {
            "study": study.stem,
            "page": str(place),
            "steps": [{"step": one.number, "why_not": one.why_not or None} for one in strokes],
        }
    )
    say.next(
        ("Open in a browser", place),
        ("Why it does what it does", typed("why", args.file)),
    )
    return 0


def _page_place(args: argparse.Namespace, study: Study) -> Path | None:
    """Where the page goes; scripts that want JSON get one only where they say so."""
    if args.json and args.out is None:
        return None
    return Path(args.out or f"{study.stem}-why") / PAGE


def _page(say: Speaker, found: Why, place: Path | None, args: argparse.Namespace) -> None:
    lines: list[tuple[str, object]] = []
    if place is not None and os.path.exists(place) and not args.force:
        lines.append(("The page of before, left as it is", place))
        again = [args.file, *(["--out", args.out] if args.out else [])]
        lines.append(("To make it again", typed("why", *again, "--force")))
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
        lines.append(("Open in a browser", place))
    say.next(*lines, ("Lap the plates", typed("run", args.file)))
