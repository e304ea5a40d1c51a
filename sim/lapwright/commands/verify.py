"""`lapwright verify`: proves this copy against closed forms and published answers."""

from __future__ import annotations

import argparse
from typing import Any

from lapwright.commands.answer import Speaker, print_json

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright verify    twenty seconds of sums with known answers; each line names its formula or source
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes (none)."""


def main(args: argparse.Namespace) -> int:
    """Prove this copy; returns the exit code, 1 if any row fails."""
    from lapwright.verify import rows

    say = Speaker(args.json)
    got: list[dict[str, Any]] = []
    for row in rows():
        as_dict = {
            "name": row.name,
            "source": row.source,
            "expected": row.expected,
            "got": row.got,
            "tolerance": row.tolerance,
            "ok": bool(row.ok),
        }
        got.append(as_dict)
        mark = "ok  " if row.ok else "FAIL"
        numbers = f"expected {row.expected:.10g}, got {row.got:.10g} (within {row.tolerance:.2g})"
        say(f"{mark} {row.name}: {numbers}")
        say(f"       {row.source}")
    good = bool(got) and all(row["ok"] for row in got)
    failed = sum(not row["ok"] for row in got)
    if args.json:
        print_json({"rows": got, "ok": good})
    say()
    say(
        f"All {len(got)} checks hold."
        if good
        else f"{failed} of {len(got)} checks fail: do not trust this copy."
    )
    if good:
        say.next(("See what a study means", "lapwright preview FILE"), ("Lap it", "lapwright run FILE"))
    return 0 if good else 1
