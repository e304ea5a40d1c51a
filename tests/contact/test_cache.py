"""Compiled kernels kept on the disk: damage is compiled anew, and a disk that takes nothing is no hindrance.

There is no outside source: the promise is our own.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from started import SURROUNDINGS

from lapwright.contact.compile import processor

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")

MODULE = """
import sys
from lapwright.contact.compile import kernel, uncached

@kernel
def twice(x):
    return 2.0 * x

@kernel
def more(x):
    return twice(x) + 1.015625

print(more(float(sys.argv[1])), sum(more.stats.cache_hits.values()), uncached())
"""
NOWHERE = "import numba.core.caching as c; c.CompileResultCacheImpl._locator_classes = []"
FULL = """import numba.core.caching as c
def full(*a): raise OSError(28, "No space left on device")
c.IndexDataCacheFile.save = full"""

# Each module asked for is run in a copy of this process, which has numba and its compiler, and no kernel.
BEGUN = """
import json, os, runpy, sys, traceback
import numba
numba.njit(lambda x: 2.0 * x + 1.0)(1.0)
for line in sys.stdin:
    folder, x, before = json.loads(line)
    if os.fork() == 0:
        try:
            os.chdir(folder)
            numba.config.CACHE_DIR = os.path.join(folder, "kept")
            sys.argv = ["small.py", str(x)]
            exec(before)
            runpy.run_path(os.path.join(folder, "small.py"))
        except BaseException:
            print(traceback.format_exc().replace("\\n", " | "))
        sys.stdout.flush()
        os._exit(0)
    os.wait()
"""
Asked = Callable[..., list[str]]


@pytest.fixture(scope="module")
def asked() -> Iterator[Asked]:
    """In a new process: the value, how often it found what was kept, whether it could not keep it."""
    command = [sys.executable, "-c", BEGUN]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=SURROUNDINGS
    ) as begun:
        assert begun.stdin is not None
        assert begun.stdout is not None

        def ask(folder: Path, x: float, before: str = "") -> list[str]:
            source = folder / "small.py"
            if not source.exists():  # written again it counts as edited for older numba
                source.write_text(MODULE)
            print(json.dumps([str(folder), x, before]), file=begun.stdin, flush=True)
            return begun.stdout.readline().split()

        yield ask
        begun.stdin.close()


@pytest.mark.campaign
def test_what_is_kept_is_found_again(asked: Asked, tmp_path: Path) -> None:
    assert asked(tmp_path, 3.0) == ["7.015625", "0", "False"]
    assert asked(tmp_path, 3.0) == ["7.015625", "1", "False"]


@pytest.mark.always("empty-.nbi")
@pytest.mark.parametrize("ending", [".nbi", ".nbc"])
@pytest.mark.parametrize("how", ["empty", "cut", "zeros", "flip"])
def test_a_damaged_cache_repairs_itself(
    asked: Asked, tmp_path: Path, ending: str, how: str
) -> None:
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
    assert asked(tmp_path, 4.0)[0] == "9.015625"
    asked(tmp_path, 4.0)
    assert asked(tmp_path, 5.0) == ["11.015625", "1", "False"]


def kept(folder: Path) -> dict[str, Path]:
    """The files of compiled code, by the kernel."""
    return {path.name.partition("-")[0]: path for path in (folder / "kept").rglob("*.nbc")}


@pytest.mark.campaign
def test_sound_code_of_another_number_is_never_believed(asked: Asked, tmp_path: Path) -> None:
    """What still loads and runs, but adds another number, is found by its digest alone."""
    mine, other = tmp_path / "mine", tmp_path / "other"
    for folder, number in ((mine, "1.015625"), (other, "1.03125")):
        folder.mkdir()
        (folder / "small.py").write_text(MODULE.replace("1.015625", number))
    assert asked(mine, 3.0) == ["7.015625", "0", "False"]
    assert asked(other, 3.0) == ["7.03125", "0", "False"]
    there, foreign = kept(mine), kept(other)
    assert there.keys() == foreign.keys()
    assert len(there) >= 1
    for name, path in there.items():
        right, wrong = path.read_bytes(), foreign[name].read_bytes()
        # Else what is put together here would be no file of ours, and refused for that.
        assert hashlib.sha256(right[32:]).digest() == right[:32]
        path.write_bytes(right[:32] + wrong[32:])
    assert asked(mine, 4.0) == ["9.015625", "0", "False"]


@pytest.mark.campaign
@pytest.mark.always("nowhere")
@pytest.mark.parametrize("before", [NOWHERE, FULL], ids=["nowhere", "full"])
def test_a_disk_that_takes_nothing_is_no_hindrance(
    asked: Asked, tmp_path: Path, before: str
) -> None:
    assert asked(tmp_path, 3.0, before) == ["7.015625", "0", "True"]


@pytest.mark.campaign
def test_another_kind_of_processor_has_another_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """By its name, or by what it can do: a virtual one may be called alike and lack the wide registers."""
    import numba

    names = {processor()}
    monkeypatch.setattr(numba.config, "CPU_FEATURES", "-avx512f")
    names.add(processor())
    monkeypatch.setattr(numba.config, "CPU_NAME", "generic")
    names.add(processor())
    assert len(names) == 3
