"""From readings back to form: exact ones give the form, scattered ones an interval that holds it."""

import datetime
from math import pi

import numpy as np
import pytest

from lapwright.metrology.contacts import Shaped
from lapwright.metrology.form import form_names
from lapwright.metrology.instruments import (
    Autocollimator,
    Bridge,
    Level,
    OpticalFlat,
    RepeatReading,
    Spherometer,
    Straightedge,
    TwistGauge,
    Zero,
)
from lapwright.metrology.least_squares import Solver, estimate
from lapwright.metrology.reading import Reading, model_of
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate, StartForm

PLATES = {name: Plate(Disc(0.16), thickness=0.03, name=name) for name in "AB"}
FORMS = {
    "A": StartForm(sphere=2e-6, saddle=-0.5e-6, twist=1e-6),
    "B": StartForm(sphere=-1e-6, saddle=0.3e-6, twist=0.8e-6),
}
QUARTERS = [0.0, pi / 4, pi / 2, 3 * pi / 4]


def shown_by(
    gauge,
    name,
    plates=PLATES,
    forms=FORMS,
    spots=((0.0, 0.0),),
    angles=QUARTERS,
    off=0.0,
    tilt=(0, 0),
):
    """What a gauge shows without scatter: its linear reading, the plate lying askew, its zero off."""
    out = []
    for at in spots:
        for angle in angles:
            reading = Reading("g", name, at=at, angle=angle)
            contacts = gauge.contacts(reading.place, plates[name].outline)
            face = Shaped(plates[name], forms[name])
            value = contacts.of(lambda x, y, face=face: face.at(x, y) + tilt[0] * x + tilt[1] * y)
            out.append(Reading("g", name, value + off, angle, at))
    return out


SPOTS = [(0.0, 0.0), (0.03, 0.0), (-0.03, 0.01), (0.0, 0.03), (0.01, -0.03), (0.02, 0.02)]


@pytest.mark.parametrize(
    ("gauge", "spots"),
    [
        (Straightedge(base=0.1), ((0.0, 0.0),)),
        (OpticalFlat(diameter=0.1), ((0.0, 0.0),)),
        (Bridge(), SPOTS),
        (Level(base=0.03), SPOTS),
    ],
    ids=lambda v: getattr(v, "kind", ""),
)
def test_exact_readings_give_the_form(gauge, spots):
    tilt = (3e-4, -2e-4) if gauge.kind in ("bridge", "level") else (0, 0)
    found = estimate(shown_by(gauge, "A", spots=spots, tilt=tilt), {"g": gauge}, PLATES)
    assert found.order("A") == 3
    for form in ("sphere", "saddle", "twist"):
        assert found.form("A", form).value == pytest.approx(getattr(FORMS["A"], form), abs=1e-14)
    # Readings may leave nothing over to check them by; where they do, they agree.
    assert found.agreement is None or found.agreement < 1e-3


def test_a_line_by_autocollimator_sees_the_curve_along_it():
    gauge = Autocollimator(base=0.03)
    spots = [(x, 0.0) for x in (-0.045, -0.015, 0.015, 0.045)]
    found = estimate(
        shown_by(gauge, "A", spots=spots, angles=[0.0], off=1e-4), {"g": gauge}, PLATES
    )
    assert found.order("A") == 1
    assert found.form("A", "sphere") is None
    # along 3-9 only sphere - saddle/2 shows: z = (-S + saddle/2) x^2/R^2
    both = found.combination({("A", "sphere"): 1.0, ("A", "saddle"): -0.5})
    assert both.value == pytest.approx(2e-6 + 0.25e-6, abs=1e-14)


def test_what_is_not_seen_is_not_guessed():
    gauge = Spherometer(foot_circle=0.1, resolution=1e-7)
    found = estimate(shown_by(gauge, "A"), {"g": gauge}, PLATES)
    assert (found.form("A", "saddle"), found.form("A", "twist"), found.order("A")) == (
        None,
        None,
        1,
    )
    assert found.form("A", "sphere").value == pytest.approx(2e-6, abs=1e-14)
    covariance = found.covariance()
    assert np.isfinite(covariance[0, 0])
    assert np.isnan(covariance[1:, :]).all()
    assert found.combination({("C", "sphere"): 1.0}) is None


def test_a_four_foot_gauge_turned_on_the_spot_needs_no_master():
    gauge = TwistGauge(foot_circle=0.1, zero=Zero("unknown"))
    readings = shown_by(gauge, "A", angles=[0.0, pi / 2], off=7e-6)
    found = estimate(readings, {"g": gauge}, PLATES)
    assert found.form("A", "twist").value == pytest.approx(1e-6, abs=1e-14)
    assert estimate(readings[:1], {"g": gauge}, PLATES).form("A", "twist") is None


