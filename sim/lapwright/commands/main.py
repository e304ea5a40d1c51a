"""Words in, exit code out: finds the command, runs it, and turns every error into one plain line.

Exit codes: 0 done; 1 the work could not be done; 2 the command or the file is wrong.
Nothing heavy is imported here: help and preview answer at once.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Any

from lapwright import __version__
from lapwright.commands.options import Parser, asks_for, no_command, out_of_order, two_commands
from lapwright.commands.terminal import aside, print_json
from lapwright.errors import CannotDoError, CommandError, LapwrightError

# A command is a module of `lapwright.commands` with `add(parser)` and `main(args)`; one line here adds it.
COMMANDS = {
    "new": "a few questions; writes your first study",
    "preview": "says back what the file means, and warns; laps nothing",
    "run": "laps the plates on paper: what you would have at the end",
    "bearing": "where the top bears, how hard, and whether it tips",
    "why": "what each stroke takes out, leaves alone and makes",
    "compare": "the same plates under several strokes, side by side",
    "tune": "finds stroke, turn and swaps for a goal; writes a new study",
    "gauge": "what each gauge would show, and what your readings mean",
    "log": "writes down what was done and read",
    "next": "where the plates stand, what was learnt, what to do next",
    "report": "makes the page again from a run; --card: the one-page work card for the bench",
    "verify": "proves this copy against closed forms and published answers",
}
# What libraries say that could not be loaded, or get nothing, for want of memory.
NO_MEMORY = (
    "failed to map segment",
    "cannot allocate memory",
    "memory allocation failed",
    "can't start new thread",
)
WELCOME = """\
lapwright laps two plates on paper: what loose grit makes of both faces.

{lines}

Times are guesses until you weigh a plate; shapes are not. All commands: lapwright -h
"""
# What to type first; a line whose command is not in this copy is left out.
FIRST = (
    ("Start here", "new", "", "asks a few questions, writes your first study"),
    ("See one", "new", "--example", "writes example.toml, the shortest there is"),
    ("Then", "preview", "example.toml", "says back what it means, and warns"),
    ("", "run", "example.toml", "laps the plates; open example-run/report.html"),
    ("Why", "why", "example.toml", "what a stroke takes out, leaves alone and makes"),
    ("Card", "report", "example-run --card", "one page to print, for the bench"),
)

HELP = """\
lapwright COMMAND FILE [options]

Say in a study file what plates you have, which lies on top, what grit and what stroke;
lapwright tells what both faces become, and why.

commands:
{commands}

example:
  lapwright new                         asks about your plates and writes a study, my-plates.toml
  lapwright preview first-pair.toml     says back what the file means; takes no time
  lapwright run first-pair.toml         laps the pair; then open first-pair-run/report.html

lapwright FILE alone is preview. lapwright COMMAND -h says more of one command.
--json gives scripts one JSON object; --debug shows where an error came from; --version.
"""


# New objects after which circles among them are looked for: compiling kernels makes millions of objects, and
# looking through them after every 700 takes a tenth of its time.
MANY_OBJECTS = 50_000


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in words
    words = [w for w in words if w != "--debug"]
    json = "--json" in words
    # Before NumPy is loaded: its threads give small matrices nothing, change last bits with their number, and
    # on a busy machine make them ten times slower.
    for name in ("OPENBLAS", "MKL", "OMP"):
        os.environ[f"{name}_NUM_THREADS"] = "1"
    _streams()
    try:
        code = _dispatch(words)
        _remark()
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        return _left_alone(0)
    except BaseException as trouble:
        if debug and not isinstance(trouble, SystemExit):
            raise
        if isinstance(trouble, OSError) and trouble.filename is None:
            return _takes_nothing(trouble)
        try:
            code = _told(trouble, json)
            sys.stdout.flush()
            return code
        except BrokenPipeError:
            return _left_alone(trouble.exit_code if isinstance(trouble, LapwrightError) else 1)
        except OSError as full:
            return _takes_nothing(full)


def _streams() -> None:
    """Have all three standard streams, closed ones too, and no letter that stops the words."""
    while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass  # else the next file opened, a run's perhaps, would stand where words go
    os.close(handle)
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 (to the end)
        elif mode == "w" and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _remark() -> None:
    """Say once that kernels could not be kept."""
    compiled: Any = sys.modules.get("lapwright.contact.compile")
    if compiled is not None and compiled.uncached():
        aside(
            "Mind: neither the program's folder nor your home takes files, so what was compiled is not kept "
            "and every start takes longer: NUMBA_CACHE_DIR=FOLDER before the command names one that does"
        )


def _takes_nothing(trouble: OSError) -> int:
    """Say beside it that standard output cannot be written: all other files name themselves in an error."""
    from lapwright.files import reason

    aside(f"lapwright: the answer cannot be written where it should go: {reason(trouble)}")
    return _left_alone(1)


def _left_alone(code: int) -> int:
    """Whoever was reading has left; Python must not complain again while it closes down."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return code


