"""Sentences agree with the numbers: 300 random end states, each sentence held against the JSON of the run.

The sentences are read back by the rules below, which know nothing of how they are made; only the words of the
bench and the signs of the forms (model page, section 1) are shared.  Each pattern must account for its whole
sentence, so that none can slip through unread.  What is to be done next is read back in `next_said`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lapwright.metrology.finish import scatter_of
from lapwright.optimisation.advise import Harm
from lapwright.optimisation.onward import Onward, finer_grits, onward
from lapwright.optimisation.track import Constraint
from lapwright.presentation.account import in_words
from lapwright.results.record import Run
from lapwright.specification.step import Swap, Turn
from lapwright.study.doubts import doubt_on
from tests.presentation.conftest import (
    DISC,
    record,
    ring_on_plate,
    run_of,
    step_text,
    study_text,
)
from tests.presentation.next_said import (
    Heard,
    held_next,
    last_step,
    near,
    planned,
    some_plan,
)

KINDS = (
    "dome",
    "dish",
    "twist",
    "flat",
    "rail",
    "three plates",
    "lifted",
    "off centre",
    "one-sided",
    "worse",
)
EACH = 30  # states of each kind: 300 in all
SEARCHED = {
    ("twist", 0),
    ("rail", 1),
    ("off centre", 0),
    ("off centre", 1),
    ("one-sided", 1),
}  # every time
MAGNITUDE = r"(?:less than )?[\d.]+ (?:um|uin)"
REMARK = "too small for a gauge to be sure of"
WIDE = (0.22, 0.22)  # of B, where it is wider than A
NAMES = r"[ABC]|rail|plate"


# --- end states --------------------------------------------------------------------------------


def state(kind: str, seed: int) -> Run:
    """A run that ended in a random state of a kind."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    grit = float(rng.choice([1.0, 3.0, 5.0, 15.0, 30.0]))
    inch = "inch" if rng.random() < 0.3 else "metric"
    turn = rng.choice(
        ["none", "8 deg per stroke", "90 deg every 10 strokes", "180 deg every 10 strokes"]
    )
    more = 'swap_every = "5 min"\n' if rng.random() < 0.6 else ""
    stroke = float(rng.uniform(0.42, 0.6) if kind == "lifted" else rng.uniform(0.1, 0.36))
    if kind != "rail":
        more += f'stroke = {{ travel = "{100 * stroke:.0f} %" }}\n'

    def step(top: str, bottom: str) -> str:
        text = step_text(top, bottom, f"{grit:g} um", more)
        return text.replace('turn = "8 deg per stroke"', f'turn = "{turn}"')

    def some(scale: float) -> float:
        return float(rng.choice([0.0, 1e-5, 1.0], p=[0.08, 0.04, 0.88]) * rng.normal() * scale)

    size = {
        "size": (0.16, 0.16),
        "lost": float(rng.uniform(0, 30)),
        "entries": 9,
        "frames": 3,
        "cells": 40,
    }
    ends = {
        "dome": lambda k: (abs(some(6)), some(0.3), some(0.3)),
        "dish": lambda k: (-abs(some(6)), some(0.3), some(0.3)),
        "twist": lambda k: (some(0.3), some(3), some(5)),
        "flat": lambda k: (some(0.02 * grit), some(0.02 * grit), some(0.02 * grit)),
        "rail": lambda k: (some(2), some(0.3), some(3)),
        "three plates": lambda k: (some(2), some(0.5), some(2)),
        "lifted": lambda k: (some(4), some(0.5), some(0.5)),
        "off centre": lambda k: (some(3), some(2), some(1)),
        "one-sided": lambda k: (some(3), some(4), some(2)),
        "worse": lambda k: (some(6), some(4), some(2)),
    }[kind]
    unlike = kind in ("off centre", "one-sided") or (kind == "worse" and rng.random() < 0.7)
    off = 0.03 if kind in ("off centre", "one-sided") else 0.0
    if unlike:
        more = (
            f'stroke = {{ kind = "circle", radius = "10 mm", centre = ["{1e3 * off:g} mm", "0 mm"]'
        )
        walked = kind == "off centre"
        more += ', carry_centre = true }\nwalk = "4 deg per stroke"\n' if walked else " }\n"
    names = "ABC" if kind == "three plates" else ("rail", "plate") if kind == "rail" else "AB"
    if kind == "rail":
        size |= {"size": (0.24, 0.06), "kind": "rectangle"}
    start = (float(rng.normal()), 0.2, 0) if unlike else (1, 0, 0)
    records = [
        record(
            n,
            start=start,
            end=ends(n),
            edge=some(0.2),
            **size | ({"size": WIDE} if unlike and n == "B" else {}),
        )
        for n in names
    ]
    what = '{ rectangle = ["240 mm", "60 mm"], thickness = "40 mm" }' if kind == "rail" else DISC
    pairs = (
        [("A", "B"), ("B", "C"), ("C", "A")] if kind == "three plates" else [(names[0], names[1])]
    )
    plates = dict.fromkeys(names, what) | ({"B": DISC.replace("160", "220")} if unlike else {})
    goal, draw = "", np.random.default_rng([KINDS.index(kind), seed, 1])
    if draw.random() < 0.3:
        asked = f', plates = ["{names[0]}"]' if draw.random() < 0.5 else ""
        goal = f'\ngoal = {{ flatness = "{draw.choice([0.2, 1.0, 4.0])} um"{asked} }}'
    head = f'units = "{inch}"{goal}'
    text = study_text(plates, [step(t, b) for t, b in pairs], "Made", head)
    share = float(rng.choice([1.0, 0.985, rng.uniform(0.02, 0.97)]))
    swaps = 3 if rng.random() < 0.5 and not unlike else 0
    run = run_of(records, text, pairs=pairs, swap_every=swaps, shares=(share, 0.8))
    middle = replace(run.bearings[0], c=np.array([off, 0.0]))
    return replace(run, bearings=(middle, *run.bearings[1:]))


