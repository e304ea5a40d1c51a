"""How many of many are done, on standard error: a bar on a terminal, else a line now and then."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

from lapwright.commands.answer import aside
from lapwright.units import Units

__all__ = ["Tally"]

WIDTH = 30
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
