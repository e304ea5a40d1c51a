"""`lapwright log`: writes down what was done and read, then says what comes next."""

from __future__ import annotations

import argparse
import datetime
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.next import add_page, look, say_next
from lapwright.commands.options import study_file
from lapwright.commands.terminal import Speaker
from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.optimisation.book import Book

EXAMPLE = """\
example:
  lapwright log mine.toml --reading "sph A 0.35 um" --reading "sph B -0.2 um"
                                       the plates as they come
  lapwright log mine.toml --done "as advised, 600 strokes" --reading "sph A 0.1 um" --lost "A 0.12 g"
  lapwright log mine.toml --done "step 1, 10 min" --reading "sph A 0.1 um"
  lapwright log mine.toml --undo       takes the last entry back
  lapwright log mine.toml --done "as advised" --shop 7
                                       practice: hidden plates are lapped and read instead of yours
"""
PRACTICE = "practice shop {seed}: hidden plates were read"
HOW_PARTS = 'write --done "10 parts", --done "10 parts, 15 min", or --done "step 2" for dressing'
HOW_DONE = 'write --done "as advised", --done "as advised, 600 strokes" or --done "step 1, 10 min"'


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study; its log is kept next to it")
    parser.add_argument(
        "--done", metavar="TEXT", help='"as advised, 600 strokes" or "step 1, 10 min"'
    )
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="TEXT",
        help='such as "sph A 0.35 um @ 45 deg"',
    )
    parser.add_argument(
        "--lost", action="append", default=[], metavar="TEXT", help='such as "A 0.12 g"'
    )
    parser.add_argument("--date", metavar="DATE", help="such as 2026-03-02 (default: today)")
    parser.add_argument("--note", metavar="TEXT", help="whatever should be remembered")
    parser.add_argument(
        "--restart",
        action="append",
        default=[],
        metavar="PLATE",
        help="this plate is as if never read",
    )
    parser.add_argument("--undo", action="store_true", help="take the last entry back")
    parser.add_argument(
        "--shop",
        type=int,
        metavar="SEED",
        help="practice: a shop of hidden plates gives the readings",
    )
    add_page(parser)


def main(args: argparse.Namespace) -> int:
    """Write an entry down; returns the exit code."""
    from lapwright.optimisation.book import Book

    book = Book(study_file(Path(args.file)))
    say = Speaker(args.json)
    if args.undo:
        look(args)
        if not book.undo():
            raise CommandError(f"{book.log} has no entry to take back", key="--undo")
        say("The last entry is taken back.")
        say()
        return say_next(book, args)
    entry = _entry(args, book)
    look(args)
    book.add(entry)
    say(f"Written down as entry {len(book.entries)} of {book.log}.")
    say()
    return say_next(book, args)


def _entry(args: argparse.Namespace, book: Book) -> dict[str, Any]:
    """The entry as it is to stand in the log."""
    from lapwright.results.gauge import reading_table

    entry: dict[str, Any] = {"date": _date(args.date)}
    if args.note:
        entry["note"] = args.note
    if args.restart:
        entry["restart"] = args.restart
    if args.done:
        number, text = _parts(args.done, book)
        entry |= {"parts": number} if number else {}
        entry["done"] = _done(text, book)
    if args.lost:
        entry["lost"] = dict(_lost(text) for text in args.lost)
    if args.reading:
        told = [_of_part(text, entry.get("parts", 0), book) for text in args.reading]
        entry["readings"] = [reading_table(text, book.study) for text in told]
    if args.shop is not None:
        _check_shop(args, book)
        entry |= _practised(args.shop, entry, book)
    if set(entry) <= {"date", "note"}:
        how = f"{HOW_DONE}, and --reading for what was read"
        raise CommandError(f"nothing was done or read: {how}", key="--done")
    return entry


def _parts(text: str, book: Book) -> tuple[int, str]:
    """How many parts of a batch were done (0: none), and how, as `_done` reads it."""
    batch, (what, comma, rest) = book.batch, text.partition(",")
    counted = re.fullmatch(r"\s*(\d+)\s*(?:parts?|pieces?|pcs)\s*", what)
    if batch is None:
        if counted:
            none = "the study has no [batch]: say which step, such as step 1, 10 min"
            raise CommandError(f"--done '{text}': {none}", key="--done")
        return 0, text
    if counted is None:
        numbered = re.fullmatch(r"\s*step (\d+)\s*", what)
        if numbered and not batch.dresses(int(numbered[1])):
            raise CommandError(
                f"--done '{text}' says no number of parts: {HOW_PARTS}", key="--done"
            )
        return 0, text
    number = int(counted[1])
    left = batch.count - sum(entry.parts for entry in book.entries)
    if not 1 <= number <= left:
        raise CommandError(f"--done '{text}': {left} parts of {batch.count} are left", key="--done")
    step = next(n for n, one in enumerate(book.study.steps, 1) if batch.laps(one))
    return number, f"step {step}{comma}{rest}"