# --- reading them back -------------------------------------------------------------------------


class Claims:
    """The numbers of a run, and what the study says, to hold sentences against."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.json = run.told()
        self.plates = self.json["plates"]
        self.study = run.study
        self.grit = {s.grit.size for s in self.study.steps}.pop()
        self.doubt = {name: doubt_on(self.study, name, self.grit) for name in self.plates}
        self.told: dict[tuple[str, str], bool] = {}  # (plate, form) -> said with the remark
        self.share = run.bearings[0].contact_share

    def dome(self, name: str, word: str, size: str, remark: bool) -> None:
        value = self.plates[name]["sphere"]
        assert (value > 0) == (word == "domed"), (name, word, value)
        assert near(size, value), (name, size, value)
        self.tell(name, "sphere", remark)

    def neither(self, name: str, remark: bool) -> None:
        assert abs(self.plates[name]["sphere"]) < max(5e-10, 0.02 * self.doubt[name])
        self.tell(name, "sphere", remark)

    def high(self, name: str, where: str, size: str, remark: bool = False) -> None:
        key, positive = {
            "3 and 9": ("saddle", True), "12 and 6": ("saddle", False),
            "1:30 and 7:30": ("twist", True), "10:30 and 4:30": ("twist", False),
        }[where]  # fmt: skip
        value = self.plates[name][key]
        assert (value > 0) == positive, (name, where, value)
        assert near(size, value), (name, size, value)
        self.tell(name, key, remark)

    def tell(self, name: str, key: str, remark: bool) -> None:
        fine = abs(self.plates[name][key]) < self.doubt[name]
        assert not fine or remark, (
            name,
            key,
            "no gauge tells it, and there is no remark",
        )
        self.told[name, key] = remark


Rule = tuple[str, Callable[[Claims, re.Match[str]], None]]


def bears_all_over(claims: Claims, m: re.Match[str]) -> None:
    assert {m[1], m[2]} == {claims.run.top[-1], claims.run.bottom[-1]}
    assert claims.share >= 0.98


def misfit(claims: Claims, m: re.Match[str]) -> float:
    """By how much the domes of two faces do not fill each other's hollow, the most of their ways [m]."""
    one, other = (claims.plates[name] for name in m.groups())
    apart = [abs((one[k] or 0.0) + (other[k] or 0.0)) for k in ("sphere", "bow", "crown")]
    return float(np.nanmax(apart))


