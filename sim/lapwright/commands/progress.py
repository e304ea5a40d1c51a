"""How far the work is, on standard error: a bar of time lapped, and how many of many are done."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

from lapwright.commands.terminal import aside
from lapwright.units import Units

__all__ = ["ProgressBar", "Tally"]

WIDTH = 30
EVERY = 0.1


@dataclass
class ProgressBar:
    """Simulated time done of `total` [s], and how long the rest will take on this computer.

    `at_most`: a gauge may say stop before the total; `done_before` [s] was lapped in an earlier sitting.
    """

    total: float
    done_before: float = 0.0
    at_most: bool = False
    begun: float = field(default_factory=time.monotonic)
    shown: float = 0.0
    active: bool = field(default_factory=lambda: sys.stderr.isatty())

    def show(self, done: float) -> None:
        """Draw the bar anew, at most ten times a second."""
        now = time.monotonic()
        if not self.active or now - self.shown < EVERY:
            return
        self.shown = now
        print(f"\r{self.line(done, now)}\033[K", end="", file=sys.stderr, flush=True)

    def line(self, done: float, now: float) -> str:
        """The bar in words."""
        share = min(1.0, done / self.total) if self.total > 0.0 else 1.0
        full = int(WIDTH * share)
        bar = "#" * full + "." * (WIDTH - full)
        most = "at most " if self.at_most else ""
        told = f"[{bar}] lapped {done / 60.0:.0f} of {most}{self.total / 60.0:.0f} min"
        new = done - self.done_before
        if new <= 0.0:
            return told
        left = (now - self.begun) * max(self.total - done, 0.0) / new
        return f"{told}, {most}{Units.soon(left)} to go"

    def close(self) -> None:
        """Take the bar away."""
        if self.active and self.shown:
            print("\r\033[K", end="", file=sys.stderr, flush=True)


BAR_EVERY, LINE_EVERY = 0.1, 10.0  # s


@dataclass
class Tally:
    """So many of `total`, done in the way of `verb`; `before` were done in an earlier sitting."""

    total: int
    before: int = 0
    begun: float = field(default_factory=time.monotonic)
    shown: float = field(default_factory=time.monotonic)
    bar: bool = field(default_factory=lambda: sys.stderr.isatty())
    verb: str = "lapped"

    def show(self, done: int) -> None:
        """So many are done in this sitting."""
        now = time.monotonic()
        if now - self.shown < (BAR_EVERY if self.bar else LINE_EVERY):
            return
        self.shown = now
        line = self.line(done, now)
        if self.bar:
            print(f"\r{line}\033[K", end="", file=sys.stderr, flush=True)
        else:
            aside(line)

    def line(self, done: int, now: float) -> str:
        """How far it is, in words."""
        there = self.before + done
        full = WIDTH * there // max(self.total, 1)
        told = f"{self.verb} {there} of {self.total}"
        if self.bar:
            told = f"[{'#' * full}{'.' * (WIDTH - full)}] {told}"
        if not done:
            return told
        left = (now - self.begun) * (self.total - there) / done
        return f"{told}, {Units.soon(left)} to go"

    def close(self) -> None:
        """Take the bar away."""
        if self.bar:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
