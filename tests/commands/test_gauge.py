"""`lapwright gauge` as a person and as a script use it."""

import json
import math
import re
from math import pi
from pathlib import Path

import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.metrology.surface_files import write_surface
from lapwright.study.read import load

pytestmark = pytest.mark.usefixtures("unsearched")

STUDY = """
title = "First pair"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 64, form = { dome = "3 um", ripple = "0.1 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }
[[steps]]
top = "A"
bottom = "B"
grit = "3 um"
turn = "8 deg per stroke"
strokes = 20
"""
COARSE = STUDY.replace("cells = 64", "cells = 24")
GAUGES = """
[gauges.sph]
kind = "spherometer"
foot_circle = "80 mm"
resolution = "0.1 um"
repeatability = "0.05 um"
warm_side = "0 K"
support = "bedded"
[gauges.four]
kind = "twist gauge"
foot_circle = "80 mm"
repeatability = "0.05 um"
"""
COMPARATOR = """
[gauges.comp]
kind = "spherometer"
foot_circle = "100 mm"
zero = "B"
resolution = "0.1 um"
"""
READINGS = """
[[readings]]
gauge = "sph"
plate = "A"
value = "0.8 um"
[[readings]]
gauge = "four"
plate = "A"
value = "0.1 um"
"""


@pytest.fixture
def study(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def write(text=STUDY + GAUGES):
        (tmp_path / "pair.toml").write_text(text)
        return "pair.toml"

    return write


def said(capsys, *words, code=0):
    assert main(["gauge", *words]) == code
    got = capsys.readouterr()
    return got.out if code == 0 else got.err


def test_what_a_gauge_would_show(study, capsys):
    file = study(STUDY.replace(', ripple = "0.1 um"', "") + GAUGES)
    text = said(capsys, file, "--with", "sph", "--plate", "A")
    # on half the plate a quarter of 3 um
    assert "middle high by 0.75 um (30 uin)" in text
    assert "it shows 0.25 of the whole plate's dome: multiply by 4.0" in text
    assert "blind to saddle and twist" in " ".join(text.split())
    assert "four" not in text
    assert "the pointer's scatter" in said(capsys, file, "--with", "sph", "--budget")


def test_usual_gauges_where_the_study_has_none(study, capsys):
    text = said(capsys, study(STUDY))
    for kind in ("spherometer, three feet", "twist gauge", "straightedge", "optical flat"):
        assert f"{kind} on A" in text


PIECES = """
title = "A ring, a rail and a plate"
plates.plate = { disc = "250 mm", thickness = "40 mm", cells = 64, form = { dish = "2 um" } }
parts.ring = { ring = ["90 mm", "50 mm"], thickness = "18 mm", cells = 64, form = { dome = "1 um" } }
parts.rail = { rectangle = ["200 mm", "40 mm"], thickness = "30 mm", cells = 64, form = { bow = "2 um" } }
[[steps]]
top = "ring"
bottom = "plate"
grit = "9 um"
strokes = 20
"""


@pytest.mark.campaign
def test_usual_gauges_fit_each_piece_and_do_not_read_exactly(study, capsys):
    file = study(PIECES)
    got = json.loads(said(capsys, file, "--json"))["readings"]
    assert all(one["value"] is not None and one["half"] > 0.05e-6 for one in got)
    by = {(one["gauge"], one["plate"]): one["ratio"] for one in reversed(got)}
    assert min(map(abs, by.values())) > 0.1
    # each by its own size: half the plate shows a quarter, nine tenths of the rail 0.81
    assert by["spherometer, three feet", "plate"] == pytest.approx(0.25)
    assert by["straightedge", "rail"] == pytest.approx(0.81)
    assert by["optical flat", "ring"] == pytest.approx(1 - (50 / 90) ** 2)
    assert ("spherometer, three feet", "ring") not in by
    text = " ".join(said(capsys, file).split())
    assert "scatter by 0.10 um and lag by 0.10 um" in text
    assert "tenth of a band: common practice, no source" in text
    assert "taken as exact" not in text


def test_a_usual_gauge_reads_by_the_size_that_fits_the_piece(study, capsys):
    """A flat as large as the piece: two bands of 294.65 nm of bow along the rail, the same on the plate."""
    words = ["--reading", "optical flat rail 2 bands dome @ 0 deg"]
    words += [
        w for k in (0, 45, 90) for w in ("--reading", f"optical flat plate 2 bands dish @ {k} deg")
    ]
    got = json.loads(said(capsys, study(PIECES), "--json", *words))["estimate"]
    assert got["rail"]["forms"]["bow"] == pytest.approx(2 * 294.65e-9)
    assert got["plate"]["forms"]["sphere"] == pytest.approx(-2 * 294.65e-9)
    refused = said(capsys, study(PIECES), "--reading", "spherometer ring 1 um", code=2)
    assert "cannot stand on ring, its middle would be over the bore" in refused


def test_a_ring_is_told_from_its_bore(study, capsys):
    text = " ".join(
        said(capsys, study(PIECES), "--with", "optical flat", "--plate", "ring").split()
    )
    assert (
        "bore over the rim by 0.69 um (27 uin), 2.3 bands" in text
    )  # (1 - (50/90)^2) um over 294.65 nm
    assert "middle high" not in text
    assert "of the dome, extended to the middle of the bore: multiply by 1.4" in text
    assert "No spherometer for ring: nothing stands over a bore" in text
    whole = " ".join(
        said(capsys, study(PIECES), "--with", "optical flat", "--plate", "rail").split()
    )
    assert "it shows the whole plate's bow" in whole


def test_a_gauge_too_small_for_the_plate_is_no_use(study, capsys):
    small = '[gauges.small]\nkind = "spherometer"\nfoot_circle = "{} mm"\nresolution = "0.1 um"\n'
    # (circle/plate)^2: 50 of 160 mm shows 0.098, 51 shows 0.102
    text = " ".join(said(capsys, study(STUDY + small.format(50)), "--plate", "A").split())
    assert (
        "it shows 0.098 of the whole plate's dome: it would have to be multiplied by 10, which is no use"
        in text
    )
    assert "no use" not in said(capsys, study(STUDY + small.format(51)), "--plate", "A")


def test_an_optical_flat_has_an_eye_and_no_feet(study, capsys):
    grooved = STUDY.replace(
        'like = "A"',
        'like = "A", grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }',
    )
    flat = '[gauges.flat]\nkind = "optical flat"\ndiameter = "60 mm"\n'
    at = [word for k in range(0, 12, 2) for word in ("--place", f"0 deg at {k} mm, 0 mm")]
    text = " ".join(said(capsys, study(grooved + flat), "--plate", "B", *at, "--budget").split())
    assert "it lies over a groove, which does not matter" in text
    assert "your eye" in text
    assert "foot" not in text
    assert "feet" not in text
    assert "pointer" not in text


def test_nothing_is_said_in_no_bands(study, capsys):
    level = STUDY.replace(
        'form = { dome = "3 um", ripple = "0.1 um" }', 'form = { twist = "1 um" }'
    )
    text = said(capsys, study(level), "--with", "optical flat", "--plate", "A")
    assert "at 0 deg: nothing, give or take" in text
    assert "0.00" not in text


@pytest.mark.campaign
def test_readings_that_tell_nothing_and_grey_faces_are_told(study, capsys):
    # above 5 um of loose grit no bands show (common practice, no source)
    coarse = STUDY.replace('grit = "3 um"', 'grit = "15 um"').replace(
        'dome = "3 um"', 'dome = "8 um"'
    )
    assert main(["run", study(coarse), "--no-page"]) == 0
    capsys.readouterr()
    text = said(capsys, "pair-run")
    twist, dome = (part.split("on B")[0] for part in text.split("on A")[2:0:-1])
    assert re.search(r": nothing, give or take \S+ um\n", twist)  # below a tenth of its doubt
    assert "adds a scatter of 0.15 um from place to place" in " ".join(twist.split())
    assert "too little" not in dome  # a quarter of 8 um
    assert "no bands: loose 15 um grit leaves A too grey." in " ".join(text.split())
    assert main(["run", study(STUDY), "--no-page", "--force"]) == 0
    assert "too grey" not in said(capsys, "pair-run")


def test_a_kind_is_first_of_all_the_gauge_of_the_study(study, capsys):
    own = '[gauges.small]\nkind = "optical flat"\ndiameter = "60 mm"\nwavelength = "633 nm"\n'
    text = said(capsys, study(STUDY + own), "--with", "optical flat", "--plate", "A")
    assert "small on A" in text
    assert "optical flat on A" not in text


@pytest.mark.campaign
def test_the_page_of_a_run_shows_the_flat_of_the_study(study, capsys):
    own = '[gauges.small]\nkind = "optical flat"\ndiameter = "60 mm"\nwavelength = "633 nm"\n'
    for gauge, told in (
        (own, "flat of the study (small: 60 mm, 633 nm)"),
        ("", "helium light (587.6 nm)"),
    ):
        assert main(["run", study(COARSE + gauge), "--force"]) == 0
        page = (
            Path("pair-run/report.html")
            .read_text("utf-8")
            .replace("\u202f", " ")
            .replace("\u00a0", " ")
        )
        assert told in page


def test_what_readings_say_comes_last(study, capsys):
    text = said(capsys, study(STUDY + GAUGES), "--reading", "sph A 0.8 um")
    assert max(map(len, text.split("Each whole face")[1].splitlines()[:-3])) <= 100
    assert (
        text.index("what 1 reading says") > text.index("Each whole face") > text.index("four on B")
    )


def test_json(study, capsys):
    got = json.loads(said(capsys, study(STUDY + GAUGES + READINGS), "--json"))
    first = got["readings"][0]
    assert {"gauge", "plate", "angle", "value", "uncertainty", "ratio", "blind"} <= set(first)
    assert (first["gauge"], first["plate"], first["ratio"]) == ("sph", "A", pytest.approx(0.25))
    assert first["blind"] == ["saddle", "twist"]
    # step 0.1 um, scatter 0.05 um: squares add (JCGM 100)
    assert first["uncertainty"] == pytest.approx((0.05e-6**2 + 0.1e-6**2 / 12) ** 0.5)
    form = got["estimate"]["A"]
    assert form["forms"] == {
        "sphere": pytest.approx(3.2e-6),
        "saddle": None,
        "twist": pytest.approx(0.4e-6),
    }
    assert form["order"] == 2
    assert form["covariance"][0][0] > 0
    assert form["covariance"][1] == [None, None, None]


def test_readings_on_the_command_line(study, capsys):
    readings = ["--reading", "sph A 0.8 um @ 0 deg", "--reading", "sph B -0.3 um"]
    text = " ".join(said(capsys, study(), *readings).split())
    assert "A: domed by 3.2 um (130 uin)" in text
    assert "B: hollow by 1.2 um" in text
    assert "lay A on top, and keep it there longer" in text
    assert "twist not seen" in text


def test_a_comparator_is_no_surer_than_the_thinner_of_its_plates(study, capsys):
    doubts = []
    for thickness in ("30 mm", "10 mm"):
        thin = STUDY.replace('like = "A"', f'like = "A", thickness = "{thickness}"') + COMPARATOR
        text = " ".join(said(capsys, study(thin), "--reading", "comp A 1.2 um", "--budget").split())
        assert "one side warmer, B" in text
        assert "A bows by up to 0.11 um" in text or "and A by up to 0.11 um" in text
        doubts.append(
            float(re.search(r"more domed than B by .*?, give or take ([\d.]+) um", text)[1])
        )
    # 0.1 K bends 30 mm of iron by 0.11 um and 10 mm by 0.33 um (Timoshenko, free plate): evenly within that
    least = 1.96 * math.hypot(0.11, 0.33) / 3**0.5
    assert doubts[1] > least > doubts[0]


def test_a_run_begins_with_what_was_read(study, capsys):
    file = study(STUDY + GAUGES + READINGS)
    said(capsys, file, "--start", "measured.toml")
    form = load("measured.toml").plates["A"].form
    assert (form.sphere, form.twist, form.saddle) == (
        pytest.approx(3.2e-6),
        pytest.approx(0.4e-6),
        0.0,
    )
    # waves cannot be read with these gauges and stay as written; a file is never written over
    assert form.ripple is not None
    assert "is there already" in said(capsys, file, "--start", "measured.toml", code=2)


@pytest.mark.campaign
def test_bands_are_drawn(study, capsys, tmp_path):
    said(capsys, study(), "--out", "bands.png")
    assert (tmp_path / "bands.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.campaign
def test_the_faces_of_a_run(study, capsys):
    assert main(["run", study(COARSE), "--no-page"]) == 0
    capsys.readouterr()
    text = said(capsys, "pair-run", "--with", "spherometer")
    assert "faces at the end of the run" in text
    assert "middle high by" in text


CONFIG = Path(__file__).resolve().parents[2] / "configs" / "read-before-you-lap.toml"


@pytest.mark.campaign
def test_the_study_with_readings_does_what_its_head_says(study, capsys):
    """A is domed, B hollow, both twisted alike; a run can be begun from that, and is."""
    got = json.loads(said(capsys, str(CONFIG), "--json", "--start", "measured.toml"))["estimate"]
    written = load(CONFIG).plates
    for name in "AB":
        for form in ("sphere", "twist"):
            off = got[name]["forms"][form] - getattr(written[name].form, form)
            assert abs(off) < got[name]["half"][form]
    assert got["A"]["forms"]["sphere"] > 0 > got["B"]["forms"]["sphere"]
    assert got["A"]["forms"]["twist"] == pytest.approx(got["B"]["forms"]["twist"], abs=0.2e-6)
    own, measured = CONFIG.read_text(), load("measured.toml")
    assert not measured.readings
    # what the person wrote beside is still there, but for the line about a reading, which is gone with it
    mine, there = (
        [line for line in text.splitlines() if line[:1] == "#"] for text in (own, measured.text)
    )
    assert there[-5:] == mine[:5]
    assert "band more along" in mine[5]
    assert set(measured.gauges) == {"sph", "four", "flat"}
    assert main(["run", "measured.toml", "--no-page", "--json"]) == 0
    ends = json.loads(capsys.readouterr().out)["plates"]
    for name in "AB":
        assert abs(ends[name]["sphere"]) < 0.4 * abs(got[name]["forms"]["sphere"])
        assert abs(ends[name]["twist"]) < 0.1 * got[name]["forms"]["twist"]


def test_gauges_set_down_where_it_is_said(study, capsys):
    file = study(STUDY.replace(', ripple = "0.1 um"', "") + GAUGES)
    got = json.loads(
        said(capsys, file, "--with", "sph", "--place", "30 deg at 20 mm, -10 mm", "--json")
    )
    one = got["readings"][0]
    assert one["at"] == pytest.approx([0.02, -0.01])
    assert one["angle"] == pytest.approx(pi / 6)
    assert one["value"] == pytest.approx(0.75e-6, rel=1e-6)  # a dome reads alike everywhere
    assert "its middle at 20 mm, -10 mm: middle high by 0.75 um" in said(
        capsys, file, "--with", "sph", "--place", "30 deg at 20 mm, -10 mm"
    )


@pytest.mark.campaign
def test_faces_at_a_time_of_a_run(study, capsys):
    assert main(["run", study(STUDY.replace(', ripple = "0.1 um"', "")), "--no-page"]) == 0
    capsys.readouterr()
    start = said(capsys, "pair-run", "--with", "spherometer", "--at", "0 min", "--plate", "A")
    assert "faces after 0 s of rubbing" in start
    assert "middle high by 0.75 um" in start
    assert "only a run has faces at other times" in said(capsys, study(), "--at", "1 min", code=2)


@pytest.mark.campaign
def test_a_face_flatter_than_a_gauge_tells_is_told_so(study, capsys):
    # a usual straightedge tells 0.78 um on a grey plate of 160 mm
    text = STUDY.replace('grit = "3 um"', 'grit = "15 um"').replace(
        'dish = "1 um"', 'dish = "0.2 um"'
    )
    assert main(["run", study(text), "--no-page"]) == 0
    capsys.readouterr()
    end = " ".join(said(capsys, "pair-run", "--with", "spherometer").split())
    of_a, of_b = end[end.index("A: flat to") :].split("B: flat to")
    assert "too small for a gauge to be sure of" in of_b
    assert "too small for a gauge to be sure of" not in of_a
    # One rule: that remark counts on no bands here, and what a flat would show is told of a bright face.
    flat = " ".join(said(capsys, "pair-run", "--with", "optical flat", "--plate", "B").split())
    assert flat.index("Were it bright, it would show") < flat.index("at 0 deg: middle low")
    assert "too little for it to tell" not in flat


def test_a_flat_that_falls_into_a_bore_is_told_and_the_others_are_drawn(study, capsys):
    own = '[gauges.small]\nkind = "optical flat"\ndiameter = "40 mm"\n'
    ring = 'parts.R = { ring = ["90 mm", "60 mm"], thickness = "10 mm" }\n'
    file = study(STUDY.replace("[[steps]]", ring + "[[steps]]", 1) + own)
    fell = "the flat named small falls into the bore of R"
    assert fell in said(capsys, file, "--out", "bands.png")
    assert Path("bands.png").exists()
    assert main(["gauge", file, "--out", "other.png", "--plate", "R"]) == 2
    assert fell in capsys.readouterr().err
    assert not Path("other.png").exists()


def test_what_is_known_as_a_sum_only_is_not_begun_with_and_said_so(study, capsys):
    words = ["--reading", "optical flat A 0.6 bands dome @ 0 deg"]
    words += [w for k in (0, 90) for w in ("--reading", f"optical flat B 0.5 bands dish @ {k} deg")]
    text = " ".join(said(capsys, study(STUDY), "--start", "measured.toml", *words).split())
    assert "A: dome and saddle look alike in these readings; twist not seen" in text
    assert "Of A only a sum of dome and saddle was read: they are left out, as zero" in text
    assert "Lap them as far as they are known: lapwright run measured.toml" in text
    form = load("measured.toml").plates
    assert (form["A"].form.sphere, form["A"].form.saddle) == (0.0, 0.0)
    # half a band of 294.65 nm across the whole plate, the same both ways: no saddle, and no round-off either
    assert form["B"].form.sphere == pytest.approx(-0.5 * 294.65e-9, rel=1e-3)
    written = Path("measured.toml").read_text()
    assert "e-" not in written
    assert "saddle" not in written[written.index("plates.A") : written.index("[[steps]]")]
    # but how surely it is read as nought, that is written down
    assert ("B", "saddle") in {term for cause in load("measured.toml").doubts for term in cause}
    got = json.loads(said(capsys, study(STUDY), "--json", *words))["estimate"]
    assert got["A"]["sum_only"] == ["sphere", "saddle"]
    assert got["B"]["sum_only"] == []


def test_a_reading_that_does_not_fit_is_named(study, capsys):
    words = [
        w for k in (0, 40, 80) for w in ("--reading", f"sph A 0.8 um @ {k} deg at {k / 4} mm, 0 mm")
    ]
    odd = ["--reading", "sph A 500 um @ 20 deg"]
    text = " ".join(said(capsys, study(STUDY + GAUGES), *words, *odd).split())
    assert "The reading that fits least: sph on A, 500 um at 20 deg. Read it again" in text
    got = json.loads(said(capsys, study(STUDY + GAUGES), "--json", *words, *odd))
    assert got["doubtful"] == [3]
    odd_one = {
        "code": "odd_reading",
        "step": None,
        "plate": "A",
        "numbers": {"reading": 3, "of": 1},
    }
    assert odd_one in got["findings"]
    # of two, nobody can tell which
    text = " ".join(said(capsys, study(STUDY + GAUGES), *words[:2], *odd).split())
    assert (
        "cannot tell which is wrong: sph on A, 0.80 um at 0 deg; sph on A, 500 um at 20 deg" in text
    )
    assert "A: dome not known" in text
    assert json.loads(said(capsys, study(STUDY + GAUGES), "--json", *words))["doubtful"] == []


def test_bands_alone_do_not_tell_a_dome_from_a_dish(study, capsys):
    ask = "Bands alone do not tell a dome from a dish: on B they are taken as a dome's"
    for bands, asked in (("3 bands", True), ("3 bands dish", False), ("-3 bands", False)):
        text = " ".join(
            said(capsys, study(STUDY), "--reading", f"optical flat B {bands} @ 0 deg").split()
        )
        assert (ask in text) == asked


def mapped(folder: Path, shape: str, more: str = "", room: str = "plates") -> str:
    """A study whose A has a measured face, domed by 3 um, and B one that is typed."""
    x = np.arange(-0.0795, 0.08, 1e-3)
    gx, gy = np.meshgrid(x, x)
    z = -3e-6 * (gx**2 + gy**2) / 0.08**2
    write_surface(folder / "A.x3p", x, x, z, np.ones_like(z))
    plate = f'{room}.A = {{ {shape}, thickness = "30 mm", cells = 64, form = {{ map = "A.x3p" }}{more} }}'
    return STUDY.replace(STUDY.splitlines()[2], plate).replace(
        'like = "A"', 'disc = "160 mm", thickness = "30 mm", cells = 64'
    )


@pytest.mark.campaign
def test_grades_are_of_surface_plates_that_were_read(study, capsys, tmp_path):
    """DIN 876, ISO 8512 and ASME B89.3.7 are standards of surface plates, of cast iron and granite."""
    disc, ring = 'disc = "160 mm"', 'ring = ["160 mm", "60 mm"]'
    for shape, more, room, graded in (
        (disc, "", "plates", True),
        (disc, ', material = "granite"', "plates", True),
        (disc, "", "parts", False),
        (ring, "", "plates", False),
        (disc, ', material = "silicon carbide"', "plates", False),
    ):
        file = study(mapped(tmp_path, shape, more, room))
        faces = json.loads(said(capsys, file, "--json", "--with", "optical flat"))["faces"]
        assert bool(faces["A"]["grades"]) == graded
        assert faces["B"]["grades"] == []  # its face is typed, not read
        assert ("grade" in said(capsys, file, "--with", "optical flat")) == graded
    lapped = study(mapped(tmp_path, disc))
    assert main(["run", lapped, "--out", "r", "--no-page"]) == 0
    capsys.readouterr()
    assert "grade" not in said(capsys, "r", "--with", "optical flat")


@pytest.mark.campaign
def test_flatness_and_grades(study, capsys, tmp_path):
    of_map = study(mapped(tmp_path, 'disc = "160 mm"', ""))
    got = json.loads(said(capsys, of_map, "--json", "--with", "repeat reading", "--plate", "A"))
    face = got["faces"]["A"]
    assert face["flatness"] <= face["flatness_ls"]
    assert face["edge_margin"] == pytest.approx(0.0032)
    # 40 + D^2/25 microinches, D 160 mm (GGG-P-463c)
    finest = next(g for g in face["grades"] if g["grade"] == "AA")
    assert finest["limit"] == pytest.approx((40 + (160 / 25.4) ** 2 / 25) * 25.4e-9)
    assert finest["rule"] == "formula"
    assert got["swept"][0]["size"] < 0.5 * face["flatness"]
    assert all("sphere" in one["blind"] for one in got["readings"])
    text = " ".join(said(capsys, of_map, "--with", "repeat reading", "--plate", "A").split())
    assert re.search(r"though the whole face is flat only to [23]\.\d um", text)
    assert "blind to a dome" in text
    assert (
        "those of ISO 8512-2 and limits of repeat readings are left out, for want of a source"
        in text
    )


@pytest.mark.campaign
def test_what_readings_take_for_granted(study, capsys):
    study()
    text = " ".join(said(capsys, study(), "--reading", "optical flat A 1 bands @ 0 deg").split())
    assert "look alike in these readings" in text
    assert "read at one place only" in text
    grooved = STUDY.replace(
        'like = "A"', 'like = "A", grooves = { pattern = "rings", pitch = "20 mm", width = "4 mm" }'
    )
    where = "sph B 0.1 um @ 0 deg at {} mm, 0 mm"
    told = [
        said(capsys, study(grooved + GAUGES), "--reading", where.format(x)) for x in range(0, 20, 2)
    ]
    assert any("a foot stood in a groove" in " ".join(text.split()) for text in told)
    warm = READINGS.replace('value = "0.8 um"', 'value = "0.8 um"\ntemperature = "60 degC"')
    told = " ".join(said(capsys, study(STUDY + GAUGES + warm)).split())
    assert "A was 40 degC warmer than the room (20 degC)" in told
    got = json.loads(said(capsys, study(STUDY + GAUGES + warm), "--json"))["findings"]
    (one,) = [found for found in got if found["code"] == "not_at_room"]
    assert one["plate"] == "A"
    assert one["numbers"]["warmer"] == pytest.approx(60.0 - 20.0)
    assert json.loads(said(capsys, study(), "--json"))["findings"] == []


def test_bands_from_the_command_line(study, capsys):
    """3.39 bands of sodium light across the whole plate are a micrometre (589.3 nm, half a wave a band)."""
    whole = (
        GAUGES
        + '\n[gauges.flat]\nkind = "optical flat"\ndiameter = "160 mm"\nwedge = "10 arcsec"\n'
    )
    file = study(STUDY.replace(', ripple = "0.1 um"', "") + whole)
    words = [
        w for k in (0, 45, 90, 135) for w in ("--reading", f"flat B 3.394 bands dish @ {k} deg")
    ]
    got = json.loads(said(capsys, file, "--json", "--with", "flat", "--plate", "A", *words))
    assert got["estimate"]["B"]["forms"]["sphere"] == pytest.approx(-1e-6, rel=1e-3)
    assert got["estimate"]["B"]["order"] == 3
    one = got["readings"][0]
    assert one["bands"] == pytest.approx(3 * 3.394, rel=1e-3)
    assert one["bow"] == pytest.approx(3 * 3.394, rel=1e-3)
    text = said(capsys, file, "--with", "flat", "--plate", "A")
    assert "the middle band bows by 10 spacings, its ends towards the thin side" in text


def test_a_comparator(study, capsys):
    both = STUDY.replace(', ripple = "0.1 um"', "") + GAUGES.replace(
        'support = "bedded"', 'support = "bedded"\nzero = "B"'
    )
    text = said(capsys, study(both), "--with", "sph")
    assert "set to zero on B: high is higher than there" in text
    assert "middle high by 1.0 um" in text  # a quarter of 3 and 1
    assert "sph on B" not in text


def test_equal_readings_and_what_they_prove(study, capsys):
    alike = ["--reading", "sph A 0.1 um", "--reading", "sph B 0.1 um"]
    text = " ".join(said(capsys, study(STUDY + GAUGES), *alike).split())
    assert "A and B read the same, to within" in text
    assert "bear all over at 0 and at 90 degrees" in text
    assert "says nothing about twist" in text


OTHERS = """
title = "A rail on a plate"
units = "inch"
plates.plate = { disc = "12 in", thickness = "2 in" }
parts.rail = { rectangle = ["10 in", "2 in"], thickness = "1 in", form = { bow = "100 uin", wind = "9 uin" } }
plates.third = { like = "plate", form = { dish = "50 uin" } }
[[steps]]
top = "rail"
bottom = "plate"
grit = "9 um"
strokes = 10
[gauges.bubble]
kind = "{kind}"
base = "2 in"
resolution = "0.1 arcsec"
"""


@pytest.mark.parametrize("kind", ["level", "autocollimator"])
def test_a_rail_an_inch_study_and_three_plates(study, capsys, kind):
    """A level stepped along a rail reads slopes from which its bow comes back: bow = -a L^2/4."""
    file = study(OTHERS.replace("{kind}", kind))
    got = json.loads(said(capsys, file, "--with", "bubble", "--json"))
    assert {one["plate"] for one in got["readings"]} == {"plate", "rail", "third"}
    along = [one for one in got["readings"] if one["plate"] == "rail" and one["angle"] == 0.0]
    # slope between two feet at s -+ b/2 of -4 bow x^2/L^2: -8 bow s/L^2
    for one in along:
        want = -8 * 100 * 25.4e-9 * one["at"][0] / 0.254**2
        assert one["value"] == pytest.approx(want, abs=1e-9)
    readings = [
        word
        for one in along
        for word in (
            "--reading",
            f"bubble rail {one['value'] * 1e6:.3f} um/m @ 0 deg at {one['at'][0] * 1e3} mm, 0 mm",
        )
    ]
    found = json.loads(said(capsys, file, "--json", *readings))["estimate"]["rail"]
    assert found["forms"]["bow"] == pytest.approx(100 * 25.4e-9, rel=1e-3)
    assert found["forms"]["crown"] is None
    assert "uin" in said(capsys, file, *readings)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--with", "spere"], "there is no gauge 'spere'"),
        (["--reading", "sph C 1 um"], "there is no plate 'C'. write GAUGE PLATE SIZE @ ANGLE"),
        (
            ["--reading", "spherometr A 1 um"],
            "there is no gauge 'spherometr' (did you mean spherometer?)",
        ),
        (["--reading", "qqq A 1 um"], "there is no gauge 'qqq'"),
        (["--reading", "spherometer A"], "its size is missing"),
        (
            ["--reading", "spherometer A 1 um @ 0 deg at 20 mm"],
            "a place is two lengths, such as at 20 mm, 0 mm",
        ),
        (["--reading", "spherometer A 1 um @ 0 deg at 200 mm, 0 mm"], "a foot is beside the plate"),
        (["--place", "x"], "'x' is not an angle"),
        (["--reading", "sph A 1"], "has no unit"),
        (["--reading", "sph A 5 mm"], "it may be 1 mm at most"),
        (["--reading", "optical flat A 5000 bands"], "a reading may be 1 mm at most"),
        (["--start", "x.toml"], "--start needs readings"),
        (["--plate", "C"], "there is no plate 'C'"),
    ],
)
def test_refused(study, capsys, words, message):
    assert message in said(capsys, study(), *words, code=2)


def test_what_a_gauge_cannot_tell_is_said_to_be_too_little(capsys, tmp_path):
    """A reading smaller than its own give or take says nothing of which side is high (GUM, 95 in 100)."""
    path = tmp_path / "small.toml"
    for size, told in (("0.05 um", True), ("5 um", False)):
        path.write_text(PAIR_OF_ALIKE.replace("SIZE", size))
        assert main(["gauge", str(path), "--plate", "A"]) == 0
        assert ("too little for it to tell" in capsys.readouterr().out) == told


PAIR_OF_ALIKE = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "SIZE" }, cells = 32 }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "5 um"
time = "10 min"
"""
