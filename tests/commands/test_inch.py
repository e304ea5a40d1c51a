"""At an inch bench even what goes wrong is told in inches."""

from __future__ import annotations

import pickle
import re

import pytest

from lapwright.commands.main import main
from lapwright.errors import StudyError, TippedError, troubles_in
from lapwright.optimisation.jobs import Job, run_case
from lapwright.results.answer import Preview
from lapwright.study.read import parse
from lapwright.units import Text, Units

TIPS = """units = "{}"
plates.left = {{ disc = "6 in", thickness = "1 in" }}
plates.right = {{ like = "left" }}
[[steps]]
top = "right"
bottom = "left"
grit = "9 um"
stroke = {{ kind = "line", travel = "1.4" }}
turn = "8 deg per stroke"
strokes = 60
"""


@pytest.mark.campaign
@pytest.mark.parametrize("command", ["run", "bearing"])
@pytest.mark.parametrize("units", ["inch", "metric"])
def test_a_top_that_tips_off_is_told_in_the_units_of_the_study(
    command, units, tmp_path, monkeypatch, capsys
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tips.toml").write_text(TIPS.format(units))
    assert main([command, "tips.toml", *(["--no-page"] if command == "run" else [])]) == 1
    told = next(line for line in capsys.readouterr().err.splitlines() if "tips off" in line)
    # 6 in wide: half of it over the edge is all that stands.
    lengths = re.findall(r"([\d.]+) (mm|in)\b", told)
    assert {unit for _, unit in lengths} == {"in" if units == "inch" else "mm"}
    assert float(lengths[-1][0]) == pytest.approx(3.0 if units == "inch" else 76.2, rel=0.02)


def test_a_member_of_a_comparison_fails_in_the_units_of_the_study() -> None:
    for units, unit in (("inch", "in"), ("metric", "mm")):
        summary = run_case(Job(0, 0, parse(TIPS.format(units)))).summary
        assert summary.outcome == "tipped"
        assert {found for _, found in re.findall(r"([\d.]+) (mm|in)\b", summary.trouble or "")} == {
            unit
        }


@pytest.mark.parametrize(
    ("was", "now", "says"),
    [
        ('travel = "1.4"', 'overhang = "8 in"', "travels 16 in, off the bottom"),
        (
            'travel = "1.4"',
            'overhang = "1 in", centre = ["2 in", "0 in"]',
            "hangs out by 2.00 in already",
        ),
        (
            'disc = "6 in"',
            'ring = ["2 in", "3 in"]',
            "the bore of 3 in is not smaller than the outside of 2 in",
        ),
        ('travel = "1.4"', 'travel = "1/3", centre = ["9 in", "0 in"]', "lays the top 9 in away"),
    ],
)
def test_faults_of_a_study_are_told_in_its_units(was, now, says) -> None:
    with pytest.raises(StudyError) as told:
        parse(TIPS.format("inch").replace(was, now))
    assert says in str(told.value)
    assert not re.search(r"[\d.]+ mm\b", str(told.value).partition("write")[0])


def test_a_text_says_its_quantities_where_it_is_printed() -> None:
    """Braces in what a person typed are no parts; an inch is 25.4 mm exactly (international inch, 1959)."""
    off = Text(
        "{name} is {far:place} off{more}",
        name="{far}",
        far=0.0254,
        more=Text(", by {a:angle 3}", a=1.0),
    )
    trouble = pickle.loads(pickle.dumps(TippedError("step 1: {what}", what=off)))
    assert str(trouble) == "step 1: {far} is 25.4 mm off, by 57.3 deg"
    with pytest.raises(TippedError) as raised, troubles_in(Units.INCH):
        raise trouble
    assert str(raised.value) == "step 1: {far} is 1.00 in off, by 57.3 deg"


def test_a_difference_of_warmth_has_no_nought_of_its_own() -> None:
    """Nine fifths of a degree Celsius, and no 32 (the scale's definition)."""
    assert (Units.INCH.warmer(0.5), Units.METRIC.warmer(0.5)) == ("0.90 degF", "0.50 degC")
    assert (Units.INCH.temperature(293.15), Units.METRIC.temperature(293.15)) == (
        "68 degF",
        "20 degC",
    )


def test_what_metal_is_worth_is_told_by_the_depth_of_an_inch_bench() -> None:
    """1 min per um is 1.016 min per 40 uin (the inch is 25.4 mm): to two figures."""
    goal = '[goal]\ndome = "12 uin"\n'
    told = {units: parse(TIPS.format(units) + goal).assumed for units in ("inch", "metric")}
    assert told["inch"]["goal.effort.metal"] == "1.0 min per 40 uin"
    assert told["metric"]["goal.effort.metal"] == "1 min per um"


def test_a_tenth_is_one_at_an_inch_bench_and_is_said() -> None:
    """0.0001 in (common practice, no source); at a metric bench it may be 0.1 mm, and is refused."""
    dome = TIPS.replace(
        ', thickness = "1 in"', ', thickness = "1 in", form = {{ dome = "2 tenths" }}'
    )
    study = parse(dome.replace('travel = "1.4"', 'travel = "1/3"').format("inch"))
    assert study.plates["left"].form.sphere == pytest.approx(2e-4 * 0.0254, rel=1e-12)
    assert study.assumed["tenths"] == "0.0001 in each"
    assert "tenths 0.0001 in each" in " ".join(Preview(study, whole=True).text().split())
    with pytest.raises(StudyError, match=r"0\.0001 in in one shop"):
        parse(dome.format("metric"))


def test_a_study_that_readings_began_is_written_in_inches(tmp_path, monkeypatch) -> None:
    """A dome reads a quarter of itself on feet half as wide (circle of R/2): 100 millionths are 400."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pair.toml").write_text(TIPS.replace('"1.4"', '"1/3"').format("inch"))
    reading = ["--reading", "spherometer left 1 tenth @ 0 deg"]
    assert main(["gauge", "pair.toml", *reading, "--start", "begun.toml"]) == 0
    written = (tmp_path / "begun.toml").read_text("utf-8")
    dome = re.search(r'dome = "([\d.]+) uin"', written)
    assert dome is not None
    assert float(dome[1]) == pytest.approx(400.0, rel=0.01)
    assert " um" not in written.replace('"9 um"', "")
