"""`lapwright verify`: proves this copy against closed forms and published answers, or a run file whole."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from lapwright.commands.options import Parser
from lapwright.commands.terminal import Speaker, typed
from lapwright.errors import CommandError, RunFileError

EXAMPLE = """\
example:
  lapwright verify    twenty seconds of sums with known answers; each line names its formula or source
  lapwright verify first-pair-run   whether the files of a run are as they were written, to the last bit
"""


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    checked = "a folder, or a run.h5, to be checked instead"
    parser.add_argument("place", metavar="RUN", nargs="?", help=checked)


def main(args: argparse.Namespace) -> int:
    """Prove this copy, or check files; returns the exit code, 1 if any row fails or any file is damaged."""
    from lapwright.verification.proof import Proof

    say = Speaker(args.json)
    if args.place is not None:
        return _files(Path(args.place), say)
    found = Proof(tell=say)
    say.json(found.to_dict())
    say()
    say(found.verdict)
    if found.ok:
        say.next(
            ("See what a study means", "lapwright preview FILE"), ("Lap it", "lapwright run FILE")
        )
    return 0 if found.ok else 1


def _files(place: Path, say: Speaker) -> int:
    """Read run files, and all that is kept in a folder of a run or a comparison; returns the exit code."""
    from lapwright.optimisation.jobs import PLAN, checked
    from lapwright.results.runfile import SCHEMA, read_run

    if place.suffix == ".toml":
        raise CommandError(
            f"verify checks the files of a run, and {place} is a study: "
            f"{typed('preview', place)} says what it means"
        )
    found = [place]
    if place.is_dir():
        found = [*sorted(place.glob("*.h5")), *sorted(place.glob("members/*.h5"))]
    if not (found or (place / PLAN).exists()) or not os.path.exists([*found, place][0]):
        raise CommandError(
            f"there is no run file in {place}: name the folder of a run, such as first-pair-run"
        )
    told = []
    for path in found:
        try:
            signed = read_run(path).schema == SCHEMA
            like = "as it was written" if signed else "of the layout before: it reads"
            ok, said = True, f"{path} is {like}"
        except RunFileError as trouble:
            ok, said = False, trouble.message
        told.append({"file": str(path), "ok": ok, "message": said})
        say(f"{'ok  ' if ok else 'FAIL'} {said}.")
    for path, wrong in checked(place) if place.is_dir() else ():
        said = wrong or f"{path} is as it was written"
        told.append({"file": str(path), "ok": wrong is None, "message": said})
        say(f"{'FAIL' if wrong else 'ok  '} {said}.")
    good = all(one["ok"] for one in told)
    say.json({"files": told, "ok": good})
    if good:
        say.next(("Make the page", typed("report", place)))
    return 0 if good else 1
