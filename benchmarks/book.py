"""Whether the book holds what it says: calibration, sharpness, worth, mishaps and time, on hidden shops.

    python benchmarks/book.py --part calibration --shops 400 --out FILE     # goes on where FILE ends
    python benchmarks/book.py --part calibration --out FILE --tell          # what FILE says

One row of JSON a shop, in order; a shop that is there is not lapped again.  Seeds from --first on.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
from shops import Shop, random_step, shop_of

from lapwright.modal.basis import form_names
from lapwright.optimisation import advise as choice
from lapwright.optimisation import rollout as rules
from lapwright.optimisation.advise import advise
from lapwright.optimisation.bench import Bench, bench_of, flatness, target_of
from lapwright.optimisation.book import PracticeShop
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.history import looked_back, seen_in, taken_in
from lapwright.optimisation.shop import Knowledge, one_normal
from lapwright.optimisation.spell import new_day
from lapwright.specification.step import Step, Turn

Row = dict[str, Any]
SPELLS = 4
FLAT_DRAWS = 400
DRAWS = 2000
CAP = 6 * 3600.0
MOST_SPELLS = 12
RESIDUE = 0.2e-6


def quantities(bench: Bench, shops: np.ndarray) -> Row:
    """Everything that is told of shops (m, size), by name: (m,) each."""
    layout = bench.layout
    out = {}
    for name, plate in layout.plates.items():
        for form, row in zip(form_names(plate), layout.form_rows(name), strict=True):
            out[f"{name}.{form}"] = shops @ row
        out[f"{name}.flatness"] = flatness(layout, name, shops)
    for grit, metal in layout.wears:
        out[f"wear.{grit}"] = shops[:, layout.wear(grit, metal)]
    for grit in layout.layers:
        out[f"layer.{grit}"] = shops[:, layout.layer(grit)]
    return out


def ranks(bench: Bench, known: Knowledge, truth: np.ndarray, rng: np.random.Generator) -> Row:
    """Where the truth stands among draws, and how far off it is in standard deviations."""
    draws = quantities(bench, known.draw(FLAT_DRAWS, rng)[0])
    true = quantities(bench, truth[None])
    return {
        name: [
            float((values < true[name][0]).mean()),
            float((true[name][0] - values.mean()) / values.std()),
        ]
        for name, values in draws.items()
    }


def calibration(seed: int, advised: bool) -> Row:
    """One shop of the book's own world: four spells at random (or half as advised), all ranks after each."""
    shop = shop_of(seed)
    bench = bench_of(shop.study)
    rng = np.random.default_rng([seed, 1])
    hidden, known, last = PracticeShop(bench, seed), bench.prior, None
    goal, rows = target_of(bench), []
    for number in range(1, SPELLS + 2):
        done = None
        if number > 1:
            done = random_step(shop, rng)
            if advised and number % 2:
                done = advise(bench, known, goal, shop.steps, number, last).step or done
            hidden.lap(done, any_hand=True)
            last = done
        count = len(shop.readings) if number == 1 else int(rng.integers(2, len(shop.readings) + 1))
        some = sorted(rng.choice(len(shop.readings), count, replace=False))
        asked = Entry(done=done, any_hand=True, readings=tuple(shop.readings[k] for k in some))
        chapter = taken_in(bench, number, known, hidden.read(asked))
        known = chapter.known
        row = ranks(bench, known, hidden.truth, rng)
        assert chapter.foretold is not None
        seen = seen_in(bench, chapter.entry)
        foretold = chapter.before.foretold(seen, DRAWS, rng)
        row["next reading"] = [float((foretold[:, 0] < seen.value[0]).mean()), 0.0]
        row["tail"] = [chapter.foretold.tail, 0.0]
        rows.append({"ranks": row, "effective": known.effective, "alarm": chapter.foretold.alarm})
    return {"spells": rows}


