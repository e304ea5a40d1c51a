"""The conversation: asks, explains, goes back, and asks again what was not understood; and its questions.

The questions stand in the order in which they are asked: what to ask, what is usual, how an answer is read.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lapwright.commands.interview import answers as read
from lapwright.commands.interview import typed as sizes
from lapwright.commands.interview.compose import (
    WORKS,
    bench,
    compose,
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
from lapwright.commands.interview.typed import Answer, Answers, chosen, tidy
from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError, StudyError, troubles_in
from lapwright.specification.materials import MATERIALS
from lapwright.specification.quantities import bench as bench_of
from lapwright.specification.said import RefusedError
from lapwright.study.read import parse
from lapwright.units import Units

Ask = Callable[[str], str | None]
Say = Callable[[str], None]


INDENT = "     "
LONGEST = 100  # letters of one answer


class AnswersEndedError(Exception):
    """No more is typed, though a question is open: `question`."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


class Stopped(Exception):  # noqa: N818 (no error: somebody said that he had enough)
    """Somebody asked to stop."""


def talk(ask: Ask, say: Say) -> dict[str, Answer]:
    """All answers; `ask` shows a prompt and gives back a line, or None when there is none any more.

    Raises
    ------
    AnswersEndedError
    Stopped

    """
    given: dict[str, Answer] = {}
    before: dict[str, str] = {}
    asked: Question | None = None
    while (question := next_question(given)) is not None:
        if question is not asked:
            asked, usual = question, _usual(question, given, before)
        typed = ask(f"{question.topic}/{TOPICS}  {question.ask(given)}\n     [{usual.said}]")
        if typed is None:
            raise AnswersEndedError(question)
        word = tidy(typed)
        if word in ("?", "help", "h", "why", "what"):
            say(_indented(question.why(given)))
        elif word in ("quit", "exit", "q", "stop"):
            raise Stopped
        elif word == "back":
            if given:
                key, answer = given.popitem()
                before[key] = answer.said
            else:
                say("     This is the first question.")
        elif word == "":
            given[question.key] = usual
        else:
            try:
                answer = _understood(question, typed, given)
            except RefusedError as trouble:
                say(f"     {trouble.message}")
            else:
                given[question.key] = answer
                say(f"     {answer.said}")
    return given


def take_usual() -> dict[str, Answer]:
    """Every usual answer."""
    return _filled({})


def _understood(question: Question, typed: str, given: Answers, laid: bool = True) -> Answer:
    """What an answer means, if a study can be made with it; `laid` as in `_trouble`.

    Raises
    ------
    RefusedError

    """
    if len(typed) > LONGEST:
        how = "write a few words, or ? to see which"
        raise RefusedError(f"that is {len(typed)} letters long: {how}")
    with bench_of(units(given) if "units" in given else Units.METRIC):
        answer = question.read(typed.strip(), given)
    laid = laid and question.key == "far"
    trouble = _trouble({**given, question.key: answer}, laid)
    if trouble is not None:
        raise RefusedError(trouble)
    return answer


def _trouble(given: Answers, laid: bool) -> str | None:
    """Why no study can be made of these answers and the usual ones after them; None when one can.

    `laid`: whether the top must be seen to stand all through the stroke, which takes longer.
    """
    try:
        study = parse(compose(_filled(given)))
        if laid:
            step = study.steps[0]
            with troubles_in(study.units):
                check_stands(step, study.plates[step.top], study.plates[step.bottom])
    except StudyError as trouble:
        return trouble.faults[0].message
    except LapwrightError as trouble:
        return trouble.message
    return None


def _usual(question: Question, given: Answers, before: Mapping[str, str]) -> Answer:
    """What is taken when nothing is typed: what was answered before going back, or else the usual."""
    again = [before[question.key]] if question.key in before else []
    candidates = [*again, *question.usual(given)]
    for text in candidates[:-1]:
        try:
            return _understood(question, text, given, laid=False)
        except RefusedError:
            continue
    return question.read(candidates[-1], given)


def _filled(given: Answers) -> dict[str, Answer]:
    """The answers, and the usual ones to whatever is not answered yet."""
    answers = dict(given)
    while (question := next_question(answers)) is not None:
        if question.key == "far":  # the one whose usual answer hangs on all the others
            answers[question.key] = _usual(question, answers, {})
        else:
            answers[question.key] = question.read(question.usual(answers)[0], answers)
    return answers


