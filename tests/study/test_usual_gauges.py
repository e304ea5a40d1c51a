"""Usual gauges in [[readings]]: a reading may name one by its kind, as `--reading` does."""

import pytest

from lapwright.errors import StudyError
from lapwright.metrology.reading import usual_of
from lapwright.optimisation.bench import equipped
from lapwright.study.read import parse

STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm" }
plates.B = { disc = "100 mm", thickness = "30 mm" }
[[steps]]
top = "B"
bottom = "A"
grit = "9 um"
time = "10 min"
"""
READING = """
[[readings]]
gauge = "GAUGE"
plate = "PLATE"
value = "1.2 um"
"""


def read(gauge, plate):
    return STUDY + READING.replace("GAUGE", gauge).replace("PLATE", plate)


@pytest.mark.parametrize("plate", ["A", "B"])
def test_a_reading_may_name_a_usual_gauge(plate):
    study = parse(read("spherometer", plate))
    usual = usual_of(study.plates[plate])["spherometer, three feet"]
    (reading,) = study.readings
    meant = study.gauges[reading.gauge]
    assert (meant.foot_circle, meant.resolution) == (usual.foot_circle, usual.resolution)
    assert parse(read(reading.gauge, plate)).readings[0].gauge == reading.gauge


def test_it_is_that_of_the_command_line():
    typed, said = parse(read("spherometer", "B")), parse(STUDY)
    one = typed.gauge().told()["estimate"]
    other = said.gauge(readings=["spherometer B 1.2 um"]).told()["estimate"]
    assert str(one) == str(other) != "{}"


def test_the_other_usual_gauges_are_still_at_hand():
    typed, said = parse(read("spherometer", "A")), parse(STUDY)
    assert set(equipped(typed).gauges) == set(equipped(said).gauges)
    kinds = [{shown.gauge.kind for shown in study.gauge().seen} for study in (typed, said)]
    assert kinds[0] == kinds[1]


def test_what_is_no_usual_gauge_is_refused():
    with pytest.raises(StudyError, match="there is no gauge"):
        parse(read("sphero", "A"))
