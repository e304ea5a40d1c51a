"""The questions, in the order in which they are asked: what to ask, what is usual, how an answer is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lapwright.commands.interview import answers as hands
from lapwright.commands.interview import answers as shapes
from lapwright.commands.interview import explained
from lapwright.commands.interview import typed as sizes
from lapwright.commands.interview.compose import (
    WORKS,
    long,
    names,
    part_name,
    rests,
    units,
    usual_over,
    usual_stroke,
    usual_thickness,
    usual_turn,
    work,
)
from lapwright.commands.interview.typed import Answer, Answers, chosen
from lapwright.specification.plate import MATERIALS
from lapwright.units import Units

__all__ = ["QUESTIONS", "TOPICS", "Question", "next_question"]


TOPICS = 9


@dataclass(frozen=True)
class Question:
    """One question: `topic` of nine; how to `ask` it, `read` an answer, and say `why`.

    `usual`: answers to take when nothing is typed, the first that can be.
    `due` tells whether it is asked at all after the answers so far.
    """

    key: str
    topic: int
    ask: Callable[[Answers], str]
    usual: Callable[[Answers], tuple[str, ...]]
    read: Callable[[str, Answers], Answer]
    why: Callable[[Answers], str]
    due: Callable[[Answers], bool] = lambda answers: True


def next_question(answers: Answers) -> Question | None:
    """The first question without an answer that is to be asked; None when all are answered."""
    return next((q for q in QUESTIONS if q.key not in answers and q.due(answers)), None)


UNITS = {
    "metric": ("mm", "millimetres", "millimeters", "m"),
    "inch": ("inches", "in", "imperial", "i", '"'),
}


def _units(text: str, answers: Answers) -> Answer:
    word = chosen(text, UNITS, "a way of measuring")
    return Answer(word, word, word)


def _work(text: str, answers: Answers) -> Answer:
    word = chosen(text, WORKS, "a way to lap known here")
    return Answer(word, word)


def _material(text: str, answers: Answers) -> Answer:
    also = {
        "grey iron": ("iron", "cast iron", "gray iron", "gray cast iron", "grey cast iron"),
        "hardened steel": ("hard steel", "tool steel"),
        "stainless": ("stainless steel",),
        "aluminium": ("aluminum", "aluminium alloy"),
        "carbide": ("tungsten carbide", "hardmetal"),
        "alumina": ("ceramic",),
    }
    word = chosen(text, {name: also.get(name, ()) for name in MATERIALS}, "a material known here")
    return Answer(word, word, word)


def _grooved(text: str, answers: Answers) -> Answer:
    every = names(answers)
    all_of_them = "both" if len(every) == 2 else "all"
    ways: dict[str, tuple[str, ...]] = {
        all_of_them: ("both of them", "all", "a and b", "every", "each", "all three")
    }
    ways |= {
        name: (name.lower(), f"plate {name.lower()}", f"only {name.lower()}") for name in every
    }
    word = chosen(text, ways, "a plate here")
    return Answer("all" if word == all_of_them else word, word)


def _size_asked(answers: Answers) -> str:
    one = "the plate" if rests(answers) else "the plates"
    verb = "is" if rests(answers) else "are"
    return f"How large {verb} {one}? Across a disc, or length x width"


def _example(name: str, answers: Answers) -> str:
    if long(name, answers):
        return "Bow 100, wind 40" if units(answers) is Units.INCH else "Bow 3, wind 1"
    return "Dome 100 or dish 40" if units(answers) is Units.INCH else "Dome 3 or dish 1"


def _reads(name: str, number: int) -> Question:
    """The question what one face reads; `number` from 0 in the order of the plates."""

    def who(answers: Answers) -> str:
        return names(answers)[number]

    def ask(answers: Answers) -> str:
        one = f"plate {who(answers)}" if not rests(answers) else f"the {who(answers)}"
        return f"What does {one} read now? {_example(who(answers), answers)}, flat, or {shapes.DONT_KNOW}"

    return Question(
        f"reads {name}",
        6,
        ask,
        lambda answers: (shapes.DONT_KNOW,),
        lambda text, answers: shapes.reads(text, units(answers), long=long(who(answers), answers)),
        lambda answers: explained.reads(long(who(answers), answers), units(answers)),
        lambda answers: name in names(answers),
    )


def _grooved_asked(answers: Answers) -> str:
    two = work(answers) == "two plates"
    return f"In which plates? {'Both, A or B' if two else 'All, A, B or C'}"


def _far_asked(answers: Answers) -> str:
    unit = "inches" if units(answers) is Units.INCH else "mm"
    return f"How far over the edge does it go at most, in {unit}? Or travel 1/3 (of the top)"


def _turn_asked(answers: Answers) -> str:
    top = part_name(answers) if rests(answers) else "top"
    return f"Do you turn the {top} in your hands as you go? Degrees a stroke, or no"


def _metric(metric: str, inch: str) -> Callable[[Answers], tuple[str, ...]]:
    return lambda answers: (inch if units(answers) is Units.INCH else metric,)


def _groove_sizes(answers: Answers) -> tuple[str, ...]:
    if answers["grooves"].value == "radial":
        return (
            ("12 x 1/16 in", "4 x 0.01 in")
            if units(answers) is Units.INCH
            else ("12 x 2 mm", "4 x 0.2 mm")
        )
    if units(answers) is Units.INCH:
        return "1/2 x 1/16 in", "0.1 x 0.02 in"
    return "12 x 2 mm", "3 x 0.5 mm"


def _round_usual(answers: Answers) -> tuple[str, ...]:
    # A part wears the plate where it goes; walking spreads that all round.
    if rests(answers) and "rectangle" not in answers["size"].value:
        return ("walk 4 deg per stroke",)
    return ("no",)


QUESTIONS: tuple[Question, ...] = (
    Question(
        "units",
        1,
        lambda a: "Metric or inch?",
        lambda a: ("metric",),
        _units,
        lambda a: explained.UNITS,
    ),
    Question(
        "work",
        2,
        lambda a: "What do you lap: two plates, three, or a part on a plate?",
        lambda a: ("two plates",),
        _work,
        lambda a: explained.WORK,
    ),
    Question(
        "size",
        3,
        _size_asked,
        _metric("160 mm", "6 in"),
        lambda t, a: sizes.size(t, units(a), ring=not rests(a)),
        lambda a: explained.SIZE,
    ),
    Question(
        "part size",
        3,
        lambda a: "And the part? Across a disc, ring outside x bore, or length x width",
        _metric("ring 80 x 50 mm", "ring 3 x 2 in"),
        lambda t, a: sizes.size(t, units(a), ring=True),
        lambda a: explained.PART_SIZE,
        rests,
    ),
    Question(
        "thickness",
        4,
        lambda a: f"How thick {'is the plate' if rests(a) else 'are they'}?",
        lambda a: (usual_thickness("plate", a),),
        lambda t, a: sizes.thicknesses(t, units(a), 1 if rests(a) else len(names(a))),
        lambda a: explained.THICKNESS,
    ),
    Question(
        "part thickness",
        4,
        lambda a: f"How thick is the {part_name(a)}?",
        lambda a: (usual_thickness("part", a),),
        lambda t, a: sizes.thickness(t, units(a)),
        lambda a: explained.THICKNESS,
        rests,
    ),
    Question(
        "material",
        4,
        lambda a: f"What is the {part_name(a)} made of?",
        lambda a: ("hardened steel",),
        _material,
        lambda a: explained.MATERIAL,
        rests,
    ),
    Question(
        "grooves",
        5,
        lambda a: (
            f"Are grooves cut into the plate{'' if rests(a) else 's'}? No, square, triangle, rings or radial"
        ),
        lambda a: ("no",),
        lambda t, a: shapes.grooves(t),
        lambda a: explained.GROOVES,
    ),
    Question(
        "grooved",
        5,
        _grooved_asked,
        lambda a: ("both" if work(a) == "two plates" else "all",),
        _grooved,
        lambda a: explained.GROOVED,
        lambda a: a["grooves"].value != "no" and not rests(a),
    ),
    Question(
        "groove size",
        5,
        lambda a: (
            "How many grooves, x how wide?"
            if a["grooves"].value == "radial"
            else "From groove to groove, x how wide?"
        ),
        _groove_sizes,
        lambda t, a: shapes.groove_size(t, units(a), radial=a["grooves"].value == "radial"),
        lambda a: explained.GROOVE_SIZE,
        lambda a: a["grooves"].value != "no",
    ),
    _reads("A", 0),
    _reads("B", 1),
    _reads("C", 2),
    _reads("plate", 0),
    *(_reads(name, 1) for name in ("ring", "disc", "rail", "block")),
    Question(
        "grit",
        7,
        lambda a: "Which grit? Its grain in um, or an F number",
        lambda a: ("15 um",),
        lambda t, a: shapes.grit(t),
        lambda a: explained.GRIT,
    ),
    Question(
        "stroke",
        8,
        lambda a: "How do you stroke? Eight, circle, ellipse, straight, zigzag or rosette",
        lambda a: (usual_stroke(a),),
        lambda t, a: hands.kind(t),
        lambda a: explained.STROKE,
    ),
    Question(
        "far",
        8,
        _far_asked,
        usual_over,
        lambda t, a: hands.far(t, units(a)),
        lambda a: explained.FAR,
    ),
    Question(
        "turn",
        9,
        _turn_asked,
        lambda a: (usual_turn(a),),
        lambda t, a: hands.turn(t, usual_turn(a)),
        lambda a: explained.TURN,
    ),
    Question(
        "round",
        9,
        lambda a: "Can you walk round the bench, or turn the bottom? Walk, bottom, or no",
        _round_usual,
        lambda t, a: hands.round_the_bench(t, "4 deg per stroke"),
        lambda a: explained.ROUND,
    ),
)
