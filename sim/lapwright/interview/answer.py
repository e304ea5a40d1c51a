"""One answer as it was understood, and words that many questions share."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lapwright.study.faults import RefusedError, nearest, shown
from lapwright.study.units import plain
from lapwright.units import joined

__all__ = ["Answer", "Answers", "chosen", "tidy"]


@dataclass(frozen=True)
class Answer:
    """What was understood of a typed answer.

    `value`: in SI, for scripts.  `said`: as it is said back, and can be typed again.  `written`: as the
    study has it (a text, a list, a table), None where it writes nothing.
    """

    value: Any
    said: str
    written: Any = None


Answers = Mapping[str, Answer]


def tidy(text: str) -> str:
    """The text in small letters, without the stop at its end, with one kind of quote."""
    bare = plain(text).replace("\u2019", "'").replace("\u201d", '"').replace("\u2033", '"')
    return bare.rstrip(" .!").lower()


def chosen(text: str, words: Mapping[str, Sequence[str]], what: str) -> str:
    """Which of a few answers is meant: `words` has the ways of saying each.

    Raises
    ------
    RefusedError
        When it is none of them; names them all, and the nearest.

    """
    said = re.sub(r"[-_ ]+", " ", tidy(text))
    meant = {way: word for word, ways in words.items() for way in (word, *ways)}
    if said in meant:
        return meant[said]
    begun = {word for way, word in meant.items() if len(said) >= 2 and way.startswith(said)}
    if len(begun) == 1:
        return begun.pop()
    close = nearest(said, meant)
    hint = f"did you mean {meant[close]}? " if close else ""
    names = list(words)
    raise RefusedError(f"{shown(text.strip())} is not {what}: {hint}write {joined(names, 'or')}", "choice")
