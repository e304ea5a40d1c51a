"""Flatness grades against the standards' own numbers (check 22); the sources are named beside each."""

import numpy as np
import pytest

from lapwright.metrology.flatness import ASME, DIN, ISO, grades, minimum_zone
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.verification.closed_forms import stations

INCH, UIN = 25.4e-3, 25.4e-9


def plate(long, short):
    return Rectangle(long * INCH, short * INCH)


def limits(outline, standard):
    return {g.grade: g.limit for g in grades(outline, 0.0) if g.standard == standard}


@pytest.mark.parametrize(
    ("long", "short", "microinches", "formula"),
    # read in a published copy of GGG-P-463c: the printed table departs from the formula beside it
    [(72, 48, 350.0, 339.52), (18, 18, 50.0, 65.92), (36, 24, 100.0, 114.88)],
)
def test_listed_sizes_are_taken_from_the_table(long, short, microinches, formula):
    for outline in (plate(long, short), plate(short, long)):
        got = [g for g in grades(outline, 0.0) if g.standard == ASME]
        assert [(g.grade, g.rule) for g in got] == [("AA", "table"), ("A", "table"), ("B", "table")]
        assert [g.limit / UIN for g in got] == pytest.approx(
            [microinches, 2 * microinches, 4 * microinches]
        )
    # an inch longer and the formula holds: near the value that the standard's own formula gives here
    longer = next(g for g in grades(plate(long + 1, short), 0.0) if g.standard == ASME)
    assert longer.rule == "formula"
    assert longer.limit / UIN == pytest.approx(formula + (2 * long + 1) / 25.0, rel=1e-12)


@pytest.mark.parametrize(
    ("long", "short", "microinches"),
    # published excerpt of the same table by a calibration laboratory
    [
        (12, 12, 50),
        (18, 12, 50),
        (24, 18, 75),
        (36, 24, 100),
        (48, 36, 200),
        (72, 48, 350),
        (96, 48, 500),
    ],
)
def test_the_published_excerpt(long, short, microinches):
    assert limits(plate(long, short), ASME)["AA"] / UIN == pytest.approx(microinches)


def test_a_listed_size_typed_in_millimetres_is_the_same_plate():
    got = next(g for g in grades(Rectangle(1.829, 1.219), 0.0) if g.standard == ASME)
    assert (got.rule, got.limit / UIN) == ("table", pytest.approx(350.0))


def test_round_plates_go_by_the_diameter():
    # 40 + D^2/25 with D = 10 in: 44 microinches, A 88, B 176
    got = limits(Disc(10 * INCH), ASME)
    assert [got[k] / UIN for k in ("AA", "A", "B")] == pytest.approx([44.0, 88.0, 176.0])
    assert limits(Ring(10 * INCH, 5 * INCH), ASME) == got
    assert {g.size_of for g in grades(Disc(0.16), 0.0)} == {"diameter"}
    assert {g.size for g in grades(Disc(0.16), 0.0)} == {0.16}


def test_iso_rounds_the_diagonal_up_to_a_hundred():
    # 0.003 l + 2.5 um, l the diagonal in mm rounded up to 100 (read in a published copy)
    # 300 x 400: the diagonal is 500 exactly, and stays 500; 301 x 400 is 600
    assert limits(Rectangle(0.4, 0.3), ISO) == {"0": pytest.approx(4.0e-6)}
    assert limits(Rectangle(0.4, 0.301), ISO) == {"0": pytest.approx(4.3e-6)}
    # 1000 x 630: diagonal 1181.9, so 1200: 6.1 um
    assert limits(Rectangle(1.0, 0.63), ISO) == {"0": pytest.approx(6.1e-6)}


@pytest.mark.parametrize(
    ("length", "um"),
    # published tables by makers of plates to DIN 876, grades 0, 1, 2: L the longest side
    [
        (200, (4.8, 12, 24)),
        (500, (6, 15, 30)),
        (1000, (8, 20, 40)),
        (1500, (10, 25, 50)),
        (2000, (12, 30, 60)),
    ],
)
def test_din_goes_by_the_longer_side(length, um):
    for outline in (Rectangle(length * 1e-3, 0.1), Rectangle(0.1, length * 1e-3)):
        got = limits(outline, DIN)
        assert [got[k] * 1e6 for k in "012"] == pytest.approx(list(um))


def test_what_passes():
    got = {(g.standard, g.grade): g.passes for g in grades(Disc(10 * INCH), 100 * UIN)}
    assert got[ASME, "AA"] is False
    assert got[ASME, "A"] is False
    assert got[ASME, "B"] is True
    exact = {g.grade: g.passes for g in grades(plate(72, 48), 350 * UIN) if g.standard == ASME}
    assert exact == {"AA": True, "A": True, "B": True}


def test_the_plate_of_1955_is_within_its_finest_grade():
    # 163.67 microinches (Moody 1955) against 350 printed for 48 x 72 in
    x, y, z = stations()
    got = [g for g in grades(plate(72, 48), minimum_zone(x, y, z)) if g.standard == ASME]
    assert [g.passes for g in got] == [True, True, True]


@pytest.mark.parametrize("flatness", [-1e-9, float("nan"), -np.inf])
def test_no_flatness_no_grade(flatness):
    with pytest.raises(ValueError, match="cannot be graded"):
        grades(Disc(0.16), flatness)
