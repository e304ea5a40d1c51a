"""A plain progress bar on standard error, on a terminal only."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

from lapwright.units import Units

__all__ = ["Progress"]

WIDTH = 30
EVERY = 0.1


@dataclass
class Progress:
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
