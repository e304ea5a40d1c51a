"""Steps, swaps and turns in sequence as one affine map."""

from dataclasses import replace

import numpy as np
import pytest
from modes_scene import EIGHT, FREE, LINE, STILL, index, stroke
from modes_studies import MARGIN

from lapwright.errors import CannotDoError
from lapwright.integration.loop import lap
from lapwright.kinematics.schedule import wear_time
from lapwright.metrology.form import forms
from lapwright.modal.basis import basis_of
from lapwright.modal.cycle import cycle_of, round_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Grit, Layer, Swap, Wear
from lapwright.verification.closed_forms import circle_means, growth
from lapwright.verification.scenes import RADIUS, START, body, disc, plain_grit


def swap(a, b):
    return Swap({"A": a, "B": b})


def pair(cells=64, top=StartForm(), bottom=StartForm()):  # noqa: B008
    return {"A": disc("A", cells, top), "B": disc("B", cells, bottom)}


def cycle(*steps, plates=None, degree=8):
    picture = ReducedModel(plates or pair(), steps, degree)
    return cycle_of(picture, round_of(picture))


@pytest.mark.campaign
def test_equal_swaps_hold_the_plates_as_they_are():
    """Model, section 7: a mating dome and dish are neither cured nor made; only the residue is left."""
    for turn in (None, FREE, index(90)):
        found = cycle(stroke(turn=turn, swap=swap(300.0, 300.0)))
        assert len(found.spells) == 2 or turn is not None
        told = found.spectrum()
        once = growth(circle_means(0.33 * RADIUS), 1.0, RADIUS).sphere
        for name, form in found.forms(told.drift).items():
            assert abs(form["sphere"]) < 1e-6 * once * told.removal[name]
        assert told.survivors == (3 if turn is None else 1)
        residue = found.forms(told.residue)
        assert residue["A"]["sphere"] == pytest.approx(residue["B"]["sphere"], rel=0.02)
        assert residue["A"]["sphere"] < 0.0


def test_uneven_swaps_make_the_difference_of_the_times():
    found = cycle(stroke(swap=swap(600.0, 300.0), time=2700.0))
    told = found.spectrum()
    once = growth(circle_means(0.33 * RADIUS), 1.0, RADIUS).sphere
    # A on top twice as long as B: a third of the law, B domed.
    drift = found.forms(told.drift)
    assert drift["B"]["sphere"] == pytest.approx(once * told.removal["B"] / 3.0, rel=0.005, abs=0.0)
    assert drift["A"]["sphere"] == pytest.approx(-drift["B"]["sphere"], rel=1e-6, abs=0.0)


@pytest.mark.parametrize("share", [(1.0, 1.0, 1.0), (0.6, 0.25, 0.5)], ids=["alike", "all unlike"])
def test_the_moment_law_of_unequal_plates_that_change_places(share):
    """Check 6 (derived): of wear / kappa the moment about the bottom's centre is larger by W v t <|c|^2>.

    The new top's weight counts after a swap, and each plate keeps its own wear constant and outline.
    """
    size, kappa, weight = share
    plates = {"A": body("A", Disc(size * 2.0 * RADIUS), weight * START, 64), "B": disc("B", 64)}
    kappas = {"A": kappa * 1e-12, "B": 1e-12}
    step = stroke(
        Circle(0.1 * RADIUS), grit=plain_grit(kappas), swap=swap(500.0, 400.0), time=2700.0
    )
    found = cycle(step, plates=plates, degree=4)
    grown = {}
    for name, part in found.apart(found.offset).items():
        plate, face = plates[name], basis_of(plates[name], 4)
        x, y = plate.grid.mesh()
        grown[name] = face.project(x * x + y * y) @ part * plate.land_area / kappas[name]
    speed, mean = 2.0 * np.pi * 0.1 * RADIUS, (0.1 * RADIUS) ** 2
    want = speed * mean * (plates["A"].weight * 500.0 - plates["B"].weight * 400.0)
    assert grown["A"] - grown["B"] == pytest.approx(want, abs=1e-3 * speed * mean * START * 500.0)


def test_swaps_reverse_sphere_and_saddle_and_not_twist():
    found = cycle(stroke(LINE, direction=np.pi / 4, swap=swap(300.0, 300.0)))
    drift = found.forms(found.spectrum().drift)
    expected = -6 * (0.66 * RADIUS) ** 2 / 12 / RADIUS**2 * found.spectrum().removal["A"]
    for form in drift.values():
        assert form["twist"] == pytest.approx(expected, rel=0.005)
        assert abs(form["sphere"]) < 1e-6 * abs(expected)
        assert abs(form["saddle"]) < 1e-6 * abs(expected)


def test_ridges_across_each_other_wear_once_the_plates_change_places():
    """Skew ridges lie the other way on the other face, seen from its own side; along 3-9 they do not."""
    assert cycle(stroke(LINE, swap=swap(300.0, 300.0))).spectrum().survivors == 9
    assert cycle(stroke(LINE, direction=0.5, swap=swap(300.0, 300.0))).spectrum().survivors == 3


def test_crossed_straight_strokes_keep_what_planes_keep():
    """Derived: of the pairs that mate along both lines only the quadratics are left."""
    steps = stroke(LINE), stroke(LINE, direction=np.pi / 2)
    assert cycle(*steps).spectrum().survivors == 3


