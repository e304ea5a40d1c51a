"""Faults of a study file, gathered so that all are told at once, each in one line."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from lapwright.errors import Fault, StudyError
from lapwright.units import METRIC, Text, Units, joined, told

__all__ = ["Faults", "RefusedError", "listed", "nearest", "one_line", "shown"]

MOST_TOLD = 40  # nobody reads more; the rest is counted


class RefusedError(ValueError):
    """A value that cannot be taken; the text is the fault's line without its key."""

    def __init__(self, message: str, code: str = "value") -> None:
        super().__init__(message)
        self.message = message
        self.code = code


class Faults:
    """The faults found so far, in the order in which they were met, told in a person's `units`."""

    def __init__(self, units: Units = METRIC) -> None:
        self.units = units
        self.found: list[Fault] = []
        self.untold = 0

    def add(self, key: str, message: str | Text, code: str = "value") -> None:
        """Note one fault; beyond `MOST_TOLD` they are only counted."""
        if len(self.found) >= MOST_TOLD:
            self.untold += 1
            return
        fault = Fault(one_line(key), one_line(told(message, self.units)), code)
        if fault not in self.found:
            self.found.append(fault)

    @property
    def full(self) -> bool:
        """True when further faults would not be told, so that nobody need look for them."""
        return len(self.found) >= MOST_TOLD

    def check(self) -> None:
        """Raise what was found.

        Raises
        ------
        StudyError
            When there is any fault.

        """
        if not self.found:
            return
        faults = list(self.found)
        if self.untold:
            faults.append(Fault("", f"and {self.untold} more; mend these first", faults[0].code))
        raise StudyError(faults)


def one_line(text: str) -> str:
    """The text without line breaks and control signs, which would split or hide a message."""
    return "".join(c if c.isprintable() else " " for c in text)


def shown(value: Any) -> str:
    """A value as a message quotes it: 'text', or a number bare; never long, never more than a line."""
    if isinstance(value, str):
        text = one_line(value)
        return f"'{text}'" if len(text) <= 60 else f"'{text[:57]}...'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a number of very many digits"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, dict):
        names = [shown_key(name) for name in list(value)[:4]]
        return "{ " + ", ".join(f"{n} = ..." for n in names) + " }" if names else "{ }"
    if isinstance(value, list):
        return f"a list of {len(value)}" if value else "an empty list"
    return f"'{str(value)[:60]}'"


def shown_key(name: str) -> str:
    """A key as a message quotes it."""
    name = one_line(name)
    return name if len(name) <= 40 else f"{name[:37]}..."


def listed(words: Iterable[str], last: str = "or", most: int = 12) -> str:
    """List in words: "A, B or C"; of more than `most` the first ones."""
    words = [shown_key(word) for word in words]
    if len(words) > most:
        words = [*words[: most - 1], "..."]
    return joined(words, last)


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The likeliest of `words` that somebody meant who typed `word`, or None."""
    from difflib import get_close_matches

    if len(word) > 60:
        return None
    plain = {w.lower().replace("_", "").replace("-", "").replace(" ", ""): w for w in words if len(w) <= 60}
    typed = word.lower().replace("_", "").replace("-", "").replace(" ", "")
    close = get_close_matches(typed, list(plain), n=1, cutoff=0.6)
    return plain[close[0]] if close else None
