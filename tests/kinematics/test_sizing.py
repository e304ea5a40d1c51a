"""Strokes sized by travel and by overhang: the size comes back out of the motion."""

from dataclasses import astuple, replace
from math import pi, radians, sqrt

import numpy as np
import pytest

from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import shaped, sized, worst_overhang
from lapwright.specification.curves import (
    Circle,
    Ellipse,
    FigureEight,
    Line,
    Rosette,
    Still,
    Zigzag,
)
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear

GRIT = Grit("15 um", 15e-6, Wear(1e-12), Layer(1e-6))
DISC = Disc(0.16)
KINDS = ["circle", "ellipse", "line", "figure-eight", "zigzag", "rosette"]


@pytest.mark.parametrize("kind", KINDS)
def test_travel_is_the_full_extent_along_the_direction(kind):
    curve = sized(kind, DISC, DISC, travel=0.3)
    phi = np.linspace(0.0, 2.0 * pi * curve.period, 100_001)
    x = curve.position(phi)[:, 0]
    assert x.max() == pytest.approx(0.5 * 0.3 * 0.16, rel=1e-7)
    # A rosette's small circle need not be at its far side on the left as well.
    if kind != "rosette":
        assert np.ptp(x) == pytest.approx(0.3 * 0.16, rel=1e-7)


def test_travel_is_a_share_of_the_width_there():
    rail = Rectangle(0.3, 0.05)
    assert sized("line", rail, rail, travel=0.5) == Line(0.15)
    assert sized("line", rail, rail, travel=0.5, direction=pi / 2).length == pytest.approx(0.025)
    slanting = sized("line", rail, rail, travel=0.5, direction=pi / 4).length
    assert slanting == pytest.approx(0.5 * 0.35 / sqrt(2.0))


def test_what_is_taken_when_nothing_is_said():
    third = 0.16 / 3.0
    for curve in (
        FigureEight(third, third / 2),
        Ellipse(third, third / 2),
        Zigzag(third, third / 2, 10),
        Circle(third / 2),
    ):
        assert astuple(sized(curve.kind, DISC, DISC)) == pytest.approx(astuple(curve))
    rosette = sized("rosette", DISC, DISC)
    assert 2.0 * (rosette.radius + rosette.small) == pytest.approx(third)
    assert rosette.small == pytest.approx(rosette.radius / 3.0)
    assert sized("still", DISC, DISC) == Still()


@pytest.mark.parametrize(
    ("kind", "sizes", "curve"),
    [
        ("circle", {"radius": 0.02}, Circle(0.02)),
        ("line", {"length": 0.05}, Line(0.05)),
        ("figure-eight", {"length": 0.05, "width": 0.01}, FigureEight(0.05, 0.01)),
        ("figure-eight", {"length": 0.05}, FigureEight(0.05, 0.025)),
        ("zigzag", {"length": 0.05, "passes": 4.0}, Zigzag(0.05, 0.025, 4.0)),
        ("rosette", {"radius": 0.02, "small": 0.005, "ratio": -3}, Rosette(0.02, 0.005, -3)),
    ],
)
def test_a_size_outright(kind, sizes, curve):
    got = sized(kind, DISC, DISC, sizes=sizes)
    assert type(got) is type(curve)
    for name in vars(curve):
        assert getattr(got, name) == pytest.approx(getattr(curve, name), rel=1e-12)


CASES = [
    (DISC, DISC),
    (Ring(0.16, 0.08), Disc(0.2)),
    (Rectangle(0.1, 0.1), DISC),
    (Disc(0.1), Rectangle(0.3, 0.2)),
]


