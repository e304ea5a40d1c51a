"""Overhang, overlap, lift-off and tipping: closed forms, published shares, and a slow twin by counting."""

from dataclasses import astuple
from math import acos, cos, pi, radians, sin, sqrt

import numpy as np
import pytest
from known_answers import rectangle_kern

from lapwright.contact.stability import (
    WayOut,
)
from lapwright.errors import NoOverlapError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import (
    closer,
    land_outline,
    overhang,
    overhangs,
    worst_overhang,
)
from lapwright.kinematics.overlap import overlap
from lapwright.specification.curves import Circle, FigureEight, Line, Still, Zigzag
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Hand, Layer, Load, Step, Turn, Wear
from lapwright.verification.closed_forms import Lens, disc_kern, disc_lift_off, ring_kern

GRIT = Grit("15 um", 15e-6, Wear(1e-12), Layer(1e-6))
DISC, SQUARE, RING = Disc(2.0), Rectangle(1.0, 1.0), Ring(2.0, 1.2)
SHAPES = [DISC, Disc(1.1), RING, Ring(1.3, 0.4), SQUARE, Rectangle(2.0, 0.7), Rectangle(0.5, 2.4)]


def overhang_share(top, bottom, c, theta=0.0):
    return float(overhangs(top, bottom, np.array([c], dtype=float), np.array([theta]))[1][0])


def lift_off_travel(*way, **more):
    return WayOut(*way, **more).lift_off


def lift_off_overhang(*way, **more):
    return WayOut(*way, **more).overhang(lift_off_travel(*way, **more))


def tipping_travel(*way, **more):
    return WayOut(*way, **more).tipping()


def tipping_overhang(*way, **more):
    return WayOut(*way, **more).overhang(tipping_travel(*way, **more))


def counted(top, bottom, c, theta, n=1200):
    """Area, centroid and second moments by counting cells: obviously right, and coarse."""
    reach = bottom.radius * 1.02
    x = (np.arange(n) + 0.5) / n * 2.0 * reach - reach
    x, y = np.meshgrid(x, x)
    dx, dy = x - c[0], y - c[1]
    u, v = cos(theta) * dx + sin(theta) * dy, cos(theta) * dy - sin(theta) * dx
    lies = (bottom.signed_distance(x, y) < 0.0) & (top.signed_distance(-u, v) < 0.0)
    cell, x, y = (2.0 * reach / n) ** 2, x[lies], y[lies]
    gx, gy = x.mean(), y.mean()
    x, y = x - gx, y - gy
    return np.array(
        [lies.sum() * cell, gx, gy, *(cell * (p * q).sum() for p, q in ((x, x), (x, y), (y, y)))]
    )


@pytest.mark.always(*range(0, 49, 2))
@pytest.mark.parametrize("top", SHAPES, ids=repr)
@pytest.mark.parametrize("bottom", SHAPES, ids=repr)
def test_overlaps_agree_with_counting(top, bottom):
    # Off the axes, so that no edge runs along a row of cells and flips all of it at once.
    bench = 0.037
    c, theta = (0.31 * cos(bench), 0.27 * sin(1.0 + bench)), 0.4 + bench
    got = overlap(top, bottom, c, theta)
    assert [got.area, *got.centroid, *got.second] == pytest.approx(
        counted(top, bottom, c, theta), abs=4e-3
    )


@pytest.mark.parametrize("offset", [1e-6, 0.3, 1.0, 1.9])
def test_the_lens_of_two_discs(offset):
    # Circular segments, any handbook: 2 acos(d/2) - d/2 sqrt(4 - d^2).
    got = overlap(DISC, DISC, (offset, 0.0))
    assert got.area == pytest.approx(
        2.0 * acos(offset / 2.0) - offset / 2.0 * sqrt(4.0 - offset**2), rel=1e-11
    )
    assert got.centroid == pytest.approx((0.5 * offset, 0.0), abs=1e-12)
    assert got.second[0] == pytest.approx(Lens(offset).second_moment, rel=1e-9)