def _indented(text: str) -> str:
    return textwrap.fill(text, 78, initial_indent=INDENT, subsequent_indent=INDENT)


TOPICS = 9
Words = str | tuple[str, ...]
Asked = Words | Callable[[Answers], Words]  # as it stands, or by the answers so far

# What `?` answers: each question in the words of the bench, and why it matters.
EXPLAINED = {
    "units": """\
Write metric or inch. It sets what a number without a unit means in the next questions, and in which
units the answers come. You may still type any other unit, such as 6 in at a metric bench.""",
    "work": """\
Two plates lapped on each other come to fit; which way they go depends on which is on top and how you stroke.
Three plates, lapped by turns, have nowhere to hide a dome: each must fit the two others.
A part on a plate (a ring, a rail, a block) comes to fit the plate, and wears the plate meanwhile.
Write two, three or part.""",
    "size": """\
For a disc the diameter: 160. For a rectangle length x width: 300 x 200. For a ring: ring 80 x 50.
The size sets the weight that presses, and how far the top can hang over before it lifts.""",
    "part size": """\
The face that is lapped. A disc: 80. A ring, outside x bore: ring 80 x 50. A rail or block: 240 x 40.
A long part is laid with its length along 3-9 of the bench.""",
    "thickness": """\
With the size it gives the weight, and the weight presses: twice as thick presses twice as hard.
A thin plate also bends; the program takes plates as rigid, and says so when that is not good enough.
Where they differ write one for each: 25 mm and 60 mm. The heavier one then stays on top for less time.""",
    "material": """\
Hard things wear slower under the same grit: hardened steel about half as fast as iron, carbide a tenth.
Write iron, steel, hardened steel, stainless, bronze, carbide, glass, granite, ...""",
    "grooves": """\
Grooves carry nothing, so the land beside them carries more and wears faster. A grooved plate on a plain one
loses more than the plain one does. Write no, square (a grid), triangle, rings or radial (like spokes).""",
    "grooved": """\
Write the one plate that has the grooves, or both (all, of three).""",
    "groove size": """\
From the middle of one groove to the middle of the next, x the width of the groove: 12 x 2.
Radial grooves: how many x how wide.""",
    "grit": """\
The grain as it is printed on the tin, in um (also at an inch bench): 15. Or a FEPA F number: F400.
400 alone is refused: it means 17, 23 or 35 um by system. Coarser cuts faster and leaves a thicker layer of
grit between the faces; the layer gives, and what it gives stays in both faces as a small hollow.""",
    "stroke": """\
The path that your hands push the top along. One stroke is a whole eight, once round, or out and back.
Straight strokes, never turned, leave ridges and twist where they are; an eight or a circle with turning
takes them out. A zigzag goes out and back while it moves slowly sideways.""",
    "far": """\
At the farthest place of the stroke, how far does the top stand out over the edge of the bottom? 27 means
27 mm (or inches, at an inch bench). Or say the whole stroke as a share of the top: travel 1/3.
A stroke that goes over the edge hollows the top and domes the bottom, the faster the farther it goes. Equal
flat discs begin to lift and rock at about a fifth of the diameter over the edge; from a half on they tip off.
To stay inside the edge of a larger plate: inside 5.""",
    "turn": """\
Turned a little at each stroke (8 means 8 degrees a stroke), every side of the top meets every side of the
bottom, and a twist has nowhere to stay. A rail is turned end for end: end for end every 10 strokes.
By quarters, lifted and set down again: 90 every 10 strokes. No: whatever lies along and across the stroke
stays different.""",
    "round": """\
If you step round the bench as you lap, or somebody (or a turntable) turns the bottom under you, your habits
do not always fall on the same side of the bottom. walk 4: 4 degrees a stroke; bottom 4: the bottom is turned
4 degrees a stroke; no: you stand where you stand.""",
}


@dataclass(frozen=True)
class Question:
    """One question: `topic` of nine, what is `asked`, how an answer is `read`, and why.

    `taken`: answers to take when nothing is typed, the first that can be.
    `due` tells whether it is asked at all after the answers so far; `about` explains it, if not its key does.
    """

    key: str
    topic: int
    asked: Asked
    taken: Asked
    read: Callable[[str, Answers], Answer]
    due: Callable[[Answers], bool] = lambda answers: True
    about: Asked = ""

    def ask(self, answers: Answers) -> str:
        """The question in words."""
        return _words(self.asked, answers)[0]

    def usual(self, answers: Answers) -> tuple[str, ...]:
        """Answers to take when nothing is typed, the first that can be."""
        return _words(self.taken, answers)

    def why(self, answers: Answers) -> str:
        """What `?` answers."""
        return _words(self.about or EXPLAINED[self.key], answers)[0]


