"""`run --fine`: the same study lapped a second time with half the cell, twice the poses, half the blocks."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from lapwright.commands.answer import Speaker
from lapwright.commands.places import FINE_PART, RUN_FILE
from lapwright.commands.session import Session
from lapwright.errors import CommandError, LapwrightError, SettleError
from lapwright.lapping.run import Settings
from lapwright.planning.members import with_cells
from lapwright.results.lapped import heading
from lapwright.study.checkpoint import Restored, Timetable, forget, restore, unfinished
from lapwright.study.model import Study
from lapwright.study.read import document_of, parse_document
from lapwright.study.recorder import Recorder
from lapwright.study.runfile import FORM_KEYS, Fine, Run, write_run

__all__ = ["finer", "lap_finer"]

MOST_CELLS = 1024  # that a study may ask for


def finer(study: Study, folder: Path) -> Study:
    """The study with twice the cells across every plate; maps are read anew, for maps may hold more.

    `folder`: where its file lies.

    Raises
    ------
    CommandError
        A plate has too many cells for that.

    """
    most = max(study.plates.values(), key=lambda plate: plate.cells)
    if 2 * most.cells > MOST_CELLS:
        raise CommandError(
            f"--fine takes twice the cells, and {most.name} has {most.cells} across: "
            f"{MOST_CELLS // 2} are the most for that",
            key="--fine",
        )
    if all(plate.form.measured is None for plate in study.plates.values()):
        plates = {name: replace(plate, cells=2 * plate.cells) for name, plate in study.plates.items()}
        return replace(study, plates=plates)
    document = with_cells(document_of(study.text), study, 2 * most.cells)
    return parse_document(document, study.stem, folder, text=study.text)


def lap_finer(
    run: Run, study: Study, folder: Path, args: argparse.Namespace
) -> tuple[Run, LapwrightError | None]:
    """The run with what the finer `study` comes to, put into its file; and what stopped it, if anything did.

    What is done of it is in a part file of its own; the run itself is whole whatever becomes of it.
    """
    part = folder / FINE_PART
    begun = Restored(Recorder(study), 0.0)
    if args.resume and unfinished(part):
        begun = restore(part, study)
        if begun.mind:
            Speaker(args.json)(begun.mind)
    strict = args.checkpoint is not None
    table = Timetable(args.checkpoint if strict else 2.0, strict)
    recorder = begun.recorder
    session = Session(study, recorder, part, table, begun.spent, args.threads, Settings().finer())
    try:
        outcome, trouble = session.work()
    except SettleError as stuck:
        return run, stuck
    if outcome == "interrupted":
        return run, trouble
    end = recorder.run(heading(), outcome, 0.0)
    plates = {} if outcome == "tipped" else end.plates
    fine = Fine(
        outcome,
        float(end.time[-1]),
        {name: {key: float(record.forms[key][-1]) for key in FORM_KEYS} for name, record in plates.items()},
        {name: float(record.removed[-1]) for name, record in plates.items()},
    )
    run = replace(run, fine=fine, wall_time=run.wall_time + session.wall_time)
    write_run(run, folder / RUN_FILE)
    forget(part)
    return run, None
