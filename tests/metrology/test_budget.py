"""What a gauge would show and how surely: against GUM arithmetic, thermal bow and sag."""

from dataclasses import replace
from math import cos, exp, pi, sin, sqrt

import numpy as np
import pytest

from lapwright.metrology.budget import budget, firm_place, predict, ratios
from lapwright.metrology.conditions import (
    AIR,
    Conditions,
    bending,
    bow_of_cooling,
    bow_of_warmth,
    sag_of_support,
    standing,
    time_constant,
)
from lapwright.metrology.contacts import Placement, Shaped, footing
from lapwright.metrology.instruments import (
    Level,
    OpticalFlat,
    RepeatReading,
    Spherometer,
    TwistGauge,
    Zero,
)
from lapwright.metrology.reading import stepped
from lapwright.specification.grooves import Grooves
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, StartForm

PLATE = Plate(Disc(0.16), thickness=0.03, name="A")
BEDDED = Conditions(warm_side=0.0, support="bedded")


def test_gum_adds_variances():
    gauge = Spherometer(
        foot_circle=0.08,
        resolution=0.1e-6,
        repeatability=0.05e-6,
        hysteresis=0.08e-6,
        zero_error=0.03e-6,
        conditions=BEDDED,
    )
    got = budget(gauge, PLATE, Placement())
    # JCGM 100:2008: step/sqrt(12) (F.2.2.1), scatter, lag as + or - half, zero: squares add
    want = sqrt(0.1**2 / 12 + 0.05**2 + 0.04**2 + 0.03**2) * 1e-6
    assert got.standard == pytest.approx(want, rel=1e-12)
    assert sum(p.standard**2 for p in got.parts) == pytest.approx(want**2, rel=1e-12, abs=0.0)
    assert got.largest.cause == "the pointer's scatter"
    assert 1.6 * want < got.half < 2.0 * want


@pytest.mark.parametrize(("metal", "bow"), [("steel", 2.246094e-6), ("grey iron", 2.050781e-6)])
def test_warmth(metal, bow):
    # Timoshenko, free plate: 250 x 40 mm, 1 K
    plate = Plate(Disc(0.25), thickness=0.04, material=MATERIALS[metal], name="A")
    assert bow_of_warmth(plate, Conditions(warm_side=1.0)) == pytest.approx(bow, rel=1e-6)
    soaked = Conditions(warm_side=1.0, soak=2 * time_constant(plate))
    assert bow_of_warmth(plate, soaked) == pytest.approx(bow * exp(-2), rel=1e-6)
    # a gauge on half the plate sees a quarter of it; two points of a repeat-reading gauge as their own share
    gauge = Spherometer(foot_circle=0.125, conditions=Conditions(warm_side=1.0, support="bedded"))
    assert budget(gauge, plate, Placement()).standard == pytest.approx(
        0.25 * bow / sqrt(3), rel=1e-6
    )
    twist = TwistGauge(foot_circle=0.125, conditions=Conditions(warm_side=1.0))
    assert budget(twist, plate, Placement()).standard == pytest.approx(0.0, abs=1e-15)


def test_sag():
    # published: iron, 250 x 40 mm, on its rim: 71.482 nm
    plate = Plate(Disc(0.25), thickness=0.04, name="A")
    assert sag_of_support(plate, Conditions(support="rim")) == pytest.approx(71.482e-9, rel=1e-5)
    assert sag_of_support(plate, Conditions(support="bedded")) == 0.0
    alone = bending(plate, Conditions(warm_side=0.0, support="rim"))
    assert alone == pytest.approx(71.482e-9 / sqrt(3), rel=1e-5)


def test_what_would_be_read():
    faces = {
        "A": Shaped(PLATE, StartForm(sphere=2e-6)),
        "B": Shaped(PLATE, StartForm(sphere=-1e-6, twist=1e-6)),
    }
    gauge = Spherometer(name="s", foot_circle=0.08)
    got = predict(gauge, faces, "A", Placement())
    assert got.value == pytest.approx(0.5e-6)
    assert (got.best, got.blind) == ("sphere", ("saddle", "twist"))
    assert got.ratio["sphere"] == pytest.approx(0.25)
    on_b = Spherometer(name="s", foot_circle=0.08, zero=Zero("plate", plate="B"))
    assert predict(on_b, faces, "A", Placement()).value == pytest.approx(0.75e-6)
    master = Spherometer(name="s", foot_circle=0.08, zero=Zero("master", 0.1e-6))
    assert predict(master, faces, "A", Placement()).value == pytest.approx(0.4e-6)
    flat = OpticalFlat(diameter=0.16, own=0.2e-6)
    assert predict(flat, faces, "A", Placement()).value == pytest.approx(2.2e-6)
    assert predict(TwistGauge(foot_circle=0.08), faces, "B", Placement()).blind == (
        "sphere",
        "saddle",
    )