def tell_calibration(rows: list[Row]) -> Iterator[str]:
    """Coverage by spell, and whether ranks are spread evenly (20 bins, Holm over all quantities at 1 %)."""
    from scipy.stats import chisquare

    found: dict[str, list[list[float]]] = defaultdict(list)
    for row in rows:
        for name in row["spells"][0]["ranks"]:
            found[name].append([spell["ranks"][name][0] for spell in row["spells"]])
    chances = {}
    for name, values in found.items():
        array = np.array(values)
        held = ((array > 0.025) & (array < 0.975)).mean(axis=0)
        one = array[np.arange(len(array)), np.arange(len(array)) % array.shape[1]]
        counts = np.histogram(one, 20, (0.0, 1.0))[0]
        chances[name] = float(chisquare(counts).pvalue)
        said = " ".join(f"{100 * share:5.1f}" for share in held)
        yield f"{name:16s} held {said}  all {100 * held.mean():5.1f} %  ranks even: p = {chances[name]:.3f}"
    order = sorted(chances, key=lambda name: chances[name])
    fails = [name for k, name in enumerate(order) if chances[name] < 0.01 / (len(order) - k)]
    yield f"{len(rows)} shops; not even by Holm at 1 %: {', '.join(fails) or 'none'}"
    least = min(spell["effective"] for row in rows for spell in row["spells"][1:])
    alarms = [spell["alarm"] for row in rows for spell in row["spells"]]
    yield f"least effective members {least:.0f}; alarms {100 * np.mean(alarms):.2f} % of {len(alarms)} spells"


def sharpness(seed: int, advised: bool) -> Row:
    """Spread after one spell against importance weighting of many lapped draws, each with its discrepancy."""
    from lapwright.optimisation.spell import discrepancy

    shop = shop_of(seed, grits=("15 um",), hand="steady")
    bench = bench_of(shop.study)
    rng = np.random.default_rng([seed, 2])
    hidden = PracticeShop(bench, seed)
    first = taken_in(bench, 1, bench.prior, hidden.read(Entry(readings=shop.readings)))
    step = random_step(shop, rng)
    hidden.lap(step)
    entry = hidden.read(Entry(done=step, readings=shop.readings))
    told = taken_in(bench, 2, first.known, entry)
    before = new_day(first.known, bench.layout)
    draws, _ = before.draw(20_000, rng)
    spell = bench.spell(step, (2,))
    ended = spell.lap(draws, np.zeros(len(draws), dtype=np.intp))
    seen = seen_in(bench, entry)
    mean, spread, weight = np.empty_like(ended), np.empty_like(ended), np.empty(len(ended))
    for k in range(0, len(ended), 500):
        some = slice(k, k + 500)
        off = discrepancy(bench.layout, spell.step, draws[some], ended[some])
        cloud = Knowledge(np.ones(len(off)), ended[some], off, np.zeros(len(off), dtype=np.intp))
        weight[some] = cloud._each(seen, seen.value[None])[0]
        after = cloud._updated(seen)
        mean[some], spread[some] = after.mean, 0.0
        roots = np.sqrt(np.maximum(np.diagonal(after.cloud, axis1=1, axis2=2), 0.0))
        spread[some] = roots
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    out = {}
    rows = {
        f"{n}.{f}": r
        for n, p in bench.layout.plates.items()
        for f, r in zip(form_names(p), bench.layout.form_rows(n), strict=True)
    }
    for name in ("wear", "layer"):
        at = (
            bench.layout.wear(*bench.layout.wears[0])
            if name == "wear"
            else bench.layout.layer(bench.layout.layers[0])
        )
        rows[name] = np.eye(bench.layout.size)[at]
    covariance = told.known.covariance
    for name, row in rows.items():
        values = mean @ row
        middle = float(weight @ values)
        within = float(
            weight @ np.square(spread @ np.abs(row)) if name in ("wear", "layer") else 0.0
        )
        if name not in ("wear", "layer"):
            within = _within(bench, draws, ended, spell.step, seen, row, weight)
        reference = float(np.sqrt(weight @ np.square(values - middle) + within))
        out[name] = [
            float(np.sqrt(row @ covariance @ row)) / reference,
            (float(row @ told.known.centre) - middle) / reference,
        ]
    return {"ratios": out, "effective": float(1.0 / np.square(weight).sum())}


