"""The linear flow of a spell against shops that are lapped with true contact, over random ones."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.optimisation.bench import bench_of
from lapwright.optimisation.flow import linear
from lapwright.optimisation.spell import lap_shops
from lapwright.specification.step import Swap
from lapwright.study.read import parse

STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
plates.C = { disc = "220 mm", thickness = "30 mm", material = "granite" }
[[steps]]
top = "A"
bottom = "B"
grit = "9 um"
stroke = { kind = "circle", radius = "15 mm" }
time = "6 min"
turn = "8 deg per stroke"
[[steps]]
top = "A"
bottom = "C"
grit = "9 um"
stroke = { kind = "circle", radius = "15 mm" }
time = "6 min"
turn = "8 deg per stroke"
"""
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


@pytest.mark.parametrize("swapped", [False, True])
def test_while_all_land_bears_a_shop_ends_where_it_is_lapped_to(bench, swapped):
    """To a hundredth of what the spell changes: the lapping is third order in time, the flow exact."""
    step = bench.study.steps[0]
    if swapped:
        step = replace(step, swap=Swap(on_top={"A": 180.0, "B": 180.0}))
    spell, before = bench.spell(step, (1,)), shops_of(bench, 0.02)
    ended = lap_shops(spell, before, np.zeros(SHOPS, dtype=np.intp))
    told, _ = linear(spell, before)
    for name in "AB":
        own = bench.layout.face(name)
        change = np.abs(ended - before)[:, own].max(axis=1)
        assert (np.abs(told - ended)[:, own].max(axis=1) < 0.01 * change).all()


def test_how_the_end_answers_is_how_lapping_answers(bench):
    """By central differences of shops that are lapped, one direction of faces and each constant."""
    spell, before = bench.spell(bench.study.steps[0], (1,)), shops_of(bench, 0.02)
    layout, hand = bench.layout, np.zeros(SHOPS, dtype=np.intp)
    _, jump = linear(spell, before)
    rng = np.random.default_rng(2)
    face = np.zeros(layout.size)
    face[layout.face("A")] = 2e-9 * rng.standard_normal(layout.face("A").stop)
    ways = [face]
    metal = layout.plates["A"].material.name
    for at in (layout.wear("9 um", metal), layout.layer("9 um"), layout.day):
        ways.append(0.02 * np.eye(layout.size)[at])
    for way in ways:
        up, down = (lap_shops(spell, before + sign * way, hand) for sign in (1.0, -1.0))
        for name in "AB":
            own = layout.face(name)
            lapped = 0.5 * (up - down)[:, own]
            told = (jump @ way)[:, own]
            assert np.abs(told - lapped).max() < 0.03 * np.abs(lapped).max()


def test_of_two_metals_the_wear_of_each_tells_of_both_faces(bench):
    """By half: the flow goes as the geometric mean of the two wears, which is where their sum mates."""
    spell, before = bench.spell(bench.study.steps[1], (1,)), shops_of(bench, 0.02)
    layout = bench.layout
    _, jump = linear(spell, before)
    one, two = (layout.wear("9 um", layout.plates[name].material.name) for name in "AC")
    assert one != two
    np.testing.assert_allclose(jump[:, layout.face("A"), one], jump[:, layout.face("A"), two])
