"""What a person types and gets back: words, exit codes, JSON; nothing overwritten, no traceback."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import effort
import pytest
from started import SURROUNDINGS
from study_typed import QUICK

from lapwright.commands.main import COMMANDS, main
from lapwright.commands.terminal import ProgressBar
from lapwright.metrology.thickness import THICKNESS
from lapwright.results.answer import plain

pytestmark = pytest.mark.usefixtures("glanced")


RAIL = """
plates.A = { rectangle = ["300 mm", "50 mm"], thickness = "30 mm", form = { wind = "2 um" }, cells = 48 }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "line", length = "60 mm" }
time = "10 min"
"""

FORMS = {
    "sphere",
    "saddle",
    "twist",
    "bow",
    "crown",
    "wind",
    "flatness",
    "flatness_ls",
    "rms",
    "edge",
}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with the shortest useful study in it, to work in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pair.toml").write_text(QUICK)
    return tmp_path


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a finished run of the shortest study, page and all."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "pair.toml").write_text(QUICK)
    assert main(["run", str(folder / "pair.toml"), "--out", str(folder / "pair-run")]) == 0
    return folder / "pair-run"


def strict(text: str) -> Any:
    """JSON as scripts elsewhere read it: no NaN, no infinity."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    return json.loads(text, parse_constant=refuse)


# --- finding one's way ---------------------------------------------------------------------------