def _told(trouble: BaseException, json: bool) -> int:
    """Say an error in one line (a study's faults in one line each); returns the exit code."""
    if isinstance(trouble, SystemExit):
        return trouble.code if isinstance(trouble.code, int) else 0
    error = trouble if isinstance(trouble, LapwrightError) else _from_outside(trouble)
    if json:
        print_json({"error": {"code": error.code, "key": error.key or None, "message": str(error)}})
    for line in str(error).split("\n"):
        aside(f"lapwright: {line}")
    return error.exit_code


def _from_outside(trouble: BaseException) -> LapwrightError:
    if isinstance(trouble, KeyboardInterrupt):
        return CannotDoError("stopped", code="interrupted")
    if isinstance(trouble, MemoryError) or any(told in str(trouble).lower() for told in NO_MEMORY):
        little = "not enough memory: take fewer cells, or close other programs"
        return CannotDoError(little, code="memory")
    if isinstance(trouble, OSError):
        from lapwright.files import reason

        where = f"{trouble.filename}: " if trouble.filename is not None else ""
        return CannotDoError(f"{where}{reason(trouble)}")
    what = " ".join(f"{type(trouble).__name__}: {trouble}".split())
    how = "the same command with --debug shows where"
    return CannotDoError(f"a fault of the program, not yours ({what}): {how}", code="internal")


def _dispatch(words: list[str]) -> int:
    if not words:
        print(_welcome(), end="")
        return 0
    first = words[0]
    if asks_for("help", first):
        named = [word for word in words[1:] if word in COMMANDS]
        if named:
            return _run(named[0], ["-h"])
        print(_help(), end="")
        return 0
    if asks_for("version", first):
        print(f"lapwright {__version__}")
        return 0
    if first in COMMANDS:
        double = two_commands(words, COMMANDS)
        if double is not None:
            raise CommandError(double)
        return _run(first, words[1:])
    if first.startswith("-") and any(w in COMMANDS for w in words[1:]):
        raise CommandError(out_of_order(words, COMMANDS))
    if _looks_like_a_file(first) or (first.startswith("-") and any(map(_looks_like_a_file, words))):
        return _run("preview", words)
    raise CommandError(no_command(words, COMMANDS))


def _asks_for_help(word: str, words: list[str]) -> bool:
    """Whether a word after the command asks for help; a bare word only where it stands alone."""
    alone = not word.isalpha() or len(words) == 1
    return asks_for("help", word) and alone and not os.path.exists(word)


def _looks_like_a_file(word: str) -> bool:
    if word.startswith("-") or not word.strip() or (word.split()[0] in COMMANDS and " " in word):
        return False
    return "." in word or os.sep in word or os.path.exists(word)


def _welcome() -> str:
    lines = [
        f"{label:<12}{f'lapwright {command} {more}'.rstrip():<40}{what}"
        for label, command, more, what in FIRST
        if command in COMMANDS
    ]
    return WELCOME.format(lines="\n".join(lines))


def _help() -> str:
    width = max(map(len, COMMANDS)) + 2
    lines = (f"  {name:<{width}}{what}" for name, what in COMMANDS.items())
    return HELP.format(commands="\n".join(lines))


def _run(name: str, words: list[str]) -> int:
    module: Any = importlib.import_module(f"lapwright.commands.{name}")
    parser = Parser(
        prog=f"lapwright {name}",
        description=f"{name}: {COMMANDS[name]}",
        epilog=module.EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser._positionals.title = "what to give it"
    module.add(parser)
    parser.flag("--json", "one JSON object on standard output, for scripts")
    # Taken off the words before they come here; it stands in the help all the same.
    parser.flag("--debug", "show where an error came from")
    words = ["-h" if _asks_for_help(word, words) else word for word in words]
    for before, word in zip(["", *words], words, strict=False):
        blank = not word.strip() and before.startswith("--")  # a folder of that name, say
        if not word or blank or (word.startswith("--") and word.endswith("=")):
            what = word.strip().rstrip("=") or "a word"
            how = f"{name} needs a value there (lapwright {name} -h shows how)"
            raise CommandError(f"{what} is empty: {how}")
    parser.given = words
    args = parser.parse_args(words)
    import gc  # help, which has ended by now, needs nothing of it

    gc.set_threshold(MANY_OBJECTS)
    return int(module.main(args))