def mates(claims: Claims, m: re.Match[str]) -> None:
    bears_all_over(claims, m)
    assert misfit(claims, m) < 2.0 * max(claims.doubt[name] for name in m.groups())


def on_grit(claims: Claims, m: re.Match[str]) -> None:
    """The one does not fill the other, along some way, by more than a gauge needs on both."""
    bears_all_over(claims, m)
    assert misfit(claims, m) >= 2.0 * max(claims.doubt[name] for name in m.groups())


def mates_not(claims: Claims, m: re.Match[str]) -> None:
    assert claims.share < 0.98
    assert abs(float(m[1]) / 100 - claims.share) <= 0.0501 * claims.share


def rough(m: str | None, name: str) -> bool:
    """Whether the remark at the end holds for a plate: for all, or for those it names."""
    return bool(m) and ("; on " not in m or re.search(rf"\b{name}\b", m) is not None)  # type: ignore[arg-type]


def alike(claims: Claims, m: re.Match[str]) -> None:
    names = re.findall(rf"\b({NAMES}) ({MAGNITUDE})", m[2])
    assert {n for n, _ in names} == set(claims.plates)
    for name, size in names:
        claims.dome(name, m[1], size, rough(m[3], name))


def all_neither(claims: Claims, m: re.Match[str]) -> None:
    for name in claims.plates:
        claims.neither(name, rough(m[1], name))


def each(claims: Claims, m: re.Match[str], flat: bool = False) -> None:
    parts = re.split(r", (?=(?:[ABC]) )", m[1])
    assert len(parts) == len(claims.plates)
    for part in parts:
        one = re.fullmatch(
            rf"([ABC])(?: is)? (?:(domed|hollow) ({MAGNITUDE})|neither domed nor hollow)", part
        )
        assert one is not None, part
        if one[2]:
            claims.dome(one[1], one[2], one[3], flat or rough(m[2], one[1]))
        else:
            claims.neither(one[1], flat or rough(m[2], one[1]))


def flat_domes(claims: Claims, m: re.Match[str]) -> None:
    for name in claims.plates:
        assert claims.plates[name]["flatness"] < claims.doubt[name]
    each(claims, m, flat=True)


def all_high(claims: Claims, m: re.Match[str]) -> None:
    for name, size in re.findall(rf"\b({NAMES}) by ({MAGNITUDE})", m[2]):
        claims.high(name, m[1], size, rough(m[3], name))


def one_high(claims: Claims, m: re.Match[str]) -> None:
    for where, size in re.findall(rf"high at ([\d: and]+?) by ({MAGNITUDE})", m[2]):
        claims.high(m[1], where, size, bool(m[3]))


RAIL = {
    "bow": ("high in the middle", "hollow along"),
    "crown": ("high in the middle", "hollow across"),
    "wind": ("high at the 1:30 and 7:30 corners", "high at the 10:30 and 4:30 corners"),
}


def rail_parts(claims: Claims, name: str, text: str, remark: bool) -> None:
    flat = re.match(rf"flat within ({MAGNITUDE})", text)
    if flat:
        assert near(flat[1], claims.plates[name]["flatness"])
        return
    found = re.findall(
        rf"(bow|crown|wind) ({MAGNITUDE}) ({'|'.join(w for ws in RAIL.values() for w in ws)})", text
    )
    assert found or text.startswith("flat"), text
    for key, size, side in found:
        value = claims.plates[name][key]
        assert side == RAIL[key][0 if value > 0 else 1], (name, key, value)
        assert near(size, value)
        behind = text.split(f"{key} {size}", 1)[1]
        claims.tell(name, key, remark or REMARK in behind)


