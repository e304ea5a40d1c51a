"""One reading of a schedule: swaps, fresh grit and how it fades, in the time loop and beforehand.

Expected cuts are integrals of exp(-age / fade), the law of `docs/theory.md`, taken here stroke by stroke.
"""

from collections import defaultdict
from math import exp

import pytest

from lapwright.lapping.outlook import outlooks
from lapwright.lapping.run import Settings, lap
from lapwright.lapping.schedule import cut_time, stays
from lapwright.modes import course as course_module
from lapwright.modes import glance as glance_module
from lapwright.modes.course import course
from lapwright.modes.glance import Glances
from lapwright.modes.lifting import Watch
from lapwright.modes.picture import Picture
from lapwright.modes.schedule import spells_of
from lapwright.plate.measure import EdgeMargin
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
    spells, _ = spells_of(Picture(some.plates, some.steps, 4, 0), 1)
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
    some_course = course(Picture(some.plates, some.steps, 4, 0), EdgeMargin())
    assert len(list(some_course)) == 3
    assert [cuts[k] for k in (1, 2, 3)] == pytest.approx(expected, rel=1e-6)
    looks = outlooks(some.plates, some.steps)
    assert [sum(look.on_top.values()) for look in looks] == pytest.approx(expected, rel=1e-6)
    ages = [m.clock.grit_age for m in lap(some.plates, some.steps, settings=ROUGH) if m.event == "step"]
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

    class Noted(Watch):
        def lap(self, key, evolution, start, cut):
            cuts.append((key, cut))
            return super().lap(key, evolution, start, cut)

    monkeypatch.setattr(glance_module, "Watch", Noted)
    (look,) = outlooks(some.plates, some.steps)
    assert Glances(some.plates).of(step, 1, look) is not None
    assert [top for top, _ in cuts] == ["A", "B", "A"]
    assert [cut for _, cut in cuts] == pytest.approx(expected, rel=1e-6)
    spells, _ = spells_of(Picture(some.plates, some.steps, 4, 0), 1)
    assert [spell.cut for spell in spells] == pytest.approx(expected, rel=1e-6)


def test_stays_are_those_of_the_time_loop():
    some = study(("3 min", 'swap_every = { A = "65 s", B = "20 s" }'))
    told = [(stay.top, stay.first) for stay in stays(some.steps[0])]
    seen = [("A", 0)]
    seen += [
        (m.top, m.clock.strokes) for m in lap(some.plates, some.steps, settings=ROUGH) if m.event == "swap"
    ]
    assert told == seen
    assert len(told) > 3
