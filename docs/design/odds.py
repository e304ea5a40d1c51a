"""How near the odds of quick draws come to those of the same draws lapped in full, on random comparisons.

    python docs/design/odds.py --cache FILE 100 132    adds these comparisons to the cache
    python docs/design/odds.py --cache FILE            rewrites the table in docs/compare.md from the cache

The comparisons are those of tests/odds_studies.py, each from its number alone; what is in the cache is kept.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sim"), str(ROOT / "tests")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from odds_studies import beside, text_of

from lapwright.optimisation.comparison import verdict
from lapwright.optimisation.quick_draws import with_quick_draws
from lapwright.study.read import parse

PAGE = ROOT / "docs" / "compare.md"
BEGIN, END = "<!-- begin: docs/design/odds.py -->", "<!-- end: docs/design/odds.py -->"
DRAWS = 2  # lapped in full of each
CLOSE = 0.05  # of the flatness: two ways as near to each other in a draw


def measured(number: int, draws: int) -> dict[str, object]:
    """One comparison: figures by both kinds of draws [m], the odds of the quick ones, and their cost."""
    found = beside(number, draws)
    if found is None:
        return {"number": number, "left_out": "a way cannot be lapped"}
    if found.full is found.quick:
        return {
            "number": number,
            "left_out": "no quick draws",
            "why": list(found.quick.unquick.values()),
        }
    bare = time.process_time()
    parse(text_of(number), "cost").compare(samples=0)
    bare = time.process_time() - bare
    cost = time.process_time()
    with_quick_draws(found.quick)
    cost = time.process_time() - cost
    first, second = found.quick.ranked
    return {
        "number": number,
        "wins": found.quick.wins(first, second)[0],
        "first": first,
        "lift": [got.lift_share for got in found.quick.nominal],
        "cost": cost / bare,
        "pairs": found.pairs(),
    }


def table(found: list[dict]) -> str:
    """What came of all of them."""
    told = [one for one in found if "pairs" in one]
    lines = [
        "| the odds of 40 quick draws | comparisons | draws lapped in full "
        "| of these the first is the better in | quick and full draw agree in |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, words in (
        ("better", "it is better"),
        ("no_telling", "no telling"),
        ("worse", "it is worse more often than not"),
    ):
        some = [one for one in told if verdict(one["wins"], 40) == name]
        pairs = [(one["first"], pair) for one in some for pair in one["pairs"]]
        won = sum(full[i] < full[1 - i] for i, (_, full) in pairs)
        agree = sum((quick[0] < quick[1]) == (full[0] < full[1]) for _, (quick, full) in pairs)
        lines.append(f"| {words} | {len(some)} | {len(pairs)} | {won} | {agree} |")
    every = [pair for one in told for pair in one["pairs"]]
    off = [abs(q / f - 1.0) for quick, full in every for q, f in zip(quick, full, strict=True)]
    clear = [p for p in every if abs(p[1][0] - p[1][1]) > CLOSE * max(p[1])]
    right = sum((quick[0] < quick[1]) == (full[0] < full[1]) for quick, full in clear)
    lift = sum(max(one["lift"]) > 0.5 for one in told)
    low, middle, high = np.percentile([one["cost"] for one in told], (0, 50, 100))
    without = sum("pairs" not in one for one in found)
    median, most = 100 * np.median(off), 100 * np.percentile(off, 90)
    text = (
        f"{len(found)} random comparisons of two ways, {len(every)} draws lapped in full beside the same "
        f"quick draws; in {lift} of them something lifts more than half of the time; {without} have no quick "
        f"draws. The worst flatness of a quick draw is off by {median:.1f} % of it in the middle of all, and "
        f"by less than {most:.1f} % in nine of ten. Where two ways are further apart than "
        f"{100 * CLOSE:.0f} % in a draw, both kinds of draws agree on the better in {right} of {len(clear)}. "
        f"Quick draws cost {low:.2f} to {high:.2f} of what the comparison itself does ({middle:.2f} in the "
        "middle), at 16 cells across; finer plates cost more to lap, and quick draws no more."
    )
    return "\n".join([text, "", *lines])


def main() -> None:
    """Measure what is not in the cache, and write."""
    parser = argparse.ArgumentParser()
    parser.add_argument("numbers", nargs="*", type=int)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--draws", type=int, default=DRAWS)
    args = parser.parse_args()
    done = {}
    if args.cache.exists():
        for line in args.cache.read_text("utf-8").splitlines():
            done[json.loads(line)["number"]] = json.loads(line)
    for number in range(*args.numbers) if args.numbers else ():
        if number not in done:
            done[number] = measured(number, args.draws)
            with args.cache.open("a", encoding="utf-8") as file:
                file.write(json.dumps(done[number]) + "\n")
    if not args.numbers:
        page = PAGE.read_text("utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        found = [done[number] for number in sorted(done)]
        PAGE.write_text(f"{before}{BEGIN}\n{table(found)}\n{END}{after}", "utf-8")


if __name__ == "__main__":
    main()
