"""A study says whether its faces are flooded; where that matters preview, why and run say by how much."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from lapwright.errors import StudyError
from lapwright.integration.estimate import outlooks
from lapwright.limits import limit_of
from lapwright.presentation.beforehand import schedule
from lapwright.presentation.finding_words import in_words
from lapwright.presentation.orders import orders
from lapwright.presentation.why_page import why_page
from lapwright.results.answer import Preview
from lapwright.results.findings import KINDS, Finding, foreseen
from lapwright.results.why import Why
from lapwright.specification.materials import LIQUIDS
from lapwright.specification.step import Step
from lapwright.study.objects import document_of_objects
from lapwright.study.read import parse
from lapwright.study.resolved import made, plain

TEXT = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" }, cells = 24%s }
plates.B = { disc = "160 mm", thickness = "30 mm", cells = 24 }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "circle", travel = "1/3" }
fresh_grit_every = "5 min"
strokes = 40
%s
"""
GROOVES = ', grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" }'


def study(word: str | None = None, grooves: str = ""):
    return parse(TEXT % (grooves, "" if word is None else f'liquid = "{word}"'))


def found(one) -> dict[str, Finding]:
    return {f.code: f for f in foreseen(one, outlooks(one.plates, one.steps))}


def text(one) -> str:
    return " ".join(in_words(foreseen(one, outlooks(one.plates, one.steps)), one))


def test_smeared_is_usual_and_said_so() -> None:
    one = study()
    assert one.steps[0].liquid == "smeared" == one.assumed["steps.1.liquid"]
    assert "liquid smeared" in "\n".join(Preview(one, whole=True).lines())


@pytest.mark.parametrize("word", LIQUIDS)
def test_each_word_is_read_written_and_kept(word: str) -> None:
    one = study(word)
    assert one.steps[0].liquid == word
    put = document_of_objects(one.plates, one.steps)["steps"][0]
    assert put.get("liquid", "smeared") == word
    again = made(*plain(one.steps[0]))
    assert again == one.steps[0]
    assert Step("A", "B", "15 um", time="1 min", liquid=word).liquid == word


def test_a_step_kept_before_there_were_liquids_was_smeared() -> None:
    data, arrays = plain(study().steps[0])
    del data["liquid"]
    assert made(data, arrays).liquid == "smeared"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("floded with kerosine", "flooded with kerosene"),
        ("kerosene", "flooded with kerosene"),
        ("paraffin", "flooded with kerosene"),
        ("water", "flooded with water"),
        ("oil", "flooded with light oil"),
        ("dry", "starved"),
        ("smear", "smeared"),
    ],
)
def test_a_wrong_word_is_refused_with_the_nearest_right_one(typed: str, meant: str) -> None:
    with pytest.raises(StudyError) as trouble:
        study(typed)
    assert f"steps.1.liquid: '{typed}' is not a liquid: did you mean '{meant}'?" in str(
        trouble.value
    )


def test_a_wrong_key_finds_it() -> None:
    with pytest.raises(StudyError, match="did you mean liquid"):
        parse(TEXT % ("", 'carrier = "flooded with water"'))


def test_what_is_told_of_flooded_faces() -> None:
    """By hand (tests/contact/test_liquid.py): 0.375 left, 0.066 to 0.87 over the band of the gap."""
    flooded = found(study("flooded with kerosene"))["liquid"]
    assert flooded.step == 1
    assert flooded.plate is None
    numbers = flooded.numbers
    assert [round(numbers[key], 3) for key in ("left", "least", "most")] == [0.375, 0.066, 0.872]
    assert numbers["radius"] == pytest.approx(0.08)
    assert "liquid" in found(study("flooded with water"))
    assert found(study("flooded with light oil"))["liquid"].numbers["left"] < 0.01
    said = text(study("flooded with kerosene"))
    assert "about 38 % of what the stroke makes of dome against dish is left" in said
    assert "(6.6 % to 87 %, by the gap)" in said
    assert "between faces without grooves" in said


def test_what_was_typed_of_liquid_and_warmth_is_said_back() -> None:
    """In the preview and among the orders of the card; what is usual is not."""
    for typed, said_back in (("flooded with water", True), ("smeared", False)):
        flooded = study(typed)
        step = replace(flooded.steps[0], warm={"A": -0.2})
        look = outlooks(flooded.plates, [step])[0]
        assert ("flooded with water" in schedule(step, look)) == said_back
        assert "the face of A 0.20 degC colder than its back" in schedule(step, look)
        told = {order.word: order.text for order in orders(step, flooded.plates, look)}
        assert told.get("Liquid") == ("flooded with water" if said_back else None)


@pytest.mark.parametrize("word", ["smeared", "starved", None])
def test_nothing_is_told_where_no_liquid_fills_the_gap(word: str | None) -> None:
    assert not {"liquid", "kerosene"} & set(found(study(word)))


def test_grooves_let_it_out() -> None:
    for word in ("flooded with kerosene", "flooded with water", "flooded with light oil"):
        assert "liquid" not in found(study(word, GROOVES))
    wide = GROOVES.replace("12 mm", "45 mm")
    assert "between lands this wide" in text(study("flooded with light oil", wide))


def test_it_is_told_from_a_tenth_on() -> None:
    """The pace at which a tenth is lost: omega tau = 1/3."""
    one = study("flooded with water")
    limit = limit_of("liquid")
    at = found(one)["liquid"].numbers
    omega = (limit / (1.0 - limit)) ** 0.5 / at["time"]
    for share, told in ((0.98, False), (1.02, True)):
        pace = (
            f'liquid = "flooded with water"\npace = "{share * omega / 6.283185307 * 60.0:.6f} /min"'
        )
        assert ("liquid" in found(parse(TEXT % ("", pace)))) == told


def test_kerosene_burns_wherever_it_floods() -> None:
    assert KINDS["kerosene"].harm == "person"
    for grooves in ("", GROOVES):
        said = text(study("flooded with kerosene", grooves))
        assert "kerosene and its vapour burn" in said
        assert "local rules come first" in said
        assert "air the room well" in said
    assert "kerosene" not in found(study("flooded with water"))
    twice = TEXT % ("", 'liquid = "flooded with kerosene"')
    twice += twice[twice.index("[[steps]]") :]
    assert text(parse(twice)).count("kerosene and its vapour burn") == 1


@pytest.mark.campaign
def test_why_says_it_on_screen_on_its_page_and_to_scripts() -> None:
    one = study("flooded with kerosene")
    why = Why(one, degree=2)
    (told,) = json.loads(json.dumps(why.told()["findings"]))
    assert told["code"] == "liquid"
    assert told["numbers"]["left"] == pytest.approx(0.375, abs=1e-3)
    screen = " ".join(" ".join(why.lines()).split())
    page = why_page(one, why.numbers, why.reasons, why.off, why.whole.told)
    for said in (screen, page.replace("\u00a0", " ")):
        assert "cannot rock freely" in said
    dry = Why(study(), degree=2)
    assert dry.told()["findings"] == []
    assert "cannot rock freely" not in " ".join(dry.lines())


def test_what_is_lapped_is_the_same() -> None:
    """It is warned of, not reckoned."""
    wet, dry = (study(word).run() for word in ("flooded with water", "smeared"))
    for name in ("A", "B"):
        assert wet.history[f"{name}.sphere"][-1] == dry.history[f"{name}.sphere"][-1] != 0.0
