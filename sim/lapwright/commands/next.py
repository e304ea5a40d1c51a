"""`lapwright next`: where the plates stand, what was learnt, and the next spell."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping
from math import degrees
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import study_file
from lapwright.commands.terminal import Speaker, print_json, typed

if TYPE_CHECKING:
    from lapwright.optimisation.book import Book
    from lapwright.presentation.next_spell import NextAnswer

EXAMPLE = """\
example:
  lapwright next mine.toml             from mine.log.toml: where the plates stand, and the next spell
  lapwright run mine-next/next.toml    laps that spell beforehand, from the faces as they are believed
"""
PAGE, STUDY = "next.html", "next.toml"


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study; its log is kept next to it")
    add_page(parser)


def add_page(parser: argparse.ArgumentParser) -> None:
    """The words on the folder that is written."""
    parser.add_argument(
        "--out",
        metavar="DIR",
        help=f"folder of {PAGE} and {STUDY} (default: STEM-next next to the study)",
    )
    parser.add_argument(
        "--no-page", action="store_true", help="write no folder: neither page nor study"
    )


def main(args: argparse.Namespace) -> int:
    """Say what comes next; returns the exit code."""
    from lapwright.optimisation.book import Book

    path = study_file(Path(args.file))
    look(args)
    return say_next(Book(path), args)


def look(args: argparse.Namespace) -> None:
    """Refuse a folder that is not ours to write into, before anything is worked out or written down."""
    from lapwright.files import look_at

    if not args.no_page:
        look_at(_place(args), "next", again=True)


def _place(args: argparse.Namespace) -> Path:
    if args.out is not None:
        return Path(args.out)
    study = Path(args.file)
    # A name that is no UTF-8 is one that no answer can hold.
    stem = os.fsencode(study.stem).decode("utf-8", "replace")
    return study.with_name(f"{stem}-next")


def say_next(book: Book, args: argparse.Namespace) -> int:
    """Print what a book says, and write its folder; returns the exit code."""
    from lapwright.presentation.next_spell import NextAnswer

    answer = NextAnswer(book)
    say = Speaker(args.json)
    say(answer.text())
    written = {} if args.no_page else _written(answer, _place(args))
    if args.json:
        told = {what: None if place is None else str(place) for what, place in written.items()}
        print_json({**answer.to_dict(), "written": told or None})
    if lines := _what_now(answer, args.file, written):
        say.next(*lines)
    return 0


def _what_now(
    answer: NextAnswer, file: str, written: Mapping[str, Path | None]
) -> list[tuple[str, str]]:
    """What to open and to type next."""
    lines = []
    if written.get("page") is not None:
        lines.append(("Open in a browser", str(written["page"])))
    if written.get("study") is not None:
        lines.append(("To lap it beforehand", typed("run", written["study"])))
    advice = answer.advice
    if advice.plan is not None and advice.plan.why in ("lap", "dress"):
        plan, study = advice.plan, answer.study
        number = 1 + study.steps.index(plan.step)
        done = f"{plan.parts} parts" if plan.why == "lap" else f"step {number}"
        lines.append(
            ("When it is done", typed("log", file, "--done", done, "--reading", f"{answer.hint}"))
        )
    elif advice.step is not None:
        words = typed("log", file, "--done", "as advised", "--reading", answer.hint)
        lines.append(("When it is done", words))
    elif advice.read:
        first = advice.read[0].reading
        angle = f" @ {degrees(first.angle):.4g} deg" if first.angle else ""
        words = typed("log", file, "--reading", f"{first.gauge} {first.plate} SIZE{angle}")
        lines.append(("When it is read", words))
    elif advice.why == "measure":
        lines.append(("When it is measured", typed("log", file, "--reading", answer.hint)))
    return lines


def _written(answer: NextAnswer, place: Path) -> dict[str, Path | None]:
    """Write the page and, where a spell is advised, its study; where each lies now."""
    from lapwright.files import put_in_place, taken
    from lapwright.metrology.x3p import to_x3p
    from lapwright.optimisation.book import next_study
    from lapwright.presentation.next_page import next_page
    from lapwright.study.faces import held_in

    step, plan = answer.advice.step, answer.advice.plan
    study = None if step is None else next_study(answer.book, step)
    if plan is not None and plan.why in ("lap", "dress"):
        study = next_study(answer.book, plan.step, plan.parts if plan.why == "lap" else 0)
    lap = os.fsencode(typed("run", place / STUDY)).decode("utf-8", "replace")
    page = next_page(answer, study, lap)
    faces = {} if study is None else held_in(study.text)
    files = {name: to_x3p(surface) for name, surface in faces.items()}
    if study is not None:
        files[STUDY] = study.text.encode("utf-8")
    files[PAGE] = page.encode("utf-8")
    with taken(place, "next", again=True) as folder:
        folder.claim(files)
        for name, content in files.items():  # the faces before the study that names them
            put_in_place(place / name, memoryview(content))
        folder.give_up([name for name in folder.files if name not in files])
    return {"page": place / PAGE, "study": None if study is None else place / STUDY}
