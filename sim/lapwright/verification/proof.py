"""Proof of this copy: what the program computes against closed forms and published answers.

`expected` is a published, remembered or derived number (the row says which), `got` always comes from the
same plates, motion and engine that lap; a row that fails is shown as failed.

The page `docs/validation.md`, written from the rows and never typed.

The proof of this copy: closed forms and published answers beside what it works out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Self

import numpy as np

from lapwright import __version__
from lapwright.results.answer import Answer
from lapwright.verification.scenes import Row


def rows() -> Iterator[Row]:
    """Yield every row, subject by subject, as it is worked out.

    Returns
    -------
    iterator of Row

    """
    # Late, so that asking for help does not compile the engine.
    from lapwright.verification import batch_rows as batch
    from lapwright.verification import bending_rows as bending
    from lapwright.verification import contact_rows as contact
    from lapwright.verification import form_rows as form
    from lapwright.verification import motion_rows as motion
    from lapwright.verification import thickness_rows as thickness

    for subject in (
        motion.motion_rows,
        contact.wear_rows,
        contact.edges_rows,
        motion.moments_rows,
        motion.kept_rows,
        motion.picture_rows,
        contact.clutch_rows,
        contact.settling_rows,
        contact.liquid_rows,
        thickness.thickness_rows,
        bending.bending_rows,
        batch.batch_rows,
        form.form_rows,
        form.standards_rows,
        form.gauges_rows,
    ):
        yield from subject()


def verify() -> tuple[Row, ...]:
    """Work out all rows.

    Returns
    -------
    tuple of Row
        In the order of the page.

    """
    return tuple(rows())


HEAD = """# Validation

Written by `python -m lapwright.verification` (version {version}); do not edit. `lapwright verify` shows the
same rows for the copy in hand and ends with 1 if one fails. SI units; sources are named as published, from
memory, or derived and confirmed independently.

{summary}

| what | source | expected | got | tolerance | ok |
| --- | --- | --- | --- | --- | --- |
"""


def page(rows: Sequence[Row]) -> str:
    """Write the rows as a page of Markdown."""
    failed = sum(not row.ok for row in rows)
    summary = f"{len(rows)} rows, " + (
        "all within tolerance." if not failed else f"**{failed} FAILED**."
    )
    return HEAD.format(version=__version__, summary=summary) + "".join(_line(row) for row in rows)


def _line(row: Row) -> str:
    name, source = (text.replace("|", "\\|") for text in (row.name, row.source))
    shown = 10 if row.tolerance < 1e-6 * abs(row.expected) else 6
    # What lies far below the tolerance is round-off, and no two machines round alike.
    got = float(np.round(row.got / (1e-4 * row.tolerance))) * 1e-4 * row.tolerance
    numbers = (f"{row.expected + 0.0:.{shown}g}", f"{got + 0.0:.{shown}g}", f"{row.tolerance:.2g}")
    return f"| {name} | {source} | {' | '.join(numbers)} | {'yes' if row.ok else '**NO**'} |\n"


class Proof(Answer):
    """Every row of the proof; `tell` is given the lines of each as soon as it is worked out."""

    def __init__(self, tell: Callable[[str], None] = lambda line: None) -> None:
        self.rows = []
        for row in rows():
            self.rows.append(row)
            for line in _in_words(row):
                tell(line)

    def spoken_in(self, units: str) -> Self:
        """The same: the rows are in SI.

        Parameters
        ----------
        units : str
            "metric" or "inch".

        Returns
        -------
        Proof

        """
        return self

    @property
    def ok(self) -> bool:
        """Whether all rows hold."""
        return bool(self.rows) and all(row.ok for row in self.rows)

    @property
    def verdict(self) -> str:
        """How many hold."""
        failed = sum(not row.ok for row in self.rows)
        if self.ok:
            return f"All {len(self.rows)} checks hold."
        return f"{failed} of {len(self.rows)} checks fail: do not trust this copy."

    def lines(self) -> Iterator[str]:
        """All of it in words.

        Returns
        -------
        iterator of str

        """
        for row in self.rows:
            yield from _in_words(row)
        yield ""
        yield self.verdict

    def told(self) -> dict[str, Any]:
        """All of it for scripts.

        Returns
        -------
        dict
            Of plain values.

        """
        keys = ("name", "source", "expected", "got", "tolerance")
        listed = [
            {key: getattr(row, key) for key in keys} | {"ok": bool(row.ok)} for row in self.rows
        ]
        return {"rows": listed, "ok": self.ok}


def _in_words(row: Row) -> Iterator[str]:
    numbers = f"expected {row.expected:.10g}, got {row.got:.10g} (within {row.tolerance:.2g})"
    yield f"{'ok  ' if row.ok else 'FAIL'} {row.name}: {numbers}"
    yield f"       {row.source}"