def _within(
    bench: Bench, draws: Any, ended: Any, step: Step, seen: Any, row: Any, weight: Any
) -> float:
    from lapwright.optimisation.spell import discrepancy

    total = 0.0
    for k in range(0, len(ended), 500):
        some = slice(k, k + 500)
        off = discrepancy(bench.layout, step, draws[some], ended[some])
        cloud = (
            Knowledge(np.ones(len(off)), ended[some], off, np.zeros(len(off), dtype=np.intp))
            ._updated(seen)
            .cloud
        )
        total += float(weight[some] @ np.einsum("d,mde,e->m", row, cloud, row))
    return total


def tell_sharpness(rows: list[Row]) -> Iterator[str]:
    """Ratio of spreads, and how far the middles are apart."""
    for name in rows[0]["ratios"]:
        ratio = np.array([row["ratios"][name] for row in rows])
        off = np.sqrt(np.mean(ratio[:, 1] ** 2))
        low, middle, high = np.quantile(ratio[:, 0], [0.0, 0.5, 1.0])
        yield f"{name:12s} spread {middle:.3f} ({low:.2f} to {high:.2f}) of it, middles {off:.2f} off"
    yield f"{len(rows)} shops; draws that count: {min(row['effective'] for row in rows):.0f} at least"


WRONG: dict[str, Callable[[Step, Shop], Step]] = {
    "top not turned": lambda step, shop: replace(step, turn=Turn()),
    "plates changed": lambda step, shop: replace(step, top=step.bottom, bottom=step.top),
    "grit far faster": lambda step, shop: step,
    "zero moved": lambda step, shop: step,
    "sign turned": lambda step, shop: step,
}


def mishap(seed: int, advised: bool) -> Row:
    """Two clean spells, then one in which something goes wrong: how far off, found or not, which cause."""
    shop = shop_of(seed)
    bench = bench_of(shop.study)
    rng = np.random.default_rng([seed, 3])
    kind = list(WRONG)[seed % len(WRONG)]
    hidden, known, alarms = PracticeShop(bench, seed), bench.prior, []
    entry = None
    for number in range(1, 5):
        done = None
        if number > 1:
            done = replace(random_step(shop, rng), turn=shop.steps[0].turn)
            wrong = number == 4
            if wrong and kind == "grit far faster":
                hidden.truth[
                    bench.layout.wear(done.grit.name, bench.layout.plates["A"].material.name)
                ] += np.log(3.0)
            hidden.lap(WRONG[kind](done, shop) if wrong else done, any_hand=True)
            if wrong and kind == "zero moved":
                hidden.truth[bench.layout.zero(shop.readings[0].gauge)] += 0.5e-6
        entry = hidden.read(Entry(done=done, any_hand=True, readings=shop.readings))
        if number == 4 and kind == "sign turned":
            some = shop.readings[0].gauge
            entry = replace(
                entry,
                readings=tuple(
                    replace(r, value=-r.value) if r.gauge == some else r for r in entry.readings
                ),
            )
        chapter = taken_in(bench, number, known, entry)
        known = chapter.known
        alarms.append(chapter.foretold.alarm)
    seen = seen_in(bench, entry)
    draws = chapter.before.foretold(seen, 4000, rng)
    off = seen.value - draws.mean(axis=0)
    effect = float(np.sqrt(off @ np.linalg.solve(np.cov(draws.T), off)))
    order = sorted(
        (name for name in chapter.likely if name[0] != "nothing"),
        key=lambda name: -chapter.better[name],
    )
    place = next((k for k, name in enumerate(order) if name[0] == kind), -1)
    return {
        "kind": kind,
        "effect": effect,
        "alarm": alarms[-1],
        "false": alarms[:-1],
        "place": place,
    }


