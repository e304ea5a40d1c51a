"""Bands under an optical flat: counted in the picture, followed in the picture, and turned into heights."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.conditions import LAMPS
from lapwright.metrology.contacts import Mapped, Shaped
from lapwright.metrology.fringes import (
    bands_along,
    brightness,
    dome_by_press,
    dome_by_wedge,
    fringes,
    gap_under,
    straightness,
    tilted,
    too_grey,
)
from lapwright.metrology.instruments import OpticalFlat
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, StartForm

DISC = Plate(Disc(0.16), thickness=0.03, name="A")
SODIUM = 589.3e-9
FLAT = OpticalFlat(diameter=0.16, wavelength=SODIUM)
BANDS = 1e-6 / (SODIUM / 2)  # 3.394: one band is half a wave


def dome(size=1e-6):
    return Shaped(DISC, StartForm(sphere=size))


def dark_lines(light: np.ndarray) -> int:
    """How many dark lines a line of brightness (n,) crosses."""
    seen = np.asarray(light)[np.isfinite(light)]
    padded = np.concatenate([[1.0], seen, [1.0]])
    low = (padded[1:-1] < padded[:-2]) & (padded[1:-1] <= padded[2:]) & (seen < 0.25)
    return int(low.sum())


def band_of(lamp: str) -> float:
    return OpticalFlat(diameter=0.16, wavelength=LAMPS[lamp]).band


def test_lamps():
    # half a wave: 587.6 nm 293.80 nm = 11.567 uin; 589.3: 294.65 = 11.600; 632.8: 316.40 = 12.457
    for lamp, nm, uin in (
        ("helium", 293.80, 11.567),
        ("sodium", 294.65, 11.600),
        ("helium-neon", 316.40, 12.457),
    ):
        assert band_of(lamp) == pytest.approx(nm * 1e-9, rel=1e-9)
        assert band_of(lamp) / 25.4e-9 == pytest.approx(uin, abs=5e-4)
    # a third of a fringe of a 405 nm source is about 70 nm (common practice, no source)
    assert band_of("violet diode") / 3.0 == pytest.approx(70e-9, rel=0.05)


def test_a_dome_of_a_micrometre_shows_3_39_bands():
    got = fringes(dome(), FLAT, pixels=1201)
    middle = got.light[600]
    assert got.bands == pytest.approx(3.39, abs=0.005)
    assert bands_along(middle[600:]) == pytest.approx(BANDS, abs=0.01)
    # half a pixel is missing at each rim
    assert bands_along(middle) == pytest.approx(6.79, abs=0.015)
    # It touches in the middle, which is dark; three more dark rings lie outside it: seven dark places across.
    assert dark_lines(middle[600:]) == 1 + int(BANDS)
    assert dark_lines(middle) == 1 + 2 * int(BANDS)


def test_a_dish_touches_at_the_rim():
    got = fringes(dome(-1e-6), FLAT, pixels=801)
    assert got.bands == pytest.approx(-BANDS, rel=1e-9)
    assert np.nanmax(got.gap) == pytest.approx(1e-6, rel=1e-3)
    assert np.unravel_index(np.nanargmax(got.gap), got.gap.shape) == (400, 400)


@pytest.mark.parametrize("wedge", [4e-5, 2e-4])
@pytest.mark.parametrize("direction", [0.0, 0.9])
def test_a_band_bows_by_3_39_spacings_under_a_wedge(wedge, direction):
    flat = OpticalFlat(diameter=0.16, wavelength=SODIUM, wedge=wedge, wedge_direction=direction)
    assert straightness(dome(), flat) == pytest.approx(BANDS, rel=1e-6)
    assert straightness(dome(-1e-6), flat) == pytest.approx(-BANDS, rel=1e-6)
    assert fringes(dome(), flat, pixels=200).straightness == pytest.approx(3.39, abs=0.005)


@pytest.mark.campaign
def test_the_band_in_the_picture_bows_as_said():
    """Follow one dark band through the picture itself, from the middle to near the rim."""
    wedge = 4e-4
    flat = OpticalFlat(diameter=0.16, wavelength=SODIUM, wedge=wedge, wedge_direction=0.5 * np.pi)
    got = fringes(dome(), flat, pixels=2001)
    column = 1000
    dark = (
        np.flatnonzero(
            (got.light[1:-1, column] < got.light[:-2, column])
            & (got.light[1:-1, column] < got.light[2:, column])
        )
        + 1
    )
    row = dark[np.argmin(np.abs(got.y[dark]))]
    first, reach = got.y[row], 0.95 * 0.08
    spacing = SODIUM / 2 / wedge
    at = row
    while got.x[column] < reach:
        column += 1
        near = got.light[at - 4 : at + 5, column]
        at += int(np.argmin(near)) - 4
    # The ends of a dome's band point to the thin side, here to 6 o'clock.
    assert (first - got.y[at]) / spacing == pytest.approx(BANDS * 0.95**2, rel=0.03)


def test_presses_and_wedges():
    """Which way rings walk under a finger, and where a band's ends point: found in the gap itself."""
    x = np.linspace(-0.08, 0.08, 1601)
    for size in (1e-6, -1e-6):
        # pressed at 9 o'clock: the wedge opens towards 3
        flat = OpticalFlat(diameter=0.16, wavelength=SODIUM, wedge=1e-6, wedge_direction=0.0)
        gap = gap_under(dome(size), flat, x, 0 * x, (0.0, 0.0))
        middle = x[np.argmin(gap) if size > 0 else np.argmax(gap)]
        assert dome_by_press("towards" if middle < 0 else "away") is (size > 0)
        steep = OpticalFlat(diameter=0.16, wavelength=SODIUM, wedge=2e-4, wedge_direction=0.0)
        bow = straightness(dome(size), steep)
        assert dome_by_wedge("thin" if bow > 0 else "open") is (size > 0)


