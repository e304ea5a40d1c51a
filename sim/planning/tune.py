"""tuned(study, document, crew): the schedule that reaches a goal at the least cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sim.planning.crew import Crew
from sim.planning.draws import Tolerance
from sim.planning.tuning import Tuning
from sim.study.model import Study

__all__ = ["tuned"]


def tuned(
    study: Study,
    document: Mapping[str, Any],
    crew: Crew,
    *,
    folder: Path | None = None,
    samples: int = 0,
    tolerance: Tolerance = Tolerance(),  # noqa: B008 (frozen)
    cells: int | None = None,
    store: Path | None = None,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[str, int, int], None] = lambda stage, done, of: None,
) -> Tuning:
    """Search by the operator, confirm by full simulation.

    `document` of the same study (`sim.study.read.document_of`); `folder`: where files that it names lie;
    `cells` across the finest plate for all simulations; `store`: a folder to keep finished simulations in, to
    go on from; `stop` is asked now and then; `tell(stage, done, of)`: stage is "search", "confirm",
    "sensitivity" or "samples".

    Raises
    ------
    CommandError
        The study has no [tune], or nothing in it may move.
    CannotDoError
        The workers do not work.

    """
    raise NotImplementedError
