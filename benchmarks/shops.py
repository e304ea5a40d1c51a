"""Random sets of plates, grits, gauges and strokes, as studies: what the book is tried on.

A module of its own, apart from ensemble and planner: discs of 100 to 300 mm of unequal thickness, squares,
rings on plates; grits of 15, 9 and 3 um; gauges as large as the plate bears, which read dome and twist to
0.1 um or better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

import numpy as np

from lapwright.metrology.contacts import Placement
from lapwright.metrology.reading import Reading
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.study.read import parse

KINDS = ("discs", "squares", "ring")
GRITS = ("15 um", "9 um", "3 um")
TURNS = ("8 deg per stroke", "90 deg every 10 strokes", "none")


@dataclass(frozen=True)
class Shop:
    """A study, the readings of one round of its gauges, and the steps that may be done (grits, turns)."""

    study: Study
    readings: tuple[Reading, ...]
    steps: tuple[Step, ...]


def shop_of(seed: int, grits: tuple[str, ...] = GRITS, hand: str = "") -> Shop:
    """Shop number `seed`."""
    rng = np.random.default_rng([seed, 0x73686F70])
    kind = KINDS[int(rng.choice(3, p=(0.6, 0.25, 0.15)))]
    size = int(10 * round(10.0 + 20.0 * rng.random()))
    thick = [round(float(size * (0.12 + 0.13 * rng.random()))) for _ in range(2)]
    form = {
        key: round(float(rng.normal(0.0, 1.0)), 2)
        for key in ("A.dome", "A.twist", "A.saddle", "B.dome", "B.twist", "B.saddle")
    }
    lines = []
    for name, thickness in zip("AB", thick, strict=True):
        outline = f'disc = "{size} mm"'
        if kind == "squares":
            outline = f'rectangle = ["{size} mm", "{size} mm"]'
        if kind == "ring" and name == "A":
            outline = f'ring = ["{round(0.6 * size)} mm", "{round(0.3 * size)} mm"]'
        high = form[f"{name}.dome"] + (1.5 if name == "A" else -0.5)
        lines.append(
            f'plates.{name} = {{ {outline}, thickness = "{thickness} mm", cells = 32, '
            f'form = {{ dome = "{high:.2f} um" }} }}'
        )
    fine = 'resolution = "0.05 um", repeatability = "0.02 um"'
    own = {"A": 0.6 * size if kind == "ring" else size, "B": size}
    for name, across in own.items():
        lines.append(
            f'gauges.tw{name} = {{ kind = "twist gauge", foot_circle = "{0.8 * across:.0f} mm", {fine} }}'
        )
        dome = f'kind = "spherometer", foot_circle = "{0.7 * across:.0f} mm"'
        if kind == "ring" and name == "A":
            dome = f'kind = "straightedge", base = "{0.9 * across:.0f} mm"'
        lines.append(f"gauges.dome{name} = {{ {dome}, {fine} }}")
    for grit in grits:
        for turn in TURNS if len(grits) == 1 else TURNS[:1]:
            lines += [
                "[[steps]]",
                'top = "A"',
                'bottom = "B"',
                f'grit = "{grit}"',
                'time = "10 min"',
            ]
            lines += [f'turn = "{turn}"', *([f'hand = "{hand}"'] if hand else [])]
    study = parse("\n".join(lines) + "\n", f"shop-{seed}")
    return Shop(study, tuple(_readings(study, kind)), study.steps)


def _readings(study: Study, kind: str) -> list[Reading]:
    out = []
    for name in "AB":
        ring = kind == "ring" and name == "A"
        if ring:
            land = 0.5 * (study.plates[name].outline.bore + study.plates[name].outline.smaller)
            along = 0.5 * study.plates[name].outline.bore + 0.1 * (
                land - study.plates[name].outline.bore
            )
            out += [
                Reading(f"dome{name}", name, angle=k * 0.25 * pi, along=along) for k in range(4)
            ]
        else:
            out.append(Reading(f"dome{name}", name))
        out += [Reading(f"tw{name}", name, angle=angle) for angle in (0.0, 0.25 * pi)]
    for reading in out:
        assert isinstance(reading.place, Placement)
    return out


def random_step(shop: Shop, rng: np.random.Generator) -> Step:
    """One of the shop's steps, either plate on top, of 2 to 15 minutes."""
    step = shop.steps[int(rng.integers(len(shop.steps)))]
    if rng.random() < 0.5 and not shop.study.plates[step.top].outline.bore:
        step = replace(step, top=step.bottom, bottom=step.top)
    minutes = float(np.exp(rng.uniform(np.log(2.0), np.log(15.0))))
    return replace(step, time=None, strokes=max(1, round(60.0 * minutes * step.pace)))