def test_faces_that_lie_edge_on_edge_are_whole():
    for shape in SHAPES:
        for theta in (0.0, pi / 2, pi):
            if isinstance(shape, Rectangle) and theta == pi / 2 and shape.along != shape.across:
                continue
            got = overlap(shape, shape, (0.0, 0.0), theta)
            assert got.area == pytest.approx(shape.area, rel=1e-12)
            assert got.centroid == pytest.approx((0.0, 0.0), abs=1e-14)
    # Second moments of a disc and a square about a diameter: pi R^4/4, s^4/12.
    assert overlap(DISC, DISC, (0.0, 0.0)).second == pytest.approx((pi / 4, 0.0, pi / 4), abs=1e-12)
    assert overlap(SQUARE, SQUARE, (0.0, 0.0)).second == pytest.approx(
        (1 / 12, 0.0, 1 / 12), abs=1e-14
    )


@pytest.mark.parametrize("off", [1e-13, 1e-11, 1e-9, 1e-7])
def test_faces_that_nearly_lie_edge_on_edge(off):
    for shape in SHAPES:
        got = overlap(shape, shape, (off, 0.3 * off), 0.1 * off)
        assert got.area == pytest.approx(shape.area, rel=1e-5)
        assert got.area <= shape.area * (1.0 + 1e-8)


@pytest.mark.parametrize(
    ("top", "bottom", "c"),
    [
        (DISC, DISC, (2.0, 0.0)),
        (SQUARE, SQUARE, (1.0, 0.0)),
        (SQUARE, SQUARE, (0.0, 1.5)),
        (Disc(1.2), RING, (0.0, 0.0)),  # a plug in a bore of its own size
        (Disc(0.5), RING, (0.1, 0.0)),
        (Ring(3.0, 2.0), DISC, (0.0, 0.0)),
    ],
    ids=repr,
)
def test_faces_apart_have_no_overlap(top, bottom, c):
    with pytest.raises(NoOverlapError, match="do not lie on each other"):
        overlap(top, bottom, c)


def test_equal_squares_lift_off_at_a_quarter_and_tip_at_half():
    # Overlap s - d, load d/2 off its middle, kern a sixth: d = s/4 (derived; peak x area / W = 8/3).
    assert lift_off_overhang(SQUARE, SQUARE) == pytest.approx(0.25, rel=1e-9)
    assert tipping_overhang(SQUARE, SQUARE) == pytest.approx(0.5, rel=1e-9)
    flat = overlap(SQUARE, SQUARE, (0.25, 0.0)).pressure(1.0, (0.25, 0.0))
    assert flat.peak == pytest.approx(8.0 / 3.0, rel=1e-12)
    assert flat.peak / flat.mean == pytest.approx(2.0, rel=1e-12)
    assert flat.least == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("direction", [0.0, 0.7, pi])
def test_equal_discs_lift_off_at_19_6_per_cent_and_tip_at_half(direction):
    # 0.3929023 R, peak x area of the top / W = 2.66138, twice the mean (derived, confirmed independently).
    travel = lift_off_travel(DISC, DISC, direction)
    c = (travel * cos(direction), travel * sin(direction))
    assert travel == pytest.approx(0.3929023, abs=5e-8)
    assert travel == pytest.approx(disc_lift_off()[0], rel=1e-9)
    assert overhang_share(DISC, DISC, c) == pytest.approx(0.19645, abs=5e-6)
    flat = overlap(DISC, DISC, c).pressure(1.0, c)
    assert flat.peak * DISC.area == pytest.approx(2.66138, abs=5e-6)
    assert flat.peak / flat.mean == pytest.approx(2.0, rel=1e-9)
    assert tipping_overhang(DISC, DISC, direction) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("shape", "kern"),
    [
        # Kerns of a disc R/4, a ring (Ro^2 + Ri^2)/(4 Ro), a square s/6 (Roark, from memory).
        (DISC, disc_kern(1.0)),
        (RING, ring_kern(1.0, 0.6)),
        (SQUARE, rectangle_kern(1.0)),
    ],
    ids=repr,
)
def test_lifting_begins_where_the_load_leaves_the_kern(shape, kern):
    whole = overlap(shape, shape, (0.0, 0.0))
    assert not whole.pressure(1.0, (0.999999 * kern, 0.0)).lifts
    assert whole.pressure(1.0, (1.000001 * kern, 0.0)).lifts
    assert whole.pressure(1.0, (kern, 0.0)).peak / whole.pressure(
        1.0, (kern, 0.0)
    ).mean == pytest.approx(2.0)


