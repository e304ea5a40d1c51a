"""How commands speak: words for people, one JSON object for scripts."""

from __future__ import annotations

import json
import math
import shlex
import sys
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from lapwright.errors import LapwrightError

__all__ = ["WIDTH", "Speaker", "plain", "print_json", "troubles_in", "typed", "wrapped"]

WIDTH = 100  # of a line, so that it reads well on paper and in any terminal


@contextmanager
def troubles_in(units: str) -> Iterator[None]:
    """Tell the lengths in an error of the engine, which are in mm there, in the units of the study."""
    try:
        yield
    except LapwrightError as trouble:
        if units != "metric":
            from lapwright.study.say import retold

            trouble.message = retold(trouble.message, units)
            trouble.args = (trouble.message,)
        raise


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


def wrapped(text: str, first: str, then: str) -> list[str]:
    """A text in lines: what begins the `first`, and what begins those after it."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def plain(value: Any) -> Any:
    """A value as JSON knows it: no NaN or infinity (null), no arrays."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    number = float(value)
    return number if math.isfinite(number) else None


def print_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output."""
    print(json.dumps(plain(value), indent=1, ensure_ascii=False, allow_nan=False))
