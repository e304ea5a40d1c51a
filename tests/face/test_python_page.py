"""docs/python.md: every line of it runs, in order, and says what it says."""

from __future__ import annotations

import sys
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


# In short with fewer cells, a shorter step and nothing compared, which `test_answers` does; every line as it
# stands by hand.
SHORT = {
    "cells=48": "cells=24",
    'turn="8 deg per stroke", time="40 min"': 'turn="8 deg per stroke", time="10 min"',
}


@pytest.fixture(scope="module", params=["short", pytest.param("whole", marks=pytest.mark.long)])
def names(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, object]:
    """What the page has made by its end."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.mktemp("python"))
        found: dict[str, object] = {}
        before = dict(plt.rcParams)
        for text in blocks():
            if request.param == "short":
                if "study.sweep(" in text:
                    continue
                for typed, short in SHORT.items():
                    text = text.replace(typed, short)
            exec(compile(text, "docs/python.md", "exec"), found)
        plt.close("all")
        assert dict(plt.rcParams) == before
        assert Path("pair-run/report.html").is_file()
        found["written"] = Path("pair.toml").resolve()
        return found


@pytest.mark.campaign
def test_every_line_runs(names: dict) -> None:
    assert len(blocks()) > 6
    assert names["run"].outcome == "done"


@pytest.mark.campaign
def test_what_it_says_of_values_is_so(names: dict) -> None:
    study, run = names["study"], names["run"]
    assert str(study.plates["A"].outline) == "Disc(diameter=0.16)"
    assert study.assumed["steps.1.pace"] == "40 /min"
    ended = run.to_dict()["plates"]["A"]
    assert run.form("A", "sphere") == run.plates["A"].form.sphere == ended["sphere"]
    assert run.plates["A"].form.bow is None
    heights, land = run.faces["A"].z, study.plates["A"].land > 0.0
    assert np.array_equal(heights[land], run.plates["A"].frames[-1][land])
    assert np.isnan(heights[~land]).all()
    assert names["lw"].Study.read(names["written"]) == study
    assert run.history["A.sphere"][-1] == ended["sphere"]
    assert names["form"].flatness == pytest.approx(ended["flatness"], rel=1e-12)
    if "sweep" in names:
        spheres = names["sweep"].form("A", "sphere")
        assert spheres.shape == (3,)
        # The more it hangs over, the more its dome goes (checks, moment law).
        assert np.all(np.diff(spheres) < 0.0)


@pytest.mark.campaign
def test_tables_hold_the_history_and_the_faces(names: dict) -> None:
    run = names["run"]
    table, dataset = run.to_dataframe(), run.to_xarray()
    assert table["A.sphere"].to_numpy().tobytes() == run.history["A.sphere"].tobytes()
    assert list(table["event"][:2]) == ["start", "block"]
    assert dataset["B.z"].shape == run.faces["B"].z.shape
    top = dataset["A.z"].sel({"A.x": 0.0, "A.y": 0.0}, method="nearest")
    middle = run.faces["A"].z.shape[0] // 2
    assert float(top) in run.faces["A"].z[middle - 1 : middle + 1, middle - 1 : middle + 1]


@pytest.mark.campaign
def test_a_library_that_is_not_there_is_told_in_a_line(
    names: dict, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(
        names["lw"].LapwrightError,
        match=r"pandas is not installed: pip install 'lapwright\[pandas\]'",
    ):
        names["run"].to_dataframe()


@pytest.mark.campaign
def test_pictures_are_drawn_where_one_wants_them(names: dict) -> None:
    run = names["run"]
    _, axes = plt.subplots()
    assert run.plot_history(ax=axes) is axes
    assert axes.lines[0].get_ydata()[-1] == pytest.approx(1e6 * run.form("A", "sphere"))
    assert run.plot_faces(ax=axes, plate="B") is axes
    with pytest.raises(names["lw"].LapwrightError, match="there is no plate C: there is A, B"):
        run.plot_faces(ax=axes, plate="C")
    plt.close("all")


@pytest.mark.campaign
def test_going_on_from_a_state_is_going_through(names: dict) -> None:
    *_, through = names["study"].states()
    assert through.heights["B"].tobytes() == names["state"].heights["B"].tobytes()