@pytest.mark.campaign
def test_flat_pressure_carries_the_load_and_its_moment():
    top, bottom, c, theta, point = Rectangle(2.0, 0.7), RING, (0.2, 0.1), 0.4, (0.25, 0.12)
    got = overlap(top, bottom, c, theta)
    flat = got.pressure(7.0, point)
    area, gx, gy, jxx, jxy, jyy = counted(top, bottom, c, theta, 2000)
    assert flat.mean * area == pytest.approx(7.0, rel=2e-3)
    # Moments about the centroid: integral of x (a x + b y).
    assert flat.slope[0] * jxx + flat.slope[1] * jxy == pytest.approx(
        7.0 * (point[0] - gx), rel=1e-2
    )
    assert flat.slope[0] * jxy + flat.slope[1] * jyy == pytest.approx(
        7.0 * (point[1] - gy), rel=1e-2
    )


def test_an_off_centre_load_lifts_earlier_on_its_own_side():
    # Square: overlap s - d, load d/2 + e off its middle towards the overhang: d/2 + e = (s - d)/6.
    e = 0.02
    assert lift_off_overhang(SQUARE, SQUARE, offset=(e, 0.0)) == pytest.approx(
        0.25 - 1.5 * e, rel=1e-9
    )
    assert tipping_overhang(SQUARE, SQUARE, offset=(e, 0.0)) == pytest.approx(0.5 - e, rel=1e-9)
    assert lift_off_travel(SQUARE, SQUARE, offset=(0.3, 0.0)) == 0.0


def test_a_ring_tips_when_its_support_ends_at_its_own_bore():
    # Ring R on its like, bores b: moved by d, the bottom's rim is last held where the top's bore crosses it,
    # x = (R^2 + d^2 - b^2) / (2 d); the centre of the top is there at d^2 = R^2 - b^2: 0.8 for 1 and 0.6.
    assert tipping_travel(RING, RING) == pytest.approx(0.8, rel=1e-9)
    assert overlap(RING, RING, (0.7, 0.0)).margin((0.7, 0.0)) == pytest.approx(
        (1.0 + 0.49 - 0.36) / 1.4 - 0.7, rel=1e-9
    )


def test_a_bore_inside_the_support_takes_nothing_off_the_margin():
    assert overlap(RING, RING, (0.2, 0.0)).margin((0.1, 0.0)) == pytest.approx(
        overlap(DISC, DISC, (0.2, 0.0)).margin((0.1, 0.0)), abs=1e-5
    )
    assert overlap(RING, RING, (0.0, 0.0)).margin((0.0, 0.0)) == pytest.approx(1.0, abs=1e-5)


def test_margin_below_zero_is_the_distance_from_the_hull():
    assert overlap(SQUARE, SQUARE, (0.6, 0.0)).margin((0.6, 0.0)) == pytest.approx(-0.1)
    assert overlap(SQUARE, SQUARE, (0.6, 0.6)).margin((0.6, 0.6)) == pytest.approx(-0.1 * sqrt(2.0))
    assert overlap(DISC, DISC, (1.2, 0.0)).margin((1.2, 0.0)) == pytest.approx(-0.2, rel=1e-5)


def test_the_hull_of_overlapping_squares():
    corners = overlap(SQUARE, SQUARE, (0.25, 0.125)).hull
    want = {(-0.25, -0.375), (0.5, -0.375), (0.5, 0.5), (-0.25, 0.5)}
    assert {tuple(np.round(p, 12)) for p in corners.tolist()} == want
    x, y = corners.T
    assert 0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(0.75 * 0.875)


@pytest.mark.parametrize("top", SHAPES, ids=repr)
@pytest.mark.parametrize("bottom", SHAPES, ids=repr)
def test_overhang_is_the_largest_distance_of_the_outline(top, bottom):
    rng = np.random.default_rng(5)
    c, theta = rng.uniform(-1.5, 1.5, (40, 2)), rng.uniform(0.0, 6.0, 40)
    if isinstance(top, Rectangle):
        corners = top.polygon(4)
        share = np.arange(64)[:, None, None] / 64
        edge = (corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2)
    else:
        angle = 2.0 * pi * np.arange(4096) / 4096
        edge = top.radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    got, _ = overhangs(top, bottom, c, theta)
    for i in range(40):
        x = c[i, 0] + cos(theta[i]) * -edge[:, 0] - sin(theta[i]) * edge[:, 1]
        y = c[i, 1] + sin(theta[i]) * -edge[:, 0] + cos(theta[i]) * edge[:, 1]
        # The bore is nothing to hang over.
        out = np.hypot(x, y) - bottom.radius if bottom.bore else bottom.signed_distance(x, y)
        assert got[i] == pytest.approx(out.max(), abs=2e-6)


