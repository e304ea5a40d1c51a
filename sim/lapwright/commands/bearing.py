"""`lapwright bearing`: where the top bears, how hard, and whether it tips."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.answer import Speaker, print_json, troubles_in, typed, wrapped
from lapwright.commands.places import changed_since, run_file
from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.lapping.bearing import Bearing
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]

EXAMPLE = """\
example:
  lapwright bearing first-pair.toml                     the worst place of the first step, faces as they come
  lapwright bearing first-pair-run                      the same with the faces at the end of a run
  lapwright bearing first-pair.toml --phase 90 --out bears.png
"""


@dataclass(frozen=True)
class Asked:
    """What to look at: a study, one of its steps with who lies where, and faces other than the first.

    `mind`: what to say first of a run whose study has changed.
    """

    study: Study
    number: int
    step: Step
    heights: Mapping[str, Any] | None
    when: str
    mind: str | None = None


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="a study, a run's folder, or the run.h5 in it")
    parser.add_argument(
        "--step", type=_step, metavar="N", help="which step, from 1 (default: the first; of a run, the last)"
    )
    parser.add_argument(
        "--phase",
        type=_degrees,
        metavar="DEG",
        help="place in the first stroke, 0 to 360 (default: the worst)",
    )
    parser.add_argument("--out", metavar="PNG", help="write a picture too, such as bears.png")
    parser.add_argument("--force", action="store_true", help="write over a picture that is there")


def _step(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not the number of a step: write 1, 2, ...")
    return int(text)


def _degrees(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -360.0 <= value <= 360.0:
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a place in the stroke: write degrees from 0 to 360"
        )
    return value * pi / 180.0


def main(args: argparse.Namespace) -> int:
    """Settle the top; returns the exit code."""
    asked = _asked(Path(args.file), args.step)
    picture = Path(args.out) if args.out else None
    if picture is not None and os.path.exists(picture) and not args.force:
        raise CommandError(
            f"{picture} is there already: add --force to write over it", key="--out", code="exists"
        )
    from lapwright.lapping.bearing import bearing
    from lapwright.lapping.outlook import outlook

    study = asked.study
    with troubles_in(study.units):
        got = bearing(study.plates, asked.step, heights=asked.heights, phase=args.phase, number=asked.number)
    first = next(s for s in study.steps if s.grit.name == asked.step.grit.name)
    ahead = outlook(study.plates, asked.step, key=(study.seed, 1, asked.number), observed_in=first)
    if picture is not None:
        _draw(picture, study, got)
    say = Speaker(args.json)
    for line in wrapped(asked.mind or "", "", "  "):
        say(line)
    for line in _in_words(asked, got, ahead, args.phase is None):
        say(line)
    if args.json:
        print_json(_as_json(got, ahead))
    lines = (
        [("Open", str(picture))]
        if picture
        else [("A picture of it", typed("bearing", args.file, *_places(args), "--out", "bears.png"))]
    )
    if asked.heights is None:
        lines.append(("Lap it", typed("run", args.file)))
    say.next(*lines)
    return 0


def _places(args: argparse.Namespace) -> list[str]:
    """Step and place in the stroke as they were asked for, to be asked for again."""
    words = ["--step", str(args.step)] if args.step is not None else []
    return words + (["--phase", f"{args.phase * 180.0 / pi:.6g}"] if args.phase is not None else [])


def _asked(place: Path, wanted: int | None) -> Asked:
    """A study with its first faces, or a run with its last."""
    if not os.path.isdir(place) and place.suffix.lower() not in (".h5", ".hdf5"):
        from lapwright.study.read import load

        study = load(place)
        number = _checked(wanted or 1, study)
        return Asked(study, number, study.steps[number - 1], None, "faces as they come")
    from lapwright.study.read import parse
    from lapwright.study.runfile import read_run

    path = run_file(place)
    run = read_run(path)
    study = parse(run.study_text, run.study_stem, maps=False)
    last = int(run.step[-1])
    number = _checked(wanted or last, study)
    step = study.steps[number - 1]
    if number == last:
        step = replace(step, top=run.top[-1], bottom=run.bottom[-1])
    heights = {name: record.frames[-1] for name, record in run.plates.items()}
    return Asked(study, number, step, heights, "faces at the end of the run", changed_since(path, run))


def _checked(number: int, study: Study) -> int:
    if number > len(study.steps):
        there = f"{len(study.steps)} step{'s' if len(study.steps) > 1 else ''}"
        raise CommandError(f"--step {number}: {study.stem} has {there}", key="--step")
    return number


def _as_json(got: Bearing, ahead: Outlook) -> dict[str, Any]:
    return {
        "step": got.step,
        "phase": got.phase,
        "pressure_peak": got.pressure_peak,
        "pressure_mean": got.pressure_mean,
        "contact_share": got.contact_share,
        "tilt": list(got.tilt),
        "tipping_margin": got.tipping_margin,
        "overhang": got.overhang,
        "overhang_stroke": ahead.overhang,
        "lift_off_overhang": ahead.lift_off_overhang,
    }


def _in_words(asked: Asked, got: Bearing, ahead: Outlook, worst: bool) -> list[str]:
    from lapwright.report import words
    from lapwright.report.beforehand import limit

    units = asked.study.units
    where = f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke"
    if worst:
        where = f"in the worst place of the stroke ({got.phase * 180.0 / pi:.0f} degrees)"
    lines = [
        f"{asked.study.title}: step {asked.number}, {asked.when}",
        "",
        words.sentence(
            words.bears(
                where, got.top, got.bottom, got.contact_share, got.pressure_mean, got.pressure_peak, units
            )
        ),
    ]
    if got.contact_share < 0.9995:
        lines.append(words.sentence(f"{got.top} lifts off the rest there."))
    lines.append(
        f"There it {_edge(got.overhang, units)}, and in this step it {_edge(ahead.overhang, units)} at most; "
        f"flat faces begin to lift {limit(ahead.edge.limits.lift, asked.step, units)}."
        if ahead.overhang > 0.0
        else f"It {_edge(ahead.overhang, units)} all through this step; flat faces begin to lift "
        f"{limit(ahead.edge.limits.lift, asked.step, units)}."
    )
    lines.append(
        f"It stands: the load could move out by {words.length(got.tipping_margin, units)} before it tips."
    )
    return lines


def _edge(overhang: float, units: str) -> str:
    """How far the top hangs over the edge, or stays inside it."""
    from lapwright.report import words

    if overhang > 0.0:
        return f"hangs over the edge by {words.length(overhang, units)}"
    return f"stays inside the edge by {words.length(overhang, units)}"


def _draw(path: Path, study: Study, got: Bearing) -> None:
    from lapwright.report.pictures import bearing_picture
    from lapwright.study.safefile import put_in_place

    content = bearing_picture(
        got.pressure,
        study.plates[got.bottom],
        study.plates[got.top],
        c=got.c,
        theta=got.theta,
        peak=got.pressure_peak,
        mean=got.pressure_mean,
        share=got.contact_share,
        title=f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke",
        units=study.units,
    )
    put_in_place(path, memoryview(content))
