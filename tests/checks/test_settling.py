"""How the top comes to rest (checks 14-16)."""

import numpy as np
import pytest

from lapwright.contact.average import Pair
from lapwright.contact.pressure import settle
from lapwright.errors import NoOverlapError, TippedError
from lapwright.specification.curves import Line, Still
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Load, Step
from lapwright.verification import closed_forms as exact
from lapwright.verification import contact_rows as settling
from lapwright.verification.scenes import (
    RADIUS,
    at_stroke,
    body,
    disc,
    last,
    plain_grit,
    start_step,
)


def passes(rows):
    failed = [row for row in rows if not row.ok]
    assert not failed, "\n".join(map(str, failed))


def test_discs():
    passes(settling.discs())


def test_rectangles():
    passes(settling.rectangles())


def test_overhangs():
    passes(settling.overhangs())


@pytest.mark.parametrize("angle", [0.0, 0.2, 0.6, np.pi / 4, 2.0, 4.4])
@pytest.mark.parametrize("eccentricity", [0.1, 0.4, 0.6])
def test_disc_peak_in_any_direction(eccentricity, angle):
    """Derived and confirmed independently; the cells must not show."""
    at = eccentricity * RADIUS * np.array([np.cos(angle), np.sin(angle)])
    contact = settling.rest(Disc(2 * RADIUS), tuple(at))
    peak, share = exact.disc_peak(eccentricity)
    assert contact.peak / contact.load * np.pi * RADIUS**2 == pytest.approx(peak, rel=2e-3)
    assert contact.contact_share == pytest.approx(share, abs=6e-3)


def test_equal_discs_err_by_less_than_a_cell_of_rim():
    """Where both rims coincide land fractions multiply: the error falls with the cell."""
    at = (0.04, 0.0)
    errors = []
    for cells in (64, 128):
        contact = settling.rest(Disc(2 * RADIUS), at, below=Disc(2 * RADIUS), cells=cells)
        errors.append(contact.peak / contact.load * np.pi * RADIUS**2 / exact.disc_peak(0.5)[0] - 1)
    assert abs(errors[1]) < 0.012
    assert abs(errors[1]) < 0.6 * abs(errors[0])


CASES = {
    "flat, loaded": (StartForm(), (0.01, 0.005), (0.0, 0.0)),
    "flat, lifting": (StartForm(), (0.05, -0.02), (0.0, 0.0)),
    "dome on dome": (StartForm(sphere=20e-6), (0.01, 0.01), (0.01, 0.0)),
    "dish on dish": (StartForm(sphere=-20e-6), (0.01, 0.01), (0.01, 0.0)),
    "saddles": (StartForm(saddle=20e-6), (0.0, 0.0), (0.02, 0.02)),
    "twist against twist": (StartForm(twist=20e-6), (0.02, 0.0), (0.0, 0.03)),
}


@pytest.mark.parametrize("case", CASES)
def test_force_and_moments_balance(case):
    """Model, section 2: pressure sums to the load and its resultant stands where the load stands."""
    form, at, centre = CASES[case]
    top, bottom = body("A", Disc(0.16), 1e-9, 64, form=form), disc("B", 64, form)
    step = Step("A", "B", plain_grit(), Still(), centre=centre, load=Load(60.0, at), time=1.0)
    pair = Pair(bottom, top, step.grit.layer.stiffness, 60.0 + 1e-9)
    contact = settle(pair, bottom.heights(), top.heights(), at_stroke(step, pair, 0.0))
    x, y = bottom.grid.mesh()
    force = contact.pressure * contact.share * contact.cell**2
    assert contact.pressure.min() == 0.0
    assert force.sum() == pytest.approx(60.0, rel=1e-9)
    assert (force * x).sum() / 60.0 == pytest.approx(centre[0] + at[0], abs=1e-9)
    assert (force * y).sum() / 60.0 == pytest.approx(centre[1] + at[1], abs=1e-9)


