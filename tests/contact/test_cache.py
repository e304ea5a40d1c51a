"""Compiled kernels kept on the disk: damage is compiled anew, and a disk that takes nothing is no hindrance.

There is no outside source: the promise is our own.
"""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
from started import SURROUNDINGS

MODULE = """
import sys
{before}
from lapwright.contact.compile import kernel, uncached

@kernel
def twice(x):
    return 2.0 * x

@kernel
def more(x):
    return twice(x) + 1.0

print(more(float(sys.argv[1])), sum(more.stats.cache_hits.values()), uncached())
"""
NOWHERE = "import numba.core.caching as c; c.CompileResultCacheImpl._locator_classes = []"
FULL = """import numba.core.caching as c
def full(*a): raise OSError(28, "No space left on device")
c.IndexDataCacheFile.save = full"""


def asked(folder: Path, x: float, before: str = "") -> list[str]:
    """In a new process: the value, how often it found what was kept, whether it could not keep it."""
    source = folder / "small.py"
    if (
        not source.exists()
    ):  # written again, it would count as edited for older numba, which goes by its time
        source.write_text(MODULE.format(before=before))
    done = subprocess.run(
        [sys.executable, "small.py", str(x)], cwd=folder, text=True, capture_output=True, check=False,
        env={**SURROUNDINGS, "NUMBA_CACHE_DIR": str(folder / "kept")},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_what_is_kept_is_found_again(tmp_path: Path) -> None:
    assert asked(tmp_path, 3.0) == ["7.0", "0", "False"]
    assert asked(tmp_path, 3.0) == ["7.0", "1", "False"]


@pytest.mark.parametrize("ending", [".nbi", ".nbc"])
@pytest.mark.parametrize("how", ["empty", "cut", "zeros", "flip"])
def test_a_damaged_cache_repairs_itself(tmp_path: Path, ending: str, how: str) -> None:
    asked(tmp_path, 3.0)
    damaged, dice = list((tmp_path / "kept").rglob(f"*{ending}")), random.Random(5)
    assert damaged
    for path in damaged:
        whole = bytearray(path.read_bytes())
        at = dice.randrange(40, len(whole))
        whole[at] ^= 0x10
        path.write_bytes(
            {
                "empty": b"",
                "cut": whole[: len(whole) // 2],
                "zeros": bytes(len(whole)),
                "flip": whole,
            }[how]
        )
    assert asked(tmp_path, 4.0)[0] == "9.0"
    asked(tmp_path, 4.0)
    assert asked(tmp_path, 5.0) == ["11.0", "1", "False"]


@pytest.mark.parametrize("before", [NOWHERE, FULL], ids=["nowhere", "full"])
def test_a_disk_that_takes_nothing_is_no_hindrance(tmp_path: Path, before: str) -> None:
    assert asked(tmp_path, 3.0, before) == ["7.0", "0", "True"]