def rails_flat(claims: Claims, m: re.Match[str]) -> None:
    for part in m[1].split("; "):
        name, _, text = part.partition(": ")
        assert claims.plates[name]["flatness"] < claims.doubt[name]
        rail_parts(claims, name, text, True)


def one_rail(claims: Claims, m: re.Match[str]) -> None:
    rail_parts(claims, m[1], m[2], False)


def metal_off(claims: Claims, m: re.Match[str]) -> None:
    for name, first, second in re.findall(rf"\b({NAMES}) ({MAGNITUDE}) \(({MAGNITUDE})\)", m[1]):
        for said in (first, second):
            assert near(said, claims.plates[name]["removed"])


def rubbing(claims: Claims, m: re.Match[str]) -> None:
    seconds = claims.json["history"][-1]["time"]
    unit = 60.0 if m[2] == "min" else 3600.0
    value, low, high = float(m[1]), float(m[3]), float(m[4])
    assert abs(value * unit - seconds) <= 0.0501 * seconds
    assert low < value < high
    assert high / low == pytest.approx(10.0, rel=0.12)  # known to a band of ten


def margin(claims: Claims, m: re.Match[str]) -> None:
    unit = 1e-3 if m[2] == "mm" else 25.4e-3
    for plate in claims.plates.values():
        assert abs(float(m[1]) * unit - plate["edge_margin"]) <= 0.0501 * plate["edge_margin"]


def margins(claims: Claims, m: re.Match[str]) -> None:
    for size, unit, name in re.findall(r"([\d.]+) (mm|in) of ([AB])", m[1]):
        edge = claims.plates[name]["edge_margin"]
        assert abs(float(size) * (1e-3 if unit == "mm" else 25.4e-3) - edge) <= 0.0501 * edge


def nothing(claims: Claims, m: re.Match[str]) -> None:
    """Words that hold no number of the run, or are held to the engine elsewhere."""


def lifts(claims: Claims, m: re.Match[str]) -> None:
    unit = 1e-3 if m[2] == "mm" else 25.4e-3
    over, lift = float(m[1]) * unit, float(m[3]) * unit
    steps = claims.study.steps
    assert min(abs(over / (s.curve.length / 2) - 1) for s in steps) < 0.051
    assert abs(lift / (0.3929 * 0.08) - 1) < 0.051
    assert over > 0.97 * lift


def turned_across(claims: Claims, m: re.Match[str]) -> None:
    """Rails of 240 x 60 mm lift over their sides from 15 mm on; turned, they lie across each other too."""
    over, unit = re.search(r"by ([\d.]+) (mm|in),", m[0]).groups()  # type: ignore[union-attr]
    assert float(over) * (1e-3 if unit == "mm" else 25.4e-3) > 0.95 * 0.25 * 0.06


def odd(claims: Claims, m: re.Match[str]) -> None:
    """Flat within so much, where no form tells of it: no gauge tells them, the flatness it does."""
    forms = claims.plates[m[1]]
    assert near(m[2], forms["flatness"])
    assert forms["flatness"] >= claims.doubt[m[1]]
    assert all(abs(forms[k]) < claims.doubt[m[1]] for k in ("sphere", "saddle", "twist"))


def grey_or_bright(claims: Claims, m: re.Match[str]) -> None:
    """What a flat makes of the grit that lapped some plates last."""
    assert near(m[2], claims.grit)
    assert (m[3] == "too grey") == (claims.grit > 5e-6)  # common practice, no source


def the_finish(claims: Claims, m: re.Match[str]) -> None:
    """What a ball and a gauge make of it."""
    assert near(m[1], scatter_of(claims.grit))
    assert near(m[2], max(claims.doubt.values()))


