"""`form.map` of a study: what a person types, what the plate is then, what is said, and what is refused."""

import numpy as np
import pytest

from lapwright.errors import StudyError
from lapwright.metrology.form import measure
from lapwright.metrology.sdf import to_sdf
from lapwright.metrology.surface import Surface
from lapwright.metrology.surface_files import write_surface
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, StartForm
from lapwright.study.read import load, parse

FORM = StartForm(sphere=3e-6, saddle=-0.7e-6, twist=1.2e-6)
SOURCE = Plate(Disc(0.17), thickness=0.03, form=StartForm(), cells=170, name="A")
X, Y = SOURCE.grid.x, SOURCE.grid.y


def heights(form=FORM):
    return form.at(*np.meshgrid(X, Y), Disc(0.16))


def study(form):
    return f"""
plates.A = {{ disc = "160 mm", thickness = "30 mm", cells = 64, form = {{ {form} }} }}
plates.B = {{ like = "A" }}
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "10 min"
"""


def forms(text, folder):
    got = parse(study(text), "pair", folder)
    plate = got.plates["A"]
    return got, measure(plate, plate.heights(), got.margin)


def refused(text, folder):
    with pytest.raises(StudyError) as caught:
        parse(study(text), "pair", folder)
    return [str(fault) for fault in caught.value.faults]


@pytest.fixture
def folder(tmp_path):
    for ending in ("x3p", "sdf", "csv", "npy"):
        write_surface(tmp_path / f"A.{ending}", X, Y, heights())
    return tmp_path


@pytest.mark.parametrize(
    "words",
    [
        'map = "A.x3p"',
        'map = "A.sdf"',
        'map = "A.csv"',
        'map = { file = "A.npy", spacing = "1 mm" }',
    ],
)
def test_a_plate_is_what_its_map_says(folder, words):
    got, form = forms(words, folder)
    assert form.sphere == pytest.approx(3e-6, rel=1e-6)
    assert form.saddle == pytest.approx(-0.7e-6, rel=1e-5)
    assert form.twist == pytest.approx(1.2e-6, rel=1e-6)
    assert got.plates["B"].form == StartForm()  # like never copies a form
    # what has a name is held as a size, so that whoever asks for the dome of a plate hears it
    assert got.plates["A"].form.sphere == pytest.approx(3e-6, rel=1e-6)
    assert np.ptp(got.plates["A"].form.measured.heights[got.plates["A"].land > 0.0]) < 1e-12
    assert got.assumed["plates.A.form.map.points"] == "170 x 170, 1 mm apart"


def test_the_rest_of_the_form_is_added(folder):
    _, form = forms('map = "A.x3p", dish = "1 um", twist = "0.3 um"', folder)
    assert form.sphere == pytest.approx(2e-6, rel=1e-6)
    assert form.twist == pytest.approx(1.5e-6, rel=1e-6)


def test_the_file_is_looked_for_beside_the_study(folder, tmp_path, monkeypatch):
    (folder / "deeper").mkdir()
    (folder / "deeper" / "pair.toml").write_text(study('map = "../A.x3p"'))
    monkeypatch.chdir("/")
    assert load(folder / "deeper" / "pair.toml").plates["A"].form.measured is not None
    assert "'A.x3p' is not there" in refused('map = "deeper/A.x3p"', folder)[0]


def test_a_study_in_a_run_file_needs_no_map(tmp_path):
    got = parse(study('map = "A.x3p"'), "pair", tmp_path, maps=False)
    assert got.plates["A"].form == StartForm()


@pytest.mark.parametrize(
    ("said", "saddle", "twist"),
    [
        # by hand: what each does to a face that is high at 12 and 6 (saddle -) and at 1:30 and 7:30 (twist +)
        ("mirrored = true", -0.7e-6, -1.2e-6),
        ('first_row = "12 o\'clock"', -0.7e-6, -1.2e-6),
        ('first_row = "12", mirrored = true', -0.7e-6, 1.2e-6),
        ('angle = "90 deg"', 0.7e-6, -1.2e-6),
        ('angle = "180 deg"', -0.7e-6, 1.2e-6),
        ('angle = "-90 deg"', 0.7e-6, -1.2e-6),
    ],
)
def test_which_way_up(folder, said, saddle, twist):
    _, form = forms(f'map = {{ file = "A.npy", spacing = "1 mm", {said} }}', folder)
    assert form.sphere == pytest.approx(3e-6, rel=1e-6)
    assert form.saddle == pytest.approx(saddle, rel=1e-5)
    assert form.twist == pytest.approx(twist, rel=1e-5)


@pytest.mark.parametrize(
    ("said", "at"),
    [
        ("", (0.02, 0.05)),
        ('angle = "90 deg"', (-0.05, 0.02)),  # anticlockwise: what was at (x, y) comes to (-y, x)
        ('angle = "270 deg"', (0.05, -0.02)),
        ("mirrored = true", (-0.02, 0.05)),
        ('mirrored = true, angle = "90 deg"', (-0.05, -0.02)),  # mirrored first, then turned
        ('first_row = "12 o\'clock"', (0.02, -0.05)),
    ],
)
def test_a_mark_comes_to_where_it_is_said(tmp_path, said, at):
    gx, gy = np.meshgrid(X, Y)
    np.save(tmp_path / "A.npy", 1e-6 * np.exp(-((gx - 0.02) ** 2 + (gy - 0.05) ** 2) / 5e-5))
    more = f", {said}" if said else ""
    got = parse(study(f'map = {{ file = "A.npy", spacing = "1 mm"{more} }}'), "pair", tmp_path)
    plate = got.plates["A"]
    j, i = np.unravel_index(np.argmax(plate.heights()), plate.grid.shape)
    assert (plate.grid.x[i], plate.grid.y[j]) == pytest.approx(at, abs=plate.grid.cell)


