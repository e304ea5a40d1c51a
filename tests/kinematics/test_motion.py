"""Where the top is and how fast it slides: turning, walking, indexing, the hand's scatter, its moments."""

from dataclasses import fields, replace
from math import pi, radians

import numpy as np
import pytest
from known_answers import mean_speed

from lapwright.kinematics.motion import Motion
from lapwright.specification.curves import (
    Circle,
    Ellipse,
    FigureEight,
    Line,
    Rosette,
    Still,
    Zigzag,
)
from lapwright.specification.step import Grit, Hand, Layer, Load, Step, Turn, Wear
from lapwright.verification.closed_forms import covered_share

GRIT = Grit("15 um", 15e-6, Wear(1e-12), Layer(1e-6))


def step(**said):
    given = {"curve": FigureEight(0.053, 0.027), "pace": 0.7, "strokes": 400} | said
    return Step("A", "B", GRIT, **given)


def sliding(poses, x, y):
    """Sliding speed at bench points (m,) in all poses (n, m)."""
    dx, dy = x - poses.cx[:, None], y - poses.cy[:, None]
    spin = poses.spin[:, None]
    return np.hypot(poses.vx[:, None] - spin * dy, poses.vy[:, None] + spin * dx)


def spinning(ratio, offset=0.1):
    """Two bodies on fixed axes: the other spins once a second, the bottom `ratio` times that.

    Seen from the bottom, the other's axis goes round the other way: turn_bottom and a centre carried along.
    """
    return Motion(
        step(
            curve=Still(),
            centre=(offset, 0.0),
            carry_centre=True,
            pace=1.0,
            walk=Turn(-2.0 * pi * ratio),
            turn=Turn(2.0 * pi),
        )
    )


def test_equal_spin_slides_everywhere_at_omega_times_the_offset():
    # Textbook result, from memory; 60 rpm and 0.1 m: 0.6283185307 m/s.
    poses = spinning(1.0).poses(np.linspace(0.0, 1.0, 17))
    x, y = np.array([0.0, 0.05, -0.08, 0.3]), np.array([0.0, 0.02, 0.01, -0.2])
    assert sliding(poses, x, y) == pytest.approx(0.6283185307, rel=1e-9)


@pytest.mark.parametrize(
    ("ratio", "share", "mean"), [(0.0, 0.5, 1.06354441), (-1.0, 0.75, 1.671926222)]
)
def test_mean_speed_of_unequal_spins(ratio, share, mean):
    # (2/pi)(A + B) E(m): derived, and confirmed independently.
    omega, offset = 2.0 * pi, 0.1
    angle = 2.0 * pi * np.arange(256) / 256
    x, y = share * offset * np.cos(angle), share * offset * np.sin(angle)
    got = sliding(spinning(ratio).poses(np.arange(64) / 64), x, y).mean()
    assert got / (omega * offset) == pytest.approx(mean, rel=1e-7)
    assert got == pytest.approx(mean_speed(omega, offset, ratio, share * offset), rel=1e-7)


def test_how_long_a_point_is_covered_on_a_circle():
    # (1/pi) acos((rho^2 + c^2 - R^2) / (2 rho c)); R = 1, c = 1/3, rho = 1: 0.44669962 (derived).
    poses = Motion(step(curve=Circle(1.0 / 3.0))).poses(np.arange(400_000) / 400_000)
    covered = np.hypot(1.0 - poses.cx, 0.0 - poses.cy) < 1.0
    assert covered.mean() == pytest.approx(0.44669962, abs=5e-6)
    assert covered_share(1.0, 1.0 / 3.0, 1.0) == pytest.approx(0.44669962, abs=1e-8)


@pytest.mark.parametrize("carry", [False, True])
@pytest.mark.parametrize(
    "turned",
    [
        {},
        {"walk": Turn(0.1)},
        {"turn": Turn(0.2)},
        {"turn": Turn(0.2), "walk": Turn(-0.07)},
        {"turn": Turn(pi / 2, 10), "walk": Turn(0.1)},
        {"turn": Turn(0.2), "walk": Turn(radians(30.0), 7)},
        {"turn": Turn(0.2), "offset": (0.03, -0.01)},
        {"hand": Hand(amplitude=0.2, direction=0.1, centre=0.003)},
    ],
    ids=repr,
)
def test_velocity_and_spin_are_rates_of_place_and_angle(carry, turned):
    motion = Motion(step(direction=0.3, centre=(0.01, -0.02), carry_centre=carry, **turned))
    at = np.linspace(0.013, 29.3, 83)  # off whole strokes, where indexes fall
    h = 1e-6
    before, here, after = (motion.poses(at + k * h) for k in (-1, 0, 1))
    seconds = 2.0 * h / motion.step.pace
    assert np.abs((after.cx - before.cx) / seconds - here.vx).max() < 1e-8
    assert np.abs((after.cy - before.cy) / seconds - here.vy).max() < 1e-8
    assert np.abs((after.theta - before.theta) / seconds - here.spin).max() < 1e-8