TAIL = rf"((?:; |; on [\w ,]+ ){REMARK})?"
MANY = "(?:Both|All three)"
RULES: list[Rule] = [
    (r"Made|", nothing),
    (
        rf"The finish on ([\w, ]+), off ({MAGNITUDE}) grit: (bright enough|too grey) to show bands under "
        r"a flat\.",
        grey_or_bright,
    ),
    (
        rf"A (?:3 mm|1/8 in) ball reads it as a scatter of ({MAGNITUDE}), and a form below "
        rf"({MAGNITUDE}) is too small for a gauge to be sure of\.",
        the_finish,
    ),
    (r"(\w+) and (\w+) mate\.", mates),
    (
        r"On the grit (\w+) and (\w+) bear on each other all over, but laid together clean they would not\.",
        on_grit,
    ),
    (
        r"\w+ and \w+ do not mate yet: in the middle of the stroke they bear on ([\d.]+) % of the overlap\.",
        mates_not,
    ),
    (rf"{MANY} are flat as far as a gauge can tell: ((?:rail|plate): .*)\.", rails_flat),
    (rf"{MANY} are flat as far as a gauge can tell: (.*?)\.", flat_domes),
    (rf"{MANY} are neither domed nor hollow{TAIL}\.", all_neither),
    (rf"{MANY} are (domed|hollow): ([^;]*){TAIL}\.", alike),
    (rf"([ABC] is (?:domed|hollow|neither)[^;]*){TAIL}\.", each),
    (rf"{MANY} are high at ([\d: and]+): ([^;]*){TAIL}\.", all_high),
    (rf"([ABC]) is (high at [^;]*){TAIL}\.", one_high),
    (rf"([ABC]) is flat within ({MAGNITUDE})\.", odd),
    (r"(rail|plate): (.*)\.", one_rail),
    (r"Metal off: (.*)\.", metal_off),
    (
        r"Rubbing: about ([\d.]+) (min|h) \(([\d.]+) to ([\d.]+) until you weigh a plate\)\.",
        rubbing,
    ),
    (r"Left out of these figures round the edge: ([\d.]+) (mm|in)\.", margin),
    (r"Left out of these figures round the edge: (.* of A and .* of B)\.", margins),
    (r"Take care: rail hangs over the edge by .*, and flat faces begin to lift .*", turned_across),
    (
        r"Take care: [ABC] hangs over the edge by ([\d.]+) (mm|in), and flat faces begin to lift at "
        r"([\d.]+) (?:mm|in): it can rock, tip and pinch\. .*, and keep your fingers out\.",
        lifts,
    ),
    # What else there is to take care of is held against numbers in tests/findings.
    (r"Take care: (?!.* hangs over the edge).*", nothing),
]


def sentences(lines: list[str]) -> list[str]:
    """What came out, sentence by sentence; every other line as a whole."""
    out = []
    for line in lines:
        whole = line.startswith(("Take care:", "Metal off:"))
        parts = [line] if whole else re.split(r"(?<=\.) (?=[A-Z])", line)
        # A plate's name at the start of a sentence has a capital.
        out += [
            re.sub(r"^((?:Take care: )?)(Rail|Plate)", lambda m: m[1] + m[2].lower(), p)
            for p in parts
        ]
    return out


def held_all(claims: Claims, said: list[str]) -> None:
    """Hold every sentence against the numbers by the first rule that reads it."""
    for sentence in said:
        for pattern, hold in RULES:
            match = re.fullmatch(pattern, sentence, flags=re.S)
            if match:
                hold(claims, match)
                break
        else:
            pytest.fail(f"no rule reads {sentence!r}")


def said_of(run: Run, make: Callable[..., Onward] = onward) -> tuple[list[str], list[Heard], str]:
    """The sentences of a run, what was planned, and what is said of it."""
    with planned(make) as heard:
        lines = in_words(run)
    (advice,) = (line for line in lines if line.startswith("Next: "))
    return sentences([line for line in lines if line != advice]), heard, advice[len("Next: ") :]