@pytest.mark.parametrize(
    ("top", "bottom", "c", "theta", "length", "share"),
    [
        (DISC, DISC, (0.3, 0.0), 0.0, 0.3, 0.15),
        (DISC, DISC, (0.3, 0.4), 2.0, 0.5, 0.25),
        (SQUARE, SQUARE, (0.2, 0.0), 0.0, 0.2, 0.2),
        # Along the diagonal the overhang and the width both grow by the root of two.
        (SQUARE, SQUARE, (0.2, 0.2), 0.0, 0.2 * sqrt(2.0), 0.2),
        (SQUARE, SQUARE, (0.0, 0.2), pi / 2, 0.2, 0.2),
        (Rectangle(2.0, 0.7), Rectangle(2.0, 0.7), (0.0, 0.07), 0.0, 0.07, 0.1),
        (Rectangle(2.0, 0.7), Rectangle(2.0, 0.7), (0.2, 0.0), 0.0, 0.2, 0.1),
        (Disc(1.0), DISC, (0.3, 0.0), 0.0, -0.2, -0.2),
        (Disc(1.0), SQUARE, (0.3, 0.0), 0.0, 0.3, 0.3),
    ],
    ids=repr,
)
def test_overhang_in_per_cent_of_the_width_there(top, bottom, c, theta, length, share):
    assert overhang(top, bottom, c, theta) == pytest.approx(length)
    assert overhang_share(top, bottom, c, theta) == pytest.approx(share)


@pytest.mark.parametrize("bottom", [DISC, Rectangle(2.0, 1.0)], ids=repr)
def test_the_width_turns_with_the_top(bottom):
    top, c, theta = Rectangle(2.0, 0.7), np.array([0.3, 0.1]), 0.35
    turn = np.array([[cos(theta), -sin(theta)], [sin(theta), cos(theta)]])
    corners = c + top.polygon(4) @ turn.T
    out = bottom.signed_distance(*corners.T)
    far = corners[out.argmax()]
    # The way back to the nearest point of the bottom.
    near = far / np.hypot(*far) if bottom is DISC else np.clip(far, [-1.0, -0.5], [1.0, 0.5])
    direction = np.arctan2(*(far - near)[::-1])
    got = overhang_share(top, bottom, tuple(c), theta)
    assert got == pytest.approx(out.max() / top.width_along(direction - theta), rel=1e-12)


def plate(name, outline, **said):
    return Plate(outline, thickness=0.03, **said, name=name)


def step(**said):
    return Step("A", "B", GRIT, **({"curve": FigureEight(0.06, 0.03), "strokes": 400} | said))


A, B = plate("A", Disc(0.16)), plate("B", Disc(0.16))


@pytest.mark.parametrize(
    ("said", "want"),
    [
        ({"curve": Circle(0.03)}, 0.03),
        ({"curve": Line(0.06), "direction": 0.3}, 0.03),
        ({"curve": Line(0.06), "centre": (0.01, 0.0)}, 0.04),
        ({"curve": Line(0.06), "centre": (0.01, 0.0), "walk": Turn(0.1)}, 0.04),
        ({"curve": Circle(0.03), "centre": (0.006, 0.008), "turn": Turn(0.1)}, 0.04),
        # |c|^2 = (L/2)^2 (2 s - s^2), s = sin^2 phi, for W = L/2: the ends are the furthest.
        ({"curve": FigureEight(0.06, 0.03)}, 0.03),
        ({"curve": Still()}, 0.0),
        # The traverse and the line are both at their ends within the period.
        ({"curve": Zigzag(0.06, 0.04, passes=10)}, None),
    ],
    ids=repr,
)
def test_worst_overhang_over_a_step(said, want):
    there = step(**said)
    if want is None:
        poses = Motion(there).poses(np.arange(400_000) / 400_000 * 20.0)
        want = np.hypot(poses.cx, poses.cy).max()
    got = worst_overhang(there, A, B)
    assert got.overhang == pytest.approx(want, rel=1e-6, abs=1e-9)
    assert got.share == pytest.approx(want / 0.16, rel=1e-6, abs=1e-9)
    assert got.margin == pytest.approx(0.08 - want, rel=1e-6)
    at = Motion(there).poses(np.array([got.at]))
    assert overhang(A.outline, B.outline, (at.cx[0], at.cy[0]), at.theta[0]) == got.overhang


