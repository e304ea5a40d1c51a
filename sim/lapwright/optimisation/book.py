"""The book of a pair, from Python; and a practice shop that a seed decides.

book = lw.Book("mine.toml")
book.add(done={"step": 1, "strokes": 600}, readings=["sph A 0.35 um"])
book.now.form("A", "sphere")         # middle, low and high [m]
book.next().step

A practice shop: hidden plates, a hidden grit and hidden gauges that a seed decides, lapped and read.

It is drawn from what the study says is not known and lapped as the book laps its members, with a discrepancy
of its own; so whoever laps here meets what the book believes in.

The next spell as a study of its own: the faces as they are believed now, and that one step.  A face goes in
by its named sizes; where what is believed of it holds more than those, as a map.  What comes out reads back
by the one reader of studies, so `run` takes it as it stands.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.errors import CommandError
from lapwright.kinematics.schedule import kappa, settled
from lapwright.machine import one_thread
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import form_names
from lapwright.optimisation.advise import Advice, advise
from lapwright.optimisation.bench import Bench, Target, bench_of, equipped, flatness, target_of
from lapwright.optimisation.entry import Entry, append, entries_of, log_of, take_back
from lapwright.optimisation.history import Chapter, chapters, looked_back, taken_in
from lapwright.optimisation.lain import alike, name_of
from lapwright.optimisation.parts import apart, plan_of
from lapwright.optimisation.shop import DAY, REST, Knowledge, one_normal
from lapwright.optimisation.sight import sight_of, weighed
from lapwright.optimisation.sizing import Sizing, sizing_of
from lapwright.optimisation.spell import HANDS, new_day, off_by, workable
from lapwright.specification.plate import Measured as MeasuredMap
from lapwright.specification.plate import StartForm
from lapwright.specification.quantities import LENGTH
from lapwright.specification.said import Constructed
from lapwright.specification.step import Grit, Step, Wear
from lapwright.study.faces import held
from lapwright.study.model import Study
from lapwright.study.objects import tables_of_objects
from lapwright.study.read import load, parse
from lapwright.study.sizes import put_size
from lapwright.study.source import document_of, text_of
from lapwright.study.write import written
from lapwright.units import Units

Array = NDArray[np.float64]

DRAWS = 2000
FLAT_DRAWS = 400
STREAM = 0x6E6F77


@dataclass(frozen=True)
class Band:
    """A quantity in SI: its `middle`, and the ends within which it lies in 95 of 100 shops."""

    middle: float
    low: float
    high: float

    @classmethod
    def of(cls, values: Array) -> Band:
        """The band of draws."""
        low, middle, high = np.quantile(values, [0.025, 0.5, 0.975])
        return cls(float(middle), float(low), float(high))


class Now:
    """Where plates, grits and gauges stand, as far as is known."""

    def __init__(self, bench: Bench, known: Knowledge, number: int) -> None:
        self.bench = bench
        self.known = known
        self._shops = known.draw(DRAWS, bench.rng(number, STREAM))[0]
        self._read = self._shops + bench.layout.hang

    @one_thread()
    def form(self, plate: str, form: str) -> Band:
        """A form of a plate as it is read, on its feet [m], signed; "flatness" among them.

        Raises
        ------
        CommandError
            When there is no such plate, or one does not speak of this form on it.

        """
        plates = self.bench.layout.plates
        if plate not in plates:
            raise CommandError(
                f"there is no plate {plate}: here are {', '.join(plates)}", key="plate"
            )
        if form == "flatness":
            return Band.of(flatness(self.bench.layout, plate, self._read[:: DRAWS // FLAT_DRAWS]))
        spoken = form_names(plates[plate])
        if form not in spoken:
            raise CommandError(
                f"{plate} has {', '.join(spoken)} and flatness, no {form}", key="form"
            )
        return Band.of(self._read @ self.bench.layout.form_rows(plate)[spoken.index(form)])

    def wear(self, grit: str, plate: str) -> Band:
        """How many times as fast as the study says a grit cuts a plate."""
        layout = self.bench.layout
        return Band.of(
            np.exp(self._shops[:, layout.wear(grit, layout.plates[plate].material.name)])
        )

    def layer(self, grit: str) -> Band:
        """How far the layer of a grit gives [m]."""
        depth = self.bench.grits[grit].layer.depth
        return Band.of(depth * np.exp(self._shops[:, self.bench.layout.layer(grit)]))

    @one_thread()
    def reached(self, goal: Target) -> float:
        """Chance that a goal is reached."""
        return float(goal.reached(self.bench.layout, self._shops[:: DRAWS // FLAT_DRAWS]).mean())


class Book(metaclass=Constructed):
    """A study and its log; `log`: where it stands, STEM.log.toml beside the study when None.

    A study that names no gauges is read with those that are usual for its plates (`usual_gauges`).
    """

    @one_thread()
    def __init__(
        self, study: str | Path | Study, log: str | Path | None = None, threads: int = 1
    ) -> None:
        typed = study if isinstance(study, Study) else load(study)
        self.typed = typed
        typed, self.batch = apart(typed)
        self.study, self.usual_gauges = equipped(typed), not typed.gauges
        home = log_of(Path(study)) if not isinstance(study, Study) else None
        self.log = Path(log) if log is not None else home
        self.threads = threads
        entries: tuple[Entry, ...] = ()
        if self.log is not None and self.log.exists():
            entries = entries_of(text_of(self.log), self.study)
        self._take(entries)

    def _take(self, entries: Sequence[Entry]) -> None:
        self.entries = tuple(entries)
        self.bench = self._bench_of(self.entries)
        self.chapters: tuple[Chapter, ...] = tuple(chapters(self.bench, self.entries))

    def _bench_of(self, entries: Sequence[Entry]) -> Bench:
        """The bench for what was done, and for what may be advised: by another kind of grit, say."""
        return bench_of(self.study, entries, self._steps, self.threads, self.batch)

    @property
    def _steps(self) -> tuple[Step, ...]:
        """Those of the study, as they may be advised."""
        return tuple(workable(step, self.study.plates) for step in self.study.steps)

    @one_thread()
    def add(self, entry: Entry | Mapping[str, Any]) -> Chapter:
        """Take in one more entry and write it down: an `Entry`, or a table as it stands in a log.

        An `Entry` is taken in only for as long as this book lasts; a table is written to the log as well.

        Parameters
        ----------
        entry : Entry or mapping
            What was done and read; a mapping has the keys of [[spells]] in a log.

        Returns
        -------
        Chapter
            The entry with what was foretold and what is known since.

        Raises
        ------
        StudyError
            With every fault of the entry.
        CommandError
            A table, and this book has no log.
        CannotDoError
            The log cannot be written.

        """
        if isinstance(entry, Mapping):
            if self.log is None:
                raise CommandError(
                    "this book has no log: name one, Book(study, log=FILE)", key="log"
                )
            entries = append(self.log, entry, self.study)
        else:
            entries = (*self.entries, entry)
        bench = self._bench_of(entries)
        if entries[:-1] != self.entries or bench.layout.size != self.bench.layout.size:
            self._take(entries)  # another hand wrote in the log, or a grit is new here
            return self.chapters[-1]
        last = self.entries[-1] if self.entries else None
        self.entries, self.bench = entries, bench
        sizing = sizing_of(bench.study, entries[:-1])
        self.chapters += (taken_in(bench, len(entries), self.known, entries[-1], last, sizing),)
        return self.chapters[-1]

    @one_thread()
    def undo(self) -> bool:
        """Take the last entry back.

        Returns
        -------
        bool
            False where there is none.

        Raises
        ------
        CannotDoError
            The log cannot be written.

        """
        if self.log is not None and not take_back(self.log):
            return False
        if not self.entries:
            return False
        entries = self.entries[:-1]
        bench = self._bench_of(entries)
        if bench.layout.size != self.bench.layout.size:
            self._take(entries)  # nobody else names that grit
        else:
            self.entries, self.bench, self.chapters = entries, bench, self.chapters[:-1]
        return True

    def part_name(self, number: int) -> str:
        """What the face of a part of a batch is called among the plates here.

        Parameters
        ----------
        number : int
            Of the part, from 1.

        Returns
        -------
        str

        """
        assert self.batch is not None
        step = next(one for one in self.study.steps if self.batch.laps(one))
        return name_of(self.batch, alike(self.batch, step), number)

    @property
    def known(self) -> Knowledge:
        """All that is known, as numbers."""
        return self.chapters[-1].known if self.chapters else self.bench.prior

    @property
    @one_thread()
    def now(self) -> Now:
        """Where the plates stand."""
        return Now(self.bench, self.known, len(self.entries))

    @property
    @one_thread()
    def goal(self) -> Target:
        """What is to be reached: as the study says, or flat within 0.3 um."""
        first = next((k for k, e in enumerate(self.entries) if e.done is not None), None)
        came = self.chapters[:first]
        return target_of(self.bench, came=came[-1].known if came else None)

    @property
    def sizing(self) -> Sizing:
        """How thick plates are that are lapped to a size, and what is left to take."""
        return sizing_of(self.study, self.entries)

    @property
    def _told(self) -> Array:
        """Shops by which chances are told."""
        return self.known.draw(FLAT_DRAWS, self.bench.rng(len(self.entries), 4))[0]

    @one_thread()
    def next(self, steps: Sequence[Step] = ()) -> Advice:
        """Choose the next spell.

        Parameters
        ----------
        steps : sequence of Step
            What may be done; it is chosen among these and their like.  None: those of the study.

        Returns
        -------
        Advice
            The step to do, or why there is none.

        """
        if self.batch is not None:
            reached = float(self.goal.reached(self.bench.layout, self._told).mean())
            plan = plan_of(self.bench, self.batch, self.known, self.goal, self.entries)
            return Advice(None, "parts", reached, reached, plan=plan)
        done = [entry.done for entry in self.entries if entry.done is not None]
        allowed = tuple(workable(s, self.study.plates) for s in steps) or self._steps
        last = done[-1] if done else None
        taken: list[Reading] = []
        for entry in self.entries:
            kept = () if entry.done is not None else taken
            taken = [*(one for one in kept if one.plate not in entry.restart), *entry.readings]
        sizing, number = self.sizing, len(self.entries)
        allowed = tuple(map(sizing.pressed, allowed))
        goal = self.goal
        if self.chapters:
            past = looked_back(self.chapters, self.bench.rng(number, 5))
            goal = goal.spared(self.bench.layout, past)
        return advise(self.bench, self.known, goal, allowed, number, last, taken, sizing)


PRACTICE_STREAM = 0x73686F70  # sets these random numbers apart from others with the same seed


class PracticeShop:
    """One hidden shop on a bench; `truth` (size,) and which `hand` (1,) laps are what nobody there knows."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench = bench
        self.seed = seed
        self._rng = np.random.default_rng([seed, PRACTICE_STREAM])
        self.truth: Array = bench.prior.draw(1, self._rng)[0][0]
        self.hand = np.array([int(self._rng.integers(len(HANDS)))])
        self._spells = 0

    def lap(self, step: Step, any_hand: bool = False) -> None:
        """Do a step at the bench."""
        self._spells += 1
        layout = self.bench.layout
        spell = self.bench.spell(step, (self.seed, PRACTICE_STREAM, self._spells), any_hand)
        today = new_day(one_normal(self.truth, np.zeros((layout.size, layout.size))), layout)
        before = today.mean + self._rng.standard_normal(layout.size) * np.sqrt(
            np.diagonal(today.cloud[0])
        )
        ended = spell.lap(before, self.hand)
        self.truth = off_by(layout, spell.step, before, ended, self._rng)[0]

    def read(self, entry: Entry) -> Entry:
        """The same entry with what its gauges and scales show here."""
        sight = sight_of(self.bench.layout, entry.readings, self.bench.gauges)
        # What rounding adds comes of rounding, below, and once.
        steps = [self.bench.gauges[reading.gauge].resolution for reading in entry.readings]
        values, ways = np.linalg.eigh(sight.noise - np.diag(np.square(steps)) / 12.0)
        shown = sight.rows @ self.truth
        shown += ways @ (np.sqrt(np.maximum(values, 0.0)) * self._rng.standard_normal(len(values)))
        readings = []
        for reading, value, offset in zip(entry.readings, shown, self._offset(entry), strict=True):
            step = self.bench.gauges[reading.gauge].resolution
            value += offset
            readings.append(
                replace(reading, value=round(value / step) * step if step else float(value))
            )
        lost = {}
        if entry.lost:
            weights = weighed(self.bench.layout, entry.lost)
            depth = weights.rows @ self.truth
            depth += np.sqrt(np.diag(weights.noise)) * self._rng.standard_normal(depth.size)
            for (name, _), taken in zip(entry.lost.items(), depth, strict=True):
                plate = self.bench.layout.plates[name]
                lost[name] = max(0.0, float(taken) * plate.mass_per_depth)
        return replace(entry, readings=tuple(readings), lost=lost)

    def _offset(self, entry: Entry) -> Array:
        """What masters and flats put on each reading beside the face."""
        nought = tuple(replace(reading, value=0.0) for reading in entry.readings)
        return -sight_of(self.bench.layout, nought, self.bench.gauges).value


