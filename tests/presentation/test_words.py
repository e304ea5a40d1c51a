"""Every sentence must be true of its numbers, and none may use a word foreign to the bench."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapwright.limits import BAND, SCATTER
from lapwright.presentation import bearing_words, words
from lapwright.presentation.beforehand import form
from lapwright.presentation.page import metal_words
from lapwright.study.read import parse
from lapwright.units import METRIC, NOTHING, Units

UM = 1e-6
FORBIDDEN = re.compile(
    r"survivor|eigen|drift|\bmode|preston|minimum zone|\bnan\b|\binf\b|[-+−]\d", re.IGNORECASE
)
NUMBER = re.compile(r"\d[\d.]*")
DOUBTS = [0.3 * UM, 0.9 * UM, 1.5 * UM]
# Any size, and those about a doubt, where what is printed and what is rounded off part ways.
sizes = st.one_of(
    st.floats(-50.0, 50.0).map(lambda v: v * UM),
    st.builds(lambda f, share: f * share, st.sampled_from(DOUBTS), st.floats(-1.1, 1.1)),
    st.builds(lambda f, share: f * share, st.sampled_from(DOUBTS), st.floats(0.95, 1.05)),
)
doubts = st.sampled_from([None, *DOUBTS])
units = st.sampled_from(Units)
UNIT = {"metric": ("um", 1e-6), "inch": ("uin", 25.4e-9)}


def flatness(draw, *forms: float) -> float:
    """Of a face of these forms: no less than the largest, each being a height between two planes."""
    return max(map(abs, (*forms, draw(sizes))))


@st.composite
def disc_forms(draw):
    sphere, saddle, twist = draw(sizes), draw(sizes), draw(sizes)
    return {"sphere": sphere, "saddle": saddle, "twist": twist, "bow": None, "crown": None, "wind": None,
            "flatness": flatness(draw, sphere, saddle, twist)}  # fmt: skip


@st.composite
def rail_forms(draw):
    bow, crown, wind = draw(sizes), draw(sizes), draw(sizes)
    return {"sphere": None, "saddle": None, "twist": None, "bow": bow, "crown": crown, "wind": wind,
            "flatness": flatness(draw, bow, crown, wind)}  # fmt: skip


forms = st.one_of(disc_forms(), rail_forms())


def agrees(text: str, value: float, unit: str) -> bool:
    """The number in the text is the value to two significant figures (5 % at worst)."""
    name, scale = UNIT[unit]
    if abs(value) < NOTHING:
        return "less than" in text
    match = re.search(rf"([\d.]+) {name}\b", text)
    return match is not None and abs(float(match[1]) * scale - abs(value)) <= 0.0501 * abs(value)


def fine(value: float, doubt: float | None) -> bool:
    """Below what a gauge tells, alike in um and uin."""
    return doubt is not None and abs(value) < doubt * (1.0 - 1e-9)


@given(st.floats(1e-5, 1e6))
def test_two_significant_figures(value: float) -> None:
    text = Units.number(value)
    assert abs(float(text) - value) <= 0.0501 * value
    assert len(text.replace(".", "").strip("0")) <= 2
    assert METRIC.size(-1e-6 * value) == METRIC.size(1e-6 * value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.8, "0.80"),
        (0.0123, "0.012"),
        (12.3, "12"),
        (1234.0, "1200"),
        (9.96, "10"),
        (99.6, "100"),
        (0.0, "0"),
    ],
)
def test_two_as_written(value: float, text: str) -> None:
    assert Units.number(value) == text


@given(sizes, units)
def test_dome_is_proud_and_dish_is_hollow(value: float, unit: str) -> None:
    said = words.dome_or_dish(value, unit)
    if abs(value) < NOTHING:
        assert said == "neither dome nor dish"
    else:
        assert said.startswith("dome " if value > 0 else "dish ")
        assert agrees(said, value, unit)


# The sides follow from the signs of the model page, section 1: saddle + is the 3-9 rim high, twist + is
# the 1:30-7:30 rim high, bow and crown + are the middle high, wind + the corners with x and y of one sign.
@pytest.mark.parametrize(
    ("key", "value", "place"),
    [
        ("saddle", 1, "3 and 9"),
        ("saddle", -1, "12 and 6"),
        ("twist", 1, "1:30 and 7:30"),
        ("twist", -1, "10:30 and 4:30"),
        ("bow", 1, "high in the middle"),
        ("bow", -1, "hollow along"),
        ("crown", -1, "hollow across"),
        ("wind", 1, "1:30 and 7:30 corners"),
        ("wind", -1, "10:30 and 4:30 corners"),
        ("edge", 1, "fallen"),
        ("edge", -1, "proud"),
    ],
)
def test_the_high_side_is_named(key: str, value: float, place: str) -> None:
    assert place in words.part_words(key, value * UM)
    assert "1.0 um" in words.part_words(key, value * UM)


@given(forms, doubts, units)
def test_title_of_a_face_tells_what_stands_out(got, doubt, unit) -> None:
    said = words.face(got, doubt, unit)
    assert not FORBIDDEN.search(said)
    parts = {k: v for k, v in got.items() if v is not None and k != "flatness"}
    biggest = max(abs(v) for v in parts.values())
    least = max(NOTHING, 0.1 * biggest, 0.02 * (doubt or 0.0))
    some = any(abs(v) >= least and not fine(v, doubt) for v in parts.values())
    for key, value in parts.items():
        told = words.part_words(key, value, unit) in said
        beside = "bow" in parts or not some
        above = not fine(value, doubt)
        must = abs(value) >= least and (above or (beside and abs(value) >= 0.2 * biggest))
        assert told == must, (key, value)
        if told and fine(value, doubt):
            assert words.REMARK in said
    if biggest < least:
        flat = got["flatness"] >= NOTHING and fine(got["flatness"], doubt)
        assert ("flat as far as a gauge can tell" in said) == flat


@given(
    st.dictionaries(st.sampled_from(["A", "B", "C"]), disc_forms(), min_size=1, max_size=3),
    doubts,
    units,
)
def test_headline_is_true_of_every_disc(faces, doubt, unit) -> None:
    said = words.came_out("done", None, None, faces, dict.fromkeys(faces, doubt), unit)
    assert not FORBIDDEN.search(said)
    first = said.split(". ")[0]
    for name, got in faces.items():
        piece = re.search(
            rf"\b{name}\b(?! and)(?:(?!\b[ABC]\b).)*$|\b{name}\b(?:(?!\b[ABC]\b).)*", first
        )
        if piece is None:
            assert re.match("(Both|All three) are neither domed nor hollow", first)
            assert abs(got["sphere"]) < max(NOTHING, 0.02 * (doubt or 0.0))
            continue
        # A dome finer than a fiftieth of the doubt is told as none at all.
        value = got["sphere"] if abs(got["sphere"]) >= 0.02 * (doubt or 0.0) else 0.0
        if abs(value) >= NOTHING:
            assert agrees(piece[0], value, unit), (piece[0], value)
        alone = {
            n
            for n, g in faces.items()
            if (g["sphere"] > 0) == (value > 0) and abs(g["sphere"]) >= NOTHING
        }
        if abs(value) >= NOTHING:
            word = "domed" if value > 0 else "hollow"
            assert word in piece[0] or (alone == set(faces) and word in first)
        if fine(value, doubt):
            assert words.REMARK in said or "as far as a gauge can tell" in said
    if not any(fine(g["sphere"], doubt) for g in faces.values()):
        assert words.REMARK not in first
    flat = all(fine(g["flatness"], doubt) for g in faces.values())
    assert ("flat as far as a gauge can tell" in said) == flat


@given(
    st.dictionaries(st.sampled_from(["P", "Q"]), rail_forms(), min_size=1, max_size=2),
    doubts,
    units,
)
def test_headline_of_rails(faces, doubt, unit) -> None:
    """Whatever is not small beside the largest is told, and what is finer than the grit has the remark."""
    said = words.came_out("done", None, None, faces, dict.fromkeys(faces, doubt), unit)
    assert not FORBIDDEN.search(said)
    assert "dome" not in said
    assert said.count(words.REMARK) <= len(faces)
    together = all(fine(got["flatness"], doubt) for got in faces.values())
    assert "flat as far as a gauge can tell" in said or not together
    for name, got in faces.items():
        alone = together and len(faces) == 1
        line = said if alone else re.search(rf"\b{name}: ((?:(?!\b[PQ]: ).)*)", said)[1]
        values = {k: got[k] for k in ("bow", "crown", "wind")}
        biggest = max(abs(v) for v in values.values())
        trace = max(NOTHING, 0.02 * (doubt or 0.0))
        for key, value in values.items():
            told = words.part_words(key, value, unit).replace(",", "")
            share = 0.2 if fine(value, doubt) else 0.1
            least = max(trace, share * biggest)
            assert (told in line) == (abs(value) >= least), (key, value)
            if abs(value) >= least and fine(value, doubt):
                assert together or words.REMARK in line.split(told)[1]
        if not any(abs(v) >= NOTHING for v in values.values()):
            assert "flat" in line


@pytest.mark.parametrize(
    ("outcome", "says"),
    [
        ("done", ""),
        ("until", "gauge said stop"),
        ("limit", "ran out"),
        ("tipped", "the top tips off"),
        ("interrupted", "stopped before"),
    ],
)
def test_outcome_comes_first(outcome: str, says: str) -> None:
    face = {"sphere": -0.8 * UM, "flatness": 2 * UM}
    said = words.came_out(outcome, ("A", "B"), 1.0, {"A": face, "B": face}, {}, METRIC)
    assert says in said.split("On the grit A and B bear")[0]
    assert "laid together clean they would not. Both are hollow: A 0.80 um, B 0.80 um." in said


@given(st.floats(0.0, 1.0))
def test_mating_follows_the_share_that_bears(share: float) -> None:
    said = words.mating(("A", "B"), share)
    assert (said == "A and B mate.") == (share >= 0.98)
    if 0 < share < 0.98:
        number = float(re.search(r"on ([\d.e-]+) %", said)[1])  # type: ignore[index]
        assert abs(number - 100 * share) <= 0.0501 * 100 * share
    assert words.mating(("A", "B"), None) == words.mating(("A", "B"), math.nan) == ""


@given(st.floats(1.0, 3e5), st.booleans())
def test_minutes_carry_their_band(seconds: float, weighed: bool) -> None:
    said = Units.rubbing(seconds, SCATTER if weighed else BAND)
    value, low, high = (float(n) for n in NUMBER.findall(said)[:3])
    true = seconds / (60.0 if " min" in said else 3600.0)
    assert abs(value - true) <= 0.0501 * true
    # Ten in all while the wear is a guess; 1.5 either way once weighed.
    assert math.isclose(high / low, 2.25 if weighed else 10.0, rel_tol=0.11)
    assert low < true < high
    assert ("weigh" in said) != weighed


@given(st.floats(0, 40), st.floats(0, 40), st.floats(0, 40), sizes)
def test_where_the_metal_went(mean: float, middle: float, rim: float, change: float) -> None:
    said = metal_words("A", mean * UM, middle * UM, rim * UM, change)
    assert not FORBIDDEN.search(said)
    if mean * UM < NOTHING:
        assert "nothing" in said
        return
    assert agrees(said, mean * UM, METRIC)
    if "about the same" in said:
        assert abs(rim - middle) <= max(0.03 * mean, 0.1001 * max(rim, middle))
    else:
        head = said.split(": ")[1].split(". ")[0]
        more, less = head.split(", ", 1)
        assert ("rim" in more) == (rim > middle)
        assert agrees(more, max(rim, middle) * UM, METRIC)
        assert agrees(less, min(rim, middle) * UM, METRIC)
    if "domed" in said:
        assert rim > middle
        assert change > 0
    if "hollow" in said:
        assert middle > rim
        assert change < 0


@given(st.floats(0.01, 1.0), st.floats(100.0, 2e4), st.floats(1.0, 5.0), units)
def test_how_it_bears(share: float, mean: float, factor: float, unit: str) -> None:
    said = bearing_words.bears("in the middle", "A", "B", share, mean, factor * mean, unit)
    name, scale = ("psi", 6894.757) if unit is Units.INCH else ("kPa", 1e3)
    first, second = (float(n) for n in re.findall(rf"([\d.]+) {name}", said))
    assert abs(first * scale - mean) <= 0.0501 * mean
    assert abs(second * scale - factor * mean) <= 0.0501 * factor * mean
    assert ("the whole overlap" in said) == (share >= 0.9995)


def test_lifting() -> None:
    assert "nothing lifts" in bearing_words.lifting(0.0)
    assert "12 %" in bearing_words.lifting(0.12)
    assert "anywhere" in bearing_words.lifting(1.0)
    assert bearing_words.lifting(math.nan) == ""


def test_both_units() -> None:
    # 1 uin = 25.4 nm exactly (international inch, 1959).
    assert METRIC.both(25.4e-9 * 31) == "0.79 um (31 uin)"
    assert Units.INCH.both(25.4e-9 * 31) == "31 uin (0.79 um)"


def test_a_twist_as_large_as_the_dome_is_told_with_it():
    """Both finer than a tenth of the grit: neither is kept back beside the other."""
    both = {"sphere": 1.14e-6, "saddle": 0.0, "twist": -1.06e-6, "flatness": 1.7e-6}
    other = both | {"sphere": -0.8e-6, "twist": -1.1e-6}
    said = words.shapes({"A": both, "B": other}, {"A": 1.5e-6, "B": 1.5e-6})
    assert said[-1] == f"Both are high at 10:30 and 4:30: A by 1.1 um, B by 1.1 um; {words.REMARK}."
    small = words.shapes({"A": both | {"twist": -0.3e-6}}, {"A": 1.5e-6})
    assert not any("10:30" in line for line in small)


@pytest.mark.parametrize(
    ("size", "doubt", "units", "fine"),
    [
        (1.49999e-6, 1.5e-6, METRIC, True),  # by the size, however it is printed
        (1.50001e-6, 1.5e-6, METRIC, False),
        (1.44e-6, 1.5e-6, METRIC, True),
        (-1.44e-6, 1.5e-6, METRIC, True),
        (1.52e-6, 1.5e-6, Units.INCH, False),
        (1.40e-6, 1.5e-6, Units.INCH, True),
        (1.40e-6, None, METRIC, False),
    ],
)
def test_a_form_is_below_what_a_gauge_tells_in_either_unit(size, doubt, units, fine):
    assert units.finer(size, doubt) is fine


def test_a_dome_of_a_ring_is_told_from_bore_to_rim_too():
    """A dome goes with the square of the radius: the heights of the ring itself at its bore and its rim."""
    plate = parse(
        'plates.A = { ring = ["90 mm", "50 mm"], thickness = "18 mm", form = { dome = "1.5 um" } }\n'
        'plates.B = { like = "A" }\n[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "9 um"\ntime = "1 min"\n'
    ).plates["A"]
    x, y = plate.grid.mesh()
    radius, heights = np.hypot(x, y), plate.heights()
    bore, rim = (heights[np.abs(radius - r) < 0.4e-3].mean() for r in (0.025, 0.045))
    share = 1.0 - (25.0 / 45.0) ** 2
    assert bore - rim == pytest.approx(share * 1.5e-6, rel=0.03)
    faces = {"A": {"sphere": 1.5e-6, "saddle": 0.0, "twist": 0.0, "flatness": 1.04e-6}}
    told = words.shapes(faces, {"A": 0.5e-6}, bores={"A": share})
    assert told == [
        "A is domed 1.5 um (bore over rim by 1.0 um).",
        # 1.04 um of bands of 587.6 / 2 nm
        "A, from bore to rim but for the margin, is flat within 1.0 um (41 uin), 3.5 helium bands.",
    ]
    assert form(plate) == "dome 1.5 um (bore over rim by 1.0 um)"
    assert words.from_the_bore(-1.5e-6, share) == " (rim over bore by 1.0 um)"