def test_alone_it_says_how_to_begin(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    told = capsys.readouterr()
    assert len(told.out.splitlines()) <= 10
    assert "lapwright preview" in told.out
    assert "lapwright run" in told.out
    assert told.err == ""


def test_help_names_every_command_there_is_and_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["-h"]) == 0
    told = capsys.readouterr().out
    listed = re.findall(
        r"^  (\w+)  ", told.split("commands:")[1].split("example:")[0], re.MULTILINE
    )
    assert listed == list(COMMANDS)
    assert "example:" in told


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "-h"]) == 0
    told = capsys.readouterr().out
    assert f"lapwright {command}" in told
    assert "example:" in told
    assert ("--card" in told) == (command == "report")


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (["gauges"], "no command 'gauges': did you mean gauge?"),
        (["rnu", "x.toml"], "no command 'rnu': did you mean run?"),
        (["zzz"], "lapwright -h lists the commands"),
        (["tume", "x.toml"], "no command 'tume': did you mean tune?"),
        (["run"], "FILE is missing"),
        (["run", "pair.toml", "--forse"], "did you mean --force?"),
        (["run", "pair.toml", "--resume", "--force"], "give one of them"),
        (["run", "pair.toml", "--threads", "0"], "not a number of cores"),
        (["run", "pair.toml", "--checkpoint", "nan"], "not a number of seconds"),
        (["run", "pair.toml", "more.toml"], "no place for 'more.toml'"),
        (["bearing", "pair.toml", "--phase", "up"], "not a place in the stroke"),
        (["bearing", "pair.toml", "--step", "9"], "has 1 step"),
        (["run", "nowhere.toml"], "nowhere.toml"),
        (["nowhere.toml"], "nowhere.toml"),
        (["report", "pair.toml"], "is a study"),
        (["report", "."], "no run.h5"),
        (["run", "x.h5"], "is a run, not a study"),
        (["pair"], "did you mean the study pair.toml?"),
        (["run", "pair.toml", "--out"], "--out: needs a value after it"),
        (["--out", "x", "run", "pair.toml"], "write the command first"),
    ],
)
def test_a_wrong_command_answers_with_the_right_one(
    words: list[str], answer: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("lapwright: ")
    assert told.err.count("\n") == 1
    assert answer in told.err
    assert main([*words, "--json"]) == 2
    error = strict(capsys.readouterr().out)["error"]
    assert set(error) == {"code", "key", "message"}
    assert answer in error["message"]
    assert not list(bench.glob("*-run"))


def test_all_faults_of_a_study_are_told_at_once(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "bad.toml").write_text(
        QUICK.replace('"160 mm"', "160").replace('"15 um"', '"400 grit"')
    )
    assert main(["run", "bad.toml"]) == 2
    told = capsys.readouterr().err
    assert "plates.A.disc" in told
    assert "steps.1.grit" in told


def test_a_fault_of_the_program_is_one_line_and_a_traceback_only_on_demand(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import lapwright.commands.preview as preview

    def fail(args: object) -> int:
        raise ZeroDivisionError("a slip\nin two lines")

    monkeypatch.setattr(preview, "main", fail)
    assert main(["preview", "pair.toml"]) == 1
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "--debug" in told
    with pytest.raises(ZeroDivisionError):
        main(["preview", "pair.toml", "--debug"])


def test_a_reader_who_leaves_is_no_error() -> None:
    words = f"{sys.executable} -m lapwright -h | head -1; echo ${{PIPESTATUS[0]}}"
    told = subprocess.run(
        ["bash", "-c", words],
        capture_output=True,
        text=True,
        env={**SURROUNDINGS, "PYTHONUNBUFFERED": "1"},
        check=True,
    )
    assert told.stderr == ""
    assert told.stdout.splitlines()[-1] == "0"


# --- run -----------------------------------------------------------------------------------------


@pytest.mark.campaign
def test_run_leaves_a_folder_and_says_what_to_open(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", "pair.toml"]) == 0
    told = capsys.readouterr()
    assert told.err == "", "no progress bar unless on a terminal"
    assert {"run.h5", "report.html"} <= {p.name for p in (bench / "pair-run").iterdir()}
    assert not list((bench / "pair-run").glob("*part*"))
    last = told.out.strip().split("\n\n")[-1]
    assert "pair-run/report.html" in last
    assert last.startswith("Open in a browser")
    assert re.search(r"[AB] (is )?(hollow|domed)", told.out)
    assert "min" not in re.sub(
        r"about \S+ min \(\S+ to \S+ until you weigh|\d+ to \d+ minutes", "", told.out
    ), "minutes with their band"
    for word in ("sphere", "-1", "nan", "None", "drift", "mode"):
        assert word not in told.out


@pytest.mark.campaign
def test_nothing_is_overwritten_without_force(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", "pair.toml", "--no-page"]) == 0
    before = (bench / "pair-run" / "run.h5").read_bytes()
    capsys.readouterr()
    assert main(["run", "pair.toml"]) == 2
    told = capsys.readouterr().err
    assert "--force" in told
    assert (bench / "pair-run" / "run.h5").read_bytes() == before
    assert main(["run", "pair.toml", "--resume", "--no-page"]) == 0
    assert "already finished" in capsys.readouterr().out
    assert (bench / "pair-run" / "run.h5").read_bytes() == before
    (bench / "pair-run" / "report.html").write_text("an old page")
    (bench / "pair-run" / "notes.txt").write_text("mine")
    assert main(["run", "pair.toml", "--force", "--no-page"]) == 0
    assert sorted(p.name for p in (bench / "pair-run").iterdir()) == [
        ".lapwright",
        "notes.txt",
        "run.h5",
    ]


@pytest.mark.campaign
def test_run_json_is_one_object_in_si(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "pair.toml", "--json", "--no-page"]) == 0
    told = capsys.readouterr()
    answer = strict(told.out)
    assert set(answer) == {"study", "outcome", "plates", "findings", "history", "budget"}
    assert answer["study"] == "pair"
    assert answer["outcome"] == "done"
    a = answer["plates"]["A"]
    keys = {"removed", "error", "edge_margin", "margin0", "as_read", "by_layer"}
    assert set(a) == FORMS | keys | set(THICKNESS)
    assert set(a["margin0"]) == FORMS
    assert set(a["error"]) == {"sphere", "saddle", "twist", "bow", "crown", "wind"}
    assert a["error"]["bow"] is a["error"]["crown"] is a["error"]["wind"] is None
    assert a["edge_margin"] == pytest.approx(0.0032)
    assert a["bow"] is None
    assert 0.0 < a["sphere"] < 3e-6
    start, end = answer["history"][0], answer["history"][-1]
    assert {"step", "time", "removed", "top", "bottom", "plates"} <= set(start)
    assert (start["time"], start["removed"]) == (0.0, 0.0)
    assert start["plates"]["A"]["sphere"] == pytest.approx(3e-6, rel=0.01)
    assert start["plates"]["B"]["sphere"] == pytest.approx(-1e-6, rel=0.01)
    assert end["time"] == pytest.approx(2400.0)
    assert end["plates"]["A"]["sphere"] == a["sphere"]
    assert end["plates"]["A"]["error"] == a["error"]
    assert end["removed"] == pytest.approx((a["removed"] + answer["plates"]["B"]["removed"]) / 2.0)
    assert "report" in told.err or "run.h5" in told.err, "the words go beside"


@pytest.mark.campaign
def test_rails_speak_of_bow_crown_and_wind(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "rail.toml").write_text(RAIL)
    assert main(["run", "rail.toml", "--json", "--no-page"]) == 0
    a = strict(capsys.readouterr().out)["plates"]["A"]
    assert a["sphere"] is a["saddle"] is a["twist"] is None
    assert None not in (a["bow"], a["crown"], a["wind"])


@pytest.mark.campaign
def test_a_run_that_tips_says_so_in_json_too(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = QUICK + 'load = "300 N"\nload_at = { x = "75 mm", y = "0 mm" }\n'
    (bench / "tips.toml").write_text(more)
    assert main(["run", "tips.toml", "--json"]) == 1
    answer = strict(capsys.readouterr().out)
    assert answer["outcome"] == "tipped"
    assert set(answer["error"]) == {"code", "key", "message"}
    assert answer["error"]["code"] == "tipped"
    assert answer["plates"]["A"]["sphere"] == pytest.approx(3e-6, rel=0.01)
    assert (bench / "tips-run" / "run.h5").exists()


@pytest.mark.campaign
def test_the_report_is_made_again_from_the_run_alone(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run.h5").write_bytes((done / "run.h5").read_bytes())
    assert main(["report", str(tmp_path / "run.h5")]) == 0
    assert (tmp_path / "report.html").read_bytes() == (done / "report.html").read_bytes()
    capsys.readouterr()
    assert main(["report", str(tmp_path)]) == 2
    assert "--force" in capsys.readouterr().err
    (tmp_path / "report.html").write_text("old")
    assert main(["report", str(tmp_path), "--force"]) == 0
    assert (tmp_path / "report.html").stat().st_size > 10_000


def test_progress_says_time_lapped_and_time_left() -> None:
    bar = ProgressBar(total=2400.0, begun=100.0, active=False)
    assert bar.line(600.0, 101.0) == f"[{'#' * 7}{'.' * 23}] lapped 10 of 40 min, about 3 s to go"
    gauged = ProgressBar(total=2400.0, at_most=True, begun=100.0, active=False)
    assert gauged.line(600.0, 101.0).endswith(
        "lapped 10 of at most 40 min, at most about 3 s to go"
    )
    resumed = ProgressBar(total=2400.0, done_before=1200.0, begun=100.0, active=False)
    assert "about 1 s to go" in resumed.line(1800.0, 101.0), (
        "what was lapped before does not count as speed"
    )


# --- bearing -------------------------------------------------------------------------------------


def test_bearing_json_of_flat_faces_at_rest(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A flat disc on a flat disc, centred: the pressure is weight over area everywhere (statics)."""
    flat = QUICK.replace('form = { dome = "3 um" }, cells = 32', "cells = 128").replace(
        ', form = { dish = "1 um" }', ""
    )
    (bench / "flat.toml").write_text(flat + 'stroke = { kind = "still" }\n')
    assert main(["bearing", "flat.toml", "--phase", "0", "--json"]) == 0
    got = strict(capsys.readouterr().out)
    assert set(got) == {
        *(
            "step",
            "phase",
            "pressure_peak",
            "pressure_mean",
            "contact_share",
            "tilt",
            "tipping_margin",
        ),
        *("overhang", "overhang_stroke", "lift_off_overhang"),
    }
    weight_over_area = 0.030 * 7200.0 * 9.80665  # grey iron 7200 kg/m3 (checks.md 25), g standard
    assert got["pressure_mean"] == pytest.approx(weight_over_area, rel=0.01)
    assert got["pressure_peak"] == pytest.approx(weight_over_area, rel=0.02)
    assert got["contact_share"] == pytest.approx(1.0)
    assert got["tilt"] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert got["tipping_margin"] == pytest.approx(0.080, rel=1e-6)
    assert got["lift_off_overhang"] == pytest.approx(
        0.3929023 * 0.080, rel=1e-4
    )  # checks.md 16, derived


def test_bearing_takes_a_study_or_a_run_and_draws(
    bench: Path, done: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = []
    for place in ("pair.toml", str(done), str(done / "run.h5")):
        assert main(["bearing", place, "--json"]) == 0
        answers.append(strict(capsys.readouterr().out))
    assert answers[1] == answers[2]
    assert answers[1]["pressure_peak"] < answers[0]["pressure_peak"], (
        "worn-in faces bear more evenly"
    )
    assert main(["bearing", "pair.toml", "--out", "bears.png"]) == 0
    assert (bench / "bears.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    told = capsys.readouterr().out
    assert "bears.png" in told.strip().splitlines()[-2] + told.strip().splitlines()[-1]
    assert main(["bearing", "pair.toml", "--out", "bears.png"]) == 2
    capsys.readouterr()
    assert main(["bearing", "pair.toml", "--step", "1", "--phase", "30"]) == 0
    assert "bearing pair.toml --step 1 --phase 30 --out bears.png" in capsys.readouterr().out


# --- preview -------------------------------------------------------------------------------------


def preview(text: str, capsys: pytest.CaptureFixture[str]) -> tuple[Any, str]:
    """JSON and words of a preview of a study."""
    Path("study.toml").write_text(text)
    assert main(["preview", "study.toml", "--json"]) == 0
    answer = strict(capsys.readouterr().out)
    assert main(["study.toml"]) == 0, "a bare file is previewed"
    assert "Lap the plates" in capsys.readouterr().out
    assert main(["preview", "study.toml", "--all"]) == 0
    return answer, capsys.readouterr().out


def test_preview_says_the_study_back(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answer, words = preview(QUICK, capsys)
    assert set(answer) == {"study", "assumed", "warnings", "steps"}
    assert answer["study"] == "study"
    step = answer["steps"][0]
    keys = (
        "overhang",
        "lift_off_overhang",
        "tipping_overhang",
        "pressure_mean",
        "removed",
        "half_difference",
    )
    assert set(step) >= set(keys)
    assert step["overhang"] == pytest.approx(0.160 / 6.0, rel=0.03), (
        "an eight of travel 1/3 of the top"
    )
    assert step["lift_off_overhang"] == pytest.approx(
        0.3929023 * 0.080, rel=1e-4
    )  # checks.md 16, derived
    assert step["tipping_overhang"] == pytest.approx(0.080, rel=1e-6)  # half the disc (statics)
    assert answer["assumed"]["steps.1.pace"] == "40 /min"
    assert "lapwright run study.toml" in words.strip().splitlines()[-1]
    assert "until you weigh a plate" in " ".join(words.split())
    assert not Path("study-run").exists()


def codes(answer: Any) -> set[tuple[str, int | None]]:
    return {(warning["code"], warning["step"]) for warning in answer["warnings"]}


@pytest.mark.always(*range(2))
@pytest.mark.parametrize(
    ("change", "code"),
    [
        (('turn = "8 deg per stroke"\n', ""), "no_turn"),
        (('fresh_grit_every = "5 min"', ""), "one_dab"),
        (('turn = "8', 'stroke = { kind = "line", overhang = "25 %" }\nturn = "8'), "overhang"),
        (('turn = "8', 'load = "400 N"\nturn = "8'), "high_pressure"),
        (('thickness = "30 mm"', 'thickness = "5 mm"'), "low_pressure"),
        (('thickness = "30 mm"', 'mass = "13 kg"'), "heavy"),
        (('thickness = "30 mm"', 'mass = "24 kg"'), "too_heavy"),
    ],
)
def test_preview_warns(
    change: tuple[str, str], code: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calm, _ = preview(QUICK, capsys)
    assert (code, 1) not in codes(calm)
    answer, words = preview(QUICK.replace(*change), capsys)
    assert (code, 1) in codes(answer)
    text = next(w["text"] for w in answer["warnings"] if w["code"] == code)
    assert text in " ".join(words.split())


@pytest.mark.campaign
def test_preview_speaks_the_units_of_the_study(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, metric = preview(QUICK, capsys)
    answer, inch = preview('units = "inch"\n' + QUICK, capsys)
    assert " mm" in metric
    assert " psi" not in metric
    assert " psi" in inch
    assert answer["steps"][0]["overhang"] == pytest.approx(0.160 / 6.0, rel=0.03), (
        "JSON stays in SI"
    )


@pytest.mark.always("words0-60-50000")
@pytest.mark.parametrize(
    ("words", "modules", "calls"), [(["-h"], 60, 50_000), (["preview", "pair.toml"], 400, 600_000)]
)
def test_help_and_preview_answer_at_once(
    bench: Path, words: list[str], modules: int, calls: int
) -> None:
    """They wait for what they import and for what they call, and for nothing else (seconds: benchmarks)."""
    done = subprocess.run(
        [sys.executable, effort.__file__, *words],
        env=SURROUNDINGS,
        capture_output=True,
        text=True,
        check=True,
    )
    code, imported, called = map(int, done.stderr.splitlines()[-1].split())
    assert code == 0
    assert imported < modules
    assert called < calls


# --- JSON ----------------------------------------------------------------------------------------


def test_json_knows_no_nan_and_no_arrays() -> None:
    import numpy as np

    said = plain(
        {
            "a": np.float64("nan"),
            "b": (1, np.inf),
            "c": np.arange(2),
            "d": np.bool_(True),
            "e": None,
        }
    )
    assert said == {"a": None, "b": [1, None], "c": [0, 1], "d": True, "e": None}


@pytest.mark.campaign
def test_a_watched_step_says_at_which_stroke_it_stopped(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    watched = QUICK.replace('time = "40 min"', 'time = "10 min"\nuntil = { removed = "0.1 um" }')
    (bench / "watched.toml").write_text(watched)
    assert main(["run", "watched.toml", "--no-page"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    found = re.search(r"Step 1 stopped by its gauge at stroke (\d+)\.", told)
    assert found is not None
    assert 0 < int(found[1]) < 400
    (bench / "never.toml").write_text(watched.replace("0.1 um", "90 um"))
    assert main(["run", "never.toml", "--no-page"]) == 0
    assert "Step 1 ran to its end, 400 strokes" in " ".join(capsys.readouterr().out.split())


def test_an_error_without_a_key_says_null(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A script reads one thing where no key is at fault, whether the file is missing or the run is."""
    for words in (["preview", "nowhere.toml"], ["report", "nowhere-run"]):
        assert main([*words, "--json"]) == 2
        assert json.loads(capsys.readouterr().out)["error"]["key"] is None
