"""Every gauge: one exact reading, one grooved plate, one place off the centre."""

from math import cos, pi, sqrt

import numpy as np
import pytest

from lapwright.metrology.contacts import (
    Mapped,
    Placement,
    Shaped,
    shown,
    wave_reading,
)
from lapwright.metrology.instruments import (
    KINDS,
    Autocollimator,
    Bridge,
    Level,
    OpticalFlat,
    RepeatReading,
    Spherometer,
    Straightedge,
    TwistGauge,
)
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm

R = 0.08
DISC = Plate(Disc(2 * R), thickness=0.03, name="A")
GROOVED = Plate(Disc(2 * R), thickness=0.03, grooves=Grooves("square", 0.02, 0.004), name="G")
FORM = StartForm(sphere=2e-6, saddle=-1e-6, twist=0.7e-6)
UM = 1e-6

GAUGES = [
    Spherometer(foot_circle=0.08),
    Spherometer(foot_circle=0.08, feet="ring"),
    TwistGauge(foot_circle=0.08),
    TwistGauge(base=0.06, width=0.04),
    RepeatReading(base=0.08),
    Straightedge(base=0.1),
    Level(base=0.04),
    Autocollimator(base=0.04),
    OpticalFlat(diameter=0.06),
]


def z(x, y):
    """FORM by hand, from what the words mean: centre over rim, 3-9 over 12-6, 1:30-7:30 over the others."""
    r, t = np.hypot(x, y) / R, np.arctan2(y, x)
    return 2 * UM * (1 - r**2) + r**2 * (-0.5 * UM * np.cos(2 * t) + 0.35 * UM * np.sin(2 * t))


def read(gauge, plate=DISC, form=FORM, **place):
    return gauge.contacts(Placement(**place), plate.outline).of(Shaped(plate, form).at)


def test_all_kinds_are_there():
    assert len(KINDS) == 9


# --- exact -------------------------------------------------------------------------------------


def test_spherometer_reads_a_quarter_of_the_dome_on_half_the_plate():
    gauge = GAUGES[0]
    assert read(gauge) == pytest.approx(0.25 * 2 * UM, rel=1e-12)
    # saddle and twist never show, however it is turned
    for angle in np.linspace(0, 2 * pi, 7):
        assert read(gauge, angle=angle) == pytest.approx(0.5 * UM, rel=1e-12)
        assert read(gauge, form=StartForm(saddle=1e-6, twist=1e-6), angle=angle) == pytest.approx(
            0, abs=1e-18
        )


def test_spherometer_on_a_true_ball():
    # the linear reading is the exact one while the sag is small beside the feet: 1 um over 80 mm
    gauge = Spherometer(foot_circle=0.08, ball=3e-3)
    ball = R**2 / (2 * 2 * UM)  # of a dome of 2 um
    assert gauge.sag(ball) == pytest.approx(0.5 * UM, rel=1e-5)
    assert gauge.sag(-1.0) == pytest.approx(-(0.04**2) / (2.0 * (1.0 - 3e-3)), rel=1e-3)
    assert gauge.radius(gauge.sag(-0.7)) == pytest.approx(-0.7, rel=1e-12)


def test_twist_gauge_reads_pair_over_pair():
    a = 0.04
    gauge = GAUGES[2]
    pairs = [
        np.mean([z(a * cos(t), a * np.sin(t)) for t in (s, s + pi)]) for s in (pi / 4, 3 * pi / 4)
    ]
    assert read(gauge) == pytest.approx(pairs[0] - pairs[1], rel=1e-12)
    assert read(gauge) == pytest.approx(0.25 * 0.7 * UM, rel=1e-12)
    # a quarter turn turns the sign: its own zero falls out of the difference, no master needed
    assert read(gauge, angle=pi / 2) == pytest.approx(-read(gauge), rel=1e-12)
    # an eighth of a turn anticlockwise lays the first pair on 12 and 6: it reads the saddle backwards
    assert read(gauge, angle=pi / 4) == pytest.approx(0.25 * 1 * UM, rel=1e-12)


def test_twist_gauge_on_a_rail():
    rail = Plate(Rectangle(0.3, 0.05), thickness=0.03, name="R")
    gauge = TwistGauge(base=0.2, width=0.04)
    # wind = corner pair over corner pair: b L W; at the feet 2 b (l/2)(w/2) * 2 = share l w / (L W)
    share = 0.2 * 0.04 / (0.3 * 0.05)
    assert read(gauge, rail, StartForm(bow=3e-6, crown=1e-6, wind=2e-6)) == pytest.approx(
        2e-6 * share, rel=1e-12
    )