SMALL = 1e-4  # [m] smaller sizes are depths and grains
NAMED = ("grit", "size")  # grains are spoken of in um everywhere
SURE = 1.96  # standard deviations, for 95 in 100
KEPT = ("units", "seed", "edge_margin", "plates", "parts", "gauges")  # of the study


def next_study(book: Book, step: Step, parts: int = 0) -> Study:
    """The study of one spell from where a book stands, wear and layer of its grit as learnt.

    `parts`: of a batch, so many of which it is; they come as the study says.

    Raises
    ------
    StudyError
        When it cannot be said in a file.

    """
    typed = book.typed if parts else book.study
    document = document_of(typed.text)
    kept = {key: document[key] for key in KEPT if key in document}
    if parts:  # where they lie is said by [batch]
        batch = {key: value for key, value in document["batch"].items() if key != "dress"}
        kept |= {"batch": batch | {"count": parts}}
        kept |= {"goal": document["goal"]} if "goal" in document else {}
        step = replace(step, centre=typed.steps[book.study.steps.index(step)].centre)
    after = f"after entry {len(book.entries)}" if book.entries else "before the first entry"
    grit = _learnt(book, step)
    done = tables_of_objects({"steps": [replace(step, grit=grit, until=None)]})
    units = book.study.units
    done = {key: _readable(tables, units) for key, tables in done.items()}
    if book.usual_gauges and "gauges" in kept:
        kept["gauges"] = _readable(kept["gauges"], units)
    new = typed.batch.part if parts and typed.batch is not None else None
    for kind in ("plates", "parts"):
        if kind in kept:
            kept[kind] = {
                name: one if name == new else _as_believed(book, name, one)
                for name, one in kept[kind].items()
            }
    title = f"{book.study.title}: the next spell, {after}"
    note = (
        f"Written by lapwright {__version__} for {book.study.stem}.toml and its log, {after}:\n"
        "the faces as they are believed now (the middle of it), and the one spell that is advised."
    )
    text = written({"title": title} | kept | done, note)
    return parse(text, "next", book.study.folder)