def tell_mishap(rows: list[Row]) -> Iterator[str]:
    """Found where the effect is 4 at least; the true cause among the first two; false alarms."""
    for kind in WRONG:
        own = [row for row in rows if row["kind"] == kind]
        large = [row for row in own if row["effect"] >= 4.0]
        seen = [row for row in own if row["alarm"]]
        first = sum(0 <= row["place"] < 2 for row in seen)
        found = sum(row["alarm"] for row in large)
        yield (
            f"{kind:16s} {len(own)} shops; effect of 4: {len(large)}, of these found {found}; "
            f"the cause among the first two in {first} of {len(seen)}"
        )
    false = [alarm for row in rows for alarm in row["false"]]
    yield f"false alarms {100 * np.mean(false):.2f} % of {len(false)}"


POLICIES = (
    "next",
    "knows",
    "domed 5",
    "domed 10",
    "even 5",
)  # of `--policies`, those that are asked
ASKED = [*POLICIES]
SHARE = [1.0]  # of their forms that plates come with


def worth(seed: int, advised: bool) -> Row:
    """To 0.3 um by `next`, by a planner that knows the truth, and by rules: minutes, metal, reached or not.

    A shop whose finest grit alone leaves more than `RESIDUE` is left out and says so.
    """
    shop = shop_of(seed)
    bench = bench_of(shop.study)
    _come(bench)
    left = residue(shop, bench, PracticeShop(bench, seed).truth)
    if left > RESIDUE:
        return {"residue": left}
    return {"residue": left, **{policy: _worked(policy, shop, bench, seed) for policy in ASKED}}


def _come(bench: Bench) -> None:
    """Let the named forms of all plates come, and be believed, `SHARE` as large: near the goal."""
    share = np.ones(bench.layout.size)
    for name in bench.layout.plates:
        share[bench.layout.quadratic(name)[0]] = SHARE[0]
    prior = bench.prior
    vars(bench)["prior"] = one_normal(
        share * prior.mean[0], share[:, None] * prior.cloud[0] * share
    )


def residue(shop: Shop, bench: Bench, truth: np.ndarray) -> float:
    """Flatness [m] of the worse face once flat ones are lapped an hour by the finest grit at its stroke."""
    layout, step = bench.layout, shop.steps[-1]
    here = truth[None].copy()
    for name in layout.plates:
        here[:, layout.face(name)] = 0.0
    here[:, layout.day] = 0.0
    hand = np.zeros(1, dtype=np.intp)
    for _ in range(12):
        domes = [float(here[0] @ layout.form_rows(name)[0]) for name in "AB"]
        one = replace(step, time=300.0, strokes=None)
        if domes[1] > domes[0] and not shop.study.plates["A"].outline.bore:
            one = replace(one, top="B", bottom="A")
        here = bench.spell(one, (0,)).lap(here, hand)
    return max(float(flatness(layout, name, here)[0]) for name in "AB")


