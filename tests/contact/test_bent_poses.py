"""The pressure of a pose, checked afterwards: what bends under it makes that pressure again.

Loads, frames and the mirror are worked out here on their own; the bodies' give is `Elastic` (`test_ritz`).
"""

from math import pi

import numpy as np
import pytest

from lapwright.contact.average import Pair, Sample
from lapwright.contact.flexure import Flexure
from lapwright.contact.pressure import settle
from lapwright.kinematics.motion import Poses
from lapwright.metrology.bending import DEGREE, Elastic, powers
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.supports import Palm

IRON = MATERIALS["grey iron"]


def turned(angle):
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def one_pose(cx, cy, theta, alpha):
    values = (0.0, 0.0, cx, cy, 0.1, 0.0, theta, alpha, 0.0)
    return Poses(*(np.array([float(value)]) for value in values))


def quadratic(plate, x, y):
    form, r2 = plate.form, plate.outline.radius**2
    return (
        -form.sphere * (x * x + y * y) + 0.5 * form.saddle * (x * x - y * y) + form.twist * x * y
    ) / r2


def astray(bottom, top, feet, force, palms, place, theta, hand, stiffness, warm=(0.0, 0.0)):
    """How far the pressure is from what the bent faces make of it, over its highest."""
    cx, cy = place
    load = top.weight + force
    pair = Pair(
        bottom,
        top,
        stiffness,
        load,
        flexure=Flexure(bottom, top, feet, force, palms, warm, felt=0.0),
    )
    at = np.sum([[p.share * p.at[0], p.share * p.at[1]] for p in palms], axis=0) if palms else 0.0
    moment = force * (turned(hand) @ (at if palms else np.zeros(2)))
    pose = one_pose(cx, cy, theta, hand)
    sample = Sample(pose, np.ones(1), moment[None], hands=np.array([hand]))
    got = settle(pair, bottom.heights(), top.heights(), sample)
    x, y = np.meshgrid(bottom.grid.x, bottom.grid.y)
    bears, on = got.share > 0.0, got.share > 0.3

    def face(bx, by):
        """The place on the top's face, looking at it: turned over like a page, then by theta."""
        u = np.cos(theta) * (bx - cx) + np.sin(theta) * (by - cy)
        return -u, np.cos(theta) * (by - cy) - np.sin(theta) * (bx - cx)

    above, below = Elastic(top, DEGREE), Elastic(bottom, DEGREE)
    forces = (got.pressure * got.share)[bears] * got.cell**2
    u, v = face(x[bears], y[bears])
    work = above.weight - powers(u / above.radius, v / above.radius, DEGREE) @ forces
    for palm in palms:
        bench = np.array(place) + turned(hand) @ np.array(palm.at)
        work = work + force * palm.share * above.pressed(tuple(map(float, face(*bench))), palm.size)
    if not palms:
        work = work + force * above.even
    bent = above.heights(above.compliance @ work + above.warm(warm[1]), *face(x[on], y[on]))
    lies = below.warm(warm[0])
    if feet is not None:
        own = powers(x[bears] / below.radius, y[bears] / below.radius, DEGREE) @ forces
        lies = lies + below.on(np.array(feet)) @ (-own - below.weight)
    bent = bent + below.heights(lies, x[on], y[on])
    gap = bent + quadratic(bottom, x[on], y[on]) + quadratic(top, *face(x[on], y[on]))
    gap = gap - got.height - got.tilt[0] * (x[on] - cx) - got.tilt[1] * (y[on] - cy)
    pressure = got.pressure[on]
    return np.abs(stiffness * np.maximum(gap, 0.0) - pressure).max() / pressure.max(), np.ptp(bent)


def random_pose(seed):
    dice = np.random.default_rng(seed)
    form = [StartForm(*dice.normal(0.0, 0.4e-6, 3)) for _ in range(2)]
    outline = (Disc(0.12), Rectangle(0.12, 0.07), Ring(0.12, 0.04))[seed % 3]
    top = Plate(
        outline,
        thickness=dice.uniform(0.006, 0.02),
        material=IRON,
        name="A",
        cells=36,
        form=form[0],
    )
    bottom = Plate(Disc(0.2), thickness=0.02, material=IRON, name="B", cells=52, form=form[1])
    feet = None
    if seed % 2:
        feet = tuple(
            (0.08 * np.cos(a), 0.07 * np.sin(a))
            for a in dice.uniform(0.0, 0.5) + np.arange(3) * 2.1
        )
    palms = ()
    if seed % 4 > 1:
        # On the part however it is turned under them.
        out = 0.024 if seed % 3 == 1 else 0.045
        places = [(out, 0.006), (-out, -0.004)]
        palms = tuple(
            Palm(place, 0.02, share) for place, share in zip(places, (0.6, 0.4), strict=True)
        )
    place = tuple(dice.uniform(-0.03, 0.03, 2))
    warm = tuple(dice.uniform(-0.05, 0.05, 2))
    angles = dice.uniform(0.0, 2.0 * pi, 2)
    return bottom, top, feet, dice.uniform(5.0, 40.0), palms, place, *angles, 3e9, warm


@pytest.mark.parametrize("seed", range(24))
def test_the_bent_faces_make_the_pressure_that_bends_them(seed):
    off, bent = astray(*random_pose(seed))
    assert bent > 5e-9
    assert off < 2e-6


@pytest.mark.parametrize("thick", [0.003, 0.004, 0.006])
@pytest.mark.parametrize("depth", [0.25e-6, 0.75e-6])
def test_thin_discs_with_a_fresh_dome_settle(thick, depth):
    """300 mm, a micrometre high in the middle, on thin grit: little bears, and all of it bends."""
    top = Plate(Disc(0.3), thickness=thick, material=IRON, name="A", cells=60, form=StartForm(1e-6))
    bottom = Plate(Disc(0.3), thickness=0.04, material=IRON, name="B", cells=60)
    off, bent = astray(bottom, top, None, 20.0, (), (0.03, 0.0), 0.4, 0.0, 3000.0 / depth)
    assert bent > 0.1e-6
    assert off < 2e-5
