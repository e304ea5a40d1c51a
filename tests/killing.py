"""Runs that are killed outright, each at a moment of its own: `python killing.py STUDY < plan`.

The program is made ready once; for each kill the process makes a copy of itself, which laps until a given
number of moments were taken, and a while later is no more.  A copy that should die at its work does not come
to its end, however slow the machine is: some moments on it stands still and waits.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from typing import Any

FROM_THE_START, AT_THE_END = (
    0,
    -1,
)  # in place of a number of moments: before there is one, and after the last
ON = 8  # moments that it may still take


def die(delay: float) -> None:
    """Kill this process outright after a while [s]."""
    threading.Thread(
        target=lambda: (time.sleep(delay), os.kill(os.getpid(), signal.SIGKILL)), daemon=True
    ).start()


def lap(study: str, out: str, at: int, delay: float) -> int:
    """Lap with death ahead."""
    import hurry

    from lapwright.commands.main import main
    from lapwright.commands.session import Session
    from lapwright.results.recorder import Recorder

    take, work = Recorder.take, Session.work
    taken = 0

    def counted(self: Recorder, moment: Any) -> None:
        nonlocal taken
        take(self, moment)
        taken += 1
        if taken == at:
            die(delay)
        if at >= 0 and taken > at + ON:
            time.sleep(3600.0)

    def worked(self: Session) -> Any:
        outcome = work(self)
        if at == AT_THE_END:
            die(delay)
        return outcome

    Recorder.take, Session.work = counted, worked  # type: ignore[method-assign]
    hurry.search(hurry.HASTE)
    if at == FROM_THE_START:
        die(delay)
    return main(["run", study, "--out", out, "--no-page", "--checkpoint", "0"])


def one(study: str, out: str, at: int, delay: float) -> int:
    """How a copy of this process ended: its exit code, or less than 0 for the signal that killed it."""
    copy = os.fork()
    if copy == 0:
        code = 1
        try:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            code = lap(study, out, at, delay)
        finally:
            os._exit(code)
    _, status = os.waitpid(copy, 0)
    return os.waitstatus_to_exitcode(status)


if __name__ == "__main__":
    import lapwright.commands.run  # all that a run needs is here before the first copy is made
    import lapwright.results.runfile  # noqa: F401

    print(json.dumps([one(sys.argv[1], *kill) for kill in json.load(sys.stdin)]))
