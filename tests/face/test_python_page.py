"""docs/python.md: every line of it runs, in order, and says what it says."""

from __future__ import annotations

import textwrap
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

PAGE = Path(__file__).resolve().parents[2] / "docs" / "python.md"


def blocks() -> list[str]:
    """The indented blocks of the page, in order."""
    found: list[list[str]] = [[]]
    for line in PAGE.read_text("utf-8").splitlines():
        if line.startswith("    ") or (not line.strip() and found[-1]):
            found[-1].append(line)
        elif found[-1]:
            found.append([])
    return [text for lines in found if (text := textwrap.dedent("\n".join(lines)).strip())]


@pytest.fixture(scope="module")
def names(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """What the page has made by its end."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.mktemp("python"))
        found: dict[str, object] = {}
        before = dict(plt.rcParams)
        for text in blocks():
            exec(compile(text, "docs/python.md", "exec"), found)
        assert dict(plt.rcParams) == before
        assert Path("pair-run/report.html").is_file()
        return found


def test_every_line_runs(names: dict) -> None:
    assert len(blocks()) > 6
    assert names["run"].outcome == "done"
    with pytest.raises(names["lw"].StudyError, match=r"^plates.A.disc: '160' has no unit"):
        names["lw"].Study.from_dict({"plates": {"A": {"disc": "160"}}, "steps": []})


def test_what_it_says_of_values_is_so(names: dict) -> None:
    study, run = names["study"], names["run"]
    assert str(study.plates["A"].outline) == "Disc(diameter=0.16)"
    assert study.assumed["steps.1.pace"] == "40 /min"
    ended = run.to_dict()["plates"]["A"]
    assert run.form("A", "sphere") == ended["sphere"]
    assert run.history["A.sphere"][-1] == ended["sphere"]
    assert names["form"].flatness == pytest.approx(ended["flatness"], rel=1e-12)
    spheres = names["sweep"].form("A", "sphere")
    assert spheres.shape == (3,)
    assert np.all(
        np.diff(spheres) < 0.0
    )  # the more it hangs over, the more its dome goes (checks, moment law)


def test_going_on_from_a_state_is_going_through(names: dict) -> None:
    *_, through = names["study"].states()
    assert through.heights["B"].tobytes() == names["state"].heights["B"].tobytes()
