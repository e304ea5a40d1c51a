"""`lapwright run`: laps the plates of a study, keeps the work safe while it runs, and says what came out."""

from __future__ import annotations

import argparse
import os
from math import nextafter
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import (
    FINE_PART,
    PAGE_FILES,
    Parser,
    number,
    study_file,
)
from lapwright.commands.terminal import Speaker, aside, print_json, typed
from lapwright.errors import CannotDoError, CommandError, LapwrightError
from lapwright.files import PART_FILE, RUN_FILE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lapwright.files import OutputFolder
    from lapwright.results.record import Run
    from lapwright.results.recorder import Restored
    from lapwright.study.model import Study

EXAMPLE = """\
example:
  lapwright run first-pair.toml            laps the pair; then open first-pair-run/report.html
  lapwright run first-pair.toml --resume   goes on where you stopped it with Ctrl-C
  lapwright run first-pair.toml --resume --fine
                                           laps it a second time, finer, and tells what moves
  lapwright run second.toml --from first-pair-run
                                           goes on from the faces at the end of that run
"""
# All that is written into its folder; only what is named here or claimed later is ever written over.
BEFORE = tuple(f"{part.removesuffix('.h5')}.before.h5" for part in (PART_FILE, FINE_PART))
RUN_FILES = (RUN_FILE, PART_FILE, FINE_PART, *BEFORE, *PAGE_FILES)


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="the study, such as first-pair.toml")
    parser.option("--out", "DIR", "folder for the answer (default: STEM-run, here)")
    begin = "begin with the faces at the end of that run (a folder or run.h5), not with those in the study"
    parser.option("--from", "RUN", begin, dest="start")
    parser.flag("--resume", "go on with a run that was stopped")
    parser.flag("--force", "start again where a run is already")
    finer = "lap a second time with half the size of cell, twice the places in the stroke and half as long "
    parser.flag(
        "--fine", f"{finer}blocks of strokes, and tell what moves; about ten times the work"
    )
    cores = number(int, 1, 256, "a number of cores: write 1, 2, ...")
    parser.option("--threads", "N", "cores to use (default 1)", type=cores, default=1)
    parser.flag("--all", "say all there is to say, every caution too, not a dozen lines of it")
    parser.flag("--no-page", "write run.h5 only, no page and no pictures")
    seconds = number(float, 0.0, nextafter(1e9, 0.0), "a number of seconds: write 2, 0.5, ...")
    often = "how often to put the work so far in safety"
    parser.option("--checkpoint", "SECONDS", often, type=seconds)


def main(args: argparse.Namespace) -> int:
    """Lap the plates; returns the exit code."""
    from lapwright.files import taken
    from lapwright.study.read import load

    if args.resume and args.force:
        message = "--resume goes on with a run, --force starts again: give one of them"
        raise CommandError(message, key="--resume")
    path = study_file(args.file)
    study = load(path, None if args.start is None else _from(path, args.start))
    place = Path(args.out) if args.out else Path(f"{study.stem}-run")
    _refuse_own_start(study, path.parent, place)
    again = None
    if args.fine:
        from lapwright.commands.session import finer

        again = finer(study, path.parent)
    with taken(place, "run", args.resume or args.force, (PART_FILE, FINE_PART)) as folder:
        folder.claim(RUN_FILES)
        return _whole(study, again, folder, args)


def _from(path: Path, run: str) -> str:
    """The run as the study's own folder would have it."""
    if not os.path.exists(run):
        message = f"--from: there is no run {run}: name its folder or run.h5"
        raise CommandError(message, key="--from")
    return Path(os.path.relpath(os.path.realpath(run), os.path.realpath(path.parent))).as_posix()


def _refuse_own_start(study: Study, folder: Path, place: Path) -> None:
    """Refuse to write over the run that the plates begin with."""
    if study.start is None:
        return
    begun = folder / study.start.run
    begun = begun if begun.is_dir() else begun.parent
    if place.is_dir() and begun.samefile(place) and (place / RUN_FILE).exists():
        raise CommandError(
            f"{place} is the run that the plates begin with: name another folder, such as --out {place}-2",
            key="--out",
            code="exists",
        )


def _whole(
    study: Study, again: Study | None, folder: OutputFolder, args: argparse.Namespace
) -> int:
    """Lap, `again` finer where that was asked for, and make the page; returns the exit code."""
    say, takes = Speaker(args.json), None
    finished = _finished(folder.path, study) if args.resume else None
    if finished is not None:
        say(f"{folder.path / RUN_FILE} is already finished.")
        run, trouble = finished, None
    else:
        begun = _begun(study, folder, args, say)
        takes = _takes(study, again, begun, folder.path, args)
        run, trouble = _lap(study, begun, folder, args)
    stopped = None
    if again is not None and run.fine is None:
        run, stopped = _again(run, again, folder.path, args, say)
    if run.outcome != "interrupted" and not args.no_page:
        _page(run, folder.path)
    _answer(run, trouble or stopped, folder.path, args, say, takes)
    return 1 if run.outcome in ("tipped", "interrupted") or stopped is not None else 0


