"""The words of a command line: options that commands share, files a person names, and what is mistyped."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from lapwright.commands.terminal import Speaker, aside, typed
from lapwright.errors import CommandError
from lapwright.limits import TOLERANCE

if TYPE_CHECKING:
    from lapwright.optimisation.work import Many
    from lapwright.optimisation.workers import WorkerPool
    from lapwright.results.record import Run
    from lapwright.study.model import Study

FINE_PART = "fine.part.h5"
PAGE_FILES = ("report.html", "card.html", "faces.png", "sections.png", "history.png", "parts.csv")
SHOWN = (".html", ".htm", ".png", ".svg", ".pdf")  # endings of pages and pictures


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are our own errors; `given`: the words that it is to read."""

    given: Sequence[str] = ()

    def flag(self, name: str, what: str) -> None:
        """An option that is there or not."""
        self.add_argument(name, action="store_true", help=what)

    def option(self, name: str, metavar: str, what: str, **how: Any) -> None:
        """An option with a value; `how` as argparse has it."""
        self.add_argument(name, metavar=metavar, help=what, **how)

    def several(self, name: str, metavar: str, what: str) -> None:
        """An option with a value that may be given again and again."""
        self.option(name, metavar, what, action="append", default=[])

    def step(self, what: str) -> None:
        """Which step of the study."""
        is_not = "the number of a step: write 1, 2, ..."
        self.option("--step", "N", what, type=number(int, 1, 10_000, is_not))

    def error(self, message: str) -> NoReturn:
        """Raise instead of leaving."""
        told = complaint(message, self)
        raise CommandError(f"{told} (lapwright {self.prog.split()[-1]} -h shows how)")


def number(of: type, low: float, high: float, is_not: str, no: str = "not") -> Callable[[str], Any]:
    """A reader of numbers within limits; `is_not`: what anything else is not, and what to write."""

    def reader(text: str) -> Any:
        with contextlib.suppress(ValueError):
            if (of is float or text.isdecimal()) and low <= (value := of(text)) <= high:
                return value
        raise argparse.ArgumentTypeError(f"'{text}' is {no} {is_not}")

    return reader


def check_step(wanted: int | None, study: Study) -> None:
    """Refuse a step that the study does not have."""
    if wanted is not None and wanted > len(study.steps):
        there = f"{len(study.steps)} step{'s' if len(study.steps) > 1 else ''}"
        raise CommandError(f"--step {wanted}: {study.stem} has {there}", key="--step")


# --- what lies where -----------------------------------------------------------------------------


def check_free(path: Path | str | None, force: bool, key: str) -> None:
    """Refuse to write over a file, unless a person says so."""
    if path and os.path.exists(path) and not force:
        message = f"{path} is there already: add --force to write over it"
        raise CommandError(message, key=key, code="exists")


def names_run(place: Path) -> bool:
    """Whether a place is that of a run, by its name: a folder or a run file."""
    return os.path.isdir(place) or place.suffix.lower() in (".h5", ".hdf5")


def run_file(place: Path) -> Path:
    """The run file that a person means by a folder or a file: the whole run, or else the part.

    Raises
    ------
    CommandError
        A folder without a run in it, or a study in the place of a run.

    """
    from lapwright.files import PART_FILE, RUN_FILE

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
    above = folder.parent if folder.name not in ("", "..") else folder / ".."
    beside = above / f"{run.study_stem}.toml"
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


def study_file(place: Path | str) -> Path:
    """The study that a person names, which is not a run.

    Raises
    ------
    CommandError
        It is a run: says what can be done with one.

    """
    from lapwright.files import PART_FILE, RUN_FILE

    place = Path(place)
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


# --- commands that lap many times ----------------------------------------------------------------


def add_many(parser: Parser, command: str, what: str, quick: bool = False) -> None:
    """Say which words they take; `what` is drawn, or begun anew, by some of them; `quick`ly if not said."""

    def whole(low: int, high: int, of: str) -> Callable[[str], Any]:
        return number(
            int, low, high, f"number of {of}: write a whole number from {low} to {high}", "no"
        )

    parser.option("--out", "DIR", f"folder for the answer (default: STEM-{command}, here)")
    parser.flag("--resume", f"go on with a {what} that was stopped")
    parser.flag("--force", f"start again where a {what} is already")
    drawn = "draw what is not known N times, lap each in full, and say how sure the answer is"
    if quick:
        drawn += " (default: 40 quick draws; 0: none)"
    fewest = 0 if quick else 2
    parser.option(
        "--samples", "N", drawn, type=whole(fewest, 10_000, "draws"), default=None if quick else 0
    )
    usual = f'"{TOLERANCE}" of each (default; at least 0.1 um), a size such as "0.2 um", or "0 %"'
    known = f"how well start forms are known, for --samples: {usual}".replace("%", "%%")
    parser.option("--form-tolerance", "SIZE", known, default=TOLERANCE)
    coarser = "coarser plates, N cells across: quicker, and less sharp"
    parser.option("--cells", "N", coarser, type=whole(16, 1024, "cells"))
    beside = "simulations side by side (default: one a core)"
    parser.option("--workers", "N", beside, type=whole(1, 256, "workers"))
    parser.option("--cluster", "ADDRESS", "use the workers of a dask cluster instead")