def test_a_repeat_reading_gauge_cannot_see_a_dome():
    gauge = RepeatReading(base=0.1)
    found = estimate(shown_by(gauge, "A", spots=SPOTS, off=1e-6), {"g": gauge}, PLATES)
    assert found.form("A", "sphere") is None
    assert found.form("A", "twist").value == pytest.approx(1e-6, abs=1e-14)


def test_a_comparator_tells_the_difference_only():
    gauge = Spherometer(
        foot_circle=0.1, zero=Zero("plate", plate="B"), resolution=1e-7, repeatability=1e-7
    )
    ratio = (0.05 / 0.08) ** 2
    found = estimate([Reading("g", "A", ratio * 3e-6)], {"g": gauge}, PLATES)
    assert found.form("A", "sphere") is None
    higher, apart = found.more_domed("A", "B")
    assert (higher, apart.value) == ("A", pytest.approx(3e-6))
    assert found.more_domed("B", "A")[0] == "A"
    near = estimate([Reading("g", "A", 1e-8)], {"g": gauge}, PLATES)
    assert near.more_domed("A", "B")[0] is None


def test_warmth_and_support_make_the_dome_unsure_and_nothing_else():
    """A plate bends to a ball, so only its dome: variances add, weighted (JCGM 100:2008, 5.1.2)."""
    gauge = Straightedge(base=0.1, repeatability=0.1e-6)
    readings = shown_by(gauge, "A")
    plain, bent = (estimate(readings, {"g": gauge}, PLATES, extra) for extra in ({}, {"A": 0.4e-6}))
    for sums, share in (
        ({("A", "sphere"): 1.0}, 1.0),
        ({("A", "twist"): 1.0}, 0.0),
        ({("A", "saddle"): 1.0}, 0.0),
        ({("A", "sphere"): -0.5, ("A", "twist"): 1.0}, 0.5),
    ):
        want = np.hypot(plain.combination(sums).uncertainty, share * 0.4e-6)
        assert bent.combination(sums).uncertainty == pytest.approx(want, rel=1e-9)


def test_a_master_and_a_bulged_flat_are_taken_off():
    gauge = Spherometer(foot_circle=0.1, zero=Zero("master", 0.4e-6))
    ratio = (0.05 / 0.08) ** 2
    found = estimate([Reading("g", "A", ratio * 2e-6 - 0.4e-6)], {"g": gauge}, PLATES)
    assert found.form("A", "sphere").value == pytest.approx(2e-6)
    flat = OpticalFlat(diameter=0.16, own=0.05e-6)
    bulged = [Reading("g", "A", 1.05e-6, angle=a) for a in (0.0, pi / 2)]
    assert estimate(bulged, {"g": flat}, PLATES).form("A", "sphere").value == pytest.approx(1e-6)


def test_sessions_have_zeros_of_their_own():
    gauge = Spherometer(foot_circle=0.16, zero_error=0.3e-6)
    days = [datetime.date(2026, 1, d) for d in (1, 1, 1, 2)]
    one = estimate([Reading("g", "A", 1e-6, date=d) for d in days[:3]], {"g": gauge}, PLATES)
    two = estimate([Reading("g", "A", 1e-6, date=d) for d in days], {"g": gauge}, PLATES)
    # repeats of one session share its zero: three are no better than one; a second session halves it
    assert one.form("A", "sphere").uncertainty == pytest.approx(0.3e-6, rel=1e-6)
    assert two.form("A", "sphere").uncertainty == pytest.approx(0.3e-6 / 2**0.5, rel=1e-6)


def test_both_ways_of_approach_take_the_lag_out():
    gauge = Spherometer(foot_circle=0.16, hysteresis=0.4e-6, repeatability=0.01e-6)
    up, down = (
        Reading("g", "A", 1e-6 + s * 0.2e-6, approach=a) for s, a in ((-1, "up"), (1, "down"))
    )
    both = estimate([up, down], {"g": gauge}, PLATES).form("A", "sphere")
    assert both.value == pytest.approx(1e-6, abs=1e-12)
    assert both.uncertainty == pytest.approx(0.01e-6 / 2**0.5, rel=1e-3)
    assert estimate([up], {"g": gauge}, PLATES).form("A", "sphere").uncertainty > 0.2e-6


def test_readings_that_contradict_each_other_are_told():
    gauge = Spherometer(foot_circle=0.16, repeatability=0.05e-6)
    far = [Reading("g", "A", v) for v in (1e-6, 2e-6)]
    assert estimate(far, {"g": gauge}, PLATES).agreement > 5
    near = [Reading("g", "A", v) for v in (1e-6, 1.05e-6)]
    assert estimate(near, {"g": gauge}, PLATES).agreement < 1


