"""What the commands that lap many times take alike: draws of what is not known, coarser plates, who works."""

from __future__ import annotations

import argparse
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

from lapwright.errors import CommandError
from lapwright.limits import TOLERANCE

if TYPE_CHECKING:
    from lapwright.optimisation.comparison import Many
    from lapwright.optimisation.workers import WorkerPool

__all__ = ["add_many", "crew_of", "go_on_words", "many_of"]


def add_many(parser: argparse.ArgumentParser, what: str) -> None:
    """Say which words they take; `what` is drawn, or begun anew, by some of them."""
    parser.add_argument(
        "--resume", action="store_true", help=f"go on with a {what} that was stopped"
    )
    parser.add_argument(
        "--force", action="store_true", help=f"start anew where a {what} is already"
    )
    parser.add_argument(
        "--samples",
        type=_count,
        default=0,
        metavar="N",
        help="draw what is not known N times, and say how sure the answer is",
    )
    parser.add_argument(
        "--form-tolerance",
        default=TOLERANCE,
        metavar="SIZE",
        help=f'how well start forms are known, for --samples: "{TOLERANCE}" of each '.replace(
            "%", "%%"
        )
        + "(default; at least 0.1 um), "
        'a size such as "0.2 um", or "0 %%"',
    )
    parser.add_argument(
        "--cells",
        type=_cells,
        metavar="N",
        help="coarser plates, N cells across: quicker, and less sharp",
    )
    parser.add_argument(
        "--workers",
        type=_workers,
        metavar="N",
        help="simulations side by side (default: one a core)",
    )
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="use the workers of a dask cluster instead"
    )


def _whole(text: str, low: int, high: int, what: str) -> int:
    number = int(text) if text.isdecimal() else -1
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(
            f"'{text}' is no {what}: write a whole number from {low} to {high}"
        )
    return number


def _count(text: str) -> int:
    return _whole(text, 2, 10_000, "number of draws")


def _cells(text: str) -> int:
    return _whole(text, 16, 1024, "number of cells")


def _workers(text: str) -> int:
    return _whole(text, 1, 256, "number of workers")


def many_of(args: argparse.Namespace) -> Many:
    """What was asked, once all that these words may gainsay is looked at.

    Raises
    ------
    CommandError
        --resume with --force, --cluster with --workers, or a tolerance that is none.

    """
    from lapwright.optimisation.comparison import Many, tolerance_of

    if args.resume and args.force:
        raise CommandError(
            "--resume goes on, --force starts anew: give one of them", key="--resume"
        )
    if args.cluster and args.workers:
        raise CommandError("--cluster has workers of its own: leave out --workers", key="--workers")
    return Many(args.samples, tolerance_of(args.form_tolerance), args.cells)


def crew_of(args: argparse.Namespace, most: int) -> AbstractContextManager[WorkerPool]:
    """Who works: a cluster that was named, or processes, `most` at most."""
    from lapwright.optimisation.workers import available, cluster, processes

    if args.cluster:
        return cluster(args.cluster)
    return processes(min(args.workers or available(), most))


def go_on_words(args: argparse.Namespace) -> list[object]:
    """What to type after the command to go on with it."""
    words: list[object] = [args.file]
    for option, value in (
        ("--out", args.out),
        ("--samples", args.samples),
        ("--cells", args.cells),
    ):
        words += [option, value] if value else []
    if args.form_tolerance != TOLERANCE:
        words += ["--form-tolerance", args.form_tolerance]
    return [*words, "--resume"]