def test_pressure_is_a_clipped_interference():
    """p = K max(0, z_b + z_t - (h + a xi + b eta)), cell for cell, the top's map mirrored."""
    top = body("A", Disc(0.16), 60.0, 48, form=StartForm(twist=4e-6, sphere=3e-6))
    bottom = disc("B", 48, StartForm(twist=-4e-6))
    step = Step("A", "B", plain_grit(), Still(), time=1.0)
    pair = Pair(bottom, top, step.grit.layer.stiffness, 60.0)
    contact = settle(pair, bottom.heights(), top.heights(), at_stroke(step, pair, 0.0))
    x, y = bottom.grid.mesh()
    gap = (
        bottom.heights()
        + top.heights()[:, ::-1]
        - contact.height
        - contact.tilt[0] * x
        - contact.tilt[1] * y
    )
    on = contact.share > 0
    np.testing.assert_allclose(
        contact.pressure[on], 3e9 * np.maximum(0, gap[on]), atol=1e-6 * contact.pressure.max()
    )
    assert contact.contact_share < 0.9


def test_mates_bear_evenly_and_others_do_not():
    """Model, section 1: equal twists mate, a dome needs a dish."""

    def spread(form_b, form_t):
        top, bottom = disc("A", 64, form_t), disc("B", 64, form_b)
        step = start_step()
        pair = Pair(bottom, top, step.grit.layer.stiffness, top.weight)
        c = settle(pair, bottom.heights(), top.heights(), at_stroke(step, pair, 0.13))
        on = c.share == 1.0
        x, y = bottom.grid.mesh()
        basis = np.stack([np.ones(on.sum()), x[on], y[on]], 1)
        left = c.pressure[on] - basis @ np.linalg.lstsq(basis, c.pressure[on], rcond=None)[0]
        return left.std() / c.mean

    size = 0.5e-6
    for form in ({"twist": size}, {"saddle": size}, {"sphere": size}):
        ((name, value),) = form.items()
        same, opposite = StartForm(**form), StartForm(**{name: -value})
        mates, clashes = (same, opposite) if name == "twist" else (opposite, same)
        assert spread(same, mates) < 1e-6
        assert spread(same, clashes) > 0.05


def test_lift_begins_at_the_overhang_of_flat_faces():
    # derived and confirmed independently: 0.3929 R
    # A cell bears by its centre, so the edge is known to half a cell: 0.01 R here.
    for circle, lifts in ((0.38, False), (0.405, True)):
        end = last((disc("A", 96), disc("B", 96)), start_step(strokes=1, time=None, circle=circle))
        assert (end.lift_share > 0) == lifts


@pytest.mark.parametrize("outline", [Disc(0.16), Rectangle(0.16, 0.16), Rectangle(0.16, 0.08)])
def test_tips_at_half(outline):
    """Model, section 4: both tip at 50 %."""

    def moved(share):
        plates = [body(n, outline, 60.0, 64) for n in ("A", "B")]
        return last(plates, Step("A", "B", plain_grit(), Line(2 * share * 0.16), strokes=1))

    assert moved(0.45).lift_share > 0.0
    with pytest.raises(TippedError, match="tips off"):
        moved(0.53)


def test_ring_tips_only_outside_its_hull():
    """A load over the bore is carried: the hull of the overlap counts, not the overlap."""
    ring = Ring(0.16, 0.12)
    contact = settling.rest(ring, (0.055, 0.0), cells=96)  # beyond the kern, within the bore
    assert contact.contact_share < 1.0
    with pytest.raises(TippedError):
        settling.rest(ring, (0.081, 0.0), cells=96)


def test_no_overlap_is_named():
    with pytest.raises(NoOverlapError, match="does not lie on"):
        settling.rest(Disc(0.08), centre=(0.2, 0.0), below=Disc(0.08), cells=48)