def _of_part(text: str, parts: int, book: Book) -> str:
    """A reading of a part by its number as one of the part: of the last load, for the others are gone."""
    batch = book.batch
    if batch is None or not (
        found := re.search(rf"\b{re.escape(batch.part)}[- ](\d+)\b(?=\s)", text)
    ):
        return text
    number, last = int(found[1]), parts + sum(entry.parts for entry in book.entries)
    own = parts or next((entry.parts for entry in reversed(book.entries) if entry.parts), 0)
    first = max(last - (own - 1) % batch.together, 1)
    if not first <= number <= last:
        which = f"{first} to {last}" if first < last else f"{last}"
        raise CommandError(
            f"--reading '{text}': only parts of the last load are followed, which is {which}: log the parts "
            "up to that one as an entry of their own",
            key="--reading",
        )
    name = book.part_name(number)
    return f"{text[: found.start()]}{name}{text[found.end() :]}"


def _date(text: str | None) -> datetime.date:
    if text is None:
        return datetime.date.today()
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise CommandError(
            f"--date: '{text}' is no date: write it as 2026-03-02", key="--date"
        ) from None


def _lost(text: str) -> tuple[str, str]:
    plate, _, mass = text.strip().partition(" ")
    if not mass:
        raise CommandError(
            f"--lost '{text}': write plate and mass, such as 'A 0.12 g'", key="--lost"
        )
    return plate, mass.strip()


def _done(text: str, book: Book) -> dict[str, Any]:
    """The whole step as it was done, from how it is spoken of."""
    from lapwright.study.source import document_of

    what, *changes = (part.strip() for part in text.split(","))
    numbered = re.fullmatch(r"step (\d+)", what)
    if numbered:
        steps = document_of(book.study.text)["steps"]
        number = int(numbered[1])
        if not 1 <= number <= len(steps):
            there = f"steps are 1 to {len(steps)}"
            raise CommandError(f"--done: there is no step {number}: {there}", key="--done")
        step = dict(steps[number - 1])
    elif what == "as advised":
        step = _advised(book)
    else:
        how = HOW_DONE if book.batch is None else HOW_PARTS
        raise CommandError(f"--done '{text}' is not understood: {how}", key="--done")
    step.pop("until", None)
    for change in changes:
        if swapped := re.fullmatch(r"swapped every (.+)", change):
            step["swap_every"] = swapped[1]
            continue
        strokes = re.fullmatch(r"(\d+) strokes?", change)
        step.pop("time", None)
        step.pop("strokes", None)
        step |= {"strokes": int(strokes[1])} if strokes else {"time": change}
    return step


def _advised(book: Book) -> dict[str, Any]:
    """The step that the book advises now."""
    from lapwright.optimisation.book import step_table

    advice = book.next()
    if advice.plan is not None:
        raise CommandError(
            f"--done 'as advised': of a batch say how many: {HOW_PARTS}", key="--done"
        )
    step = advice.step
    if step is None:
        was = "to read first" if advice.read else "to stop"
        raise CommandError(
            f"--done 'as advised': the advice was {was}; say what was done: step 1, 10 min"
        )
    return step_table(step, book.study.units)


def _check_shop(args: argparse.Namespace, book: Book) -> None:
    """A practice shop reads its own plates, and one log holds those of one shop."""
    if book.batch is not None:
        raise CommandError("--shop: a practice shop laps no batch: leave it out", key="--shop")
    if args.reading or args.lost:
        what = "--reading" if args.reading else "--lost"
        raise CommandError(
            f"{what}: with --shop the shop gives what is read: leave it out", key=what
        )
    own, any_shop = PRACTICE.format(seed=args.shop), PRACTICE.partition("{")[0]
    for number, old in enumerate(book.entries, 1):
        if own not in old.note:
            was = "of another shop" if any_shop in old.note else "of your own plates"
            raise CommandError(
                f"--shop {args.shop}: entry {number} of {book.log} is {was}: take a copy of the study",
                key="--shop",
            )


def _practised(seed: int, entry: dict[str, Any], book: Book) -> dict[str, Any]:
    """Readings of a practice shop in which all entries so far, and this one, were done."""
    from lapwright.optimisation.book import PracticeShop
    from lapwright.optimisation.entry import Entry, entries_of, entry_text
    from lapwright.optimisation.sight import all_readings

    text = entry_text({"done": entry["done"]}) if "done" in entry else ""
    shop = PracticeShop(book.bench, seed)
    for old in book.entries:
        if old.done is not None:
            shop.lap(old.done, old.any_hand)
        shop.read(old)
    for new in entries_of(text, book.study):
        if new.done is not None:
            shop.lap(new.done, new.any_hand)
    asked = all_readings(book.bench)
    if not asked:
        fit = "no gauge of the study fits a plate, so nothing can be read: write smaller ones, or none"
        raise CommandError(f"--shop: {fit} (usual ones are taken then)", key="--shop")
    shown = shop.read(Entry(readings=asked)).readings
    units = book.study.units
    readings = []
    for reading in shown:
        if book.study.gauges[reading.gauge].angular:
            value = f"{reading.value / 1e-6:.4g} urad"
        else:
            value = f"{reading.value / units.small.size:.6g} {units.small.name}"
        table = {"gauge": reading.gauge, "plate": reading.plate, "value": value}
        if reading.angle:
            table["angle"] = f"{reading.angle * 57.29577951308232:.6g} deg"
        if reading.along:
            table["along"] = f"{1e3 * reading.along:.6g} mm"
        readings.append(table)
    note = PRACTICE.format(seed=seed)
    return {"readings": readings, "note": f"{entry['note']}; {note}" if "note" in entry else note}