def seeds(first: int) -> list[Any]:
    """Seeds of each kind of state: the first ones every time, twice as many as a campaign, all by hand."""
    more = [pytest.param(seed, marks=pytest.mark.campaign) for seed in range(first, 3 * first)]
    rest = [pytest.param(seed, marks=pytest.mark.long) for seed in range(3 * first, EACH)]
    return [*range(first), *more, *rest]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", seeds(2))
def test_sentences_are_true_of_the_json(kind: str, seed: int) -> None:
    """What is to be done next is drawn at random here: words are tried, not the search."""
    run = state(kind, seed)
    claims = Claims(run)
    said, heard, advice = said_of(run, some_plan(np.random.default_rng([seed, KINDS.index(kind)])))
    held_all(claims, said)
    held_next(run, heard, advice)
    # What Next orders, nothing else orders otherwise.
    orders = [line for line in said if "Write turn" in line or "Write centre" in line]
    assert not (orders and heard and (heard[-1].plan.steps or heard[-1].base is None))
    # Nothing large is kept back: the largest form of a face that a gauge tells of is told.
    for name, plate in claims.plates.items():
        forms = {k: plate[k] for k in ("sphere", "saddle", "twist", "bow", "crown", "wind")}
        forms = {k: v for k, v in forms.items() if v == v}
        biggest = max(forms, key=lambda k: abs(forms[k]))
        if abs(forms[biggest]) >= max(claims.doubt[name], 5e-10):
            assert (name, biggest) in claims.told, (name, biggest, said)
        # Nor is a twist or saddle told by halves: as large as the dome, it is told as the dome is.
        rest = max(abs(forms.get(k, 0.0)) for k in ("saddle", "twist"))
        if plate["flatness"] >= claims.doubt[name] > rest and 0.9 * rest > abs(
            forms.get("sphere", np.inf)
        ):
            assert {(name, "saddle"), (name, "twist")} & set(claims.told), (name, said)


@pytest.mark.always("twist-0", "off centre-1", "one-sided-1")
@pytest.mark.parametrize(
    ("kind", "seed"),
    [
        pytest.param(kind, seed, marks=pytest.mark.long if (kind, seed) not in SEARCHED else [])
        for kind in KINDS
        for seed in range(EACH)
    ],
)
def test_what_is_searched_for_is_said_as_it_was_found(kind: str, seed: int) -> None:
    run = state(kind, seed)
    _, heard, advice = said_of(run)
    held_next(run, heard, advice)


def test_the_rules_catch_a_wrong_sentence() -> None:
    """A sign turned round in the numbers, and the same words are no longer true."""
    run = state("twist", 3)
    record_ = next(iter(run.plates.values()))
    wrong = {k: -v for k, v in record_.forms.items() if k in ("sphere", "saddle", "twist")}
    turned = replace(record_, forms={**record_.forms, **wrong})
    lied = replace(run, plates={**run.plates, record_.name: turned})
    said, *_ = said_of(run, some_plan(np.random.default_rng(3)))
    held_all(Claims(run), said)
    claims = Claims(lied)
    with pytest.raises(AssertionError):
        held_all(claims, said)


def finer_or_coarser(plan: Onward) -> Onward:
    step = plan.steps[0]
    return replace(
        plan,
        steps=(replace(step, grit=replace(step.grit, name="coarse", size=2.0 * step.grit.size)),),
    )


def other_on_top(plan: Onward) -> Onward:
    step = plan.steps[0]
    return replace(plan, steps=(replace(step, top=step.bottom, bottom=step.top),))


def step_with(**changed: Any) -> Callable[[Onward], Onward]:
    return lambda plan: replace(plan, steps=(replace(plan.steps[0], **changed),))


def scaled(field: str, key: str, by: float) -> Callable[[Onward], Onward]:
    """One number of a mapping of the plan made larger, or turned round."""
    return lambda plan: replace(
        plan, **{field: {k: by * v if k == key else v for k, v in getattr(plan, field).items()}}
    )


