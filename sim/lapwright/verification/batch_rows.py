"""A batch on a turning plate: what it loses, against the share of each turn that it is under parts."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from math import pi

import numpy as np

from lapwright.integration.loop import lap
from lapwright.specification.batch import Batch
from lapwright.specification.curves import Still
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import GRAVITY
from lapwright.verification.closed_forms import COVERAGE_SOURCE, coverage
from lapwright.verification.scenes import Row, absolute, derived, relative

PLACE, PART, LOAD, KAPPA = 0.065, 0.025, 4.0, 1e-16
PACE, TURN, STROKES = 1.0, 0.437, 64  # turns of the plate a stroke: no simple share of one


def _worn(together: int, loads: int) -> tuple[Plate, Plate, np.ndarray, float, float]:
    """Plate and part, what came off the plate (ny, nx) [m], off it and off all parts in the mean [m3]."""
    plate = Plate(Disc(0.2), thickness=0.03, cells=64, name="plate")
    part = Plate(Disc(2.0 * PART), mass=LOAD / GRAVITY, cells=24, name="part")
    batch = Batch(part="part", count=together * loads, together=together)
    step = Step(
        top="part",
        bottom="plate",
        grit=Grit("fine", 9e-6, Wear(KAPPA), Layer(1e-6, 3e3)),
        curve=Still(),
        centre=(PLACE, 0.0),
        walk=Turn(2.0 * pi * TURN),
        carry_centre=True,
        pace=PACE,
        strokes=STROKES,
    )
    plates = {"plate": plate, **{name: part.replace(name=name) for name in batch.names}}
    state = deque(lap(plates, [step], rounds=batch.loads, batch=batch), maxlen=1)[0]
    off = sum(state.removed[name] for name in batch.names) * part.land_area
    return plate, part, -state.heights["plate"], state.removed["plate"] * plate.land_area, off


def batch_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    together, loads = 3, 2
    plate, part, worn, off_plate, off_parts = _worn(together, loads)
    r = np.hypot(*plate.grid.mesh())
    # The middle of the track: at its very ends cells are half in, half out.
    band = np.abs(r - PLACE) < 0.6 * PART
    pressure = LOAD / part.land_area
    turning = 2.0 * pi * TURN * PACE
    time = loads * STROKES / PACE
    each = KAPPA * pressure * turning * time * r[band] * coverage(r[band], PLACE, PART)
    yield relative(
        "turning plate, 3 discs at a time, 2 loads: mean depth in the middle of the track [m]",
        COVERAGE_SOURCE,
        together * float(each.mean()),
        float(worn[band].mean()),
        0.01,
    )
    inner, outer = r < PLACE, r > PLACE
    track = np.abs(r - PLACE) < PART
    shares = [
        float((w * (track & inner)).sum() / (w * (track & outer)).sum())
        for w in (worn, r * coverage(np.maximum(r, 1e-9), PLACE, PART))
    ]
    yield relative(
        "turning plate: metal off the inner half of the track over the outer half",
        COVERAGE_SOURCE,
        shares[1],
        shares[0],
        0.03,
    )
    yield absolute(
        "batch: metal off the plate over metal off all parts, one wear constant",
        derived("Preston: what both lose under one pressure and speed is alike"),
        1.0,
        off_plate / off_parts,
        1e-3,
    )
