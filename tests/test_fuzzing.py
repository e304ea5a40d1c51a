"""Whatever is in a file, it is read or refused in a line: no fault of the program, nothing slow or large.

The promise is our own (docs/nothing-lost.md).  `corpus.json` holds inputs that once reached lines which none
before them did, as numbers that draw them (`fuzzing.py`).
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import fuzzing
import pytest
from started import SURROUNDINGS

CORPUS = Path(__file__).with_name("corpus.json")
FEW = 20

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="its limits are those of Linux")


def fuzzed(kind: str, number: int, seed: int) -> dict[str, Any]:
    """What came of so many inputs, in a process of its own."""
    corpus = json.loads(CORPUS.read_text())[kind]
    done = subprocess.run(
        [sys.executable, fuzzing.__file__, kind, str(number), str(seed)], input=json.dumps(corpus),
        capture_output=True, text=True, env=SURROUNDINGS, check=False,
    )  # fmt: skip
    assert done.returncode == 0, (done.returncode, done.stderr[-2000:])
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("kind", fuzzing.KINDS)
def test_nothing_in_a_file_is_a_fault_of_the_program(kind: str) -> None:
    got = fuzzed(kind, FEW, 1)
    assert got["found"] == []
    assert got["lines"] > 500, "the program was not looked at"


@pytest.mark.campaign
@pytest.mark.parametrize("kind", fuzzing.KINDS)
def test_nothing_in_many_files_is_a_fault_of_the_program(
    kind: str, request: pytest.FixtureRequest
) -> None:
    number = 10 * int(request.config.getoption("--changes"))
    assert fuzzed(kind, number, number)["found"] == []


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
