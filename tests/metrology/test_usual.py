"""Usual gauges fit the piece: they stand on it, show most of it, and do not read exactly."""

import pytest

from lapwright.metrology.budget import budget, ratios
from lapwright.metrology.contacts import Placement, footing
from lapwright.metrology.reading import usual_angles, usual_gauges, usual_place
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate

OUTLINES = [
    Disc(0.16),
    Ring(0.09, 0.05),
    Rectangle(0.2, 0.2),
    Rectangle(0.23, 0.038),
    Rectangle(0.038, 0.23),
    Rectangle(0.4064, 0.254),
]


def named(name, outline):
    return next(gauge for gauge in usual_gauges(outline) if gauge.name == name)


@pytest.mark.parametrize("outline", OUTLINES)
def test_they_stand_on_the_piece_and_show_a_tenth_of_it_at_least(outline):
    plate = Plate(outline, thickness=0.03, name="A")
    for gauge in usual_gauges(outline):
        if gauge.lined:
            continue
        for angle in usual_angles(gauge, outline):
            place = usual_place(gauge, outline, angle)
            assert footing(plate, gauge.contacts(place, outline), gauge.foot).firm, (
                gauge.name,
                angle,
            )
        if gauge.kind == "repeat reading":
            continue  # it tells changes from place to place, no form
        place = usual_place(gauge, outline, usual_angles(gauge, outline)[0])
        # less would have to be multiplied by more than ten
        assert max(map(abs, ratios(gauge, plate, place).values())) > 0.1, gauge.name


def test_shares_in_closed_form():
    """Heights of -dome r^2/R^2 and -4 bow x^2/L^2 at the feet."""
    ring, rail = Ring(0.09, 0.05), Rectangle(0.3, 0.06)
    of = lambda name, outline: ratios(  # noqa: E731
        named(name, outline),
        Plate(outline, thickness=0.03, name="A"),
        usual_place(named(name, outline), outline, 0.0),
    )
    assert of("optical flat", ring)["sphere"] == pytest.approx(1 - (50 / 90) ** 2)
    # a tenth of the 20 mm of land inside either edge: supports at 43 mm, indicator at 27
    assert of("straightedge", ring)["sphere"] == pytest.approx((43**2 - 27**2) / 45**2)
    # four feet half-way between bore and rim
    assert of("twist gauge", ring)["twist"] == pytest.approx((35 / 45) ** 2)
    assert of("straightedge", rail)["bow"] == pytest.approx(0.9**2)
    assert of("twist gauge", rail)["wind"] == pytest.approx(0.9**2)
    assert of("optical flat", rail)["bow"] == pytest.approx(1.0)


def test_nothing_that_reads_under_its_middle_is_usual_on_a_ring():
    kinds = {gauge.kind for gauge in usual_gauges(Ring(0.09, 0.05))}
    assert not kinds & {"spherometer", "repeat reading"}
    assert {"twist gauge", "straightedge", "optical flat"} < kinds


def test_flat_feet_reach_over_narrow_grooves():
    """A level stepped along a rail with grooves of 2 mm stands everywhere: its feet are 4 mm wide."""
    outline = Rectangle(0.2, 0.04)
    rail = Plate(outline, thickness=0.03, grooves=Grooves("square", 0.012, 0.002), name="A")
    level = named("level", outline)
    over = 0
    for k in range(-8, 9):
        feet = footing(rail, level.contacts(Placement((0.01 * k, 0.006)), outline), level.foot)
        assert feet.fallen == 0
        assert "sag" not in feet.words
        over += not feet.firm
    assert over > 0


def test_none_reads_exactly():
    outline = Disc(0.16)
    plate = Plate(outline, thickness=0.03, name="A")
    for gauge in usual_gauges(outline):
        half = budget(gauge, plate, usual_place(gauge, outline, 0.0)).half
        # two standard deviations of a scatter of 0.1 um, or of 1 um/m; of a flat a tenth of 294.65 nm
        least = 29.465e-9 if gauge.kind == "optical flat" else 1e-6 if gauge.angular else 0.1e-6
        assert half > 1.9 * least
