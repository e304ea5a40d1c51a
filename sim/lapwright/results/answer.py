"""What a command makes: numbers for scripts, and the same in words for people."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["WIDTH", "Answer", "plain", "wrapped"]

WIDTH = 100  # of a line, so that it reads well on paper and in any terminal


class Answer:
    """The answer of a command: `to_dict` is its JSON, `text` the body of what it prints.

    Everything is worked out as the answer is made; to show it costs nothing.
    """

    def told(self) -> Mapping[str, Any]:
        """Everything for scripts, arrays and all."""
        raise NotImplementedError

    def lines(self) -> Iterator[str]:
        """Everything in words, line by line."""
        raise NotImplementedError

    def to_dict(self) -> dict[str, Any]:
        """The JSON of the command, SI throughout; what is not known is None."""
        found: dict[str, Any] = plain(self.told())
        return found

    def text(self) -> str:
        """What the command prints, without what to type next."""
        return "\n".join(self.lines())

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
