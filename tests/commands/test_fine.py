"""`run --fine`: it tells truly what moves; the run's own results stay as they are whatever happens."""

from __future__ import annotations

import json
import os
import re
import signal
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.commands.session import finer
from lapwright.errors import CommandError, SettleError
from lapwright.integration.state import Settings
from lapwright.presentation.filling import filled
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tables import again_data, again_words
from lapwright.results.record import FORM_KEYS, SHAPES, Fine
from lapwright.results.runfile import read_run, write_run
from lapwright.study.model import Study
from lapwright.study.read import load, parse

NM = 1e-9
UM = 1e-6
# Two flat equal discs, R = 80 mm, 3 kPa in all, layer 1 um at 3 kPa, 1e-12 1/Pa, circle of 0.33 R, 1 h.
CIRCLE = """
edge_margin = "0 %"
plates.A = { disc = "160 mm", mass = "6.15076 kg", cells = CELLS }
plates.B = { like = "A" }
[grits.known]
size = "15 um"
wear = "1e-12 1/Pa"
layer = { depth = "1 um", pressure = "3 kPa" }
[[steps]]
top = "A"
bottom = "B"
grit = "known"
stroke = { kind = "circle", radius = "26.4 mm" }
pace = "60 /min"
time = "1 h"
"""
QUICK = """
title = "Quick pair"
seed = 3
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24, form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" }, cells = 20 }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "90 deg every 10 strokes"
swap_every = { A = "2 min", B = "1 min" }
time = "3 min"
hand = "usual"
"""


pytestmark = pytest.mark.usefixtures("unsearched")


def answer(*words: object, code: int = 0) -> dict[str, Any]:
    """What `run --json` answers, no page made, but for what it foretold of its own time."""
    import contextlib
    import io

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        assert main(["run", *map(str, words), "--json", "--no-page"]) == code, err.getvalue()
    got = json.loads(out.getvalue())
    assert isinstance(got, dict)
    assert "budget" in got
    del got["budget"]
    return got


def everything(path: Path) -> dict[str, Any]:
    """All that a run file holds, but for the wall time."""
    held: dict[str, Any] = {}
    with h5py.File(path, "r") as file:
        file.visititems(
            lambda name, item: (
                held.update({name: _held(item)}) if isinstance(item, h5py.Dataset) else None
            )
        )
        held.update(
            {f"@{name}": value for name, value in file.attrs.items() if name != "wall_time"}
        )
    return held


def _held(item: h5py.Dataset) -> Any:
    values = np.asarray(item[()])
    return values.tolist() if values.dtype.kind == "O" else values.tobytes()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quick.toml").write_text(QUICK)
    return tmp_path


@pytest.mark.campaign
@pytest.mark.parametrize("cells", [24, 40])
def test_what_moves_is_what_the_usual_run_is_off_by(cells: int, bench: Path) -> None:
    """The moment law (derived; margin 0, any contact): half the difference of the domes is 6 (c/R)^2 h.

    Cells of twice the width are four times as far off it.  Both domes by themselves come nearer to
    two independent solutions: +389.7 and -1951.4 nm.
    """
    (bench / "circle.toml").write_text(CIRCLE.replace("CELLS", str(cells)))
    got = answer("circle.toml", "--fine")
    usual, fine = got["plates"], got["fine"]["plates"]

    def half(a: float, b: float) -> float:
        return 0.5 * (b - a)

    once = half(usual["A"]["sphere"], usual["B"]["sphere"]) - 6.0 * 0.33**2 * usual["A"]["removed"]
    twice = half(fine["A"]["sphere"]["value"], fine["B"]["sphere"]["value"]) - (
        6.0 * 0.33**2 * fine["A"]["removed"]["value"]
    )
    assert abs(once) > 3 * NM, "coarse cells are off by enough to be seen"
    assert abs(twice) < 0.35 * abs(once)
    moved = half(fine["A"]["sphere"]["moved"], fine["B"]["sphere"]["moved"])
    assert moved == pytest.approx(-once, rel=0.35)
    for name, exact in (("A", -1951.4 * NM), ("B", 389.7 * NM)):
        value = fine[name]["sphere"]
        assert abs(value["value"] - exact) < abs(usual[name]["sphere"] - exact)
        assert value["moved"] == pytest.approx(value["value"] - usual[name]["sphere"])


def test_finer_settings_halve_what_they_should() -> None:
    usual, fine = Settings(), Settings().finer()
    assert (fine.poses, fine.fewest_poses) == (2 * usual.poses, 2 * usual.fewest_poses)
    assert fine.longest == usual.longest / 2
    assert fine.tolerance == usual.tolerance / 16, "of fourth order: half the block, a sixteenth"
    assert fine.accuracy == pytest.approx(usual.accuracy / 2**1.5), "what poses leave open"
    assert fine.look_every == usual.look_every, "a gauge is looked at as often"


