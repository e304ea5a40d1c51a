"""What to read next, against the information form of the same update and against what must be so."""

import numpy as np
import pytest
from book_scene import FINE, pair_read

import lapwright as lw
from lapwright.metrology.reading import Reading
from lapwright.optimisation.advise import advise
from lapwright.optimisation.bench import bench_of, equipped, target_of
from lapwright.optimisation.book import Book
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.shop import one_normal
from lapwright.optimisation.sight import TELLS, all_readings, sight_of, to_read
from lapwright.study.read import parse

STUDY = pair_read(', cells = 48, form = { dome = "2 um", twist = "0 um" }', "")
COARSE = """
gauges.sph = { kind = "spherometer", foot_circle = "110 mm", resolution = "2 um", repeatability = "1 um" }
"""


TYPED = [("A", "sphere"), ("A", "twist")]  # of B nothing: `like` copies no form


def believed(bench, domes, within):
    """One normal: domes [m] of A and B known within so much [m] each, the rest as beforehand but small."""
    mean, covariance = bench.prior.mean[0].copy(), bench.prior.cloud[0].copy()
    for (name, dome), size in zip(domes.items(), within, strict=True):
        own = bench.layout.face(name)
        at, back = bench.layout.quadratic(name)
        covariance[own] = covariance[:, own] = 0.0
        covariance[own, own] = np.eye(own.stop - own.start) * (5e-9) ** 2
        mean[own] = 0.0
        mean[at] = back @ [dome, 0.0, 0.0]
        covariance[np.ix_(at, at)] += (
            back @ np.diag([size**2, (0.02e-6) ** 2, (0.02e-6) ** 2]) @ back.T
        )
    return one_normal(mean, covariance)


@pytest.fixture(scope="module")
def bench():
    return bench_of(parse(FINE + STUDY))


def test_the_first_reading_is_the_one_that_leaves_least_unknown(bench):
    """By the information form, C' = (C^-1 + h h^T / r^2)^-1 (R. Kalman 1960), of every reading there is."""
    known, goal = bench.prior, target_of(bench)
    names = [(name, form) for name in "AB" for form in ("sphere", "saddle", "twist")]
    rows = np.vstack([bench.layout.form_rows(name) for name in bench.layout.plates])
    # Typed ones are known: a dome of 2 um is no less than the goal, and a twist is none.
    open_ = [k for k, name in enumerate(names) if name not in TYPED]
    names, rows = [names[k] for k in open_], rows[open_]
    some = np.flatnonzero(known.covariance.diagonal() > 0.0)
    inverse = np.linalg.inv(known.covariance[np.ix_(some, some)])
    left = []
    for reading in all_readings(bench):
        sight = sight_of(bench.layout, [reading], bench.gauges)
        h = sight.rows[:, some]
        after = np.linalg.inv(inverse + h.T @ np.linalg.inv(sight.noise) @ h)
        left.append(np.diag(rows[:, some] @ after @ rows[:, some].T))
    asked = to_read(bench, known, goal)
    best = int(np.argmin([own.sum() for own in left]))
    assert left[best].sum() == pytest.approx(
        next(
            o.sum() for o, r in zip(left, all_readings(bench), strict=True) if r == asked[0].reading
        ),
        rel=1e-6,
    )
    wanted = 1.96 * np.sqrt(left[best][names.index(asked[0].form)])
    assert asked[0].then == pytest.approx(wanted, rel=1e-3)
    assert asked[0].then < asked[0].now


def test_what_was_read_is_not_asked_for_again_and_what_is_known_not_at_all(bench):
    goal = target_of(bench)
    every = all_readings(bench)
    assert to_read(bench, bench.prior, goal)
    assert to_read(bench, bench.prior, goal, every) == ()
    assert to_read(bench, believed(bench, {"A": 2e-6, "B": -1e-6}, (0.02e-6, 0.02e-6)), goal) == ()


def test_the_plate_that_is_not_known_is_read(bench):
    known = believed(bench, {"A": 0.5e-6, "B": 0.0}, (0.02e-6, 1e-6))
    first = to_read(bench, known, target_of(bench))[0]
    assert (first.reading.gauge, first.reading.plate, first.form) == ("sph", "B", ("B", "sphere"))
    assert first.now == pytest.approx(1.96e-6, rel=0.02)


def test_what_changes_nothing_is_not_read_first(bench):
    """A dome of 3 um within 0.4 um goes on top whatever is read; one within 1 um of nothing may be a dish."""
    domes = {"A": 3e-6, "B": 0.0}
    asked = to_read(bench, believed(bench, domes, (0.2e-6, 0.5e-6)), target_of(bench))
    assert {one.form for one in asked} == {("B", "sphere")}


