"""From Python, too, no last bit hangs on how many threads the linear algebra is given.

A library splits its sums over its threads.  The promise is our own (docs/nothing-lost.md).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from comparing import PAIR
from started import SURROUNDINGS

from lapwright import machine

STUDY = (
    PAIR.replace('time = "10 min"', 'time = "20 min"\nturn = "8 deg per stroke"')
    + """swap_every = { A = "6 min", B = "4 min" }
[goal]
flatness = "2 um"
[tune.free]
"steps.1.swap_every.A" = ["6 min", "12 min"]
"""
)
ASKED = {
    "why": "study.why()",
    "preview": "study.preview()",
    "run": "study.run()",
    "tune": "study.tune()",
}
SCRIPT = """
import json, sys
import hurry
import lapwright as lw
import lapwright.optimisation.tune
lapwright.optimisation.tune.LOOKS = dict.fromkeys((True, False), (10, 10))
hurry.search(hurry.HASTE)
study = lw.Study.read("s.toml")
found = {asked}
print(json.dumps(found.to_dict()), found.text())
"""
NAMES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@pytest.mark.campaign
@pytest.mark.parametrize(
    "asked",
    [pytest.param(n, marks=pytest.mark.long if n != "preview" else []) for n in ASKED],
)
def test_threads_of_the_linear_algebra_change_no_bit(tmp_path: Path, asked: str) -> None:
    (tmp_path / "s.toml").write_text(STUDY)
    told = set()
    for number in ("1", "2"):
        paths = f"{SURROUNDINGS['PYTHONPATH']}:{Path(__file__).parents[1]}"
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT.format(asked=ASKED[asked])], cwd=tmp_path,
            capture_output=True, check=False,
            env={**SURROUNDINGS, "PYTHONPATH": paths, **dict.fromkeys(NAMES, number)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told.add(done.stdout)
    assert len(told) == 1


def libraries() -> list[machine._Library]:
    """Those whose threads can be set."""
    np.zeros((2, 2)) @ np.zeros((2, 2))
    with machine.one_thread():
        pass
    return [one for one in machine._libraries.values() if one is not None]


def test_what_was_set_comes_back_when_the_last_is_done() -> None:
    found = libraries()
    if not found:
        pytest.skip("the linear algebra here is not OpenBLAS")
    before = [one.get() for one in found]
    try:
        for one in found:
            one.set(2)
        two = [one.get() for one in found]  # 1 on a machine of one core
        with machine.one_thread():
            with machine.one_thread():
                assert [one.get() for one in found] == [1] * len(found)
            assert [one.get() for one in found] == [1] * len(found)
        assert [one.get() for one in found] == two
        with pytest.raises(ZeroDivisionError), machine.one_thread():
            _ = 1 / 0
        assert [one.get() for one in found] == two
    finally:
        for one, number in zip(found, before, strict=True):
            one.set(number)