def test_pace_is_strokes_per_second():
    slow, fast = (Motion(step(pace=p)).poses(np.array([0.1])) for p in (0.5, 1.0))
    assert fast.vx == pytest.approx(2.0 * slow.vx)
    assert fast.cx == pytest.approx(slow.cx)


def test_walking_turns_the_top_on_the_bench_and_turning_does_not_turn_the_operator():
    walking = Motion(step(walk=Turn(0.1))).poses(np.array([3.25]))
    turning = Motion(step(turn=Turn(0.1))).poses(np.array([3.25]))
    assert walking.theta[0] == pytest.approx(0.325)
    assert walking.alpha[0] == pytest.approx(0.325)
    assert turning.theta[0] == pytest.approx(0.325)
    assert turning.alpha[0] == 0.0


def test_the_centre_stays_or_goes_round_with_the_operator():
    quarter = step(curve=Still(), centre=(0.01, 0.0), walk=Turn(pi / 2))
    stays = Motion(quarter).poses(np.array([1.0]))
    goes = Motion(replace(quarter, carry_centre=True)).poses(np.array([1.0]))
    assert (stays.cx[0], stays.cy[0]) == pytest.approx((0.01, 0.0))
    assert (goes.cx[0], goes.cy[0]) == pytest.approx((0.0, 0.01))


CURVES = [
    Circle(0.03),
    Ellipse(0.05, 0.02),
    Line(0.06),
    FigureEight(0.05, 0.02),
    Zigzag(0.05, 0.02),
]


@pytest.mark.parametrize("curve", [*CURVES, Rosette(0.03, 0.01, 5)], ids=repr)
def test_a_set_up_turned_by_90_degrees_moves_the_same_turned_by_90_degrees(curve):
    at = np.linspace(0.0, 12.0, 101)
    one = Motion(step(curve=curve, direction=0.2, centre=(0.004, 0.001), turn=Turn(0.1))).poses(at)
    two = Motion(
        step(curve=curve, direction=0.2 + pi / 2, centre=(-0.001, 0.004), turn=Turn(0.1))
    ).poses(at)
    for x, y in (("cx", "cy"), ("vx", "vy")):
        assert getattr(two, x) == pytest.approx(-getattr(one, y), abs=1e-15)
        assert getattr(two, y) == pytest.approx(getattr(one, x), abs=1e-15)
    assert two.theta == pytest.approx(one.theta)


@pytest.mark.parametrize("carry", [False, True])
def test_a_mirrored_set_up_moves_the_same_mirrored(carry):
    # An eight of negative width is the mirror image of one of positive width.
    at = np.linspace(0.0, 12.0, 97)
    there = step(
        direction=0.2, centre=(0.004, 0.001), carry_centre=carry, turn=Turn(0.1), walk=Turn(0.03)
    )
    mirrored = replace(
        there,
        curve=FigureEight(0.053, -0.027),
        direction=-0.2,
        centre=(0.004, -0.001),
        turn=Turn(-0.1),
        walk=Turn(-0.03),
    )
    one, two = Motion(there).poses(at), Motion(mirrored).poses(at)
    for name, sign in {
        "cx": 1,
        "cy": -1,
        "vx": 1,
        "vy": -1,
        "theta": -1,
        "alpha": -1,
        "spin": -1,
    }.items():
        assert getattr(two, name) == pytest.approx(sign * getattr(one, name), abs=1e-15)


def test_an_index_has_happened_at_the_whole_stroke_itself():
    motion = Motion(step(turn=Turn(pi / 2, 10)))
    theta = motion.poses(np.array([0.0, 9.999, 10.0, 19.999, 20.0, 39.5, 40.0])).theta
    assert theta / (pi / 2) == pytest.approx([0, 0, 1, 1, 2, 3, 4])
    assert motion.poses(np.array([9.5, 10.0])).spin.tolist() == [0.0, 0.0]


