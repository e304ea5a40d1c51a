"""Faces of a run as height maps, and a plate that starts from one: the whole way round, as it is gone."""

import json

import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.results.runfile import read_run
from lapwright.study.read import parse

STUDY = """
title = "Small"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24, form = { dome = "3 um", twist = "1 um" } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "4 min"
fresh_grit_every = "2 min"
"""


@pytest.fixture(scope="module")
def lapped(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    (folder / "small.toml").write_text(STUDY)
    run = folder / "small-run"
    assert main(["run", str(folder / "small.toml"), "--out", str(run), "--no-page"]) == 0
    return run


@pytest.mark.always("sdf", "csv", "npy")
@pytest.mark.parametrize("kind", ["x3p", "sdf", "csv", "npy"])
def test_a_face_of_a_run_starts_a_plate(lapped, kind, capsys):
    assert main(["report", str(lapped), "--maps", kind]) == 0
    said = capsys.readouterr().out
    assert f"The face of A after 4 min of rubbing: {lapped / f'A-end.{kind}'}" in said
    # what it says to type next is typed as it stands
    form = said.split("Start a plate from one: ")[1].split(" in a study next to it")[0]
    text = STUDY.replace('form = { dome = "3 um", twist = "1 um" }', form)
    assert form in text
    plate = parse(text, "next", lapped).plates["A"]
    record = read_run(lapped / "run.h5").plates["A"]
    on = record.land >= 0.5
    x, y = np.meshgrid(record.x, record.y)
    left = (plate.heights() - record.frames[-1])[on]
    plane = np.stack([np.ones_like(left), x[on], y[on]], 1)
    left -= plane @ np.linalg.lstsq(plane, left, rcond=None)[0]
    assert np.abs(left).max() < 1e-11  # CSV keeps a picometre


def test_faces_at_other_times(lapped, capsys):
    assert main(["report", str(lapped), "--maps", "x3p", "--at", "0 min", "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    assert got["maps"]["A"] == {"file": str(lapped / "A-0min.x3p"), "time": 0.0}
    text = STUDY.replace(
        'form = { dome = "3 um", twist = "1 um" }', 'form = { map = "A-0min.x3p" }'
    )
    form = parse(text, "next", lapped).plates["A"].form
    assert form.sphere == pytest.approx(3e-6, rel=1e-6)
    assert form.twist == pytest.approx(1e-6, rel=1e-6)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--maps", "gif"], "x3p"),
        (["--at", "1 min"], "--at belongs to --maps"),
        (["--maps", "x3p", "--card"], "two things"),
        (["--maps", "x3p", "--at", "1"], "has no unit"),
        (["--maps", "x3p", "--at", "-1 min"], "cannot be"),
    ],
)
def test_what_is_refused(lapped, words, line, capsys):
    assert main(["report", str(lapped), *words]) == 2
    said = capsys.readouterr().err
    assert line in said
    assert said.count("\n") == 1


def test_nothing_is_written_over(lapped, capsys):
    (lapped / "B-2min.sdf").write_text("mine")
    times = read_run(lapped / "run.h5").plates["B"].frame_time
    near = float(times[np.argmin(np.abs(times - 120.0))])
    (lapped / f"B-{near / 60:.4g}min.sdf").write_text("mine")
    assert main(["report", str(lapped), "--maps", "sdf", "--at", "2 min"]) == 2
    assert "add --force" in capsys.readouterr().err
    assert (lapped / f"B-{near / 60:.4g}min.sdf").read_text() == "mine"
    assert not (lapped / f"A-{near / 60:.4g}min.sdf").exists()