@pytest.mark.parametrize(
    ("repeatability", "asked"), [("0.2 um", True), ("0.5 um", True), ("2 um", False)]
)
def test_what_tells_too_little_is_not_read_first(repeatability, asked):
    """Feet at 55 of 80 mm see 0.47 of a dome (sagitta); of 1 um (1 s.d.) 2 um leaves all but a twentieth."""
    seen = (55.0 / 80.0) ** 2
    assert (seen**2 / (seen**2 + float(repeatability.split()[0]) ** 2) > TELLS) == asked
    gauges = COARSE.replace('"2 um"', '"0.05 um"').replace('"1 um"', f'"{repeatability}"')
    bench = bench_of(parse(gauges + STUDY))
    known, goal = believed(bench, {"A": 0.0, "B": 0.0}, (1e-6, 1e-6)), target_of(bench)
    wanted = {("A", "sphere"), ("B", "sphere")} if asked else set()
    assert {one.form for one in to_read(bench, known, goal)} == wanted


@pytest.mark.campaign
@pytest.mark.usefixtures("choosing")
def test_what_helps_and_harms_is_named_and_not_called_worthless():
    """A hollow of 4 um under a dome of 1 um, saddles and twists unread and unseen: lapped, each gets some.

    That the hollow gets less with the domed one on top is from F. W. Preston 1927.
    """
    study = STUDY.replace(', twist = "0 um"', "").replace("2 um", "1 um")
    study = study.replace('like = "A"', 'disc = "160 mm", thickness = "30 mm", cells = 48')
    # For 0.3 um there are spells that get some shops there and harm few; for 0.1 um there is none.
    study += '[goal]\nflatness = "0.1 um"\n'
    book = Book(parse(FINE.splitlines()[0] + study))
    book.add(Entry(readings=(Reading("sph", "A", 0.47e-6), Reading("sph", "B", -1.9e-6))))
    advice = book.next()
    assert advice.why == "worse"
    assert advice.harm[0].asked.plate == "A"


@pytest.mark.campaign
@pytest.mark.usefixtures("choosing")
def test_nobody_stops_or_laps_blindly_while_a_reading_would_tell(bench):
    """Both domes within 3 um either way: whichever plate is on top makes one of them worse."""
    known = believed(bench, {"A": 0.0, "B": 0.0}, (1.5e-6, 1.5e-6))
    goal = target_of(bench)
    advice = advise(bench, known, goal, bench.study.steps, 1)
    assert (advice.step, advice.why) == (None, "read")
    assert {one.form for one in advice.read} >= {("A", "sphere"), ("B", "sphere")}


@pytest.mark.campaign
@pytest.mark.usefixtures("choosing")
def test_a_pair_that_is_far_off_is_lapped_nearer_where_no_gauge_tells_the_goal():
    """A domed 2 um lies in B, hollow 2 um; both are well known, but any reading to come is 2 um unsure.

    The top wears hollow and the bottom domed (F. W. Preston 1927), so with A on top both come nearer.
    """
    bench = bench_of(parse(COARSE + STUDY))
    known = believed(bench, {"A": 2e-6, "B": -2e-6}, (0.05e-6, 0.05e-6))
    advice = advise(bench, known, target_of(bench), bench.study.steps, 1, None, all_readings(bench))
    assert advice.step is not None
    assert advice.step.top == "A"
    assert advice.why == "closer"
    assert advice.excess[1] < 0.95 * advice.excess[0]
    assert advice.excess[0] == pytest.approx(
        2e-6 / 0.3e-6, rel=0.1
    )  # flatness of a dome alone is the dome


def test_a_study_without_gauges_is_read_with_usual_ones(tmp_path):
    study = parse(STUDY)
    assert equipped(study).gauges.keys() == {
        "spherometer, three feet",
        "twist gauge",
        "straightedge",
    }
    assert equipped(equipped(study)).gauges == equipped(study).gauges
    two = parse(
        STUDY.replace(
            'plates.B = { like = "A" }', 'plates.B = { disc = "200 mm", thickness = "30 mm" }'
        )
    )
    bench = bench_of(equipped(two))
    assert "straightedge for B" in bench.gauges
    for reading in all_readings(bench):  # no foot beside its plate
        outline = bench.layout.plates[reading.plate].outline
        touched = bench.gauges[reading.gauge].contacts(reading.place, outline)
        assert outline.signed_distance(touched.x, touched.y).max() < 2e-6
    assert not any(r.gauge.endswith("for B") and r.plate == "A" for r in all_readings(bench))
    path = tmp_path / "pair.toml"
    path.write_text(STUDY, "utf-8")
    assert lw.Book(path).usual_gauges
