"""Runs made by hand for the pages: known forms, worn towards known forms, without the engine."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from lapwright.presentation.page import write_page
from lapwright.results.record import FORM_KEYS, BearingRecord, PlateRecord, Run
from lapwright.study.read import parse

UM = 1e-6


def disc_land(x, y, radius, bore=0.0):
    X, Y = np.meshgrid(x, y)
    cell = x[1] - x[0]
    rho = np.hypot(X, Y)
    return np.clip((radius - rho) / cell + 0.5, 0, 1) * np.clip((rho - bore) / cell + 0.5, 0, 1)


def grooved(land, x, y, pitch, width):
    for axis in np.meshgrid(x, y):
        land = land * (np.abs((axis + pitch / 2) % pitch - pitch / 2) > width / 2)
    return land


def record(
    name,
    *,
    size,
    kind="disc",
    bore=0.0,
    start,
    end,
    lost,
    entries,
    frames,
    cells=96,
    pitch=0.0,
    edge=0.0,
):
    """A plate whose forms go from `start` to `end`: (sphere, saddle, twist) or (bow, crown, wind) [um]."""
    along, across = size
    cell = along / cells
    ny = max(4, round(across / cell))
    x = (np.arange(cells) - (cells - 1) / 2) * cell
    y = (np.arange(ny) - (ny - 1) / 2) * cell
    X, Y = np.meshgrid(x, y)
    rail = kind == "rectangle"
    land = np.ones((ny, cells)) if rail else disc_land(x, y, along / 2, bore)
    if pitch:
        land = grooved(land, x, y, pitch, 2e-3)
    R = along / 2

    def heights(share):
        a, b, c = (UM * (s + (e - s) * share) for s, e in zip(start, end, strict=True))
        if rail:
            z = (
                -4 * a * (X / along) ** 2
                - 4 * b * (Y / across) ** 2
                + 2 * c * X * Y / (along * across)
            )
        else:
            z = (-a * (X**2 + Y**2) + b / 2 * (X**2 - Y**2) + c * X * Y) / R**2
        fallen = edge * UM * share * np.clip((np.hypot(X, Y) - 0.94 * R) / (0.06 * R), 0, 1) ** 2
        return (z - fallen - lost * UM * share) * (land > 0)

    # Forms settle early, metal goes evenly.
    ease = 1 - np.exp(-4 * np.linspace(0, 1, entries))
    ease /= ease[-1]
    removed = lost * UM * np.linspace(0, 1, entries)
    names = FORM_KEYS[3:6] if rail else FORM_KEYS[0:3]
    forms = {k: np.full(entries, np.nan) for k in FORM_KEYS}
    for key, s, e in zip(names, start, end, strict=True):
        forms[key] = UM * (s + (e - s) * ease)
    at = [heights(s) for s in ease]
    forms["flatness"] = np.array([float(np.ptp(z[land > 0.5])) for z in at])
    forms["flatness_ls"] = forms["flatness"].copy()
    forms["rms"] = np.array([float(np.std(z[land > 0.5])) for z in at])
    forms["edge"] = np.full(entries, edge * UM) * ease
    chosen = np.unique(np.linspace(0, entries - 1, frames).round().astype(int))
    maps = np.array([at[k] for k in chosen])
    return PlateRecord(
        name=name,
        outline_text=kind,
        land=land,
        x=x,
        y=y,
        frame_time=60.0 * chosen.astype(float),
        frames=maps,
        worn=maps[0] - maps[-1],
        pressure_speed=land * 100.0,
        margin=0.02 * min(size),
        forms=forms,
        forms_margin0={k: v.copy() for k, v in forms.items()},
        removed=removed,
    )


def run_of(
    records: Sequence[PlateRecord],
    text: str,
    *,
    outcome: str = "done",
    pairs: Sequence[tuple[str, str]] | None = None,
    swap_every: int = 0,
    shares: tuple[float, float] = (1.0, 0.84),
    stem: str = "made",
) -> Run:
    entries = len(records[0].removed)
    names = [r.name for r in records]
    pairs = pairs or ([(names[0], names[1])] if len(names) > 1 else [(names[0], names[0])])
    step = np.minimum(1 + (np.arange(entries) * len(pairs)) // max(entries, 1), len(pairs))
    top, bottom, event = [], [], []
    for k in range(entries):
        t, b = pairs[step[k] - 1]
        turned = swap_every and (k // swap_every) % 2
        top.append(b if turned else t)
        bottom.append(t if turned else b)
        event.append("start" if k == 0 else "swap" if k > 1 and top[-1] != top[-2] else "block")
    plates = {r.name: r for r in records}
    bearings = []
    under, over = plates[bottom[-1]], plates[top[-1]]
    X, Y = np.meshgrid(under.x, under.y)
    reach = float(over.x[-1])
    for name, c, share in (("middle", 0.0, shares[0]), ("full overhang", 0.5 * reach, shares[1])):
        near = np.hypot(X - c, Y) < reach
        p = (
            near
            * (under.land > 0)
            * 3000.0
            * np.clip(1 + 1.2 * (c / reach) * (X - c / 2) / -reach * 2, 0, None)
        )
        bearings.append(
            BearingRecord(
                len(pairs),
                name,
                0.0,
                0.0,
                np.array([c, 0.0]),
                p,
                float(p.max()),
                2400.0,
                share,
                bottom[-1],
                top[-1],
            )
        )
    return Run(
        schema=2,
        program="lapwright 0.1.0",
        versions={"numpy": np.__version__, "python": "3.x"},
        outcome=outcome,
        study=parse(text, stem),
        plates=plates,
        step=step,
        round=np.ones(entries, dtype=np.int64),
        time=60.0 * np.arange(entries),
        top=tuple(top),
        bottom=tuple(bottom),
        event=tuple(event),
        lift_share=np.zeros(entries),
        scale_error=np.zeros(entries),
        bearings=tuple(bearings),
        wall_time=1.5,
    )


def study_text(
    plates: Mapping[str, str], steps: Sequence[str], title: str = "Made by hand", more: str = ""
) -> str:
    lines = [f'title = "{title}"', more]
    lines += [f'plates."{name}" = {what}' for name, what in plates.items()]
    return "\n".join(lines + [f"\n[[steps]]\n{s}" for s in steps]) + "\n"


def step_text(top: str, bottom: str, grit: str = "15 um", more: str = "") -> str:
    return (
        f'top = "{top}"\nbottom = "{bottom}"\ngrit = "{grit}"\ntime = "40 min"\n'
        f'turn = "8 deg per stroke"\n{more}'
    )


DISC = '{ disc = "160 mm", thickness = "30 mm" }'


def disc_pair(outcome: str = "done") -> Run:
    both = {"size": (0.16, 0.16), "lost": 12.0, "entries": 61, "frames": 41}
    a = record("A", start=(3, 0.4, 1.8), end=(-0.8, 0.1, 0.3), edge=0.3, **both)
    b = record("B", start=(-1, 0, 0), end=(-0.9, 0.1, 0.2), **both)
    text = study_text(
        {"A": DISC, "B": DISC}, [step_text("A", "B", "4 um", 'swap_every = "10 min"')], "First pair"
    )
    return run_of([a, b], text, outcome=outcome, swap_every=10)


def coarse_pair() -> Run:
    both = {"size": (0.16, 0.16), "lost": 22.0, "entries": 61, "frames": 21}
    a = record("A", start=(30, 0, 12), end=(-6, 0, 12), **both)
    b = record("B", start=(-10, 4, 0), end=(6.5, 0, 11), **both)
    text = study_text(
        {"A": DISC, "B": DISC}, [step_text("A", "B")], "Never swapped", 'units = "inch"'
    )
    return run_of([a, b], text, shares=(0.61, 0.4))


def three_plates() -> Run:
    both = {"size": (0.16, 0.16), "lost": 9.0, "entries": 91, "frames": 31}
    a = record("A", start=(3, 0, 1), end=(0.05, 0, 0.9), **both)
    b = record("B", start=(-2, 0, 1), end=(0.04, 0, 0.9), **both)
    c = record("C", start=(1, 1, 0), end=(-0.02, 0, 0.9), **both)
    pairs = [("A", "B"), ("B", "C"), ("C", "A")]
    text = study_text(
        dict.fromkeys("ABC", DISC), [step_text(t, b, "9 um") for t, b in pairs], "Three plates"
    )
    return run_of([a, b, c], text, pairs=pairs)


def ring_on_plate() -> Run:
    ring = record(
        "seal ring",
        size=(0.08, 0.08),
        bore=0.025,
        start=(1.5, 0, 0.6),
        end=(0.3, 0, 0.05),
        lost=14,
        entries=41,
        frames=21,
    )
    plate = record(
        "plate",
        size=(0.2, 0.2),
        start=(0.3, 0, 0),
        end=(-0.6, 0, 0),
        lost=1.6,
        entries=41,
        frames=21,
    )
    text = study_text(
        {
            "seal ring": '{ ring = ["80 mm", "50 mm"], thickness = "15 mm" }',
            "plate": '{ disc = "200 mm", thickness = "40 mm" }',
        },
        [step_text("seal ring", "plate", "9 um", 'stroke = { kind = "circle", radius = "60 mm" }')],
        "Rings over the rim",
    )
    return run_of([ring, plate], text)


def rail() -> Run:
    both = {"size": (0.3, 0.05), "kind": "rectangle", "lost": 7.0, "entries": 41, "frames": 41}
    a = record("long rail", start=(2, 0.3, 4), end=(0.3, 0.1, 2.2), **both)
    b = record("master", start=(0, 0, 0), end=(-0.3, 0.1, 1.9), **both)
    what = '{ rectangle = ["300 mm", "50 mm"], thickness = "40 mm" }'
    text = study_text(
        {"long rail": what, "master": what},
        [step_text("long rail", "master", "9 um").replace("turn", "# turn")],
        "Rail in wind",
    )
    return run_of([a, b], text)


def grooved_pair() -> Run:
    both = {
        "size": (0.16, 0.16),
        "lost": 12.0,
        "entries": 41,
        "frames": 41,
        "pitch": 0.02,
        "cells": 128,
    }
    a = record("A", start=(2, 0, 0), end=(-0.4, 0, 0), **both)
    b = record("B", start=(-2, 1, 0), end=(-0.4, 0, 0), **both)
    grooves = 'grooves = { pattern = "square", pitch = "20 mm", width = "2 mm" }'
    what = f'{{ disc = "160 mm", thickness = "30 mm", {grooves} }}'
    quarters = step_text("A", "B").replace(
        "8 deg per stroke", "90 deg every 10 strokes"
    )  # quick to look at
    return run_of([a, b], study_text({"A": what, "B": what}, [quarters], "Grooved pair"))


def six_plates() -> Run:
    both = {"size": (0.1, 0.1), "lost": 5.0, "entries": 31, "frames": 41, "cells": 64}
    records = [
        record(n, start=(k - 2.5, 0, 0), end=(0.2 * (k - 2.5), 0, 0), **both)
        for k, n in enumerate("ABCDEF")
    ]
    text = study_text(
        dict.fromkeys("ABCDEF", '{ disc = "100 mm", thickness = "20 mm" }'),
        [step_text("A", "B")],
        "Six",
    )
    return run_of(records, text)


def one_square() -> Run:
    """Pressed on nothing: one square, nothing removed, two entries; forms not known."""
    zero = (0, 0, 0)
    a = record(
        "only",
        kind="rectangle",
        size=(0.1, 0.09),
        start=zero,
        end=zero,
        lost=0.0,
        entries=2,
        frames=2,
    )
    nothing = {k: np.full(2, math.nan) for k in FORM_KEYS}
    a = PlateRecord(**{**a.__dict__, "forms": nothing, "forms_margin0": nothing})
    square = '{ rectangle = ["100 mm", "90 mm"], thickness = "20 mm" }'
    text = study_text({"only": square, "other": square}, [step_text("only", "other")])
    return run_of([a], text, outcome="interrupted")


def strange_names() -> Run:
    both = {"size": (0.16, 0.16), "lost": 3.0, "entries": 5, "frames": 3, "cells": 48}
    first, second = '<b>"A" & $x_1$</b>', "</script><i>"
    a = record(first, start=(1, 0, 0), end=(0.5, 0, 0), **both)
    b = record(second, start=(-1, 0, 0), end=(-0.5, 0, 0), **both)
    # Names that only Python can give.
    names = {"A": first, "B": second}
    text = study_text(
        {"A": DISC, "B": DISC}, [step_text("A", "B")], "</pre><script>alert(1)</script>"
    )
    run = run_of([a, b], text, outcome="tipped", stem="a&b<c>")
    plates = {
        names[old]: replace(plate, name=names[old]) for old, plate in run.study.plates.items()
    }
    steps = tuple(replace(step, top=first, bottom=second) for step in run.study.steps)
    return replace(run, study=replace(run.study, plates=plates, steps=steps))


MADE: dict[str, Callable[[], Run]] = {
    "disc_pair": disc_pair,
    "coarse_pair": coarse_pair,
    "three_plates": three_plates,
    "ring_on_plate": ring_on_plate,
    "rail": rail,
    "grooved_pair": grooved_pair,
    "six_plates": six_plates,
    "one_square": one_square,
    "strange_names": strange_names,
    "interrupted": lambda: disc_pair("interrupted"),
    "tipped": lambda: disc_pair("tipped"),
    "limit": lambda: disc_pair("limit"),
    "until": lambda: disc_pair("until"),
}


OUTCOMES = {"interrupted", "tipped", "limit", "until"}


# What takes long to draw is drawn as a campaign, what takes longest by hand.
LATER = dict.fromkeys(("coarse_pair", "ring_on_plate", "strange_names"), pytest.mark.campaign)
LATER |= dict.fromkeys(("grooved_pair", "six_plates", "three_plates"), pytest.mark.long)


@pytest.fixture(
    scope="session",
    params=[pytest.param(name, marks=LATER.get(name, [])) for name in sorted(set(MADE) - OUTCOMES)],
)
def made_name(request: pytest.FixtureRequest) -> str:
    """The name of each run made by hand, in turn."""
    return request.param


@pytest.fixture(scope="session")
def made_run(made_name: str) -> Run:
    """Each run made by hand, in turn."""
    return MADE[made_name]()


@pytest.fixture(scope="session")
def make_run() -> Callable[[str], Run]:
    """A run made by hand, by its name."""
    return lambda name: MADE[name]()


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The page of a run made by hand, with its pictures beside it: written once, however many look at it."""
    folder = tmp_path_factory.mktemp("pages")

    @cache
    def write(name: str) -> Path:
        (folder / name).mkdir()
        return write_page(MADE[name](), folder / name)

    return write


@pytest.fixture(scope="session")
def page_of(written: Callable[[str], Path]) -> Callable[[str], str]:
    """The same page as text."""
    return cache(lambda name: written(name).read_text("utf-8"))