def many_of(args: argparse.Namespace) -> Many:
    """What was asked, once all that these words may gainsay is looked at.

    Raises
    ------
    CommandError
        --resume with --force, --cluster with --workers, or a tolerance that is none.

    """
    from lapwright.optimisation.work import Many, tolerance_of

    if args.resume and args.force:
        message = "--resume goes on, --force starts again: give one of them"
        raise CommandError(message, key="--resume")
    if args.cluster and args.workers:
        message = "--cluster has workers of its own: leave out --workers"
        raise CommandError(message, key="--workers")
    if args.samples == 1:
        raise CommandError("--samples 1: one draw tells nothing, take 40", key="--samples")
    tolerance = tolerance_of(args.form_tolerance)
    return Many(args.samples or 0, tolerance, args.cells, quick=args.samples is None)


def crew_of(args: argparse.Namespace, most: int) -> AbstractContextManager[WorkerPool]:
    """Who works: a cluster that was named, or processes, `most` at most."""
    from lapwright.optimisation.workers import available, cluster, processes

    if args.cluster:
        return cluster(args.cluster, aside)
    return processes(min(args.workers or available(), most))


def go_on(command: str, args: argparse.Namespace) -> str:
    """What to type to go on with it."""
    words: list[object] = [command, args.file]
    named = [("--out", args.out), ("--samples", args.samples), ("--cells", args.cells)]
    named += [("--at", getattr(args, "at", None))]
    words += [word for option, value in named if value for word in (option, value)]
    if args.samples == 0 and command == "compare":
        words += ["--samples", 0]
    if args.form_tolerance != TOLERANCE:
        words += ["--form-tolerance", args.form_tolerance]
    return typed(*words, "--resume")


def stopped(command: str, how_far: str, args: argparse.Namespace, say: Speaker) -> int:
    """Say how far it got before it was stopped; returns the exit code."""
    message = f"stopped with {how_far}; what is done is in safety"
    say.json({"error": {"code": "interrupted", "key": None, "message": message}})
    aside(f"lapwright: {message}")
    say.next(("Go on with it", go_on(command, args)))
    return 1


# --- wrong command lines -------------------------------------------------------------------------

ASKS_FOR = {
    "help": "-h --help help -help --hlep --hepl -? ? /? /h /help -H man",
    "version": "--version -version version -v -V --ver",
}

# Words from other benches and other programs, and the command that does it here.
MEANT = {
    "new": "start begin init create make ask wizard study first setup example",
    "preview": "check validate look read explain say warn lint dry-run test",
    "run": "lap go simulate sim calc calculate compute solve do work wear rub",
    "bearing": "bear bears contact pressure tip tips press load settle",
    "why": "modes reason leaves makes",
    "compare": "sweep variants versus vs diff strokes",
    "tune": "optimise optimize find best improve goal plan",
    "gauge": "measure reading readings spherometer instrument straightedge level",
    "report": "page html picture pictures plot draw print view show open display",
    "log": "book write note enter diary record",
    "next": "advice advise continue now state status learn",
    "verify": "validation selftest prove proof checks",
}
# What is said in the study and not on the command line: where, and how.
IN_STUDY = {
    "cells": "cells = 64 in the plate",
    "seed": "seed = 7 at its head",
    "units": 'units = "inch" at its head',
    "inch": 'units = "inch" at its head',
    "metric": 'units = "metric" at its head',
    "rounds": "rounds = 4 at its head",
    "time": 'time = "20 min" in the step',
    "minutes": 'time = "20 min" in the step',
    "strokes": "strokes = 800 in the step",
    "grit": 'grit = "15 um" in the step',
    "load": 'load = "20 N" in the step',
    "turn": 'turn = "8 deg per stroke" in the step',
    "walk": 'walk = "3 deg per stroke" in the step',
    "pace": 'pace = "40 /min" in the step',
    "stroke": 'stroke = { kind = "figure-eight", travel = "1/3" } in the step',
    "travel": 'stroke = { travel = "1/3" } in the step',
    "overhang": 'stroke = { overhang = "17 %" } in the step',
    "swap": 'swap_every = "5 min" in the step',
    "swap-every": 'swap_every = "5 min" in the step',
    "until": 'until = { difference = "0.2 um" } in the step',
    "top": 'top = "A" in the step',
    "bottom": 'bottom = "B" in the step',
    "dome": 'form = { dome = "2 um" } in the plate',
}


def asks_for(what: str, word: str) -> bool:
    """Whether a word asks for "help" or for the "version"."""
    return word in ASKS_FOR[what].split()