def test_faces_that_are_no_plain_quadratic_widen_what_is_said():
    """A rolled edge: read at three places it contradicts any dome, and the Birge ratio says by how much."""
    gauge = Spherometer(foot_circle=0.04, repeatability=0.02e-6)
    spots = ((0.0, 0.0), (0.03, 0.0), (0.055, 0.0))
    rolled = lambda x, y: -2e-6 * (np.hypot(x, y) / 0.08) ** 6  # noqa: E731
    read = [
        gauge.contacts(Reading("g", "A", at=at).place, PLATES["A"].outline).of(rolled)
        for at in spots
    ]
    found = estimate(
        [Reading("g", "A", v, at=at) for v, at in zip(read, spots, strict=True)],
        {"g": gauge},
        PLATES,
    )
    alone = estimate([Reading("g", "A", read[0])] * 3, {"g": gauge}, PLATES)
    assert alone.stretch == 1.0
    # three readings of one quantity: chi over the root of two
    scatter = np.sqrt(((read - np.mean(read)) ** 2).sum() / 2) / 0.02e-6
    assert found.stretch == pytest.approx(scatter, rel=1e-6)
    assert found.form("A", "sphere").half == pytest.approx(
        scatter * alone.form("A", "sphere").half, rel=1e-6
    )
    assert found.covariance()[0, 0] == pytest.approx(
        found.form("A", "sphere").uncertainty ** 2, rel=1e-9, abs=0.0
    )


@pytest.mark.campaign
def test_honest_readings_are_seldom_called_contradictory():
    # 1 in 100 at most by what `stretch` says; 2,000 draws of 8 readings
    gauge = Spherometer(foot_circle=0.16, repeatability=0.05e-6, resolution=0.05e-6)
    rng = np.random.default_rng(4)
    values = np.round(rng.normal(1e-6, 0.05e-6, (2000, 8)) / 0.05e-6) * 0.05e-6
    called = [
        estimate([Reading("g", "A", float(v)) for v in row], {"g": gauge}, PLATES).stretch > 1.0
        for row in values
    ]
    assert np.mean(called) < 0.02


def test_rails():
    plates = {"R": Plate(Rectangle(0.3, 0.1), thickness=0.03, name="R")}
    forms = {"R": StartForm(bow=2e-6, crown=0.4e-6, wind=1e-6)}
    gauge = Straightedge(base=0.09)
    found = estimate(shown_by(gauge, "R", plates, forms), {"g": gauge}, plates)
    assert [found.form("R", f).value for f in form_names(plates["R"].outline)] == pytest.approx(
        [2e-6, 0.4e-6, 1e-6], abs=1e-13
    )


# --- the round trip ----------------------------------------------------------------------------


def routine(at, times, **scatter):
    """A spherometer and a twist gauge, each turned, on both plates; one master error a session."""
    gauges = {
        "s": Spherometer(foot_circle=0.1, **scatter),
        "t": TwistGauge(foot_circle=0.11, **(scatter | {"zero_error": 0.0})),
    }
    readings = []
    for plate in PLATES:
        for k in range(times):
            readings.append(Reading("s", plate, at=at, angle=k * 2 * pi / 3 / times))
            readings += [Reading("t", plate, at=at, angle=a) for a in QUARTERS]
    return Solver(model_of(readings, gauges, PLATES))


def drawn(model, truth, rng):
    """Readings (m, n) of true forms (m, p): master, scatter, lag either way, then the dial's steps."""
    y = truth @ model.forms.T + model.offset
    y = (
        y
        + (rng.normal(size=(len(truth), len(model.shared_size))) * model.shared_size)
        @ model.shared.T
    )
    y = y + rng.normal(size=y.shape) * model.repeatability
    y = y + rng.choice((-0.5, 0.5), size=y.shape) * model.hysteresis
    step = np.where(model.resolution > 0, model.resolution, 1.0)
    return np.where(model.resolution > 0, np.round(y / step) * step, y)


UM = 1e-6
# resolution, repeatability, hysteresis, master [um]
STEADY_HANDS = [
    (0.1, 0.05, 0.1, 0.05),
    (0.1, 0.025, 0.0, 0.0),
    (0.5, 0.2, 0.3, 0.1),
    (1.0, 0.25, 0.5, 0.1),
]
STUCK = [(1.0, 0.1, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0), (1.0, 0.1, 1.0, 0.1), (0.5, 0.1, 0.2, 0.0)]


