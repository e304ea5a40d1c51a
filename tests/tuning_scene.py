"""A search for a schedule made by hand: known numbers for its words, its page and its JSON."""

from __future__ import annotations

from dataclasses import replace

from lapwright.optimisation.track import (
    Band,
    Candidate,
    Constraint,
    Cost,
    Evaluation,
    Nudge,
    Point,
    Refused,
    Tuning,
)
from lapwright.study.read import parse, parse_document
from lapwright.study.source import document_of
from lapwright.study.variants import override

UM = 1e-6
SWAPS = """title = "Swaps"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um", twist = "1 um" }, cells = 24 }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "4 um"
turn = "8 deg per stroke"
swap_every = { A = "15 min", B = "5 min" }
time = "1 h"

[[steps]]
top = "A"
bottom = "B"
grit = "4 um"
turn = "8 deg per stroke"
swap_every = "2 min"
time = "30 min"

[goal]
flatness = "0.3 um"

[tune.free]
"steps.1.swap_every.A" = ["5 min", "60 min"]
"steps.1.time" = ["20 min", "90 min"]
"""


def course(by: str, flatness: float, minutes: float | None, *, lifts: float = 0.0) -> Evaluation:
    """A course that comes to so much flatness of A [um], from `minutes` on; B is a third flatter."""
    sizes = {"A.flatness": flatness * UM, "B.flatness": 0.67 * flatness * UM}
    forms = {
        name: {"sphere": -0.9 * sizes[f"{name}.flatness"], "saddle": 0.0, "twist": 0.0, "bow": None,
               "crown": None, "wind": None, "flatness": sizes[f"{name}.flatness"]}
        for name in "AB"
    }  # fmt: skip
    time = 60.0 * (minutes if minutes is not None else 90.0)
    share = flatness / 0.3
    trail = tuple((60.0 * t, share + 9.0 * (1.0 - t / 90.0) ** 3) for t in range(0, 91, 5))
    cost = Cost(time, time / 60.0 * 0.07 * UM, 12.5, 3.0, time)
    return Evaluation(
        by,  # type: ignore[arg-type]
        None if minutes is None else time,
        share,
        sizes,
        forms,
        cost,
        lifts,
        trail,
        then=None if minutes is None else cost,
        whole=cost,
    )


def way(
    name: str, changes: dict[str, str], operator: Evaluation, simulated: Evaluation | None
) -> Candidate:
    """A candidate whose study has the changes."""
    document = {key: value for key, value in document_of(SWAPS).items() if key != "tune"}
    for key, value in changes.items():
        _, number, inner = key.split(".", 2)
        document = override(document, int(number), {inner: value})
    lifts = simulated is not None and simulated.lift_share > 0.0
    return Candidate(
        name, changes, (), document, parse_document(document), operator, lifts, simulated
    )


def slipped(key: str, value: str, off: float, flatness: float) -> Nudge:
    """One key a little off, with which A comes to so much flatness [um]."""
    reached = 3300.0 if flatness <= 0.3 else None
    change = {"A.flatness": (flatness - 0.26) * UM, "B.flatness": 0.0}
    return Nudge(key, value, off, flatness / 0.3, reached, change)


def made(outcome: str = "found", **more: object) -> Tuning:
    """A search that found a schedule, or came near."""
    study = parse(SWAPS, "swaps")
    assert study.goal is not None
    found = outcome == "found"
    best = {"steps.1.swap_every.A": "52 min", "steps.1.time": "54 min"}
    other = {"steps.1.swap_every.A": "27 min", "steps.1.time": "74 min"}
    near = 0.26 if found else 0.41
    answer = course("simulation", near, 55.0 if found else None, lifts=0.47)
    second = course("simulation", near + 0.01, 74.0 if found else None)
    line = ((5, 2.8), (15, 1.9), (25, 1.2), (35, 0.7), (45, 0.36), (54, 0.24), (70, 0.2))
    got = Tuning(
        study=study,
        goal=study.goal,
        asked=tuple(Constraint("flatness", name, 0.3 * UM) for name in "AB"),
        outcome=outcome,  # type: ignore[arg-type]
        candidates=(
            way("best", best, course("operator", 0.24, 52.0), answer),
            way("other", other, course("operator", 0.22, 70.0), second),
        ),
        begun=way("as typed", {}, course("operator", 0.8, None), course("simulation", 0.78, None)),
        trade_off=tuple(Point(60.0 * t, f / 0.3, f * UM, "operator") for t, f in line),
        sensitivity=(
            slipped("steps.1.swap_every.A", "47 min", -0.1, near + 0.13),
            slipped("steps.1.swap_every.A", "57 min", 0.1, near + 0.01),
            slipped("steps.1.time", "49 min", -0.1, near),
            slipped("steps.1.time", "59 min", 0.1, near - 0.01),
        ),
        tried=4200,
        simulated=23,
    )
    return replace(got, **more)  # type: ignore[arg-type]


REFUSED = Refused(
    "residue",
    "no form below 0.12 um can be reached with this grit layer: a finer grit or a shorter stroke leaves less",
    "A.flatness",
    0.12 * UM,
    "steps.2.grit",
)
BANDS = (
    Band("A.flatness", 0.2 * UM, 1.4 * UM),
    Band("time", 2400.0, 4800.0),
    Band("removed", 3 * UM, 4 * UM),
)
