"""How much work something is: calls of functions are counted, which no other work on the machine changes."""

from __future__ import annotations

import cProfile
import sys
from types import TracebackType

__all__ = ["Effort"]


class Effort:
    """Counts calls, of Python's functions and of those built in, while its context lasts.

    >>> with Effort() as effort:
    ...     sorted("work")
    ['k', 'o', 'r', 'w']
    >>> 0 < effort.calls < 20
    True
    """

    calls = 0

    def __enter__(self) -> Effort:
        self._watch = cProfile.Profile()
        self._watch.enable()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, trouble: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._watch.disable()
        self.calls = sum(entry.callcount for entry in self._watch.getstats())


if __name__ == "__main__":  # the program's own effort, imports and all: how many modules and calls
    before = set(sys.modules)
    with Effort() as counted:
        from sim.cli import main

        code = main(sys.argv[1:])
    print(code, len(set(sys.modules) - before), counted.calls, file=sys.stderr)