def _again(
    run: Run, study: Study, folder: Path, args: argparse.Namespace, say: Speaker
) -> tuple[Run, LapwrightError | None]:
    """Lap a second time, finer; of a run that came to no end there is nothing to set it beside."""
    from lapwright.commands.session import lap_finer

    if run.outcome == "tipped":
        say("Not lapped a second time: the top tips off.")
    if run.outcome in ("tipped", "interrupted"):
        return run, None
    say("Lapped once. Now a second time, finer, to see what moves.")
    return lap_finer(run, study, folder, args)


def _finished(folder: Path, study: Study) -> Run | None:
    """The run in the folder, if it is whole and of this study and nothing is under way."""
    from lapwright.results.recorder import check_same, unfinished
    from lapwright.results.runfile import read_run

    path = folder / RUN_FILE
    if unfinished(folder / PART_FILE) or not path.exists():
        return None
    run = read_run(path)
    check_same(run, path, study)
    return run


def _begun(study: Study, folder: OutputFolder, args: argparse.Namespace, say: Speaker) -> Restored:
    """What is done already, where it is gone on with."""
    from lapwright.results.frames import Frames
    from lapwright.results.recorder import Recorder, Restored, restore, unfinished

    part = folder.path / PART_FILE
    if args.resume and unfinished(part):
        begun = restore(part, study)
        if begun.mind:
            say(begun.mind)
        return begun
    if args.resume:
        say(f"There is no unfinished run in {folder.path}: starting from the beginning.")
    return Restored(Recorder(study, frames=Frames(beside=part)), 0.0)


def _takes(
    study: Study,
    again: Study | None,
    begun: Restored,
    folder: Path,
    args: argparse.Namespace,
) -> Mapping[str, float]:
    """What it will take, said where it is much, and refused where this machine cannot hold it."""
    from lapwright.commands.session import beforehand
    from lapwright.integration.state import Settings
    from lapwright.results.budget import budget_of

    last = begun.recorder.last
    done = 0.0 if last is None else last.clock.time
    budget = budget_of(study, page=not args.no_page, done=done)
    if again is not None:
        budget = budget.and_then(budget_of(again, Settings().finer(), page=False))
    return beforehand(budget, again or study, folder)


def _lap(
    study: Study, begun: Restored, folder: OutputFolder, args: argparse.Namespace
) -> tuple[Run, LapwrightError | None]:
    """Lap, writing down the work so far; then put run.h5 in place and take the part file away."""
    from lapwright.commands.session import Session
    from lapwright.machine import give_back
    from lapwright.presentation.advice import planned
    from lapwright.presentation.batch_text import write_parts
    from lapwright.results.recorder import Timetable, before, heading
    from lapwright.results.runfile import write_run

    part = folder.path / PART_FILE
    if args.force:
        for name in (FINE_PART, PART_FILE):
            folder.drop(name)
            folder.drop(before(Path(name)).name)
    strict = args.checkpoint is not None
    table = Timetable(args.checkpoint if strict else 2.0, strict)
    recorder = begun.recorder
    session = Session(study, recorder, part, table, begun.spent, args.threads)
    outcome, trouble = session.work()
    if outcome == "interrupted":
        return recorder.run(heading(), outcome, session.wall_time), trouble
    give_back()
    run = planned(recorder.run(heading(), outcome, session.wall_time, session.bearings()))
    write_run(run, folder.path / RUN_FILE)
    # A page of the run before would not be true.
    for name in (*PAGE_FILES, PART_FILE, before(part).name):
        folder.drop(name)
    write_parts(run, folder.path)
    folder.flush()
    return run, trouble


def _page(run: Run, folder: Path) -> None:
    from lapwright.contact.lay import let_go
    from lapwright.machine import give_back
    from lapwright.presentation.page import write_page

    let_go()
    give_back()
    try:
        write_page(run, folder)
    except CannotDoError as trouble:
        how = f"{folder / RUN_FILE} is whole: {typed('report', folder)} makes the page"
        raise CannotDoError(f"{trouble.message} ({how})") from trouble


def _answer(
    run: Run,
    trouble: LapwrightError | None,
    folder: Path,
    args: argparse.Namespace,
    say: Speaker,
    takes: Mapping[str, float] | None,
) -> None:
    for line in run.lines(args.all):
        say(line)
    if args.json:
        answer = {**run.told(), "budget": takes}
        if args.fine:
            answer.setdefault("fine", None)
        if trouble is not None:
            answer["error"] = {"code": trouble.code, "key": trouble.key, "message": trouble.message}
        print_json(answer)
    if trouble is not None:
        aside(f"lapwright: {trouble.message}")
    named = [("--from", args.start), ("--out", args.out)]
    where = [word for option, value in named if value for word in (option, value)]
    where += ["--fine"] if args.fine else []
    if trouble is not None and trouble.code == "interrupted":
        say.next(("Go on with it", typed("run", args.file, *where, "--resume")))
    elif args.no_page:
        say.next(("Make the page", typed("report", folder)))
    else:
        page = ("Open in a browser", folder / "report.html")
        say.next(page)
