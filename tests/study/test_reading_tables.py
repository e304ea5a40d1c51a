"""Tables of readings: what they mean, and what is refused with the name of its cell.

The outside: heights and slopes of a parabolic face in closed form, z = -S (x^2 + y^2)/R^2 + T 2xy/(2 R^2) and
so on (the form measures of docs/conventions.md), read by hand at each place.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from lapwright.errors import StudyError
from lapwright.metrology.least_squares import estimate_as_they_lay
from lapwright.optimisation.bench import equipped
from lapwright.optimisation.entry import entries_of
from lapwright.results.gauge import reading_table
from lapwright.study.read import load, parse

HEAD = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
gauges.ind = { kind = "bridge", resolution = "10 nm", repeatability = "10 nm" }
gauges.lev = { kind = "level", base = "30 mm", resolution = "0.1 urad", repeatability = "0.1 urad" }
gauges.edge = { kind = "straightedge", base = "120 mm", resolution = "10 nm", repeatability = "10 nm" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "8 min"
"""
R = 0.08
SPHERE, SADDLE, TWIST = 2e-6, 0.5e-6, -0.8e-6


def height(x: float, y: float) -> float:
    """A face with these three forms, standing askew on the bench."""
    own = -SPHERE * (x * x + y * y) / R**2
    own += SADDLE * (x * x - y * y) / (2.0 * R**2) + TWIST * 2.0 * x * y / (2.0 * R**2)
    return own + 3e-6 + 40e-6 * x - 25e-6 * y


def written(folder: Path, rows: str, gauge: str = "ind", more: str = "") -> Path:
    (folder / "monday.csv").write_text(rows, "utf-8")
    study = folder / "mine.toml"
    reading = f'[[readings]]\ngauge = "{gauge}"\nplate = "A"\ntable = "monday.csv"\n{more}'
    study.write_text(HEAD + reading, "utf-8")
    return study


def swept(unit: float = 1e-6, parted: str = ",") -> str:
    """An indicator over a grid, every 25 mm, where the face is."""
    places = [-50, -25, 0, 25, 50]
    lines = [parted.join(["um", *(f"{x} mm" for x in places)])]
    for y in reversed(places):
        told = [
            f"{height(1e-3 * x, 1e-3 * y) / unit:.6f}" if x * x + y * y < 70**2 else ""
            for x in places
        ]
        lines.append(parted.join([f"{y} mm", *told]))
    return "# Monday, 20 degC\n" + "\n".join(lines) + "\n"


@pytest.mark.parametrize("parted", [",", ";", "\t"])
def test_a_grid_of_an_indicator_tells_the_three_forms(tmp_path: Path, parted: str) -> None:
    """Columns are x and rows are y: a twist, which changes its sign where they are mixed up, comes out."""
    study = load(written(tmp_path, swept(parted=parted)))
    assert len(study.readings) == 21  # of 25 the four corners lie off the places that were read
    assert {one.table for one in study.readings} == {"monday.csv"}
    found = estimate_as_they_lay(study.readings, study.gauges, study.plates).forms("A")
    for form, size in (("sphere", SPHERE), ("saddle", SADDLE), ("twist", TWIST)):
        assert found[form].value == pytest.approx(size, abs=0.02e-6), form


def test_lines_of_a_level_tell_them_too(tmp_path: Path) -> None:
    """Each row is a line at its angle through the middle; a slope is the difference over the base."""
    from math import cos, radians, sin

    places = [-45, -15, 15, 45]
    lines = [",".join(["urad", *(f"{s} mm" for s in places)])]
    for angle in (0, 45, 90, 135):
        c, s = cos(radians(angle)), sin(radians(angle))
        ends = [[1e-3 * (at + half) for half in (-15.0, 15.0)] for at in places]
        told = [(height(c * b, s * b) - height(c * a, s * a)) / 0.03 / 1e-6 for a, b in ends]
        lines.append(",".join([f"{angle} deg", *(f"{slope:.4f}" for slope in told)]))
    study = load(written(tmp_path, "\n".join(lines), "lev"))
    assert [round(one.along, 6) for one in study.readings[:4]] == [-0.045, -0.015, 0.015, 0.045]
    found = estimate_as_they_lay(study.readings, study.gauges, study.plates).forms("A")
    for form, size in (("sphere", SPHERE), ("saddle", SADDLE), ("twist", TWIST)):
        assert found[form].value == pytest.approx(size, abs=0.05e-6), form


