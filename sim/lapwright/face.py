"""The public face of a package: the names that its stub lists, each brought when it is first asked for.

`__init__.pyi` is the one list of them, for people, for `dir`, for editors and for mypy alike; nothing is
loaded before a name is asked for, so that starting up stays quick.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any


def face(package: str, init: str) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """`__getattr__` and `__dir__` of a package.

    Parameters
    ----------
    package : str
        Its name.
    init : str
        Its file; the stub stands beside it and says `from package.module import name as name`.

    Returns
    -------
    getter, lister : function
        Also of `__all__`, the public names in order.

    """

    @cache
    def homes() -> dict[str, str]:
        import ast  # late: the program itself names modules and never asks

        stub = ast.parse(Path(init).with_suffix(".pyi").read_text("utf-8"))
        return {
            alias.name: str(line.module)
            for line in stub.body
            if isinstance(line, ast.ImportFrom)
            for alias in line.names
            if alias.asname == alias.name
        }

    def getter(name: str) -> Any:
        if name == "__all__":
            return sorted(homes())
        if name.startswith("__") or name not in homes():
            raise AttributeError(f"{package} has no {name}: it has {', '.join(sorted(homes()))}")
        return getattr(importlib.import_module(homes()[name]), name)

    return getter, lambda: sorted({*vars(importlib.import_module(package)), *homes()})
