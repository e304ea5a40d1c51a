"""The program in a process of its own: waited for by what it says or leaves, never by the clock alone.

No wait here is a measure of speed.  Each has an end that only a process which hangs comes to, is then killed
and tells what it had said.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import lapwright

ROOT = Path(__file__).resolve().parents[1]
# A process of its own takes the program that is tested here: of these files, or as it was installed.
SURROUNDINGS = {**os.environ, "PYTHONPATH": str(Path(lapwright.__file__).parents[1])}
PATIENCE = 600.0  # [s] of wall time, for whatever takes seconds on a quiet machine


def program(*words: str) -> list[str]:
    """The command that starts the program with these words."""
    return [sys.executable, "-m", "lapwright", *words]


def run(*words: str, folder: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    """The program from its start to its end."""
    return subprocess.run(
        program(*words), cwd=folder, capture_output=True, text=True, check=False, env=SURROUNDINGS,
        timeout=PATIENCE, **more,
    )  # fmt: skip


@contextmanager
def under_way(command: list[str], **more: Any) -> Iterator[subprocess.Popen[str]]:
    """A process at work, with its output piped; gone when the context ends, however it ends."""
    settings = {
        "stdout": subprocess.PIPE,
        "stderr": subprocess.PIPE,
        "text": True,
        "env": SURROUNDINGS,
        **more,
    }
    with subprocess.Popen(command, **settings) as work:
        try:
            yield work
        finally:
            work.kill()  # does nothing to one that has ended


def wait_until(
    ready: Callable[[], object], what: str, work: subprocess.Popen[Any] | None = None
) -> None:
    """Look again and again until something is so; fail when the process has ended without it, or hangs."""
    until = time.monotonic() + PATIENCE
    while not ready():
        ended = work is not None and work.poll() is not None
        if ready():
            return
        if ended or time.monotonic() > until:
            why = (
                f"the process ended with {work.returncode}"
                if work and ended
                else f"after {PATIENCE:.0f} s"
            )
            pytest.fail(f"{what}: not so, {why}{_said(work)}")
        time.sleep(0.01)


def ended(work: subprocess.Popen[str]) -> tuple[str, str]:
    """What a process said on both streams, once it has ended by itself."""
    try:
        return work.communicate(timeout=PATIENCE)
    except subprocess.TimeoutExpired:
        work.kill()
        pytest.fail(f"it did not end in {PATIENCE:.0f} s{_said(work)}")


def _said(work: subprocess.Popen[Any] | None) -> str:
    if work is None:
        return ""
    work.kill()
    out, err = work.communicate()
    return f"; it said:\n{out}\n{err}"
