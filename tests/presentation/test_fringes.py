"""Pictures of bands: the words under them say what the bands mean, and are honest about a grey face."""

import numpy as np
import pytest
from matplotlib.patches import Circle

from lapwright.metrology.contacts import Mapped
from lapwright.metrology.instruments import OpticalFlat
from lapwright.presentation.pictures.fringes import (
    Seen,
    flat_words,
    fringe_figure,
    fringe_picture,
    fringes_of,
)
from lapwright.presentation.run_view import run_view
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.units import METRIC, Units
from tests.presentation.conftest import record, run_of, step_text, study_text

SODIUM = OpticalFlat(diameter=1.0, wavelength=589.3e-9)


def seen(form, outline=None, grit=3e-6, flat=SODIUM, **more):
    plate = Plate(outline or Disc(0.16), thickness=0.03, form=form, **more, name="A")
    return Seen("A", Mapped(plate, plate.heights()), flat, grit)


def said(*faces, units=METRIC):
    return " ".join(text.get_text() for text in fringe_figure(faces, units).texts)


def test_a_dome_of_a_micrometre():
    # 1 um over half of 589.3 nm: 3.39 bands
    text = said(seen(StartForm(sphere=1e-6)))
    assert "3.4 bands, domed by 1.0" in text
    assert "bows by 3.4 spacings" in text
    assert "grey" not in text
    assert "3.4 bands, hollow by 39" in said(seen(StartForm(sphere=-1e-6)), units=Units.INCH)


def test_a_saddle_is_told_both_ways():
    text = said(seen(StartForm(saddle=0.6e-6)))
    assert "along 3-9 one band, hollow" in text
    assert "along 12-6 one band, domed" in text


def test_a_twist_is_told_along_the_directions_that_differ_most():
    # 1 um of dome and 0.8 um of twist, counted from the middle: 1 - 0.4 and 1 + 0.4 um over 294.65 nm
    text = said(seen(StartForm(sphere=1e-6, twist=0.8e-6)))
    assert "along 1:30-7:30 2.0 bands, domed by 0.60" in text
    assert "along 10:30-4:30 4.8 bands, domed by 1.4" in text
    assert "3-9" not in text
    # a pure dome is alike all round
    assert "in every direction: 3.4 bands" in said(seen(StartForm(sphere=1e-6)))
    # a wind of 1 um is one pair of corners over the other: half of it each way from the middle
    rail = said(seen(StartForm(wind=1e-6), Rectangle(0.3, 0.06)))
    assert "along 3-9 none" in rail
    assert "from corner to corner, 1:30-7:30, 1.7 bands, hollow by 0.50" in rail
    assert "10:30-4:30 1.7 bands, domed by 0.50" in rail


def test_a_grey_face_is_called_grey():
    assert "too grey" in said(seen(StartForm(sphere=1e-6), grit=15e-6))
    assert "too grey" not in said(seen(StartForm(sphere=1e-6), grit=None))


def test_a_ring_is_counted_from_its_inner_edge():
    # (R^2 - r^2)/R^2 of a micrometre, R 40 and r 20 mm: 0.75 um, over half of 589.3 nm: 2.5 bands
    text = said(seen(StartForm(sphere=1e-6), Ring(0.08, 0.04)))
    assert "From the bore to the rim" in text
    assert "2.5 bands, domed by 0.75" in text


@pytest.mark.campaign
def test_no_number_is_parted_from_its_unit():
    lines = [
        t.get_text()
        for t in fringe_figure([seen(StartForm(sphere=k * 0.1e-6)) for k in range(9)]).texts
    ]
    assert not [line for line in lines if line.startswith(("um", "uin", "\u00b5"))]


def test_a_flat_face_and_one_beyond_counting():
    assert "none, flat to a tenth of a band" in said(seen(StartForm()))
    assert "Too many" in said(seen(StartForm(sphere=30e-6)))


