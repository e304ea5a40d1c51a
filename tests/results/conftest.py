"""A run made by hand, small and full of every kind of thing that a run file holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lapwright.results.record import FORM_KEYS, SHAPES, BearingRecord, Fine, PlateRecord, Run
from lapwright.study.model import Study
from lapwright.study.read import parse

TEXT = (
    """
title = "µ — Läppen"
seed = 4611686018427387904
plates.A = { rectangle = ["60 mm", "50 mm"], thickness = "20 mm", cells = 16 }
plates.R = { like = "A" }
plates.D = { like = "A" }
[[steps]]
top = "A"
bottom = "D"
grit = "15 um"
time = "1 min"
turn_bottom = "3 deg per stroke"
[[steps]]
top = "A"
bottom = "D"
grit = "9 um"
time = "1 min"
"""
    + "# a remark\r\n" * 8000
)


def _plate(name: str, rng: np.random.Generator) -> PlateRecord:
    return PlateRecord(
        name=name,
        outline_text="disc 160 mm",
        land=rng.random((14, 16)),
        x=np.arange(16.0),
        y=np.arange(14.0),
        frame_time=np.array([0.0, 60.0, 120.0]),
        frames=rng.standard_normal((3, 14, 16)),
        worn=rng.random((14, 16)),
        pressure_speed=rng.random((14, 16)),
        margin=3.2e-3,
        forms={key: rng.standard_normal(4) for key in FORM_KEYS},
        forms_margin0={key: np.full(4, np.nan) for key in FORM_KEYS},
        removed=np.arange(4.0),
        error={key: np.array([0.0, 1e-9, np.nan, rng.random()]) for key in SHAPES},
    )


def _renamed(study: Study, names: dict[str, str]) -> Study:
    """The study with names that only Python can give."""
    plates = {names[old]: replace(plate, name=names[old]) for old, plate in study.plates.items()}
    steps = tuple(
        replace(step, top=names[step.top], bottom=names[step.bottom]) for step in study.steps
    )
    return replace(study, plates=plates, steps=steps)


@pytest.fixture
def run() -> Run:
    rng = np.random.default_rng(3)
    plates = {name: _plate(name, rng) for name in ("A", "ring no. 2/µ", ".")}
    bearing = BearingRecord(
        step=2,
        name="full overhang",
        phase=0.1,
        theta=0.2,
        c=np.array([1e-3, -2e-3]),
        pressure=rng.random((14, 16)),
        peak=4.0,
        mean=2.0,
        contact_share=0.75,
        bottom="A",
        top=".",
    )
    return Run(
        schema=2,
        program="lapwright 0",
        versions={"numpy": "2", "python": "3"},
        outcome="done",
        study=_renamed(parse(TEXT, "pair"), dict(zip("ARD", plates, strict=True))),
        plates=plates,
        step=np.array([1, 1, 1, 2]),
        round=np.array([1, 1, 1, 1]),
        time=np.array([0.0, 30.0, 60.0, 120.0]),
        top=("A",) * 4,
        bottom=(".",) * 4,
        event=("start", "block", "swap", "step"),
        lift_share=np.linspace(0.0, 1.0, 4),
        scale_error=np.zeros(4),
        bearings=(bearing,),
        wall_time=1.5,
        fine=Fine("done", 119.0, {"A": dict.fromkeys(FORM_KEYS, 1e-9)}, {"A": 2e-9}),
    )
