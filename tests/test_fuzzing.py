"""Whatever is in a file, it is read or refused in a line: no fault of the program, nothing slow or large.

The promise is our own (docs/nothing-lost.md).  `corpus.json` holds inputs that once reached lines which none
before them did, as numbers that draw them (`fuzzing.py`).
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fuzzing
import pytest
from started import under_way

CORPUS = Path(__file__).with_name("corpus.json")
FEW = 10

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="its limits are those of Linux")


@pytest.fixture(scope="module")
def process() -> Iterator[subprocess.Popen[str]]:
    """What tries inputs, in copies of itself."""
    command = [sys.executable, fuzzing.__file__]
    more = {"stdin": subprocess.PIPE, "stderr": None}
    with under_way(command, **more) as process:
        yield process


def fuzzed(
    process: subprocess.Popen[str], kind: str, number: int, seed: int, hasty: bool
) -> dict[str, Any]:
    """What came of so many inputs, in a process of its own."""
    corpus = json.loads(CORPUS.read_text())[kind]
    asked = {"kind": kind, "number": number, "seed": seed, "hasty": hasty, "corpus": corpus}
    assert process.stdin is not None
    assert process.stdout is not None
    print(json.dumps(asked), file=process.stdin, flush=True)
    line = process.stdout.readline()
    assert line, "the process that tries inputs has ended"
    found: dict[str, Any] = json.loads(line)
    assert "ended" not in found, found
    return found


@pytest.mark.always("map", "x3p")
@pytest.mark.parametrize("kind", fuzzing.KINDS)
def test_nothing_in_a_file_is_a_fault_of_the_program(
    process: subprocess.Popen[str], kind: str
) -> None:
    got = fuzzed(process, kind, FEW, 1, hasty=True)
    assert got["found"] == []
    assert got["lines"] > 500, "the program was not looked at"


@pytest.mark.long
@pytest.mark.parametrize("kind", fuzzing.KINDS)
def test_nothing_in_many_files_is_a_fault_of_the_program(
    process: subprocess.Popen[str], kind: str, request: pytest.FixtureRequest
) -> None:
    number = 10 * int(request.config.getoption("--changes"))
    assert fuzzed(process, kind, number, number, hasty=False)["found"] == []


@pytest.mark.campaign
def test_what_is_wrong_is_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A fault of the program, a warning, one that hangs: each is told, or no test here could fail."""

    def look(place: Path, value: str) -> None:
        if value == "endless":
            while True:
                pass
        (
            fuzzing.np.log(fuzzing.np.zeros(1) if value == "warning" else 1.0)
            + {"fault": "", "none": 0.0}[value]
        )

    monkeypatch.setattr(fuzzing, "LONGEST", 0.2)
    kind = fuzzing.Kind(lambda place: {}, lambda dice, value: value, look)
    bases = {name: (lambda name=name: name) for name in ("fault", "none", "endless", "warning")}
    told = {name: fuzzing.tried(kind, bases, (name, ()), tmp_path) for name in bases}
    assert told["none"] is None
    assert "UFuncTypeError" in str(told["fault"]) or "TypeError" in str(told["fault"])
    assert "took over" in str(told["endless"])
    assert "RuntimeWarning" in str(told["warning"])
