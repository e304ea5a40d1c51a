"""`import lapwright`: light, complete, and under that name alone."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import lapwright

ROOT = Path(lapwright.__file__).parents[1]
HEAVY = ("numpy", "numba", "scipy", "matplotlib", "h5py", "tomlkit", "jinja2")


def python(script: str, path: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", script],
        env={"PYTHONPATH": str(path), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )


def test_it_loads_nothing_heavy() -> None:
    script = (
        f"import sys, lapwright; dir(lapwright); print([m for m in {HEAVY} if m in sys.modules])"
    )
    done = python(script)
    assert done.stdout == "[]\n", done.stderr


@pytest.mark.parametrize("name", sorted(set(lapwright.__all__) - {"__version__"}))
def test_every_public_name_is_there_and_says_what_it_is(name: str) -> None:
    assert getattr(lapwright, name).__doc__
    assert name in dir(lapwright)


def test_there_are_few_public_names() -> None:
    assert len(lapwright.__all__) <= 30
    with pytest.raises(AttributeError, match=r"lapwright has no Plates: it has .*Plate, "):
        lapwright.Plates  # noqa: B018


def test_it_goes_by_no_other_name(tmp_path: Path) -> None:
    (tmp_path / "other").symlink_to(ROOT / "lapwright")
    done = python("import other", tmp_path)
    assert "this package is called lapwright, not other" in done.stderr
    assert "No module named 'sim'" in python("import sys; sys.path.pop(0); import sim").stderr
