"""Small pairs and steps for the tests of the engine: 160 mm grey-iron discs under 3 kPa."""

from dataclasses import replace
from math import pi

import numpy as np

from lapwright.contact.average import Pair, Sample
from lapwright.integration.loop import lap
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Grit, Layer, Step, Wear
from lapwright.units import GRAVITY

RADIUS = 0.08
PRESSURE = 3000.0
LOAD = PRESSURE * pi * RADIUS**2
FLAT = StartForm()
NO_MARGIN = EdgeMargin(share=0.0)
SPEED = 2 * pi * 0.33 * RADIUS  # circle of 0.33 R, one a second


def discs(cells=32, top=FLAT, bottom=FLAT, **more):
    """Two equal plates: A, which begins on top, and B; a dictionary by name."""
    a = Plate(Disc(2 * RADIUS), mass=LOAD / GRAVITY, cells=cells, form=top, **more, name="A")
    return {"A": a, "B": replace(a, name="B", form=bottom)}


def grit(name="g", layer=1e-6, kappa=1e-12, **more):
    return Grit(name, 20e-6, more.pop("wear", Wear(iron=kappa)), Layer(layer), **more)


def step(**more):
    """A on B, a circle of 0.33 R, one stroke a second."""
    given = {"top": "A", "bottom": "B", "grit": grit(), "curve": Circle(0.33 * RADIUS), "pace": 1.0}
    return Step(**(given | more))


def pair(plates, layer=1e-6, load=LOAD):
    return Pair(plates["B"], plates["A"], PRESSURE / layer, load)


def sample(one_step, strokes, load=LOAD, moments=None):
    """Poses at `strokes`, in equal shares of the time."""
    motion = Motion(one_step)
    poses = motion.poses(np.asarray(strokes, dtype=float))
    n = poses.strokes.size
    return Sample(
        poses, np.full(n, 1.0 / n), motion.moment(poses, load) if moments is None else moments
    )


def run(plates, *steps, **more):
    return list(lap(plates, steps, **more))


def rate(plates):
    """Mean removal [m/s] of a flat pair in translation, exact on its own grid: kappa W v / land area."""
    return 1e-12 * LOAD * SPEED / plates["A"].land_area


def swaps(moments):
    return [(m.clock.strokes, m.top, m.bottom) for m in moments if m.event == "swap"]
