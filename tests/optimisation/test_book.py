"""The book in a person's hands, and what it advises, against what must be so."""

import numpy as np
import pytest
from book_scene import USUAL, pair_read

import lapwright as lw
from lapwright.contact.placement import mating
from lapwright.errors import CommandError, StudyError
from lapwright.metrology.form import measure
from lapwright.optimisation.advise import advise
from lapwright.optimisation.bench import bench_of, flatness, target_of
from lapwright.optimisation.bench import mating as mating_of
from lapwright.optimisation.rollout import Rollout
from lapwright.optimisation.shop import one_normal
from lapwright.study.goal import Goal
from lapwright.study.read import parse

FORM = ', cells = 64, form = { dome = "2 um", twist = "0 um" }'
STUDY = pair_read(FORM, USUAL.splitlines(keepends=True)[0])


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(STUDY))


def test_flatness_of_many_is_the_minimum_zone_of_each(bench):
    """ISO 1101 by the exchange of `plate.flatness` on cells: the places here reach the edge itself."""
    shops, _ = bench.prior.draw(20, np.random.default_rng(1))
    basis = bench.layout.bases["A"]
    wanted = [
        measure(basis.plate, basis.surface(z), bench.layout.margin).flatness
        for z in bench.layout.heights("A", shops)
    ]
    assert flatness(bench.layout, "A", shops) == pytest.approx(wanted, rel=0.03)


def test_what_was_typed_is_believed_and_what_was_not_is_open(tmp_path):
    path = tmp_path / "pair.toml"
    path.write_text(STUDY, "utf-8")
    now = lw.Book(path).now
    dome, twist, other = now.form("A", "sphere"), now.form("A", "twist"), now.form("B", "twist")
    assert dome.middle == pytest.approx(2e-6, abs=0.02e-6)
    assert dome.high - dome.low == pytest.approx(2 * 1.96 * 0.2e-6 / np.sqrt(3.0), rel=0.1)
    # Shapes of fourth degree, 0.1 um in all, add to a twist that is typed within 0.1 um.
    assert 1.0 < (twist.high - twist.low) / (2 * 1.96 * 0.1e-6 / np.sqrt(3.0)) < 1.4
    assert other.high - other.low == pytest.approx(2 * 1.96 * 1e-6 / np.sqrt(3.0), rel=0.1)
    wear = now.wear("15 um", "A")
    assert wear.high / wear.low == pytest.approx(10.0, rel=0.15)  # the band of ten
    with pytest.raises(CommandError, match="there is no plate C"):
        now.form("C", "sphere")


def test_an_entry_is_written_taken_in_and_taken_back(tmp_path):
    path = tmp_path / "pair.toml"
    path.write_text(STUDY, "utf-8")
    book = lw.Book(path)
    before = book.now.form("A", "sphere")
    book.add({"readings": [{"gauge": "sph", "plate": "A", "value": "0.45 um"}]})
    after = book.now.form("A", "sphere")
    # A spherometer on half the plate reads a quarter of the dome: 1.8 um, with 0.26 um of scatter and zero.
    assert before.middle > after.middle > 1.8e-6
    assert after.high - after.low < before.high - before.low
    again = lw.Book(path).now.form("A", "sphere")
    assert again == after
    with pytest.raises(StudyError):
        book.add({"readings": [{"gauge": "sph", "plate": "C", "value": "0.45 um"}]})
    assert len(lw.Book(path).entries) == 1
    assert book.undo()
    assert book.now.form("A", "sphere") == before
    assert not book.undo()


def flat(bench, size=0.02e-6):
    """Knowledge of plates that are flat, known to `size` [m]; constants as beforehand."""
    mean, covariance = bench.prior.mean[0].copy(), bench.prior.cloud[0].copy()
    for name in bench.layout.plates:
        own = bench.layout.face(name)
        mean[own] = 0.0
        covariance[own, own] *= (size / 1e-6) ** 2
    return one_normal(mean, covariance)


def test_flat_plates_are_left_alone(bench):
    advice = advise(bench, flat(bench), target_of(bench), bench.study.steps, 1)
    assert advice.step is None
    assert advice.why == "reached"
    assert advice.chance > 0.95


def test_the_rule_stops_at_once_on_plates_that_read_flat(bench):
    known = flat(bench)
    shops, _ = known.draw(30, np.random.default_rng(2))
    goal = target_of(bench, Goal(flatness=1e-6))
    played = Rollout(bench, goal, bench.study.steps).play(
        shops, np.zeros(30, dtype=np.intp), "A", 0, np.full((1, 2), 1e-9), np.random.default_rng(3)
    )
    assert played.reached.all()
    assert not played.spells.any()
    assert np.array_equal(played.shops, shops)


def test_how_badly_many_mate_is_the_misfit_of_each_pair(bench):
    """The rms of the sum of the maps, one turned over on the other, cell by cell."""
    shops, _ = bench.prior.draw(12, np.random.default_rng(4))
    pair, layout = ("B", "A"), bench.layout
    faces = {name: (layout.bases[name].plate, layout.heights(name, shops)) for name in pair}
    wanted = [
        mating(
            *(
                part
                for name in pair
                for part in (faces[name][0], layout.bases[name].surface(faces[name][1][k]))
            ),
            layout.margin,
        )
        for k in range(len(shops))
    ]
    assert mating_of(layout, pair, shops) == pytest.approx(wanted, rel=0.05)


@pytest.mark.long
def test_a_goal_of_the_pair_and_what_is_kept_are_told_apart(bench):
    """Domes of 2 um and 0 um read 2 um apart; a plate that is as it came has kept its dome."""
    goal = Goal(difference="2.5 um", keep={"B": {"dome": "0.2 um"}})
    target = target_of(bench, goal)
    centre = bench.prior.centre[None]
    assert target.sizes(bench.layout, centre)[0] == pytest.approx([2e-6, 0.0], abs=0.02e-6)
    assert target.reached(bench.layout, centre).all()
    known = bench.prior.centre.copy()
    known[bench.layout.face("B")] += known[bench.layout.face("A")]  # now B is domed by 2 um as well
    sizes = target.sizes(bench.layout, known[None])[0]
    assert sizes == pytest.approx([0.0, 2e-6], abs=0.02e-6)
    assert not target.reached(bench.layout, known[None]).any()
    for asked in (goal, Goal(mating="0.01 um")):
        advice = advise(bench, bench.prior, target_of(bench, asked), bench.study.steps, 1)
        assert advice.step is not None or advice.why in ("reached", "read", "worse", "no better")


def test_the_goal_of_a_study_is_that_of_its_book(tmp_path):
    path = tmp_path / "pair.toml"
    path.write_text(
        STUDY + '[goal]\nflatness = "1 um"\nplates = ["B"]\neffort = { wash = "1 h" }\n', "utf-8"
    )
    goal = lw.Book(path).goal
    assert [(one.key, one.limit) for one in goal.asked] == [("B.flatness", pytest.approx(1e-6))]
    assert (goal.effort.wash, goal.effort.swap) == (3600.0, 120.0)
