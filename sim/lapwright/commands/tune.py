"""`lapwright tune`: finds stroke, turn and swaps for a goal, laps the best in full, writes a new study."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from lapwright.commands.options import Parser, add_many, crew_of, many_of, stopped, study_file
from lapwright.commands.terminal import Speaker, Tally, aside, typed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lapwright.optimisation.jobs import Store
    from lapwright.optimisation.track import Tuning
    from lapwright.optimisation.work import Many
    from lapwright.study.model import Study

EXAMPLE = """\
example:
  lapwright tune tune-the-swaps.toml                 searches, laps the best in full, writes a new study
  lapwright tune tune-the-swaps.toml --samples 100   how sure that is: wear, hand and faces drawn 100 times
  lapwright tune tune-the-swaps.toml --resume        goes on where you stopped it with Ctrl-C
"""
PAGE = "tune.html"
MOST_WORKERS = 256
STAGES = {
    "search": "worked out",
    "confirm": "lapped",
    "sensitivity": "lapped with a key a little off",
    "samples": "lapped as drawn",
}


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="STUDY", help="a study with [goal] and [tune.free]")
    add_many(parser, "tune", "search")
    parser.flag("--no-page", "no page, only the new study")


def main(args: argparse.Namespace) -> int:
    """Search and lap; returns the exit code."""
    from lapwright.files import taken
    from lapwright.optimisation.askable import check_goal
    from lapwright.optimisation.jobs import PLAN, Store
    from lapwright.study.read import load

    many = many_of(args)
    study = load(study_file(args.file))
    check_goal(study)
    many.check(study)
    place = Path(args.out) if args.out else Path(f"{study.stem}-tune")
    with taken(place, "tune", args.resume or args.force, (PLAN,)) as folder:
        store = Store(folder)
        many.begin(store, study, resume=args.resume, answers=(PAGE, _written(store, study).name))
        takes = _takes(study, store, many, args)
        got = _tuned(study, store, many, args)
        if got.outcome == "interrupted":
            say = Speaker(args.json)
            return stopped("tune", f"{got.simulated} lapped in full", args, say)
        if got.answer is None:
            folder.clear()  # a folder that was made for nothing
        else:
            _write(got, store, args)
        return _answer(got, store, args, takes)


def _takes(
    study: Study, store: Store, many: Many, args: argparse.Namespace
) -> Mapping[str, float] | None:
    """What a search may take, said where it is much."""
    from lapwright.commands.session import crew_beforehand
    from lapwright.optimisation.cases import drawn
    from lapwright.optimisation.tune import AT_ONCE, LATER

    coarse = study
    if many.cells is not None:
        coarse = replace(
            study,
            plates={n: replace(p, cells=min(p.cells, many.cells)) for n, p in study.plates.items()},
        )
    # About: in its rounds, with each key a little off, and as drawn.
    keys = len(study.tuned.free) if study.tuned is not None else 0
    laps = 1 + AT_ONCE + 2 * LATER + 2 * keys
    kinds = [([coarse], laps)]
    if many.samples:
        kinds.append(([drawn(coarse, 1, many.tolerance)], many.samples))
    return crew_beforehand(kinds, coarse, store.path, args)


def _written(store: Store, study: Study) -> Path:
    """Where the new study lies."""
    return store.path / f"{study.stem}-tuned.toml"


def _tuned(study: Study, store: Store, many: Many, args: argparse.Namespace) -> Tuning:
    from lapwright.commands.session import stopping
    from lapwright.optimisation.jobs import WORK
    from lapwright.optimisation.tune import tuned

    stages = Stages()
    with stopping() as stop, crew_of(args, MOST_WORKERS) as crew:
        try:
            return tuned(
                study,
                crew,
                samples=many.samples,
                tolerance=many.tolerance,
                cells=many.cells,
                store=store.path / WORK,
                stop=lambda: stop.asked,
                tell=stages.show,
            )
        finally:
            stages.close()


class Stages:
    """How far each stage of the work is, one after the other."""

    def __init__(self) -> None:
        self.stage = ""
        self.tally: Tally | None = None

    def show(self, stage: str, done: int, of: int) -> None:
        """So many `of` so many are done in a stage."""
        if self.tally is None or stage != self.stage:
            self.close()
            self.stage, self.tally = stage, Tally(of, verb=STAGES[stage])
        self.tally.total = of
        self.tally.show(done)

    def close(self) -> None:
        """Take the bar away."""
        if self.tally is not None:
            self.tally.close()
            self.tally = None


def _write(got: Tuning, store: Store, args: argparse.Namespace) -> None:
    """The new study; the other schedules as studies; the page."""
    from lapwright.files import put_in_place
    from lapwright.optimisation.jobs import MEMBERS
    from lapwright.presentation.tuning_notes import study_text

    written = _written(store, got.study)
    if got.new is not None:
        put_in_place(written, study_text(got, got.new, written).encode("utf-8"))
    wide = len(str(len(got.candidates)))
    others = {
        f"{MEMBERS}/{number:0{wide}d}-{got.study.stem}.toml": way
        for number, way in enumerate(got.candidates[1:] if got.outcome != "refused" else (), 2)
    }
    store.folder.claim(others)
    for name, way in others.items():
        path = store.path / name
        put_in_place(path, study_text(got, way, path).encode("utf-8"))
    members = store.path / MEMBERS
    if members.is_dir() and not any(members.iterdir()):
        members.rmdir()
    if not args.no_page:
        from lapwright.presentation.tuning import tuning_page

        put_in_place(store.path / PAGE, tuning_page(got, written).encode("utf-8"))


def _answer(
    got: Tuning, store: Store, args: argparse.Namespace, takes: Mapping[str, float] | None
) -> int:
    """Say what was found; returns the exit code."""
    say, found = Speaker(args.json), got.outcome == "found"
    written = _written(store, got.study) if got.new is not None else None
    if got.answer is not None:
        say(got.text())
    else:
        for refused in got.refused:
            aside(f"lapwright: {refused.key or 'goal'}: {refused.message}")
    say.json({**got.told(written), "budget": takes})
    if got.answer is not None:
        say.next(*_next(got, written, store, args))
    return 0 if found else 1


def _next(
    got: Tuning, written: Path | None, store: Store, args: argparse.Namespace
) -> list[tuple[str, object]]:
    """What to open and what to type next."""
    lines: list[tuple[str, object]] = []
    lines += [] if args.no_page else [("Open in a browser", store.path / PAGE)]
    if written is not None:
        lap = "Lap it" if got.outcome == "found" else "Lap the nearest all the same"
        return [*lines, ("The new study", written), (lap, typed("run", written))]
    if got.outcome == "refused":
        again = ["tune", args.file, *(["--out", args.out] if args.out else []), "--force"]
        return [*lines, ("Mend the study, and ask again", typed(*again))]
    return [*lines, ("What each gauge shows of it", typed("gauge", args.file))]
