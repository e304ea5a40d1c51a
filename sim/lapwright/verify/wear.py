"""The law of wear in the engine: volume balance, first wear, death of a mismatch (checks 1, 5, 8)."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, log, pi, radians

import numpy as np
from numpy.typing import NDArray

from lapwright.exact import wear as exact
from lapwright.lapping.average import Pair
from lapwright.lapping.run import Settings
from lapwright.lapping.settle import settle
from lapwright.lapping.step import Load, Step, Turn
from lapwright.lapping.strokes import Circle, FigureEight, path_length
from lapwright.plate.form import StartForm
from lapwright.plate.outline import Disc
from lapwright.verify.row import Row, absolute, derived, relative
from lapwright.verify.scenes import (
    RADIUS,
    at_stroke,
    body,
    disc,
    even_stroke,
    form_of,
    last,
    plain_grit,
    start_step,
)

__all__ = ["first_wear", "mismatch_time", "rows", "turned_symmetry", "volumes_lost"]

Array = NDArray[np.float64]
PRESTON = "F. W. Preston 1927, from memory; balance derived"


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    step = rough_step()
    yield relative(
        "Volume lost by both, tilted, overhanging, unequal wear: (kappa_t + kappa_b) * F * path [m3]",
        PRESTON,
        exact.lost_volume(1.3e-12, LOAD, step.total_strokes * path_length(step.curve)),
        sum(volumes_lost(step)),
        1e-8,
    )
    profiles = first_wear()
    source = derived("plane of pressure over the lens, averaged over the circle")
    for name, expected, got in zip(
        ("bottom, centre", "bottom, rim", "top, centre", "top, rim"),
        (1.078449, 0.815939, 1.391502, 0.300658),
        profiles,
        strict=True,
    ):
        yield absolute(
            f"First wear, circle 0.3 R, over kappa v P/(pi R^2): {name}", source, expected, got, 5e-3
        )
    yield relative(
        "Mismatch under an even layer, K 5e9, kappa sum 1e-12, v 0.2: dies with [s]",
        derived("1 / ((kappa_t + kappa_b) K v); the class of L. A. Galin 1976, from memory"),
        exact.mismatch_time(1e-12, 5e9, 0.2),
        mismatch_time(),
        2e-3,
    )

    for degrees in TURNED:
        worst, removed = turned_symmetry(degrees)
        yield absolute(
            f"Round faces, the top turned {degrees:g} degrees a stroke: its saddle and twist in the end [m]",
            derived("over whole turns a round face has no direction"),
            0.0,
            worst,
            0.005 * removed,
        )


LOAD = 40.0
TURNED = (8.0, 15.0, 47.0, 112.0)


def rough_step(strokes: int = 40) -> Step:
    """Make an off-centre eight with an eccentric pushing hand: part of the overlap lifts."""
    return Step(
        "A",
        "B",
        plain_grit({"A": 1e-12, "B": 0.3e-12}, depth=1e-6),
        FigureEight(0.07, 0.03),
        direction=0.3,
        centre=(0.012, -0.006),
        pace=1.0,
        load=Load(30.0, (0.02, 0.01), push_height=0.01),
        strokes=strokes,
    )


def volumes_lost(step: Step, cells: int = 64) -> tuple[float, float]:
    """Volumes [m3] that two rough discs of unequal size lose, top and bottom, from their maps."""
    top = body("A", Disc(0.14), LOAD - step.load.force, cells, form=StartForm(sphere=2e-6, saddle=1e-6))
    bottom = body("B", Disc(0.16), 1.0, cells, form=StartForm(sphere=1e-6, twist=-1e-6))
    end = last((top, bottom), step)
    above, below = (
        float((plate.land * (plate.heights() - end.heights[plate.name])).sum()) * plate.grid.cell**2
        for plate in (top, bottom)
    )
    return above, below


def first_wear(cells: int = 128) -> tuple[float, float, float, float]:
    """Wear rate of flat discs over kappa v P/(pi R^2): bottom centre and rim, top centre and rim."""
    top, bottom = disc("A", cells), disc("B", cells)
    step = start_step(circle=0.3)
    pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
    average = pair.average(bottom.heights(), top.heights(), even_stroke(step, top.weight, 256))
    unit = 2.0 * pi * 0.3 * RADIUS * step.pace * top.weight / (pi * RADIUS**2)
    x, y = top.grid.mesh()
    rho = np.hypot(x, y) / RADIUS
    out = []
    for plate, rate in ((bottom, average.bottom), (top, average.top)):
        out.append(_at(rho, rate / unit, plate.land, 0.0, 0.15))
        out.append(_at(rho, rate / unit, plate.land, 1.0, 0.15))
    return out[0], out[1], out[2], out[3]


def _at(rho: Array, rate: Array, land: Array, where: float, band: float) -> float:
    """Value at a radius from a least-squares parabola (even, at the centre) over whole cells near it."""
    near = (np.abs(rho - where) < band) & (land == 1.0)
    powers = (0, 2, 4) if where == 0.0 else (0, 1, 2)
    basis = np.stack([(rho[near] - where) ** k for k in powers], axis=1)
    return float(np.linalg.lstsq(basis, rate[near], rcond=None)[0][0])


def turned_symmetry(degrees: float) -> tuple[float, float]:
    """Larger of saddle and twist of a flat disc that was turned on a domed one, and its removal [m].

    Eights of half the width, 360 strokes: whole turns, each time.
    """
    bottom, top = disc("B", 40, StartForm(sphere=1e-6)), disc("A", 40)
    eight = FigureEight(RADIUS, 0.5 * RADIUS)
    end = last((bottom, top), start_step(0.1, curve=eight, turn=Turn(radians(degrees))))
    form = form_of(top, end)
    return max(abs(form.saddle or 0.0), abs(form.twist or 0.0)), end.removed["A"]


def mismatch_time(cells: int = 64) -> float:
    """Time constant [s] of a saddle against a saddle, the top going round a very small circle."""
    circle, load = 4e-4, 3000.0 * pi * RADIUS**2
    form = StartForm(saddle=0.5e-6)
    top, bottom = disc("A", cells, form), disc("B", cells, form)
    step = start_step(
        grit=plain_grit({"A": 0.4e-12, "B": 0.6e-12}, depth=0.6e-6),
        curve=Circle(circle),
        pace=0.2 / (2.0 * pi * circle),
        time=1000.0,
    )
    pair = Pair(bottom, top, step.grit.layer.stiffness, load)
    # The closed form is exact to the edge of the discs, so the blocks are kept shorter than they need be.
    end = last((top, bottom), step, settings=Settings(tolerance=2e-4))
    time = end.clock.time

    def unevenness(z_bottom: Array, z_top: Array) -> float:
        contact = settle(pair, z_bottom, z_top, at_stroke(step, pair, 0.0))
        x, y = bottom.grid.mesh()
        inner = np.hypot(x, y) < 0.7 * RADIUS
        return float((contact.pressure * (x * x - y * y))[inner].sum())

    before = unevenness(bottom.heights(), top.heights())
    after = unevenness(end.heights["B"], end.heights["A"])
    assert 0.0 < after < before * exp(-0.5)
    return -time / log(after / before)