def test_index_boundaries_survive_round_off():
    motion = Motion(step(turn=Turn(1.0, 3), strokes=10**6))
    counts = np.arange(0, 300_000, 3)
    tenths = np.array(
        [sum([0.1] * 10) * n for n in counts.tolist()]
    )  # ten tenths are not quite one
    assert (tenths < counts).any()
    assert (motion.poses(tenths).theta == counts // 3).all()


@pytest.mark.parametrize(
    ("turn", "walk", "fixed", "every", "cycle"),
    [
        (Turn(), Turn(), True, 0, 0),
        (Turn(0.1), Turn(), False, 0, 0),
        (Turn(0.1), Turn(-0.1), True, 0, 0),
        (Turn(pi / 2, 10), Turn(), True, 10, 4),
        (Turn(radians(120.0), 4), Turn(), True, 4, 3),
        (Turn(radians(8.0), 5), Turn(), True, 5, 45),
        (Turn(1.0, 5), Turn(), True, 5, 0),
        (Turn(), Turn(pi, 6), True, 6, 2),
        # 4 quarter turns take 40 strokes, 3 thirds 18: both are back after 360 strokes, spells of 2.
        (Turn(pi / 2, 10), Turn(radians(120.0), 6), True, 2, 180),
        (Turn(0.1), Turn(pi, 6), False, 6, 2),
    ],
    ids=repr,
)
def test_what_the_sampler_asks(turn, walk, fixed, every, cycle):
    motion = Motion(step(turn=turn, walk=walk))
    assert motion.fixed_angle is fixed
    assert motion.index_every == every
    assert motion.angle_cycle == cycle
    if cycle:
        first = motion.poses(np.arange(3 * every * cycle) + 0.5)
        for angle in (first.theta, first.alpha):
            steps = angle[every * cycle :] - angle[: -every * cycle]
            if turn.indexed or not turn.angle:
                assert np.abs(np.remainder(steps + pi, 2 * pi) - pi).max() < 1e-8


ROUGH = Hand(amplitude=0.25, centre=0.004, direction=0.1, pace=0.2, memory=5.0)


def test_the_hand_is_reproducible_whatever_is_asked_first():
    rough = step(hand=ROUGH, strokes=20_000)
    at = np.array([0.3, 5000.2, 4095.9, 4096.1, 17.5])
    all_at_once = Motion(rough, (1, 1, 2)).poses(at)
    late_first = Motion(rough, (1, 1, 2))
    late_first.poses(np.array([12_345.6]))
    one_by_one = Motion(rough, (1, 1, 2))
    for field in fields(all_at_once):
        wanted = getattr(all_at_once, field.name)
        assert (getattr(late_first.poses(at), field.name) == wanted).all()
        singles = [getattr(one_by_one.poses(np.array([a])), field.name)[0] for a in at[::-1]]
        assert (np.array(singles)[::-1] == wanted).all()


def test_other_seeds_give_other_hands():
    rough = step(hand=ROUGH)
    at = np.array([0.3, 17.5])
    one, two = (Motion(rough, key).poses(at) for key in ((1, 1, 2), (2, 1, 2)))
    assert (one.cx != two.cx).all()


@pytest.mark.parametrize("memory", [0.0, 5.0])
def test_scatter_has_the_spread_and_the_memory_that_is_asked(memory):
    # A first-order autoregression with memory m has correlation exp(-1/m) from a stroke to the next.
    n = 40_000
    hand = replace(ROUGH, memory=memory)
    at = np.arange(n) + 0.25  # the far end of a line, where the curve's place is its half length
    poses = Motion(
        step(curve=Line(0.06), hand=replace(hand, centre=0.0, direction=0.0), strokes=n)
    ).poses(at)
    factor = poses.cx / 0.03
    rho = np.exp(-1.0 / memory) if memory else 0.0
    error = 4.0 * np.sqrt((1.0 + rho) / (1.0 - rho) / n)
    assert factor.mean() == pytest.approx(1.0, abs=0.25 * error)
    assert factor.std() == pytest.approx(0.25, rel=error)
    assert np.corrcoef(factor[1:], factor[:-1])[0, 1] == pytest.approx(rho, abs=error)
    shifted = Motion(step(curve=Still(), hand=hand, strokes=n)).poses(at)
    assert shifted.cx.std() == pytest.approx(0.004, rel=error)
    assert shifted.cy.std() == pytest.approx(0.004, rel=error)
    assert np.corrcoef(shifted.cx, shifted.cy)[0, 1] == pytest.approx(0.0, abs=error)


def test_scatter_of_direction_and_pace():
    n = 40_000
    at = np.arange(n) + 0.25
    veers = Motion(step(curve=Line(0.06), hand=Hand(direction=0.1), strokes=n)).poses(at)
    assert np.arctan2(veers.cy, veers.cx).std() == pytest.approx(0.1, rel=0.03)
    hurries = Motion(step(curve=Line(0.06), hand=Hand(pace=0.2), strokes=n)).poses(at - 0.25)
    steady = Motion(step(curve=Line(0.06))).poses(np.array([0.0]))
    assert (hurries.vx / steady.vx).std() == pytest.approx(0.2, rel=0.03)
    assert hurries.cx == pytest.approx(0.0, abs=1e-12)


def test_a_very_rough_hand_never_strokes_backwards():
    n = 40_000
    hand = Hand(amplitude=0.5, pace=0.5)
    poses = Motion(step(curve=Line(0.06), hand=hand, strokes=n)).poses(np.arange(n) + 0.0)
    assert poses.vx.min() > 0.0


def test_a_steady_hand_scatters_nothing():
    at = np.linspace(0.0, 9.0, 50)
    one, two = Motion(step(), (1,)).poses(at), Motion(step(), (2,)).poses(at)
    assert (one.cx == two.cx).all()


@pytest.mark.parametrize(
    ("fixed_to", "angle"), [("hand", radians(30.0)), ("top", radians(50.0)), ("bench", 0.0)]
)
def test_the_load_turns_with_what_it_is_fixed_to(fixed_to, angle):
    load = Load(20.0, (0.005, 0.0), fixed_to)
    motion = Motion(step(load=load, walk=Turn(radians(3.0)), turn=Turn(radians(2.0))))
    moment = motion.moment(motion.poses(np.array([10.0])), 60.0)
    assert moment[0] == pytest.approx(0.1 * np.array([np.cos(angle), np.sin(angle)]))


def test_a_high_push_digs_in_the_leading_edge():
    # mu W push_height along the way the top goes: 0.15 x 60 N x 15 mm.
    motion = Motion(step(curve=Line(0.06), direction=0.4, load=Load(20.0, push_height=0.015)))
    out, back, turning = motion.moment(motion.poses(np.array([0.0, 0.5, 0.25])), 60.0)
    ahead = np.array([np.cos(0.4), np.sin(0.4)])
    assert out == pytest.approx(0.135 * ahead)
    assert back == pytest.approx(-0.135 * ahead)
    assert turning == pytest.approx([0.0, 0.0])


def test_a_top_that_only_turns_is_pushed_nowhere():
    motion = Motion(step(curve=Still(), turn=Turn(1.0), load=Load(20.0, push_height=0.015)))
    assert not motion.moment(motion.poses(np.linspace(0, 3, 7)), 60.0).any()


def test_phase_starts_again_with_every_stroke():
    phase = Motion(step()).poses(np.array([0.25, 7.25, 8.0])).phase
    assert phase == pytest.approx([pi / 2, pi / 2, 0.0])


def test_a_traverse_of_many_strokes_is_as_fast_as_its_path_is_long():
    """The way along the places of one traverse, added up, over its time."""
    motion = Motion(step(curve=Zigzag(0.06, 0.05, 2.5)))
    strokes = np.linspace(0.0, motion.step.curve.period, 200_001)
    poses = motion.poses(strokes)
    way = np.hypot(np.diff(poses.cx), np.diff(poses.cy)).sum()
    assert motion.mean_speed(0, 5) == pytest.approx(way / strokes[-1] * motion.step.pace, rel=1e-5)


WALKED = {
    "traverse carried round": {
        "curve": Zigzag(0.06, 0.05),
        "centre": (0.02, 0.0),
        "carry_centre": True,
    },
    "traverse of two and a half strokes": {"curve": Zigzag(0.06, 0.05, 2.5)},
    "rough hand": {"curve": Line(0.05), "hand": Hand(0.25, 0.005, 0.1, 0.25, 5.0)},
}


@pytest.mark.parametrize("case", WALKED)
def test_mean_speed_is_that_of_the_strokes_asked_for(case):
    """Walked round, strokes of a traverse differ in length: by 0.9 % from the mean of all over three."""
    motion = Motion(step(walk=Turn(radians(20.0)), **WALKED[case]))
    for first, strokes in ((0, 3), (3, 4), (7, 256)):
        poses = motion.poses(first + (np.arange(1000 * strokes) + 0.5) / 1000.0)
        slow = np.hypot(poses.vx, poses.vy).mean()
        assert motion.mean_speed(first, strokes) == pytest.approx(slow, rel=1e-4)
