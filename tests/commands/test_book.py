"""`log` and `next` at the bench: two unread plates in a practice shop, typed through."""

import json
import math
import tomllib
from itertools import islice
from pathlib import Path

import pytest
from book_scene import FINE, TURNED, pair_read

import lapwright as lw
from lapwright.commands.main import main
from lapwright.optimisation import advise as choice

STUDY = pair_read("", FINE, TURNED)


@pytest.fixture
def hasty(hasty, monkeypatch):
    """And a book that chooses between two steps."""
    usual = choice.candidates
    monkeypatch.setattr(choice, "candidates", lambda *given: islice(usual(*given), 2))


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.toml").write_text(STUDY, "utf-8")
    return tmp_path


@pytest.mark.campaign
def test_a_day_at_the_bench_in_a_practice_shop(bench, capsys, choosing):
    shop = {"hasty": "1", "whole": "3"}[choosing]  # in 3 come readings that were not foretold
    log = ["log", "mine.toml", "--no-page"]
    assert main([*log, "--shop", shop]) == 0
    said = capsys.readouterr().out
    assert "Now. A" in said
    assert "As forecast?" not in said
    assert "Next. " in said
    assert main([*log, "--done", "step 1, 200 strokes", "--shop", shop, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert set(told["now"]) == {"A", "B"}
    assert 0.0 < told["foretold"]["tail"] <= 1.0
    written = (bench / "mine.log.toml").read_text("utf-8")
    assert written.count("[[spells]]") == 2
    assert f"practice shop {shop}" in written
    assert "strokes = 200" in written
    assert main([*log, "--undo"]) == 0
    assert (bench / "mine.log.toml").read_text("utf-8").count("[[spells]]") == 1


def test_a_shop_reads_its_own_plates_and_a_log_holds_those_of_one(bench, capsys):
    assert main(["log", "mine.toml", "--shop", "1", "--reading", "sph A 0.3 um"]) == 2
    assert "--reading: with --shop the shop gives what is read" in capsys.readouterr().err
    assert not (bench / "mine.log.toml").exists()
    (bench / "mine.log.toml").write_text(
        '[[spells]]\nnote = "practice shop 1: hidden plates were read"\nreadings = '
        '[{ gauge = "sph", plate = "A", value = "0.3 um" }]\n'
    )
    assert main(["log", "mine.toml", "--shop", "2"]) == 2
    assert "entry 1 of mine.log.toml is of another shop" in capsys.readouterr().err


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
def test_a_study_without_gauges_is_read_and_replayed_with_usual_ones(bench, capsys):
    bare = "".join(
        line for line in STUDY.splitlines(keepends=True) if not line.startswith("gauges.")
    )
    # It is flat enough at once, so that nothing has to be chosen.
    (bench / "mine.toml").write_text(bare + '[goal]\nflatness = "20 um"\n', "utf-8")
    assert main(["log", "mine.toml", "--done", "step 1, 200 strokes", "--shop", "3", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["usual_gauges"]
    assert told["foretold"] is not None
    log = (bench / "mine.log.toml").read_text("utf-8")
    assert (
        log.count("[[spells.readings]]") == 10
    )  # on each plate a spherometer, and two gauges turned two ways
    assert main(["next", "mine.toml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == told
    assert main(["log", "mine.toml", "--reading", "spherometer A 0.3 um"]) == 0
    # A name with a comma stands in quotes, and its like with it.
    assert 'usual ones are taken: "spherometer, three feet" (feet on ' in capsys.readouterr().out


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_plates_that_nobody_read_are_read_before_anything_is_advised(bench, capsys):
    assert main(["log", "mine.toml", "--no-page", "--done", "step 1, 200 strokes"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Next. Read first: " in said
    assert "dome (sph on " in said
    assert "Stop" not in said
    assert main(["next", "mine.toml", "--no-page", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["next"] is None
    assert told["why"] == "read"
    first = told["read"][0]
    assert first["gauge"] == "sph"
    assert first["within"]["then"] < first["within"]["now"]
    assert main(["log", "mine.toml", "--done", "as advised"]) == 2
    assert "the advice was to read first" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--done", "step 4, 10 min"], "there is no step 4"),
        (["--done", "as usual"], "not understood"),
        (["--reading", "sph C 0.2 um"], "there is no plate 'C'"),
        (["--lost", "A"], "write plate and mass"),
        (["--undo"], "no entry to take back"),
        ([], "nothing was done or read"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_written(
    bench, capsys, words, complaint
):
    assert main(["log", "mine.toml", *words]) == 2
    said = capsys.readouterr().err
    assert complaint in said
    assert not (bench / "mine.log.toml").exists()


def spell(head, done, readings):
    """One entry of a log: readings as gauge, plate, angle and micrometres."""
    tables = [
        f'[[spells.readings]]\ngauge = "{gauge}"\nplate = "{plate}"\n'
        f'angle = "{angle} deg"\nvalue = "{value} um"\n'
        for gauge, plate, angle, value in readings
    ]
    return f"[[spells]]\n{head}\n{done}{''.join(tables)}\n"


DONE = """[spells.done]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
strokes = 200
"""
TURNED = [("tw", plate, angle, 0.0) for plate in "AB" for angle in (0, 45)]
LOG = spell(
    "date = 2026-03-02", "", [("sph", "A", 0, 0.7), ("sph", "B", 0, -0.3), *TURNED]
) + spell(
    'date = 2026-03-03\nnote = "fresh dab"',
    DONE,
    [("sph", "A", 0, 0.5), ("sph", "B", 0, -0.2), *TURNED],
)
# Both domed, so that there is something to lap whatever else is in doubt.
DOMED = spell(
    "date = 2026-03-02", "", [("sph", "A", 0, 0.8), ("sph", "B", 0, 0.5), *TURNED]
) + spell("date = 2026-03-03", DONE, [("sph", "A", 0, 0.6), ("sph", "B", 0, 0.6), *TURNED])
GOAL = '[goal]\nflatness = "0.8 um"\n'
REACHED = '[goal]\nflatness = "20 um"\n'


def marked(folder):
    return json.loads((folder / ".lapwright").read_text("utf-8"))["files"]


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_the_next_spell_is_a_study_that_runs_to_what_is_foretold(bench, capsys):
    coarse = STUDY.replace('"30 mm" }', '"30 mm", cells = 40 }')
    (bench / "mine.toml").write_text(coarse + GOAL, "utf-8")
    (bench / "mine.log.toml").write_text(DOMED, "utf-8")
    assert main(["next", "mine.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    page, study = Path("mine-next/next.html"), Path("mine-next/next.toml")
    assert told["written"] == {"page": str(page), "study": str(study)}
    assert {"next.html", "next.toml"} <= set(marked(bench / "mine-next"))
    document = tomllib.loads(study.read_text("utf-8"))
    assert document["title"] == "mine: the next spell, after entry 2"
    assert [step["strokes"] for step in document["steps"]] == [told["next"]["strokes"]]
    assert main(["preview", str(study)]) == 0
    capsys.readouterr()
    assert main(["run", str(study), "--no-page", "--json"]) == 0
    came = json.loads(capsys.readouterr().out)["plates"]
    for name, forms in told["next"]["forms"].items():
        for form in ("sphere", "saddle", "twist"):
            assert forms[form]["low"] <= came[name][form] <= forms[form]["high"], (name, form)


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
def test_where_nothing_is_to_be_done_no_study_stays_and_a_persons_own_is_kept(bench, capsys):
    (bench / "mine.toml").write_text(STUDY + GOAL, "utf-8")
    (bench / "mine.log.toml").write_text(LOG, "utf-8")
    assert main(["next", "mine.toml"]) == 0
    assert "lapwright run mine-next/next.toml" in capsys.readouterr().out
    (bench / "mine-next" / "mine.txt").write_text("my own", "utf-8")
    (bench / "mine.toml").write_text(STUDY + REACHED, "utf-8")
    assert main(["next", "mine.toml", "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["written"] == {"page": "mine-next/next.html", "study": None}
    assert "next.toml" not in said.err
    assert sorted(p.name for p in (bench / "mine-next").iterdir()) == [
        ".lapwright",
        "mine.txt",
        "next.html",
    ]
    assert marked(bench / "mine-next") == ["next.html"]
    (bench / "mine-next" / "next.toml").write_text("mine now", "utf-8")
    (bench / "mine.toml").write_text(STUDY + GOAL, "utf-8")
    assert main(["next", "mine.toml"]) == 2
    assert "next.toml is not of this program's making" in capsys.readouterr().err
    assert (bench / "mine-next" / "next.toml").read_text("utf-8") == "mine now"


@pytest.mark.parametrize("command", [["next"], ["log", "--reading", "sph A 0.3 um"]])
def test_a_persons_own_folder_is_refused_before_anything_is_written(bench, capsys, command):
    own = bench / "mine-next"
    own.mkdir()
    (own / "next.html").write_text("my own", "utf-8")
    assert main([command[0], "mine.toml", *command[1:]]) == 2
    said = capsys.readouterr().err
    assert "holds files that this program did not write" in said
    assert len(said.splitlines()) == 1
    assert [p.name for p in own.iterdir()] == ["next.html"]
    assert (own / "next.html").read_text("utf-8") == "my own"
    assert not (bench / "mine.log.toml").exists()


@pytest.mark.usefixtures("hasty")
def test_the_folder_stands_beside_the_study_or_elsewhere_or_nowhere(bench, capsys, monkeypatch):
    (bench / "mine.toml").write_text(STUDY + REACHED, "utf-8")
    (bench / "other").mkdir()
    monkeypatch.chdir(bench / "other")
    assert main(["next", "../mine.toml", "--no-page", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] is None
    assert not (bench / "mine-next").exists()
    assert main(["next", "../mine.toml", "--out", "here"]) == 0
    assert [p.name for p in (bench / "other").iterdir()] == ["here"]
    assert main(["next", "../mine.toml"]) == 0
    assert (bench / "mine-next" / "next.html").is_file()


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
def test_an_undone_entry_leaves_the_page_of_the_one_before(bench, capsys):
    """Taken back, the folder is what `next` makes of the log as it then stands, to the bit."""
    (bench / "mine.toml").write_text(STUDY + GOAL, "utf-8")
    first, _, _ = LOG.partition("[[spells]]\ndate = 2026-03-03")
    (bench / "mine.log.toml").write_text(first, "utf-8")
    assert main(["next", "mine.toml", "--out", "before"]) == 0
    (bench / "mine.log.toml").write_text(LOG, "utf-8")
    assert main(["next", "mine.toml"]) == 0
    old = Path("mine-next/next.html").read_text("utf-8")
    capsys.readouterr()
    assert main(["log", "mine.toml", "--undo"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("The last entry is taken back.")
    assert "Now. A" in said
    new = Path("mine-next/next.html").read_text("utf-8")
    assert new != old
    assert new.replace("mine-next", "before") == Path("before/next.html").read_text("utf-8")


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
def test_what_was_learnt_of_the_wear_goes_along_with_the_next_study(bench, capsys):
    """Readings and a weighing leave less than the band of ten open; so much is said of the next spell."""
    (bench / "mine.toml").write_text(STUDY + GOAL, "utf-8")
    lost = LOG.replace('note = "fresh dab"', 'lost = { A = "0.1 g" }')
    (bench / "mine.log.toml").write_text(lost, "utf-8")
    assert main(["next", "mine.toml", "--json"]) == 0
    learnt = json.loads(capsys.readouterr().out)["learnt"]["wear"]["15 um on grey iron"]
    document = tomllib.loads(Path("mine-next/next.toml").read_text("utf-8"))
    (grit,) = document["grits"].values()
    # On another day: 15 % more, one standard deviation.
    half = math.log(learnt["high"] / learnt["low"]) / 2.0
    assert math.log(grit["wear_within"]) == pytest.approx(math.hypot(half, 1.96 * 0.15), rel=0.1)
    assert grit["wear_within"] < math.sqrt(10.0)
    capsys.readouterr()
    assert main(["run", "mine-next/next.toml", "--no-page"]) == 0
    assert "until you weigh a plate" not in capsys.readouterr().out


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_an_inch_study_gets_a_next_study_in_inches(bench):
    (bench / "mine.toml").write_text('units = "inch"\n' + STUDY + GOAL, "utf-8")
    (bench / "mine.log.toml").write_text(DOMED, "utf-8")
    assert main(["next", "mine.toml"]) == 0
    document = tomllib.loads(Path("mine-next/next.toml").read_text("utf-8"))
    (step,), (grit,) = document["steps"], document["grits"].values()
    assert step["stroke"]["length"].endswith(" in")
    assert grit["layer"]["depth"].endswith(" uin")
    typed = [size for plate in document["plates"].values() for size in plate["form"].values()]
    assert all(size.endswith((" uin", ".x3p")) for size in typed)


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_swaps_in_metal_are_no_record_of_what_was_done(bench, capsys):
    (bench / "mine.toml").write_text(STUDY + 'swap_every = "0.2 um"\n' + REACHED, "utf-8")
    done = ["log", "mine.toml", "--no-page", "--reading", "sph A 0.3 um", "--done"]
    assert main([*done, "step 1, 4 min"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "spells.1.done.swap_every is in metal" in line.replace(":", "")
    assert "swapped every 4 min" in line
    assert not (bench / "mine.log.toml").exists()
    assert main([*done, "step 1, 4 min, swapped every 1 min"]) == 0
    assert 'swap_every = "1 min"' in (bench / "mine.log.toml").read_text("utf-8")


@pytest.mark.usefixtures("hasty")
def test_a_table_of_readings_is_logged_and_drawn(bench, capsys):
    ind = 'gauges.ind = { kind = "bridge", resolution = "0.05 um", repeatability = "20 nm" }\n'
    (bench / "mine.toml").write_text(
        STUDY.replace("[[steps]]", ind + "[[steps]]") + REACHED, "utf-8"
    )
    rows = ["um,-50 mm,-25 mm,0 mm,25 mm,50 mm"]
    for y in (50, 25, 0, -25, -50):
        told = [f"{-1.0 * (x * x + y * y) / 6400:.2f}" for x in (-50, -25, 0, 25, 50)]
        rows.append(",".join([f"{y} mm", *told]))
    (bench / "monday.csv").write_text("\n".join(rows), "utf-8")
    before = lw.Book("mine.toml").now.form("A", "sphere")
    assert main(["log", "mine.toml", "--reading", "ind A monday.csv"]) == 0
    said = capsys.readouterr().out
    book = lw.Book("mine.toml")
    assert len(book.entries) == 1
    after = book.now.form("A", "sphere")
    assert after.low < 1.0e-6 < after.high  # 1 um from the middle to the rim of 160 mm
    assert after.high - after.low < 0.2 * (before.high - before.low)
    assert "Now. A domed" in said
    page = Path("mine-next/next.html").read_text("utf-8")
    assert "ind on A, 25 places" in page
    assert "dots: touched for the last entry" in page
