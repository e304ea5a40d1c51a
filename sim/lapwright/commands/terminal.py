"""How commands speak: words for people, one JSON object for scripts, and how far the work is."""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lapwright.results.answer import Answer, plain, wrapped
from lapwright.units import Units

# Signs that steer a terminal, or turn round the direction of what is read: no business of a title's.
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
# In JSON those that it does not escape of itself, and halves of letters, which a name of a file may hold.
STEERING_IN_JSON = re.compile(
    "[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


class Speaker:
    """Prints words where they belong: to standard output, or to standard error beside JSON."""

    def __init__(self, json: bool) -> None:
        self.scripted = json
        self.stream = sys.stderr if json else sys.stdout

    def __call__(self, text: str = "") -> None:
        """Print a line."""
        if self.scripted:
            aside(text)
        else:
            print(shown(text), file=self.stream)

    def lines(self, text: str | None) -> None:
        """Print a text in lines of a sensible length; nothing where there is none."""
        for line in wrapped(text or "", "", "  "):
            self(line)

    def json(self, value: Mapping[str, Any]) -> None:
        """Print one JSON object, for scripts alone."""
        if self.scripted:
            print_json(value)

    def answer(self, found: Answer) -> None:
        """Say an answer in words, and for scripts in numbers too."""
        self(found.text())
        if self.scripted:
            print_json(found.to_dict())

    def next(self, *lines: tuple[str, object]) -> None:
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


# --- how far the work is, on standard error ------------------------------------------------------

WIDTH = 30
BAR_EVERY, LINE_EVERY = 0.1, 10.0  # [s]


def _bar(full: int, told: str) -> str:
    """A bar, so full, and words behind it."""
    return f"[{'#' * full}{'.' * (WIDTH - full)}] {told}"


def _redraw(line: str) -> None:
    """A line in the place of the one before; an empty one takes it away."""
    print(f"\r{line}\033[K", end="", file=sys.stderr, flush=True)


class ProgressBar:
    """Simulated time done of `total` [s], and how long the rest will take on this computer.

    `at_most`: a gauge may say stop before the total; `done_before` [s] was lapped in an earlier sitting.
    """

    def __init__(
        self,
        total: float,
        done_before: float = 0.0,
        at_most: bool = False,
        begun: float | None = None,
        active: bool | None = None,
    ) -> None:
        self.total, self.done_before, self.at_most = total, done_before, at_most
        self.begun, self.shown = time.monotonic() if begun is None else begun, 0.0
        self.active = sys.stderr.isatty() if active is None else active

    def show(self, done: float) -> None:
        """Draw the bar anew, at most ten times a second."""
        now = time.monotonic()
        if self.active and now - self.shown >= BAR_EVERY:
            self.shown = now
            _redraw(self.line(done, now))

    def line(self, done: float, now: float) -> str:
        """The bar in words."""
        share = min(1.0, done / self.total) if self.total > 0.0 else 1.0
        most = "at most " if self.at_most else ""
        told = _bar(
            int(WIDTH * share), f"lapped {done / 60.0:.0f} of {most}{self.total / 60.0:.0f} min"
        )
        new = done - self.done_before
        if new <= 0.0:
            return told
        left = (now - self.begun) * max(self.total - done, 0.0) / new
        return f"{told}, {most}{Units.soon(left)} to go"

    def close(self) -> None:
        """Take the bar away."""
        if self.active and self.shown:
            _redraw("")


class Tally:
    """So many of `total`, done in the way of `verb`; `before` were done in an earlier sitting."""

    def __init__(
        self,
        total: int,
        before: int = 0,
        begun: float | None = None,
        bar: bool | None = None,
        verb: str = "lapped",
    ) -> None:
        self.total, self.before, self.verb = total, before, verb
        self.shown = time.monotonic()
        self.begun = self.shown if begun is None else begun
        self.bar = sys.stderr.isatty() if bar is None else bar

    def show(self, done: int) -> None:
        """So many are done in this sitting."""
        now = time.monotonic()
        if now - self.shown >= (BAR_EVERY if self.bar else LINE_EVERY):
            self.shown = now
            (_redraw if self.bar else aside)(self.line(done, now))

    def line(self, done: int, now: float) -> str:
        """How far it is, in words."""
        there = self.before + done
        told = f"{self.verb} {there} of {self.total}"
        if self.bar:
            told = _bar(WIDTH * there // max(self.total, 1), told)
        if not done:
            return told
        left = (now - self.begun) * (self.total - there) / done
        return f"{told}, {Units.soon(left)} to go"

    def close(self) -> None:
        """Take the bar away."""
        if self.bar:
            _redraw("")
