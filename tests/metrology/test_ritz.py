"""A free plate as a body that bends, against plates and beams of the handbooks."""

from math import pi

import numpy as np
import pytest

from lapwright.metrology.bending import Elastic, orders, powers, rule
from lapwright.metrology.conditions import rim_sag, thermal_bow, three_point_sag
from lapwright.specification.materials import MATERIALS, Material
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.units import GRAVITY

IRON, STEEL = MATERIALS["grey iron"], MATERIALS["steel"]
RIM = np.array([[np.cos(a), np.sin(a)] for a in 2.0 * pi * np.arange(180) / 180])
THREE = np.array([[np.cos(a), np.sin(a)] for a in pi / 2 + 2.0 * pi * np.arange(3) / 3])


def at(body, bent, x, y=0.0):
    return float(body.heights(bent, np.array([x]), np.array([y]))[0])


def sag(body, feet, work, support):
    """How far the middle sinks below a foot."""
    bent = body.on(feet) @ -work
    return at(body, bent, *support) - at(body, bent, 0.0)


def disc(thickness, material=STEEL, diameter=0.25, degree=8):
    return Elastic(Plate(Disc(diameter), thickness=thickness, material=material, name="A"), degree)


def test_a_thin_disc_on_its_rim_under_its_own_weight():
    # Timoshenko and Woinowsky-Krieger (from memory): (5 + nu) q a^4 / (64 (1 + nu) D)
    body = disc(0.002)
    want = rim_sag(STEEL, 0.25, 0.002, STEEL.density * GRAVITY * 0.002)
    assert sag(body, 0.125 * RIM, body.weight, (0.125, 0.0)) == pytest.approx(want, rel=1e-3)


def test_a_thick_disc_gives_by_shear_as_well():
    # shear of an even load q on a rim, one over r: q a^2 / (4 (5/6) G h), Reissner's factor (from memory)
    body, h = disc(0.04), 0.04
    q = STEEL.density * GRAVITY * h
    shear = q * 0.125**2 / (4.0 * 5.0 / 6.0 * STEEL.modulus / 2.6 * h)
    want = rim_sag(STEEL, 0.25, h, q) + shear
    assert sag(body, 0.125 * RIM, body.weight, (0.125, 0.0)) == pytest.approx(want, rel=1e-3)


@pytest.mark.parametrize(("degree", "within"), [(6, 0.05), (10, 0.02)])
def test_a_load_at_the_middle(degree, within):
    # Timoshenko and Woinowsky-Krieger (from memory): (3 + nu) P a^2 / (16 pi (1 + nu) D)
    body = disc(0.002, degree=degree)
    rigidity = STEEL.modulus * 0.002**3 / (12.0 * (1.0 - 0.09))
    want = 3.3 * 10.0 * 0.125**2 / (16.0 * pi * 1.3 * rigidity)
    got = sag(body, 0.125 * RIM, 10.0 * body.pressed((0.0, 0.0)), (0.125, 0.0))
    assert want * (1.0 - within) < got < want * 1.001  # from below: polynomials are too stiff


@pytest.mark.parametrize(("degree", "within"), [(6, 0.04), (10, 0.015)])
def test_three_points_at_the_rim(degree, within):
    # check 25: 0.0362038 P a^2 / D at Poisson 0.25
    metal = Material("quarter", 7200.0, 110e9, 0.25, 0.0, 1.0)
    body = disc(0.002, metal, degree=degree)
    want = three_point_sag(metal, 0.25, 0.002, 1.0 / (pi * 0.125**2))
    got = sag(body, 0.125 * THREE, body.even, tuple(0.125 * THREE[0]))
    assert want * (1.0 - within) < got < want * 1.001


def bar(degree=8, length=0.3, width=0.02, thickness=0.004, material=IRON):
    outline = Rectangle(length, width)
    return Elastic(Plate(outline, thickness=thickness, material=material, name="A"), degree)


def ridges(x, width=0.02):
    return np.array([[s * x, y] for s in (-1.0, 1.0) for y in np.linspace(-0.5, 0.5, 9) * width])


def beam_line(spacing, x):
    """Deflection of a beam of length 1 on two points, even load 1, EI = 1, by double integration."""
    fine = np.linspace(-0.5, 0.5, 20001)
    half = 0.5 * spacing
    left = fine + 0.5
    moment = (
        -0.5 * left**2 + 0.5 * np.maximum(fine + half, 0.0) + 0.5 * np.maximum(fine - half, 0.0)
    )
    step = fine[1] - fine[0]
    slope = np.concatenate([[0.0], np.cumsum(0.5 * (moment[1:] + moment[:-1])) * step])
    line = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1])) * step])
    tilt = (np.interp(half, fine, line) - np.interp(-half, fine, line)) / spacing
    return np.interp(x, fine, line - tilt * fine)


@pytest.mark.parametrize("spacing", [0.5594, 0.5773, 0.9])
def test_a_bar_on_two_points(spacing):
    # double integration of the bending moment, at Bessel's and Airy's points and beyond
    body = bar(degree=10)
    q = body.plate.weight / 0.3
    rigidity = IRON.modulus * 0.02 * 0.004**3 / 12.0
    x = np.linspace(-0.15, 0.15, 61)
    got = body.heights(body.on(ridges(0.15 * spacing)) @ -body.weight, x, 0.0 * x)
    want = beam_line(spacing, x / 0.3) * q * 0.3**4 / rigidity
    off = (got - got.mean()) - (want - want.mean())
    assert np.abs(off).max() < 0.03 * np.ptp(want) + 0.002 * q * 0.3**4 / rigidity / 76.8


