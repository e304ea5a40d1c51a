"""How much work something is: calls of functions are counted, which no other work on the machine changes."""

from __future__ import annotations

import cProfile
import sys
from types import TracebackType

__all__ = ["Effort"]


class Effort:
    """Counts calls while its context lasts, of Python's functions and, unless told not to, of those built in.

    >>> with Effort() as effort:
    ...     sorted("work")
    ['k', 'o', 'r', 'w']
    >>> 0 < effort.calls < 20
    True
    """

    def __init__(self, builtins: bool = True) -> None:
        self.calls = 0
        self._watch = cProfile.Profile(builtins=builtins)

    def __enter__(self) -> Effort:
        self._watch.enable()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        trouble: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._watch.disable()
        self.calls = sum(entry.callcount for entry in self._watch.getstats())


if __name__ == "__main__":  # the program's own effort, imports and all: how many modules and calls
    before = set(sys.modules)
    with Effort() as counted:
        from lapwright.commands.main import main

        code = main(sys.argv[1:])
    print(code, len(set(sys.modules) - before), counted.calls, file=sys.stderr)
