"""Keys and values as people from other benches write them: each is told with the right one."""

from __future__ import annotations

import pytest
from study_typed import SHORTEST as STUDY

from lapwright.errors import StudyError
from lapwright.specification.curves import Curve, FigureEight, Line
from lapwright.specification.step import Stroke
from lapwright.study.read import parse
from lapwright.study.variants import override

MORE = 'time = "40 min"\n'


@pytest.mark.parametrize(
    ("right", "wrong", "key", "answer"),
    [
        ("disc =", "diameter =", "plates.A.diameter", "did you mean disc?"),
        ("disc =", "disk =", "plates.A.disk", "did you mean disc?"),
        ("thickness", "height", "plates.A.height", "did you mean thickness?"),
        ("dome", "convex", "plates.A.form.convex", "did you mean dome?"),
        ("dish", "hollow", "plates.B.form.hollow", "did you mean dish?"),
        ("grit =", "abrasive =", "steps.1.abrasive", "did you mean grit?"),
        ("turn", "rotate", "steps.1.rotate", "did you mean turn?"),
        ("time", "duration", "steps.1.duration", "did you mean time?"),
        ("top", "upper", "steps.1.upper", "did you mean top?"),
        ("fresh_grit_every", "regrit", "steps.1.regrit", "did you mean fresh_grit_every?"),
        ("title", "name", "name", "did you mean title?"),
        (MORE, f'{MORE}pressure = "3 kPa"\n', "steps.1.pressure", "did you mean load?"),
        (MORE, f'{MORE}speed = "40 /min"\n', "steps.1.speed", "did you mean pace?"),
        (MORE, f'{MORE}exchange = "5 min"\n', "steps.1.exchange", "did you mean swap_every?"),
        (
            MORE,
            f'{MORE}stroke = {{ amplitude = "1/3" }}\n',
            "steps.1.stroke.amplitude",
            "did you mean travel?",
        ),
        (
            MORE,
            f'{MORE}stroke = {{ kind = "figure 8" }}\n',
            "steps.1.stroke.kind",
            "did you mean 'figure-eight'?",
        ),
        (
            MORE,
            f'{MORE}stroke = {{ kind = "back and forth" }}\n',
            "steps.1.stroke.kind",
            "did you mean 'line'?",
        ),
        (MORE, f'{MORE}hand = "shaky"\n', "steps.1.hand", "did you mean 'rough'?"),
        ("title", 'units = "imperial"\ntitle', "units", "did you mean 'inch'?"),
        ('"30 mm"', '"30 mm", weight = "4 kg"', "plates.A.weight", "did you mean mass?"),
        (
            '"30 mm"',
            '"30 mm", material = "cast iron"',
            "plates.A.material",
            "did you mean 'grey iron'?",
        ),
        (
            '"30 mm"',
            '"30 mm", material = "aluminum"',
            "plates.A.material",
            "did you mean 'aluminium'?",
        ),
        (MORE, f"{MORE}banana = 3\n", "steps.1.banana", "swap_every"),
    ],
)
def test_a_word_from_another_bench_is_answered_with_the_one_meant(
    right: str, wrong: str, key: str, answer: str
) -> None:
    assert parse(STUDY).plates, "the study itself is sound"
    with pytest.raises(StudyError) as trouble:
        parse(STUDY.replace(right, wrong, 1))
    told = {fault.key: fault.message for fault in trouble.value.faults}
    assert key in told, told
    assert answer in told[key]
    assert "\n" not in told[key]


@pytest.mark.parametrize(("word", "kind"), [("eight", FigureEight), ("Straight", Line)])
def test_words_of_this_programs_own_are_taken_for_strokes(word: str, kind: type[Curve]) -> None:
    """Reports say "straight 27 mm" and the interview "eight"; variants and scripts may say so too."""
    typed = f'stroke = {{ kind = "{word}", travel = "1/4" }}\n'
    (step,) = parse(STUDY.replace(MORE, MORE + typed, 1)).steps
    assert type(step.curve) is kind
    assert Stroke(word).kind == kind.kind
    circle = {"steps": [{"stroke": {"kind": "circle", "radius": "9 mm"}}]}
    (changed,) = override(circle, None, {"stroke.kind": word, "stroke.length": "20 mm"})["steps"]
    assert changed["stroke"] == {"kind": word, "length": "20 mm"}
