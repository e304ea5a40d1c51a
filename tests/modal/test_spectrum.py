"""What stays, what is slow, what halves in how long."""

import numpy as np
import pytest
from modes_scene import EIGHT, FREE, KAPPA, LINE, STIFFNESS, STILL, flow, index, stroke

from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import basis_of
from lapwright.modal.propagator import SLOW, propagator_of
from lapwright.modal.spectrum import spectrum_of
from lapwright.specification.curves import Circle, Zigzag
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.step import Turn
from lapwright.verification.closed_forms import mismatch_time
from lapwright.verification.scenes import NO_MARGIN, RADIUS, START, body, disc

FREE_STROKES = {
    "eight, 8 degrees": stroke(EIGHT, FREE),
    "circle, 8 degrees": stroke(turn=FREE),
    "line, 13 degrees": stroke(LINE, Turn(np.radians(13))),
    "short circle, 5 degrees": stroke(Circle(0.1 * RADIUS), Turn(np.radians(5))),
}


def test_what_stays_comes_first_and_by_name():
    found = spectrum_of(flow(stroke(), 8))
    assert found.survivors == 3
    for mode, name, sense in zip(
        found.modes, ("sphere", "saddle", "twist"), (-1, -1, 1), strict=False
    ):
        assert mode.stays
        assert (mode.half_life, mode.half_removed, mode.slow) == (None, None, False)
        below, above = found.forms(mode.shape)
        others = {k: v for k, v in below.items() if k != name}
        assert below[name] > 3.0  # a form of rms 1 is several times as large from end to end
        assert above[name] == pytest.approx(sense * below[name], rel=1e-9)
        assert np.abs(list(others.values())).max() < 1e-9
    assert not any(mode.stays for mode in found.modes[3:])


def test_a_straight_stroke_keeps_its_ridges():
    """f(y) to degree 8: every profile across the stroke, besides x^2 and xy."""
    found = spectrum_of(flow(stroke(LINE), 8))
    assert found.survivors == 9
    x, y = np.random.default_rng(0).uniform(-0.05, 0.05, (2, 60))
    basis = basis_of(disc("B", 64), 8)
    shapes = basis.evaluate(x, y).T
    kept = shapes @ np.stack([mode.shape[:45] for mode in found.modes[3:9]], axis=1)
    profiles = np.stack(
        [(y / RADIUS) ** k for k in range(9)] + [x / RADIUS, (x / RADIUS) ** 2, x * y / RADIUS**2],
        1,
    )
    left = kept - profiles @ np.linalg.lstsq(profiles, kept, rcond=None)[0]
    assert np.abs(left).max() < 1e-9 * np.abs(kept).max()


def test_half_lives_are_those_of_the_shapes():
    f = flow(stroke(EIGHT, FREE), 8, (KAPPA, 2.0 * KAPPA))
    found, solved = spectrum_of(f), propagator_of(f)
    fall = solved.changed(drive=np.zeros(90))
    for mode in found.modes[1:40:5]:
        if mode.period is not None:
            continue
        then = fall.after(mode.shape, mode.half_life)
        shape = mode.shape
        then[:3], then[45:48] = 0.0, 0.0
        np.testing.assert_allclose(then, 0.5 * shape, atol=1e-8)
        mean = 0.5 * sum(found.removal)
        assert mode.half_removed == pytest.approx(mode.half_life * mean)
    rates = [mode.rate for mode in found.modes if mode.period is None]
    assert rates == sorted(rates)


def test_mismatch_of_a_short_stroke_halves_in_tau_times_log_two():
    """Derived; of the class of L. A. Galin, PMM 40 (1976) 981, from memory: even translation on a layer."""
    short = stroke(Circle(0.002 * RADIUS))
    found = spectrum_of(flow(short, 4))
    tau = mismatch_time(2 * KAPPA, STIFFNESS, 2 * np.pi * 0.002 * RADIUS)
    fastest = found.modes[-1]
    assert fastest.half_life == pytest.approx(np.log(2) * tau, rel=0.003)


def test_removal_is_force_times_path():
    found = spectrum_of(flow(stroke(), 8))
    expected = KAPPA * 3000.0 * 2 * np.pi * 0.33 * RADIUS
    assert found.removal == pytest.approx((expected, expected), rel=1e-4)