@pytest.mark.parametrize(
    "one",
    [
        seen(StartForm(sphere=0.5e-6), Ring(0.08, 0.05)),
        seen(StartForm(bow=1e-6, wind=0.5e-6), Rectangle(0.3, 0.06)),
        seen(StartForm(bow=1e-6), Rectangle(0.06, 0.3)),
        seen(StartForm(twist=1e-6), grooves=Grooves("square", 0.02, 0.003)),
    ],
    ids=["ring", "rail", "upright", "grooved"],
)
def test_every_outline_is_drawn(one):
    figure = fringe_figure([one, one])
    pictures = [image.get_array() for axes in figure.axes for image in axes.images]
    assert len(pictures) == 4
    # Light and dark both show where there is land, and nothing shows elsewhere.
    for picture in pictures:
        there = picture[..., 3] > 0
        assert 0.1 < np.mean(there) <= 1.0
        assert np.ptp(picture[there][:, 0]) > 0.5


def test_a_face_with_a_groove_under_the_middle_band_is_drawn():
    ring = seen(
        StartForm(sphere=1e-6), Ring(0.09, 0.05), grooves=Grooves("radial", 0.0, 0.002, count=6)
    )
    text = said(ring)
    assert (
        "bore to the rim, in every direction: 2.3 bands" in text
    )  # (1 - (50/90)^2) um over 294.65 nm
    assert "bows" not in text


@pytest.mark.campaign
def test_a_rail_takes_no_more_room_beside_a_plate_than_it_needs():
    plate, rail = seen(StartForm(sphere=1e-6)), seen(StartForm(bow=1e-6), Rectangle(0.3, 0.06))
    tall = {n: fringe_figure([rail] * n).get_figheight() for n in (1, 2)}
    mixed = (
        fringe_figure([plate, rail]).get_figheight()
        - fringe_figure([plate, rail, rail]).get_figheight()
    )
    assert mixed == pytest.approx(tall[1] - tall[2])


def test_a_small_flat_shows_its_own_circle():
    small = OpticalFlat(diameter=0.05, wavelength=405e-9)
    one = seen(StartForm(sphere=1e-6), flat=small)
    figure = fringe_figure([one], at=(0.02, 0.01))
    for axes in figure.axes:
        (circle,) = (patch for patch in axes.patches if isinstance(patch, Circle))
        assert (circle.center, circle.radius) == ((20.0, 10.0), 25.0)  # mm
    assert fringe_picture([one], at=(0.02, 0.01)).startswith(b"\x89PNG")


@pytest.mark.always("50.0-shown0")
@pytest.mark.parametrize(("wide", "shown"), [(50.0, ["lap"]), (100.0, ["ring", "lap"])])
def test_a_flat_that_falls_into_a_bore_shows_nothing_of_that_face(wide, shown):
    """A ring with a bore of 60 mm carries a flat of 100 mm and none of 50 mm; it says so."""
    ring, lap = (0.1, 0.1), (0.2, 0.2)
    what = {"start": (1, 0, 0), "end": (0.5, 0, 0), "lost": 1.0, "entries": 2, "frames": 2}
    gauge = f'gauges.quartz = {{ kind = "optical flat", diameter = "{wide:g} mm" }}'
    plates = {
        "ring": '{ ring = ["100 mm", "60 mm"], thickness = "20 mm" }',
        "lap": '{ disc = "200 mm", thickness = "30 mm" }',
    }
    text = study_text(plates, [step_text("ring", "lap", "3 um")], more=gauge)
    records = [record("ring", size=ring, bore=0.03, **what), record("lap", size=lap, **what)]
    run = run_of(records, text)
    for name, plate in run.study.plates.items():
        run.plates[name].__dict__["frames"] = np.array([plate.heights()] * 2)
    view = run_view(run)
    said = " ".join(each.get_text() for each in fringes_of(view).texts)
    assert [name for name in plates if f"{name}: the flat" in said] == shown
    told = "quartz falls into the bore of ring" in " ".join(flat_words(view))
    assert told == ("ring" not in shown)
