"""Make docs/reference.md, the public names, from their docstrings and from the fields that take text.

Run it from anywhere: python docs/make_reference.py
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import lapwright

PAGE = Path(__file__).resolve().parent / "reference.md"
HEAD = """# Public names

`import lapwright as lw`; [From Python](python.md) teaches them. After them come the names of each room, for
those who want a part of the engine by itself: `from lapwright.contact import settle`. Made from their
docstrings by `docs/make_reference.py`; never edited by hand. Everything is in SI; a field with a quantity
below takes text with a unit as well. All data is frozen, and `.replace(field=value, ...)` gives a changed
copy.
"""
ROOMS = (
    *("specification", "metrology", "kinematics", "contact", "integration", "modal", "study"),
    *("results", "optimisation", "verification", "presentation"),
)


def reference() -> str:
    """The whole page."""
    own = {name: getattr(lapwright, name) for name in lapwright.__all__}
    lines = [line for name, thing in own.items() for line in _entry(name, thing)]
    for room in ROOMS:
        lines += _room(room, own)
    return "\n".join([HEAD, *lines])


def _room(room: str, told: dict[str, Any]) -> Iterator[str]:
    """The names of a room, less what has been told under the same name."""
    package = importlib.import_module(f"lapwright.{room}")
    yield f"# lapwright.{room}\n"
    yield f"{' '.join(inspect.getdoc(package).split(chr(10))[:1])}\n"
    again = [name for name in package.__all__ if name in told]
    if again:
        yield f"{', '.join(f'`{name}`' for name in again)}: as above.\n"
    for name in package.__all__:
        if name not in told:
            yield from _entry(name, getattr(package, name))


def _entry(name: str, thing: Any) -> Iterator[str]:
    yield f"## {name}\n"
    if inspect.isfunction(thing):
        yield from _told(f"{name}{_signature(thing)}", thing)
        return
    yield f"{_prose(thing)}\n"
    if dataclasses.is_dataclass(thing):
        yield from _fields(thing)
    for member, function in public_methods(thing):
        yield f"### {name}.{member}\n"
        yield from _told(f"{member}{_signature(function)}", function)


def public_methods(of: type) -> Iterator[tuple[str, Any]]:
    """Methods that a class has of this package, by name; `replace` is told once, at the head."""
    fields = (
        {field.name for field in dataclasses.fields(of)} if dataclasses.is_dataclass(of) else ()
    )
    for name, _ in inspect.getmembers(of):
        if name in fields:
            continue
        raw = inspect.getattr_static(of, name)
        function = raw.__func__ if isinstance(raw, classmethod | staticmethod) else raw
        ours = inspect.isfunction(function) and function.__module__.startswith("lapwright")
        if (
            ours
            and not name.startswith("_")
            and not (name == "replace" and "replace" not in of.__dict__)
        ):
            yield name, function


def _signature(function: Any) -> str:
    signature = inspect.signature(function)
    kept = [
        p.replace(annotation=p.empty)
        for p in signature.parameters.values()
        if p.name not in ("self", "cls")
    ]
    return str(signature.replace(parameters=kept, return_annotation=signature.empty))


def _told(call: str, thing: Any) -> Iterator[str]:
    yield f"    {call}\n"
    yield f"{_prose(thing)}\n"


def _prose(thing: Any) -> str:
    """A docstring, its sections as lists."""
    text = inspect.getdoc(thing) or ""
    text = re.sub(r"\n(Parameters|Returns|Raises)\n-+\n", r"\n*\1*\n\n", text)
    return re.sub(r"^(\w[^\n]*)\n    (?=\S)", r"- `\1`: ", text, flags=re.MULTILINE).replace(
        "\n    ", "\n  "
    )


def _fields(of: type) -> Iterator[str]:
    """What a class of data holds: each field, what text it takes, within which limits, and what is usual."""
    rows = []
    if not any(hasattr(field, "reader") for field in of.__dict__.values()):
        return
    for field in dataclasses.fields(of):
        said = of.__dict__.get(field.name)
        reader = getattr(said, "reader", None)
        kind = getattr(reader, "kind", None)
        limits = [text for text, _ in getattr(reader, "limits", ()) if text is not None]
        usual = getattr(said, "usual", None)
        rows.append(
            f"| `{field.name}` | {kind.name if kind else ''} | {', '.join(limits)} | {usual or ''} |"
        )
    yield (
        "\n".join(["| field | quantity | limits | usual |", "| --- | --- | --- | --- |", *rows])
        + "\n"
    )


if __name__ == "__main__":
    PAGE.write_text(reference(), "utf-8")
