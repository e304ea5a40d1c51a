"""The proof of this copy: closed forms and published answers beside what it works out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from lapwright.results.answer import Answer
from lapwright.verify import Row, rows

__all__ = ["Proof"]


class Proof(Answer):
    """Every row of the proof; `tell` is given the lines of each as soon as it is worked out."""

    def __init__(self, tell: Callable[[str], None] = lambda line: None) -> None:
        self.rows = []
        for row in rows():
            self.rows.append(row)
            for line in _in_words(row):
                tell(line)

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
        """All of it in words."""
        for row in self.rows:
            yield from _in_words(row)
        yield ""
        yield self.verdict

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        keys = ("name", "source", "expected", "got", "tolerance")
        listed = [{key: getattr(row, key) for key in keys} | {"ok": bool(row.ok)} for row in self.rows]
        return {"rows": listed, "ok": self.ok}


def _in_words(row: Row) -> Iterator[str]:
    numbers = f"expected {row.expected:.10g}, got {row.got:.10g} (within {row.tolerance:.2g})"
    yield f"{'ok  ' if row.ok else 'FAIL'} {row.name}: {numbers}"
    yield f"       {row.source}"
