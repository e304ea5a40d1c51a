"""A study as the rest of the program sees it: everything in SI, nothing left to look up."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from lapwright.errors import CannotDoError, CommandError, Fault, StudyError, at_least_one
from lapwright.kinematics.schedule import rubbing_time
from lapwright.limits import TOLERANCE
from lapwright.machine import one_thread
from lapwright.metrology.form import EdgeMargin, margin_of
from lapwright.specification.batch import Batch
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import bench
from lapwright.specification.rates import ASKED_SIZE, Reader
from lapwright.specification.said import Frozen, RefusedError, Said, shown
from lapwright.specification.step import Step
from lapwright.specification.table import choice, text, whole
from lapwright.study.faces import Start
from lapwright.study.goal import Goal
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.integration.state import Settings, State
    from lapwright.metrology.instruments import Gauge
    from lapwright.metrology.reading import Reading
    from lapwright.optimisation.comparison import Comparison
    from lapwright.optimisation.track import Tuning
    from lapwright.results.answer import BearingAnswer, Preview
    from lapwright.results.gauge import GaugeAnswer
    from lapwright.results.record import Run
    from lapwright.results.why import Why
    from lapwright.study.bends import Bend

COSTS = ("time", "removed", "turns", "swaps", "work")


@dataclass(frozen=True)
class Variant:
    """One member of a comparison: `changes` to the keys of `step` (from 1; None: of every step), as typed."""

    name: str
    step: int | None
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Axis:
    """One key of a step and the values it takes in a sweep, as typed."""

    key: str
    values: tuple[Any, ...]


@dataclass(frozen=True)
class Sweep:
    """One or two keys of `step` (from 1; None: of every step) that are swept."""

    step: int | None
    axes: tuple[Axis, ...]


@dataclass(frozen=True)
class Free:
    """A key that may move: between `low` and `high`, or among `choices`; all as typed."""

    key: str
    low: str | None = None
    high: str | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Tune(Frozen):
    """How a goal is searched for: at `least` cost, by keys that are `free`; `order`: of the steps, too."""

    least: Said[str] = Said(choice(COSTS, "what is to be least"), "time")
    free: tuple[Free, ...] = ()
    order: bool = False


JUDGED_AT = ("metal", "end")
HOW_AT = 'write "metal", "end", or so much metal off, such as "2 um" or "80 millionths"'


def judged_at(value: Any) -> float | str:
    """Where ways of lapping are compared: "metal" (the same off all), "end" (of each), or metal off [m].

    Raises
    ------
    RefusedError
        It is none of them.

    """
    word = value.strip().lower() if isinstance(value, str) else ""
    if word in JUDGED_AT:
        return word
    try:
        return ASKED_SIZE(value)
    except RefusedError as trouble:
        raise RefusedError(f"{shown(value)} cannot be: {HOW_AT}", trouble.code) from None


def asked_at(at: float | str | None, units: Units, name: str = "at") -> float | str | None:
    """Where ways are to be compared, as a person says it at a bench of these units; `name`: what he typed.

    Raises
    ------
    CommandError
        It is no such place.

    """
    if at is None or (isinstance(at, float) and 0.0 < at < 1.0):
        return at
    try:
        with bench(units):
            return judged_at(at)
    except RefusedError as trouble:
        raise CommandError(f"{name}: {trouble.message}", key=name, code=trouble.code) from None


def _typed_at(value: float | str) -> str:
    return value if isinstance(value, str) else ASKED_SIZE.typed(value)


def _units(value: Any) -> Units:
    return Units(choice(tuple(Units), "a language of answers")(value))


@dataclass(frozen=True, repr=False)
class Study(Frozen):
    """What a study file means.

    `assumed`: every default that was taken, key such as "steps.1.pace" to the value as a person would
    type it; `typed`: every key that was said, such as "steps.1.turn_bottom".  `text`: the file, verbatim;
    `stem`: its name without folder and ending; `folder`: where files that it names lie.  `doubts`: causes of
    doubt of the start forms, each with how far [m] it moves which (plate, form) by one standard deviation.
    `start`: the run at whose end its faces come from; in Python a `Run`, or a path.  `goal`: what is to be
    reached; `tuned`: which keys `tune` may move for it.  `bending`: "on", "off",
    or None for where it matters.  `batch`: parts lapped one load after another; each load is a round, and
    `plates` then also holds the further parts of a load, each by a name of its own.  `at`: where its ways of
    lapping are compared, at the same metal off all ("metal", or how much [m]) or each at its own "end".
    """

    plates: Mapping[str, Plate]
    steps: tuple[Step, ...]
    title: Said[str] = Said(text, "", "")
    seed: Said[int] = Said(whole(0, 2**63 - 1, "a seed"), "0", 0)
    units: Said[Units] = Said(_units, "metric")
    rounds: Said[int] = Said(whole(1, 10_000, "a number of rounds"), "1", 1)
    margin: Said[EdgeMargin] = Said(margin_of, "2 %", bare=False)
    bending: Said[str | None] = Said(
        choice(("on", "off"), "a word on whether plates bend"), default=None
    )
    assumed: Mapping[str, str] = field(default_factory=dict)
    typed: tuple[str, ...] = field(default=(), compare=False)
    text: str = ""
    stem: str = field(default="study", compare=False)
    variants: tuple[Variant, ...] = ()
    swept: Sweep | None = None
    goal: Goal | None = None
    tuned: Tune | None = None
    gauges: Mapping[str, Gauge] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    doubts: tuple[Mapping[tuple[str, str], float], ...] = ()
    folder: Path | None = field(default=None, compare=False)
    start: Start | None = None
    batch: Batch | None = None
    at: Said[float | str] = Said(Reader(judged_at, _typed_at), "metal")

    def __init__(
        self,
        plates: Mapping[str, Plate | Mapping[str, Any]],
        steps: Sequence[Step | Mapping[str, Any]],
        title: str | None = None,
        seed: int | None = None,
        units: str | None = None,
        rounds: int | None = None,
        margin: EdgeMargin | str | None = None,
        bending: str | None = None,
        assumed: Mapping[str, str] | None = None,
        text: str = "",
        stem: str = "study",
        variants: Sequence[Variant | Mapping[str, Any]] = (),
        swept: Sweep | Mapping[str, Any] | None = None,
        goal: Goal | Mapping[str, Any] | None = None,
        gauges: Mapping[str, Gauge | Mapping[str, Any]] | None = None,
        readings: Sequence[Reading | Mapping[str, Any]] = (),
        doubts: Sequence[Mapping[Any, Any]] = (),
        folder: str | Path | None = None,
        *,
        tuned: Tune | Mapping[str, Any] | None = None,
        edge_margin: EdgeMargin | str | None = None,
        typed: tuple[str, ...] = (),
        start: Start | Run | Mapping[str, Any] | str | Path | None = None,
        batch: Batch | Mapping[str, Any] | None = None,
        at: float | str | None = None,
    ) -> None:
        head: dict[str, Any] = {"title": title, "seed": seed, "units": units, "rounds": rounds}
        parts: dict[str, Any] = {"variants": variants, "gauges": gauges or {}, "readings": readings}
        parts |= {"doubts": doubts, "start": start, "batch": batch}
        if assumed is None:
            # Said by a person: put down as a file would have it, and read like one, all faults at once.
            said = {
                "edge_margin": margin if edge_margin is None else edge_margin,
                "bending": bending,
                "sweep": swept,
                "goal": goal,
                "tune": tuned,
                "compare": None if at is None else {"at": _typed_at(at)},
            }
            parts = {key: part for key, part in parts.items() if part}
            read = self._read(
                {"plates": plates, "steps": steps, **head, **said, **parts}, stem, folder
            )
            self._put(**{one.name: getattr(read, one.name) for one in fields(read)})
            return
        self._put(
            plates=plates, steps=steps, **head, margin=margin, assumed=assumed, text=text, stem=stem
        )
        self._put(bending=bending, at="metal" if at is None else at)
        self._put(**parts, typed=typed, swept=swept, goal=goal, tuned=tuned, folder=folder)

    @property
    def laid(self) -> tuple[Step, ...]:
        """The steps as the first part of a batch goes through them, from its own station."""
        batch = self.batch
        if batch is None:
            return tuple(self.steps)
        return tuple(batch.station(s, 0) if batch.laps(s) else s for s in self.steps)

    @property
    def lasts(self) -> float:
        """How long all of it rubs [s]; a plate that is dressed when it reads so is taken as never dressed."""
        batch = self.batch
        if batch is None or batch.dress is None:
            return rubbing_time(self.steps, self.rounds)
        dresser = self.steps[batch.dress.step - 1]
        lapped = [step for step in self.steps if step is not dresser]
        times = batch.dress.times(batch)
        return rubbing_time(lapped, self.rounds) + rubbing_time([dresser], times)

    @cached_property
    def ahead(self) -> tuple[Outlook, ...]:
        """What each step will do in its first round, in closed form.

        Raises
        ------
        LapwrightError
            Where a step cannot be: the plates do not meet, the top tips, an observed wear cannot be read.

        """
        from lapwright.integration.estimate import outlooks

        return outlooks(self.plates, self.laid, seed=self.seed)

    def turns_bottom(self, number: int) -> bool:
        """Whether a step says that the bottom is turned; inside, somebody walks.

        Parameters
        ----------
        number : int
            Of the step, from 1.

        Returns
        -------
        bool

        """
        return f"steps.{number}.turn_bottom" in self.typed

    @property
    def carried(self) -> bool:
        """Whether a carrier takes parts round, which rubs the plate too."""
        return self.batch is not None and self.batch.carrier is not None

    @cached_property
    def bends(self) -> tuple[Bend, ...]:
        """How far the bodies of each step bend, one for each."""
        from lapwright.study.bends import bends_of

        return bends_of(self)

    @staticmethod
    def _read(
        said: Mapping[str, Any], stem: str, folder: str | Path | None, like: str = ""
    ) -> Study:
        """A study of what objects say, in place of what the text `like` says of the same."""
        from lapwright.study.objects import document_of_objects, plain, tables_of_objects
        from lapwright.study.read import parse_document
        from lapwright.study.source import document_of
        from lapwright.study.write import written

        needed = ("plates", "steps")
        left_out = {key for key, one in said.items() if one is None and key not in needed}
        said = {key: one for key, one in said.items() if key not in left_out}
        document = plain(
            document_of(like) | tables_of_objects(said) if like else document_of_objects(**said)
        )
        if like:
            document = {key: one for key, one in document.items() if key not in left_out}
        if "plates" in said:
            document.pop("parts", None)
        home = None if folder is None else Path(folder)
        return parse_document(document, stem, home, text=written(document, like=like))

    def replace(self, **changes: Any) -> Study:
        """A copy with some keys changed, read and checked anew; comments of its text stay.

        Parameters
        ----------
        **changes
            Keys as in the constructor.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            With every fault of what comes of it.

        """
        where = {
            "stem": changes.pop("stem", self.stem),
            "folder": changes.pop("folder", self.folder),
        }
        keys = {"margin": "edge_margin", "swept": "sweep", "tuned": "tune"}
        if "at" in changes:
            changes["compare"] = {"at": _typed_at(changes.pop("at"))}
        return self._read(
            {keys.get(key, key): value for key, value in changes.items()}, **where, like=self.text
        )

    # What a person with Python asks of a study; the program itself goes the long way round.

    @classmethod
    def read(cls, path: str | Path) -> Study:
        """Read a study file.

        Parameters
        ----------
        path : path
            Of a study file.

        Returns
        -------
        Study
            With what is usual where nothing is said.

        Raises
        ------
        StudyError
            With every fault of the file, or why it cannot be read at all.

        """
        from lapwright.study.read import load

        return load(path)

    @classmethod
    def from_dict(
        cls, document: Mapping[str, Any], stem: str = "study", folder: Path | None = None
    ) -> Study:
        """Make a study of what a file would say, as dictionaries and lists; sizes are text with a unit.

        Parameters
        ----------
        document : mapping
            Keys and tables as in a file.
        stem : str
            What runs of it are named by.
        folder : path, optional
            Where files that it names lie.

        Returns
        -------
        Study
            As if it had been read.

        Raises
        ------
        StudyError
            With every fault of it.

        """
        from lapwright.study.read import parse_document
        from lapwright.study.write import written

        if not isinstance(whole := cast(Any, document), Mapping):
            fault = Fault("", f"{shown(whole)} is no table of what a file holds", "type")
            raise StudyError([fault])
        return parse_document(document, stem, folder, text=written(document))

    def write(self, path: str | Path) -> None:
        """Write the study file, comments and all, over what is there; beside it, faces held in memory.

        Parameters
        ----------
        path : path
            Of the file.

        Raises
        ------
        CannotDoError
            When it cannot be written, or begins with a run that is in memory only.

        """
        from lapwright.files import put_beside
        from lapwright.study.faces import HOW_KEPT, REMEMBERED, held_in

        if self.start is not None and self.start.run.startswith(REMEMBERED):
            raise CannotDoError(f"this study begins with a run that is in memory only: {HOW_KEPT}")
        for name, surface in held_in(self.text).items():
            from lapwright.metrology.x3p import to_x3p

            put_beside(Path(path).with_name(name), to_x3p(surface))
        put_beside(Path(path), memoryview(self.text.encode("utf-8")))

    def states(
        self, after: State | None = None, threads: int = 1, settings: Settings | None = None
    ) -> Iterator[State]:
        """Lap it block by block, from the start or from the state `after`; heights in m, seen from the face.

        Parameters
        ----------
        after : State, optional
            A state to go on from.
        threads : int
            Of the processor; they change no bit.
        settings : Settings, optional
            How finely it is worked out; the usual ones if they are not given.

        Returns
        -------
        iterator of State
            One for each block of strokes.

        Raises
        ------
        CommandError
            `after` is no state of these plates.
        TippedError, NoOverlapError, SettleError
            At the place where the top tips, or does not settle.

        """
        from lapwright.integration.loop import lap
        from lapwright.integration.state import Settings

        at_least_one("threads", threads)
        if after is not None:
            self._check_state(after)
        return lap(
            self.plates,
            self.steps,
            rounds=self.rounds,
            seed=self.seed,
            margin=self.margin,
            threads=threads,
            after=after,
            settings=settings or Settings(),
            batch=self.batch,
        )

    @one_thread()
    def run(self, progress: Callable[[float], None] | None = None, threads: int = 1) -> Run:
        """Lap it to its end; `progress` is called with the share (0 to 1) that is done.

        Parameters
        ----------
        progress : callable, optional
            Called with the share that is done.
        threads : int
            Of the processor; they change no bit.

        Returns
        -------
        Run
            Its outcome is "tipped" where the top tipped on the way.

        """
        from lapwright.results.recorder import lapped

        at_least_one("threads", threads)
        return lapped(self, progress, threads)

    @one_thread()
    def sweep(
        self,
        axes: Mapping[str, Sequence[Any]],
        workers: int = 1,
        at: float | str | None = None,
    ) -> Comparison:
        """Lap it for every value of one or two keys, such as "steps.1.stroke.overhang".

        Parameters
        ----------
        axes : mapping
            One or two keys, each with its values as typed.
        workers : int
            Processes that lap at a time.
        at : float or str, optional
            Where they are compared, in place of what the study says, as in `compare`.

        Returns
        -------
        Comparison
            Members in the order of the values.

        """
        from lapwright.optimisation.work import sweep

        return sweep(self, axes, workers, asked_at(at, self.units))

    @one_thread()
    def compare(
        self,
        workers: int = 1,
        samples: int | None = None,
        tolerance: str = TOLERANCE,
        cells: int | None = None,
        folder: str | Path | None = None,
        at: float | str | None = None,
    ) -> Comparison:
        """Lap its variants and every point of its sweep.

        Parameters
        ----------
        workers : int
            Processes that lap at a time.
        samples : int, optional
            Draws of what is not known, each lapped in full; None for quick ones, 0 for none.
        tolerance : str
            How well start forms are known: a share ("10 %") or a size ("0.2 um").
        cells : int, optional
            Cells across each plate, for coarser ones.
        folder : path, optional
            Keeps what is done, and is gone on with when it is there.
        at : float or str, optional
            Where they are compared, in place of what the study says: "metal" (the same off all), so much
            metal off ("2 um", or a number [m]), or each at its "end".

        Returns
        -------
        Comparison
            Of variants and points of the sweep.

        """
        from lapwright.optimisation.work import Many, compare, tolerance_of

        quick = samples is None
        many = Many(samples or 0, tolerance_of(tolerance), cells, asked_at(at, self.units), quick)
        return compare(self, many, workers, folder)

    @one_thread()
    def tune(
        self,
        workers: int = 1,
        samples: int = 0,
        tolerance: str = TOLERANCE,
        cells: int | None = None,
        folder: str | Path | None = None,
    ) -> Tuning:
        """Search for its goal, and lap the best in full; the rest as in `compare`.

        Parameters
        ----------
        workers : int
            Processes that lap at a time.
        samples : int
            Draws of what is not known, for each.
        tolerance : str
            How well start forms are known: a share ("10 %") or a size ("0.2 um").
        cells : int, optional
            Cells across each plate, for coarser ones.
        folder : path, optional
            Keeps what is done, and is gone on with when it is there.

        Returns
        -------
        Tuning
            What was found, and the study that it makes.

        """
        from lapwright.optimisation.work import Many, tolerance_of, tune

        return tune(self, Many(samples, tolerance_of(tolerance), cells), workers, folder)

    @one_thread()
    def preview(self, whole: bool = False) -> Preview:
        """What it means, what each step will do and what to look out for; nothing is lapped.

        Parameters
        ----------
        whole : bool
            All of it in words, as `preview --all` has it; else what fits one screen.

        Returns
        -------
        Preview
            Numbers, words and warnings.

        """
        from lapwright.results.answer import Preview

        return Preview(self, whole)

    @one_thread()
    def why(self, step: int | None = None, degree: int = 8) -> Why:
        """What each step (or `step`, from 1, alone) takes out, leaves alone and makes.

        Parameters
        ----------
        step : int, optional
            From 1; every step if it is not said.
        degree : int
            How fine the shapes are that are looked at.

        Returns
        -------
        Why
            Numbers and words.

        """
        from lapwright.results.why import Why

        if step is not None:
            self._check_step(step)
        return Why(self, step, degree)

    @one_thread()
    def bearing(self, step: int = 1, phase: float | None = None) -> BearingAnswer:
        """How the top of `step` bears at `phase` [rad] of its first stroke, or in the worst place of it.

        Parameters
        ----------
        step : int
            From 1.
        phase : float, optional
            Of the first stroke [rad]; the worst place if it is not said.

        Returns
        -------
        BearingAnswer
            Pressures [Pa] and tilt [rad].

        """
        from lapwright.results.answer import BearingAnswer

        self._check_step(step)
        return BearingAnswer(self, step, phase)

    @one_thread()
    def gauge(
        self, readings: str | Sequence[str] = (), gauges: str | Sequence[str] | None = None
    ) -> GaugeAnswer:
        """What gauges show on the faces as they come, and what `readings` say ("spherometer A 1 um").

        Parameters
        ----------
        readings : str or sequence of str
            Such as "spherometer A 1.2 um @ 0 deg"; a gauge of the study, or a usual one.
        gauges : str or sequence of str, optional
            Which gauges; all if it is not said.

        Returns
        -------
        GaugeAnswer
            What each would show, and what the readings mean.

        """
        from lapwright.results.gauge import GaugeAnswer

        return GaugeAnswer(
            self,
            gauges=[gauges] if isinstance(gauges, str) else gauges,
            readings=[readings] if isinstance(readings, str) else readings,
        )

    def _check_state(self, after: State) -> None:
        heights = getattr(after, "heights", None)
        there = {} if heights is None else {name: z.shape for name, z in heights.items()}
        if there != {name: plate.grid.shape for name, plate in self.plates.items()}:
            message = "after: is no state of these plates, on as many cells each"
            raise CommandError(message, key="after")
        if after.clock.step > len(self.steps):
            raise CommandError("after: is in a step that this study has not", key="after")

    def _check_step(self, step: int) -> None:
        if not 1 <= step <= len(self.steps):
            raise CommandError(
                f"there is no step {step}: steps are 1 to {len(self.steps)}", key="step"
            )

    def __repr__(self) -> str:
        from lapwright.study.objects import described

        head = f"<Study {self.title or self.stem}: {self.units}, seed {self.seed}, rounds {self.rounds}"
        return (
            "\n".join(
                [
                    head,
                    *(
                        f"  {name}: {words}"
                        for name, words in described(self.plates, self.steps, self.units)
                    ),
                ]
            )
            + ">"
        )

    def _repr_html_(self) -> str:
        from html import escape

        from lapwright.study.objects import described

        rows = described(self.plates, self.steps)
        cells = "".join(
            f"<tr><th>{escape(name)}</th><td>{escape(words)}</td></tr>" for name, words in rows
        )
        return f"<table><caption>{escape(self.title or self.stem)}</caption>{cells}</table>"


def guessed_layers(study: Study) -> frozenset[str]:
    """The grits, by name, of which nobody said how far their layer gives."""
    steps = enumerate(study.steps, 1)
    return frozenset(step.grit.name for k, step in steps if guessed(study, k, "layer"))


def guessed(study: Study, number: int, key: str) -> bool:
    """Whether a constant of the grit of a step (from 1) is the usual one and not the person's own."""
    name = study.steps[number - 1].grit.name
    return not {f"grits.{name}.{key}", f"steps.{number}.grit.{key}"}.isdisjoint(study.assumed)
