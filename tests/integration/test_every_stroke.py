"""Averages beside every stroke singly: twenty-four of the studies of `docs/design/every_stroke.py`.

The outside is the run in which nothing is averaged over strokes.  They are the first of at most 500 strokes,
not chosen otherwise, and hold every kind of face and of turning.
"""

from dataclasses import make_dataclass, replace
from functools import cache
from itertools import count, islice
from math import degrees

import numpy as np
import pytest
from campaign_judged import PHASES, errors, kept_at, reference, run, stroke_by_stroke
from campaign_studies import FACES, drawn, values

from lapwright.contact.sampling import block_sample
from lapwright.integration.state import Settings
from lapwright.kinematics.motion import Motion

SHORT = 8  # of 61 strokes
ROUGH = 176
ROUND = 17


study_of = cache(drawn)
real_of = cache(lambda index: reference(None, study_of(index)))


@cache
def first():
    """The twenty-four."""
    return tuple(islice((s for s in map(study_of, count()) if s.step.strokes <= 500), 24))


@pytest.fixture(scope="module", params=[6, 24], ids=["six", "all"])
def lapped(request):
    """True and printed error of each form of each plate at the end, of some studies."""
    found = []
    for study in first()[: request.param]:
        real, fast = reference(None, study), run(study, Settings())
        assert not real.trouble, study.words
        assert not fast.trouble, study.words
        found.append((study, [e for e in errors(study, fast, real) if e.event == "end"]))
    return found


@pytest.mark.campaign
@pytest.mark.often("six")
def test_true_errors_are_within_twice_those_printed(lapped):
    """At least 95 in a hundred; and what is printed is not so much that anything would be within it."""
    every = [e for _, of_study in lapped for e in of_study]
    assert len(every) == 2 * 3 * len(lapped)
    outside = [(e.index, e.plate, e.form, e.true, e.printed) for e in every if not e.within]
    assert len(outside) <= 0.05 * len(every), outside
    assert float(np.median([e.printed for e in every])) < 0.002


@pytest.mark.campaign
@pytest.mark.often("six")
def test_errors_are_small(lapped):
    """Half are below a thousandth of the metal removed, none above half a hundredth."""
    every = [e for _, of_study in lapped for e in of_study]
    assert float(np.median([e.true for e in every])) < 0.001
    large = [
        (e.true, e.plate, e.form, study.words)
        for study, es in lapped
        for e in es
        if not e.true <= 0.005
    ]
    assert not large


@pytest.mark.long
def test_a_rough_hand_has_poses_enough():
    """A rail on a plate, 774 strokes, all unlike: at most 2048 poses for 216 of them left 0.58 % open."""
    study = study_of(ROUGH)
    assert not study.step.hand.steady
    fast = run(study, Settings())
    assert max(e.true for e in errors(study, fast, reference(None, study))) < 0.005


@pytest.mark.campaign
@pytest.mark.often("3")
@pytest.mark.parametrize("seed", [3, 1])
def test_what_runs_round_with_the_top_is_there_at_the_end(seed):
    """A disc turned on a ring: last blocks of five and six whole turns left its saddle 0.75 % off."""
    study = study_of(ROUND)
    fast = run(study, Settings(), seed)
    assert max(e.true for e in errors(study, fast, real_of(ROUND))) < 0.005


@pytest.mark.campaign
@pytest.mark.often("174", "339")
@pytest.mark.parametrize("index", [174, 339, 295])
def test_the_last_strokes_are_lapped_in_their_order(index):
    """A rough hand, and a walk by 120 degrees: means of blocks missed up to 1.1 % of the metal."""
    study = study_of(index)
    assert not study.step.hand.steady or study.step.walk.indexed
    fast, real = run(study, Settings()), reference(None, study)
    assert real.blocks == study.step.total_strokes > fast.blocks
    assert max(e.true for e in errors(study, fast, real) if e.event == "end") < 0.005


@pytest.mark.campaign
def test_a_study_follows_from_its_number():
    assert drawn(17).digest == drawn(17).digest
    assert len({study.digest for study in first()}) == len(first())
    kinds = {kind for study in first() for kind in study.kinds}
    assert kinds >= set(FACES) | {"turned", "unturned", "set over", "walked", "walked, set over"}


