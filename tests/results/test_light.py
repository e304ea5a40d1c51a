"""Reading a study is what `lapwright preview` waits for: it may import nothing heavy."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import lapwright

CHECK = """
import sys
sys.path.insert(0, {root!r})
from lapwright.study.read import parse
parse({text!r})
heavy = ("numba", "scipy", "matplotlib", "h5py", "llvmlite", "concurrent.futures.process")
print(",".join(name for name in heavy if name in sys.modules))
"""


def test_reading_imports_nothing_heavy():
    from study_typed import LONG

    root = str(Path(lapwright.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", CHECK.format(root=root, text=LONG)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == ""
