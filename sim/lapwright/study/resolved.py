"""A study as plain data and back, to the bit, and the digest of all that an answer hangs on.

Everything is what JSON has, or an array that is kept apart.  A record stands as `{"is": "Disc", ...}` with
every field by its name, in SI; so what a program's defaults were is in the data, and changing them later
changes nothing that was lapped before.  Types are made by the names in TYPES, strokes and gauges by those
of their kinds, and no others.

What an answer hangs on: every input that is lapped, the program and its libraries, the kind of processor.

Whatever is kept to go on from carries this, and is gone on with only where it is the same: the last bits of
an answer may differ with any of it.
"""

from __future__ import annotations

import datetime
import hashlib
import math
import platform
import types
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.metrology import instruments
from lapwright.specification import curves
from lapwright.specification.said import Said
from lapwright.specification.supports import Supports
from lapwright.study.model import Study

Array = NDArray[np.float64]

IS = "is"
# What a study can hold, by the module it is of.
MODULES: Mapping[str, str] = {
    "study.model": "Study Variant Axis Sweep Free Tune",
    "study.goal": "Goal Effort",
    "specification.batch": "Batch Dress",
    "study.faces": "Start",
    "specification.materials": "Material",
    "specification.plate": "Plate StartForm Ripple Measured",
    "specification.grooves": "Grooves Grid",
    "specification.outline": "Disc Ring Rectangle",
    "specification.supports": "Supports Palm",
    "specification.wedge": "Wedge",
    "specification.step": "Step Grit Wear Observation Layer Turn Load Swap Until Hand",
    "metrology.form": "EdgeMargin",
    "metrology.instruments": "Zero",
    "metrology.conditions": "Conditions",
    "metrology.reading": "Reading",
    "units": "Units",
}
TYPES: Mapping[str, str] = {
    name: f"lapwright.{module}" for module, names in MODULES.items() for name in names.split()
}
# Fields that came later, with what they are where a file is older.
SINCE: Mapping[str, Mapping[str, Any]] = {
    "Study": {"bending": None, "batch": None, "at": "metal"},
    "Plate": {"supports": Supports(), "wedge": None},
    "Load": {"hands": ()},
    "Step": {"warm": {}, "bends": False, "liquid": "smeared", "offset": (0.0, 0.0)},
    "Swap": {"removed": {}},
    "Until": {"thickness": {}, "wedge": {}},
    "Goal": {"thickness": {}, "wedge": {}},
    "Grit": {"wear_within": None, "abrasive": None},
    "Reading": {"part": 0, "table": ""},
}
KINDS: tuple[Mapping[str, type], ...] = (curves.KINDS, instruments.KINDS)  # strokes and gauges
DATES: Mapping[str, Any] = {
    of.__name__: of for of in (datetime.date, datetime.time, datetime.datetime)
}


def plain(value: Any) -> tuple[Any, list[Array]]:
    """A frozen record as what JSON has, and the arrays in it, which its data name by their number.

    Raises
    ------
    TypeError
        Something in it is of a type that is not in TYPES.

    """
    arrays: list[Array] = []
    return _plain(value, arrays), arrays


def _plain(value: Any, arrays: list[Array]) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, Enum) and _kept(type(value)):
        return {IS: type(value).__name__, "text": value.value}
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        # JSON has no infinity; a finite float comes back from its shortest text to the bit.
        return value if math.isfinite(value) else {IS: "number", "text": repr(float(value))}
    if isinstance(value, Mapping):
        if IS not in value and all(type(key) is str for key in value):
            return {key: _plain(item, arrays) for key, item in value.items()}
        pairs = [[_plain(part, arrays) for part in pair] for pair in value.items()]
        return {IS: "mapping", "pairs": pairs}
    if isinstance(value, tuple):
        return [_plain(item, arrays) for item in value]
    if isinstance(value, list):
        return {IS: "list", "items": [_plain(item, arrays) for item in value]}
    return _record(value, arrays)


def _record(value: Any, arrays: list[Array]) -> dict[str, Any]:
    name, module = type(value).__name__, type(value).__module__
    if isinstance(value, np.ndarray) and value.dtype == np.float64:
        arrays.append(value)
        return {IS: "array", "number": len(arrays) - 1}
    if DATES.get(name) is type(value):
        return {IS: name, "text": str(value.isoformat())}
    if not _kept(type(value)) or not is_dataclass(value):
        raise TypeError(f"a {module}.{name} cannot be kept in a run file")
    parts = {f.name: _plain(getattr(value, f.name), arrays) for f in fields(value) if f.init}
    return {IS: name, **parts}


def made(data: Any, arrays: Sequence[Array] = ()) -> Any:
    """What `plain` was given.

    Raises
    ------
    ValueError
        It is no such data: an unknown type or field, one that is missing, a value of another type.

    """
    if isinstance(data, list):
        return tuple(made(item, arrays) for item in data)
    if not isinstance(data, dict):
        return data
    if IS not in data:
        return {key: made(item, arrays) for key, item in data.items()}
    kind, rest = data[IS], {key: item for key, item in data.items() if key != IS}
    try:
        of = _type(kind)
        if of is not None:
            values = {key: made(item, arrays) for key, item in rest.items()}
            return of(values["text"]) if issubclass(of, Enum) else _made(of, values)
        if kind == "mapping":
            return {made(key): made(item, arrays) for key, item in rest["pairs"]}
        if kind == "list":
            return [made(item, arrays) for item in rest["items"]]
        if kind == "array":
            return arrays[rest["number"]]
        return float(rest["text"]) if kind == "number" else DATES[kind].fromisoformat(rest["text"])
    except (LookupError, TypeError, AttributeError) as trouble:
        raise ValueError(f"{kind!r} cannot be made of what is there: {trouble}") from trouble


