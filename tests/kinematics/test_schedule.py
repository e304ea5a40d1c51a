"""One reading of a schedule: swaps, fresh grit and how it fades, in the time loop and beforehand.

Expected cuts are integrals of exp(-age / fade), the law of `docs/theory.md`, taken here stroke by stroke.
"""

from collections import defaultdict
from math import exp, pi
from types import SimpleNamespace

import numpy as np
import pytest
from campaign_judged import real_places, stroke_by_stroke

from lapwright.integration.estimate import outlooks
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings
from lapwright.kinematics.schedule import (
    Stay,
    between_indexes,
    cut_shares,
    cut_time,
    kappa_from_observation,
    last_grit,
    stays,
    stays_by_weight,
    thinning,
)
from lapwright.kinematics.sliding import Rubbing, tendency
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.modal import cycle as course_module
from lapwright.modal import reduced_model as glance_module
from lapwright.modal.cycle import course, spells_of
from lapwright.modal.propagator import Followed
from lapwright.modal.reduced_model import Glances, ReducedModel
from lapwright.optimisation.summary import Handling
from lapwright.optimisation.surrogate import Surrogate, SurrogateIntegrator
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate
from lapwright.study.read import parse

FADE = 180.0
HEAD = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" }, cells = 24 }
plates.B = { like = "A" }
[grits.g]
size = "9 um"
wear = "1e-12 1/Pa"
fade = "3 min"
"""
STEP = """
[[steps]]
top = "A"
bottom = "B"
grit = "g"
stroke = { kind = "circle", travel = "30 %%" }
time = "%s"
%s
"""
READ = 'swap_every = { read = "1 min", on_top = "more domed" }'
ROUGH = Settings(poses=16, fewest_poses=16, accuracy=0.1)


def study(*steps):
    return parse(HEAD + "".join(STEP % step for step in steps))


def by_hand(strokes, pace, age=0.0, every=None):
    """Cut [s] of so many strokes and the age [s] afterwards: each stroke in a thousand slices."""
    cut, slices = 0.0, 1000
    for k in range(strokes):
        if every and k % every == 0:
            age = 0.0
        slice_ = 1.0 / pace / slices
        cut += sum(exp(-(age + (i + 0.5) * slice_) / FADE) for i in range(slices)) * slice_
        age += 1.0 / pace
    return cut, age


@pytest.mark.parametrize(("fresh", "every"), [("50 s", 33), ("65 s", 43), ("0.5 s", 1)])
def test_fresh_grit_falls_on_whole_strokes_everywhere(fresh, every):
    some = study(("4 min", f'fresh_grit_every = "{fresh}"'))
    (step,) = some.steps
    expected, _ = by_hand(160, 40 / 60, every=every)
    assert cut_time(step) == pytest.approx(expected, rel=1e-6)
    spells, _ = spells_of(ReducedModel(some.plates, some.steps, 4, 0), 1)
    assert sum(spell.cut for spell in spells) == pytest.approx(expected, rel=1e-6)
    (look,) = outlooks(some.plates, some.steps)
    assert sum(look.on_top.values()) == pytest.approx(expected, rel=1e-6)


def test_the_age_of_a_dab_goes_through_steps_that_swap_by_readings(monkeypatch):
    """Once such a step was told with a fresh dab, and the one after it with the age from before."""
    some = study(("4 min", ""), ("4 min", READ), ("4 min", ""))
    expected, age = [], 0.0
    for _ in some.steps:
        cut, age = by_hand(160, 40 / 60, age)
        expected.append(cut)
    cuts = defaultdict(float)
    usual = course_module._lap

    def noted(picture, spell, faces, watch):
        cuts[spell.step] += spell.cut
        usual(picture, spell, faces, watch)

    monkeypatch.setattr(course_module, "_lap", noted)
    some_course = course(ReducedModel(some.plates, some.steps, 4, 0), EdgeMargin())
    assert len(list(some_course)) == 3
    assert [cuts[k] for k in (1, 2, 3)] == pytest.approx(expected, rel=1e-6)
    looks = outlooks(some.plates, some.steps)
    assert [sum(look.on_top.values()) for look in looks] == pytest.approx(expected, rel=1e-6)
    ages = [
        m.clock.grit_age for m in lap(some.plates, some.steps, settings=ROUGH) if m.event == "step"
    ]
    assert ages == pytest.approx([240.0, 480.0, 720.0])


def test_a_dab_fades_over_the_stays_of_a_step(monkeypatch):
    """Once a glance shared out the time on top evenly: 92, 35 and 46 s of cut here."""
    some = study(("10 min", 'swap_every = "4 min"'))
    (step,) = some.steps
    expected, age = [], 0.0
    for strokes in (160, 160, 80):
        cut, age = by_hand(strokes, 40 / 60, age)
        expected.append(cut)
    cuts = []

    class Noted(Followed):
        def lap(self, key, evolution, start, cut):
            cuts.append((key, cut))
            return super().lap(key, evolution, start, cut)

    monkeypatch.setattr(glance_module, "Followed", Noted)
    (look,) = outlooks(some.plates, some.steps)
    assert Glances(some.plates).of(step, 1, look) is not None
    assert [top for top, _ in cuts] == ["A", "B", "A"]
    assert [cut for _, cut in cuts] == pytest.approx(expected, rel=1e-6)
    spells, _ = spells_of(ReducedModel(some.plates, some.steps, 4, 0), 1)
    assert [spell.cut for spell in spells] == pytest.approx(expected, rel=1e-6)


def test_stays_are_those_of_the_time_loop():
    some = study(("3 min", 'swap_every = { A = "65 s", B = "20 s" }'))
    told = [(stay.top, stay.first) for stay in stays(some.steps[0])]
    seen = [("A", 0)]
    seen += [
        (m.top, m.clock.strokes)
        for m in lap(some.plates, some.steps, settings=ROUGH)
        if m.event == "swap"
    ]
    assert told == seen
    assert len(told) > 3


@pytest.mark.campaign
def test_angles_met_while_a_dab_is_fresh_count_more():
    """Against every stroke singly at its real place: when all weighed alike, over 1 % of the metal off."""
    text = HEAD + STEP % ("20 min", 'turn = "90 deg every 20 strokes"\nfresh_grit_every = "5 min"')
    line = text.replace('kind = "circle", travel = "30 %"', 'kind = "line", travel = "40 %"')
    some = parse(line.replace("cells = 24", "cells = 16"))
    assert some.steps[0].grit.fade == FADE
    *_, fast = lap(some.plates, some.steps)
    with real_places():
        *_, real = lap(some.plates, some.steps, settings=stroke_by_stroke(12))
    metal = sum(real.removed.values()) / 2
    for name, plate in some.plates.items():
        told, true = (forms(plate, m.heights[name], EdgeMargin()).as_dict() for m in (fast, real))
        off = [abs(told[key] - true[key]) / metal for key in ("sphere", "saddle", "twist")]
        assert max(off) < 0.005


def test_a_step_that_stops_by_its_gauge_is_told_as_it_goes():
    """Once time was shared out as the cut is, and the dab aged for the whole spell."""
    some = study(("12 min", 'until = { removed = "20 nm" }'), ("5 min", ""))
    ends = [m.clock for m in lap(some.plates, some.steps, settings=ROUGH) if m.event == "step"]
    told = Surrogate(some, 4)
    settled = SimpleNamespace(moved=("x",), steps=some.steps, order=[1, 2])
    telling = SurrogateIntegrator(
        told.picture(settled), told.looks, told.start, Handling(some, some.steps[0]), 1020.0
    )
    for number, step in enumerate(some.steps, 1):
        telling.step(number, step)
        assert telling.clock == pytest.approx(ends[number - 1].time, rel=0.08)
        assert telling.age == pytest.approx(ends[number - 1].grit_age, rel=0.08)
    assert ends[0].time < 300.0


def test_a_dab_that_is_tired_out_takes_nothing_off_and_breaks_nothing():
    """Hours on a dab that fades in a minute, and on with it: the metal of a block underflows."""
    text = (HEAD + STEP % ("390 min", "") + STEP % ("10 min", "")).replace(
        'fade = "3 min"', 'fade = "1 min"'
    )
    tired = parse(text)
    *_, before, end = lap(tired.plates, tired.steps, settings=ROUGH)
    assert end.outcome == "done"
    assert end.removed["A"] == pytest.approx(before.removed["A"], abs=1e-15)


def test_the_last_grit_on_a_plate_goes_round_by_round() -> None:
    """A plate that lay aside keeps the grit of the step before, in the round before if need be."""
    coarse = SimpleNamespace(top="A", bottom="B", grit=SimpleNamespace(size=15e-6))
    fine = SimpleNamespace(top="A", bottom="C", grit=SimpleNamespace(size=3e-6))
    assert last_grit([coarse, fine], "A") == last_grit([coarse, fine], "C") == 3e-6
    assert last_grit([coarse, fine], "B") == 15e-6
    # The second round, stopped in its first step: C had its last grit in the first.
    assert last_grit([coarse, fine, coarse], "A") == 15e-6
    assert last_grit([coarse, fine, coarse], "C") == 3e-6
    assert last_grit([coarse], "C") is None


def test_stays_by_weight_take_as_much_metal_in_either_place() -> None:
    """Metal goes with load times time (Preston); times are whole half minutes, the lighter's five minutes."""
    for loads in ({"A": 43.0, "B": 43.0}, {"A": 10.0, "B": 30.0}, {"A": 690.0, "B": 110.0}):
        times = stays_by_weight(loads)
        assert max(times.values()) == 300.0
        work = [times[name] * load for name, load in loads.items()]
        assert abs(work[0] - work[1]) <= 15.0 * max(loads.values())
    assert stays_by_weight({"A": 10.0, "B": 30.0}, longer="B") == {"A": 300.0, "B": 300.0}
    assert stays_by_weight({"A": 43.0, "B": 43.0}, longer="A") == {"A": 900.0, "B": 300.0}


