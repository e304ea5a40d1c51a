"""A study's document written as TOML again, so that whatever was planned is a study that `run` takes."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping
from typing import Any

__all__ = ["inline", "written"]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NAMED = ("plates", "parts", "grits", "gauges")  # tables of tables, each of which gets a head of its own


def written(document: Mapping[str, Any], note: str = "") -> str:
    """The text of a study; `note` becomes a comment at its head.

    Comments of the file that the document was read from are not in the document, so they are not here.
    """
    lines = [f"# {line}" for line in note.splitlines()]
    lines += [f"{_key(key)} = {inline(value)}" for key, value in document.items() if _plain(value)]
    for key, value in document.items():
        if _plain(value):
            continue
        if isinstance(value, list):
            for entry in value:
                lines += ["", f"[[{_key(key)}]]", *_pairs(entry)]
        elif key in _NAMED and all(isinstance(entry, Mapping) for entry in value.values()):
            for name, entry in value.items():
                lines += ["", f"[{_key(key)}.{_key(name)}]", *_pairs(entry)]
        else:
            lines += ["", f"[{_key(key)}]", *_pairs(value)]
    return "\n".join(lines) + "\n"


def _plain(value: Any) -> bool:
    """True for what stands before the first table of a file."""
    if isinstance(value, list):
        return not value or not all(isinstance(entry, Mapping) for entry in value)
    return not isinstance(value, Mapping)


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {inline(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    # TOML's basic strings are JSON's, but for the one control character that JSON leaves alone.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def inline(value: Any) -> str:
    """One value on one line.

    Raises
    ------
    TypeError
        When TOML has no such value.

    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(inline(entry) for entry in value) + "]"
    if isinstance(value, Mapping):
        if not value:
            return "{}"
        return "{ " + ", ".join(f"{_key(k)} = {inline(v)}" for k, v in value.items()) + " }"
    raise TypeError(f"TOML has no {type(value).__name__}")
