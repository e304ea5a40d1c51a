"""Your stroke on the plate."""

from __future__ import annotations

from matplotlib.figure import Figure

from sim.report.account import Account


def stroke(account: Account) -> Figure | None:
    """Path of the top's centre."""
    return None


def stroke_words(account: Account) -> list[str]:
    """Sentences beside it."""
    return []
