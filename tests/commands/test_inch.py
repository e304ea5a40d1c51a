"""At an inch bench even what goes wrong is told in inches."""

from __future__ import annotations

import re

import pytest

from lapwright.cli import main
from lapwright.results.answer import retold
from lapwright.units import Units

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


def test_only_lengths_are_retold() -> None:
    said = "A at 30 degrees, 25.4 mm off, 12 mm2 and 3 mmol; 50 %"
    assert retold(said, Units.INCH) == "A at 30 degrees, 1.0 in off, 12 mm2 and 3 mmol; 50 %"
    assert retold("0.13 mm", Units.METRIC) == "0.13 mm"
