"""What a command makes: numbers for scripts, and the same in words for people."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from typing import Any, Self

__all__ = ["WIDTH", "Answer", "plain", "wrapped"]

WIDTH = 100  # of a line, so that it reads well on paper and in any terminal


class Answer:
    """The answer of a command: `to_dict` is its JSON, `text` the body of what it prints.

    Everything is worked out as the answer is made; to show it costs nothing.
    """

    study: Any  # the study in whose units it speaks

    def told(self) -> Mapping[str, Any]:
        """Everything for scripts.

        Returns
        -------
        mapping
            SI, arrays and all.

        """
        raise NotImplementedError

    def lines(self) -> Iterable[str]:
        """Everything in words.

        Returns
        -------
        iterable of str
            Line by line, in the units of the study.

        """
        raise NotImplementedError

    def to_dict(self) -> dict[str, Any]:
        """The JSON of the command.

        Returns
        -------
        dict
            SI; what is not known is None.

        """
        found: dict[str, Any] = plain(self.told())
        return found

    def text(self, units: str | None = None) -> str:
        """What the command prints, without what to type next.

        Parameters
        ----------
        units : str, optional
            "metric" or "inch"; those of the study when None.

        Returns
        -------
        str
            In lines.

        Raises
        ------
        StudyError
            For other units.

        """
        told = self if units is None else self.spoken_in(units)
        return "\n".join(told.lines())

    def spoken_in(self, units: str) -> Self:
        """The same answer to a person who counts in other units; nothing is worked out anew.

        Parameters
        ----------
        units : str
            "metric" or "inch".

        Returns
        -------
        Answer
            Of the same kind.

        Raises
        ------
        StudyError
            For other units.

        """
        from copy import copy  # late: `-h` waits for no module that it can do without

        other = copy(self)
        object.__setattr__(other, "study", self.study.replace(units=units))
        return other

    def __str__(self) -> str:
        return self.text()


def wrapped(text: str, first: str, then: str) -> list[str]:
    """A text in lines: what begins the `first`, and what begins those after it."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def plain(value: Any) -> Any:
    """A value as JSON knows it: no NaN or infinity (null), no arrays."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    number = float(value)
    return number if math.isfinite(number) else None
