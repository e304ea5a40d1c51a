"""tuned(study, crew): the schedule that reaches a goal at the least cost.

A search on the operator proposes, full simulation disposes: its best places are lapped in full, what that
says puts the operator right (`lapwright.planning.seek`), and so on until both agree.  The answer is the best
of all that were lapped in full.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from lapwright.errors import CommandError
from lapwright.planning.confirm import Bench
from lapwright.planning.crew import Crew
from lapwright.planning.draws import Tolerance
from lapwright.planning.hunt import Hunt
from lapwright.planning.journal import Journal
from lapwright.planning.knobs import Space
from lapwright.planning.members import with_cells
from lapwright.planning.track import asked_of
from lapwright.planning.tuning import Tuning
from lapwright.study.model import Study
from lapwright.study.read import document_of, parse_document

__all__ = ["check_goal", "tuned"]

NO_TUNE = (
    "{stem}.toml names no goal: write [tune] at its end, below it reach with what is to be reached, such as "
    'reach = {{ flatness = "0.3 um" }}, then [tune.free], and below that {free}'
)
NOTHING_FREE = "nothing may move: write [tune.free] at the end of the study, and below it {free}"
FREE = (
    "each key that may move with its bounds or choices, such as "
    '"steps.1.time" = ["10 min", "2 h"]; "steps.1.turn" = ["none", "8 deg per stroke"]'
)


def tuned(
    study: Study,
    crew: Crew,
    *,
    samples: int = 0,
    tolerance: Tolerance = Tolerance(),  # noqa: B008 (frozen)
    cells: int | None = None,
    store: Path | None = None,
    looks: int | None = None,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[str, int, int], None] = lambda stage, done, of: None,
) -> Tuning:
    """Search by the operator, confirm by full simulation.

    `cells` across the finest plate for all simulations; `store`: a file to keep finished simulations in, to
    go on from; `looks`: places that the first search looks at, if not the usual; `stop` is asked now and
    then; `tell(stage, done, of)`: stage is "search", "confirm", "sensitivity" or "samples".

    Raises
    ------
    CommandError
        The study has no [tune], or nothing in it may move.
    CannotDoError
        The workers do not work.

    """
    check_goal(study)
    document = document_of(study.text)
    if cells is not None:
        document = with_cells(document, study, cells)
        study = parse_document(document, study.stem, study.folder, text=study.text)
    assert study.goal is not None
    asked = asked_of(study.goal, study.plates)
    empty = Tuning(study, study.goal, asked, "refused", tolerance=tolerance, cells=cells)
    bench = Bench(crew, Journal(store) if store is not None else None, stop, tolerance)
    return Hunt(empty, Space(study, document, study.folder or Path()), bench, tell, looks).whole(samples)


def check_goal(study: Study) -> None:
    """Refuse a study without a goal, or in which nothing may move.

    Raises
    ------
    CommandError
        Says what to write.

    """
    if study.goal is None:
        raise CommandError(NO_TUNE.format(stem=study.stem, free=FREE), key="tune", code="missing")
    if not study.goal.free and not (study.goal.order and len(study.steps) > 1):
        raise CommandError(NOTHING_FREE.format(free=FREE), key="tune.free", code="nothing_free")
