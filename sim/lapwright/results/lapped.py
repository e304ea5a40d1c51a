"""A study lapped from beginning to end in this process, and one swept over keys, for who writes Python."""

from __future__ import annotations

import platform
import re
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright import __version__
from lapwright.errors import CommandError, NoOverlapError, TippedError
from lapwright.lapping.schedule import rubbing_time
from lapwright.results.answer import troubles_in
from lapwright.study.recorder import Heading, Recorder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lapwright.planning.comparison import Comparison
    from lapwright.planning.crew import Crew
    from lapwright.study.model import Study
    from lapwright.study.record import Run

__all__ = ["heading", "lapped", "swept"]

LIBRARIES = ("numpy", "scipy", "numba", "h5py", "matplotlib")


def heading(study: Study) -> Heading:
    """What stands at the head of a run file."""
    versions = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "unknown"
    return Heading(
        f"lapwright {__version__}", dict(sorted(versions.items())), study.seed, study.text, study.stem
    )


def lapped(study: Study, progress: Callable[[float], None] | None = None, threads: int = 1) -> Run:
    """Lap a study; a top that tips is told by the outcome.

    `progress` is called with the share of the time that is lapped (0 to 1), now and then.

    Raises
    ------
    TippedError, NoOverlapError
        Where the very first strokes tip the top off.
    SettleError
        Where the top does not settle at some place.

    """
    from lapwright.lapping.run import lap
    from lapwright.study.bearings import bearings_of

    begun = time.monotonic()
    recorder = Recorder(study.plates, study.margin)
    total = rubbing_time(study.steps, study.rounds)
    outcome = ""
    moments = lap(
        study.plates, study.steps, rounds=study.rounds, seed=study.seed, margin=study.margin, threads=threads
    )
    with troubles_in(study.units):
        try:
            for moment in moments:
                recorder.take(moment)
                if progress is not None:
                    progress(min(moment.clock.time / total, 1.0))
        except (TippedError, NoOverlapError):
            if recorder.last is None:
                raise
            outcome = "tipped"
    last = recorder.last
    assert last is not None
    bearings = bearings_of(study, last)
    return recorder.run(heading(study), outcome or last.outcome or "done", time.monotonic() - begun, bearings)


def swept(study: Study, axes: Mapping[str, Sequence[Any]], workers: int = 1) -> Comparison:
    """Lap a study once for every value of a key, or of every pair of values of two.

    `axes`: dotted keys as in a study file, of one step ("steps.1.stroke.overhang") or of every step
    ("stroke.overhang"), each with its values as typed.

    Raises
    ------
    StudyError
        A key or a value that no step takes.
    CommandError
        Keys of more than one step.

    """
    from lapwright.planning.carry_out import carry_out, jobs_of, meaningless
    from lapwright.planning.comparison import compared
    from lapwright.planning.draws import Tolerance
    from lapwright.planning.members import members_of
    from lapwright.planning.store import Store
    from lapwright.study.read import document_of, parse_document

    document = {key: value for key, value in document_of(study.text).items() if key != "variants"}
    document["sweep"] = _sweep(axes)
    planned = parse_document(document, study.stem, study.folder, text=study.text)
    members = members_of(planned, document, study.folder)
    head = heading(study)
    tolerance = Tolerance()
    jobs = jobs_of(
        members, 0, tolerance, lambda member: replace(head, study_text=member.text, study_stem=member.stem)
    )
    with tempfile.TemporaryDirectory() as folder, _crew(workers) as crew:
        store = Store(Path(folder) / "sweep")
        store.begin({}, members)
        found = carry_out(jobs, members, crew, store, lambda: False, lambda done: None)
    return compared(planned, members, [*meaningless(members), *found], tolerance)


def _sweep(axes: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """The table [sweep] of a study, from keys that may name their step."""
    steps, found = set(), {}
    for key, values in axes.items():
        named = re.fullmatch(r"steps\.(\d+)\.(.+)", key)
        steps.add(int(named[1]) if named else None)
        found[named[2] if named else key] = list(values)
    if len(steps) > 1:
        raise CommandError(
            f"{', '.join(axes)}: keys of one step, or of every step, can be swept together", key="sweep"
        )
    step = steps.pop() if steps else None
    return found if step is None else {"step": step, **found}


def _crew(workers: int) -> AbstractContextManager[Crew]:
    from lapwright.planning.crew import processes

    return _here() if workers <= 1 else processes(workers)


@contextmanager
def _here() -> Iterator[Crew]:
    """A crew of one in this process."""
    from lapwright.planning.crew import Crew

    with ThreadPoolExecutor(1) as pool:
        yield Crew(pool, 1)
