"""`lapwright compare`: the same plates under several strokes, loads or grits, lapped and put in order."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.answer import Speaker, print_json, typed
from lapwright.commands.many import add_many, begin, check, coarser, crew_of, go_on_words, tolerance_of
from lapwright.commands.places import look_at, study_file
from lapwright.commands.tally import Tally
from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.planning.comparison import Comparison
    from lapwright.planning.draws import Tolerance
    from lapwright.planning.members import Member
    from lapwright.planning.store import Store
    from lapwright.planning.summary import Summary
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright compare which-stroke.toml                laps every way, and says which is best
  lapwright compare which-stroke.toml --samples 100  how sure that is: wear, hand and faces drawn 100 times
  lapwright compare which-stroke.toml --resume       goes on where you stopped it with Ctrl-C
"""
PAGE, SHEET = "compare.html", "compare.csv"
HOW = (
    "{stem}.toml names nothing to compare: for each way of lapping write [[variants]] at its end, and below "
    'it its name and what it sets, such as name = "short stroke" and set = { "stroke.travel" = "1/6" }; or '
    'write [sweep], and below it a key and the values that it takes, such as "stroke.travel" = ["1/6", "1/3"]'
)


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="STUDY", help="a study with [[variants]] or a [sweep]")
    parser.add_argument("--out", metavar="DIR", help="folder for the answer (default: STEM-compare, here)")
    add_many(parser, "comparison")
    parser.add_argument("--no-page", action="store_true", help="no page, only compare.csv and the runs")


def main(args: argparse.Namespace) -> int:
    """Lap every member; returns the exit code."""
    from lapwright.planning.comparison import compared
    from lapwright.planning.store import Store

    check(args)
    tolerance = tolerance_of(args.form_tolerance)
    study, members = _members(Path(args.file), args.cells)
    say = Speaker(args.json)
    folder = Path(args.out) if args.out else Path(f"{study.stem}-compare")
    store = Store(folder)
    look_at(folder, args)
    begin(store, study, members, args)
    if not args.resume:
        for name in (PAGE, SHEET):
            (folder / name).unlink(missing_ok=True)
    summaries, whole = _work(study, members, store, args, tolerance)
    if not whole:
        return _stopped(summaries, members, args, say)
    got = compared(study, members, summaries, tolerance, args.cells)
    _write(got, store, args)
    _answer(got, store, args, say)
    return 0 if got.done else 1


def _members(path: Path, cells: int | None) -> tuple[Study, tuple[Member, ...]]:
    """The study and what it makes of itself."""
    from lapwright.planning.members import members_of, with_cells
    from lapwright.study.read import document_of, load

    study = load(study_file(path))
    if not study.variants and study.swept is None:
        raise CommandError(HOW.replace("{stem}", study.stem), key="variants", code="missing")
    document: dict[str, Any] = document_of(study.text)
    if cells is not None:
        coarser(study, cells)
        document = with_cells(document, study, cells)
    return study, members_of(study, document, path.parent)


def _work(
    study: Study, members: Sequence[Member], store: Store, args: argparse.Namespace, tolerance: Tolerance
) -> tuple[list[Summary], bool]:
    """Every summary there is, and whether nothing is missing."""
    from dataclasses import replace

    from lapwright.commands.session import stopping
    from lapwright.planning.carry_out import carry_out, jobs_of, meaningless
    from lapwright.results.lapped import heading

    head = heading(study)
    jobs = jobs_of(
        members,
        args.samples,
        tolerance,
        lambda member: replace(head, study_text=member.text, study_stem=member.stem),
        follow=study.goal is not None,
    )
    found = [*meaningless(members), *store.kept()]
    known = {(got.member, got.draw) for got in found}
    left = [job for job in jobs if (job.member, job.draw) not in known]
    if not left:
        return found, True
    with stopping() as stop, crew_of(args, len(left)) as crew:
        tally = Tally(len(jobs), len(jobs) - len(left))
        found += carry_out(left, members, crew, store, lambda: stop.asked, tally.show)
        tally.close()
    return found, len(found) == len(jobs) + sum(member.study is None for member in members)


def _write(got: Comparison, store: Store, args: argparse.Namespace) -> None:
    from lapwright.planning.sheet import csv_text
    from lapwright.study.safefile import put_in_place

    put_in_place(store.folder / SHEET, csv_text(got).encode("utf-8"))
    if not args.no_page:
        from lapwright.report.comparison import comparison_page

        put_in_place(store.folder / PAGE, comparison_page(got, store).encode("utf-8"))


def _stopped(
    found: Sequence[Summary], members: Sequence[Member], args: argparse.Namespace, say: Speaker
) -> int:
    """Say how far it got; returns the exit code."""
    whole = {got.member for got in found if got.draw == 0}
    message = f"stopped with {len(whole)} of {len(members)} lapped; what is done is in safety"
    if args.json:
        print_json({"error": {"code": "interrupted", "key": None, "message": message}})
    Speaker(True)(f"lapwright: {message}")
    say.next(("Go on with it", typed("compare", *go_on_words(args))))
    return 1


def _answer(got: Comparison, store: Store, args: argparse.Namespace, say: Speaker) -> None:
    from lapwright.report import comparison_json, comparison_words

    for line in comparison_words.in_words(got):
        say(line)
    if args.json:
        print_json(comparison_json.as_json(got))
    lines = []
    if not args.no_page:
        lines.append(("Open in a browser", str(store.folder / PAGE)))
    lines.append(("Every figure", str(store.folder / SHEET)))
    if got.done:
        best = got.members[got.done[0]]
        lines.append(("Lap the best by itself", typed("run", store.study_file(best))))
    say.next(*lines)
