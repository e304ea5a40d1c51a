"""`lapwright compare`: the same plates under several strokes, loads or grits, lapped and put in order."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import (
    Parser,
    add_many,
    crew_of,
    go_on,
    many_of,
    stopped,
    study_file,
)
from lapwright.commands.terminal import Speaker, Tally, aside, typed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lapwright.optimisation.comparison import Comparison
    from lapwright.optimisation.jobs import Store
    from lapwright.optimisation.work import Work

EXAMPLE = """\
example:
  lapwright compare which-stroke.toml                laps every way, and says which is best
  lapwright compare which-stroke.toml --samples 100  how sure that is: wear, hand and faces drawn 100 times
  lapwright compare which-stroke.toml --resume       goes on where you stopped it with Ctrl-C
"""
PAGE, SHEET = "compare.html", "compare.csv"


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="STUDY", help="a study with [[variants]] or a [sweep]")
    add_many(parser, "compare", "comparison", quick=True)
    where = 'where all are judged: "metal" (the same off all: the least that one takes off; default), a size '
    where += 'such as "2 um" (so much off), or "end" (each at its own)'
    parser.option("--at", "WHERE", where)
    parser.flag("--no-page", "no page, only compare.csv and the runs")


def main(args: argparse.Namespace) -> int:
    """Lap every member; returns the exit code."""
    from lapwright.files import taken
    from lapwright.optimisation.jobs import PLAN, Store
    from lapwright.optimisation.work import Work
    from lapwright.study.model import asked_at
    from lapwright.study.read import load
    from lapwright.study.source import document_of

    many = many_of(args)
    study = load(study_file(args.file))
    many = replace(many, at=asked_at(args.at, study.units, "--at"))
    place = Path(args.out) if args.out else Path(f"{study.stem}-compare")
    work = Work(study, document_of(study.text), many)
    with taken(place, "compare", args.resume or args.force, (PLAN,)) as folder:
        store = Store(folder)
        work.begin(store, args.resume, (PAGE, SHEET))
        return _carried_out(work, store, args)


def _carried_out(work: Work, store: Store, args: argparse.Namespace) -> int:
    """Lap what is left, and say what came out; returns the exit code."""
    from lapwright.commands.session import stopping
    from lapwright.optimisation.quick_draws import BEST
    from lapwright.optimisation.workers import available

    say = Speaker(args.json)
    if store.journal.damaged:
        aside(f"{store.journal.path} is damaged in places: what was there is worked out again")
    takes = _takes(work, store, args)
    if left := work.left:
        with stopping() as stop, crew_of(args, len(left)) as crew:
            tally = Tally(len(work.jobs), len(work.jobs) - len(left))
            work.carry_out(crew, lambda: stop.asked, tally.show)
            tally.close()
    if work.left:
        whole = {got.member for got in work.found if got.draw == 0}
        return stopped("compare", f"{len(whole)} of {len(work.members)} lapped", args, say)
    drawing = Tally(min(BEST, len(work.members)), verb="drawn")
    got = work.compared(args.workers or available(), drawing.show)
    drawing.close()
    _write(got, store, args)
    failed = sum(summary.machine for summary in work.found)
    _answer(got, store, args, say, failed, takes)
    return 0 if got.done and not failed else 1


def _takes(work: Work, store: Store, args: argparse.Namespace) -> Mapping[str, float] | None:
    """What is left will take, said where it is much."""
    from lapwright.commands.session import crew_beforehand
    from lapwright.optimisation.cases import drawn
    from lapwright.optimisation.jobs import FRAMES

    left = work.left
    if not left:
        return None
    files = sum(job.heading is not None for job in left)
    plain = [job.study for job in left if job.draw == 0]
    draws = [job for job in left if job.draw]
    some = [drawn(job.study, job.draw, job.tolerance) for job in draws[:: len(draws) // 3 or 1][:3]]
    kinds = [
        (alike, number) for alike, number in ((plain, len(plain)), (some, len(draws))) if number
    ]
    return crew_beforehand(kinds, work.study, store.path, args, files, FRAMES)


def _write(got: Comparison, store: Store, args: argparse.Namespace) -> None:
    from lapwright.files import put_in_place
    from lapwright.presentation.comparison_data import csv_text

    put_in_place(store.path / SHEET, csv_text(got).encode("utf-8"))
    if not args.no_page:
        from lapwright.presentation.comparison import comparison_page

        put_in_place(store.path / PAGE, comparison_page(got, store).encode("utf-8"))


def _answer(
    got: Comparison,
    store: Store,
    args: argparse.Namespace,
    say: Speaker,
    failed: int,
    takes: Mapping[str, float] | None,
) -> None:
    say(got.text())
    say.json({**got.to_dict(), "budget": takes})
    lines: list[tuple[str, object]] = []
    if failed:
        ended = "simulation" if failed == 1 else "simulations"
        aside(f"lapwright: {failed} {ended} did not come to an end for want of this machine")
        lines.append(("Try what failed again", go_on("compare", args)))
    if not args.no_page:
        lines.append(("Open in a browser", store.path / PAGE))
    lines.append(("Every figure", store.path / SHEET))
    if got.done:
        best = got.members[got.done[0]]
        lines.append(("Lap the best alone", typed("run", store.study_file(best))))
    say.next(*lines)
