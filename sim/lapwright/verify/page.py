"""The page `docs/validation.md`, written from the rows and never typed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lapwright import __version__
from lapwright.verify.row import Row

__all__ = ["page"]

HEAD = """# Validation

Written by `python -m lapwright.verify` (version {version}); do not edit. `lapwright verify` shows the same
rows for the copy in hand and ends with 1 if one fails. SI units; sources are named as published, from memory,
or derived and confirmed independently.

{summary}

| what | source | expected | got | tolerance | ok |
| --- | --- | --- | --- | --- | --- |
"""


def page(rows: Sequence[Row]) -> str:
    """Write the rows as a page of Markdown."""
    failed = sum(not row.ok for row in rows)
    summary = f"{len(rows)} rows, " + ("all within tolerance." if not failed else f"**{failed} FAILED**.")
    return HEAD.format(version=__version__, summary=summary) + "".join(_line(row) for row in rows)


def _line(row: Row) -> str:
    name, source = (text.replace("|", "\\|") for text in (row.name, row.source))
    shown = 10 if row.tolerance < 1e-6 * abs(row.expected) else 6
    # What lies far below the tolerance is round-off, and no two machines round alike.
    got = float(np.round(row.got / (1e-4 * row.tolerance))) * 1e-4 * row.tolerance
    numbers = (f"{row.expected + 0.0:.{shown}g}", f"{got + 0.0:.{shown}g}", f"{row.tolerance:.2g}")
    return f"| {name} | {source} | {' | '.join(numbers)} | {'yes' if row.ok else '**NO**'} |\n"