@pytest.mark.parametrize("wavelength", [0.01, 0.023, 0.05, 0.08])
def test_repeat_reading_of_a_wave(wavelength):
    # derived: A (1 - cos(pi L / wavelength)) on a crest
    gauge = RepeatReading(base=0.08)
    contacts = gauge.contacts(Placement(), DISC.outline)
    got = contacts.of(lambda x, y: UM * np.cos(2 * pi * x / wavelength))
    assert got == pytest.approx(wave_reading(UM, wavelength, 0.08), rel=1e-9, abs=1e-18)


def test_repeat_reading_of_a_dome_is_the_same_everywhere():
    gauge = RepeatReading(base=0.05)
    dome = StartForm(sphere=2e-6)
    here = [
        read(gauge, form=dome, at=(x, y), angle=a)
        for x, y, a in ((0, 0, 0), (0.02, -0.03, 1.0), (-0.04, 0, 2))
    ]
    assert np.ptp(here) < 1e-18
    assert here[0] == pytest.approx(2 * UM * (0.025 / R) ** 2, rel=1e-12)


def test_straightedge_reads_from_the_line_of_its_supports():
    gauge = Straightedge(base=0.1)
    line = lambda s: z(-0.05, 0) + (s + 0.05) / 0.1 * (z(0.05, 0) - z(-0.05, 0))  # noqa: E731
    for s in (-0.05, -0.02, 0.0, 0.03):
        assert read(gauge, along=s) == pytest.approx(z(s, 0) - line(s), abs=1e-18)


@pytest.mark.parametrize("along", [-0.05, -0.02, 0.0, 0.03])
def test_straightedge_does_not_see_how_the_plate_lies(along):
    for at, angle in (((0.0, 0.0), 0.0), ((0.01, -0.02), 0.7)):
        contacts = GAUGES[5].contacts(Placement(at, angle, along), DISC.outline)
        assert contacts.of(lambda x, y: 3 * UM + 2e-4 * x - 1e-4 * y) == pytest.approx(
            0.0, abs=1e-18
        )


def test_bridge_reads_the_height():
    assert read(Bridge(), at=(0.03, 0.02)) - read(Bridge()) == pytest.approx(
        z(0.03, 0.02) - z(0, 0), rel=1e-12
    )


def test_level_reads_the_slope():
    gauge = Level(base=0.04)
    want = (z(0.05, 0.01) - z(0.01, 0.01)) / 0.04
    assert read(gauge, at=(0.03, 0.01)) == pytest.approx(want, rel=1e-12)
    assert read(gauge, at=(0.03, 0.01), angle=pi) == pytest.approx(-want, rel=1e-9)


def test_optical_flat_reads_middle_over_ends():
    gauge = OpticalFlat(diameter=0.06, wavelength=589.3e-9)
    assert read(gauge) == pytest.approx(z(0, 0) - z(0.03, 0), rel=1e-12)
    # larger than the plate: the whole plate, rim to rim
    whole = OpticalFlat(diameter=0.3, wavelength=589.3e-9)
    assert read(whole, angle=1.0) == pytest.approx(z(0, 0) - z(R * cos(1), R * np.sin(1)), rel=1e-9)
    ring = Plate(Ring(0.08, 0.05), thickness=0.01, name="S")
    assert read(whole, ring, StartForm(sphere=1e-6)) == pytest.approx(
        UM * (1 - (25 / 40) ** 2), rel=1e-9
    )
    # its own bulge looks like a dome of the plate; the share is the parabola's over what is seen
    bulged = OpticalFlat(diameter=0.32, own=0.1e-6)
    assert bulged.own_share(Placement(), DISC.outline) == pytest.approx(0.1e-6 * 0.25, rel=1e-9)


# --- off the centre, turned, tilted ------------------------------------------------------------


