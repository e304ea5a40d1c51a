"""Two plates that mate, three plates in turn, and the old sayings (checks 10, 11, 13)."""

import known_answers
import numpy as np
import pytest

from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Swap, Turn
from lapwright.verification import closed_forms as exact
from lapwright.verification.closed_forms import mismatch_time
from lapwright.verification.motion_rows import half_forms
from lapwright.verification.scenes import RADIUS, body, disc, form_of, last, start_step

FLAT = StartForm()
SQUEEZE = 1e-6  # of the starting case's layer under its mean pressure


@pytest.mark.parametrize("hollow_on_top", [True, False])
def test_hollow_on_flat_goes_half_and_half(hollow_on_top):
    """Derived; in words J. Whitworth, Plane Metallic Surfaces, 1840, published.

    (sphere_b - sphere_t)/2 is c/2, signed by which is on top, plus the moment law, to 0.2 %.
    """
    hollow = 4e-6
    dish = StartForm(sphere=-hollow)
    below, above = (FLAT, dish) if hollow_on_top else (dish, FLAT)
    top, bottom = disc("A", 128, above), disc("B", 128, below)
    end = last((top, bottom), start_step(4.0, circle=0.2))
    b, t = form_of(bottom, end).sphere, form_of(top, end).sphere
    moved = 6 * 0.2**2 * end.removed["A"]
    sign = 1 if hollow_on_top else -1
    assert 0.5 * (b - t) == pytest.approx(sign * 0.5 * hollow + moved, rel=0.002)
    # The common part is the residue: it hollows both by something like the squeeze, and no more.
    assert -1.2 * SQUEEZE < 0.5 * (b + t) < 0.0


SIZE = 1e-6  # of the starting form: no more than the squeeze, so that nothing lifts


def three(form_a, rounds, turn=None, cells=40):
    """Three plates in turn; the passes are very short circles, eight taus long, so that each pass mates."""
    plates = [
        disc(name, cells, form) for name, form in zip("ABC", (form_a, FLAT, FLAT), strict=True)
    ]
    circle = Circle(0.015 * RADIUS)
    speed = 0.2
    passes = [
        start_step(
            bottom="ABC"[b],
            top="ABC"[t],
            curve=circle,
            pace=speed / (2 * np.pi * circle.radius),
            time=8.0 * mismatch_time(2e-12, 3e9, speed),
            turn=turn if turn and (b, t) == exact.CYCLE[1] else Turn(),
        )
        for b, t in exact.CYCLE
    ]
    end = last(plates, *passes, rounds=rounds)
    assert end.lift_share == 0.0
    return [form_of(plate, end) for plate in plates]


@pytest.mark.campaign
@pytest.mark.parametrize("rounds", [1, 2])
def test_three_plates_spheres_die_as_the_cycle_says(rounds):
    """Derived: the sphere part of a cycle has spectral radius 2^(-3/2)."""
    # The map of a cycle is affine while nothing lifts; what flat plates come to is its constant part.
    got, constant = (
        np.array([form.sphere for form in three(form, rounds)])
        for form in (StartForm(sphere=SIZE), FLAT)
    )
    m = known_answers.cycle([known_answers.mate_opposite(*p) for p in exact.CYCLE])
    expected = np.linalg.matrix_power(m, rounds) @ [SIZE, 0.0, 0.0]
    np.testing.assert_allclose(got - constant, expected, atol=0.01 * SIZE)


@pytest.mark.campaign
def test_three_plates_keep_their_mean_twist():
    """Derived: eigenvalue 1; many texts miss it."""
    for rounds in (1, 3):
        twists = [form.twist for form in three(StartForm(twist=SIZE), rounds)]
        assert np.mean(twists) == pytest.approx(SIZE / 3, rel=0.01)
    np.testing.assert_allclose(twists, SIZE / 3, rtol=0.02)


@pytest.mark.campaign
def test_a_quarter_turn_takes_twist_out():
    """Derived: unless a plate is turned by 90 degrees."""
    twists = [f.twist for f in three(StartForm(twist=SIZE), 3, turn=Turn(np.pi / 2, 400))]
    assert np.abs(twists).max() < 0.1 * SIZE


@pytest.mark.campaign
def test_top_goes_hollow_and_bottom_domed_under_overhang():
    """In kind: J. M. Pierce, Optical flats, 1930s, published: pieces are therefore reversed often."""
    wide = half_forms(start_step(3.0), FLAT, FLAT, 64)
    assert wide.growth.sphere > 1e-6
    top, bottom = disc("A", 64), disc("B", 64)
    first = last((top, bottom), start_step(0.05))
    assert form_of(top, first).sphere < form_of(bottom, first).sphere < 0  # at first BOTH hollow
    later = last((top, bottom), start_step(3.0))
    assert form_of(top, later).sphere < 0 < form_of(bottom, later).sphere
    # Swapping turns that back.
    back = last((top, bottom), start_step(6.0, swap=Swap({"A": 10800.0, "B": 10800.0})))
    assert abs(form_of(bottom, back).sphere - form_of(top, back).sphere) < 0.02e-6
    # With a short stroke it vanishes, at equal removal.
    short = half_forms(start_step(3.0 * 0.33 / 0.05, circle=0.05), FLAT, FLAT, 64)
    assert short.removed == pytest.approx(wide.removed, rel=1e-3)
    assert short.growth.sphere < 0.03 * wide.growth.sphere


def test_central_strokes_cut_the_centre_and_wide_ones_the_edge():
    """In kind: R. Threlfall, On Laboratory Arts, 1898, published: a smaller tool over turning work."""

    def work_after(centre, length):
        tool, work = body("A", Disc(0.08), 15.0, 48), body("B", Disc(0.16), 60.0, 64)
        step = start_step(
            curve=Circle(length),
            centre=(centre, 0.0),
            carry_centre=True,
            walk=Turn(0.618 * np.pi),
            time=300.0,
        )
        return form_of(work, last((tool, work), step)).sphere

    assert work_after(0.0, 0.01) < 0.0  # the centre cut: hollow
    assert work_after(0.06, 0.01) > 0.0  # over the edge: domed


@pytest.mark.campaign
def test_short_strokes_leave_less_residue():
    """Model, section 7: a shorter stroke or a finer grit leaves less; both faces share it."""
    residue = []
    for circle, depth in ((0.33, 1e-6), (0.1, 1e-6), (0.33, 0.3e-6)):
        top, bottom = disc("A", 64), disc("B", 64)
        swap = Swap({"A": 300.0, "B": 300.0})
        end = last(
            (top, bottom), start_step(2.0 * 0.33 / circle, circle=circle, depth=depth, swap=swap)
        )
        b, t = form_of(bottom, end).sphere, form_of(top, end).sphere
        assert b < 0
        assert t < 0
        residue.append(-0.5 * (b + t))
    assert 0.5 * SQUEEZE < residue[0] < 1.0 * SQUEEZE
    assert residue[1] < 0.5 * residue[0]
    assert residue[2] < 0.5 * residue[0]