@pytest.mark.parametrize("times", [1, 2, 5])
@pytest.mark.parametrize("at", [(0.0, 0.0), (0.012, -0.008)])
@pytest.mark.parametrize("noise", [*STEADY_HANDS, *STUCK], ids=str)
def test_stated_intervals_hold_the_truth(noise, at, times):
    resolution, repeatability, hysteresis, master = (v * UM for v in noise)
    solver = routine(
        at,
        times,
        resolution=resolution,
        repeatability=repeatability,
        hysteresis=hysteresis,
        zero_error=master,
    )
    rng = np.random.default_rng(1)
    truth = rng.normal(0, 2 * UM, (4000, 6))
    readings = drawn(solver.model, truth, rng)
    for k in range(6):
        weight = np.eye(6)[k]
        assert solver.seen(weight)
        gain = solver.gain(weight)
        off = np.abs((readings - solver.model.offset) @ gain - truth[:, k])
        held = (off <= solver.spread(gain).half).mean()
        assert held >= 0.93
        if repeatability >= 0.25 * resolution:
            assert held <= 0.97


def test_still_pointers_hold_even_for_faces_below_the_dial():
    # Forms of a third of a step: every reading is rounded the same way, and nothing averages out.
    solver = routine((0.0, 0.0), 5, resolution=1e-6, repeatability=0.1e-6, hysteresis=0.5e-6)
    rng = np.random.default_rng(2)
    truth = rng.normal(0, 0.3e-6, (4000, 6))
    readings = drawn(solver.model, truth, rng)
    for k in range(6):
        gain = solver.gain(np.eye(6)[k])
        assert (np.abs(readings @ gain - truth[:, k]) <= solver.spread(gain).half).mean() >= 0.93


def held_by(solver, scale, seed, count=4000):
    """Share of random pairs whose truth lies in the stated interval, for each of the six forms."""
    rng = np.random.default_rng(seed)
    truth = rng.normal(0, scale, (count, 6))
    readings = drawn(solver.model, truth, rng) - solver.model.offset
    gains = [solver.gain(row) for row in np.eye(6)]
    return np.array(
        [
            (np.abs(readings @ gain - truth[:, k]) <= solver.spread(gain).half).mean()
            for k, gain in enumerate(gains)
        ]
    )


@pytest.mark.parametrize("seed", [11, 12, 13])
@pytest.mark.parametrize("repeatability", [0.25, 0.3, 0.4, 0.5])
def test_forms_of_one_step_of_the_dial(repeatability, seed):
    """What gauges show of them is under half a step: as coarse as 93 to 97 % still holds (docs/gauges.md)."""
    for times in (1, 3):
        solver = routine(
            (0.012, -0.008), times, resolution=1e-6, repeatability=repeatability * 1e-6
        )
        held = held_by(solver, 1e-6, seed)
        assert held.min() >= 0.93
        assert held.max() <= 0.97


def test_what_the_page_says_of_forms_far_below_the_dial():
    """A tenth of a step: the error of one rounded reading is nought or a step, never 5 % of either.

    No interval that is as wide for every reading can do better: a step wide it holds all of them, less than
    that only those that are rounded to nought.  So the page says what holds, and `gauge` warns.
    """
    from scipy.special import erfc

    solver = routine((0.0, 0.0), 1, resolution=1e-6, repeatability=0.35e-6)
    rounded_to_nought = 1.0 - erfc(0.5 / 0.35 / 2**0.5)  # of a face without any form
    assert held_by(solver, 1e-12, 14, 40_000)[0] == pytest.approx(rounded_to_nought, abs=0.006)
    assert held_by(solver, 0.1e-6, 14)[0] > 0.82
    many = held_by(routine((0.0, 0.0), 6, resolution=1e-6, repeatability=0.35e-6), 0.1e-6, 14)
    assert many.min() > 0.93


def test_the_covariance_of_repeats_is_that_of_their_mean():
    """s^2 / n over the square of what is read of a metre of dome (GUM, 4.2.3)."""
    gauges = {"s": Spherometer(foot_circle=0.1, repeatability=5e-8)}
    found = estimate([Reading("s", "A", 1e-6)] * 5, gauges, PLATES)
    want = (5e-8 / (0.05 / 0.08) ** 2) ** 2 / 5.0
    assert found.solver.covariance()[0, 0] == pytest.approx(want, rel=1e-6, abs=0.0)


def test_one_estimate_is_what_the_solver_says():
    rng = np.random.default_rng(3)
    gauges = {"s": Spherometer(foot_circle=0.1, resolution=1e-7, repeatability=5e-8)}
    readings = [Reading("s", "A", float(v)) for v in rng.normal(1e-6, 1e-7, 5)]
    found = estimate(readings, gauges, PLATES)
    # five equal readings: their mean over the ratio
    want = np.mean([r.value for r in readings]) / (0.05 / 0.08) ** 2
    assert found.form("A", "sphere").value == pytest.approx(want, rel=1e-9)
    assert found.covariance()[0, 0] == pytest.approx(
        found.form("A", "sphere").uncertainty ** 2, rel=1e-9, abs=0.0
    )
