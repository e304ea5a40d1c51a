"""Averages over poses judged against every stroke singly, in random studies.

    python docs/design/every_stroke.py --cache DIR               all 400; prints the table
    python docs/design/every_stroke.py --cache DIR --write       and rewrites it in docs/numerics.md
    python docs/design/every_stroke.py --cache DIR --fill        makes missing references only
    python docs/design/every_stroke.py --cache DIR --kept-only   judges those that have one by now
    python docs/design/every_stroke.py --cache DIR --only turned     one kind (also: faces, a stroke)
    python docs/design/every_stroke.py --cache DIR --index 17        one study, form by form
    python docs/design/every_stroke.py --cache DIR --again 20        20 references beside those made anew
    python docs/design/every_stroke.py --cache DIR --phases-check 20     or with twice the poses a stroke
    python docs/design/every_stroke.py --cache DIR --rounded         references rounded to whole cells

References (every stroke singly) are kept in DIR, so that only what is judged is run again; those that the
kernels would make otherwise by now are made anew.  All of them take about half an hour, judging all a minute.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from campaign_judged import (
    PHASES,
    Error,
    Run,
    errors,
    kept_at,
    reference,
    run,
    stroke_by_stroke,
)
from campaign_studies import Drawn, drawn

from lapwright.integration.state import Settings

PAGE = ROOT / "docs" / "numerics.md"
BEGIN, END = (
    "<!-- begin: docs/design/every_stroke.py -->",
    "<!-- end: docs/design/every_stroke.py -->",
)
STUDIES = 400
WORST = 10
Judged = tuple[Drawn, Run, Run, list[Error]]


def table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A table of the page."""
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def per_cent(share: float) -> str:
    """In words."""
    return f"{100.0 * share:.3f} %"


def studies(given: argparse.Namespace) -> Iterator[Drawn]:
    """Those asked for, in order."""
    numbers = (
        [given.index] if given.index is not None else range(given.first, given.first + given.count)
    )
    for number in numbers:
        study = drawn(number)
        if given.only is None or given.only in study.kinds:
            yield study


def fill(given: argparse.Namespace, folder: Path) -> None:
    """Make the references that are missing."""
    for study in studies(given):
        if reference(folder, study, made=False, real=not given.rounded) is None:
            found = reference(folder, study, real=not given.rounded)
            assert found is not None
            trouble = f"  TROUBLE: {found.trouble}" if found.trouble else ""
            print(f"{study.index}: {found.seconds:.1f} s, {study.words}{trouble}", flush=True)


def judge(given: argparse.Namespace, folder: Path) -> list[Judged]:
    """Run each study as a user would, beside its reference."""
    settings = Settings()
    run(drawn(0), settings)  # compiled before anything is timed
    run(drawn(7), settings)
    found: list[Judged] = []
    for study in studies(given):
        real = reference(folder, study, made=not given.kept_only, real=not given.rounded)
        if real is None:
            continue
        fast = run(study, settings, given.seed)
        if real.trouble or fast.trouble:
            print(f"{study.index}: {real.trouble or 'every stroke singly goes through'}; by averages: "
                  f"{fast.trouble or 'goes through'}; {study.words}")  # fmt: skip
            continue
        found.append((study, fast, real, errors(study, fast, real)))
        if given.verbose or given.index is not None:
            tell(study, fast, real, found[-1][3])
    return found


def tell(study: Drawn, fast: Run, real: Run, of_study: list[Error]) -> None:
    """One study, form by form."""
    print(f"{study.index}: {study.words}")
    print(f"   {fast.blocks} blocks, {fast.poses} poses, {fast.seconds:.2f} s against {real.seconds:.1f} s; "
          f"{1e9 * real.removal:.0f} nm off, lifted at most {fast.lift:.0%} of a block")  # fmt: skip
    for e in of_study:
        if e.event == "end":
            print(f"   {e.plate} {e.form}: off {per_cent(e.true)}, printed {per_cent(e.printed)}"
                  f"{'' if e.within else '  NOT WITHIN TWICE'}")  # fmt: skip


def row(name: str, some: list[Judged], events: tuple[str, ...] = ("end",)) -> tuple[object, ...]:
    """What is said of a kind of studies."""
    found = [e for judged in some for e in judged[3] if e.event in events]
    true = np.array([e.true for e in found])
    worst = np.array([max(e.true for e in judged[3] if e.event == "end") for judged in some])
    within = np.mean([e.within for e in found])
    printed = np.array([e.printed for e in found])
    return (
        name, len(some), len(found), f"{100.0 * within:.1f} %", per_cent(float(np.median(true))),
        *(per_cent(float(np.quantile(true, q))) for q in (0.95, 0.99, 1.0)),
        int((worst > 0.005).sum()), int((worst > 0.01).sum()), per_cent(float(np.median(printed))),
    )  # fmt: skip