def test_unequal_spacings_and_a_turned_rail(tmp_path):
    # a rail that lay along 12-6 in the instrument: 101 rows 3 mm apart, 51 columns 1 mm apart
    x, y = np.arange(51) * 1e-3 - 0.025, np.arange(101) * 3e-3 - 0.15
    gx, gy = np.meshgrid(x, y)
    np.save(tmp_path / "R.npy", -2.0 * (gy / 0.15) ** 2 + 0.5 * (gx / 0.025) ** 2)
    text = """
plates.A = { rectangle = ["300 mm", "50 mm"], thickness = "30 mm", form = { map = { file = "R.npy",
    spacing = ["1 mm", "3 mm"], unit = "um", angle = "90 deg" } } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "10 min"
""".replace(",\n    spacing", ", spacing")
    got = parse(text, "rail", tmp_path)
    form = measure(got.plates["A"], got.plates["A"].heights(), got.margin)
    # middle over the ends by 2 um, under the long edges by 0.5 um
    assert form.bow == pytest.approx(2e-6, rel=1e-6)
    assert form.crown == pytest.approx(-0.5e-6, rel=1e-6)
    assert got.assumed["plates.A.form.map.points"] == "101 x 51, 3 mm x 1 mm apart"


def test_what_was_done_is_said(tmp_path):
    z = heights() + 1e-4 * np.meshgrid(X, Y)[0]
    z[80:92, 80:92] = np.nan
    (tmp_path / "A.sdf").write_bytes(to_sdf(Surface(z, 1e-3, 1e-3)))
    said = parse(study('map = "A.sdf"'), "pair", tmp_path).assumed
    # 1e-4 rad across 160 mm
    assert said["plates.A.form.map.level"] == "a tilt of 16 um across the face taken out"
    # 12 x 12 mm of pi 76.8^2, told by whole cells
    share, words = said["plates.A.form.map.gaps"].split(" ", 1)
    assert float(share) == pytest.approx(100.0 * 144.0 / (np.pi * 76.8**2), rel=0.1)
    assert words == "% of the land not measured, filled in smoothly from what is around"
    coarse = Plate(Disc(0.2), thickness=0.03, cells=25, name="A").grid
    write_surface(tmp_path / "C.x3p", coarse.x, coarse.y, FORM.at(*coarse.mesh(), Disc(0.16)))
    said = parse(study('map = "C.x3p"'), "pair", tmp_path).assumed
    assert said["plates.A.form.map.fineness"] == "nothing finer than 16 mm is known of this face"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("map = 3", "plates.A.form.map: 3 is no name of a file"),
        ('map = ""', "is no name of a file"),
        ('map = "B.x3p"', "'B.x3p' is not there"),
        ('map = { spacing = "1 mm" }', 'plates.A.form.map.file: is missing: write file = "A.x3p"'),
        ('map = { file = "A.npy" }', "'A.npy' holds no spacing"),
        ('map = { file = "A.npy", spacing = 1 }', "plates.A.form.map.spacing: 1 is no spacing"),
        ('map = { file = "A.npy", spacing = "1" }', "plates.A.form.map.spacing: '1' has no unit"),
        ('map = { file = "A.npy", spacing = "nan mm" }', "plates.A.form.map.spacing: 'nan mm'"),
        (
            'map = { file = "A.npy", spacing = "0.5 mm" }',
            "leaves 61 % of a face of 160 x 160 mm uncovered",
        ),
        ('map = { file = "A.npy", spacing = "1 mm", unit = "m/s" }', "plates.A.form.map.unit"),
        ('map = { file = "A.npy", spacing = "1 mm", first_row = "top" }', "'top' is no first row"),
        ('map = { file = "A.npy", spacing = "1 mm", angle = "30 deg" }', "is no quarter turn"),
        ('map = { file = "A.npy", spacing = "1 mm", mirrored = "yes" }', "neither true nor false"),
        ('map = { file = "A.npy", spacing = "1 mm", at = "5 mm" }', "is no place"),
        ('map = { file = "A.npy", spaceing = "1 mm" }', "unknown key: did you mean spacing?"),
        ('map = { file = "A.x3p", spacing = "1 mm" }', "'A.x3p' says its own spacing"),
        (
            'map = { file = "A.csv", unit = "mm" }',
            "'A.csv' says its own unit, and the study another",
        ),
        ('map = { file = "A.npy", spacing = "1 mm", at = ["20 mm", "0 mm"] }', "uncovered"),
    ],
)
def test_what_is_refused(folder, words, line):
    lines = refused(words, folder)
    assert len(lines) == 1
    assert line in lines[0]
    assert lines[0].startswith("plates.A.form.map")


def test_a_fault_of_a_map_is_told_with_all_the_others(folder):
    lines = refused(
        'map = "B.x3p" }, grooves = { pattern = "squares", width = "2 mm", pitch = "9 mm"', folder
    )
    assert any("squares" in line for line in lines)


def test_a_map_is_read_once_for_variants_and_sweeps(folder, monkeypatch):
    from lapwright.metrology import surface_files as files

    reads = []
    plain = files.read_surface
    monkeypatch.setattr(files, "read_surface", lambda *a: reads.append(a) or plain(*a))
    more = """
[[variants]]
name = "short"
set = { load = "5 N" }
[[variants]]
name = "long"
set = { load = "9 N" }
[sweep]
load = ["1 N", "2 N", "3 N"]
"""
    parse(study('map = "A.x3p"') + more, "pair", folder)
    assert len(reads) == 1
