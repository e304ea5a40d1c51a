"""How faces mate when the top is turned over like a page (model, section 1)."""

from math import inf, sqrt

import numpy as np
import pytest

from lapwright.contact.placement import mating
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, Ripple, StartForm

NO_MARGIN = EdgeMargin(0.0)


def disc(cells=64, grooves=None, **form):
    return Plate(Disc(0.16), 0.03, grooves=grooves, form=StartForm(**form), cells=cells, name="A")


def pair(bottom, top, margin=NO_MARGIN):
    return mating(bottom, bottom.heights(), top, top.heights(), margin)


@pytest.mark.parametrize("cells", [64, 50, 97])
@pytest.mark.parametrize("margin", [NO_MARGIN, EdgeMargin()], ids=["0", "2 %"])
def test_what_mates(cells, margin):
    # plates with the same twist mate; a dome needs a dish; a saddle needs the opposite one
    first = disc(sphere=2e-6, saddle=1e-6, twist=0.7e-6)
    assert pair(first, disc(cells, sphere=-2e-6, saddle=-1e-6, twist=0.7e-6), margin) < 1e-15


def test_what_does_not_mate():
    # by hand, over a disc: rms of a dome of height d is d/sqrt12, of a saddle or twist of d is d/2/sqrt6; the
    # misfits of two like faces add.  Land fractions multiply, so cells at the rim count for less: 0.3 %
    one = 1e-6
    assert pair(disc(200, sphere=one), disc(200, sphere=one)) == pytest.approx(
        2 * one / sqrt(12), rel=5e-3
    )
    assert pair(disc(200, saddle=one), disc(200, saddle=one)) == pytest.approx(
        one / sqrt(6), rel=5e-3
    )
    assert pair(disc(200, twist=one), disc(200, twist=-one)) == pytest.approx(
        one / sqrt(6), rel=5e-3
    )


@pytest.mark.parametrize("cells", [64, 65, 90])
def test_a_top_of_other_cells_reads_nearly_the_same(cells):
    bottom = disc(64, ripple=Ripple(0.2e-6, 0.04, seed=1))
    same = pair(bottom, disc(64, ripple=Ripple(0.2e-6, 0.05, seed=2)))
    assert same > 0.03e-6
    assert pair(bottom, disc(cells, ripple=Ripple(0.2e-6, 0.05, seed=2))) == pytest.approx(
        same, rel=0.02
    )


def test_the_mirror_of_a_face_is_its_mate():
    # whatever the face: its cast, seen from its own side, is minus its mirror image
    bottom = disc(64)
    z = np.where(bottom.land > 0.0, np.random.default_rng(3).normal(size=bottom.grid.shape), 0.0)
    assert mating(bottom, z, bottom, -z[:, ::-1], NO_MARGIN) < 1e-14
    assert mating(bottom, z, bottom, -z, NO_MARGIN) > 0.5


def test_tilt_and_level_do_not_matter_and_places_may_be_changed():
    bottom, top = (
        disc(64, ripple=Ripple(1e-6, seed=1)),
        disc(64, ripple=Ripple(1e-6, seed=2), sphere=1e-6),
    )
    x, y = bottom.grid.mesh()
    plain = pair(bottom, top)
    tilted = (bottom.heights() + 3e-6 + 2e-5 * x - 4e-5 * y) * (bottom.land > 0.0)
    assert mating(bottom, tilted, top, top.heights(), NO_MARGIN) == pytest.approx(plain, rel=1e-9)
    assert pair(top, bottom) == pytest.approx(plain, rel=1e-9)


def test_only_land_in_common_inside_the_margin_counts():
    # a ring on a disc: what lies in the bore, in the margin or in a groove is not seen
    bottom = disc(128)
    ring = Plate(Ring(0.12, 0.06), 0.03, cells=90, name="B")
    x, y = bottom.grid.mesh()
    r = np.hypot(x, y)
    hidden = np.where((bottom.land > 0.0) & ((r < 0.03) | (r > 0.06)), 1e-6, 0.0)
    assert mating(bottom, hidden, ring, ring.heights(), EdgeMargin(None, 0.003)) < 1e-15
    seen = np.where((r > 0.04) & (r < 0.05), 1e-6, 0.0)
    assert mating(bottom, seen, ring, ring.heights(), EdgeMargin(None, 0.003)) > 0.3e-6
    grooved = disc(128, grooves=Grooves("rings", 0.03, 0.010))
    in_groove = np.where((r > 0.027) & (r < 0.033), 1e-6, 0.0)
    assert mating(bottom, in_groove, grooved, grooved.heights(), NO_MARGIN) < 1e-15


@pytest.mark.parametrize("cells", [64, 81])
def test_heights_off_the_land_never_leak_in(cells):
    bottom = disc(64, sphere=1e-6)
    top = disc(cells, grooves=Grooves("square", 0.02, 0.003, 0.3), ripple=Ripple(1e-6, seed=1))
    assert np.count_nonzero(top.land == 0.0) > 100
    nonsense = np.where(top.land > 0.0, top.heights(), 1e-3)
    clean = mating(bottom, bottom.heights(), top, top.heights(), NO_MARGIN)
    assert mating(bottom, bottom.heights(), top, nonsense, NO_MARGIN) == pytest.approx(
        clean, rel=1e-9
    )
    assert mating(top, nonsense, bottom, bottom.heights(), NO_MARGIN) == pytest.approx(
        clean, rel=0.05
    )


def test_no_land_in_common_never_mates():
    bar = Plate(Rectangle(0.02, 0.018), 0.03, cells=32, name="C")
    ring = Plate(Ring(0.12, 0.06), 0.03, cells=64, name="B")
    assert pair(ring, bar) == inf