def test_what_strokes_cut_begins_anew_with_each_dab() -> None:
    """From second to second a dab cuts by exp(-1 / fade) less; here it lasts three strokes of a second."""
    (one,) = study(("4 min", 'fresh_grit_every = "3 s"\npace = "60 /min"')).steps
    age = np.array([0, 1, 2, 0, 1, 2, 0])
    cut = np.exp(-age / FADE)
    assert cut_shares(one, np.arange(7)) == pytest.approx(cut / cut.sum(), rel=1e-12)


def test_each_face_goes_down_by_its_own_wear_over_its_own_land() -> None:
    """Volume a second is wear x load x speed for either (Preston 1927); depth is that over the land."""
    plates = study(("1 min", "")).plates
    small = plates["B"].replace(outline=Disc(0.12))
    down = thinning(plates["A"], small, (2e-12, 5e-12), 7.0)
    lost = 2e-12 / (pi * 0.08**2) + 5e-12 / (pi * 0.06**2)
    assert down == pytest.approx(0.5 * 7.0 * lost, rel=1e-3)  # land of few cells


def test_a_rail_is_larger_than_a_plate_along_and_smaller_across() -> None:
    """Of faces that do not travel the one that reaches further hollows: mean x^2 is a^2/12 and D^2/16."""
    rail = Plate(Rectangle(0.3, 0.05), mass=1.0, cells=12, name="A")
    plate = Plate(Disc(0.16), mass=1.0, cells=12, name="B")
    assert 0.05**2 / 12.0 < 0.16**2 / 16.0 < 0.3**2 / 12.0
    none = dict.fromkeys("AB", Rubbing(1.0, 0.0, 0.0))
    found = tendency(rail, plate, {"A": 1.0, "B": 0.0}, none)
    assert (found.along, found.across) == (1.0, -1.0)


def test_a_stay_is_parted_where_the_step_sets_the_top_over() -> None:
    """Every ten strokes of the step, whenever the stay began."""
    parts = list(between_indexes(Stay("A", "B", 7, 25), 10))
    assert [(one.first, one.end) for one in parts] == [(7, 10), (10, 20), (20, 25)]


def test_metal_seen_to_go_tells_the_cut_of_a_fresh_dab() -> None:
    """Of a dab that fades the depth after t is wear x pressure x speed x fade (1 - exp(-t / fade))."""
    seen = HEAD.replace('wear = "1e-12 1/Pa"', 'wear = { removed = "1 um", in = "9 min" }')
    one = parse(seen + STEP % ("9 min", ""))
    grit = one.steps[0].grit
    found = kappa_from_observation(grit.wear.observed, grit, one.plates, {"A": 900.0, "B": 900.0})
    assert found.iron == pytest.approx(
        1e-6 / (900.0 * FADE * (1.0 - exp(-540.0 / FADE))), rel=1e-9, abs=0.0
    )
