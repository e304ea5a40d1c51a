"""Which files a person means, and whether a run is of the study that lies beside it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from lapwright.commands.main import main

pytestmark = pytest.mark.usefixtures("unsearched")

STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 24 }
plates.B = { like = "A" }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "2 min"
"""


@pytest.fixture(scope="module")
def lapped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the study and its run."""
    folder = tmp_path_factory.mktemp("lapped")
    (folder / "pair.toml").write_text(STUDY)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main(["run", "pair.toml", "--no-page"]) == 0
    return folder


@pytest.mark.always("True-words0")
@pytest.mark.parametrize(
    "words", [["report", "--card", "--force"], ["report", "--maps", "csv"], ["bearing"]]
)
@pytest.mark.parametrize("inside", [False, True])
def test_a_run_whose_study_changed_is_told_of(
    words: list[str],
    inside: bool,
    lapped: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(shutil.copytree(lapped, tmp_path, dirs_exist_ok=True))
    study = Path("pair.toml")
    command, *options = words
    if inside:
        monkeypatch.chdir(tmp_path / "pair-run")
        study = Path("../pair.toml")
    run = "run.h5" if inside else "pair-run"

    def told(*more: str) -> str:
        capsys.readouterr()
        assert main([command, run, *options, *more]) == 0
        out, err = capsys.readouterr()
        return " ".join((err if "--json" in more else out).split())

    mind = f"Mind: this is of the study as it was lapped. {study} beside it was changed"
    more = ["--force"] if "--maps" in options else []
    assert "Mind" not in told()
    study.write_text(STUDY.replace("15 um", "9 um"))
    assert mind in told(*more)
    assert f"lapwright run {study} --force" in told(*more, "--json")
    study.unlink()
    assert "Mind" not in told(*more)