def step_table(step: Step, units: Units) -> dict[str, Any]:
    """A step as it is typed at the bench, its grit by name."""
    table: dict[str, Any] = tables_of_objects({"steps": [step]})["steps"][0]
    readable: dict[str, Any] = _readable(table, units)
    return readable


def _readable(value: Any, units: Units) -> Any:
    """What a file says, its lengths and depths as a person with these units types them."""
    if isinstance(value, dict):
        return {k: one if k in NAMED else _readable(one, units) for k, one in value.items()}
    if isinstance(value, list):
        return [_readable(one, units) for one in value]
    typed = re.fullmatch(r"(-?[\d.e+-]+) (m|mm|um)", value) if isinstance(value, str) else None
    if typed is None:
        return value
    metres = float(typed[1]) * LENGTH.units[typed[2]]
    unit = units.small if 0.0 < abs(metres) < SMALL else units.long
    return f"{metres / unit.size + 0.0:.4g} {unit.name}"


def _learnt(book: Book, step: Step) -> Grit:
    """The grit of a step with wear and layer in the middle of what is believed."""
    bench, centre = book.bench, book.known.centre
    layout = bench.layout
    grit = settled(bench.grits[step.grit.name], layout.plates)
    bottom, top = (layout.plates[name] for name in (step.bottom, step.top))
    wears = {
        plate.name: _short(nominal * _factor(centre[layout.wear(grit.name, plate.material.name)]))
        for plate, nominal in zip((bottom, top), kappa(grit, bottom, top), strict=True)
    }
    depth = _short(grit.layer.depth * _factor(centre[layout.layer(grit.name)]))
    covariance = book.known.covariance
    at = [layout.wear(grit.name, plate.material.name) for plate in (bottom, top)]
    scatter = max(float(covariance[k, k]) for k in at) + DAY**2  # of the wear, on another day
    return replace(
        grit,
        wear=Wear(plates=wears),
        layer=replace(grit.layer, depth=depth),
        wear_within=float(f"{_factor(SURE * sqrt(scatter)):.2g}"),
    )