def _words(asked: Asked, answers: Answers) -> tuple[str, ...]:
    words = asked(answers) if callable(asked) else asked
    return (words,) if isinstance(words, str) else words


def next_question(answers: Answers) -> Question | None:
    """The first question without an answer that is to be asked; None when all are answered."""
    return next((q for q in QUESTIONS if q.key not in answers and q.due(answers)), None)


UNITS = {"metric": "mm|millimetres|millimeters|m", "inch": 'inches|in|imperial|i|"'}
MADE_OF = {
    "grey iron": "iron|cast iron|gray iron|gray cast iron|grey cast iron",
    "hardened steel": "hard steel|tool steel",
    "stainless": "stainless steel",
    "aluminium": "aluminum|aluminium alloy",
    "carbide": "tungsten carbide|hardmetal",
    "alumina": "ceramic",
}


def _word(
    words: dict[str, str], what: str, *, writes: bool = True
) -> Callable[[str, Answers], Answer]:
    """How one of a few words is read; most are the study's own."""

    def reader(text: str, answers: Answers) -> Answer:
        word = chosen(text, words, what)
        return Answer(word, word, word if writes else None)

    return reader


def _grooved(text: str, answers: Answers) -> Answer:
    every = names(answers)
    all_of_them = "both" if len(every) == 2 else "all"
    ways = {all_of_them: "both of them|all|a and b|every|each|all three"}
    ways |= {name: f"{name.lower()}|plate {name.lower()}|only {name.lower()}" for name in every}
    word = chosen(text, ways, "a plate here")
    return Answer("all" if word == all_of_them else word, word)


def _size_asked(answers: Answers) -> str:
    plates = "is the plate" if rests(answers) else "are the plates"
    return f"How large {plates}? Across a disc, or length x width"


def _reads(name: str, number: int) -> Question:
    """The question what one face reads; `number` from 0 in the order of the plates."""

    def long_one(answers: Answers) -> bool:
        return long(names(answers)[number], answers)

    def ask(answers: Answers) -> str:
        one = f"{'the' if rests(answers) else 'plate'} {names(answers)[number]}"
        example = bench(answers, "Dome 3 or dish 1", "Dome 100 or dish 40")
        if long_one(answers):
            example = bench(answers, "Bow 3, wind 1", "Bow 100, wind 40")
        return f"What does {one} read now? {example}, flat, or {read.DONT_KNOW}"

    return Question(
        f"reads {name}",
        6,
        ask,
        read.DONT_KNOW,
        lambda text, answers: read.reads(text, units(answers), long=long_one(answers)),
        lambda answers: name in names(answers),
        lambda answers: _about_reads(long_one(answers), units(answers)),
    )


def _about_reads(long: bool, units: Units) -> str:
    """What to answer when asked what a face reads."""
    unit, a, b = ("uin", "100", "20") if units is Units.INCH else ("um", "3", "0.5")
    if long:
        shapes = f"""\
bow {a}: the middle stands {a} {unit} above the ends (bow -{a}: below). crown: the middle above the long
edges. wind {b}: the corners at 1:30 and 7:30 stand {b} {unit} above the other two. Several at once:
bow {a}, wind {b}."""
    else:
        shapes = f"""\
dome {a}: the middle stands {a} {unit} above the rim. dish {a}: it lies below. Looking at the face, twist {b}:
the rim at 1:30 and 7:30 stands {b} {unit} above the rim at 10:30 and 4:30. Several at once:
dome {a}, twist {b}."""
    return f"""{shapes}
A spherometer shows it, or an indicator against a straightedge; feelers are too coarse. If you have not
read it, don't know is an honest answer: it is taken as flat, and you see what the stroke makes of a flat
face. Read it first to see what becomes of yours."""