def _worked(policy: str, shop: Shop, bench: Bench, seed: int) -> Row:
    """One shop by one policy, until it says stop."""
    hidden, known, last = PracticeShop(bench, seed), bench.prior, None
    goal, taken, past = target_of(bench), [], []
    cost, metal, spells, stopped, why, log = 0.0, 0.0, 0, False, "", []
    begin = goal.sizes(bench.layout, hidden.truth[None])[0]
    entry = hidden.read(Entry(readings=shop.readings))
    for number in count(1):
        if policy in ("next", "knows"):
            if policy == "next":
                past.append(taken_in(bench, number, known, entry))
                known = past[-1].known
            else:
                known = one_normal(hidden.truth, np.zeros((hidden.truth.size,) * 2))
                known = replace(known, hand=hidden.hand)
            aim = goal
            if past:
                aim = goal.spared(bench.layout, looked_back(past, bench.rng(number, 5)))
            # All policies read the same after a spell; what is read beyond that is charged as a reading.
            taken = [*(taken if entry.done is None else ()), *entry.readings]
            told = advise(bench, known, aim, shop.steps, number, last, taken)
            step, why = told.step, told.why
            if told.read and policy == "next" and cost + 2.0 * goal.effort.reading <= CAP:
                cost += goal.effort.reading
                log.append(["read", goal.effort.reading, told.chance])
                entry = hidden.read(Entry(readings=tuple(one.reading for one in told.read)))
                continue
        else:
            step = _by_rule(policy, shop, entry, number)
        cost += goal.effort.reading
        if step is None or cost > CAP or spells == MOST_SPELLS:
            stopped = step is None
            break
        cost += step.total_strokes / step.pace
        if last is not None:
            cost += goal.effort.swap * (last.top != step.top) + goal.effort.wash * (
                last.grit.name != step.grit.name
            )
        size = float(goal.sizes(bench.layout, hidden.truth[None]).max())
        log.append([step.grit.name, step.total_strokes / step.pace, size])
        hidden.lap(step, any_hand=True)
        metal += float(hidden.truth[[bench.layout.removed(n) for n in "AB"]].max())
        last, spells = step, spells + 1
        entry = hidden.read(Entry(done=step, any_hand=True, readings=shop.readings))
    reached = stopped and bool(goal.reached(bench.layout, hidden.truth[None])[0])
    end = goal.sizes(bench.layout, hidden.truth[None])[0]
    return {
        "reached": reached,
        "cost": cost if reached else CAP,
        "spent": cost,
        "spells": spells,
        "stopped": stopped,
        "why": why,
        "log": log,
        "metal": metal,
        "end": float(end.max()),
        "worse": float((end - begin).max()),
    }


def _by_rule(policy: str, shop: Shop, entry: Entry, number: int) -> Step | None:
    """The more domed on top at every reading, or each in turn, so many minutes; stop when all reads small."""
    rule, minutes = policy.split()
    rows = {name: [r.value for r in entry.readings if r.plate == name] for name in "AB"}
    if max(abs(v) for values in rows.values() for v in values) < 0.06e-6:
        return None
    fine = max(abs(v) for values in rows.values() for v in values) < 0.3e-6
    step = shop.steps[-1 if fine else 0]
    domed = number % 2 == 0 if rule == "even" else rows["B"][0] > rows["A"][0]
    if domed and not shop.study.plates["A"].outline.bore:
        step = replace(step, top=step.bottom, bottom=step.top)
    return replace(step, time=None, strokes=round(60.0 * float(minutes) * step.pace))


def tell_worth(rows: list[Row]) -> Iterator[str]:
    """Reached, median minutes, metal; paired geometric mean against the best of the others."""
    out = sum(len(row) == 1 for row in rows)
    yield f"{out} shops left out, whose finest grit alone leaves more than {1e6 * RESIDUE:.1f} um"
    rows = [row for row in rows if len(row) > 1]
    if not rows:
        return
    there = [policy for policy in POLICIES if all(policy in row for row in rows)]
    for policy in there:
        own = [row[policy] for row in rows]
        cost = np.array([one["cost"] for one in own]) / 60.0
        yield (
            f"{policy:10s} reached {100 * np.mean([one['reached'] for one in own]):.0f} %, "
            f"{np.median(cost):.0f} min, {1e6 * np.median([one['metal'] for one in own]):.1f} um, "
            f"worst form at the end {1e6 * np.median([one['end'] for one in own]):.2f} um, "
            f"worse by 0.1 um {100 * np.mean([one['worse'] > 1e-7 for one in own]):.0f} %; "
            f"said stop {sum(one['stopped'] for one in own)} times, "
            f"rightly {sum(one['reached'] for one in own)}"
        )
    others = [name for name in there if name not in ("next", "knows")]
    best = min(others, key=lambda name: np.median([row[name]["cost"] for row in rows]), default="")
    for other in (best, "knows"):
        if {"next", other} <= {*there}:
            yield f"{len(rows)} shops; {_against(rows, other)}"