@pytest.mark.always(*range(0, 72, 5))
@pytest.mark.parametrize("outlines", CASES, ids=repr)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "said",
    [
        {"direction": 0.3, "centre": (0.002, 0.001)},
        {"centre": (0.004, 0.0), "turn": Turn(radians(8.0))},
        {
            "centre": (0.004, 0.0),
            "carry_centre": True,
            "walk": Turn(radians(3.0)),
            "turn": Turn(pi / 2, 10),
        },
    ],
    ids=["plain", "turned", "walked"],
)
def test_the_overhang_asked_is_the_overhang_got(outlines, kind, said):
    top, bottom = outlines
    plates = Plate(top, thickness=0.03, name="A"), Plate(bottom, thickness=0.03, name="B")
    there = Step("A", "B", GRIT, strokes=300, **said)
    share = sized(kind, top, bottom, overhang=0.17, strokes=300, **said)
    assert worst_overhang(replace(there, curve=share), *plates).share == pytest.approx(
        0.17, rel=2e-6
    )
    length = sized(kind, top, bottom, overhang_length=0.009, strokes=300, **said)
    assert worst_overhang(replace(there, curve=length), *plates).overhang == pytest.approx(
        0.009, rel=2e-6
    )
    # Obviously right, and slow: every phase of every stroke.
    poses = Motion(replace(there, curve=length)).poses(np.arange(300 * 240) / 240.0)
    from lapwright.kinematics.overhang import overhangs

    every = overhangs(top, bottom, np.stack([poses.cx, poses.cy], axis=1), poses.theta)[0]
    assert every.max() == pytest.approx(0.009, rel=3e-3)


def test_closed_forms_of_the_overhang_rule():
    # Equal discs: overhang is |c| at its largest; squares along a side: the travel out.
    assert sized("circle", DISC, DISC, overhang=0.19).half_travel == pytest.approx(
        0.19 * 0.16, rel=1e-8
    )
    assert sized("line", DISC, DISC, overhang=0.19).half_travel == pytest.approx(
        0.19 * 0.16, rel=1e-8
    )
    square = Rectangle(0.1, 0.1)
    assert sized("line", square, square, overhang_length=0.02).half_travel == pytest.approx(
        0.02, rel=1e-8
    )
    # A circle that goes beyond the corner: there the diagonal counts, and is the same share.
    assert sized("circle", square, square, overhang=0.2).half_travel == pytest.approx(
        0.02, rel=1e-8
    )
    # A small disc on a large one goes to the edge first.
    small, large = Disc(0.1), Disc(0.16)
    assert sized("line", small, large, overhang_length=0.01).half_travel == pytest.approx(
        0.04, rel=1e-8
    )
    assert sized("line", small, large, overhang_length=-0.01).half_travel == pytest.approx(
        0.02, rel=1e-8
    )


def test_a_given_width_is_kept():
    curve = sized("figure-eight", DISC, DISC, overhang=0.15, sizes={"width": 0.012})
    assert curve.width == 0.012
    phi = np.linspace(0.0, 2.0 * pi, 10_001)
    assert np.hypot(*curve.position(phi).T).max() == pytest.approx(0.15 * 0.16, rel=1e-6)


def test_only_the_angles_visited_count():
    # A square top on a disc, indexed by 45 degrees: two strokes see one angle, four see both.
    top, bottom = Rectangle(0.1, 0.1), Disc(0.16)
    said = {"overhang_length": 0.01, "turn": Turn(pi / 4, 2), "direction": 0.0}
    one, both = (sized("line", top, bottom, strokes=n, **said) for n in (2, 4))
    # Square on: corners at (50 + c, 50); on its corner: one at (70.7 + c, 0); both may go out to 80 + 10.
    assert one.half_travel == pytest.approx(sqrt(0.09**2 - 0.05**2) - 0.05, rel=1e-8)
    assert both.half_travel == pytest.approx(0.09 - 0.05 * sqrt(2.0), rel=1e-8)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"overhang": 0.1, "travel": 0.3}, "in one way"),
        ({"overhang": 0.1, "sizes": {"length": 0.3}}, "in one way"),
        (
            {"overhang": 0.05, "centre": (0.048, 0.0)},
            "without any travel the top hangs out by 30.0 % already",
        ),
        ({"overhang_length": 1.0}, "the faces would part before the top hangs out by 1000 mm"),
        ({"overhang": float("nan")}, "the faces would part"),
    ],
)
def test_what_cannot_be_is_refused(said, words):
    with pytest.raises(ValueError, match=words):
        sized("line", DISC, DISC, **said)


def test_a_still_top_has_no_overhang_to_choose():
    with pytest.raises(ValueError, match="held still"):
        sized("still", DISC, DISC, overhang=0.1)


def test_a_rosette_whose_small_circle_is_too_large():
    with pytest.raises(ValueError, match="does not fit"):
        sized("rosette", DISC, DISC, travel=0.1, sizes={"small": 0.02})


def test_an_unknown_kind():
    with pytest.raises(ValueError, match="no kind of stroke"):
        shaped("spiral", 0.01, {})