def test_fields_may_have_units_of_their_own_and_be_empty(tmp_path: Path) -> None:
    study = load(written(tmp_path, "um,-1 in,0 mm,,\n10 mm,4 uin,,,\n-10 mm,,0.2,,\n,,,,\n"))
    assert [(one.at, one.value) for one in study.readings] == [
        ((pytest.approx(-0.0254), pytest.approx(0.01)), pytest.approx(4 * 2.54e-8)),
        ((0.0, pytest.approx(-0.01)), pytest.approx(0.2e-6)),
    ]


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("um,0 mm,20 mm\n0 mm,0.1,x\n", "C2: 'x' is not a length"),
        ("um,0 mm,20 mm\n0 mm,0.1,0.2 N\n", "C2: '0.2 N'"),
        ("um;0 mm;20 mm\n0 mm;0.1;0,2\n", "C2: '0,2' has a decimal comma"),
        (",0 mm,20 mm\n0 mm,0.1,0.2\n", "B2: '0.1' has no unit: write it, or once in A1"),
        ("um,0 mm,20\n0 mm,0.1,0.2\n", "C1: '20' has no unit"),
        ("um,0 mm,20 mm\n5,0.1,0.2\n", "A2: '5' has no unit"),
        ("um,0 mm,20 mm\n0 mm,0.1,0.2\n,0.1,0.1\n", "A3: is empty: write a place such as 30 mm"),
        ("um,0 mm,0 mm\n0 mm,0.1,0.2\n", "C1: '0 mm' is the same place as B1"),
        ("um,0 mm,20 mm\n0 mm,1,2\n0 mm,1,2\n", "A3: '0 mm' is the same place as A2"),
        ("um,0 mm,20 mm\n0 mm,0.1,0.2,0.3\n", "D2: stands beside the table"),
        ("um,0 mm,90 mm\n0 mm,0.1,0.2\n", "C2: the gauge would stand off the face there"),
        ("um,0 mm,20 mm\n0 mm,0.1,2 mm\n", "C2: '2 mm' is too large"),
        ("um,0 mm,20 mm,30 mm\n0 mm,0,05,\n", "C2: stands behind a decimal comma"),
        ('um,0 mm,20 mm\n0 mm,"' + 140_000 * "1" + '",1\n', "line 2: field larger"),
        ("um,0 mm\n0 deg,0.1\n360 deg,0.2\n", "A3: '360 deg' is the same place as A2"),
        ("um,0 mm,20 mm\n0 mm,,\n", "holds no reading"),
        ("um,0 mm\n", "has no rows of readings"),
        ("", "has no rows of readings"),
        ("um,0 mm\n0 deg,0.1\n10 mm,0.2\n", "A3: '10 mm'"),
    ],
)
def test_a_bad_table_is_refused_in_a_line_that_names_the_cell(
    tmp_path: Path, rows: str, told: str
) -> None:
    study = written(tmp_path, rows)
    with pytest.raises(StudyError) as refused:
        load(study)
    (line,) = str(refused.value).splitlines()
    assert line.startswith("readings.1.table: monday.csv")
    assert told in line


def test_files_that_are_none_and_keys_that_do_not_belong(tmp_path: Path) -> None:
    study = written(tmp_path, swept(), more='value = "1 um"\n')
    with pytest.raises(StudyError, match="value"):
        load(study)
    study = written(tmp_path, swept())
    (tmp_path / "monday.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(StudyError, match="save the table as CSV"):
        load(study)
    (tmp_path / "monday.csv").unlink()
    with pytest.raises(StudyError, match=r"monday\.csv: cannot be read"):
        load(study)


def test_a_table_is_one_entry_of_the_log(tmp_path: Path) -> None:
    (tmp_path / "monday.csv").write_text(swept(), "utf-8")
    study = parse(HEAD, "mine", tmp_path)
    table = '[[spells.readings]]\ngauge = "ind"\nplate = "A"\ntable = "monday.csv"\n'
    one = '[[spells.readings]]\ngauge = "edge"\nplate = "A"\nvalue = "0.3 um"\n'
    first, second = entries_of(f"[[spells]]\n{one}{table}{one}[[spells]]\n{one}", study)
    assert [bool(reading.table) for reading in first.readings] == [False, *[True] * 21, False]
    assert len(second.readings) == 1
    (tmp_path / "monday.csv").write_text("um,0 mm\n0 mm,oh\n", "utf-8")
    with pytest.raises(StudyError, match=r"spells\.1\.readings\.2\.table: monday\.csv: B2"):
        entries_of(f"[[spells]]\n{one}{table}", study)


READ = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { like = "A" }
gauges.ind = { kind = "spherometer", foot_circle = "110 mm" }
[[steps]]
top = "A"
bottom = "B"
grit = "9 um"
time = "10 min"
[[readings]]
gauge = "ind"
plate = "A"
value = "1 um"
table = "monday.csv"
"""


def test_a_value_beside_a_table_is_told_as_that() -> None:
    with pytest.raises(StudyError) as caught:
        parse(READ)
    told = str(caught.value)
    assert "readings.1.value: stands beside a table" in told
    assert "did you mean" not in told


@pytest.mark.parametrize(
    "words",
    [
        "spherometer, three feet A 1.2 um",
        '"spherometer, three feet" A 1.2 um',
        "spherometer, three feet, A, 1.2 um",
    ],
)
def test_a_usual_gauge_is_named_with_its_comma_in_quotes_or_without(words: str) -> None:
    study = equipped(parse(READ.split("[[readings]]", 1)[0].replace("gauges.ind", "# ")))
    told = reading_table(words, study)
    assert told == {"gauge": "spherometer, three feet", "plate": "A", "value": "1.2 um"}