def test_two_positions_two_degrees_apart_are_slow_and_do_not_stay():
    found = spectrum_of(flow(stroke(turn=index(2, 600), time=None, strokes=1200), 8))
    assert found.survivors == 1
    assert len(found.slow) == 2  # saddle and twist
    for mode in found.slow:
        assert not mode.stays
        assert mode.half_life > 1000 * found.modes[-1].half_life
    once = spectrum_of(flow(stroke(turn=index(2, 600), time=None, strokes=600), 8))
    assert once.survivors == 3  # the second position is never come to


@pytest.mark.parametrize("case", FREE_STROKES)
def test_strokes_in_use_have_nothing_near_the_limit_of_slow(case):
    rates = np.array([mode.rate for mode in spectrum_of(flow(FREE_STROKES[case], 8)).modes])
    moving = rates[rates > 0.0]
    assert moving.min() > 10.0 * SLOW * moving.max()


GROOVED = Grooves("square", 0.010, 0.00225)
FACES = {
    "40 % grooves": (body("B", Disc(0.16), START, 128, grooves=GROOVED), disc("A", 128), 1),
    "40 % grooves on both": (
        body("B", Disc(0.16), START, 128, grooves=GROOVED),
        body("A", Disc(0.16), START, 128, grooves=GROOVED),
        1,
    ),
    "ring on disc": (disc("B", 128), body("A", Ring(0.12, 0.06), 30.0, 128), 1),
    "ring on ring": (
        body("B", Ring(0.16, 0.05), 30.0, 128),
        body("A", Ring(0.14, 0.06), 30.0, 128),
        1,
    ),
    "disc on ring": (body("B", Ring(0.16, 0.05), 30.0, 128), disc("A", 128), 1),
    "1:6 on disc": (body("B", Disc(0.4), 99.0, 128), body("A", Rectangle(0.3, 0.05), 30.0, 256), 1),
    "1:6 on 1:6": (
        body("B", Rectangle(0.3, 0.05), 30.0, 256),
        body("A", Rectangle(0.3, 0.05), 30.0, 256),
        None,
    ),
}


TELLING = ("40 % grooves", "ring on disc", "1:6 on disc")


@pytest.mark.often("40 % grooves-turning", "ring on ring-indexed")
@pytest.mark.always(6, 7, 8, 15, 16, 17)
@pytest.mark.parametrize("turn", [Turn(), FREE, index(90)], ids=["no turn", "turning", "indexed"])
@pytest.mark.parametrize(
    "face", [pytest.param(f, marks=[] if f in TELLING else pytest.mark.campaign) for f in FACES]
)
def test_nothing_grows(face, turn):
    """Required: no growth rate above 1e-9 of the fastest, for grooves, rings and a long rectangle."""
    bottom, top, survivors = FACES[face]
    if face == "1:6 on 1:6" and turn.angle:
        turn = Turn(turn.angle / 30.0, turn.every)  # rails across each other hardly meet
    f = flow(stroke(Circle(0.012), turn), 8, bottom=bottom, top=top)
    rates = np.linalg.eigvals(f.matrix)
    assert rates.real.max() < 1e-9 * np.abs(rates).max()
    if turn == FREE and survivors is not None:
        assert spectrum_of(f).survivors == survivors


@pytest.mark.always(0, 4, 8)
@pytest.mark.parametrize(
    "case",
    [
        stroke(EIGHT, FREE, centre=(0.01, 0.0), carry_centre=True, walk=Turn(np.radians(-3))),
        stroke(STILL, FREE),
        stroke(Zigzag(0.05, 0.03), FREE),
        stroke(EIGHT, Turn(np.radians(137.5))),
        stroke(turn=Turn(2 * np.pi)),
    ],
)
@pytest.mark.parametrize("kappas", [(1e-12, 1e-12), (1e-13, 1e-12)])
def test_no_stroke_makes_anything_grow(case, kappas):
    rates = np.linalg.eigvals(flow(case, 8, kappas).matrix)
    assert rates.real.max() < 1e-9 * np.abs(rates).max()


def test_drift_is_the_same_inside_a_margin_only_in_kind():
    found = spectrum_of(flow(stroke(), 8))
    exact, usual = (
        found.forms(found.drift, margin)[0]["sphere"] for margin in (NO_MARGIN, EdgeMargin())
    )
    assert exact == pytest.approx(
        usual, rel=1e-6, abs=0.0
    )  # a mating sphere has the same size inside any margin
    rest, less = (
        found.forms(found.residue, margin)[0]["sphere"] for margin in (NO_MARGIN, EdgeMargin())
    )
    assert 0.01 < abs(rest / less - 1.0) < 0.2  # what the layer leaves has not