def _type(name: str) -> type | None:
    """The type of that name that a study can hold; None where there is none."""
    if name in TYPES:
        found: type = getattr(import_module(TYPES[name]), name)
        return found
    return next((of for table in KINDS for of in table.values() if of.__name__ == name), None)


def _kept(of: type) -> bool:
    """Whether a study can hold records of a type."""
    known = TYPES.get(of.__name__)
    return known == of.__module__ or any(of in table.values() for table in KINDS)


def _made(kind: type, values: dict[str, Any]) -> Any:
    hints = _hints(kind)
    values = {**SINCE.get(kind.__name__, {}), **values}
    if values.keys() != hints.keys():
        there = ", ".join(sorted(values))
        raise ValueError(f"a {kind.__name__} does not have these fields: {there}")
    for name, value in values.items():
        if not _fits(value, hints[name]):
            raise ValueError(f"{kind.__name__}.{name} cannot be {value!r:.60}")
    # Not by its constructor, which reads what a person says and fills in the defaults of today.
    found: Any = object.__new__(kind)
    found.__dict__.update(values)
    return found


@cache
def _hints(kind: type) -> dict[str, Any]:
    """What each field that is given may be."""
    # Some are named for the type checker alone where they are used.
    late = {"Gauge": "lapwright.metrology.instruments", "Reading": "lapwright.metrology.reading"}
    names = {name: getattr(import_module(module), name) for name, module in late.items()}
    hints = get_type_hints(kind, localns=names if kind.__name__ == "Study" else None)
    return {f.name: hints[f.name] for f in fields(kind) if f.init}


def _fits(value: Any, hint: Any) -> bool:
    """Whether a value is what a hint says; of a protocol, any record of its module or its table of kinds."""
    origin, of = get_origin(hint), get_args(hint)
    if hint is Any:
        return True
    if origin is Said:
        return _fits(value, of[0])
    if origin in (Union, types.UnionType):
        return any(_fits(value, one) for one in of)
    if origin is Literal:
        return value in of
    if origin is tuple:
        if not isinstance(value, tuple):
            return False
        every = of[:1] * len(value) if of[1:] == (...,) else of
        return len(value) == len(every) and all(map(_fits, value, every))
    if origin is np.ndarray:
        return isinstance(value, np.ndarray)
    if origin is not None:
        return isinstance(value, dict) and all(_fits(item, of[1]) for item in value.values())
    if hint is float:
        return isinstance(value, float | int) and not isinstance(value, bool)
    if getattr(hint, "_is_protocol", False):
        kinds = getattr(import_module(hint.__module__), "KINDS", {}).values()
        return type(value) in kinds or bool(type(value).__module__ == hint.__module__)
    return isinstance(value, hint) and (hint is not int or not isinstance(value, bool))


LIBRARIES = ("numpy", "scipy", "numba", "h5py", "matplotlib")
BEARING = ("numpy", "scipy", "numba")  # of them, on what an answer is to the last bit


@cache
def versions() -> dict[str, str]:
    """What everything is that the program stands on; "processor" is its kind."""
    from lapwright.contact.compile import processor

    found = {"python": platform.python_version(), "processor": processor()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return dict(sorted(found.items()))


CHANGED_INPUTS = "a height map, a table of readings or a run that the study names has changed"


def inputs_of(study: Study) -> str:
    """Digest of what is lapped: plates with the height maps laid on them, steps, rounds, seed and margin.

    Also of what was read, by which faces are drawn.  Names of files, comments and the language of the answers
    are no part of it.
    """
    lapped = (study.seed, study.rounds, study.margin, study.plates, study.steps, study.batch)
    return digest_of((*lapped, repr(study.readings)))


def unlike(program: str, known: Mapping[str, str]) -> str | None:
    """What of program, libraries and processor is not as it was; None where all is."""
    if program != f"lapwright {__version__}":
        was = program.removeprefix("lapwright ") or "another"
        return f"lapwright is {__version__}, and was {was}"
    now = versions()
    for name in (*BEARING, "processor"):
        if known.get(name) != now[name]:
            what = "the processor" if name == "processor" else name
            return f"{what} is {now[name]}, and was {known.get(name, 'another')}"
    return None


def digest_of(value: Any) -> str:
    """SHA-256 over frozen data, the same in every process.

    Raises
    ------
    TypeError
        For a kind of value that has no one spelling.

    """
    found = hashlib.sha256()
    _add(found, value)
    return found.hexdigest()


def _add(found: Any, value: Any) -> None:
    """Each value with its type and length, so that no two spell the same."""
    if isinstance(value, np.ndarray):
        found.update(f"array {value.dtype.str} {value.shape};".encode())
        found.update(np.ascontiguousarray(value).tobytes())
    elif is_dataclass(value) and not isinstance(value, type):
        found.update(f"{type(value).__name__}(".encode())
        for field in fields(value):
            _add(found, (field.name, getattr(value, field.name)))
        found.update(b")")
    elif isinstance(value, Mapping):
        found.update(f"mapping {len(value)};".encode())
        # In its own order: that of the plates bears on who is looked at first.
        for item in value.items():
            _add(found, item)
    elif isinstance(value, tuple | list):
        found.update(f"row {len(value)};".encode())
        for item in value:
            _add(found, item)
    elif isinstance(value, Enum):
        _add(found, (type(value).__name__, value.value))
    elif value is None or isinstance(value, bool | int | float | str | np.generic):
        text = repr(value).encode()
        found.update(f"{type(value).__name__} {len(text)};".encode() + text)
    else:
        raise TypeError(f"a {type(value).__name__} has no digest")