@pytest.mark.campaign
def test_the_runs_own_results_stay_as_they_are(bench: Path) -> None:
    plain, fine = answer("quick.toml"), answer("quick.toml", "--fine", "--out", "fine")
    assert "fine" not in plain
    told = fine.pop("fine")
    assert fine == plain
    assert told["outcome"] == "done"
    assert told["time"] == fine["history"][-1]["time"]
    assert set(told["plates"]) == {"A", "B"}
    for name, forms in told["plates"].items():
        assert set(forms) == {*FORM_KEYS, "removed"}
        assert forms["bow"] == {"value": None, "moved": None}
        assert 0.0 < abs(forms["sphere"]["moved"]) < 0.02 * abs(forms["sphere"]["value"]), name
    held, with_fine = (
        everything(bench / "quick-run" / "run.h5"),
        everything(bench / "fine" / "run.h5"),
    )
    assert {key: with_fine[key] for key in held} == held
    assert {key.split("/")[-2] for key in with_fine.keys() - held.keys() if "/" in key} == {"fine"}
    assert sorted(p.name for p in (bench / "fine").iterdir()) == [".lapwright", "run.h5"]


@pytest.mark.campaign
def test_it_can_be_lapped_finer_afterwards(bench: Path) -> None:
    answer("quick.toml", "--fine", "--out", "at once")
    answer("quick.toml", "--out", "later")
    lapped = (bench / "later" / "run.h5").stat().st_mtime_ns
    got = answer("quick.toml", "--out", "later", "--resume", "--fine")
    assert (bench / "later" / "run.h5").stat().st_mtime_ns > lapped
    assert everything(bench / "later" / "run.h5") == everything(bench / "at once" / "run.h5")
    written = (bench / "later" / "run.h5").read_bytes()
    assert answer("quick.toml", "--out", "later", "--resume", "--fine") == got, (
        "it is there already"
    )
    assert answer("quick.toml", "--out", "later", "--resume")["fine"] == got["fine"]
    assert (bench / "later" / "run.h5").read_bytes() == written
    assert "fine" not in answer("quick.toml", "--out", "later", "--force")