def test_worst_overhang_sees_every_index():
    # A rail that is set over by 45 degrees once: its corners then hang over its like.
    rail = plate("A", Rectangle(0.3, 0.05)), plate("B", Rectangle(0.3, 0.05))
    there = step(curve=Still(), turn=Turn(pi / 4, 150), strokes=300)
    once = overhang(rail[0].outline, rail[1].outline, (0.0, 0.0), pi / 4)
    assert once > 0.08
    assert worst_overhang(there, *rail).overhang == pytest.approx(once)
    # The angle after the last stroke is not rubbed at.
    short = worst_overhang(step(curve=Still(), turn=Turn(pi / 4, 150), strokes=150), *rail)
    assert short.overhang == pytest.approx(0.0, abs=1e-12)


def test_the_hands_scatter_is_not_counted():
    rough = step(hand=Hand(amplitude=0.25, centre=0.004))
    assert worst_overhang(rough, A, B) == worst_overhang(step(), A, B)


def test_a_hand_off_the_middle_takes_from_the_tipping_margin():
    load = Load(20.0, (0.02, 0.0), "bench")
    got = worst_overhang(step(curve=Line(0.06), load=load), A, B)
    off = 20.0 * 0.02 / (20.0 + A.weight)
    assert got.margin == pytest.approx(0.05 - off, rel=1e-6)


def test_a_hand_towards_the_middle_gives_to_the_tipping_margin():
    off = 20.0 * 0.02 / (20.0 + A.weight)
    for side in (1.0, -1.0):
        load = Load(20.0, (side * 0.02, 0.0), "bench")
        got = worst_overhang(step(curve=Still(), centre=(0.03, 0.0), load=load), A, B)
        assert got.margin == pytest.approx(0.05 - side * off, rel=1e-9)


def test_a_closer_look_stays_within_the_step():
    assert closer(149.995, 150.0).max() < 150.0
    assert closer(0.0, 150.0).min() == 0.0
    assert ((closer(0.0, 150.0) < 1.0) & (closer(0.0, 150.0) > 0.99)).any()


def test_the_margin_of_rings_knows_their_bores():
    rings = plate("A", Ring(0.2, 0.12)), plate("B", Ring(0.2, 0.12))
    got = worst_overhang(step(curve=Circle(0.07)), *rings)
    assert got.margin == pytest.approx(0.01 * 1.0 * ((1 + 0.49 - 0.36) / 0.14 - 7.0), rel=1e-3)


def test_a_top_that_leaves_the_bottom_has_no_margin():
    assert worst_overhang(step(curve=Line(0.4)), A, B).margin < 0.0


def test_a_rim_cut_away_supports_nothing():
    rimmed = plate("A", Disc(0.16), grooves=Grooves("square", 0.012, 0.002, rim=0.005))
    assert land_outline(rimmed).radius == pytest.approx(0.075)
    got = worst_overhang(step(curve=Line(0.06)), rimmed, B)
    assert got.overhang == pytest.approx(0.03)
    assert got.margin == pytest.approx(min(0.075, 0.08 - 0.03), rel=1e-6)
    grooved = plate("R", Ring(0.16, 0.08), grooves=Grooves("square", 0.012, 0.002, rim=0.005))
    assert astuple(land_outline(grooved)) == pytest.approx(astuple(Ring(0.15, 0.09)))


def test_overhang_does_not_care_which_way_the_bench_is_turned():
    top, bottom = Rectangle(0.3, 0.2), Rectangle(0.25, 0.2)
    one = overhang(top, bottom, (0.03, 0.01), radians(20.0))
    two = overhang(Rectangle(0.2, 0.3), Rectangle(0.2, 0.25), (-0.01, 0.03), radians(20.0))
    mirrored = overhang(top, bottom, (-0.03, 0.01), radians(-20.0))
    assert two == pytest.approx(one, rel=1e-12)
    assert mirrored == pytest.approx(one, rel=1e-12)