HEAD = (
    "studies", "number", "forms", "within twice the printed", "median", "95 %", "99 %", "largest",
    "studies off by over 0.5 %", "over 1 %", "median printed",
)  # fmt: skip


def by_kind(found: list[Judged]) -> str:
    """The table of all kinds."""
    kinds = sorted({kind for study, *_ in found for kind in study.kinds})
    rows = [row("**all**", found)]
    swapped = [judged for judged in found if any(e.event == "swap" for e in judged[3])]
    if swapped:
        rows.append(row("at swaps on the way", swapped, ("swap",)))
    rows += [row(kind, [judged for judged in found if kind in judged[0].kinds]) for kind in kinds]
    return table(HEAD, rows)


def worst_of(found: list[Judged]) -> str:
    """The studies furthest off."""

    def key(judged: Judged) -> float:
        return max(e.true for e in judged[3] if e.event == "end")

    rows = []
    for study, fast, _, of_study in sorted(found, key=key, reverse=True)[:WORST]:
        e = max((e for e in of_study if e.event == "end"), key=lambda e: e.true)
        said = (study.index, study.words, f"{e.plate} {e.form}", per_cent(e.true), per_cent(e.printed),
                fast.blocks, fast.poses)  # fmt: skip
        rows.append(said)
    return table(("number", "study", "form", "off", "printed", "blocks", "poses evaluated"), rows)


def cost_of(found: list[Judged]) -> str:
    """What it took."""
    fast, real = (sum(judged[k].seconds for judged in found) for k in (1, 2))
    blocks = sum(judged[1].blocks for judged in found)
    poses = sum(judged[1].poses for judged in found)
    redrawn = sum(judged[0].tries > 0 for judged in found)
    return (
        f"{len(found)} studies: {fast:.1f} s of processor by averages ({blocks} blocks, {poses} poses "
        f"evaluated), {real:.0f} s every stroke singly; {redrawn} were drawn more than once."
    )


def again(given: argparse.Namespace, folder: Path, number: int, phases: int) -> None:
    """How far references lie from those made anew, or with more poses a stroke."""
    chosen = [study for study in studies(given) if kept_at(folder, study).exists()]
    for study in chosen[:: max(1, len(chosen) // number)][:number]:
        kept = reference(folder, study)
        assert kept is not None
        if kept.trouble:
            continue
        anew = run(study, stroke_by_stroke(phases))
        apart = max(e.true for e in errors(study, anew, kept))
        print(f"{study.index}: {100.0 * apart:.4f} % of the removal, {study.words}", flush=True)


def write(text: str) -> None:
    """Into the page, between the markers."""
    text = f"Written by `python docs/design/every_stroke.py --write`; defaults then: {Settings()}.\n\n{text}"
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    PAGE.write_text(
        head + BEGIN + "\n\n" + text + "\n\n" + END + rest.split(END)[1], encoding="utf-8"
    )


def asked() -> argparse.Namespace:
    """What is asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--cache",
        type=Path,
        required=True,
        help="folder for the references, outside the repository",
    )
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=STUDIES)
    parser.add_argument("--index", type=int, help="one study alone")
    parser.add_argument("--only", help="one kind alone")
    parser.add_argument(
        "--seed", type=int, default=0, help="of the averages; a hand scatters by it too"
    )
    parser.add_argument(
        "--kept-only", action="store_true", help="leave out studies without a reference"
    )
    parser.add_argument("--verbose", action="store_true", help="every study form by form")
    parser.add_argument("--fill", action="store_true", help="make references, judge nothing")
    parser.add_argument("--again", type=int, metavar="N", help="make N references anew and compare")
    parser.add_argument(
        "--phases-check", type=int, metavar="N", help="the same with twice the poses"
    )
    parser.add_argument(
        "--rounded", action="store_true", help="references with places on whole cells"
    )
    parser.add_argument(
        "--write", action="store_true", help="rewrite the table in docs/numerics.md"
    )
    return parser.parse_args()


def main() -> None:
    """Judge, and say what came of it."""
    given = asked()
    if given.fill:
        fill(given, given.cache)
        return
    if given.again or given.phases_check:
        again(
            given,
            given.cache,
            given.again or given.phases_check,
            PHASES if given.again else 2 * PHASES,
        )
        return
    start = time.perf_counter()
    found = judge(given, given.cache)
    if not found:
        sys.exit("no study to judge")
    text = "\n\n".join([cost_of(found), by_kind(found), "The ten furthest off:", worst_of(found)])
    print(text)
    print(f"{time.perf_counter() - start:.0f} s", file=sys.stderr)
    if given.write:
        write(text)


if __name__ == "__main__":
    main()