@pytest.mark.parametrize("gauge", GAUGES, ids=lambda g: g.kind)
def test_off_the_centre_on_a_map(gauge):
    """A map of the same face is read alike anywhere, though between its cells."""
    place = Placement((0.012, -0.007), 0.4)
    mapped = Mapped(
        DISC, DISC.heights() + np.where(DISC.land > 0, FORM.heights(DISC.grid, DISC.outline), 0.0)
    )
    got = shown(mapped, gauge.contacts(place, DISC.outline), gauge.foot).value
    want = gauge.contacts(place, DISC.outline).of(z)
    assert got == pytest.approx(want, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("gauge", GAUGES, ids=lambda g: g.kind)
def test_turning_the_gauge_is_turning_the_face_back(gauge):
    turn, at = 0.7, (0.02, 0.01)
    c, s = cos(turn), np.sin(turn)
    contacts = gauge.contacts(Placement(at, turn), Disc(1.0))
    back = gauge.contacts(
        Placement((c * at[0] + s * at[1], -s * at[0] + c * at[1]), 0.0), Disc(1.0)
    )
    assert contacts.of(z) == pytest.approx(
        back.of(lambda x, y: z(c * x - s * y, s * x + c * y)), abs=1e-17
    )


@pytest.mark.parametrize("gauge", [g for g in GAUGES if not g.angular], ids=lambda g: g.kind)
def test_height_and_tilt_do_not_show(gauge):
    assert np.abs(gauge.contacts(Placement((0.01, 0.02), 0.3), DISC.outline).rigid).max() < 1e-15


# --- grooves -----------------------------------------------------------------------------------


@pytest.mark.parametrize("gauge", [*GAUGES, Bridge()], ids=lambda g: g.kind)
def test_grooved_plate(gauge):
    """On land a grooved dome reads as the whole one; where a foot meets a groove that is said."""
    z = np.where(GROOVED.land > 0, FORM.heights(GROOVED.grid, GROOVED.outline), 0.0)
    face = Mapped(GROOVED, z)
    firm = fallen = 0
    for x in np.linspace(0, 0.02, 21):
        for angle in (0.0, 0.3):
            contacts = gauge.contacts(Placement((x, 0.003), angle), GROOVED.outline)
            got = shown(face, contacts, gauge.foot)
            if got.footing.firm:
                firm += 1
                assert got.value == pytest.approx(contacts.of(Shaped(GROOVED, FORM).at), abs=1e-12)
            fallen += got.footing.fallen > 0
            assert (got.value is None) == (got.footing.fallen > 0)
            assert bool(got.footing.words) == (not got.footing.firm)
    assert firm > 0 or gauge.kind in ("spherometer", "optical flat")
    # Pointed feet fall into 4 mm grooves somewhere on the way; the eye follows bands across them.
    carried = gauge.kind == "optical flat" or getattr(gauge, "feet", 3) == "ring"
    assert (fallen > 0) == (not carried)


def test_ball_in_a_groove_sinks_by_plane_geometry():
    gauge = Spherometer(foot_circle=0.08, ball=5e-3)
    # the middle of the face is land, grooves lie 10 mm out; the first foot, at 12, is at 40 mm, the middle
    # of a land; moved by 10 mm along y it stands over the middle of a groove, as the plunger does
    sunk = 5e-3 - sqrt(5e-3**2 - 2e-3**2)
    flat = Shaped(GROOVED, StartForm())
    contacts = gauge.contacts(Placement((0.0, 0.01)), GROOVED.outline)
    got = shown(flat, contacts, gauge.foot)
    feet = contacts.y[1:] - 0.01
    assert got.footing.sunk[0] == pytest.approx(sunk, rel=1e-12)
    assert feet[0] == pytest.approx(0.04)
    assert got.footing.sunk[1] == pytest.approx(sunk, rel=1e-12)
    # the two lower feet stand at y = 10 - 20 = -10 mm: in a groove again, all three alike: nothing is read
    assert got.value == pytest.approx(0.0, abs=1e-15)
    # turned by 10 degrees only some stand in a groove, and that shows
    turned = shown(
        flat, gauge.contacts(Placement((0.0, 0.01), pi / 18), GROOVED.outline), gauge.foot
    )
    assert turned.value is not None
    assert turned.value < -0.1e-3


def test_pads_bridge_a_groove_that_a_point_falls_into():
    flat = Shaped(GROOVED, StartForm(sphere=2e-6))
    place = Placement((0.01, 0.0))
    point, pads = RepeatReading(base=0.08), RepeatReading(base=0.08, pad=0.012)
    assert shown(flat, point.contacts(place, GROOVED.outline), point.foot).value is None
    got = shown(flat, pads.contacts(place, GROOVED.outline), pads.foot).value
    assert got == pytest.approx(2 * UM * 0.25, rel=0.02)
