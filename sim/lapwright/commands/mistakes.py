"""What a wrong command line most likely meant, and the right line to write in its place."""

from __future__ import annotations

import argparse
import difflib
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from lapwright.commands.terminal import typed

__all__ = ["HELP_WORDS", "VERSION_WORDS", "complaint", "no_command", "out_of_order", "two_commands"]


HELP_WORDS = (
    "-h",
    "--help",
    "help",
    "-help",
    "--hlep",
    "--hepl",
    "-?",
    "?",
    "/?",
    "/h",
    "/help",
    "-H",
    "man",
)
VERSION_WORDS = ("--version", "-version", "version", "-v", "-V", "--ver")

# Words from other benches and other programs, and the command that does it here.
MEANT = {
    "new": (
        "start",
        "begin",
        "init",
        "create",
        "make",
        "ask",
        "wizard",
        "study",
        "first",
        "setup",
        "example",
    ),
    "preview": (
        "check",
        "validate",
        "look",
        "read",
        "explain",
        "say",
        "warn",
        "lint",
        "dry-run",
        "test",
    ),
    "run": (
        "lap",
        "go",
        "simulate",
        "sim",
        "calc",
        "calculate",
        "compute",
        "solve",
        "do",
        "work",
        "wear",
        "rub",
    ),
    "bearing": ("bear", "bears", "contact", "pressure", "tip", "tips", "press", "load", "settle"),
    "why": ("modes", "reason", "leaves", "makes"),
    "compare": ("sweep", "variants", "versus", "vs", "diff", "strokes"),
    "tune": ("optimise", "optimize", "find", "best", "improve", "goal", "plan"),
    "gauge": (
        "measure",
        "reading",
        "readings",
        "spherometer",
        "instrument",
        "straightedge",
        "level",
    ),
    "report": (
        "page",
        "html",
        "picture",
        "pictures",
        "plot",
        "draw",
        "print",
        "view",
        "show",
        "open",
        "display",
    ),
    "log": ("book", "write", "note", "enter", "diary", "record"),
    "next": ("advice", "advise", "continue", "now", "state", "status", "learn"),
    "verify": ("validation", "selftest", "prove", "proof", "checks"),
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
    meant = next((c for c, ways in MEANT.items() if word.lower() in ways and c in commands), None)
    if meant is None:
        close = difflib.get_close_matches(word.lower().strip("-/"), commands, 1)
        meant = close[0] if close else None
    if meant is not None:
        right = f" Write {typed(meant, *rest)}" if rest else ""
        return f"no command '{word}': did you mean {meant}?{right}"
    if os.path.isfile(f"{word}.toml"):
        return f"no command '{word}': did you mean the study {word}.toml?"
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