def test_feet_at_0_554_of_the_length_sag_least():
    # common knowledge of handbooks, from memory: the least span of heights at 0.5536 of the length
    body, x = bar(degree=10), np.linspace(-0.15, 0.15, 301)
    spacings = np.arange(0.50, 0.61, 0.006)
    spans = [
        np.ptp(body.heights(body.on(ridges(0.15 * s)) @ -body.weight, x, 0.0 * x)) for s in spacings
    ]
    assert spacings[int(np.argmin(spans))] == pytest.approx(0.5536, abs=0.009)


def test_stiffness_grows_with_the_cube_of_thickness():
    thin, twice = disc(0.001), disc(0.002)
    work = thin.pressed((0.03, 0.02))
    sags = [sag(body, 0.125 * THREE, work, (0.0, 0.125)) for body in (thin, twice)]
    assert sags[0] / sags[1] == pytest.approx(8.0, rel=2e-3)


def test_warm_side_out():
    body = disc(0.04)
    want = thermal_bow(STEEL, 0.25, 0.04, 1.0)  # check 24
    bent = body.warm(1.0)
    assert at(body, bent, 0.0) - at(body, bent, 0.125) == pytest.approx(want, rel=1e-12)


@pytest.mark.parametrize("outline", [Disc(0.16), Ring(0.16, 0.06), Rectangle(0.3, 0.04)], ids=str)
def test_the_work_of_loads_is_the_energy_of_bending(outline):
    """Clapeyron, thin plate: the work is D int (w_xx + w_yy)^2 - 2 (1 - nu) (w_xx w_yy - w_xy^2)."""
    h = 0.0005
    body = Elastic(Plate(outline, thickness=h, material=STEEL, name="A"), 8)
    feet = np.array([[0.05, 0.0], [-0.05, 0.0], [0.0, 0.019]])
    work = -(body.pressed((0.06, 0.01)) * 0.3 + body.weight)
    bent = body.on(feet) @ work
    x, y, area = rule(outline, 16)
    r = body.radius
    i, j = orders(8).T
    values = {}
    for name, (a, b) in {"xx": (2, 0), "yy": (0, 2), "xy": (1, 1)}.items():
        factor = np.ones(len(i))
        for n, times in ((i, a), (j, b)):
            for k in range(times):
                factor = factor * (n - k)
        px, py = (np.maximum(n - t, 0) for n, t in ((i, a), (j, b)))
        terms = factor[:, None] * (x / r) ** px[:, None] * (y / r) ** py[:, None]
        values[name] = bent @ terms / r**2
    nu = STEEL.poisson
    bend = (values["xx"] + values["yy"]) ** 2
    bend -= 2.0 * (1.0 - nu) * (values["xx"] * values["yy"] - values["xy"] ** 2)
    rigidity = STEEL.modulus * h**3 / (12.0 * (1.0 - nu**2))
    assert rigidity * (area @ bend) == pytest.approx(work @ bent, rel=2e-3)


def test_orders_of_size_at_the_bench():
    """Sizes worked out independently for a 300 x 40 x 20 mm rail of iron, to a factor of 1.3."""
    body = bar(8, 0.3, 0.04, 0.02)
    x = np.linspace(-0.15, 0.15, 301)

    def span(bent):
        return 1e6 * np.ptp(body.heights(bent, x, 0.0 * x))

    even = (body.plate.weight + 20.0) * body.even
    worn = lambda hands: span(body.compliance @ (body.weight + hands - even))  # noqa: E731
    got = {
        "own weight on its ends": (span(body.on(ridges(0.15, 0.04)) @ -body.weight), 2.03),
        "on +-87 mm": (span(body.on(ridges(0.0865, 0.04)) @ -body.weight), 0.09),
        "a like rail and 20 N, 10 mm in": (span(body.on(ridges(0.14, 0.04)) @ -even), 3.7),
        "the same on +-87 mm": (span(body.on(ridges(0.0865, 0.04)) @ -even), 0.20),
        "20 N at a point, even reaction": (worn(20.0 * body.pressed((0.0, 0.0))), 1.44),
        "under a palm of 80 mm": (worn(20.0 * body.pressed((0.0, 0.0), 0.08)), 1.31),
        "two hands": (
            worn(10.0 * (body.pressed((0.075, 0.0)) + body.pressed((-0.075, 0.0)))),
            0.22,
        ),
        "0.1 K": (span(body.warm(0.1)), 0.6),
    }
    for what, (found, want) in got.items():
        assert want / 1.3 < found < want * 1.3, what


def test_orders_of_size_of_a_thick_disc_on_three_points():
    """160 x 30 mm of iron, worked out independently as a thin plate; shear adds to it without a limit.

    One of 8 mm is thin: it sags by those sizes, times the cube (under its own weight the square) of 30 / 8.
    """
    body, thin = disc(0.03, IRON, 0.16), disc(0.008, IRON, 0.16)
    loads = (
        (3000.0 * thin.plate.outline.area * thin.even, 53e-9 * (30.0 / 8.0) ** 3),
        (thin.weight, 37e-9 * (30.0 / 8.0) ** 2),
    )
    for work, want in loads:
        found = sag(thin, 0.08 * THREE, work, tuple(0.08 * THREE[0]))
        assert found == pytest.approx(want, rel=0.05)
    for work, want in ((3000.0 * body.plate.outline.area * body.even, 53e-9), (body.weight, 37e-9)):
        assert sag(body, 0.08 * THREE, work, tuple(0.08 * THREE[0])) > 1.1 * want
    bow = body.warm(0.1)
    assert at(body, bow, 0.0) - at(body, bow, 0.08) == pytest.approx(0.12e-6, rel=0.3)


def test_powers_stand_in_their_order():
    x, y = np.array([0.3, -0.7]), np.array([0.2, 0.9])
    got = powers(x, y, 3)
    assert np.allclose(got, [x**i * y**j for i, j in orders(3)])
