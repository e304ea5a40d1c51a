"""How commands speak: words for people, one JSON object for scripts."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Mapping
from typing import Any

from lapwright.results.answer import plain

__all__ = ["Speaker", "print_json", "typed"]


class Speaker:
    """Prints words where they belong: to standard output, or to standard error beside JSON."""

    def __init__(self, json: bool) -> None:
        self.stream = sys.stderr if json else sys.stdout

    def __call__(self, text: str = "") -> None:
        """Print a line."""
        print(text, file=self.stream)

    def next(self, *lines: tuple[str, str]) -> None:
        """What to type or to open next: pairs of what for, and what."""
        self()
        width = max(len(what) for what, _ in lines) + 2
        for what, command in lines:
            self(f"{what + ':':<{width}}{command}")


def typed(*words: object) -> str:
    """A command as a person would type it, names with spaces in quotes."""
    return shlex.join(["lapwright", *map(str, words)])


def print_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output."""
    print(json.dumps(plain(value), indent=1, ensure_ascii=False, allow_nan=False))
