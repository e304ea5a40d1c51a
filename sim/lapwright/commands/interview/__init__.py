"""The conversation: asks, explains, goes back, and asks again what was not understood."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping

from lapwright.commands.interview.compose import compose
from lapwright.commands.interview.questions import TOPICS, Question, next_question
from lapwright.commands.interview.typed import Answer, Answers, tidy
from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError, StudyError, troubles_in
from lapwright.specification.said import RefusedError
from lapwright.study.read import parse

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
    answer = question.read(typed.strip(), given)
    laid = laid and question.key in ("far", "round")
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
