"""The linear flow of a spell against shops that are lapped with true contact, over random ones."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.optimisation import crowd as laps
from lapwright.optimisation.bench import bench_of
from lapwright.optimisation.flow import linear
from lapwright.optimisation.spell import Spell, lap_shops
from lapwright.specification.step import Swap
from lapwright.study.read import parse

PLATES = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
plates.C = { disc = "220 mm", thickness = "30 mm", material = "granite" }
plates.D = { like = "A", material = "granite" }
"""
STEP = """
[[steps]]
top = "A"
bottom = "%s"
grit = "9 um"
stroke = { kind = "circle", radius = "15 mm" }
time = "6 min"
turn = "8 deg per stroke"
"""
STUDY = PLATES + "".join(STEP % below for below in "BCD")
SHOPS = 12


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(STUDY, "mine"))


def shops_of(bench, low):
    """Random shops, `low` so that all land bears, with wear and layer in half of what is not known."""
    rng = np.random.default_rng([5, 1])
    layout, prior = bench.layout, bench.prior
    shops = prior.draw(SHOPS, rng)[0]
    for name in layout.plates:
        shops[:, layout.face(name)] *= low
    centre = prior.centre
    constants = [layout.wear(*one) for one in layout.wears]
    constants += [layout.layer(grit) for grit in layout.layers]
    shops[:, constants] = centre[constants] + 0.5 * (shops[:, constants] - centre[constants])
    return shops


# Iron on iron, iron on granite that is larger, iron on granite and granite on iron in turns.
STEPS = [(0, None), (0, "AB"), (1, None), (2, "AD")]


@pytest.fixture(autouse=True)
def finely(monkeypatch):
    """Lap in twice as many time steps: what is left of A on C, which mates, is small beside their error."""
    for name in ("LONGEST", "FEW"):
        usual = np.array(getattr(laps, name))
        monkeypatch.setattr(laps, name, 0.5 * usual)
    monkeypatch.setattr(Spell, "bearing", lambda *_: None)  # step by step, whatever bears


def step_of(bench, which, swapped):
    step = bench.study.steps[which]
    return step if swapped is None else replace(step, swap=Swap(dict.fromkeys(swapped, 180.0)))


@pytest.mark.parametrize(("which", "swapped"), STEPS)
def test_while_all_land_bears_a_shop_ends_where_it_is_lapped_to(bench, which, swapped):
    """To a hundredth of what the spell changes: the lapping is third order in time, the flow exact."""
    step = step_of(bench, which, swapped)
    spell, before = bench.spell(step, (1,)), shops_of(bench, 0.02)
    ended = lap_shops(spell, before, np.zeros(SHOPS, dtype=np.intp))
    told, _ = linear(spell, before)
    for name in (step.top, step.bottom):
        own = bench.layout.face(name)
        change = np.abs(ended - before)[:, own].max(axis=1)
        assert (np.abs(told - ended)[:, own].max(axis=1) < 0.01 * change).all()


@pytest.mark.parametrize(("which", "swapped"), STEPS)
def test_how_the_end_answers_is_how_lapping_answers(bench, which, swapped):
    """By central differences of shops that are lapped, one direction of faces and each constant."""
    step = step_of(bench, which, swapped)
    spell, before = bench.spell(step, (1,)), shops_of(bench, 0.02)
    layout, hand = bench.layout, np.zeros(SHOPS, dtype=np.intp)
    _, jump = linear(spell, before)
    rng = np.random.default_rng(2)
    face = np.zeros(layout.size)
    face[layout.face("A")] = 2e-9 * rng.standard_normal(layout.face("A").stop)
    ways = [face]
    metals = {layout.plates[name].material.name for name in (step.top, step.bottom)}
    constants = [layout.wear("9 um", metal) for metal in metals]
    for at in (*constants, layout.layer("9 um"), layout.day):
        ways.append(0.02 * np.eye(layout.size)[at])
    for way in ways:
        up, down = (lap_shops(spell, before + sign * way, hand) for sign in (1.0, -1.0))
        for name in (step.top, step.bottom):
            own = layout.face(name)
            lapped = 0.5 * (up - down)[:, own]
            told = (jump @ way)[:, own]
            assert np.abs(told - lapped).max() < 0.03 * np.abs(lapped).max()


@pytest.mark.parametrize(("which", "swapped"), STEPS)
def test_once_all_land_bears_the_flow_takes_shops_where_steps_would(
    bench, which, swapped, monkeypatch
):
    """Shops of which some lift something at first: faces and metal, to a hundredth of what changes."""
    step = step_of(bench, which, swapped)
    spell, before = bench.spell(step, (1,)), shops_of(bench, 0.3)
    hand = np.zeros(SHOPS, dtype=np.intp)
    stepped = lap_shops(spell, before, hand)
    taken = []

    def bearing(spell, *of):
        flows = spell.flows_of(*of)
        return lambda: taken.append(of) or flows

    monkeypatch.setattr(Spell, "bearing", bearing)
    ended = lap_shops(spell, before, hand)
    assert taken
    change = np.abs(stepped - before).max(axis=1)
    assert (np.abs(ended - stepped).max(axis=1) < 0.01 * change).all()
    assert np.abs(ended - stepped).max() > 0.0


@pytest.mark.parametrize(("radius", "bears"), [("27 mm", True), ("34 mm", False)])
def test_where_flat_faces_lift_shops_are_lapped_step_by_step(radius, bears, monkeypatch):
    """Flat discs lift from 0.3929 R on (checks page, 16; derived): the flow is then
    of a contact partly open, and pairs that bear lift again.
    """
    longer = bench_of(parse(STUDY.replace("15 mm", radius), "mine"))
    step = step_of(longer, 0, None)
    spell, before = longer.spell(step, (1,)), shops_of(longer, 0.3)
    hand = np.zeros(SHOPS, dtype=np.intp)
    stepped = lap_shops(spell, before, hand)
    flows = spell.flows_of("A", "B")
    assert flows.bears == bears
    monkeypatch.setattr(Spell, "bearing", lambda *_: lambda: flows)
    assert np.array_equal(lap_shops(spell, before, hand), stepped) != bears