def test_maps_grooves_and_small_flats():
    plate = Plate(Disc(0.16), thickness=0.03, grooves=Grooves("square", 0.02, 0.003), name="G")
    z = np.where(plate.land > 0, StartForm(sphere=1e-6).heights(plate.grid, plate.outline), 0.0)
    face = Mapped(plate, z)
    small = OpticalFlat(diameter=0.05, wavelength=SODIUM)
    got = fringes(face, small, at=(0.02, 0.01), pixels=300)
    assert got.bands == pytest.approx(BANDS * (0.025 / 0.08) ** 2, rel=1e-3)
    # nothing shows in a groove, nor outside the flat
    assert np.isnan(got.light[:, np.argmin(np.abs(got.x - 0.03))]).all()
    assert np.isnan(got.light[0, 0])
    assert np.nanmax(got.light) <= 1.0
    with pytest.raises(ValueError, match="no land"):
        fringes(face, OpticalFlat(diameter=0.002), at=(0.01, 0.01))


def test_the_flats_own_bulge_shows_as_a_dome():
    bulged = OpticalFlat(diameter=0.16, wavelength=SODIUM, own=0.1e-6)
    got = fringes(dome(0.0), bulged, pixels=401)
    assert got.bands == pytest.approx(0.1e-6 / (SODIUM / 2), rel=1e-9)
    assert np.nanmax(got.gap) == pytest.approx(0.1e-6, rel=0.02)


def test_the_flats_own_bulge_bows_a_band_as_a_dome_does():
    # half a wave a band (check 21): 0.2 um under 632.8 nm are 0.632 of 316.4 nm
    bulged = OpticalFlat(diameter=0.16, wavelength=632.8e-9, wedge=2e-4, own=0.2e-6)
    assert straightness(dome(0.0), bulged) == pytest.approx(0.2 / 0.3164, rel=1e-6)
    hollow = OpticalFlat(diameter=0.16, wavelength=632.8e-9, wedge=2e-4, own=-0.2e-6)
    assert straightness(dome(0.2e-6), hollow) == pytest.approx(0.0, abs=1e-9)


def test_newtons_rings():
    # dark rings where r^2 = m lambda R (textbook: the tenth, 5 mm across, 500 nm, R = 1.25 m)
    r = 2.5e-3
    assert brightness(np.array([r**2 / (2 * 1.25)]), 500e-9)[0] == pytest.approx(0.0, abs=1e-20)


def test_grey_faces():
    # above about 5 um loose grit leaves no mirror (common practice, no source)
    assert too_grey(15e-6)
    assert not too_grey(3e-6)
    assert not too_grey(None)
    with pytest.raises(ValueError, match="wedge"):
        straightness(dome(), FLAT)


def test_a_flat_that_is_tilted_shows_what_one_laid_on_so_shows():
    """A wedge only adds to the gap: the same by laying the flat on anew, on a grooved map off the middle."""
    plate = Plate(
        Disc(0.16), thickness=0.03, grooves=Grooves("square", 0.03, 0.006), cells=64, name="A"
    )
    x, y = plate.grid.mesh()
    face = Mapped(plate, np.where(plate.land > 0, 3e-6 * (x * x - 0.3 * x * y) / 0.0064, 0.0))
    flat = OpticalFlat(diameter=0.1, wavelength=587.6e-9, wedge_direction=0.7)
    at = (0.02, -0.01)
    anew = fringes(face, replace(flat, wedge=3e-5), at, 90)
    got = tilted(fringes(face, flat, at, 90), face, flat, 3e-5)
    assert got.gap == pytest.approx(anew.gap, abs=1e-15, nan_ok=True)
    assert got.light == pytest.approx(anew.light, abs=1e-8, nan_ok=True)
    assert np.array_equal(np.isnan(got.gap), np.isnan(anew.gap))
    assert got.bands == pytest.approx(anew.bands, rel=1e-12)
    assert got.straightness == pytest.approx(anew.straightness, rel=1e-12)
