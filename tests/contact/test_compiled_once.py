"""Every kernel compiles once, whatever maps come, to be written to or not, in whichever loop.

And once compiled it is one kernel: fresh from the compiler or loaded again, it gives the same bits.
"""

import subprocess
import sys
from pathlib import Path

import pytest
from started import SURROUNDINGS

WORK = """
import hashlib
import sys
from dataclasses import replace
from math import radians

import numpy as np
from numba.core.dispatcher import Dispatcher

from lapwright.contact.pressure import bearing
from lapwright.integration.loop import lap
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.specification.curves import FigureEight
from lapwright.specification.plate import StartForm
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate

a = Plate(Disc(0.16), mass=6.0, form=StartForm(sphere=3e-6), cells=80, name="A")
grit = Grit("g", 60e-6, Wear(iron=1e-11), Layer(3e-6))
turned = Step("A", "B", grit, curve=FigureEight(0.08, 0.04), pace=1.0, turn=Turn(radians(8.0)), time=300.0)
still = replace(turned, turn=Turn())
bits = hashlib.sha256()
for cells in (80, 50):  # equal grids lie cell on cell where nothing turns; others do not
    plates = {"A": a, "B": replace(a, name="B", cells=cells)}
    bent = [replace(step, bends=True) for step in (still, turned)]
    for step in (still, turned, *bent):
        moments = list(lap(plates, [step]))
        list(lap(plates, [step], after=moments[1]))
        writable = {name: np.array(z) for name, z in moments[-1].heights.items()}
        for z in moments[-1].heights.values():
            bits.update(z.tobytes())
        bearing(plates, step, heights=moments[-1].heights, phase=0.3)
        bearing(plates, step, heights=writable)
        bearing(plates, step)
found = [
    (name, kernel)
    for name, module in list(sys.modules.items())
    if name.startswith("lapwright.contact.")
    for kernel in vars(module).values()
    if isinstance(kernel, Dispatcher) and kernel.py_func.__module__ == name
]
print(bits.hexdigest())
for name, kernel in found:
    print(f"{name}.{kernel.py_func.__name__}", len(kernel.signatures))
"""


CALLED = {"lapwright.contact.wear._turned", "lapwright.contact.wear._shifted"}
OF_BODIES = 2  # what is called: once for bodies that keep their shape, once for bodies that bend


def worked(folder: Path, **more: str) -> tuple[str, dict[str, int]]:
    """In a process of its own: a digest of all faces, and of each kernel how many signatures it has."""
    (folder / "work.py").write_text(WORK, encoding="utf-8")
    command = [sys.executable, str(folder / "work.py")]
    done = subprocess.run(
        command, env=SURROUNDINGS | more, capture_output=True, text=True, check=True
    )
    bits, *lines = done.stdout.splitlines()
    return bits, {name: int(count) for name, count in (line.split() for line in lines)}


@pytest.mark.campaign
def test_a_kernel_that_is_called_has_one_signature(tmp_path: Path) -> None:
    """Loaded, a kernel tells of itself and not of what it calls inside."""
    _, seen = worked(tmp_path)
    assert {name for name, count in seen.items() if count == OF_BODIES} >= CALLED
    assert max(seen.values()) == OF_BODIES, seen


@pytest.mark.long
def test_every_kernel_has_one_signature_and_the_same_bits_when_loaded_again(tmp_path: Path) -> None:
    bits, seen = worked(tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "kernels"))
    assert {name: count for name, count in seen.items() if count != 1} == dict.fromkeys(
        CALLED, OF_BODIES
    )
    assert worked(tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "kernels"))[0] == bits