def _groove_sizes(a: Answers) -> tuple[str, ...]:
    if a["grooves"].value == "radial":
        return bench(a, "12 x 2 mm", "12 x 1/16 in"), bench(a, "4 x 0.2 mm", "4 x 0.01 in")
    return bench(a, "12 x 2 mm", "1/2 x 1/16 in"), bench(a, "3 x 0.5 mm", "0.1 x 0.02 in")


def _round_usual(answers: Answers) -> str:
    # A part wears the plate where it goes; walking spreads that all round.
    plain = rests(answers) and "rectangle" not in answers["size"].value
    return "walk 4 deg per stroke" if plain else "no"


def _far_asked(answers: Answers) -> str:
    unit = bench(answers, "mm", "inches")
    return f"How far over the edge does it go at most, in {unit}? Or travel 1/3 (of the top)"


def _turn_asked(answers: Answers) -> str:
    top = part_name(answers) if rests(answers) else "top"
    return f"Do you turn the {top} in your hands as you go? Degrees a stroke, or no"


def _grooves_asked(a: Answers) -> str:
    plates = "plate" if rests(a) else "plates"
    return f"Are grooves cut into the {plates}? No, square, triangle, rings or radial"


def _has_grooves(a: Answers) -> bool:
    return bool(a["grooves"].value != "no")


QUESTIONS: tuple[Question, ...] = (
    Question("units", 1, "Metric or inch?", "metric", _word(UNITS, "a way of measuring")),
    Question(
        "work",
        2,
        "What do you lap: two plates, three, or a part on a plate?",
        "two plates",
        _word(WORKS, "a way to lap known here", writes=False),
    ),
    Question(
        "size",
        3,
        _size_asked,
        lambda a: bench(a, "160 mm", "6 in"),
        lambda t, a: sizes.size(t, units(a), ring=not rests(a)),
    ),
    Question(
        "part size",
        3,
        "And the part? Across a disc, ring outside x bore, or length x width",
        lambda a: bench(a, "ring 80 x 50 mm", "ring 3 x 2 in"),
        lambda t, a: sizes.size(t, units(a), ring=True),
        rests,
    ),
    Question(
        "thickness",
        4,
        lambda a: f"How thick {'is the plate' if rests(a) else 'are they'}?",
        lambda a: usual_thickness("plate", a),
        lambda t, a: sizes.thicknesses(t, units(a), 1 if rests(a) else len(names(a))),
    ),
    Question(
        "part thickness",
        4,
        lambda a: f"How thick is the {part_name(a)}?",
        lambda a: usual_thickness("part", a),
        lambda t, a: sizes.thickness(t, units(a)),
        rests,
        EXPLAINED["thickness"],
    ),
    Question(
        "material",
        4,
        lambda a: f"What is the {part_name(a)} made of?",
        "hardened steel",
        _word({name: MADE_OF.get(name, "") for name in MATERIALS}, "a material known here"),
        rests,
    ),
    Question("grooves", 5, _grooves_asked, "no", lambda t, a: read.grooves(t)),
    Question(
        "grooved",
        5,
        lambda a: (
            f"In which plates? {'Both, A or B' if work(a) == 'two plates' else 'All, A, B or C'}"
        ),
        lambda a: "both" if work(a) == "two plates" else "all",
        _grooved,
        lambda a: _has_grooves(a) and not rests(a),
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
        lambda t, a: read.groove_size(t, units(a), radial=a["grooves"].value == "radial"),
        _has_grooves,
    ),
    *(_reads(name, number) for number, name in enumerate("ABC")),
    _reads("plate", 0),
    *(_reads(name, 1) for name in ("ring", "disc", "rail", "block")),
    Question(
        "grit", 7, "Which grit? Its grain in um, or an F number", "15 um", lambda t, a: read.grit(t)
    ),
    Question(
        "stroke",
        8,
        "How do you stroke? Eight, circle, ellipse, straight, zigzag or rosette",
        usual_stroke,
        lambda t, a: read.kind(t),
    ),
    Question("turn", 8, _turn_asked, usual_turn, lambda t, a: read.turn(t, usual_turn(a))),
    Question(
        "round",
        8,
        "Can you walk round the bench, or turn the bottom? Walk, bottom, or no",
        _round_usual,
        lambda t, a: read.round_the_bench(t, "4 deg per stroke"),
    ),
    # Asked last: how far a stroke can go depends on how the top is turned and on where you stand.
    Question("far", 9, _far_asked, usual_over, lambda t, a: read.far(t, units(a))),
)