@pytest.mark.campaign
def test_stopped_in_the_middle_it_goes_on_to_the_same_bits(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from lapwright.results.recorder import Recorder

    answer("quick.toml", "--fine", "--out", "unbroken")
    take, count = Recorder.take, 0

    def counted(self: Recorder, moment: Any) -> None:
        nonlocal count
        take(self, moment)
        count += self.study.plates["A"].cells == 48
        if count == 9:
            os.kill(os.getpid(), signal.SIGTERM)

    with monkeypatch.context() as patch:
        patch.setattr(Recorder, "take", counted)
        assert main(["run", "quick.toml", "--fine", "--out", "out"]) == 1
    told = capsys.readouterr()
    assert "lapwright run quick.toml --out out --fine --resume" in told.out
    assert "fine.part.h5" in told.err
    run = read_run(bench / "out" / "run.h5")
    assert run.outcome == "done", "the run itself is whole"
    assert run.fine is None
    assert (bench / "out" / "report.html").exists()
    assert answer("quick.toml", "--out", "out", "--resume")["outcome"] == "done"
    answer("quick.toml", "--fine", "--out", "out", "--resume")
    assert everything(bench / "out" / "run.h5") == everything(bench / "unbroken" / "run.h5")
    assert not (bench / "out" / "fine.part.h5").exists()


def test_one_that_tips_is_not_lapped_again(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = QUICK + 'load = "300 N"\nload_at = { x = "75 mm", y = "0 mm" }\n'
    (bench / "tips.toml").write_text(more)
    got = answer("tips.toml", "--fine", code=1)
    assert got["outcome"] == "tipped"
    assert got["fine"] is None
    assert main(["run", "tips.toml", "--fine", "--force", "--no-page"]) == 1
    assert "Not lapped a second time" in capsys.readouterr().out


@pytest.mark.campaign
def test_where_the_finer_one_does_not_settle_the_run_stands(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    states = Study.states

    def stuck(study: Study, *rest: Any, **more: Any) -> Any:
        for number, moment in enumerate(states(study, *rest, **more)):
            if study.plates["A"].cells == 48 and number == 3:
                raise SettleError("A does not settle on B")
            yield moment

    monkeypatch.setattr(Study, "states", stuck)
    assert main(["run", "quick.toml", "--fine"]) == 1
    told = capsys.readouterr()
    assert "does not settle" in told.err
    assert "A is domed" in told.out
    assert read_run(bench / "quick-run" / "run.h5").outcome == "done"
    assert (bench / "quick-run" / "report.html").exists()


@pytest.mark.campaign
def test_a_gauge_stops_both(bench: Path) -> None:
    (bench / "until.toml").write_text(QUICK + 'until = { removed = "0.1 um" }\n')
    got = answer("until.toml", "--fine")
    assert got["outcome"] == got["fine"]["outcome"] == "until"
    for forms in got["fine"]["plates"].values():
        assert forms["removed"]["value"] == pytest.approx(0.1 * UM, rel=0.2)


def test_a_plate_of_more_cells_than_can_be_doubled_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "many.toml").write_text(QUICK.replace("cells = 20", "cells = 600"))
    assert main(["run", "many.toml", "--fine"]) == 2
    told = capsys.readouterr().err
    assert "B has 600 across: 512 are the most" in told
    assert not (bench / "many-run").exists(), "nothing was lapped for nothing"


def test_the_finer_study_is_the_one_with_twice_the_cells_typed(bench: Path) -> None:
    """Maps too are read anew: what they hold beside the coarse cells comes in."""
    rng = np.random.default_rng(1)
    np.save(bench / "face.npy", 1e-7 * rng.standard_normal((81, 81)))
    mapped = QUICK.replace(
        'form = { dome = "3 um" }',
        'form = { dome = "3 um", map = { file = "face.npy", spacing = "2 mm", unit = "m" } }',
    )
    more = 'parts.C = { ring = ["80 mm", "50 mm"], thickness = "20 mm" }\nplates.A'
    (bench / "mapped.toml").write_text(mapped.replace("plates.A", more, 1))
    study = load(bench / "mapped.toml")
    fine = finer(study, bench)
    typed = (bench / "mapped.toml").read_text()
    for few in (24, 20):
        typed = typed.replace(f"cells = {few}", f"cells = {2 * few}")
    typed = typed.replace('"20 mm" }', '"20 mm", cells = 256 }')
    wanted = parse(typed, folder=bench)
    assert {name: plate.cells for name, plate in fine.plates.items()} == {
        "A": 48,
        "B": 40,
        "C": 256,
    }
    for name, plate in wanted.plates.items():
        assert np.array_equal(fine.plates[name].heights(), plate.heights())
    assert fine.steps == study.steps
    assert (fine.text, fine.seed) == (study.text, study.seed)
    with pytest.raises(CommandError, match="512 are the most"):
        finer(replace(study, plates={"A": replace(study.plates["A"], cells=513)}), bench)


@pytest.mark.campaign
def test_words_and_page_tell_what_moved(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "quick.toml").write_text(QUICK.replace("3 um", "0.3 um"))
    assert main(["run", "quick.toml", "--fine"]) == 0
    told = capsys.readouterr().out
    assert "Lapped a second time, finer" in told
    assert "  A: dome " in told
    assert "moved by" in told
    page = (bench / "quick-run" / "report.html").read_text("utf-8")
    assert "Lapped again, finer" in page
    # Every form that no gauge tells says so, on the screen and in the table: below 0.78 um on grey plates.
    screen = [line for line in told.splitlines() if line.startswith("  ") and "moved by" in line]
    cells = re.findall(r"<td>(.*?)</td>", page[page.index('id="again"') : page.index('id="metal"')])
    rough = [0, 0]
    for which, texts in enumerate((screen, cells)):
        for text in texts:
            size = re.search(r"(?<![\d.])(?<!than )([\d.]+)\s[uµ]m", text)
            if size and "metal off" not in text and float(size[1]) < 0.75:
                rough[which] += 1
                assert ("too small for a gauge to be sure of", "†")[which] in text
    assert min(rough) > 0, "this study has such forms"
    (bench / "again").mkdir()
    (bench / "again" / "run.h5").write_bytes((bench / "quick-run" / "run.h5").read_bytes())
    assert main(["report", str(bench / "again")]) == 0
    assert (bench / "again" / "report.html").read_text("utf-8") == page, (
        "the page is made from the run alone"
    )


@pytest.mark.campaign
def test_more_than_was_to_be_expected_is_said(bench: Path) -> None:
    answer("quick.toml", "--fine")
    run = read_run(bench / "quick-run" / "run.h5")
    assert run.fine is not None
    sphere = {name: float(record.forms["sphere"][-1]) for name, record in run.plates.items()}

    def told(error: float, by: float, time: float = run.fine.time) -> str:
        plates = {
            name: replace(
                record,
                error={
                    key: np.where(np.isfinite(record.forms[key]), error, np.nan) for key in SHAPES
                },
            )
            for name, record in run.plates.items()
        }
        forms = {
            name: {
                **{key: float(record.forms[key][-1]) for key in FORM_KEYS},
                "sphere": sphere[name] + by,
            }
            for name, record in run.plates.items()
        }
        fine = Fine("done", time, forms, dict.fromkeys("AB", 1 * UM))
        said = run_view(replace(run, plates=plates, fine=fine))
        words = "\n".join(again_words(said))
        table = filled("again.html", again=again_data(said))
        assert ("moved by more than" in table) == ("moved by more than" in words)
        return words

    assert "Nothing moved by more than was to be expected." in told(error=2 * NM, by=3.9 * NM)
    more = told(error=2 * NM, by=5 * NM)
    assert (
        "dome or dish moved by more than was to be expected (0.0040 um): trust it only to 0.0050 um"
        in more
    )
    assert "sooner, so less metal goes" in told(2 * NM, 0.0, 0.9 * run.fine.time)
    assert "expected" not in told(np.nan, 5 * NM)
    tipped = replace(run, fine=Fine("tipped", 60.0))
    assert "top tips off" in again_words(run_view(tipped))[0]
    assert "top tips off" in filled("again.html", again=again_data(run_view(tipped)))
    write_run(tipped, bench / "tipped.h5")
    assert read_run(bench / "tipped.h5").fine == tipped.fine
