"""What gauges cannot see: by null space, by Noll's polynomials, and in the shop's words."""

import numpy as np
import pytest
from zernike import RZern

from lapwright.metrology.budget import PRACTICES, places, sight
from lapwright.metrology.contacts import Placement
from lapwright.metrology.instruments import RepeatReading, Spherometer, TwistGauge, Zero
from lapwright.metrology.reading import usual_gauges
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate, StartForm

DISC = Plate(Disc(0.16), thickness=0.03, name="A")
ALL = {"sphere": "yes", "saddle": "yes", "twist": "yes"}


def seen(gauge, practice, plate=DISC):
    return dict(sight(gauge, plate, places(gauge, plate.outline, practice)).sees)


def noll(j):
    """Noll's polynomial on the disc of 160 mm (R. J. Noll, JOSA 66 (1976) 207), by an independent package."""
    zernike = RZern(6)
    one = np.zeros(zernike.nk)
    one[j - 1] = 1.0
    return lambda x, y: zernike.eval_a(
        one, np.hypot(x, y).ravel() / 0.08, np.arctan2(y, x).ravel()
    ).reshape(x.shape)


def test_the_package_is_nolls():
    # Noll 1976 at rho 0.7, theta 0.5; two packages agree
    x, y = np.array([0.7 * np.cos(0.5) * 0.08]), np.array([0.7 * np.sin(0.5) * 0.08])
    for j, want in ((4, -0.0346410162), (5, 1.0099755276), (6, 0.6484978286), (11, -1.1166923480)):
        assert noll(j)(x, y)[0] == pytest.approx(want, abs=1e-10)


def test_gauges_on_nolls_polynomials():
    """Z4 is sqrt3 (2 rho^2 - 1), Z5 sqrt6 rho^2 sin 2t, Z6 sqrt6 rho^2 cos 2t; feet at rho = 1/2."""
    ball, twist = Spherometer(foot_circle=0.08), TwistGauge(foot_circle=0.08)
    read = lambda g, j, angle=0.0: g.contacts(Placement(angle=angle), DISC.outline).of(noll(j))  # noqa: E731
    assert read(ball, 4) == pytest.approx(-2 * 3**0.5 * 0.25, rel=1e-9)
    assert read(ball, 5) == pytest.approx(0.0, abs=1e-12)
    assert read(ball, 6, 0.3) == pytest.approx(0.0, abs=1e-12)
    assert read(twist, 5) == pytest.approx(2 * 6**0.5 * 0.25, rel=1e-9)
    assert read(twist, 6) == pytest.approx(0.0, abs=1e-12)
    assert read(twist, 6, -np.pi / 4) == pytest.approx(2 * 6**0.5 * 0.25, rel=1e-9)
    # a ring of spherical aberration reads too, and is taken for a dome: Z11 = sqrt5 (6 rho^4 - 6 rho^2 + 1)
    assert read(ball, 11) == pytest.approx(-(5**0.5) * (6 / 16 - 6 / 4), rel=1e-9)


def test_spherometer_never_sees_saddle_or_twist():
    for practice in PRACTICES:
        assert seen(Spherometer(foot_circle=0.08), practice) == {
            "sphere": "yes",
            "saddle": "no",
            "twist": "no",
        }


def test_repeat_reading_never_sees_a_dome():
    gauge = RepeatReading(base=0.08)
    assert seen(gauge, "walked along") == {"sphere": "no", "saddle": "no", "twist": "no"}
    assert seen(gauge, "walked and turned") == ALL | {"sphere": "no"}


def test_twist_gauge_needs_turning_or_a_flat():
    assert seen(TwistGauge(foot_circle=0.08), "once") == {
        "sphere": "no",
        "saddle": "no",
        "twist": "yes",
    }
    loose = TwistGauge(foot_circle=0.08, zero=Zero("unknown"))
    assert seen(loose, "once")["twist"] == "no"
    assert seen(loose, "turned on the spot") == {"sphere": "no", "saddle": "yes", "twist": "yes"}


def test_lines_mix_a_dome_with_a_saddle():
    for gauge in usual_gauges(DISC.outline):
        if gauge.kind in ("straightedge", "bridge", "level", "autocollimator", "optical flat"):
            got = sight(gauge, DISC, places(gauge, DISC.outline, "walked along"))
            assert dict(got.sees) == {"sphere": "mixed", "saddle": "mixed", "twist": "no"}
            assert got.order == 1
            assert seen(gauge, "walked and turned") == ALL


@pytest.mark.parametrize("outline", [Disc(0.16), Rectangle(0.3, 0.1), Rectangle(0.1, 0.3)])
def test_hidden_forms_leave_every_reading_as_it_was(outline):
    """Slow twin: a face made of a hidden form is read like a flat one, up to one common zero."""
    plate = Plate(outline, thickness=0.03, name="A")
    for gauge in usual_gauges(outline):
        if gauge.kind in ("bridge", "level", "autocollimator"):
            continue  # these also see how the plate lies, which is unknown; the estimates test them
        for practice in PRACTICES:
            spots = places(gauge, outline, practice)
            got = sight(gauge, plate, spots)
            for hidden in got.hidden:
                form = StartForm(**dict(zip(got.sees, map(float, hidden), strict=True)))
                read = [
                    gauge.contacts(p, outline).of(lambda x, y: form.at(x, y, outline))  # noqa: B023
                    for p in spots
                ]
                assert np.ptp(read) < 1e-9
                assert gauge.zero.on == "unknown" or np.abs(read).max() < 1e-9