def test_ten_strokes_quarter_turn_swap_every_five_minutes():
    """Its own answer: the quarter turns leave the sphere alone, the swaps hold it."""
    found = cycle(stroke(LINE, index(90), pace=1.0, swap=swap(300.0, 300.0)))
    told = found.spectrum()
    assert told.survivors == 1
    assert told.gap > 1e6
    assert max(abs(form["sphere"]) for form in found.forms(told.drift).values()) < 1e-15
    assert found.time % 600.0 == 0.0


def test_a_long_index_is_a_spell_of_its_own():
    long = cycle(stroke(turn=index(90, 900)))
    assert len(long.spells) == 4
    assert long.spectrum().survivors == 1
    short = cycle(stroke(turn=index(90, 10)))
    assert len(short.spells) == 1


def test_angles_of_walk_and_turn_are_told_apart():
    """Walked round by quarters with the top held as it was: crossed lines, so three pairs stay."""
    found = cycle(stroke(LINE, index(-90, 900), walk=index(90, 900)))
    assert len(found.spells) == 4
    assert found.spectrum().survivors == 3


@pytest.mark.parametrize(
    "turns", [{"turn": index(90)}, {"walk": index(90)}], ids=["turned", "walked"]
)
def test_where_nothing_rubs_a_cycle_changes_nothing(turns):
    found = cycle(stroke(STILL, **turns))
    z = 1e-6 * np.random.default_rng(2).normal(size=90)
    np.testing.assert_array_equal(found.after(z), z)


def test_shortest_cycle_tells_the_rates():
    """Twelve spells of five minutes are six times the same two; their map six times over is the hour's."""
    step = stroke(EIGHT, swap=swap(300.0, 300.0))
    picture = ReducedModel(pair(), [step])
    spells = round_of(picture)
    assert len(spells) == 12
    found = cycle_of(picture, spells)
    assert (len(found.spells), found.time) == (2, 600.0)
    z = 1e-6 * np.random.default_rng(1).normal(size=90)
    one_by_one = z
    for spell in spells:
        solved = picture.evolution(spell.step, spell.top, spell.bottom)
        below, above = (
            np.split(one_by_one, 2) if spell.bottom == "A" else np.split(one_by_one, 2)[::-1]
        )
        after = np.split(solved.after(np.concatenate([below, above]), spell.cut), 2)
        one_by_one = np.concatenate(after if spell.bottom == "A" else after[::-1])
    np.testing.assert_allclose(found.after(z, 6), one_by_one, atol=1e-10 * np.abs(one_by_one).max())


def test_half_lives_of_a_cycle_are_those_of_its_map():
    found = cycle(stroke(EIGHT, swap=swap(60.0, 60.0)))
    told = found.spectrum()
    moving = [mode for mode in told.modes if not mode.stays and mode.period is None]
    for mode in moving[:3]:
        share = 0.5 ** (found.time / mode.half_life)
        then = found.apart(found.matrix @ mode.shape)
        for name, part in found.apart(mode.shape).items():
            np.testing.assert_allclose(abs(then[name][3:]), share * abs(part[3:]), atol=1e-9)


def test_fading_and_fresh_grit_count_in_time_of_fresh_cutting():
    grit = Grit("g", 15e-6, Wear(iron=1e-12), Layer(1e-6), fade=480.0)
    step = stroke(grit=grit, fresh_every=300.0, time=1200.0)
    spells = round_of(ReducedModel(pair(), [step]))
    assert sum(spell.cut for spell in spells) == pytest.approx(4 * wear_time(480.0, 0.0, 300.0))
    swapped = replace(step, swap=swap(200.0, 400.0))
    spells = round_of(ReducedModel(pair(), [swapped]))
    assert [spell.strokes for spell in spells] == [200, 400, 200, 400]
    assert sum(spell.cut for spell in spells) == pytest.approx(4 * wear_time(480.0, 0.0, 300.0))
    once = replace(step, fresh_every=None)
    later = round_of(ReducedModel(pair(), [once]), repeats=True)
    assert later[0].cut == pytest.approx(wear_time(480.0, 1200.0, 1200.0))


def test_readings_cannot_be_told_beforehand():
    step = stroke(swap=Swap(read=150.0))
    with pytest.raises(CannotDoError, match="follows the readings"):
        cycle(step)


@pytest.mark.always("uneven", "turning")
@pytest.mark.parametrize(
    "step",
    [
        stroke(EIGHT, swap=swap(300.0, 600.0), time=1800.0),
        stroke(Circle(0.02), FREE, swap=swap(240.0, 240.0), time=1440.0),
        stroke(LINE, index(90), swap=swap(300.0, 300.0), time=1200.0),
    ],
    ids=["uneven", "turning", "quarter turns"],
)
def test_against_the_full_simulation(step):
    plates = pair(96, StartForm(sphere=0.4e-6, twist=0.2e-6), StartForm(saddle=0.3e-6))
    picture = ReducedModel(plates, [step])
    found = cycle_of(picture, round_of(picture))
    start = picture.start()
    z = found.after(np.concatenate([start[n] for n in found.names]), round(step.time / found.time))
    *_, end = lap(plates, [step])
    assert end.lift_share == 0.0
    got = found.forms(z, MARGIN)
    for name, plate in plates.items():
        want = forms(plate, end.heights[name], MARGIN)
        for form, value in got[name].items():
            assert value == pytest.approx(getattr(want, form), abs=0.02 * 1e-6), (name, form)