def _factor(logarithm: float) -> float:
    return float(np.exp(logarithm))


def _short(value: float) -> float:
    """As many figures as anybody reads."""
    return float(f"{value:.4g}")


def _as_believed(book: Book, name: str, table: dict[str, Any]) -> dict[str, Any]:
    """A plate's own table with the form that is believed now."""
    plate, layout, centre = book.study.plates[name], book.bench.layout, book.known.centre
    basis, names = layout.bases[name], form_names(plate)
    sizes = dict(zip(names, (layout.form_rows(name) @ centre).tolist(), strict=True))
    face = layout.heights(name, centre[None])[0]
    sized = replace(plate, form=StartForm(**sizes))
    if float(np.sqrt(np.square(face - basis.start(sized))[3:].sum())) > REST:
        form: dict[str, Any] = {"map": held(MeasuredMap(plate.grid, basis.on(plate.grid, face)))}
    else:
        form = dict(_typed(key, size, book.study.units) for key, size in sizes.items())
    one = book.sizing.found.get(name)
    if one is not None:
        put_size(table, one, book.study.units)
    return {key: value for key, value in table.items() if key != "form"} | {"form": form}


def _typed(form: str, size: float, units: Units) -> tuple[str, str]:
    """A form as one types it: a dome, or a dish, and the others with their sign."""
    key = {"sphere": "dome" if size >= 0.0 else "dish"}.get(form, form)
    shown = abs(size) if form == "sphere" else size
    unit = units.small
    return (
        key,
        f"{round(shown / unit.size, 4) + 0.0:g} {unit.name}",
    )  # to a tenth of a nanometre or less
