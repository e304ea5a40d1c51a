"""A ring that turns on a layer and wears into the plate clutch (check 7)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

import numpy as np

from lapwright.exact import clutch as exact
from lapwright.lapping.average import Pair
from lapwright.lapping.settle import settle
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.strokes import Still
from lapwright.plate.outline import Disc, Ring
from lapwright.verify.row import Row, derived, relative
from lapwright.verify.scenes import at_stroke, body, last, plain_grit

__all__ = ["rows", "turned_ring"]

OUTER = 0.08
PRESSURE = 3000.0


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    source = derived("order 8 at 1e-12")
    for time, at_bore, at_rim, torque in (
        (1.0, 1.21188147, 0.85378392, 0.763602576),
        (5.0, 1.46619442, 0.75390481, 0.750910283),
    ):
        got = turned_ring(time)
        when = f"Ring 0.5 .. 1 turning on a layer, t = {time:g}"
        yield relative(f"{when}: pressure at the bore", source, at_bore, got.at_bore, 3e-3)
        yield relative(f"{when}: pressure at the rim", source, at_rim, got.at_rim, 3e-3)
        yield relative(f"{when}: torque / (mu F)", source, torque, got.torque, 1e-3)
    yield from textbook()


def textbook() -> Iterator[Row]:
    """The ring of a textbook's clutch, worn in until nothing changes any more."""
    outer, inner, force, friction = 0.125, 0.0875, 4000.0, 0.3
    worn = turned_ring(60.0, inner / outer)
    mean = force / (pi * (outer**2 - inner**2))
    source = "Shigley, Mechanical Engineering Design, from memory"
    yield relative(
        "Plate clutch OD 250, ID 175 mm, 4 kN, worn in: pressure at the bore [Pa]",
        source,
        194.017e3,
        worn.at_bore * mean,
        3e-3,
    )
    yield relative(
        "Plate clutch, worn in: torque at friction 0.3 [N m]",
        source,
        127.5,
        friction * force * worn.torque * outer,
        1e-3,
    )


def turned_ring(time: float, bore: float = 0.5, cells: int = 96, strokes: int = 400) -> exact.Facing:
    """Pressures over the mean and torque of a ring turned on a disc that does not wear.

    `time` in units of 1 / (K kappa omega Ro), `bore` as a share of the outer radius Ro.
    """
    kappa = 1e-12
    ring = Ring(2.0 * OUTER, 2.0 * OUTER * bore)
    load = PRESSURE * ring.area
    top, bottom = body("ring", ring, load, cells), body("flat", Disc(2.2 * OUTER), load, cells * 11 // 10)
    grit = plain_grit({"ring": kappa, "flat": 0.0})
    omega = time / (grit.layer.stiffness * kappa * OUTER * strokes)
    step = Step("ring", "flat", grit, Still(), pace=1.0, turn=Turn(omega), strokes=strokes)
    end = last((top, bottom), step)
    pair = Pair(bottom, top, grit.layer.stiffness, top.weight)
    contact = settle(pair, end.heights["flat"], end.heights["ring"], at_stroke(step, pair, 0.0))
    x, y = bottom.grid.mesh()
    r = np.hypot(x, y) / OUTER
    whole = contact.share > 0.99
    fitted = np.polynomial.Polynomial.fit(r[whole], contact.pressure[whole], 4, domain=[bore, 1.0])
    carried = contact.pressure * contact.share
    mean = float(carried.sum() / contact.share.sum())
    return exact.Facing(
        float(fitted(bore)) / mean, float(fitted(1.0)) / mean, float((carried * r).sum() / carried.sum())
    )
