"""`lapwright verify`: proves this copy against closed forms and published answers."""

from __future__ import annotations

import argparse

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
    from lapwright.results.proof import Proof

    say = Speaker(args.json)
    found = Proof(tell=say)
    if args.json:
        print_json(found.to_dict())
    say()
    say(found.verdict)
    if found.ok:
        say.next(("See what a study means", "lapwright preview FILE"), ("Lap it", "lapwright run FILE"))
    return 0 if found.ok else 1
