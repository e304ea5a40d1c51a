"""A toy command, the whole file of it."""

from __future__ import annotations

import argparse

from lapwright.commands.terminal import print_json

EXAMPLE = """\
example:
  lapwright hum    hums
"""


def add(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--loud", action="store_true", help="hum loudly")


def main(args: argparse.Namespace) -> int:
    said = "HUM" if args.loud else "hum"
    if args.json:
        print_json({"hum": said})
    else:
        print(said)
    return 0