def no_command(words: Sequence[str], commands: Mapping[str, str]) -> str:
    """One line for a first word that is no command and no file, with the right one where it can be told."""
    word, rest = words[0], words[1:]
    if not word.strip():
        return "the first word is empty: write a command, such as lapwright new; lapwright -h lists them"
    if word.lower() in ("lapwright", "lw") and rest:
        return f"one lapwright is enough: write {typed(*rest)}"
    inside = word.split()
    if len(inside) > 1 and inside[0].lower() in commands:
        return f"leave out the quotes round it all: write {typed(inside[0].lower(), *inside[1:], *rest)}"
    if word.lower() == "edit":
        return (
            "no command 'edit': a study is plain text, open it in any "
            f"editor, then {typed('preview', *rest)}"
        )
    if word.lower() == "card" and "--card" in commands.get("report", ""):
        return f"no command 'card': did you mean report? Write {typed('report', *rest, '--card')}"
    if word.lower() in ("exit", "quit", "bye"):
        return f"no command '{word}': every command ends by itself; lapwright -h lists them"
    meant = next(
        (c for c, ways in MEANT.items() if word.lower() in ways.split() and c in commands), None
    )
    if meant is None:
        close = difflib.get_close_matches(word.lower().strip("-/"), commands, 1)
        meant = close[0] if close else None
    if meant is not None:
        right = f" Write {typed(meant, *rest)}" if rest else ""
        return f"no command '{word}': did you mean {meant}?{right}"
    if os.path.isfile(f"{word}.toml"):
        return f"no command '{word}': did you mean the study {word}.toml?"
    if word.startswith("-") and os.path.isfile(word):
        return f"'{word}' looks like an option: write {typed('preview', Path(word))}"
    if word.startswith("-"):
        return f"no option '{word}' stands alone: lapwright -h lists the commands"
    return f"no command '{word}' and no file of that name: lapwright -h lists the commands"


def out_of_order(words: Sequence[str], commands: Iterable[str]) -> str:
    """One line for options that stand before the command: the same words in the right order."""
    at = next(i for i, word in enumerate(words) if word in commands)
    return f"write the command first, options after it: {typed(*words[at:], *words[:at])}"


def two_commands(words: Sequence[str], commands: Iterable[str]) -> str | None:
    """One line for two commands at once; None when there is but one (a file may be called so)."""
    if len(words) > 1 and words[1] in commands and not os.path.exists(words[1]):
        first, second, *rest = words
        return f"one command at a time: {typed(first, *rest)}, then {typed(second, *rest)}"
    return None


def complaint(message: str, parser: argparse.ArgumentParser) -> str:
    """What argparse complains of, in plainer words, with the nearest right option."""
    command = parser.prog.split()[-1]
    if message.startswith("unrecognized arguments:"):
        return _unknown(message.split(":", 1)[1].split() or [" "], parser, command)
    if message.startswith("the following arguments are required:"):
        needed = message.split(":", 1)[1].strip()
        return f"{needed} is missing{_lies_here(command)}"
    return message.removeprefix("argument ").replace(
        "expected one argument", "needs a value after it"
    )


def _unknown(words: Sequence[str], parser: argparse.ArgumentParser, command: str) -> str:
    word = words[0]
    if not word.startswith("-"):
        takes = [str(a.metavar) for a in parser._actions if not a.option_strings]
        if not takes:
            return f"no place for '{word}': {command} takes no file, write {typed(command)}"
        before = _before(parser, word)
        with_blank = f"{before} {' '.join(words)}"
        if before and os.path.exists(with_blank):
            return f"no place for '{word}': a name with blanks stands in quotes: {typed(command, with_blank)}"
        return f"no place for '{word}': {command} takes one {takes[0]} at a time"
    name = word.lstrip("-").partition("=")[0]
    options = [o for action in parser._actions for o in action.option_strings if o.startswith("--")]
    if name.lower() in IN_STUDY and f"--{name}" not in options:
        return f"no option '{word}': that is said in the study, write {IN_STUDY[name.lower()]}"
    close = difflib.get_close_matches(f"--{name.lower()}", options, 1, 0.7)
    if not close and len(name) == 1:
        close = sorted((o for o in options if o[2] == name.lower()), key=lambda o: o != "--force")
    return f"no option '{word}'" + (f", did you mean {close[0]}?" if close else "")


def _before(parser: argparse.ArgumentParser, word: str) -> str:
    """The word that stands before this one, which was taken as the file."""
    given = list(getattr(parser, "given", ()))
    at = given.index(word) if word in given else 0
    return str(given[at - 1]) if at > 0 else ""


def _lies_here(command: str) -> str:
    """What lies in this folder that the command could take."""
    try:
        here = sorted(Path().iterdir())[:2000]
    except OSError:
        return ""
    if command == "report":
        found = [p.name for p in here if p.is_dir() and (p / "run.h5").is_file()]
    else:
        found = [p.name for p in here if p.suffix == ".toml" and p.name != "pyproject.toml"]
    if not found:
        how = "lap a study first" if command == "report" else f"{typed('new')} writes a first study"
        return f": {how}"
    more = f" (or one of {len(found) - 1} more here)" if len(found) > 1 else ""
    return f": write {typed(command, Path(found[0]))}{more}"
