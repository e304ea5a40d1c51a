"""What the commands that lap many times take alike: draws of what is not known, coarser plates, who works."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.planning.crew import Crew
    from lapwright.planning.draws import Tolerance
    from lapwright.planning.members import Member
    from lapwright.planning.store import Store
    from lapwright.study.model import Study

__all__ = ["add_many", "begin", "check", "coarser", "crew_of", "go_on_words", "tolerance_of"]

USUAL_TOLERANCE = "10 %"


def add_many(parser: argparse.ArgumentParser, what: str) -> None:
    """Say which words they take; `what` is drawn, or begun anew, by some of them."""
    parser.add_argument("--resume", action="store_true", help=f"go on with a {what} that was stopped")
    parser.add_argument("--force", action="store_true", help=f"start anew where a {what} is already")
    parser.add_argument(
        "--samples",
        type=_count,
        default=0,
        metavar="N",
        help="draw what is not known N times, and say how sure the answer is",
    )
    parser.add_argument(
        "--form-tolerance",
        default=USUAL_TOLERANCE,
        metavar="SIZE",
        help='how well start forms are known, for --samples: "10 %%" of each (default; at least 0.1 um), '
        'a size such as "0.2 um", or "0 %%"',
    )
    parser.add_argument(
        "--cells", type=_cells, metavar="N", help="coarser plates, N cells across: quicker, and less sharp"
    )
    parser.add_argument(
        "--workers", type=_workers, metavar="N", help="simulations side by side (default: one a core)"
    )
    parser.add_argument("--cluster", metavar="ADDRESS", help="use the workers of a dask cluster instead")


def _whole(text: str, low: int, high: int, what: str) -> int:
    number = int(text) if text.isdecimal() else -1
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(f"'{text}' is no {what}: write a whole number from {low} to {high}")
    return number


def _count(text: str) -> int:
    return _whole(text, 2, 10_000, "number of draws")


def _cells(text: str) -> int:
    return _whole(text, 16, 1024, "number of cells")


def _workers(text: str) -> int:
    return _whole(text, 1, 256, "number of workers")


def check(args: argparse.Namespace) -> None:
    """Refuse words that gainsay each other.

    Raises
    ------
    CommandError
        --resume with --force, or --cluster with --workers.

    """
    if args.resume and args.force:
        raise CommandError("--resume goes on, --force starts anew: give one of them", key="--resume")
    if args.cluster and args.workers:
        raise CommandError("--cluster has workers of its own: leave out --workers", key="--workers")


def tolerance_of(text: str) -> Tolerance:
    """How well start forms are known, as typed.

    Raises
    ------
    CommandError
        It is neither a share nor a size.

    """
    from lapwright.planning.draws import Tolerance
    from lapwright.study.faults import RefusedError
    from lapwright.study.units import SMALL, quantity, read_share

    try:
        share = read_share(text)
    except RefusedError:
        share = -1.0
    if "%" in text and 0.0 <= share <= 1.0:
        return Tolerance(share) if share else Tolerance(0.0, 0.0)
    try:
        return Tolerance(0.0, quantity(SMALL, least="0 um", most="100 um")(text))
    except RefusedError:
        raise CommandError(
            f'--form-tolerance {text!r} is no tolerance: write "10 %" of each form, or a size ("0.2 um")',
            key="--form-tolerance",
        ) from None


def coarser(study: Study, cells: int | None) -> None:
    """Refuse more cells than the study has.

    Raises
    ------
    CommandError
        When `cells` are not fewer.

    """
    finest = max(plate.cells for plate in study.plates.values())
    if cells is not None and cells > finest:
        raise CommandError(f"--cells {cells}: the study has {finest} already, take fewer", key="--cells")


def begin(store: Store, study: Study, members: Sequence[Member], args: argparse.Namespace) -> None:
    """Make the folder ready: go on with what is in it if that was asked for, else start anew.

    Raises
    ------
    CommandError, RunFileError
        It cannot be gone on with.

    """
    from lapwright import __version__

    tolerance = tolerance_of(args.form_tolerance)
    plan: dict[str, Any] = {
        "program": __version__,
        "study": study.text,
        "samples": args.samples,
        "tolerance": [tolerance.share, tolerance.floor],
        "cells": args.cells,
    }
    if args.resume and os.path.exists(store.folder):
        store.check(plan)
    else:
        store.begin(plan, members)


def crew_of(args: argparse.Namespace, most: int) -> AbstractContextManager[Crew]:
    """Who works: a cluster that was named, or processes, `most` at most."""
    from lapwright.planning.crew import available, cluster, processes

    if args.cluster:
        return cluster(args.cluster)
    return processes(min(args.workers or available(), most))


def go_on_words(args: argparse.Namespace) -> list[object]:
    """What to type after the command to go on with it."""
    words: list[object] = [args.file]
    for option, value in (("--out", args.out), ("--samples", args.samples), ("--cells", args.cells)):
        words += [option, value] if value else []
    if args.form_tolerance != USUAL_TOLERANCE:
        words += ["--form-tolerance", args.form_tolerance]
    return [*words, "--resume"]
