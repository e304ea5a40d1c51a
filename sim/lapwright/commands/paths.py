"""What lies where: the files of a run's folder, and which of them a person means."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.terminal import typed
from lapwright.errors import CommandError
from lapwright.files import PART_FILE, RUN_FILE

if TYPE_CHECKING:
    from lapwright.results.record import Run

__all__ = [
    "FINE_PART",
    "PAGE_FILES",
    "PART_FILE",
    "RUN_FILE",
    "RUN_FILES",
    "changed_since",
    "run_file",
    "study_file",
]


FINE_PART = "fine.part.h5"
PAGE_FILES = ("report.html", "card.html", "faces.png", "sections.png", "history.png")
# All that `run` writes into its folder; only what is named here or claimed later is ever written over.
BEFORE = tuple(f"{part.removesuffix('.h5')}.before.h5" for part in (PART_FILE, FINE_PART))
RUN_FILES = (RUN_FILE, PART_FILE, FINE_PART, *BEFORE, *PAGE_FILES)

SHOWN = (".html", ".htm", ".png", ".svg", ".pdf")  # endings of pages and pictures


def run_file(place: Path) -> Path:
    """The run file that a person means by a folder or a file: the whole run, or else the part.

    Raises
    ------
    CommandError
        A folder without a run in it, or a study in the place of a run.

    """
    if os.path.isdir(place):
        for name in (RUN_FILE, PART_FILE):
            if (place / name).exists():
                return place / name
        raise CommandError(
            f"there is no {RUN_FILE} in {place}: name the folder of a run, such as first-pair-run"
        )
    if place.suffix.lower() in SHOWN:
        raise CommandError(
            f"{place} is to be looked at, in a browser: name the folder that it lies in, {place.parent}"
        )
    if place.suffix == ".toml":
        raise CommandError(f"{place} is a study: lap it first with {typed('run', place)}")
    return place


def changed_since(path: Path, run: Run) -> str | None:
    """Say that the study beside a run's folder is not the one that was lapped; None where it is, or none is.

    `path` of the run file.
    """
    from lapwright.errors import StudyError
    from lapwright.study.source import text_of

    folder = path.parent
    beside = (
        folder.parent if folder.name not in ("", "..") else folder / ".."
    ) / f"{run.study_stem}.toml"
    if not os.path.isfile(beside):
        return None
    with contextlib.suppress(StudyError):
        text = text_of(beside)
        if run.study_text in (text, _begun(text, run)):
            return None
    return (
        f"Mind: this is of the study as it was lapped. {beside} beside it was changed since, or is another "
        f"one: to lap that, {typed('run', beside, '--force')}"
    )


def _begun(text: str, run: Run) -> str:
    """A study's text with what `--from` of the run put into it."""
    if run.study.start is None:
        return text
    from lapwright.study.source import document_of
    from lapwright.study.write import written

    return written(document_of(text) | {"start": run.study.start.run}, like=text)


def study_file(place: Path) -> Path:
    """The study that a person names, which is not a run.

    Raises
    ------
    CommandError
        It is a run: says what can be done with one.

    """
    if place.suffix.lower() in SHOWN:
        raise CommandError(
            f"{place} is to be looked at: open it in a browser; a study ends in .toml"
        )
    inside = [place / RUN_FILE, place / PART_FILE]
    if place.suffix.lower() in (".h5", ".hdf5") or any(map(os.path.isfile, inside)):
        raise CommandError(
            f"{place} is a run, not a study: {typed('report', place)} makes its page again, "
            f"{typed('bearing', place)} shows how it bears"
        )
    return place
