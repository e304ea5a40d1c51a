"""Mutations: what would be wrong if a line of the program were, and the test that says so.

Those of the kernels stand in `test_mutations.py`, each a test of its own.  The others stand in
`mutations.toml`: a line of a module, what is put in its place, and the test that fails then.  They are made
on a copy of the package, never in the tree; the tests are those of the tree, run on the copy.
"""

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import lapwright

PACKAGE = Path(lapwright.__file__).parent
ROOT = Path(__file__).resolve().parents[2]
LIST = tomllib.loads(Path(__file__).with_name("mutations.toml").read_text("utf-8"))["mutation"]
IN_SHORT = "area of a disc by its radius"
SAMPLED = 12  # of the list a campaign makes one in so many, unless it is asked for all
LONGEST = 300.0  # [s] a test may hang where a line is wrong


def of_kernels() -> int:
    """How many `test_mutations.py` makes: its tests, each parameter of one for itself."""
    tree = ast.parse(Path(__file__).with_name("test_mutations.py").read_text("utf-8"))
    count = 0
    for one in tree.body:
        if not isinstance(one, ast.FunctionDef) or not one.name.startswith("test_"):
            continue
        if "monkeypatch" not in {arg.arg for arg in one.args.args} and "glass" not in str(
            [ast.unparse(mark) for mark in one.decorator_list]
        ):
            continue  # changes nothing
        marks = [mark for mark in one.decorator_list if "parametrize" in ast.unparse(mark)]
        count += len(ast.literal_eval(marks[0].args[1])) if marks else 1
    return count - 2  # of the kernels as they are, and of the mirror a second time, in whole runs


def test_there_are_sixty_and_each_can_be_made():
    assert of_kernels() == 12
    assert of_kernels() + len(LIST) >= 60
    assert len({(one["file"], one["new"]) for one in LIST}) == len(LIST)
    for one in LIST:
        text = (PACKAGE / one["file"]).read_text("utf-8")
        assert text.count(one["old"]) == 1, one
        assert one["old"] != one["new"]
        file, name = one["caught_by"].split("::")
        assert f"def {name}(" in (ROOT / file).read_text("utf-8"), one["caught_by"]


@pytest.mark.campaign
@pytest.mark.parametrize(
    "one",
    [
        pytest.param(
            one,
            id=one["what"],
            marks=[] if one["what"] == IN_SHORT else pytest.mark.campaign,
        )
        for one in LIST
    ],
)
def test_mutation_is_caught(tmp_path, one, request):
    sampled = LIST.index(one) % SAMPLED == 0 or one["what"] == IN_SHORT
    if not sampled and not request.config.getoption("--all-faults"):
        pytest.skip("made with --all-faults")
    copy = tmp_path / "sim" / "lapwright"
    # With what is compiled, which goes by the time of its source; not with what Python made of the module.
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("*.pyc"))
    file = copy / one["file"]
    file.write_text(file.read_text("utf-8").replace(one["old"], one["new"]), encoding="utf-8")
    words = ["-n", "0", "-x", "-rf", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pytest", *words),
            *("-o", f"pythonpath={copy.parent} {ROOT / 'tests'}", one["caught_by"]),
        ],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(copy.parent)},
        capture_output=True,
        text=True,
        timeout=LONGEST,
        check=False,
    )
    # Caught by a test that says so, not by a module that cannot be read any more.
    assert done.returncode == 1, done.stdout
    assert f"FAILED {one['caught_by']}" in done.stdout
