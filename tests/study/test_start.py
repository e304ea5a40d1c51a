"""`start = "RUN"`: going on from the faces at the end of a run.

The engine is its own outside here: a run that is cut in two must end as the whole one does, and what was
lapped in two goes must have lost the metal of one (W. Archard's law is additive in the way rubbed).
"""

from __future__ import annotations

import json
import os
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import lapwright as lw
from lapwright.commands.main import main
from lapwright.commands.options import changed_since
from lapwright.errors import CannotDoError, CommandError, StudyError
from lapwright.integration.loop import lap
from lapwright.metrology.form import measure
from lapwright.optimisation.bench import bench_of
from lapwright.results import runfile
from lapwright.results.record import SHAPES, Run
from lapwright.results.recorder import check_same
from lapwright.study.read import load, parse

PAIR = """title = "First pair"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um", twist = "1 um" }, cells = 24 }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "9 deg per stroke"
load = "40 N"
time = "10 min"
"""
ON = 'start = "first"\n' + PAIR


@pytest.fixture(scope="module")
def first() -> Run:
    return parse(PAIR).run()


@pytest.fixture
def bench(first: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the first run in it."""
    monkeypatch.chdir(tmp_path)
    Path("first").mkdir()
    first.write("first/run.h5")
    return tmp_path


@pytest.fixture(scope="module")
def second(first: Run, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The run that goes on from the first."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.mktemp("on"))
        Path("first").mkdir()
        first.write("first/run.h5")
        return parse(ON).run()


def largest(one: np.ndarray, other: np.ndarray, land: np.ndarray) -> float:
    return float(np.abs(one - other)[land > 0.0].max())


@pytest.mark.campaign
def test_plates_begin_with_the_faces_at_the_end(bench: Path, first: Run) -> None:
    second = parse(ON)
    assert second.start is not None
    assert second.start.plates == {"A": "A", "B": "B"}
    assert second.start.time == 600.0
    for name, record in first.plates.items():
        plate = second.plates[name]
        # Micrometres added to micrometres: their last bits are 1e-21 m.
        assert largest(plate.heights(), record.frames[-1], plate.land) < 1e-20
        assert plate.form.sphere == pytest.approx(record.form.sphere, abs=1e-15)


@pytest.mark.campaign
def test_going_on_is_what_the_engine_makes_of_those_faces(bench: Path, first: Run) -> None:
    second = parse(ON)
    moments = list(lap(second.plates, second.steps, seed=second.seed, margin=second.margin))
    begun = replace(
        moments[0], heights={name: one.frames[-1] for name, one in first.plates.items()}
    )
    *_, end = lap(
        parse(PAIR).plates, second.steps, seed=second.seed, margin=second.margin, after=begun
    )
    for name, plate in second.plates.items():
        assert largest(moments[-1].heights[name], end.heights[name], plate.land) < 1e-18


@pytest.mark.campaign
def test_two_runs_are_one_run_of_both(first: Run, second: Run) -> None:
    # 400 strokes of 9 deg are ten whole turns: the second run takes the top up as the first left it.
    whole = parse(PAIR.replace("10 min", "20 min")).run()
    for name, record in whole.plates.items():
        cut = second.plates[name]
        for form in ("sphere", "saddle", "twist"):
            # What is printed is twice the error of each; both runs of the cut one have theirs.
            told = [run.plates[name].error[form][-1] for run in (whole, first, second)]
            apart = cut.forms[form][-1] - record.forms[form][-1]
            assert abs(apart) <= 2.0 * np.sqrt(np.sum(np.square(told)))
            # And the error is not so large that anything would pass.
            changed = record.forms["sphere"][-1] - record.forms["sphere"][0]
            assert 2.0 * np.sqrt(np.sum(np.square(told))) < 0.1 * abs(changed)
    # Force times way fixes the metal that both lose together.
    off = sum(first.plates[name].removed[-1] + second.plates[name].removed[-1] for name in "AB")
    assert off == pytest.approx(sum(whole.plates[name].removed[-1] for name in "AB"), rel=1e-4)


def test_worn_volume_is_kept_from_run_to_run(first: Run, second: Run) -> None:
    for name, cut in second.plates.items():
        land = cut.land
        lost = first.plates[name].frames[0] - cut.frames[-1]
        worn = first.plates[name].removed[-1] + cut.removed[-1]
        assert float((lost * land).sum() / land.sum()) == pytest.approx(worn, rel=1e-9)


@pytest.mark.parametrize("cells", [18, 32, 48])
def test_other_cells_keep_form_and_volume_and_are_said(bench: Path, first: Run, cells: int) -> None:
    second = parse(ON.replace("cells = 24", f"cells = {cells}"))
    assert second.assumed["plates.A.face"] == f"from 24 cells across laid on {cells}"
    for name, record in first.plates.items():
        plate = second.plates[name]
        found = measure(plate, plate.heights(), second.margin).as_dict()
        moved = abs(record.forms["sphere"][-1] - record.forms["sphere"][0])
        for form in SHAPES:
            if found[form] is not None:
                assert found[form] == pytest.approx(record.forms[form][-1], abs=0.01 * moved)
        mean = (record.frames[-1] * record.land).sum() / record.land.sum()
        assert (plate.heights() * plate.land).sum() / plate.land.sum() == pytest.approx(
            mean, abs=0.005 * record.removed[-1]
        )


@pytest.mark.parametrize("cells", [24, 96])
def test_a_known_face_laid_on_other_cells(first: Run, cells: int) -> None:
    wave = PAIR.replace(
        "twist =", 'ripple = { height = "0.3 um", wavelength = "80 mm", angle = "30 deg" }, twist ='
    )
    fine = parse(wave.replace("cells = 24", "cells = 48"))
    plates = {
        name: replace(record, frames=np.stack(2 * [plate.heights()]), land=plate.land)
        for (name, record), plate in zip(first.plates.items(), fine.plates.values(), strict=True)
    }
    known = replace(first, study=fine, plates=plates)
    fresh = parse(wave.replace("cells = 24", f"cells = {cells}"))
    off = fresh.replace(start=known).plates["A"].heights() - fresh.plates["A"].heights()
    # Of a wave of k h a cell a mean over twice the cell is (k 2 h)^2 / 24 too low, Keys' curve (1981) off by
    # less; within three cells of the rim the face is carried on, which is good to (k h)^2 of the wave.
    step = 2.0 * np.pi / 80e-3 * (160e-3 / 48)
    land = fresh.plates["A"].land_inside(3.0 * 160e-3 / 24)
    assert np.abs(off[land > 0.0]).max() < 0.15e-6 * (2.0 * step) ** 2 / 24.0 * 1.2
    assert np.abs(off[fresh.plates["A"].land > 0.0]).max() < 0.15e-6 * step**2


def test_another_plate_of_the_run_and_others_beside_it(bench: Path, first: Run) -> None:
    other = ON.replace('start = "first"', 'start = { run = "first", B = "A" }')
    second = parse(other)
    land = second.plates["B"].land
    assert largest(second.plates["B"].heights(), first.plates["A"].frames[-1], land) < 1e-20
    assert second.plates["A"].form.measured is None
    assert second.plates["A"].form.sphere == pytest.approx(3e-6)
    third = parse(ON.replace("plates.B", "plates.C").replace('bottom = "B"', 'bottom = "C"'))
    assert third.start is not None
    assert third.start.plates == {"A": "A"}
    assert third.plates["C"].form.measured is None


BAD = {
    "start = 5": "names no run",
    'start = ""': "names no run",
    'start = { A = "B" }': "names no run",
    'start = "nowhere"': "there is no run 'nowhere'",
    'start = "first.toml"': "is a study: lap it first",
    'start = "empty"': "there is no run.h5 in 'empty'",
    'start = "stopped"': "was stopped",
    'start = "part.h5"': "was stopped",
    'start = "cut.h5"': "is not a whole run file",
    'start = "words.h5"': "is not a whole run file",
    'start = { run = "first", A = 3 }': "is no name of a plate",
    'start = { run = "first", Q = "A" }': "there is no plate 'Q' in the study",
    'start = { run = "first", A = "Q" }': "there is no plate 'Q' in 'first'",
    'start = { run = "first", A = "A", B = "A" }': "cannot both begin as A",
    'start = "run in memory 0123456789abcdef"': "was in memory and is gone",
}


@pytest.mark.always(*range(0, 15, 3))
@pytest.mark.parametrize("line", BAD)
def test_a_bad_start_is_refused_in_one_line(bench: Path, first: Run, line: str) -> None:
    Path("first.toml").write_text(PAIR)
    Path("empty").mkdir()
    Path("stopped").mkdir()
    Path("stopped/run.part.h5").write_bytes(b"")
    replace(first, outcome="unfinished").write("part.h5")
    Path("cut.h5").write_bytes(Path("first/run.h5").read_bytes()[:-1000])
    Path("words.h5").write_text("no run")
    with pytest.raises(StudyError) as refused:
        parse(ON.replace('start = "first"', line))
    (fault,) = refused.value.faults
    assert fault.key == "start"
    assert BAD[line] in fault.message
    assert "\n" not in fault.message


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            'disc = "160 mm"',
            'disc = "150 mm"',
            "is a disc of 150 mm, and A in the run was a disc of 160 mm",
        ),
        ('disc = "160 mm"', 'ring = ["160 mm", "40 mm"]', "is a ring of 160 mm, bore 40 mm"),
        (
            "cells = 24",
            'grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }',
            "the grooves of A",
        ),
    ],
)
def test_another_outline_or_other_grooves_are_refused(
    bench: Path, old: str, new: str, says: str
) -> None:
    with pytest.raises(StudyError) as refused:
        parse(ON.replace(old, new))
    (fault,) = refused.value.faults
    assert says in fault.message


def test_the_same_size_in_another_unit_is_the_same(bench: Path) -> None:
    assert parse(ON.replace("160 mm", "0.16 m")).start is not None


def test_names_of_the_run_must_be_here(bench: Path) -> None:
    text = (
        ON.replace("plates.A", "plates.C")
        .replace("plates.B", "plates.D")
        .replace('like = "A"', 'like = "C"')
    )
    with pytest.raises(StudyError, match="none of that name is here"):
        parse(text.replace('top = "A"', 'top = "C"').replace('bottom = "B"', 'bottom = "D"'))


# --- Python --------------------------------------------------------------------------------------


def test_from_python_a_run_in_memory(first: Run, tmp_path: Path) -> None:
    study = parse(PAIR)
    second = study.replace(start=first)
    third = lw.Study(study.plates, study.steps, start=first)
    for one in (second, third, second.replace(seed=3)):
        for name, plate in one.plates.items():
            assert largest(plate.heights(), first.plates[name].frames[-1], plate.land) < 1e-20
    sent = pickle.loads(pickle.dumps(second))
    assert sent.start.faces is None
    assert sent == second
    with pytest.raises(CannotDoError, match="in memory only: write it"):
        second.write(tmp_path / "second.toml")
    assert not list(tmp_path.iterdir())


@pytest.mark.campaign
def test_members_of_a_comparison_see_the_same_faces(bench: Path, first: Run) -> None:
    ways = '\n[[variants]]\nname = "light"\nset = { load = "20 N" }\n'
    text = PAIR.replace("10 min", "1 min") + ways
    for start in (first, "first", Path("first")):
        study = parse(text, folder=bench).replace(start=start)
        found = study.compare()
        (member,) = found.members
        assert member.study is not None
        assert member.study.plates == study.plates
        assert found.nominal[0].outcome == "done"


# --- the run file, checkpoints, the command ------------------------------------------------------------


@pytest.mark.campaign
def test_the_run_file_says_where_the_faces_came_from(bench: Path) -> None:
    run = parse(ON.replace("10 min", "1 min")).run()
    run.write("second.h5")
    back = Run.read("second.h5")
    assert back.study == run.study
    assert back.study.start is not None
    assert back.study.start.run == "first"
    assert back.to_dict()["start"]["digest"] == run.study.start.digest
    assert (
        "A and B begin with the faces at the end of first (First pair, 10 min of rubbing)."
        in back.text()
    )


def test_another_run_of_that_name_is_not_gone_on_with(bench: Path, first: Run) -> None:
    text = ON.replace("10 min", "1 min")
    run = parse(text).run()
    check_same(run, Path("x"), parse(text))
    plates = dict(first.plates)
    frames = plates["A"].frames.copy()
    frames[-1, 12, 12] += 1e-15
    plates["A"] = replace(plates["A"], frames=frames)
    replace(first, plates=plates).write("first/run.h5")
    with pytest.raises(
        CommandError,
        match="a height map, a table of readings or a run that the study names has changed",
    ):
        check_same(run, Path("x"), parse(text))


@pytest.mark.campaign
def test_the_command_goes_on_from_a_run(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("studies").mkdir()
    Path("studies/s.toml").write_text(PAIR.replace("10 min", "1 min"))
    words = ["run", "studies/s.toml", "--from", "first", "--out", "studies/second", "--no-page"]
    assert main(words) == 0
    assert "begin with the faces at the end of ../first" in capsys.readouterr().out
    run = Run.read("studies/second/run.h5")
    assert run.study.start is not None
    assert 'start = "../first"' in run.study_text
    assert changed_since(Path("studies/second/run.h5"), run) is None
    assert main([*words, "--resume"]) == 0
    assert "already finished" in capsys.readouterr().out
    assert main(["run", "studies/s.toml", "--from", "first", "--out", "first", "--force"]) == 2
    assert "is the run that the plates begin with" in capsys.readouterr().err
    assert main(["run", "studies/s.toml", "--from", "nowhere"]) == 2
    assert "--from: there is no run nowhere" in capsys.readouterr().err
    os.chdir("studies")
    Path("t.toml").write_text(run.study_text)
    assert load("t.toml").plates == run.study.plates


def test_a_run_and_a_study_that_goes_on_from_it_bear_alike(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The other way to these faces: `bearing RUN` takes its last heights without a study between.
    Path("on.toml").write_text(ON)
    answers = []
    for what in ("first", "on.toml"):
        assert main(["bearing", what, "--phase", "30", "--json"]) == 0
        answers.append(json.loads(capsys.readouterr().out))
    for key in ("pressure_peak", "pressure_mean", "contact_share", "tipping_margin"):
        assert answers[1][key] == pytest.approx(answers[0][key], rel=1e-9)


def test_readings_take_the_place_of_the_face_that_they_are_of(bench: Path) -> None:
    Path("on.toml").write_text(ON)
    assert (
        main(["gauge", "on.toml", "--reading", "spherometer A 1.2 um", "--start", "read.toml"]) == 0
    )
    read = load("read.toml")
    assert read.start is not None
    assert read.start.plates == {"B": "B"}
    assert read.plates["A"].form.measured is None
    assert read.plates["A"].form.sphere > 0.0


def test_a_search_reads_its_run_once(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looked = []
    was = runfile.read_run
    monkeypatch.setattr(runfile, "read_run", lambda path: looked.append(path) or was(path))
    Path("first/run.h5").rename("first/other.h5")
    for _ in range(3):
        parse(ON.replace('"first"', '"first/other.h5"'))
    assert len(looked) == 1
    os.utime("first/other.h5", ns=(0, 0))
    parse(ON.replace('"first"', '"first/other.h5"'))
    assert len(looked) == 2, "a file that was written anew is read anew"


def test_a_book_takes_the_faces_of_a_run_as_known(bench: Path, first: Run) -> None:
    known = bench_of(
        parse(ON.replace('form = { dome = "3 um", twist = "1 um" }, ', ""))
    ).given.forms
    assert known == {(name, form) for name in "AB" for form in ("sphere", "saddle", "twist")}