def _against(rows: list[Row], other: str) -> str:
    """Minutes and metal of `next` over those of another policy, shop by shop."""
    ratios = [
        np.exp(np.mean([np.log(row["next"][what] / row[other][what]) for row in rows]))
        for what in ("cost", "metal")
    ]
    return f"minutes of next over those of {other}: {ratios[0]:.2f}, metal: {ratios[1]:.2f}"


def timing(seed: int, advised: bool) -> Row:
    """Core-seconds of each entry of a log of eight spells, and of the advice after it."""
    shop = shop_of(seed)
    bench = bench_of(shop.study)
    rng = np.random.default_rng([seed, 4])
    hidden, known = PracticeShop(bench, seed), bench.prior
    spent, advice = [], []
    for number in range(1, 10):
        done = random_step(shop, rng) if number > 1 else None
        if done is not None:
            hidden.lap(done, any_hand=True)
        entry = hidden.read(Entry(done=done, any_hand=True, readings=shop.readings))
        begun = time.process_time()
        known = taken_in(bench, number, known, entry).known
        spent.append(time.process_time() - begun)
        if number in (1, 9):
            begun = time.process_time()
            advise(bench, known, target_of(bench), shop.steps, number)
            advice.append(time.process_time() - begun)
    return {"entries": spent, "advice": advice}


def tell_timing(rows: list[Row]) -> Iterator[str]:
    """Core-seconds."""
    entry, log, advice = (
        np.median([value(row) for row in rows])
        for value in (
            lambda row: max(row["entries"]),
            lambda row: sum(row["entries"]),
            lambda row: max(row["advice"]),
        )
    )
    yield f"core-seconds: an entry {entry:.1f}, a log of eight {log:.1f}, the advice {advice:.1f}"


PARTS = {
    "calibration": (calibration, tell_calibration),
    "sharpness": (sharpness, tell_sharpness),
    "mishaps": (mishap, tell_mishap),
    "worth": (worth, tell_worth),
    "time": (timing, tell_timing),
}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=tuple(PARTS), required=True)
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--advised", action="store_true", help="half of the spells as advised")
    parser.add_argument("--haste", action="store_true", help="a planner that plays less")
    parser.add_argument("--policies", nargs="+", choices=POLICIES, default=POLICIES)
    parser.add_argument("--share", type=float, default=1.0, help="of their forms, of worth")
    parser.add_argument("--tell", action="store_true")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    ASKED[:], SHARE[:] = args.policies, [args.share]
    if args.haste:
        choice.CHOOSING, choice.TELLING, choice.LOOKED_AT, rules.OF_TURNS = 18, 48, 4, 2
        choice.LENGTHS, rules.BY_TURNS = (300.0, 900.0, 1800.0), (900.0, 1800.0)
        rules.FINISHES, rules.FINES = (1.0, 0.36), (2.5,)
    lap, tell = PARTS[args.part]
    lines = args.out.read_text("utf-8").splitlines() if args.out.exists() else []
    rows = [json.loads(line) for line in lines if line.endswith("}")]
    there = {row["shop"] for row in rows}
    if not args.tell:
        with args.out.open("a", encoding="utf-8") as file:
            for seed in range(args.first, args.first + args.shops):
                if seed not in there:
                    rows.append({"shop": seed, **lap(seed, args.advised)})
                    file.write(json.dumps(rows[-1]) + "\n")
                    file.flush()
    rows = [{key: value for key, value in row.items() if key != "shop"} for row in rows]
    for line in tell(rows):
        print(line)


if __name__ == "__main__":
    main()
