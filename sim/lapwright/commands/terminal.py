"""How commands speak: words for people, one JSON object for scripts."""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lapwright.results.answer import plain

__all__ = ["Speaker", "aside", "print_json", "shown", "typed"]


# Signs that steer a terminal, or turn round the direction of what is read: no business of a title's.
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
# In JSON those that it does not escape of itself, and halves of letters, which a name of a file may hold.
STEERING_IN_JSON = re.compile(
    "[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


class Speaker:
    """Prints words where they belong: to standard output, or to standard error beside JSON."""

    def __init__(self, json: bool) -> None:
        self.stream = sys.stderr if json else sys.stdout

    def __call__(self, text: str = "") -> None:
        """Print a line."""
        if self.stream is sys.stderr:
            aside(text)
        else:
            print(shown(text), file=self.stream)

    def next(self, *lines: tuple[str, str]) -> None:
        """What to type or to open next: pairs of what for, and what."""
        self()
        width = max(len(what) for what, _ in lines) + 2
        for what, command in lines:
            self(f"{what + ':':<{width}}{command}")


def typed(*words: object) -> str:
    """A command as a person would type it: names with spaces in quotes, paths never like an option."""
    told = [f"./{w}" if isinstance(w, Path) and str(w).startswith("-") else str(w) for w in words]
    return shlex.join(["lapwright", *told])


def shown(text: str) -> str:
    """Text as it may go to a terminal."""
    return STEERING.sub("\ufffd", text)


def aside(text: str) -> None:
    """Say something on standard error; where that is closed or full, nobody hears it, and that is all."""
    with contextlib.suppress(OSError, ValueError):
        print(shown(text), file=sys.stderr)


def print_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output: in UTF-8, or else with every other letter escaped."""
    unicode = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    text = json.dumps(plain(value), indent=1, ensure_ascii=not unicode, allow_nan=False)
    print(STEERING_IN_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", text))
