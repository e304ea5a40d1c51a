"""`lapwright new`: a few questions, and a study of your own that runs; shows at once what it means."""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import Parser, check_free
from lapwright.commands.terminal import Speaker, typed
from lapwright.errors import CannotDoError, CommandError
from lapwright.files import put_beside
from lapwright.results.answer import wrapped
from lapwright.units import joined

if TYPE_CHECKING:
    from lapwright.commands.interview.typed import Answers

EXAMPLE = """\
example:
  lapwright new                    asks about your plates; writes my-plates.toml
  lapwright new seal-ring.toml     the same into a file of that name
  lapwright new --yes              takes every usual answer and asks nothing
  lapwright new --example          writes example.toml, the shortest study there is

While it asks: Enter takes what stands in brackets, ? explains, back goes back, Ctrl-C stops.
"""
WELCOME = """\
Nine short questions about your plates. Enter takes what stands in brackets; ? explains a question;
back goes back to the one before; Ctrl-C stops, and nothing is written."""


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    written = "the study to write (default my-plates.toml)"
    parser.add_argument("file", metavar="FILE", nargs="?", help=written)
    parser.flag("--yes", "ask nothing: take every usual answer")
    parser.flag("--example", "ask nothing: write the shortest study")
    parser.flag("--force", "write over a study that is there")


@dataclass(frozen=True)
class Listener:
    """Where the talk goes on: what is said, and what is typed on a terminal or line by line."""

    say: Speaker

    @property
    def terminal(self) -> bool:
        """Whether a person sits there."""
        return sys.stdin is not None and sys.stdin.isatty()

    def ask(self, prompt: str) -> str | None:
        """Show a prompt and wait for a line; None when there is none any more."""
        print(f"{prompt} > ", end="", file=self.say.stream, flush=True)
        line = sys.stdin.readline() if sys.stdin is not None else ""
        if not line:
            self.say()
            return None
        if not self.terminal:
            self.say(line.rstrip("\r\n"))
        return line.strip()


def main(args: argparse.Namespace) -> int:
    """Ask, write and show; returns the exit code."""
    if args.yes and args.example:
        one = "--yes takes the usual answers, --example writes the shortest study: give one of them"
        raise CommandError(one, key="--yes")
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="replace")
    person = Listener(Speaker(args.json))
    try:
        path = _free(_named(args), args, person)
        answers, text = _asked(args, person)
    except KeyboardInterrupt:
        person.say()
        raise CannotDoError("stopped: nothing was written", code="interrupted") from None
    check_free(path, args.force, "FILE")  # it came while the questions were asked
    put_beside(path, memoryview(text.encode()))
    _shown(path, person.say)
    _next(path, answers, person.say)
    said = {key: answer.value for key, answer in answers.items()}
    person.say.json({"file": str(path), "answers": said})
    return 0


def _named(args: argparse.Namespace) -> Path:
    """The study to be written.

    Raises
    ------
    CommandError
        No name for a study, or in a folder that is not there.

    """
    path = Path(args.file or ("example.toml" if args.example else "my-plates.toml"))
    if path.suffix == "" and not os.path.isdir(path):
        path = path.with_name(f"{path.name}.toml")
    wrong = None
    if os.path.isdir(path):
        such = typed("new", path / "my-plates.toml")
        wrong = f"{path} is a folder: name the study to write, such as {such}"
    elif path.suffix.lower() != ".toml":
        right = typed("new", path.with_suffix(".toml"))
        wrong = f"{path}: a study's name ends in .toml: write {right}"
    elif not os.path.isdir(path.parent):
        wrong = f"there is no folder {path.parent}: make it first, or leave it out"
    if wrong is not None:
        raise CommandError(wrong, key="FILE")
    return path


def _free(path: Path, args: argparse.Namespace, person: Listener) -> Path:
    """The same, if nothing would be lost; a person may say what is to be done.

    Raises
    ------
    CannotDoError
        The folder takes no files.
    CommandError
        A study is there already.

    """
    if not os.access(path.parent, os.W_OK):
        folder = path.parent.resolve()
        raise CannotDoError(f"{folder} takes no files from you: go to a folder of your own first")
    while os.path.exists(path) and not args.force:
        there = f"{path} is there already"
        names = (path.with_name(f"{path.stem}-{n}.toml") for n in range(2, 10_000))
        other = next(name for name in names if not name.exists())
        if args.yes or args.example or not person.terminal:
            how = (
                f"add --force to write over it, or give another name, such as {typed('new', other)}"
            )
            raise CommandError(f"{there}: {how}", key="FILE", code="exists")
        answer = person.ask(f"{there}. Another name for the new study?\n     [{other}]")
        if answer is None:
            raise CommandError(f"{there} and was left as it is", key="FILE", code="exists")
        path = _named(argparse.Namespace(file=answer or str(other), example=False))
    return path


def _asked(args: argparse.Namespace, person: Listener) -> tuple[Answers, str]:
    """The answers, and the study that they make."""
    from lapwright.commands.interview import TOPICS, AnswersEndedError, Stopped, take_usual, talk
    from lapwright.commands.interview.compose import SHORTEST, compose

    if args.example:
        return {}, SHORTEST
    if args.yes:
        answers = take_usual()
        return answers, compose(answers)
    person.say(f"{WELCOME}\n")
    try:
        answers = talk(person.ask, person.say)
    except Stopped:
        raise CannotDoError("stopped: nothing was written", code="interrupted") from None
    except AnswersEndedError as trouble:
        raise CommandError(
            f"the answers ended at question {trouble.question.topic} of {TOPICS} ({trouble.question.key}), "
            "so nothing was written: answer them all (an empty line takes the usual), "
            f"or write {typed('new', '--yes')}",
            code="answers",
        ) from None
    return answers, compose(answers)


def _shown(path: Path, say: Speaker) -> None:
    """What the study means, as `preview` says it."""
    from lapwright.results.answer import Preview
    from lapwright.study.read import load

    say()
    say(Preview(load(path)).text())


def _next(path: Path, answers: Answers, say: Speaker) -> None:
    from lapwright.commands.interview.compose import names, read_nothing

    say()
    say(f"{path} is written. It is plain text: open it in any editor and change what you like.")
    unread = read_nothing(answers) if answers else []
    if unread:
        taken = f"{'it is' if len(unread) == 1 else 'they are'} taken as flat"
        if len(unread) == len(names(answers)):
            taken = "this is about flat faces"
        begin = (
            f"You have not read {joined(unread)} yet, so {taken}. Read first, write what you read"
        )
        for line in wrapped(f"{begin} into {path}, and it is about your plates.", "", ""):
            say(line)
    say.next(
        ("Change it in an editor", path),
        ("Lap the plates", typed("run", path)),
        ("Then open in a browser", Path(f"{path.stem}-run") / "report.html"),
    )