def test_a_comparator_bends_with_both_plates():
    """Each by its own thickness: bow with 1/h (Timoshenko, free plate), sag with 1/h^2 (check 25)."""
    thick, thin = (
        Plate(Disc(0.16), thickness=h, name=name) for name, h in (("A", 0.03), ("B", 0.01))
    )
    alone = Spherometer(name="s", foot_circle=0.1)
    by_itself = {part.cause: part.size for part in budget(alone, thick, Placement()).parts}
    on_b = replace(alone, zero=Zero("plate", plate="B"))
    for other, times in ((thin, 3.0), (replace(thick, name="B"), 1.0)):
        got = budget(on_b, thick, Placement(), other=other)
        parts = {part.cause: part for part in got.parts}
        for cause, size in by_itself.items():
            power = 2 if cause.startswith("sag") else 1
            assert parts[f"{cause}, A"].size == pytest.approx(size, rel=1e-12)
            assert parts[f"{cause}, B"].size == pytest.approx(size * times**power, rel=1e-12)
            assert parts[f"{cause}, B"].plate is other
        assert len(parts) == 2 * len(by_itself) == 4
        assert got.standard**2 == pytest.approx(
            sum(part.size**2 for part in got.parts) / 3.0, rel=1e-12, abs=0.0
        )
    faces = {p.name: Shaped(p, StartForm()) for p in (thick, thin)}
    assert predict(on_b, faces, "A", Placement()).budget == budget(
        on_b, thick, Placement(), other=thin
    )
    # Read the other way round the same plates make the same doubt.
    on_a = replace(alone, zero=Zero("plate", plate="A"))
    assert predict(on_a, faces, "B", Placement()).budget.standard == pytest.approx(
        budget(on_b, thick, Placement(), other=thin).standard, rel=1e-12
    )
    with pytest.raises(ValueError, match="zeroed on B"):
        budget(on_b, thick, Placement())


def test_ratios():
    assert ratios(RepeatReading(base=0.08), PLATE, Placement())["sphere"] == pytest.approx(0.25)


def test_a_firm_place_is_looked_for():
    plate = Plate(Disc(0.16), thickness=0.03, grooves=Grooves("square", 0.02, 0.004), name="G")
    gauge = TwistGauge(
        foot_circle=0.0849
    )  # its feet at 1:30 stand 30 mm out both ways: where grooves cross
    assert footing(plate, gauge.contacts(Placement(), plate.outline), gauge.foot).fallen == 4
    place = firm_place(gauge, plate, Placement())
    assert place is not None
    assert 0 < abs(place.angle) < pi / 4
    assert footing(plate, gauge.contacts(place, plate.outline), gauge.foot).firm
    assert firm_place(Spherometer(foot_circle=0.3), plate, Placement()) is None


# --- levels, step by step ----------------------------------------------------------------------


def test_a_stepped_level_gives_the_profile():
    level = Level(base=0.02)
    face = Shaped(PLATE, StartForm(sphere=2e-6))
    ahead = np.array([cos(0.4), sin(0.4)])
    walk = [Placement(tuple(k * level.base * ahead), 0.4) for k in range(-3, 4)]
    slopes = np.array([level.contacts(place, PLATE.outline).of(face.at) for place in walk])
    read = slopes + 5e-5  # the plate lies askew, the level's zero is off
    got = stepped(read, level.base)
    want = 2e-6 * ((got.along[0] / 0.08) ** 2 - (got.along / 0.08) ** 2)
    assert got.heights == pytest.approx(want, abs=1e-15)
    assert got.straightness == pytest.approx(2e-6 * (0.07**2 - 0.01**2) / 0.08**2)
    assert got.along[0] == pytest.approx(-0.07)


# --- warm plates -------------------------------------------------------------------------------


def test_a_plate_that_cools_through_one_side_bows():
    """Q h / k between its faces, then Timoshenko's free plate: kappa = alpha dT / h."""
    plate = Plate(Disc(0.25), thickness=0.04, name="A")
    got = bow_of_cooling(plate, Conditions(), 293.15 + 5.0)
    metal = MATERIALS["grey iron"]
    across = AIR * 5.0 * 0.04 / metal.conductivity
    # 1 K makes 2.050781 um on this plate (derived)
    assert got == pytest.approx(2.050781e-6 * across, rel=1e-6)
    # whether it is warmer or colder than the room, and in a room of any warmth, is all the same
    assert bow_of_cooling(plate, Conditions(room=298.15), 293.15) == pytest.approx(got)
    assert bow_of_cooling(plate, Conditions(), None) == 0.0
    assert bow_of_cooling(plate, Conditions(), 293.15) == 0.0


def test_a_warm_plate_is_in_the_budget():
    gauge = Spherometer(foot_circle=0.125, conditions=BEDDED)
    plate = Plate(Disc(0.25), thickness=0.04, name="A")
    got = budget(gauge, plate, Placement(), 313.15)
    want = 0.25 * bow_of_cooling(plate, BEDDED, 313.15) / sqrt(3)
    assert [part.cause for part in got.parts] == ["not as warm as the room"]
    assert got.standard == pytest.approx(want)
    assert bending(plate, BEDDED, 313.15) == pytest.approx(4 * want)
    assert budget(gauge, plate, Placement()).standard == 0.0


def test_how_long_a_plate_must_stand():
    conditions = Conditions(warm_side=1.0, soak=600.0)
    now = bow_of_warmth(PLATE, conditions)
    wait = standing(PLATE, conditions, now / 10)
    later = Conditions(warm_side=1.0, soak=600.0 + wait)
    assert bow_of_warmth(PLATE, later) == pytest.approx(now / 10, rel=1e-9)
    assert standing(PLATE, conditions, 2 * now) == 0.0
    with pytest.raises(ValueError, match="never"):
        standing(PLATE, conditions, 0.0)


def test_a_form_that_is_never_seen_is_blind_where_it_is_read_alike():
    """A repeat-reading gauge reads a dome, but reads it everywhere alike."""
    faces = {"A": Shaped(PLATE, StartForm(sphere=2e-6))}
    got = predict(RepeatReading(base=0.08), faces, "A", Placement())
    assert "sphere" in got.blind
    assert got.best == "saddle"
