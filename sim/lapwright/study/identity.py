"""What an answer hangs on: every input that is lapped, the program and its libraries, the kind of processor.

Whatever is kept to go on from carries this, and is gone on with only where it is the same: the last bits of
an answer may differ with any of it.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from lapwright import __version__
from lapwright.study.model import Study

__all__ = ["digest_of", "inputs_of", "unlike", "versions"]

LIBRARIES = ("numpy", "scipy", "numba", "h5py", "matplotlib")
BEARING = ("numpy", "scipy", "numba")  # of them, on what an answer is to the last bit


@cache
def versions() -> dict[str, str]:
    """What everything is that the program stands on; "processor" is its kind."""
    from lapwright.kernels.compile import processor

    found = {"python": platform.python_version(), "processor": processor()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return dict(sorted(found.items()))


def inputs_of(study: Study) -> str:
    """Digest of what is lapped: plates with the height maps laid on them, steps, rounds, seed and margin.

    Names of files, comments and the language of the answers are no part of it.
    """
    return digest_of((study.seed, study.rounds, study.margin, study.plates, study.steps))


def unlike(program: str, known: Mapping[str, str]) -> str | None:
    """What of program, libraries and processor is not as it was; None where all is."""
    if program != f"lapwright {__version__}":
        return f"lapwright is {__version__}, and was {program.removeprefix('lapwright ') or 'another'}"
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
        for item in value.items():  # in its own order: that of the plates bears on who is looked at first
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
