"""The tutorial is typed through: every command, every answer and every change, and the answers are compared.

A fence ```console holds commands ($ ...) and what they show, `...` standing for anything; what stands behind
"] > " in a talk is what is typed.  ```console exit 2 holds wrong commands.  ```diff OLD NEW copies a study
with a line changed.
"""

from __future__ import annotations

import doctest
import io
import re
import shlex
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from lapwright.commands.main import main

pytestmark = pytest.mark.usefixtures("glanced")

PAGE = Path(__file__).resolve().parents[1] / "docs" / "first-hour.md"
FENCE = re.compile(r"^```(console|diff)(.*?)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
TYPED = re.compile(r"^ +\[[^\n]*\] > ?(.*)$", re.MULTILINE)


class Typed(NamedTuple):
    """One command: its words, what it should show, and its exit code."""

    command: str
    shown: str
    code: int


class Change(NamedTuple):
    """A study copied with lines changed."""

    old: str
    new: str
    lines: str


def acts(page: str) -> list[Typed | Change]:
    """What the page tells to do, in order."""
    found: list[Typed | Change] = []
    for kind, more, text in FENCE.findall(page):
        if kind == "diff":
            old, new = more.split()
            found.append(Change(old, new, text))
            continue
        code = int(more.split()[1]) if more.strip() else 0
        for part in re.split(r"^\$ ", text, flags=re.MULTILINE)[1:]:
            command, _, shown = part.partition("\n")
            found.append(Typed(command, shown, code))
    return found


def change(act: Change) -> None:
    """Do what an editor would."""
    text = Path(act.old).read_text()
    signs = [(line[0], line[2:]) for line in act.lines.splitlines()]
    gone = [line for sign, line in signs if sign == "-"]
    come = [line for sign, line in signs if sign == "+"]
    assert len(gone) == len(come) > 0
    for old, new in zip(gone, come, strict=True):
        found = [line for line in text.splitlines() if line == old or line.startswith(f"{old} ")]
        assert len(found) == 1, f"{act.old} has not the line {old} once"
        text = text.replace(found[0], new)
    Path(act.new).write_text(text)


def difference(want: str, got: str) -> str:
    """What differs, or nothing."""
    checker = doctest.OutputChecker()
    want, got = (
        re.sub(r"[ \t]+$", "", text, flags=re.MULTILINE).rstrip("\n") + "\n" for text in (want, got)
    )
    if checker.check_output(want, got, doctest.ELLIPSIS):
        return ""
    return checker.output_difference(
        doctest.Example("", want), got, doctest.ELLIPSIS | doctest.REPORT_NDIFF
    )


@pytest.mark.campaign
@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.long)])
def test_the_first_hour_can_be_typed_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], whole: bool
) -> None:
    """The whole hour, or its beginning: as far as the first run and the first change of a study."""
    monkeypatch.chdir(tmp_path)
    page = PAGE.read_text("utf-8")
    todo = acts(page)
    if not whole:
        todo = todo[: 1 + next(k for k, act in enumerate(todo) if isinstance(act, Change))]
    done = []
    for act in todo:
        if isinstance(act, Change):
            change(act)
            continue
        words = shlex.split(act.command)
        assert words[0] == "lapwright"
        monkeypatch.setattr(
            sys, "stdin", io.StringIO("".join(f"{line}\n" for line in TYPED.findall(act.shown)))
        )
        code = main(words[1:])
        told = capsys.readouterr()
        wrong = difference(act.shown, told.out + told.err)
        assert not wrong, f"$ {act.command}\n{wrong}"
        assert code == act.code, act.command
        done += words[1:2]
    assert {"new", "preview", "run"} <= set(done)
    if not whole:
        assert Path(todo[-1].new).is_file()
        return
    assert {"why", "bearing", "report"} <= set(done)
    named = set(re.findall(r"\b[\w-]+-(?:run|why)/[\w.]+", page))
    assert len(named) >= 3
    assert not [name for name in named if not Path(name).is_file()], (
        "every file that is named is there"
    )


@pytest.mark.parametrize(
    ("want", "got", "same"),
    [
        ("A 2.9 um off.\n", "A 2.9 um off.\n", True),
        ("A 2.9 um off.\n", "A 3.0 um off.\n", False),
        ("A ... off.\n...\nend\n", "A 2.9 um off.\nmore\nend\n", True),
        ("A ... off.\n", "A 2.9 um off.\nmore\n", False),
        ("one\ntwo\n", "one\n", False),
        ("[x] > \n", "[x] >\n", True),
    ],
)
def test_the_comparison_can_fail(want: str, got: str, same: bool) -> None:
    assert (difference(want, got) == "") == same


def test_every_fence_of_commands_is_typed() -> None:
    page = PAGE.read_text("utf-8")
    commands = re.findall(r"^\$ (lapwright.*)$", page, re.MULTILINE)
    assert [act.command for act in acts(page) if isinstance(act, Typed)] == commands
    assert len(commands) >= 10
    bare = re.findall(r"^```(\w*)", page, re.MULTILINE)
    assert set(bare) == {"console", "diff", ""}


def test_the_page_says_how_to_install_before_it_types_anything():
    """The same lines as the README's, for both kinds of system, for the Python that the package asks for."""
    page, root = PAGE.read_text(), PAGE.parents[1]
    head = page[: page.index("$ lapwright")]
    readme, project = ((root / name).read_text() for name in ("README.md", "pyproject.toml"))
    install = "python3 -m venv .venv && .venv/bin/pip install -q -e ."
    assert f"    {install} &&" in readme
    windows = install.replace("python3", "python").replace(".venv/bin/", ".venv\\Scripts\\")
    for lines in (
        f"    {install}\n    source .venv/bin/activate\n",
        f"    {windows}\n    .venv\\Scripts\\activate\n",
    ):
        assert lines in head
    (needed,) = re.findall(r'requires-python = ">=([\d.]+)"', project)
    assert f"Python {needed} or later" in head
