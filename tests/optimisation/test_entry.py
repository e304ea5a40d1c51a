"""The log: read as strictly as a study, all faults at once; appended and taken back whole."""

import pytest

from lapwright.errors import StudyError
from lapwright.optimisation.entry import append, entries_of, take_back
from lapwright.study.read import parse

STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "2 um" } }
plates.B = { like = "A" }
gauges.sph = { kind = "spherometer", foot_circle = "80 mm" }
grits.coarse = { size = "15 um" }
[[steps]]
top = "A"
bottom = "B"
grit = "coarse"
time = "8 min"
"""
LOG = """# my log
[[spells]]
note = "as they come"

[[spells.readings]]
gauge = "sph"
plate = "A"
value = "0.35 um"

[[spells]]
date = 2026-03-02
lost = { A = "0.12 g" }

[spells.done]
top = "B"
bottom = "A"
grit = "coarse"
strokes = 600
turn = "8 deg per stroke"

[[spells.readings]]
gauge = "sph"
plate = "A"
value = "0.2 um"

[[spells.readings]]
gauge = "sph"
plate = "B"
value = "-0.1 um"
"""


@pytest.fixture(scope="module")
def study():
    return parse(STUDY)


def test_a_log_is_read(study):
    first, second = entries_of(LOG, study)
    assert first.done is None
    assert [r.value for r in first.readings] == pytest.approx([0.35e-6])
    assert (second.done.top, second.done.total_strokes, second.any_hand) == ("B", 600, True)
    assert second.lost == {"A": pytest.approx(0.12e-3)}
    assert [(r.plate, r.value, r.date) for r in second.readings] == [
        ("A", pytest.approx(0.2e-6), second.date),
        ("B", pytest.approx(-0.1e-6), second.date),
    ]


def test_an_empty_log_has_no_entries(study):
    assert entries_of("", study) == ()


def test_all_faults_at_once_where_they_stand(study):
    wrong = LOG.replace('grit = "coarse"', 'grit = "corse"').replace('plate = "B"', 'plate = "C"')
    wrong = wrong.replace("note =", "nte =").replace(
        'lost = { A = "0.12 g" }', 'lost = { A = "0.12" }'
    )
    with pytest.raises(StudyError) as caught:
        entries_of(wrong, study)
    keys = {fault.key for fault in caught.value.faults}
    assert keys == {
        "spells.1.nte",
        "spells.2.lost.A",
        "spells.2.done.grit",
        "spells.2.readings.2.plate",
    }


ENTRY = {
    "done": {
        "top": "A",
        "bottom": "B",
        "grit": "coarse",
        "strokes": 200,
        "turn": "8 deg per stroke",
    },
    "readings": [{"gauge": "sph", "plate": "A", "value": "0.1 um"}],
}


def test_an_entry_is_appended_and_taken_back_and_all_else_stays(tmp_path, study):
    path = tmp_path / "pair.log.toml"
    path.write_text(LOG, "utf-8")
    entries = append(path, ENTRY, study)
    assert len(entries) == 3
    assert path.read_text("utf-8").startswith(LOG)
    assert entries_of(path.read_text("utf-8"), study) == entries
    assert take_back(path)
    assert path.read_text("utf-8") == LOG


def test_a_wrong_entry_leaves_the_log_as_it_is(tmp_path, study):
    path = tmp_path / "pair.log.toml"
    path.write_text(LOG, "utf-8")
    with pytest.raises(StudyError):
        append(path, {**ENTRY, "done": {**ENTRY["done"], "top": "Z"}}, study)
    assert path.read_text("utf-8") == LOG


def test_the_only_entry_is_taken_back(tmp_path, study):
    path = tmp_path / "pair.log.toml"
    append(path, ENTRY, study)
    assert take_back(path)
    assert path.read_text("utf-8") == ""
    assert not take_back(path)