def test_a_key_tells_values_and_not_how_their_classes_look() -> None:
    """References outlive a class that gains a field, or whose fields stand in another order."""
    now = make_dataclass("Step", [("pace", float, 0.5), ("load", tuple, (1e-3, 2.0))], frozen=True)
    later = make_dataclass(
        "Step",
        [("load", tuple, (1e-3, 2)), ("new", str, None), ("pace", float, 0.5 + 1e-16)],
        frozen=True,
    )
    assert values(now()) == values(later())
    assert values(now()) != values(now(pace=0.5 + 1e-11))
    assert values(now()) != values(replace(now(), load=(1e-3, -2.0)))


@pytest.mark.campaign
def test_the_studies_are_of_all_kinds_and_within_bounds():
    """What the page says of them: faces, turning, strokes, number of strokes, depth of layer."""
    studies = [study_of(i) for i in range(len(FACES) * 5)]
    kinds = {kind for study in studies for kind in study.kinds}
    wanted = {"turned", "unturned", "set over", "walked", "walked, set over", "turned and walked"}
    wanted |= {"scatter", "swapped", "grooves", "fading grit", "hand off centre"}
    wanted |= {"circle", "ellipse", "line", "figure-eight", "zigzag", "rosette"}
    assert wanted | set(FACES) <= kinds
    assert {study.kinds[0] for study in studies[: len(FACES)]} == set(FACES)
    for study in studies:
        step = study.step
        assert 60 <= step.strokes <= 1200
        assert 0.2e-6 <= step.grit.layer.depth <= 5e-6
        assert abs(degrees(step.turn.angle)) <= 180.0 + 1e-9
        if not step.turn.indexed:
            assert abs(degrees(step.turn.angle)) <= 120.0 + 1e-9


@pytest.mark.parametrize("index", [0, 5, 10, 12])  # turned, zigzag, walked and scattered, walked
def test_a_block_of_one_stroke_has_all_its_poses_evenly_in_that_stroke(index):
    motion = Motion(study_of(index).step, (0, 1, 1))
    for first in (0, 7, 33):
        sample = block_sample(motion, 100.0, first, 1, PHASES, (0.3, 0.9))
        places = np.sort(sample.poses.strokes) - first
        assert places.min() >= 0.0
        assert places.max() < 1.0
        assert np.diff(places) == pytest.approx(1.0 / PHASES, abs=1e-9)
        # All count about alike; the ends of an open stroke a little otherwise.
        assert sample.share.sum() == pytest.approx(1.0, rel=1e-12)
        assert sample.share == pytest.approx(1.0 / PHASES, rel=0.5)


def test_every_stroke_singly_does_not_hang_on_the_poses_in_a_stroke():
    """Each stroke is a block; with a quarter as many poses forms stay within 0.1 % of the removal."""
    study = study_of(SHORT)
    many, few = (run(study, stroke_by_stroke(n)) for n in (PHASES, PHASES // 4))
    assert many.blocks == few.blocks == study.step.total_strokes
    assert 0.0 < max(e.true for e in errors(study, few, many)) < 0.001


@pytest.mark.campaign
def test_a_kept_reference_is_made_anew_where_the_wear_has_changed(tmp_path):
    """Other cells or another face under the old name: what the kernels give for a few poses tells."""
    study = study_of(SHORT)
    study = replace(study, step=replace(study.step, strokes=48))
    made = reference(tmp_path, study, phases=16)
    path = kept_at(tmp_path, study, phases=16)
    assert reference(tmp_path, study, phases=16, made=False).removed == made.removed
    b = study.plates["B"]
    for changed in (replace(b, cells=b.cells - 8), replace(b, form=replace(b.form, sphere=1e-7))):
        other = replace(study, plates=study.plates | {"B": changed})
        kept_at(tmp_path, other, phases=16).write_bytes(path.read_bytes())
        assert reference(tmp_path, other, phases=16, made=False) is None
        assert reference(tmp_path, other, phases=16).removed != made.removed
        assert reference(tmp_path, other, phases=16, made=False) is not None
