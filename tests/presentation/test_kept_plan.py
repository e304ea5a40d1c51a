"""What comes next is lapped once and kept with the run; where anything is not as it was it is lapped anew.

The promise checked here is our own (docs/run-file.md); there is no outside source for it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from lapwright.optimisation import onward as search
from lapwright.presentation.advice import Advice, advise, planned
from lapwright.presentation.run_view import run_view
from lapwright.results.record import Run
from lapwright.results.runfile import read_run, write_run
from lapwright.study.read import parse

TEXT = """plates.A = { disc = "160 mm", thickness = "30 mm", cells = 32, form = { dome = "2 um" } }
plates.B = { like = "A", form = { dish = "0.5 um", twist = "0.8 um" } }
[goal]
flatness = "0.2 um"
keep.B = { twist = "0.1 um" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "2 min"
"""
TWO_DOMES = (
    TEXT.replace('dish = "0.5 um", twist = "0.8 um"', 'dome = "2 um"')
    .replace('"0.2 um"', '"0.5 um"')
    .replace('keep.B = { twist = "0.1 um" }\n', "")
)


@pytest.fixture(scope="module")
def run() -> Run:
    return parse(TEXT, "mine").run()


@pytest.fixture(scope="module")
def fresh(run: Run) -> Advice | None:
    """What is said of it where nothing was planned before."""
    return advise(run_view(run))


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> list[Run]:
    """The runs from which candidates are lapped, as they come."""
    seen = []

    class Search(search._Search):
        def __init__(self, run: Run, base: object) -> None:
            seen.append(run)
            super().__init__(run, base)

    monkeypatch.setattr(search, "_Search", Search)
    return seen


@pytest.mark.campaign
@pytest.mark.parametrize("goes_on", [True, False])
def test_a_run_read_again_is_not_lapped_on_again(
    run: Run, searches: list[Run], tmp_path: Path, goes_on: bool
) -> None:
    """Neither where steps are advised, nor where it says stop and what would be made worse."""
    if goes_on:
        run = parse(TWO_DOMES, "mine").run()
    kept = planned(run)
    said = advise(run_view(kept))
    assert len(searches) == 1
    write_run(kept, tmp_path / "run.h5")
    again = read_run(tmp_path / "run.h5")
    assert advise(run_view(again)) == said
    assert said is not None
    assert said.plan is not None
    assert bool(said.steps) == goes_on
    assert bool(said.plan.harm) != goes_on
    assert len(searches) == 1


@pytest.mark.campaign
@pytest.mark.parametrize(
    "changed",
    [
        {"key": "0" * 64},
        {"why": "because"},
        {"steps": [1]},
        {"off": {"C": 1e-6}},
        {"then": {"A.sphere": [1]}},
        {"harm": [["nothing", 1.0, 1e-6]]},
        {"after": {"is": "Plate"}},
        {"time": None},
        "{",
        "[]",
    ],
    ids=str,
)
def test_what_is_no_plan_of_this_run_is_worked_out_anew(
    run: Run, fresh: Advice | None, searches: list[Run], changed: dict[str, object] | str
) -> None:
    kept = planned(run)
    wrong = changed if isinstance(changed, str) else json.dumps(json.loads(kept.planned) | changed)
    searches.clear()
    other = replace(kept, planned=wrong)
    assert advise(run_view(other)) == fresh
    assert searches == [other]


@pytest.mark.campaign
@pytest.mark.always("faces")
@pytest.mark.parametrize("what", ["faces", "goal", "step"])
def test_a_plan_goes_with_its_study_and_its_last_faces(
    run: Run, searches: list[Run], what: str
) -> None:
    kept = planned(run)
    searches.clear()
    if what == "faces":
        record = kept.plates["A"]
        higher = record.frames.copy()
        higher[-1, 16, 16] += 1e-9
        other = replace(kept, plates={**kept.plates, "A": replace(record, frames=higher)})
    elif what == "goal":
        assert kept.study.goal is not None
        goal = kept.study.goal.replace(flatness="0.15 um")
        other = replace(kept, study=kept.study.replace(goal=goal))
    else:
        slower = kept.study.steps[0].replace(pace="59 /min")
        other = replace(kept, study=kept.study.replace(steps=(slower,)))
    advise(run_view(other))
    assert searches == [other]