HARM = Harm(Constraint("flatness", "A", 0.3e-6), 1.0, 0.2e-6)
LIES: dict[str, Callable[[Onward], Onward]] = {
    "who lies on top": other_on_top,
    "turn": step_with(turn=Turn(np.pi, 10)),
    "no turn": step_with(turn=Turn()),
    "stroke": lambda plan: step_with(curve=plan.steps[0].curve.scaled(0.8))(plan),
    "by turns": step_with(swap=Swap({"A": 300.0, "B": 300.0})),
    "grit": finer_or_coarser,
    "metal": scaled("off", "A", 1.15),
    "time": lambda plan: replace(plan, time=1.15 * plan.time),
    "form": scaled("then", "A.sphere", 1.15),
    "side": scaled("then", "A.sphere", -1.0),
    "flatness": scaled("then", "B.flatness", 1.15),
    "reached": lambda plan: replace(
        plan, then={k: 0.2 * v for k, v in plan.then.items()}, why="reached"
    ),
    "what to hold back for": lambda plan: replace(plan, held=HARM),
    "another harm": lambda plan: replace(plan, why="worse", steps=(), harm=(HARM,)),
    "grit after": lambda plan: replace(plan, after=finer_grits(plan.steps[0].grit)[0]),
}


@pytest.mark.campaign
def test_of_a_ring_no_dome_larger_than_its_flatness_is_foretold() -> None:
    """A dome is told to the middle of the bore (model page, 1): of 80 mm over 50 mm 0.61 of it is there."""
    run = ring_on_plate()
    step = replace(last_step(run), time=None, strokes=900)
    then = {"sphere": -0.8e-6, "saddle": 0.0, "twist": 0.0}
    flat = {"seal ring": 0.48e-6, "plate": 0.82e-6}
    plan = Onward(
        (step,),
        "closer",
        off={"seal ring": 1e-6, "plate": 0.2e-6},
        time=600.0,
        then={f"{n}.{form}": size for n in flat for form, size in then.items()}
        | {f"{n}.flatness": size for n, size in flat.items()},
    )
    *_, told = said_of(run, lambda *_: plan)
    assert (
        "seal ring hollow and flat within 0.48 um; plate hollow 0.80 um and flat within 0.82"
        in told
    )


def test_faces_that_cannot_be_lapped_on_from_are_said_to_be_so() -> None:
    run = state("dome", 4)
    plates = {n: replace(p, frames=3e3 * p.frames) for n, p in run.plates.items()}
    *_, told = said_of(replace(run, plates=plates))
    assert "Stop here: A ended with heights that differ by" in told


@pytest.mark.always(*range(0, 15, 3))
@pytest.mark.parametrize("lie", LIES)
def test_the_rules_catch_what_is_not_so_of_a_plan(lie: str) -> None:
    """Words made from one plan are not true of another that differs in one thing, nor the other way round."""
    run = twin = state("dome", 4)
    step = last_step(run)
    curve, turn = step.curve.scaled(0.6), Turn(np.radians(90.0), 10)
    true = Onward(
        (replace(step, curve=curve, turn=turn, swap=None, time=None, strokes=900),),
        "closer",
        off={"A": 1e-6, "B": 1.1e-6},
        time=900.0,
        then={"A.sphere": 0.4e-6, "A.flatness": 0.5e-6, "B.sphere": 0.0, "B.flatness": 1.2e-6},
    )
    made = {}
    for name, plan in (("true", true), ("wrong", LIES[lie](true))):
        twin = replace(run)  # advice is kept by the run
        _, heard, made[name] = said_of(twin, lambda *_, plan=plan: plan)
        held_next(twin, heard, made[name])
        made[f"{name} plan"] = heard
    for words, plan in (("true", "wrong"), ("wrong", "true")):
        with pytest.raises((AssertionError, pytest.fail.Exception)):
            held_next(twin, made[f"{plan} plan"], made[words])
